"""Lining up a machine: a short capture of leader, fresh film or a graticule, measured as one thing: go or no-go.

line_up_film        film with perforations, frames in a row    -> figures and what speaks against the machine
line_up_graticule   a glass of stated period                   -> tilt and scale alone
"""

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from smallgauge import __version__
from smallgauge.analyse.lineup import line_up
from smallgauge.analyse.meter import Light, Meter
from smallgauge.analyse.source import Source
from smallgauge.analyse.survey import survey_frames, surveyed_capture
from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.frame import Frame
from smallgauge.media.picture_in import UnreadableFrame, open_picture
from smallgauge.picture.edge_response import measure_edge_response
from smallgauge.picture.focus import SIDES, make_edge_rows
from smallgauge.picture.graticule import measure_graticule
from smallgauge.picture.lineup import LIMITS
from smallgauge.picture.lineup_check import (
    CHECK_LIMITS,
    find_no_go,
    measure_light_field,
    measure_weave,
)
from smallgauge.picture.sensor import find_sensor_spots
from smallgauge.record.capture import Capture, LineUpFigure
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.light import choose_light, evenness_for, light_of_capture, table_for
from smallgauge.record.lineups import NoGo
from smallgauge.record.table import table_of
from smallgauge.record.work import Progress

FILM_FRAMES = 100  # in a row, that are measured at most: as many places between the pixels as contrast by frequency needs
LEAST_FRAMES = 9  # fewer tell neither weave nor margins; common practice, no source
GLASS_FRAMES = 8

Marks = tuple[tuple[int, float], ...]  # frame in which a mark is seen, second at which it is heard


def line_up_film(
    source: Source, *, clear: bool, marks: Marks, head_frames: float | None, progress: Progress
) -> tuple[str, int, tuple[LineUpFigure, ...], tuple[NoGo, ...]]:
    """Gauge, frames measured, figures, and what speaks against the machine.

    `clear` says that nothing is in the picture (clear leader), so that the light field can be told. `marks` are those of a
    test loop; `head_frames` is what is kept for the machine, None where nothing is.
    Raises MaterialError where there are too few frames, or none can be read.
    """
    if source.listing.count < LEAST_FRAMES:
        raise MaterialError(
            f"A line-up needs at least {LEAST_FRAMES} frames, found {source.listing.count} in {source.name}; capture a few "
            "seconds of leader or fresh film."
        )
    capture = _surveyed(source, progress)
    rows, holes, sides, mean = _measured(source, capture, progress)
    frames = table_of("frames", FRAME_COLUMNS, rows)
    figures = list(line_up(capture, frames, table_of("perforations", PERFORATION_COLUMNS, holes)))
    values = dict(zip(("fine contrast left", "fine contrast right"), _contrast(capture, sides), strict=True))
    values["fine contrast ratio"] = values["fine contrast left"] / values["fine contrast right"]
    survey, area = capture.survey, capture.picture_area
    if survey is not None:
        places = np.stack([frames["perforation_x_px"], frames["perforation_y_px"]], axis=1)
        values["weave across"], values["weave along"] = measure_weave(
            places, um_across=1000 / survey.across_px_per_mm, um_along=1000 / survey.along_px_per_mm
        )
        if clear:
            x, y = survey.rows[0], survey.usual_y_px
            box = (x + area.left, y + area.top, x + area.right, y + area.bottom)
            values["light field"] = measure_light_field(mean, area=box)
            values["sensor spots"] = float(len(find_sensor_spots(mean, area=box, frames=len(rows))))
    if marks:
        distance = _head_distance(source, marks)
        figures.append(LineUpFigure(name="head distance", value=distance, unit="frames", word="look"))
        if head_frames is not None:
            values["head distance off"] = distance - head_frames
    figures += [_figure(name, value) for name, value in values.items() if math.isfinite(value)]
    no_go = _no_go(figures)
    if survey is None:
        no_go = (NoGo(subject="perforations", figures=()), *(e for e in no_go if e.subject != "perforations"))
    return capture.gauge, len(rows), tuple(figures), no_go


def _surveyed(source: Source, progress: Progress) -> Capture:
    """The capture's survey; where its stated gauge shows no perforation that fits, one without perforations."""
    try:
        found = survey_frames(source, progress=progress)
    except MaterialError as error:
        if source.notes.gauge is None or source.notes.perforations_in_view is False:
            raise
        source = replace(source, notes=replace(source.notes, perforations_in_view=False))
        try:
            found = survey_frames(source, progress=progress)
        except MaterialError:
            raise error from None
    return surveyed_capture(source, found, program=f"smallgauge {__version__}")


def _figure(name: str, value: float) -> LineUpFigure:
    limit = CHECK_LIMITS.get(name) or LIMITS[name]
    return LineUpFigure(name=name, value=value, unit=limit.unit, word=limit.word_for(value))


def _no_go(figures: list[LineUpFigure]) -> tuple[NoGo, ...]:
    found = find_no_go({each.name: each.word for each in figures})  # type: ignore[misc]
    return tuple(NoGo(subject=subject, figures=names) for subject, names in found.items())


_Rows = list[dict[str, object]]
_Side = list[tuple[np.ndarray, np.ndarray]]


