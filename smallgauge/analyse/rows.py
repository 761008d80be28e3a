"""One chunk of a capture to its rows, its digests and its segment of the archive copy.

Each row depends on the survey, its own frame and, for the change of scene, the two frames before it:
nothing else, so any cutting of the reel into chunks gives the same table.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.geometry import shrinkage_range
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import Frame, black_samples
from smallgauge.media.picture_in import CaptureListing, FrameReader, UnreadableFrame, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.picture.alignment import LEAST_SIDE_PX, measure_displacement
from smallgauge.picture.density import light_of_samples
from smallgauge.picture.exposure import measure_exposure
from smallgauge.picture.focus import measure_edge_blur, measure_sharpness
from smallgauge.picture.gate import GATE_SOFT_MM, SIDES, GateFix, find_gate_sides
from smallgauge.picture.perforations import (
    FilmReference,
    PerforationFix,
    PerforationSurvey,
    find_film_edge,
    find_perforations,
    measure_reference,
)
from smallgauge.picture.pitch import measure_next_perforation
from smallgauge.picture.registration import WEAKEST_CONFIDENCE
from smallgauge.picture.scenes import make_proxy, measure_change
from smallgauge.record.capture import Capture, CapturedFile
from smallgauge.record.files import write_json
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.table import table_of, write_table

HALO = 2  # frames before a chunk that its rows depend on
GATE_REACH_SHARE = (
    0.06  # of the picture: how far a frame's gate may lie from its usual place; common practice, no source
)
USUAL_BLUR_PX = 1.5  # of an edge in a capture that no survey measured; common practice, no source
WHOLE_CONFIDENCE = (
    0.9  # of a frame's place by perforations: all their sides agree; common practice, no source
)
CLIPPED_SHARE = 0.05  # of the picture at the highest code before it is flagged; common practice, no source

Light = NDArray[np.float32]
Codes = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkJob:
    """Frames `first` to `stop` of a capture; files go to the reel's `work` folder."""

    folder: str
    listing: CaptureListing
    capture: Capture
    first: int
    stop: int
    rate: Fraction  # of the archive copy: what the capture says, for the container only
    archive: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkResult:
    """Names of the files that a chunk wrote, below the reel's folder, and what the decoder said."""

    files: tuple[str, ...]
    log: tuple[str, ...]


def chunk_files(first: int, *, archive: bool) -> tuple[str, ...]:
    """Names of a chunk's files below the reel's folder.

    Examples
    --------
    >>> chunk_files(250, archive=False)[0]
    'work/rows/frames-000250.parquet'
    """
    rows = tuple(f"work/rows/{kind}-{first:06d}" for kind in ("frames", "perforations", "files"))
    names = (f"{rows[0]}.parquet", f"{rows[1]}.parquet", f"{rows[2]}.json")
    return (*names, f"work/segments/archive-{first:06d}.mkv") if archive else names


def analyse_chunk(job: ChunkJob, tick: Callable[[int], None]) -> ChunkResult:
    """Read a chunk's frames once: measure them, digest them, and write them to the archive copy."""
    folder = Path(job.folder)
    names = chunk_files(job.first, archive=job.archive)
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
    meter = _Meter(job.capture)
    rows: list[dict[str, object]] = []
    fixes: list[dict[str, object]] = []
    files: list[CapturedFile] = []
    with open_picture(job.listing) as reader:
        for number in range(max(0, job.first - HALO), job.first):
            meter.look_back(_read(reader, number, job.capture.notes.frames_let_pass))

        def frames() -> Iterator[Frame | None]:
            for number in range(job.first, job.stop):
                frame = _read(reader, number, job.capture.notes.frames_let_pass)
                files.append(_captured_file(reader, job, number, frame))
                row, seen = meter.measure(number, frame)
                rows.append(row)
                fixes.extend(seen)
                tick(1)
                yield frame

        if job.archive:
            _write_archive(folder / names[3], job, frames())
        else:
            for _ in frames():
                pass
        log = tuple(reader.log)
    write_table(folder / names[0], table_of("frames", FRAME_COLUMNS, rows))
    write_table(folder / names[1], table_of("perforations", PERFORATION_COLUMNS, fixes))
    write_json(folder / names[2], files)
    return ChunkResult(files=names, log=log)


