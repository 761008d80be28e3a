"""One segment of the finished film and of each copy: the job of one worker.

A segment's finished frames come from the capture, or, where they were made before and only a copy is to be
made anew, from the finished film itself: it keeps every code value, so nothing is resampled again.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.copy_out import CODERS, create_copy
from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import CaptureListing, list_capture, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.picture.device import PROCESSOR
from smallgauge.picture.flicker import TERMS, FlickerCorrection
from smallgauge.record.capture import Capture
from smallgauge.record.light import evenness_for, table_for
from smallgauge.record.material import Material
from smallgauge.record.recipe import FINISHED, CopyRecipe
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import table_of, write_table
from smallgauge.record.work import Progress
from smallgauge.render.frame import render_frame
from smallgauge.render.less_grain import Prepared, prepared_samples
from smallgauge.render.mend import Window
from smallgauge.render.plan import CopyPlan, FramePlan, Plan
from smallgauge.render.stills import Photograph, take_photographs

SEGMENT_RATE = Fraction(25)  # of lossless segments: they are counted, and timed only when they are joined
# Copies at the film's own rate are coded as if at this rate, and timed when they are joined, so that another
# camera speed leaves their pictures as they are: docs/decisions/0042.
NATIVE_RATE = Fraction(18)

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class CopySegment:
    """A copy's part of a segment: the finished frames that it shows, in order."""

    recipe: CopyRecipe
    rate: Fraction
    shown: tuple[
        int, ...
    ]  # of pictures that stand by themselves each once: they are repeated when they are joined


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentJob:
    """Finished frames of one segment; files go to the reel's `work` folder.

    `made_before` names the file below the reel's folder that holds these finished frames already, the first
    of them at `made_before_first`; then only the copies are made. "" is none. `device` changes no key, though a
    card's codes may be the next ones. `photographs` are of these frames, and taken as they pass.
    """

    folder: str
    listing: CaptureListing
    capture: Capture
    frames: tuple[FramePlan, ...]
    copies: tuple[CopySegment, ...]
    width: int
    height: int
    made_before: str = ""
    made_before_first: int = 0
    device: str = PROCESSOR
    photographs: tuple[Photograph, ...] = ()

    @property
    def first(self) -> int:
        """Number of the segment's first finished frame."""
        return self.frames[0].finished

    def taking(self, wanted: Iterable[Photograph]) -> "SegmentJob":
        """The job with those photographs that are of its frames, where these are made anew."""
        if self.made_before:
            return self
        inside = range(self.first, self.first + len(self.frames))
        return replace(self, photographs=tuple(each for each in wanted if each.finished in inside))


def segment_job(folder: Path, material: Material, plan: Plan, first: int, stop: int) -> SegmentJob:
    """The work on finished frames [first, stop), which come from one capture."""
    stretch = material.stretches[plan.frames[first].capture]
    return SegmentJob(
        folder=str(folder),
        listing=stretch.listing,
        capture=replace(stretch.capture, files=()),
        frames=plan.frames[first:stop],
        copies=tuple(_copy_segment(copy, first, stop) for copy in plan.copies),
        width=plan.width,
        height=plan.height,
    )


