"""Decode our files again, frame by frame, and compare: the job of one worker.

Nothing here runs the code that made the files: digests come from the papers, pictures from the decoder.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import Samples
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.picture.background import PreparedPictures, make_background_picture, measure_background
from smallgauge.picture.source_fit import make_box_means, make_small_picture
from smallgauge.prove.shown import FitJob, Fitter, SmallStore, SmallWriter
from smallgauge.record.capture import Capture
from smallgauge.record.table import Table

TILES = (24, 32)  # rows and columns of the small picture by which a copy is compared, at most
BORDER_SHARE = 0.02  # of the picture, kept clear of its edge; common practice, no source
TILE_PX = 12  # a tile's least side: over fewer pixels the loss of coding is no longer averaged out


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesJob:
    """Frames `first` to `stop` of a file of ours.

    `digests` are the expected ones (empty, or an empty one: none to compare). `box` is (left, top, width, height) of
    the picture inside the frame. `small` asks for the small pictures, `background` (left, top, right, bottom)
    for the steps of the still background inside that part, that of the first frame by `join_steps`. `keep` is where pictures
    are kept for comparing what is made from these frames, `fit` what these frames are compared with.
    """

    listing: CaptureListing
    first: int
    stop: int
    digests: tuple[str, ...]
    box: tuple[int, int, int, int] | None
    small: bool
    tiles: tuple[int, int] = TILES
    background: tuple[int, int, int, int] | None = None
    keep: SmallStore | None = None
    fit: FitJob | None = None


Ends = tuple[NDArray[np.float32] | None, NDArray[np.float32] | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FramesResult:
    """What was found: frames decoded, those whose digest differs, log lines, small pictures (0 to 1), steps.

    A frame that can't be decoded counts as differing, is a line of the log, and its small picture is NaN.
    """

    decoded: int
    differing: tuple[int, ...]
    log: tuple[str, ...]
    small: NDArray[np.float32] | None  # (frames, rows of tiles, columns of tiles, 3)
    steps: NDArray[np.float64] | None  # (frames, 3): of the background from the frame before, x, y, sigma, px
    fits: NDArray[np.float64] | None  # (frames, 6): the fields of FrameFit
    ends: Ends | None  # the first and the last frame's reduced background, until the steps are joined


def tiles_for(width: int, height: int) -> tuple[int, int]:
    """Rows and columns of the small picture of a picture of this size.

    Examples
    --------
    >>> tiles_for(1380, 1010), tiles_for(200, 150)
    ((24, 32), (12, 16))
    """
    return min(TILES[0], max(1, height // TILE_PX)), min(TILES[1], max(1, width // TILE_PX))


def picture_box(capture: Capture, render: Table, size: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """The part of the finished picture that shows the camera's, a little less: left, top, right, bottom, px.

    None where that is nothing. A frame's border and the perforations stand still by themselves and are no witness.
    """
    survey, area = capture.survey, capture.picture_area
    usual = (survey.rows[0], survey.usual_y_px) if survey is not None else (0.0, 0.0)
    ends = []
    for axis, (low, high) in enumerate(((area.left, area.right), (area.top, area.bottom))):
        stretch, start = (float(np.median(render[name])) for name in (("a", "c"), ("e", "f"))[axis])
        inset = BORDER_SHARE * (high - low)
        first = (usual[axis] + low + inset - start) / stretch
        stop = (usual[axis] + high - inset - start) / stretch
        first, stop = min(first, stop), max(first, stop)  # the picture may have been turned or mirrored
        ends.append((max(0, round(first)), min(size[axis], round(stop))))
    (left, right), (top, bottom) = ends
    return (left, top, right, bottom) if right - left > 0 and bottom - top > 0 else None


def prove_frames(job: FramesJob, tick: Callable[[int], None]) -> FramesResult:
    """Decode the frames of one job and compare them."""
    listing = job.listing
    bits = listing.encoding.bits
    differing: list[int] = []
    small: list[NDArray[np.float32]] = []
    said: list[str] = []
    decoded, number, stop = 0, job.first, min(job.stop, listing.count)
    with open_picture(listing) as reader:
        background, shown = _Background(job), _Small(job)
        while number < stop:
            try:
                for looked in _looks(reader, job, number, stop):
                    number = looked.number + 1
                    expected = job.digests[looked.number - job.first] if job.digests else ""
                    if expected and looked.digest(bits) != expected:
                        differing.append(looked.number)
                    if looked.samples is not None:
                        if job.small:
                            picture = small_picture(looked.samples, bits=bits, box=job.box, tiles=job.tiles)
                            small.append(picture)
                        background.step(looked.samples)
                    shown.step(looked.number, looked.green)
                    decoded += 1
                    tick(1)
            except UnreadableFrame as error:
                said.append(f"frame {number}: {error.reason}")
                differing.append(number)
                small.append(np.full((*job.tiles, 3), np.nan, np.float32))
                background.step(None)
                shown.step(number, None)
                number += 1
        shown.close()
        log = (*reader.log, *said)
    return FramesResult(
        decoded=decoded,
        differing=tuple(differing),
        log=tuple(log),
        small=np.stack(small) if job.small and small else None,
        steps=np.array(background.steps) if background.steps else None,
        fits=np.array(shown.fitter.fits) if shown.fitter is not None else None,
        ends=(background.first, background.before) if background.steps else None,
    )


def join_steps(
    result: FramesResult, last: NDArray[np.float32] | None, *, background: tuple[int, int, int, int]
) -> FramesResult:
    """A stretch's result with the step of its first frame from `last`, the background at the end of the stretch before."""
    if result.steps is None or result.ends is None:
        return result
    steps, first = result.steps.copy(), result.ends[0]
    if first is not None:
        steps[0] = measure_background(last, first, box=background)
    return replace(result, steps=steps, ends=None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """What is asked of a frame; `samples` is None where nobody asks for all of them."""

    number: int
    digest: Callable[[int], str]
    samples: Samples | None
    green: Callable[[], Samples]


def _looks(reader: FrameReader, job: FramesJob, first: int, stop: int) -> Iterator[_Look]:
    """The frames of a job one by one; those of a film whose digests and small pictures alone are asked for are laid to
    pixels in bands, never as a whole."""
    if job.listing.kind == "video" and not job.small and job.background is None:
        for each in reader.decoded(first, stop):
            yield _Look(number=each.number, digest=each.digest, samples=None, green=each.green)
        return
    for frame in reader.frames(first, stop):
        samples = frame.samples
        yield _Look(
            number=frame.number,
            digest=partial(digest_frame, samples),
            samples=samples,
            green=partial(np.asarray, samples),
        )


class _Small:
    """The small picture of each frame: compared with its source, and kept for what is made from it."""

    def __init__(self, job: FramesJob) -> None:
        self.job = job
        self.fitter = Fitter(job.fit) if job.fit is not None else None
        self.kept = SmallWriter(job.keep) if job.keep is not None else None

    def step(self, number: int, green: Callable[[], Samples] | None) -> None:
        """One frame more: what gives its green samples, or all; None where it could not be decoded."""
        keep, fit = self.job.keep, self.job.fit
        if keep is None and fit is None:
            return
        block = keep.block if keep is not None else fit.block if fit is not None else 1
        small = None if green is None else make_small_picture(green(), block=block)
        if self.fitter is not None:
            self.fitter.fit(number - self.job.first, small)
        if self.kept is not None and small is not None:
            self.kept.keep(number, small)

    def close(self) -> None:
        """Nothing more comes."""
        if self.kept is not None:
            self.kept.close()


class _Background:
    """Follows the still background from frame to frame; the first frame's step is told by `join_steps`."""

    def __init__(self, job: FramesJob) -> None:
        self.box = job.background
        self.steps: list[tuple[float, float, float]] = []
        self.first: NDArray[np.float32] | None = None
        self.before: NDArray[np.float32] | None = None
        self.prepared = PreparedPictures()

    def step(self, samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32] | None) -> None:
        """Measure one frame more; None where it could not be decoded."""
        if self.box is None:
            return
        now = None if samples is None else make_background_picture(samples, box=self.box)
        nothing = (float("nan"), float("nan"), float("nan"))
        self.first = self.first if self.steps else now
        kept = self.prepared
        self.steps.append(
            nothing if now is None else measure_background(self.before, now, box=self.box, kept=kept)
        )
        self.before = now


def small_picture(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    *,
    bits: int,
    box: tuple[int, int, int, int] | None = None,
    tiles: tuple[int, int] = TILES,
) -> NDArray[np.float32]:
    """Mean code value of tiles of the picture, 0 to 1.

    Examples
    --------
    >>> float(small_picture(np.full((48, 64, 3), 255, np.uint8), bits=8).mean())
    1.0
    """
    left, top, width, height = box or (0, 0, samples.shape[1], samples.shape[0])
    rows = np.linspace(0, height, tiles[0] + 1).round().astype(np.int64)
    columns = np.linspace(0, width, tiles[1] + 1).round().astype(np.int64)
    return make_box_means(samples, rows + top, columns + left) / np.float32(2**bits - 1)