def _read(reader: FrameReader, number: int, let_pass: tuple[int, ...]) -> Frame | None:
    try:
        return reader.read(number)
    except UnreadableFrame:
        if number in let_pass:
            return None
        raise


def _captured_file(reader: FrameReader, job: ChunkJob, number: int, frame: Frame | None) -> CapturedFile:
    name = job.listing.files[number] if job.listing.kind == "folder" else job.listing.files[0]
    return CapturedFile(
        name=name,
        number=job.listing.numbers[number],
        file_sha256=reader.read_bytes_digest(number) or "",
        digest=digest_frame(frame.samples, job.listing.encoding.bits) if frame is not None else "",
    )


def _write_archive(path: Path, job: ChunkJob, frames: Iterator[Frame | None]) -> None:
    """The archive's segment: every frame as it was read; a frame let pass is a black frame, listed."""
    listing = job.listing
    black = black_samples(listing.width, listing.height, listing.encoding)
    with create_lossless(
        path,
        width=listing.width,
        height=listing.height,
        bits=listing.encoding.bits,
        layout=listing.encoding.layout,
        rate=job.rate,
    ) as writer:
        for frame in frames:
            writer.write(black if frame is None else frame.samples)


def gate_sides(
    light: Light,
    notes: CaptureNotes,
    survey: PerforationSurvey | None,
    *,
    reference: tuple[float, float],
    nominal: tuple[float, float, float, float],
    share: float,
) -> GateFix:
    """The camera gate's sides in one frame, looked for within a share of the picture's size.

    Without a survey the unexposed border is taken to be as dark (bright on negative film) as the
    hundredth of the frame that is darkest (brightest).
    """
    negative = notes.film == "negative"
    border_light = (
        survey.base_light if survey is not None else float(np.percentile(light, 99 if negative else 1))
    )
    return find_gate_sides(
        light,
        reference=reference,
        nominal=nominal,
        search_x_px=share * (nominal[2] - nominal[0]),
        search_y_px=share * (nominal[3] - nominal[1]),
        border_light=border_light,
        blur_px=survey.blur_px if survey is not None else USUAL_BLUR_PX,
        tilt=survey.tilt if survey is not None else 0.0,
        gate_soft_px=GATE_SOFT_MM * _pixels_per_mm(notes, survey),
        border="bright" if negative else "dark",
    )


def _pixels_per_mm(notes: CaptureNotes, survey: PerforationSurvey | None) -> float:
    """The capture's scale; 0 where nothing tells it."""
    if survey is not None:
        return survey.across_px_per_mm
    return 1000 / notes.micrometres_per_pixel if notes.micrometres_per_pixel else 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Proxy:
    """A frame's small picture, where it was cut out, and whether its place is beyond doubt."""

    log_light: Light
    box: tuple[float, float, float, float]
    sure: bool


