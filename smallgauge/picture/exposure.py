"""Exposure: the light of the open perforation, and what stands at the ends of the scale.

measure_exposure    light, code values, holes  ->  ExposureReading   (analyse)
measure_evenness    light, holes               ->  darkest over brightest part of the holes

An open perforation holds no film, so it shows the lamp of that very frame at density 0. Its light,
relative to the open gate (1), is the lamp's level; where the code values have run out it is not known.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.ranks import find_median

Hole = tuple[float, float, float, float]  # centre x, centre y, width, height, px
Samples = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]

COLUMNS: tuple[Column, ...] = (
    Column(
        name="light",
        unit="1",
        type="float64",
        meaning="Lamp level: light of the open perforation, mean of the channels, 1 is the open gate; "
        "not a number where no perforation is in view or its code values have run out.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="light_sigma",
        unit="1",
        type="float64",
        meaning="Standard error of light, from the scatter of the perforation's pixels.",
        source="median error",
        tolerance=1e-6,
    ),
    Column(
        name="light_red",
        unit="1",
        type="float64",
        meaning="Light of the open perforation, red channel; equal to light where there is one channel.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="light_green",
        unit="1",
        type="float64",
        meaning="Light of the open perforation, green channel; equal to light where there is one.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="light_blue",
        unit="1",
        type="float64",
        meaning="Light of the open perforation, blue channel; equal to light where there is one.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="light_evenness",
        unit="1",
        type="float64",
        meaning="Darkest over brightest quarter of the open perforations in view.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="perforation_full_scale",
        unit="1",
        type="float64",
        meaning="Share of the open perforation's samples that stand at the highest code value, "
        "worst channel.",
        source="definition",
    ),
    Column(
        name="clipped_high",
        unit="1",
        type="float64",
        meaning="Share of the picture's samples that stand at the highest code value, worst channel.",
        source="definition",
    ),
    Column(
        name="clipped_low",
        unit="1",
        type="float64",
        meaning="Share of the picture's samples that stand at the lowest code value, worst channel.",
        source="definition",
    ),
    Column(
        name="dark_light",
        unit="1",
        type="float64",
        meaning="Light that one sample in a thousand of the frame does not exceed, darkest channel: "
        "the scan's dark level is no higher than this.",
        source="definition",
        tolerance=1e-6,
    ),
)

# Share of samples at the highest code from which the median itself is the clip and no measurement.
LOST_SHARE = 0.5
# Distance kept from the hole's sides besides the blur, px: common practice, no source.
MARGIN_PX = 4.0
# Fewer pixels than this are no measurement: common practice, no source.
LEAST_PIXELS = 64
# Every fourth row is enough for a share or a percentile of a picture, and reads a quarter of the memory.
ROW_STEP = 4
THIN_FROM_PIXELS = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureReading:
    """Light of one frame's open perforation, and the shares at the ends of the scale.

    Fields are named as the columns; NaN is "can't tell".
    """

    light: float
    light_sigma: float
    light_red: float
    light_green: float
    light_blue: float
    light_evenness: float
    perforation_full_scale: float
    clipped_high: float
    clipped_low: float
    dark_light: float


def measure_exposure(
    light: NDArray[np.float32],
    samples: Samples,
    *,
    bits: int,
    holes: tuple[Hole, ...],
    picture: tuple[float, float, float, float] | None = None,
    margin_px: float = MARGIN_PX,
    lowest_code: float = 0.0,
    highest_code: float | None = None,
) -> ExposureReading:
    """Light of the open perforations and share of clipped samples of one frame.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3)
        Linear light, 0 to 1 (open gate); values over 1 are allowed.
    samples : array, same shape
        Code values as decoded.
    bits : int
        Bits of a code value; 32 is floating point, whose highest value is 1.
    holes : tuple of (x, y, width, height)
        Centre and size of each perforation in view, px. May reach over the picture's edge. Give none
        where none is known.
    picture : (left, top, right, bottom), optional
        Picture area in px (pixel centres); the whole frame where it is not known.
    margin_px : float
        Kept clear of the perforation's sides: blur of the edge, burrs. Common practice, no source.
    lowest_code, highest_code : float, optional
        Where the scale ends if not at 0 and 2^bits - 1.

    Returns
    -------
    ExposureReading
        `light*` is NaN without a hole, and NaN where half of a channel's samples in it stand at the
        highest code: the median is then the end of the scale, not the lamp.

    Raises
    ------
    CallerError
        If the two arrays differ in shape.

    Notes
    -----
    Light is the median over all holes' inner parts, so dust and torn slivers do not count while they
    cover less than half. Standard error of a median of n normal values: sqrt(pi/2) sigma / sqrt(n)
    ("median error"); sigma = 1.4826 MAD, at least one code step / sqrt(12).

    Examples
    --------
    >>> import numpy as np
    >>> samples = np.full((60, 80), 100, np.uint8)
    >>> samples[10:50, 20:60] = 204
    >>> reading = measure_exposure(np.float32(samples / 255), samples, bits=8, holes=((39.5, 29.5, 40, 40),))
    >>> round(reading.light, 3), reading.perforation_full_scale
    (0.8, 0.0)
    """
    from smallgauge.picture.kernels_edges import count_ends

    _check(light, samples)
    light = light if light.ndim == 3 else light[:, :, None]
    samples = samples if samples.ndim == 3 else samples[:, :, None]
    highest = highest_code if highest_code is not None else 1.0 if bits == 32 else float(2**bits - 1)
    parts = (_inner(hole, light.shape, margin_px) for hole in holes)
    inner = [part for part in parts if part is not None]
    channels = light.shape[2]
    lines = np.ascontiguousarray(samples).reshape(samples.shape[0], -1)
    levels, sigmas, full = [math.nan] * channels, [math.nan] * channels, math.nan
    if inner:
        blocks = [_thinned(light[part]) for part in inner]
        open_ends, pixels = np.zeros((2, channels), np.int64), 0
        for rows, columns in inner:
            part = rows.start, rows.stop, 1, columns.start, columns.stop
            count_ends(lines, channels, part, float(lowest_code), highest, open_ends)
            pixels += (rows.stop - rows.start) * (columns.stop - columns.start)
        shares = open_ends[1] / pixels
        full = float(shares.max())
        for channel in range(channels):
            if shares[channel] < LOST_SHARE:
                mine = np.concatenate([block[:, :, channel].ravel() for block in blocks])
                levels[channel], sigmas[channel] = _median_and_error(mine, highest, bits)
    area, ends = _rows(samples, picture), np.zeros((2, channels), np.int64)
    counted = len(range(*area[:3])) * max(area[4] - area[3], 0)
    count = max(counted, 1)
    count_ends(lines, channels, area, float(lowest_code), highest, ends)
    red, green, blue = levels if channels == 3 else levels * 3
    return ExposureReading(
        light=float(np.mean(levels)),
        light_sigma=float(np.sqrt(np.sum(np.square(sigmas)))) / channels,
        light_red=red,
        light_green=green,
        light_blue=blue,
        light_evenness=measure_evenness(light, holes=holes, margin_px=margin_px)
        if not math.isnan(float(np.mean(levels)))
        else math.nan,
        perforation_full_scale=full,
        clipped_high=float(ends[1].max()) / count if counted else math.nan,
        clipped_low=float(ends[0].max()) / count if counted else math.nan,
        dark_light=_dark(light),
    )


def measure_evenness(
    light: NDArray[np.float32], *, holes: tuple[Hole, ...], margin_px: float = MARGIN_PX
) -> float:
    """Darkest over brightest quarter of the open perforations in view: how evenly the light falls.

    Each hole's inner part is cut into four quarters; the median of each is taken in every channel and
    the channels are averaged. 1 is even; NaN where no quarter holds enough pixels. Quarters at the
    highest code look even: judge with `perforation_full_scale`. Parameters as in `measure_exposure`.

    Examples
    --------
    >>> import numpy as np
    >>> light = np.tile(np.linspace(0.8, 1.0, 81, dtype=np.float32), (60, 1))
    >>> round(measure_evenness(light, holes=((40, 30, 80, 50),)), 2)
    0.9
    """
    light = light if light.ndim == 3 else light[:, :, None]
    quarters = []
    for hole in holes:
        inner = _inner(hole, light.shape, margin_px)
        if inner is None:
            continue
        block = _thinned(light[inner])
        height, width = block.shape[0] // 2, block.shape[1] // 2
        if height * width * 4 < LEAST_PIXELS:
            continue
        for rows in (slice(None, height), slice(-height, None)):
            for columns in (slice(None, width), slice(-width, None)):
                part = [find_median(block[rows, columns, channel]) for channel in range(block.shape[2])]
                quarters.append(float(np.array(part, np.float32).mean()))
    if not quarters or max(quarters) <= 0:
        return math.nan
    return min(quarters) / max(quarters)


def _check(light: NDArray[np.float32], samples: Samples) -> None:
    if light.shape != samples.shape or light.ndim not in (2, 3):
        raise CallerError(
            "measure_exposure needs light and code values of one shape, (height, width) or "
            f"(height, width, 3), got {light.shape} and {samples.shape}. Pass the same frame twice."
        )


def _inner(hole: Hole, shape: tuple[int, ...], margin_px: float) -> tuple[slice, slice] | None:
    """The hole's inner part that is in view, or None where too little of it is."""
    x, y, width, height = hole
    if not all(math.isfinite(value) for value in hole):
        return None
    left = max(math.ceil(x - width / 2 + margin_px), 0)
    right = min(math.floor(x + width / 2 - margin_px), shape[1] - 1)
    top = max(math.ceil(y - height / 2 + margin_px), 0)
    bottom = min(math.floor(y + height / 2 - margin_px), shape[0] - 1)
    if right < left or bottom < top or (right - left + 1) * (bottom - top + 1) < LEAST_PIXELS:
        return None
    return slice(top, bottom + 1), slice(left, right + 1)


