"""The base of a negative: film that the camera never exposed, in each channel.

measure_base   light, boxes, place, lamp   ->  BaseReading of one frame      (analyse)
base_of        readings of a length        ->  density of its base, and how surely

A negative's border saw no light, so it is the lightest film there is: base, fog and orange mask. Edge print, dirt and the
shadow of a picture make a place darker, so the lighter half of the places counts.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError

Triple = tuple[float, float, float]
Box = tuple[float, float, float, float]  # left, top, right, bottom, px from the film reference
CHANNELS = ("red", "green", "blue")
PLACE_PX = 8  # side of a place of the border that counts by its median; common practice, no source
LEAST_PLACES = 6  # fewer are no measurement; common practice, no source
LIGHTER = 0.5  # share of the places that count
LEAST_FRAMES = 3  # common practice, no source
MOST_SPREAD = 0.05  # robust scatter of density from frame to frame beyond which a border is none; common practice, no source

COLUMNS: tuple[Column, ...] = tuple(
    Column(
        name=f"base_{channel}",
        unit="1",
        type="float64",
        meaning=f"Light through the unexposed border of a negative, {channel}, the lamp of that frame 1; not a number on "
        "other film, or where too little border is in view.",
        source="definition",
        tolerance=1e-6,
    )
    for channel in CHANNELS
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseReading:
    """Light through the base in one frame; fields are the columns."""

    base_red: float
    base_green: float
    base_blue: float


def measure_base(
    light: NDArray[np.float32],
    *,
    boxes: Sequence[Box],
    reference: tuple[float, float],
    lamp: Triple = (1.0, 1.0, 1.0),
) -> BaseReading:
    """Light through film that the camera never exposed.

    Parameters
    ----------
    light : float32 array, shape (height, width, 3) or (height, width)
        Linear light, open gate 1. One channel counts as three alike.
    boxes : sequence of left, top, right, bottom
        Where such film lies, px from `reference`.
    reference : (x, y)
        The frame's film reference, px; NaN where it was not found.
    lamp : three floats
        Light of the open perforation in this frame; a NaN counts as 1.

    Returns
    -------
    BaseReading
        NaN where fewer than six places of border are in view.

    Raises
    ------
    CallerError
        For another shape.

    Notes
    -----
    Source: definition (mean of the medians of the lighter half of the places).

    Examples
    --------
    >>> frame = np.full((60, 80, 3), [0.6, 0.3, 0.15], np.float32)
    >>> frame[:20] = 0.05  # a picture
    >>> print(measure_base(frame, boxes=[(-30, -10, 30, 20)], reference=(40.0, 30.0)).base_green.__round__(3))
    0.3
    """
    if light.ndim not in (2, 3) or (light.ndim == 3 and light.shape[2] != 3):
        raise CallerError(
            f"measure_base needs light of shape (height, width) or (height, width, 3), got {light.shape}."
        )
    planes = light if light.ndim == 3 else light[:, :, None]
    places = _places(planes, boxes, reference)
    if len(places) < LEAST_PLACES:
        return BaseReading(base_red=math.nan, base_green=math.nan, base_blue=math.nan)
    order = np.argsort(places.sum(axis=1), kind="stable")
    kept = places[order[len(places) - math.ceil(LIGHTER * len(places)) :]].astype(np.float64).mean(axis=0)
    level = np.array([value if math.isfinite(value) and value > 0 else 1.0 for value in lamp])
    red, green, blue = (np.broadcast_to(kept, (3,)) / level).tolist()
    return BaseReading(base_red=red, base_green=green, base_blue=blue)


def base_of(readings: NDArray[np.float64]) -> tuple[Triple, Triple] | None:
    """Density of the base of one length of stock, and its standard error.

    Parameters
    ----------
    readings : float64 array, shape (frames, 3)
        Light of the base, the lamp of each frame 1. Frames with a NaN are left out.

    Returns
    -------
    density, sigma : three floats each; or None
        None where fewer than three frames tell, or they don't agree on it.

    Raises
    ------
    CallerError
        For another shape.

    Notes
    -----
    Source: median error. The median of frames, so that fogged ends of a roll do not count.

    Examples
    --------
    >>> density, sigma = base_of(np.full((5, 3), 0.1))
    >>> print(density, sigma)
    (1.0, 1.0, 1.0) (0.0, 0.0, 0.0)
    """
    if readings.ndim != 2 or readings.shape[1] != 3:
        raise CallerError(f"Readings of a base have three channels, got shape {readings.shape}.")
    known = readings[(readings > 0).all(axis=1) & np.isfinite(readings).all(axis=1)]
    if len(known) < LEAST_FRAMES:
        return None
    density = -np.log10(known)
    middle = np.median(density, axis=0)
    spread = 1.4826 * np.median(np.abs(density - middle), axis=0)
    if (spread > MOST_SPREAD).any():
        return None
    sigma = 1.2533 * spread / math.sqrt(len(known))
    return _triple(middle), _triple(sigma)


def _places(
    planes: NDArray[np.float32], boxes: Sequence[Box], reference: tuple[float, float]
) -> NDArray[np.float32]:
    """Medians of square places of the border, every other row and column of each, shape (places, channels)."""
    height, width, channels = planes.shape
    found = [np.zeros((0, channels), np.float32)]
    for box in boxes if all(math.isfinite(value) for value in reference) else ():
        x0, x1 = max(0, math.ceil(reference[0] + box[0])), min(width, math.floor(reference[0] + box[2]) + 1)
        y0, y1 = max(0, math.ceil(reference[1] + box[1])), min(height, math.floor(reference[1] + box[3]) + 1)
        wide, high = min(PLACE_PX, x1 - x0), min(PLACE_PX, y1 - y0)
        if min(wide, high) < 4:
            continue
        rows, columns = (y1 - y0) // high, (x1 - x0) // wide
        part = planes[y0 : y0 + rows * high, x0 : x0 + columns * wide]
        cells = part.reshape(rows, high, columns, wide, channels)[:, ::2, :, ::2].swapaxes(1, 2)
        found.append(np.median(cells.reshape(rows * columns, -1, channels), axis=1))
    return np.concatenate(found)


def _triple(values: NDArray[np.float64]) -> Triple:
    red, green, blue = values.tolist()
    return red + 0.0, green + 0.0, blue + 0.0