def _measured(
    source: Source, capture: Capture, progress: Progress
) -> tuple[_Rows, _Rows, tuple[_Side, _Side], Light]:
    """Rows of frames and perforations, rows of pixels across both sides, and the mean picture."""
    meter = Meter(capture, evenness_for(capture, source.listing.root, source.listing.region))
    count = min(source.listing.count, FILM_FRAMES)
    first = (source.listing.count - count) // 2
    table, survey = table_for(capture.light, capture.encoding), capture.survey
    rows: _Rows = []
    holes: _Rows = []
    sides: tuple[_Side, _Side] = ([], [])
    total: Light | None = None
    for n, frame in enumerate(_frames(source, range(first, first + count), progress)):
        light = light_of_capture(frame.samples, table, None)
        total = light.copy() if total is None else np.add(total, light, out=total)
        meter.forget()
        row, seen = meter.measure(n, frame)
        rows.append(row)
        holes += seen
        best = max(seen, key=lambda each: float(each.get("confidence", 0.0)), default=None)  # type: ignore[arg-type]
        if survey is None or best is None or "x_px" not in best:
            continue
        plane = light if light.ndim == 2 else np.ascontiguousarray(light[:, :, survey.channel])
        hole = (float(best["x_px"]), float(best["y_px"]), survey.width_px, survey.height_px)  # type: ignore[arg-type]
        for side, kept in zip(SIDES, sides, strict=True):
            kept.append(make_edge_rows(plane, hole=hole, side=side, corner_px=survey.corner_px))
    assert total is not None
    return rows, holes, sides, np.asarray(total / len(rows), np.float32)


def _frames(source: Source, numbers: range, progress: Progress) -> Iterator[Frame]:
    with open_picture(source.listing) as reader:
        for done, number in enumerate(numbers):
            progress("frames measured", done, len(numbers))
            try:
                yield reader.read(number)
            except UnreadableFrame as error:
                raise MaterialError(
                    f"Every frame of a line-up must be readable, but frame {number} of {source.name} is not: {error.reason}; "
                    "capture it again."
                ) from None
    progress("frames measured", len(numbers), len(numbers))


def _contrast(capture: Capture, sides: tuple[_Side, _Side]) -> tuple[float, float]:
    """MTF50 of both sides, cycles a millimetre; NaN where too few places between the pixels were seen."""
    if capture.survey is None:
        return math.nan, math.nan
    reach = min(8.0, capture.survey.width_px / 3)
    if reach < 4:
        return math.nan, math.nan
    left, right = (
        measure_edge_response(rows, reach_px=reach).mtf50 * capture.survey.across_px_per_mm for rows in sides
    )
    return left, right


def _head_distance(source: Source, marks: Marks) -> float:
    """Film frames from gate to sound head: how many frames later the gate is when a mark is heard."""
    times = source.times_s
    found = []
    for frame, second in marks:
        if not 0 <= frame < times.size or not np.isfinite(times).all():
            raise CallerError(
                f"A mark needs a frame of the capture and time stamps for all of them, found frame {frame} of {times.size} in "
                f"{source.name}; put frames.csv beside the frames and count frames from 0."
            )
        at = second + (source.notes.sound_start_s or 0.0)
        if not times[0] <= at <= times[-1]:
            raise CallerError(
                f"A mark must be heard while frames were captured, from second {times[0]:.2f} to {times[-1]:.2f}, found {at:.2f}; "
                "give the second in sound.wav."
            )
        found.append(float(np.interp(at, times, np.arange(times.size)) - frame))
    return float(np.median(found))


def line_up_graticule(
    source: Source, *, period_mm: float, progress: Progress
) -> tuple[int, tuple[LineUpFigure, ...], tuple[NoGo, ...]]:
    """Frames measured, tilt and scale from a glass with lines or squares of this period, and what speaks against them."""
    if not (math.isfinite(period_mm) and period_mm > 0):
        raise CallerError(f"A graticule's period must be millimetres above 0, found {period_mm:g}.")
    table = table_for(choose_light(source.notes, source.listing.encoding), source.listing.encoding)
    read = []
    for frame in _frames(source, range(min(source.listing.count, GLASS_FRAMES)), progress):
        light = light_of_capture(frame.samples, table, None)
        read.append(measure_graticule(light if light.ndim == 2 else light.mean(axis=2)))
    told = [each for each in read if not each.reason]
    if len(told) <= len(read) / 2:
        reason = next((each.reason for each in read if each.reason), "it has no frame")
        raise MaterialError(
            f"A graticule of {period_mm:g} mm must fill the picture of {source.name}, but {reason}; lay it straight, focus it, "
            "light it evenly and capture it again."
        )
    across, along = (
        1000 * period_mm / float(np.median([getattr(each, name) for each in told]))
        for name in ("across_px", "along_px")
    )
    values = {
        "film tilt": math.degrees(float(np.median([each.tilt for each in told]))),
        "scale across": across,
        "scale along": along,
        "scale ratio": across / along,
    }
    figures = [_figure(name, value) for name, value in values.items() if math.isfinite(value)]
    return len(read), tuple(figures), _no_go(figures)
