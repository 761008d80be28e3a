"""Unexposed border and clear film of a frame: the two ends of a reversal film's densities, in each channel.

find_border_boxes   survey, picture area          ->  where film outside the picture lies    (analyse)
measure_border      light, boxes, picture, lamp   ->  BorderReading of one frame             (analyse)

Reversal film that saw no light is black: its border holds all the dye that the film can make, so what is left of
each dye shows there. Read are the frame line and the film beside the perforations, never where a stripe or a
photographic track may lie; edge print, dirt and light that strays from bright parts near by make a place lighter,
so the darkest quarter of the places counts. What a length's frames say together: `border_length`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.perforation_fix import PerforationSurvey
from smallgauge.picture.ranks import find_median, find_percentiles

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]  # left, top, right, bottom, px from the film reference
Triple = tuple[float, float, float]

CHANNELS = ("red", "green", "blue")
CLEAR_OF_HOLE_MM = 0.10  # light spreads this far from an open perforation: common practice, no source
CLEAR_OF_PICTURE_MM = 0.05  # the camera's gate throws a soft shadow: common practice, no source
SIDE_SHARE = 0.1  # of the picture's width left out at each end of the frame line; common practice, no source
LEAST_MM = 0.04  # a strip narrower than this says nothing; common practice, no source
PLACE_PX = 12  # of a place, square, that counts by its median
SAMPLES_OF_PLACE, MOST_PLACES = 16, 64  # read of each place, and places of each box: enough for a median
LEAST_PLACES = 8  # fewer are no measurement; common practice, no source
DARKEST = 0.25  # of the places count
CELLS = (
    24,
    32,
)  # rows and columns of the small picture that clear film and the picture's range are read from
CLEAREST_CELLS = 4  # whose mean is the clearest film of the frame; common practice, no source
LOWEST_SHARE = 0.005  # of the border's samples lie below its lowest light
VIEW_STEP = 8  # every eighth row and column gives the view's mean light


def _named(name: str, meaning: str, unit: str = "1") -> tuple[Column, ...]:
    return tuple(
        Column(
            name=f"{name}_{channel}",
            unit=unit,
            type="float64",
            meaning=meaning.format(channel=channel),
            source="definition",
            tolerance=1e-6,
        )
        for channel in CHANNELS
    )


COLUMNS: tuple[Column, ...] = (
    *_named(
        "border",
        "Light through the darkest quarter of the unexposed border, {channel}, the lamp of that frame 1; "
        "not a number where too little border is in view.",
    ),
    *_named("border_sigma", "Standard error of border_{channel}, from the scatter of its places."),
    *_named(
        "border_lowest", "Light that one in two hundred samples of that border does not exceed, {channel}."
    ),
    *_named(
        "border_floor_share", "Share of that border's samples that stand at its very lowest value, {channel}."
    ),
    *_named("clear", "Light of the clearest part of the picture, {channel}, the lamp of that frame 1."),
    *_named(
        "picture_middle",
        "Density that six tenths of the picture do not exceed, {channel}, lamp taken out.",
    ),
    *_named(
        "picture_dense",
        "Density that 97 hundredths of the picture do not exceed, {channel}, lamp taken out.",
    ),
    *_named(
        "view",
        "Mean light of all that the capture shows, {channel}, the lamp of that frame 1: what strays is a share of it.",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BorderReading:
    """What one frame shows of the film's darkest and clearest: red, green, blue each; NaN is "can't tell"."""

    border: Triple
    border_sigma: Triple
    border_lowest: Triple
    border_floor_share: Triple
    clear: Triple
    picture_middle: Triple
    picture_dense: Triple
    view: Triple

    def columns(self) -> dict[str, float]:
        """Values by the names of `COLUMNS`."""
        return {
            f"{name}_{channel}": getattr(self, name)[n]
            for name in BorderReading.__slots__
            for n, channel in enumerate(CHANNELS)
        }


