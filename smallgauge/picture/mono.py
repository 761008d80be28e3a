"""Black-and-white film captured in colour: one density out of three, and the film's own colour told apart.

apply_mono   density of a frame, correction  ->  density, one tone   (render)

*Tint* is the colour of the base: it is there where the film is clear, the same everywhere. *Tone* is the colour of the image
itself: it grows with density. Both belong to the film and are kept unless somebody wants a neutral copy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Triple = tuple[float, float, float]
Rows = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
KEPT, NEUTRAL = "as on the film", "neutral"
LOOKS = (KEPT, NEUTRAL)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonoCorrection:
    """One density d = weights . (D_R, D_G, D_B), and the colour that it gets: D_c = tone[c][0] + tone[c][1] * d."""

    weights: Triple
    tone: Rows


def apply_mono(density: NDArray[np.floating], correction: MonoCorrection) -> NDArray[np.floating]:
    """One density out of three, with the tone that was decided.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Densities R, G, B. Not altered.
    correction : MonoCorrection

    Returns
    -------
    array of the same shape and type
        Densities R, G, B on one line. NaN in all channels where one is NaN.

    Raises
    ------
    CallerError
        If the last axis is not 3 long.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> plain = MonoCorrection(weights=(0.25, 0.5, 0.25), tone=((0.0, 1.0),) * 3)
    >>> print(apply_mono(np.array([[1.0, 1.2, 1.4]]), plain))
    [[1.2 1.2 1.2]]
    """
    if density.ndim < 1 or density.shape[-1] != 3:
        raise CallerError(
            f"Densities must stand in an array whose last axis holds 3 channels, got shape {density.shape}."
        )
    kind = density.dtype.type
    one = density @ np.asarray(correction.weights, kind)
    tone = np.asarray(correction.tone, kind)
    return np.asarray(tone[:, 0] + tone[:, 1] * one[..., None], density.dtype)