class _Meter:
    """Measures frame after frame and remembers the two proxies before it."""

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self.table = table_for(capture.light, capture.encoding)
        self.gauge = gauge_named(capture.gauge)
        self.proxies: list[_Proxy | None] = [None, None]  # two before, one before

    def look_back(self, frame: Frame | None) -> None:
        """Remember the proxy of a frame before the chunk."""
        if frame is None:
            self._remember(None)
            return
        light = self._light(frame)
        reference, _ = self._place(light)
        self._remember(self._proxy(light, reference, self._gate(light, self._usual(reference))))

    def _remember(self, proxy: _Proxy | None) -> None:
        self.proxies = [self.proxies[1], proxy]

    def _proxy(self, light: Light, reference: FilmReference, gate: GateFix) -> _Proxy:
        box = self._box(reference)
        across = math.isfinite(gate.left_px) or math.isfinite(gate.right_px)
        along = math.isfinite(gate.top_px) or math.isfinite(gate.bottom_px)
        sure = (across and along) or reference.confidence >= WHOLE_CONFIDENCE
        return _Proxy(log_light=make_proxy(light, box=box), box=box, sure=sure)

    def _light(self, frame: Frame) -> Light:
        if self.table is None:
            return np.asarray(frame.samples, np.float32)
        return light_of_samples(cast(Codes, frame.samples), self.table)

    def _plane(self, light: Light) -> Light:
        """The channel that the survey measures perforations in."""
        survey = self.capture.survey
        if light.ndim == 2 or survey is None:
            return light
        return np.ascontiguousarray(light[:, :, survey.channel])

    def _place(self, light: Light) -> tuple[FilmReference, tuple[PerforationFix, ...]]:
        survey = self.capture.survey
        if survey is None:
            return _place_by_gate(self._gate(light, (0.0, 0.0)), self.capture), ()
        fixes = find_perforations(self._plane(light), survey=survey)
        return measure_reference(fixes, survey=survey), fixes

    def _gate(self, light: Light, place: tuple[float, float]) -> GateFix:
        area = self.capture.picture_area
        nominal = (area.left, area.top, area.right, area.bottom)
        notes, survey = self.capture.notes, self.capture.survey
        found = gate_sides(light, notes, survey, reference=place, nominal=nominal, share=GATE_REACH_SHARE)
        along_seen = {"top", "bottom"} & set(self.capture.picture_area.measured)
        if survey is not None and not (along_seen and not found.bottom_px - found.top_px > survey.pitch_px):
            # No picture is taller than the pitch: along the film this gate can't be told from its neighbours'.
            nan = math.nan
            return replace(found, top_px=nan, bottom_px=nan, sigma_top_px=nan, sigma_bottom_px=nan)
        return found

    def _usual(self, reference: FilmReference) -> tuple[float, float]:
        """The frame's place, or the usual one where it was not measured."""
        survey = self.capture.survey
        x, y = reference.x_px, reference.y_px
        if survey is None:  # places are counted from the capture's top left pixel
            return 0.0, 0.0
        if not (math.isfinite(x) and math.isfinite(y)):
            return survey.rows[0], survey.usual_y_px
        return x, y

    def _box(self, reference: FilmReference) -> tuple[float, float, float, float]:
        area = self.capture.picture_area
        x, y = self._usual(reference)
        if self.capture.survey is None and math.isfinite(reference.x_px) and math.isfinite(reference.y_px):
            x, y = reference.x_px, reference.y_px
        return x + area.left, y + area.top, x + area.right, y + area.bottom

    def measure(self, number: int, frame: Frame | None) -> tuple[dict[str, object], list[dict[str, object]]]:
        """One row of the frame table and its rows of the perforation table."""
        row: dict[str, object] = {
            "capture": 0,
            "frame": number,
            "duplicate_of": -1,
            "perforation_source": "nothing",
        }
        if frame is None:
            self._remember(None)
            row["flags"] = FLAG_NAMED["unreadable"].mask
            return row, []
        light = self._light(frame)
        reference, fixes = self._place(light)
        place = self._usual(reference)
        gate = self._gate(light, place)
        proxy = self._proxy(light, reference, gate)
        box = proxy.box
        before = [each.log_light if each is not None else None for each in self.proxies]
        change = measure_change(proxy.log_light, before[1], before[0])
        shift = _picture_shift(self.proxies[1], proxy)
        self._remember(proxy)
        survey = self.capture.survey
        holes = tuple(
            (f.x_px, f.y_px, survey.width_px, survey.height_px)
            for f in fixes
            if survey is not None and f.state != "cut off"
        )
        exposure = measure_exposure(
            light, frame.samples, bits=self.capture.encoding.bits, holes=holes, picture=box
        )
        row |= asdict(exposure) | asdict(measure_sharpness(light, box=box)) | asdict(change)
        if holes and survey is not None:
            row |= asdict(measure_edge_blur(self._plane(light), hole=holes[0], corner_px=survey.corner_px))
        row |= self._reference_columns(reference) | shift
        row |= _gate_columns(gate, place) | self._film_columns(light, fixes)
        row["flags"] = _flags(reference, fixes, exposure.perforation_full_scale, exposure.clipped_high)
        seen = [{"capture": 0, "frame": number, **asdict(f)} for f in fixes]
        return row, seen

    def _film_columns(self, light: Light, fixes: tuple[PerforationFix, ...]) -> dict[str, object]:
        """The next perforation and the film's edge."""
        survey = self.capture.survey
        if survey is None:
            return {}
        row: dict[str, object] = {}
        row["next_perforation_x_px"], row["next_perforation_y_px"] = measure_next_perforation(
            fixes, survey=survey
        )
        edge = find_film_edge(self._plane(light), survey=survey)
        if edge is not None:
            row |= {
                "film_edge_side": edge.side,
                "film_edge_x_px": edge.x_px,
                "film_edge_sigma_px": edge.sigma_px,
            }
        return row

    def _reference_columns(self, reference: FilmReference) -> dict[str, object]:
        low = high = math.nan
        scale = self.capture.notes.micrometres_per_pixel
        if scale is not None and math.isfinite(reference.pitch_px):
            low, high = (
                float(share) for share in shrinkage_range(self.gauge, reference.pitch_px * scale / 1000)
            )
        sigma = max(reference.sigma_x_px, reference.sigma_y_px)
        return {
            "perforation_x_px": reference.x_px,
            "perforation_y_px": reference.y_px,
            "perforation_sigma_px": sigma,
            "perforation_source": reference.source,
            "perforation_confidence": reference.confidence,
            "pitch_px": reference.pitch_px,
            "shrinkage_low": low,
            "shrinkage_high": high,
        }


