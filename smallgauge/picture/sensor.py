"""Spots that stand still while the film runs: dust on sensor, lens or gate glass, and pixels that are dead or hot.

find_sensor_spots   mean picture of many frames of clear film -> SensorSpot, each with place, size and depth   (line-up)

Dirt on the film lies elsewhere in every frame and is gone from their mean; what is left there belongs to the machine.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Floats = NDArray[np.float32]

# Picture note j: over 6 MAD of the mean's high-pass. The rest: common practice, no source.
OUTLYING = 6.0
LEAST_DEPTH = 0.01  # of the light around: less is not seen in a picture
FILM_SHARE = 1.2  # over the number of frames: a black speck on the film takes 1 from one frame
SMOOTH_PX = 31  # width of the median that stands for the light around; larger spots are the light field's
MARGIN_PX = 4  # inside the picture area


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSpot:
    """One spot in sensor coordinates: its middle, how many pixels, and its light over that around it, less 1."""

    x_px: float
    y_px: float
    pixels: int
    depth: float


def find_sensor_spots(
    mean: Floats, *, area: tuple[float, float, float, float], frames: int
) -> tuple[SensorSpot, ...]:
    """Spots that stand still, the deepest first.

    Parameters
    ----------
    mean : array, shape (height, width) or (height, width, 3), float32
        Mean linear light of frames of clear film or an open gate, as captured: not registered.
    area : (left, top, right, bottom)
        Picture area, px.
    frames : int
        How many frames the mean is of, eight or more: dirt on the film must vanish in it.

    Returns
    -------
    tuple of SensorSpot
        Empty where the area is out of view.

    Raises
    ------
    CallerError
        If `mean` is neither one plane nor three, or of fewer than eight frames.

    Notes
    -----
    Light over its own median around it (31 px), less 1; a pixel counts from 6 robust deviations on ("median error") that are
    also one per cent, and more than one black speck on the film takes from the mean, 1.2/frames.

    Examples
    --------
    >>> import numpy as np
    >>> light = np.full((120, 160), 0.5, np.float32) + np.random.default_rng(1).normal(0, 1e-3, (120, 160)).astype(np.float32)
    >>> light[40:43, 70:73] *= 0.7
    >>> [(round(spot.x_px), round(spot.y_px), spot.pixels) for spot in find_sensor_spots(light, area=(0, 0, 159, 119), frames=50)]
    [(71, 41, 9)]
    """
    if mean.ndim not in (2, 3) or frames < 8:
        raise CallerError(
            f"find_sensor_spots needs the mean of at least eight frames in one plane or three, got shape {mean.shape} of "
            f"{frames} frames."
        )
    if not all(math.isfinite(side) for side in area):
        return ()
    import cv2

    left, top, right, bottom = area
    x0, y0 = max(math.ceil(left) + MARGIN_PX, 0), max(math.ceil(top) + MARGIN_PX, 0)
    part = mean[y0 : math.floor(bottom) + 1 - MARGIN_PX, x0 : math.floor(right) + 1 - MARGIN_PX]
    plane = np.asarray(part if part.ndim == 2 else part.mean(axis=2), np.float32)
    if min(plane.shape) < SMOOTH_PX or not float(plane.max()) > 0:
        return ()
    # A wide median in 8 bits is coarse; of the relative light it is fine enough once the slow fall is taken out first.
    slow = cv2.GaussianBlur(plane, (0, 0), SMOOTH_PX / 2)
    off = plane / np.maximum(slow, 1e-6) - 1.0
    level = np.clip(off * 2000.0 + 128.0, 0, 255).astype(np.uint8)
    off = off - (cv2.medianBlur(level, SMOOTH_PX).astype(np.float32) - 128.0) / 2000.0
    scatter = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    least = max(OUTLYING * scatter, LEAST_DEPTH, FILM_SHARE / frames)
    count, _, stats, centres = cv2.connectedComponentsWithStats((np.abs(off) > least).astype(np.uint8))
    spots = []
    for n in range(1, count):
        x, y, width, height, pixels = (int(each) for each in stats[n])
        here = off[y : y + height, x : x + width]
        spots.append(
            SensorSpot(
                x_px=float(centres[n][0]) + x0,
                y_px=float(centres[n][1]) + y0,
                pixels=pixels,
                depth=float(here.flat[int(np.abs(here).argmax())]),
            )
        )
    return tuple(sorted(spots, key=lambda spot: -abs(spot.depth)))
