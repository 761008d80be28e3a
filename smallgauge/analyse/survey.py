"""The survey: at most 96 frames spread over the capture say what every later row is measured against."""

import contextlib
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.meter import Codes, gate_sides
from smallgauge.analyse.outside import SomeFrames, mend_survey
from smallgauge.analyse.source import Source
from smallgauge.analyse.standing import keep_sums, kept_sums, standing_told, survey_groups, tells_standing
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import GAUGES, Gauge, gauge_named
from smallgauge.gauge.geometry import picture_offset_mm
from smallgauge.media.picture_in import UnreadableFrame, open_picture
from smallgauge.picture.density import light_planes_of_samples
from smallgauge.picture.gate import GateFix, find_picture_area
from smallgauge.picture.gauge_reading import GaugeReading, find_gauge
from smallgauge.picture.perforations import PerforationSurvey, find_perforations, measure_reference
from smallgauge.picture.standing import StandingSums, add_sheet, join_sums, make_standing_sheet
from smallgauge.record.capture import Capture, PictureAreaPx
from smallgauge.record.finding import Finding
from smallgauge.record.light import choose_light, table_for
from smallgauge.record.work import Progress, Runner

Job = TypeVar("Job")
Result = TypeVar("Result")

MOST_FRAMES = 96  # of the survey
AT_ONCE = 24  # frames held in memory together while the gauge is read
MEMORY = 900_000_000  # bytes of light held at once, at most

MARGIN_SHARE = (
    0.25  # of the picture's height, looked at around the nominal picture; common practice, no source
)
# How far the camera's gate may lie from its nominal place, of the picture's width and of its height: the claw sets the film's
# place along it, and beyond the next picture's edge lies that picture's subject. common practice, no source
SEARCH_SHARE = (0.12, 0.06)