def _gate_columns(gate: GateFix, place: tuple[float, float]) -> dict[str, object]:
    """The gate's sides in the capture."""
    row: dict[str, object] = {
        "gate_upright_tilt": gate.upright_tilt,
        "gate_level_tilt": gate.level_tilt,
    }
    for side in SIDES:
        row[f"gate_{side}_px"] = getattr(gate, f"{side}_px") + place[side in ("top", "bottom")]
        row[f"gate_{side}_sigma_px"] = getattr(gate, f"sigma_{side}_px")
    return row


def _picture_shift(before: _Proxy | None, now: _Proxy) -> dict[str, object]:
    """How far the picture moved in the capture since the frame before, where either's place is in doubt."""
    if before is None or (before.sure and now.sure):
        return {}
    one, two = before.log_light, now.log_light
    if one.shape != two.shape or min(one.shape) < LEAST_SIDE_PX:
        return {}
    found = measure_displacement(one, two)
    left, top, right, bottom = now.box
    wide = round(right - left) / two.shape[1]
    high = round(bottom - top) / two.shape[0]
    return {
        "picture_shift_x_px": found.x_px * wide + round(left) - round(before.box[0]),
        "picture_shift_y_px": found.y_px * high + round(top) - round(before.box[1]),
        "picture_shift_sigma_px": found.sigma_px * max(wide, high),
    }


def _place_by_gate(found: GateFix, capture: Capture) -> FilmReference:
    """Place by the camera's gate, where no perforation is in view: as far as this frame shows its edges.

    The film reference is then the capture's top left pixel of the survey's average, so the place is how
    far this frame's gate lies from the average's.
    """
    nan = math.nan
    nothing = FilmReference(
        x_px=nan, y_px=nan, sigma_x_px=nan, sigma_y_px=nan, source="nothing", pitch_px=nan, confidence=0.0
    )
    if capture.position_from == "nothing":
        return nothing
    area = capture.picture_area
    usual = {"left": area.left, "right": area.right, "top": area.top, "bottom": area.bottom}
    places = {side: getattr(found, f"{side}_px") - usual[side] for side in area.measured}
    seen = {side: place for side, place in places.items() if math.isfinite(place)}
    across = [seen[side] for side in ("left", "right") if side in seen]
    along = [seen[side] for side in ("top", "bottom") if side in seen]
    if not across or not along:
        return nothing
    sigma = [getattr(found, f"sigma_{side}_px") for side in seen]
    return FilmReference(
        x_px=float(np.mean(across)),
        y_px=float(np.mean(along)),
        sigma_x_px=max(sigma),
        sigma_y_px=max(sigma),
        source="picture",
        pitch_px=nan,
        confidence=0.25 * len(seen),
    )


def _flags(
    reference: FilmReference, fixes: tuple[PerforationFix, ...], full_scale: float, clipped: float
) -> int:
    flags = 0
    if not fixes or not reference.confidence >= WEAKEST_CONFIDENCE:
        flags |= FLAG_NAMED["no_perforation"].mask
    if any(f.state == "damaged" for f in fixes):
        flags |= FLAG_NAMED["damaged_perforation"].mask
    if fixes and all(f.state == "cut off" for f in fixes):
        flags |= FLAG_NAMED["perforation_cut_off"].mask
    if full_scale >= 0.5:
        flags |= FLAG_NAMED["perforation_full_scale"].mask
    if clipped >= CLIPPED_SHARE:
        flags |= FLAG_NAMED["clipped"].mask
    return flags