def find_border_boxes(survey: PerforationSurvey, *, picture: Box) -> tuple[Box, ...]:
    """Where film lies that no camera exposed and no stripe covers, around one frame.

    Parameters
    ----------
    survey : PerforationSurvey
    picture : (left, top, right, bottom)
        The camera's picture, px from the film reference.

    Returns
    -------
    tuple of (left, top, right, bottom)
        Px from the film reference; frame lines above and below, and the film between the perforations of each row.
        Empty where nothing is wide enough.

    Notes
    -----
    Source: "derived" from the survey; margins are common practice.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import GAUGES
    >>> from smallgauge.picture.gauge_reading import find_gauge
    >>> from smallgauge.picture.synthetic import draw_frame, specimen_truth
    >>> truth = specimen_truth("super 8", width=512, height=384, frames=4)
    >>> light = [(draw_frame(truth, n).samples / 65535).astype(np.float32) for n in range(4)]
    >>> survey = find_gauge(light, gauges=GAUGES).survey
    >>> half = survey.pitch_px / 2
    >>> area = (0.06 * survey.pitch_px + survey.width_px / 2, -0.95 * half, 1.5 * survey.pitch_px, 0.95 * half)
    >>> len(find_border_boxes(survey, picture=area)) >= 3
    True
    """
    along, across = survey.along_px_per_mm, survey.across_px_per_mm
    left, top, right, bottom = picture
    boxes: list[Box] = []
    inset = SIDE_SHARE * (right - left)
    gap = CLEAR_OF_PICTURE_MM * along + 2.0 * survey.blur_along_px
    at_line = survey.holes_at == "frame line"
    for turn in (-1, 0):
        first = bottom + turn * survey.pitch_px + gap
        stop = top + (turn + 1) * survey.pitch_px - gap
        if stop - first >= max(LEAST_MM * along, 4.0):
            boxes.append((left + inset, first, right - inset, stop))
    clear_x = CLEAR_OF_PICTURE_MM * across + 2.0 * survey.blur_px
    clear_y = CLEAR_OF_HOLE_MM * along + survey.height_px / 2
    for row in survey.rows:
        x = row - survey.rows[0]
        a, b = x - survey.width_px / 2, x + survey.width_px / 2
        if a < left < b:  # the picture begins beside the perforation
            b = left - clear_x
        if a < right < b:
            a = right + clear_x
        if left <= a and b <= right:  # in the middle of the film, between the pictures
            continue
        if b - a < max(LEAST_MM * across, 4.0):
            continue
        for turn in (-1, 0, 1):
            middle = (turn + (0.5 if at_line else 0.0)) * survey.pitch_px
            boxes.append((a, middle + clear_y, b, middle + survey.pitch_px - clear_y))
    holes = [
        (row - survey.rows[0], (turn + 0.5) * survey.pitch_px)
        for row in survey.rows
        for turn in (-1, 0)
        if at_line
    ]
    return tuple(part for box in boxes for part in _around(box, holes, survey))


def _around(box: Box, holes: Sequence[tuple[float, float]], survey: PerforationSurvey) -> list[Box]:
    """A box without what lies beside a perforation in it."""
    clear_x = survey.width_px / 2 + CLEAR_OF_HOLE_MM * survey.across_px_per_mm
    clear_y = survey.height_px / 2 + 0.5 * CLEAR_OF_HOLE_MM * survey.along_px_per_mm
    parts = [box]
    for x, y in holes:
        cut: list[Box] = []
        for left, top, right, bottom in parts:
            if x + clear_x <= left or x - clear_x >= right or y + clear_y <= top or y - clear_y >= bottom:
                cut.append((left, top, right, bottom))
                continue
            cut += [
                part
                for part in ((left, top, x - clear_x, bottom), (x + clear_x, top, right, bottom))
                if part[2] - part[0] >= 4.0
            ]
        parts = cut
    return parts


def measure_border(
    light: NDArray[np.float32],
    *,
    boxes: Sequence[Box],
    reference: tuple[float, float],
    picture: Box,
    lamp: Triple = (1.0, 1.0, 1.0),
) -> BorderReading:
    """Darkest and clearest film of one frame, and the range of its picture.

    Parameters
    ----------
    light : float32 array, shape (height, width, 3) or (height, width)
        Linear light, open gate 1. Not altered. One channel counts as three alike.
    boxes : sequence of (left, top, right, bottom)
        From `find_border_boxes`.
    reference : (x, y)
        The frame's film reference, px; NaN: nothing of the border is measured.
    picture : (left, top, right, bottom)
        The picture in this capture, px from its top left pixel.
    lamp : three floats
        Light of the open perforation in this frame; a NaN counts as 1.

    Returns
    -------
    BorderReading
        Light relative to the lamp, densities base 10. NaN where too little is in view.

    Raises
    ------
    CallerError
        For another shape.

    Notes
    -----
    Source: definition; limits are common practice.

    Examples
    --------
    >>> frame = np.full((240, 320, 3), 0.25, np.float32)
    >>> frame[:, :60] = 0.002
    >>> read = measure_border(frame, boxes=[(-20, -100, 20, 100)], reference=(30, 120), picture=(80, 20, 300, 220))
    >>> print(round(read.border[0], 4), round(read.clear[0], 2), round(read.picture_dense[0], 2))
    0.002 0.25 0.6
    """
    from smallgauge.picture.kernels_edges import mean_of_some

    if light.ndim not in (2, 3) or (light.ndim == 3 and light.shape[2] != 3):
        raise CallerError(
            f"measure_border needs light of shape (height, width) or (height, width, 3), got {light.shape}."
        )
    per_lamp = np.array([value if math.isfinite(value) and value > 0.0 else 1.0 for value in lamp])
    planes = light if light.ndim == 3 else light[:, :, None]
    nothing = np.full(3, math.nan)
    border = sigma = lowest = share = nothing
    if all(math.isfinite(value) for value in reference):
        samples, places = _places_of(planes, boxes, reference)
        if len(places) >= LEAST_PLACES:
            border, sigma, lowest, share = _darkest(samples, places, per_lamp)
    clear, middle, dense = _range_of(planes, picture, per_lamp)
    view = mean_of_some(planes, VIEW_STEP) / per_lamp
    return BorderReading(
        border=_triple(border),
        border_sigma=_triple(sigma),
        border_lowest=_triple(lowest),
        border_floor_share=_triple(share),
        clear=_triple(clear),
        picture_middle=_triple(middle),
        picture_dense=_triple(dense),
        view=_triple(view),
    )