def _copy_segment(copy: CopyPlan, first: int, stop: int) -> CopySegment:
    shown = np.asarray(copy.shown)
    inside = shown[(shown >= first) & (shown < stop)]
    whole = CODERS[copy.recipe.coding].every_key
    if whole:
        inside = np.unique(inside)
    rate = copy.rate if copy.recipe.rate is not None and not whole else NATIVE_RATE
    recipe = replace(copy.recipe, order="")  # who asked for it makes no other picture
    return CopySegment(recipe=recipe, rate=rate, shown=tuple(inside.tolist()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """The picture of a copy: 4:3 or 16:9 with square pixels, the film's picture fitted in, never enlarged."""

    width: int
    height: int
    picture_width: int
    picture_height: int


def canvas_for(width: int, height: int, *, largest_height: int, widescreen: bool = False) -> Canvas:
    """Canvas of a copy for a finished picture of this size.

    Examples
    --------
    >>> canvas_for(1380, 1010, largest_height=1080)
    Canvas(width=1380, height=1036, picture_width=1380, picture_height=1010)
    >>> canvas_for(2048, 1536, largest_height=1080, widescreen=True)
    Canvas(width=1920, height=1080, picture_width=1440, picture_height=1080)
    """
    canvas_height = min(largest_height, max(height, -(-width * 3 // 4)) + 1) // 2 * 2
    wide, high = (16, 9) if widescreen else (4, 3)
    canvas_width = canvas_height * wide // high // 2 * 2
    share = min(1.0, canvas_width / width, canvas_height / height)
    return Canvas(
        width=canvas_width,
        height=canvas_height,
        picture_width=min(canvas_width, max(2, round(width * share) // 2 * 2)),
        picture_height=min(canvas_height, max(2, round(height * share) // 2 * 2)),
    )


def copy_canvas(recipe: CopyRecipe, width: int, height: int) -> Canvas:
    """Canvas of a recipe's copy for a finished picture of this size."""
    return canvas_for(width, height, largest_height=recipe.largest_height, widescreen=recipe.widescreen)


Reduced = dict[tuple[Canvas, int], NDArray[np.uint8] | NDArray[np.uint16]]


def segment_files(first: int, copies: tuple[str, ...]) -> tuple[str, ...]:
    """Names of a segment's files below the reel's folder: finished film, table, then the copies.

    Examples
    --------
    >>> segment_files(250, ("viewing.mp4",))
    ('work/segments/finished-000250.mkv', 'work/rows/render-000250.parquet', 'work/segments/viewing-000250.mp4')
    """
    return (
        f"work/segments/finished-{first:06d}.mkv",
        f"work/rows/render-{first:06d}.parquet",
        *(f"work/segments/{Path(copy).stem}-{first:06d}{Path(copy).suffix}" for copy in copies),
    )


def render_segment(job: SegmentJob, tick: Callable[[int], None]) -> tuple[str, ...]:
    """Render a segment: every captured picture is resampled once and digested before the encoder."""
    folder = Path(job.folder)
    names = segment_files(job.first, tuple(copy.recipe.file for copy in job.copies))
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        copies = [
            _CopyWriter(stack, folder / name, copy, job)
            for name, copy in zip(names[2:], job.copies, strict=True)
        ]
        frames = _frames_made_before(job) if job.made_before else _new_frames(job, folder, names)
        for number, codes in frames:
            reduced: Reduced = {}  # copies of one size and depth share it
            for copy in copies:
                copy.write(number, codes, reduced)
            tick(1)
    return names[2:] if job.made_before else names


def _new_frames(job: SegmentJob, folder: Path, names: tuple[str, ...]) -> Iterator[tuple[int, Codes]]:
    """Finished frames from the capture; writes the segment of the finished film and its table."""
    rows: list[dict[str, object]] = []
    lossless = create_lossless(
        folder / names[0],
        width=job.width,
        height=job.height,
        bits=FINISHED.bits,
        layout="rgb",
        rate=SEGMENT_RATE,
    )
    with lossless as writer:
        for plan, finished, prepared in rendered_frames(job):
            shown = job.width * job.height * abs(plan.move.a * plan.move.e - plan.move.b * plan.move.d)
            digest = digest_frame(finished, FINISHED.bits)
            rows.append(_row(plan, digest, min(1.0, prepared.touched / max(shown, 1.0)), prepared))
            writer.write(finished)
            yield plan.finished, finished
    write_table(folder / names[1], table_of("render", RENDER_COLUMNS, rows))


def rendered_frames(job: SegmentJob) -> Iterator[tuple[FramePlan, Codes, Prepared]]:
    """Each frame of a segment as it looks finished, and what it was made from; the array is used again.

    The photographs that are wanted of it are written.
    """
    table = table_for(job.capture.light, job.capture.encoding)
    evenness = evenness_for(job.capture, job.listing.root, job.listing.region)
    finished = np.empty((job.height, job.width, 3), np.uint16)
    with open_picture(job.listing) as reader:
        read = Window(lambda number: reader.read(number).samples)
        for plan in job.frames:
            prepared = prepared_samples(read, plan, table, device=job.device)
            render_frame(
                prepared.samples,
                table=table,
                move=plan.move,
                width=job.width,
                height=job.height,
                bits=FINISHED.bits,
                frame=plan.finished,
                colour=plan.colour.whole,
                evenness=evenness,
                out=finished,
                device=job.device,
            )
            take_photographs(
                Path(job.folder), job.photographs, plan, finished, read=read, table=table, evenness=evenness
            )
            yield plan, finished, prepared


def make_photographs(
    folder: Path, material: Material, plan: Plan, missing: Sequence[Photograph], progress: Progress
) -> None:
    """Photographs of frames that stand finished already: these are rendered once more."""
    numbers = sorted({each.finished for each in missing})
    for count, n in enumerate(numbers, start=1):
        for _ in rendered_frames(segment_job(folder, material, plan, n, n + 1).taking(missing)):
            progress("stills", count, len(numbers))


def _frames_made_before(job: SegmentJob) -> Iterator[tuple[int, Codes]]:
    """Finished frames as the finished film holds them."""
    first = job.first - job.made_before_first
    with open_picture(list_capture(Path(job.folder) / job.made_before)) as reader:
        for plan, frame in zip(job.frames, reader.frames(first, first + len(job.frames)), strict=True):
            yield plan.finished, np.asarray(frame.samples, np.uint16)


class _CopyWriter:
    """Encodes the finished frames that one copy shows, each reduced once."""

    def __init__(self, stack: ExitStack, path: Path, copy: CopySegment, job: SegmentJob) -> None:
        self.shown = copy.shown
        self.canvas = copy_canvas(copy.recipe, job.width, job.height)
        self.bits = CODERS[copy.recipe.coding].bits
        self.writer = stack.enter_context(
            create_copy(
                path,
                coding=copy.recipe.coding,
                width=self.canvas.width,
                height=self.canvas.height,
                rate=copy.rate,
                quality=copy.recipe.quality,
            )
        )

    def write(self, finished_frame: int, codes: Codes, reduced: Reduced) -> None:
        """Encode a finished frame as often as the copy shows it."""
        from smallgauge.picture.kernels import reduce_frame

        times = self.shown.count(finished_frame)
        if not times:
            return
        canvas, key = self.canvas, (self.canvas, self.bits)
        if key not in reduced:
            reduced[key] = reduce_frame(
                codes,
                bits=FINISHED.bits,
                width=canvas.picture_width,
                height=canvas.picture_height,
                canvas_width=canvas.width,
                canvas_height=canvas.height,
                frame=finished_frame,
                to_bits=self.bits,
            )
        for _ in range(times):
            self.writer.write(reduced[key])


def _row(plan: FramePlan, digest: str, retouched: float, prepared: Prepared) -> dict[str, object]:
    move = plan.move
    return {
        "finished_frame": plan.finished,
        "film_position": plan.film_position,
        "source_capture": plan.capture,
        "source_frame": plan.frame,
        "other_capture": plan.other[0],
        "other_frame": plan.other[1],
        "kind": plan.kind,
        "scene": plan.scene,
        "a": move.a,
        "b": move.b,
        "c": move.c,
        "d": move.d,
        "e": move.e,
        "f": move.f,
        "place_sigma_px": plan.place.sigma_px,
        "place_x_from": plan.place.x_from,
        "place_y_from": plan.place.y_from,
        "place_doubtful": plan.place.doubtful,
        "lamp_red": plan.colour.lamp[0] if plan.colour.lamp else nan,
        "lamp_green": plan.colour.lamp[1] if plan.colour.lamp else nan,
        "lamp_blue": plan.colour.lamp[2] if plan.colour.lamp else nan,
        "exposure_before_ln": plan.colour.exposure_ln[0],
        "exposure_after_ln": plan.colour.exposure_ln[1],
        **_flicker_columns(plan.colour.flicker),
        "retouched_share": retouched,
        "grain_taken": prepared.grain_taken,
        "grain_likeness": prepared.grain_likeness,
        "digest": digest,
    }


def _flicker_columns(correction: FlickerCorrection | None) -> dict[str, object]:
    """A frame's correction by the names of its columns; what is missing becomes NaN."""
    if correction is None:
        return {}
    row: dict[str, object] = {}
    for channel, terms, middle in zip(
        ("red", "green", "blue"), correction.terms, correction.middle, strict=True
    ):
        row |= {f"flicker_{channel}_{name}": value for name, value in zip(TERMS, terms, strict=True)}
        row[f"flicker_{channel}_middle"] = middle
    return row
