"""Flicker: exposure that varied from one frame of the camera to the next.

apply_flicker      density, the frame's correction  ->  density                       (render)

Exposure happens before the film is developed. What varies there adds to the logarithm of the exposure, and on the film to
its density: smoothly over the picture, and in proportion to the contrast.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

TERMS = ("1", "x", "y", "xx", "xy", "yy", "contrast")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerCorrection:
    """What is added to one frame's density, channel by channel, to take its flicker out.

    `terms` holds, for red, green and blue, seven numbers in density: those of 1, x, y, xx, xy and yy, with x and y from -1 at
    the finished picture's left and top edge to 1 at its right and bottom edge, and that of the contrast, which multiplies how
    far a density lies from the channel's `middle`.
    """

    terms: tuple[tuple[float, ...], ...]
    middle: tuple[float, float, float]

    def __post_init__(self) -> None:
        shape = np.shape(self.terms)
        if shape != (3, len(TERMS)) or len(self.middle) != 3:
            raise CallerError(
                f"FlickerCorrection needs 3 x {len(TERMS)} terms and 3 middles, got {shape} and {len(self.middle)}."
            )


def apply_flicker(density: NDArray[np.floating], correction: FlickerCorrection) -> NDArray[np.floating]:
    """A frame's density with its flicker taken out.

    Parameters
    ----------
    density : floating array, shape (height, width, 3)
        Density of the finished picture's pixels, 0 is the open gate. Not altered. Must be finite: no light at all is held at
        the light floor before it becomes a density. NaN stays NaN.
    correction : FlickerCorrection
        The frame's correction.

    Returns
    -------
    array of the same shape and type
        ``D + t0 + t1 x + t2 y + t3 x^2 + t4 x y + t5 y^2 + c (D - middle)``, at a pixel's centre.

    Raises
    ------
    CallerError
        If `density` is not of three channels.

    Notes
    -----
    Source: flicker.

    Examples
    --------
    >>> brighter = FlickerCorrection(terms=((-0.04,) + (0.0,) * 6,) * 3, middle=(1.0, 1.0, 1.0))
    >>> apply_flicker(np.full((2, 2, 3), 0.8, np.float32), brighter)[0, 0].round(3).tolist()
    [0.7599999904632568, 0.7599999904632568, 0.7599999904632568]
    """
    if density.ndim != 3 or density.shape[2] != 3:
        raise CallerError(
            f"apply_flicker needs density of shape (height, width, 3), got {density.shape}; repeat a single channel."
        )
    height, width = density.shape[:2]
    x = ((2 * np.arange(width, dtype=np.float64) + 1) / width - 1)[None, :]
    y = ((2 * np.arange(height, dtype=np.float64) + 1) / height - 1)[:, None]
    out = np.empty_like(density)
    for channel, (t, middle) in enumerate(zip(correction.terms, correction.middle, strict=True)):
        surface = (t[0] + t[1] * x + t[3] * x * x) + (t[2] * y + t[5] * y * y) + t[4] * (x * y)
        plane = density[:, :, channel].astype(np.float64)
        out[:, :, channel] = plane + surface + t[6] * (plane - middle)
    return out