def _triple(values: Array) -> Triple:
    return float(values[0]), float(values[-2]), float(values[-1])


def _places_of(
    planes: NDArray[np.float32], boxes: Sequence[Box], reference: tuple[float, float]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Samples of the border in places of one size, (places, samples, channels), and the places' medians."""
    height, width, channels = planes.shape
    found = []
    for box in boxes:
        x0, x1 = max(0, math.ceil(reference[0] + box[0])), min(width, math.floor(reference[0] + box[2]) + 1)
        y0, y1 = max(0, math.ceil(reference[1] + box[1])), min(height, math.floor(reference[1] + box[3]) + 1)
        wide, high = min(PLACE_PX, x1 - x0), min(PLACE_PX, y1 - y0)
        if min(wide, high) < 4:
            continue
        rows, columns = (y1 - y0) // high, (x1 - x0) // wide
        part = planes[y0 : y0 + rows * high, x0 : x0 + columns * wide]
        thin = max(1, high * wide // SAMPLES_OF_PLACE)
        place = np.arange(0, rows * columns, max(1, rows * columns // MOST_PLACES))[:, None]
        sample = np.arange(0, high * wide, thin)[None, :SAMPLES_OF_PLACE]
        y = place // columns * high + sample // wide
        found.append(part[y, place % columns * wide + sample % wide])
    if not found:
        return np.zeros((0, 0, channels), np.float32), np.zeros((0, channels), np.float32)
    samples = np.concatenate(found)
    ordered, half = np.sort(samples, axis=1), samples.shape[1] // 2
    middle = ordered[:, half] if samples.shape[1] % 2 else (ordered[:, half - 1] + ordered[:, half]) / 2
    return samples, middle


def _darkest(
    samples: NDArray[np.float32], places: NDArray[np.float32], lamp: Array
) -> tuple[Array, Array, Array, Array]:
    """Light, standard error, lowest light and share at the very lowest, of the darkest quarter of the places."""
    usual = np.array([find_median(each) for each in places.T], np.float32)
    order = np.argsort((places / np.maximum(usual, 1e-6)).sum(axis=1), kind="stable")
    kept = order[: max(LEAST_PLACES // 2, math.ceil(DARKEST * len(places)))]
    mine, theirs = places[kept].astype(np.float64), samples[kept].reshape(-1, samples.shape[2])
    light = mine.mean(axis=0)
    spread = 1.4826 * np.array([find_median(np.abs(each - find_median(each))) for each in mine.T])
    low = np.quantile(theirs, LOWEST_SHARE, axis=0).astype(np.float64)
    share = (theirs == theirs.min(axis=0)).mean(axis=0)
    per = lamp[: places.shape[1]] if places.shape[1] == 3 else lamp[1:2]
    return light / per, spread / math.sqrt(len(kept)) / per, low / per, share


def _range_of(planes: NDArray[np.float32], picture: Box, lamp: Array) -> tuple[Array, Array, Array]:
    """Clearest light of the picture, and two densities of its range."""
    import cv2

    height, width, channels = planes.shape
    inset_x, inset_y = 0.04 * (picture[2] - picture[0]), 0.04 * (picture[3] - picture[1])
    x0, x1 = max(0, math.ceil(picture[0] + inset_x)), min(width, math.floor(picture[2] - inset_x) + 1)
    y0, y1 = max(0, math.ceil(picture[1] + inset_y)), min(height, math.floor(picture[3] - inset_y) + 1)
    if x1 - x0 < CELLS[1] or y1 - y0 < CELLS[0]:
        nothing = np.full(3, math.nan)
        return nothing, nothing, nothing
    step = max(1, min((x1 - x0) // (4 * CELLS[1]), (y1 - y0) // (4 * CELLS[0])))
    part = np.ascontiguousarray(planes[y0:y1:step, x0:x1:step])
    small = cv2.resize(part, (CELLS[1], CELLS[0]), interpolation=cv2.INTER_AREA).reshape(-1, channels)
    per = lamp[: small.shape[1]] if small.shape[1] == 3 else lamp[1:2]
    cells = np.maximum(small.astype(np.float64) / per, 1e-6)
    clearest = np.argsort(cells.min(axis=1), kind="stable")[-CLEAREST_CELLS:]
    range_of = np.array([find_percentiles(each, (60, 97)) for each in -np.log10(cells).T])
    return cells[clearest].mean(axis=0), range_of[:, 0], range_of[:, 1]