def _thinned(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """Every second pixel of every second row of a large block: enough for a median, and four times faster."""
    return block[::2, ::2] if block.shape[0] * block.shape[1] > THIN_FROM_PIXELS else block


def _median_and_error(values: NDArray[np.float32], highest: float, bits: int) -> tuple[float, float]:
    median = find_median(values)
    scatter = 1.4826 * find_median(np.abs(values - np.float32(median)))
    # Rounding to codes: a uniform error of one step. The slope of light over code near the top is at
    # most about 2.5 (display curves), so one step of light is taken as 2.5 / highest code.
    step = 0.0 if bits == 32 else 2.5 / highest / math.sqrt(12.0)
    return median, math.sqrt(math.pi / 2 / values.size) * max(scatter, step)


def _rows(
    samples: Samples, picture: tuple[float, float, float, float] | None
) -> tuple[int, int, int, int, int]:
    """The picture as far as it is in view: first row, stop, step, first column, stop."""
    height, width = samples.shape[:2]
    if picture is None or not all(math.isfinite(side) for side in picture):
        return 0, height, ROW_STEP, 0, width
    left, top, right, bottom = picture
    stop, last = min(max(math.floor(bottom) + 1, 0), height), min(max(math.floor(right) + 1, 0), width)
    return max(math.ceil(top), 0), stop, ROW_STEP, max(math.ceil(left), 0), last


def _dark(light: NDArray[np.float32]) -> float:
    from smallgauge.picture.kernels_edges import low_order

    thin = light[:: 2 * ROW_STEP, :: 2 * ROW_STEP]
    order = thin.shape[0] * thin.shape[1] // 1000
    return float(min(low_order(thin[:, :, channel], order) for channel in range(thin.shape[2])))
