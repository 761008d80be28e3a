"""Evenness of the light: what the open gate shows, divided out pixel by pixel.

make_evenness    light of the open gate, of the dark -> Evenness
apply_evenness   captured light, Evenness            -> light as an even lamp would give it   (render, analyse through record)

The picture of the open gate is taken without film. It is smoothed before it is used: noise and dust of one picture shall
not be printed into every frame. It counts relative to the place of the perforation, whose light is the lamp's level.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError

SMOOTH_SHARE = (
    1 / 60
)  # of the width: sigma of the smoothing; lamps and lenses fall off wider. common practice, no source
BLOCKS = 256  # across, of which the smoothing is made
LEAST_SHARE = 0.25  # of the usual light: darker corners are no open gate. common practice, no source
FULL_SHARE = 0.01  # of the samples may stand at full scale; more, and the picture tells nothing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evenness:
    """Captured light times `gain`, plus `offset`; float32 arrays of the captured picture's shape."""

    gain: NDArray[np.float32]
    offset: NDArray[np.float32]


def make_evenness(
    open_gate: NDArray[np.float32],
    *,
    dark: NDArray[np.float32] | None,
    near: tuple[float, float],
    full_scale: float,
    where: str,
) -> Evenness:
    """What makes the light even.

    Parameters
    ----------
    open_gate : float32 array, shape (height, width) or (height, width, 3)
        Light of the open gate, no film in it. Not altered.
    dark : float32 array of the same shape, or None
        Light that the scanner reads with its lamp off.
    near : (x, y)
        Pixel where the lamp's level is read, frame by frame: there the gain is 1.
    full_scale : float
        Light of the highest code value.
    where : str
        The file's name, for messages.

    Returns
    -------
    Evenness

    Raises
    ------
    MaterialError
        Where the picture's code values have run out, it is dark in parts, or holds values that are no light.

    Notes
    -----
    Source: definition (light over the light of the open gate).

    Examples
    --------
    >>> falling = np.linspace(1.0, 0.8, 90, dtype=np.float32)[None, :].repeat(60, axis=0)
    >>> made = make_evenness(falling, dark=None, near=(0, 30), full_scale=2.0, where="open-gate.tif")
    >>> print(round(float(made.gain[30, 0]), 1), round(float(made.gain[30, 89]), 1))
    1.0 1.2
    """
    if not (np.isfinite(open_gate).all() and (dark is None or np.isfinite(dark).all())):
        raise MaterialError(f"The light must be known in every pixel of {where}; take the picture again.")
    full = float(np.mean(open_gate >= full_scale * (1 - 1e-6)))
    if full > FULL_SHARE:
        raise MaterialError(
            f"A picture of the open gate must stay below the highest code value, but {100 * full:.0f} % of {where} stand at "
            "it; take it again with less light, or leave open_gate out of capture.toml."
        )
    smooth = _smooth(open_gate)
    black = np.zeros_like(smooth) if dark is None else _smooth(dark)
    lamp = smooth - black
    x = min(max(round(near[0]), 0), lamp.shape[1] - 1)
    y = min(max(round(near[1]), 0), lamp.shape[0] - 1)
    least = float((lamp / np.maximum(np.median(lamp, axis=(0, 1)), 1e-9)).min())
    if least < LEAST_SHARE:
        raise MaterialError(
            f"A picture of the open gate must be light all over, but {where} falls to {100 * max(least, 0):.0f} % of its usual "
            "light; take it without film and without a mask, or leave open_gate out of capture.toml."
        )
    gain = (lamp[y, x] / lamp).astype(np.float32)
    return Evenness(gain=gain, offset=(-black * gain).astype(np.float32))


def _smooth(light: NDArray[np.float32]) -> NDArray[np.float64]:
    """Means of blocks, smoothed, and laid out again by straight lines: the same on every machine."""
    from scipy.ndimage import gaussian_filter1d

    height, width = light.shape[:2]
    block = max(1, width // BLOCKS)
    rows, columns = -(-height // block), -(-width // block)
    beyond = [(0, rows * block - height), (0, columns * block - width), *[(0, 0)] * (light.ndim - 2)]
    padded = np.pad(light.astype(np.float64), beyond, mode="edge")
    small = padded.reshape(rows, block, columns, block, *light.shape[2:]).mean(axis=(1, 3))
    sigma = max(1.0, SMOOTH_SHARE * width / block)
    for axis in (0, 1):
        small = gaussian_filter1d(small, sigma, axis=axis, mode="nearest")
    return _laid_out(_laid_out(small, 0, height, block), 1, width, block)


def _laid_out(small: NDArray[np.float64], axis: int, size: int, block: int) -> NDArray[np.float64]:
    """Block means to pixels along one axis, by straight lines between the blocks' middles."""
    place = np.clip((np.arange(size) + 0.5) / block - 0.5, 0, small.shape[axis] - 1)
    first = np.minimum(place.astype(np.int64), max(small.shape[axis] - 2, 0))
    share = (place - first).reshape([-1 if n == axis else 1 for n in range(small.ndim)])
    after = np.minimum(first + 1, small.shape[axis] - 1)
    made: NDArray[np.float64] = small.take(first, axis) * (1 - share) + small.take(after, axis) * share
    return made


def apply_evenness(light: NDArray[np.float32], evenness: Evenness) -> NDArray[np.float32]:
    """Captured light as an even lamp would give it.

    Parameters
    ----------
    light : float32 array, shape of the evenness
        Captured light. Not altered.
    evenness : Evenness

    Returns
    -------
    float32 array of the same shape
        NaN stays NaN.

    Raises
    ------
    MaterialError
        Where the shapes differ.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> flat = Evenness(gain=np.full((1, 2), 2.0, np.float32), offset=np.zeros((1, 2), np.float32))
    >>> print(apply_evenness(np.array([[0.1, 0.2]], np.float32), flat))
    [[0.2 0.4]]
    """
    if light.shape != evenness.gain.shape:
        raise MaterialError(
            f"The picture of the open gate must be of the frames' size and channels, {light.shape}, found "
            f"{evenness.gain.shape}; take it with the capture's own settings."
        )
    made: NDArray[np.float32] = light * evenness.gain + evenness.offset
    return made