Pixels = NDArray[np.float32]
Run = Callable[..., Iterator[tuple[Job, Result]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    along: float | None  # micrometres a pixel, as stated
    across: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyFound:
    """What a survey found in the frames: gauge, perforations, picture area, and what there is to say of them."""

    gauge: str
    reading: GaugeReading
    area: PictureAreaPx
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeJob(SomeFrames):
    """Frames spread over the capture, by which its gauge is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeSeen:
    """The gauge, how its perforations look in this capture, and what there is to say of that."""

    reading: GaugeReading
    gauge: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaJob(SomeFrames):
    """Some of the survey's frames, by which the camera's gate and what stands still in the picture are looked for."""

    survey: PerforationSurvey | None
    gauge: str
    sums: bool  # whether what stands still is told: these frames are one group
    keep: Path | None  # where its sums are laid down, because whoever joins them sits elsewhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AreaPart:
    """What they gave: the gate's sides in each that can be read, and their sums as one group unless those were laid down."""

    fixes: tuple[GateFix, ...]
    sums: StandingSums | None


def survey_frames(
    source: Source, *, progress: Progress, runner: Runner | None = None, place: Path | None = None
) -> SurveyFound:
    """The survey of a capture's frames: gauge, scale, blur, usual place, picture area.

    With a runner its processes, which may die, read the frames and share those of the picture area; without one all is done
    here. What is as large as pictures they lay down below `place` for a while, where it is given, which all of them see.

    Raises MaterialError when the gauge is stated and contradicted, or not stated and not sure.
    """
    listing = source.listing
    numbers = survey_numbers(listing.count, MOST_FRAMES)
    most = max(3, min(AT_ONCE, MEMORY // (listing.width * listing.height * 12)))
    few = light_numbers(numbers, most)
    run: Run = _one_by_one
    if runner is not None:
        run = partial(runner.run, outside=True, mend=partial(mend_survey, runner))
    progress("frames surveyed", 0, len(few))
    ((_, seen),) = run(
        survey_gauge,
        [GaugeJob(source=source, numbers=few)],
        watch=lambda done: progress("frames surveyed", done, len(few)),
    )
    reading, gauge, findings = seen.reading, gauge_named(seen.gauge), list(seen.findings)
    with contextlib.ExitStack() as stack:
        keep = place / "survey" if place is not None else None
        if keep is not None:
            keep.mkdir(parents=True, exist_ok=True)
            stack.callback(shutil.rmtree, keep, ignore_errors=True)
        jobs = _area_jobs(source, reading.survey, gauge, numbers, keep)
        area, standing = _picture_area(source, reading.survey, gauge, jobs, progress, run)
    usual = (reading.survey.rows[0], reading.survey.usual_y_px) if reading.survey is not None else (0.0, 0.0)
    findings += standing_told(standing, area=area, place=usual)
    if reading.survey is None:
        values: dict[str, object] = {"instead": _position_from(reading, area)}
        findings.append(Finding(code="perforations not in view", where="capture", values=values))
    if len(area.measured) < 4:
        sides = [side for side in ("left", "right", "top", "bottom") if side not in area.measured]
        findings.append(Finding(code="picture area assumed", where="capture", values={"sides": sides}))
    return SurveyFound(gauge=gauge.key, reading=reading, area=area, findings=tuple(findings))


def _position_from(reading: GaugeReading, area: PictureAreaPx) -> str:
    return "perforation" if reading.survey is not None else "picture" if both_ways(area) else "nothing"


def surveyed_capture(source: Source, found: SurveyFound, *, program: str) -> Capture:
    """The paper of a capture that was surveyed: what the survey found, and what is said of the capture."""
    listing, notes, reading = source.listing, source.notes, found.reading
    light = choose_light(notes, listing.encoding)
    findings = list(source.findings)
    if light.assumed:
        findings.append(
            Finding(code="encoding assumed", where="capture", values={"code_values": light.code_values})
        )
    findings += found.findings
    if source.sound is None and source.inside is None:
        findings.append(Finding(code="sound none", where="capture"))
    elif notes.sound_start_s is None:
        findings.append(Finding(code="sound start assumed", where="sound"))
    return Capture(
        program=program,
        stage="surveyed",
        identity=source.identity,
        measured_with=source.measured_with,
        name=source.name,
        kind=listing.kind,
        format=listing.format,
        width=listing.width,
        height=listing.height,
        count=listing.count,
        encoding=listing.encoding,
        rate=str(notes.camera_speed or usual_rate(gauge_named(found.gauge))),
        numbers=listing.numbers if listing.kind == "folder" else (),
        notes=notes,
        light=light,
        gauge=found.gauge,
        gauge_sure=reading.sure,
        gauge_reason=reading.reason,
        gauge_scores=reading.scores,
        survey=reading.survey,
        position_from=_position_from(reading, found.area),
        picture_area=found.area,
        line_up=(),
        sound=None,
        open_gate=source.open_gate,
        dark=source.dark,
        findings=(*findings, *source.scale_findings(found.gauge)),
        scale=source.scale(found.gauge),
    )


def usual_rate(gauge: Gauge) -> Fraction:
    """The gauge's most usual running rate: an archive copy is counted by it where no speed is stated."""
    return gauge.running_rates[0].rate


def survey_numbers(count: int, most: int) -> tuple[int, ...]:
    """Frame numbers spread evenly over a capture, ends included.

    Examples
    --------
    >>> survey_numbers(10, 4)
    (0, 3, 6, 9)
    """
    return tuple(sorted({round(n) for n in np.linspace(0, count - 1, min(most, count))}))


def light_numbers(numbers: tuple[int, ...], most: int) -> tuple[int, ...]:
    """At most `most` of the survey's frames, spread evenly.

    Examples
    --------
    >>> light_numbers((0, 3, 6, 9), 2)
    (0, 9)
    """
    return tuple(numbers[n] for n in survey_numbers(len(numbers), most))


def survey_light(
    source: Source, numbers: tuple[int, ...], tick: Callable[[int], None]
) -> Iterator[tuple[int, Pixels]]:
    """Light of the survey's frames one by one, a tick for each; unreadable ones that were let pass are left out."""
    table = table_for(choose_light(source.notes, source.listing.encoding), source.listing.encoding)
    with open_picture(source.listing) as reader:
        for number in numbers:
            tick(1)
            try:
                samples = reader.read(number).samples
            except UnreadableFrame:
                if number in source.notes.frames_let_pass:
                    continue
                raise
            yield (
                number,
                (
                    np.asarray(samples, np.float32)
                    if table is None
                    else light_planes_of_samples(cast(Codes, samples), table)
                ),
            )


def survey_gauge(job: GaugeJob, tick: Callable[[int], None]) -> GaugeSeen:
    """Tell the gauge by some frames.

    Raises
    ------
    MaterialError
        When none can be read, and when the gauge is stated and contradicted, or not stated and not sure.
    """
    source, notes = job.source, job.source.notes
    known = source.scale(gauge_named(notes.gauge).key if notes.gauge else None)
    scale = _Scale(
        along=known.along_um if known is not None else None,
        across=known.across_um or known.along_um if known is not None else None,
    )
    few = [frame for _, frame in survey_light(source, job.numbers, tick)]
    if not few:
        raise MaterialError(
            f"A capture needs frames that can be read, found none in {source.path}; scan it again."
        )
    findings: list[Finding] = []
    reading, gauge = _gauge(source, few, scale, findings)
    return GaugeSeen(reading=reading, gauge=gauge.key, findings=tuple(findings))


def _gauge(
    source: Source, frames: list[Pixels], scale: _Scale, findings: list[Finding]
) -> tuple[GaugeReading, Gauge]:
    """What gauge it is; refused when stated and contradicted, or not stated and not sure."""
    notes = source.notes
    stated = gauge_named(notes.gauge) if notes.gauge else None
    if notes.perforations_in_view is False:
        if stated is None:
            raise MaterialError(
                f"Without perforations in view the gauge must be stated, found none for {source.name}; "
                "add gauge = \"super 8\" (or another) to capture.toml or give --note gauge='super 8'."
            )
        reason = "stated by the operator; the perforations are not in view"
        return GaugeReading(survey=None, gauge=stated.key, scores=(), sure=False, reason=reason), stated
    reading = find_gauge(
        frames,
        gauges=GAUGES,
        micrometres_per_pixel=scale.along,
        micrometres_per_pixel_across=scale.across,
        stated=stated.key if stated else None,
        polarity="dark hole" if notes.illumination == "reflected" else "bright hole",
    )
    reason = reading.reason.rstrip(".")
    if reading.survey is None or reading.gauge is None:
        raise MaterialError(
            f"Perforations must be in view to place the frames, found none that fit in {source.name}: {reason}. "
            "Line the scanner up so that they are seen, or state perforations_in_view = false and the gauge."
        )
    if stated is not None and reading.gauge != stated.key:
        raise MaterialError(
            f"The gauge stated for {source.name} is {stated.name}, but the perforations are not: {reason}. "
            "Correct the gauge in capture.toml, or look whether this is the right capture."
        )
    if stated is None and not reading.sure:
        raise MaterialError(
            f"The gauge of {source.name} could not be recognised for sure: {reason}. "
            "State it in capture.toml (gauge = ...) or with --note gauge=..."
        )
    if stated is None:
        findings.append(
            Finding(
                code="gauge not stated",
                where="capture",
                values={"gauge": gauge_named(reading.gauge).name, "reason": reading.reason},
            )
        )
    elif not reading.sure:
        findings.append(
            Finding(
                code="gauge not sure",
                where="capture",
                values={"stated": stated.name, "reason": reading.reason},
            )
        )
    return reading, gauge_named(reading.gauge)


def nominal_area(
    survey: PerforationSurvey | None, gauge: Gauge, source: Source
) -> tuple[float, float, float, float]:
    """The gauge's camera image at this scale: left, right, top, bottom from the film reference, px.

    Without a survey the film reference is the capture's top left pixel and the camera image lies in the
    middle, at the stated scale, or as large as the capture holds with a tenth to spare.
    """
    width_mm, height_mm = gauge.camera_image_width_mm.value, gauge.camera_image_height_mm.value
    if survey is None:
        wide, high = source.listing.width, source.listing.height
        known = source.scale(gauge.key)
        along = known.along_um if known is not None else None
        across = known.across_um or along if known is not None else None
        fitted = 0.9 * min(wide / width_mm, high / height_mm)
        half_width = width_mm / 2 * (1000 / across if across else fitted)
        half_height = height_mm / 2 * (1000 / along if along else fitted)
        middle_x, middle_y = (wide - 1) / 2, (high - 1) / 2
        return middle_x - half_width, middle_x + half_width, middle_y - half_height, middle_y + half_height
    across, _ = picture_offset_mm(gauge)
    sign = -1.0 if survey.picture_side == "left" else 1.0
    centre = sign * across * survey.across_px_per_mm
    half_width = width_mm / 2 * survey.across_px_per_mm
    half_height = height_mm / 2 * survey.along_px_per_mm
    return centre - half_width, centre + half_width, -half_height, half_height


def both_ways(area: PictureAreaPx) -> bool:
    """Whether the camera's gate was seen both across the film and along it."""
    return bool({"left", "right"} & set(area.measured)) and bool({"top", "bottom"} & set(area.measured))


def _area_jobs(
    source: Source,
    survey: PerforationSurvey | None,
    gauge: Gauge,
    numbers: tuple[int, ...],
    keep: Path | None,
) -> list[AreaJob]:
    """The survey's frames by groups that lie together, for each a job."""
    told = tells_standing(source.listing.count)
    return [
        AreaJob(
            source=source,
            survey=survey,
            gauge=gauge.key,
            numbers=group,
            sums=told,
            keep=keep / f"{n}.npz" if keep is not None and told else None,
        )
        for n, group in enumerate(survey_groups(numbers))
    ]


def _one_by_one(
    function: Callable[[Job, Callable[[int], None]], Result],
    jobs: Iterable[Job],
    *,
    watch: Callable[[int], None],
) -> Iterator[tuple[Job, Result]]:
    """The jobs done here."""
    done = 0

    def tick(frames: int) -> None:
        nonlocal done
        done += frames
        watch(done)

    for job in jobs:
        yield job, function(job, tick)


def survey_area(job: AreaJob, tick: Callable[[int], None]) -> AreaPart:
    """Look for the camera's gate in each frame of a job, and lay the frames over one another."""
    source, survey = job.source, job.survey
    nominal = _nominal(survey, gauge_named(job.gauge), source)
    sums = StandingSums()
    fixes = []
    for _, light in survey_light(source, job.numbers, tick):
        if job.sums:
            add_sheet(sums, make_standing_sheet(light), group=0)
        x = y = 0.0
        if survey is not None:
            plane = light if light.ndim == 2 else np.ascontiguousarray(light[:, :, survey.channel])
            reference = measure_reference(find_perforations(plane, survey=survey), survey=survey)
            x, y = reference.x_px, reference.y_px
        fixes.append(
            gate_sides(
                light,
                source.notes,
                survey,
                reference=(x, y),
                nominal=nominal,
                share=SEARCH_SHARE,
                scale=source.scale(job.gauge),
            )
        )
    if job.keep is not None:
        keep_sums(sums, job.keep)
    return AreaPart(fixes=tuple(fixes), sums=sums if job.keep is None else None)


def _nominal(
    survey: PerforationSurvey | None, gauge: Gauge, source: Source
) -> tuple[float, float, float, float]:
    """The gauge's camera image as left, top, right, bottom."""
    left, right, top, bottom = nominal_area(survey, gauge, source)
    return left, top, right, bottom


def _picture_area(
    source: Source,
    survey: PerforationSurvey | None,
    gauge: Gauge,
    jobs: list[AreaJob],
    progress: Progress,
    run: Run[AreaJob, AreaPart],
) -> tuple[PictureAreaPx, StandingSums]:
    """The camera's picture as the gate's sides tell it in all of the frames, and what stands still in them."""
    what, frames = "picture area surveyed", sum(len(job.numbers) for job in jobs)
    progress(what, 0, frames)
    found_in = {
        job.numbers: part
        for job, part in run(survey_area, jobs, watch=lambda done: progress(what, done, frames))
    }
    parts = [found_in[job.numbers] for job in jobs]
    standing = join_sums(
        [
            part.sums if part.sums is not None else kept_sums(cast("Path", job.keep))
            for job, part in zip(jobs, parts, strict=True)
        ]
    )
    fixes = [fix for part in parts for fix in part.fixes]
    nominal = _nominal(survey, gauge, source)
    found = find_picture_area(fixes, nominal=nominal)
    area = PictureAreaPx(
        left=found.left_px,
        right=found.right_px,
        top=found.top_px,
        bottom=found.bottom_px,
        measured=found.measured,
    )
    if survey is not None and area.bottom - area.top > survey.pitch_px:
        # No picture is taller than the pitch: an edge of the picture before or after was taken for this one's.
        sides = tuple(side for side in area.measured if side in ("left", "right"))
        area = replace(area, top=nominal[1], bottom=nominal[3], measured=sides)
    return area, standing
