"""A negative as ADX: the open way out for a house that prints it itself. Density above the base, frame by frame.

Registered and framed like the finished film, the lamp of each frame taken out; nothing is unmixed, printed or corrected.
"""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.picture_in import open_picture
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.density import density_of_light, light_of_samples
from smallgauge.picture.negative import ADX_CODES_PER_DENSITY, apply_adx
from smallgauge.picture.resample import apply_move
from smallgauge.record.capture import Capture
from smallgauge.record.files import write_json
from smallgauge.record.light import table_for
from smallgauge.record.material import Material
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.record.work import Progress, Runner
from smallgauge.render.plan import FramePlan, Plan, plan_rendering
from smallgauge.render.segments import SegmentJob, segment_job

LEAST_LIGHT = 1e-4  # density 4; common practice, no source
Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdxPaper:
    """`adx.json` beside the frames: what their code values are."""

    reel: str
    capture_digest: str
    bits: int
    codes_per_density: float
    base: tuple[Triple, ...]  # density of the base that stands at ADX density 0, one a length of stock
    frames: int
    width: int
    height: int
    note: str = (
        "ADX code values (SMPTE ST 2065-3) of the scanner's own densities above the negative's base, R G B. ADX is defined on "
        "the printing densities of ST 2065-2, which these come near where the scanner's light is narrow."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AdxJob:
    """One segment: its frames, the base of each, and where they go."""

    segment: SegmentJob
    bases: tuple[Triple, ...]
    bits: int
    out: str


def write_adx(
    out: Path,
    *,
    folder: Path,
    material: Material,
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    track: TrackPaper | None,
    bits: int,
    runner: Runner,
    progress: Progress,
) -> AdxPaper:
    """Write every frame of a negative as DPX of ADX code values into a new folder `out`, with `adx.json`."""
    if bits not in ADX_CODES_PER_DENSITY:
        raise CallerError(f"ADX has 10 or 16 bits, got {bits}.")
    if not capture.notes.is_negative:
        raise CallerError(
            'ADX is for negatives, and capture.toml does not say that this film is one; state film = "negative".'
        )
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise MaterialError(
            f"ADX frames go into a folder of their own, but {out} is there already; name another."
        )
    plan = plan_rendering(capture, frames, treatment, material, track)
    bases = tuple(_base_of(frame) for frame in plan.frames)
    part = out.with_name(f"{out.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    jobs = [
        AdxJob(
            segment=segment_job(folder, material, plan, first, stop),
            bases=bases[first:stop],
            bits=bits,
            out=str(part),
        )
        for first, stop in plan.segments()
    ]
    for _ in runner.run(
        write_adx_segment, jobs, watch=lambda done: progress("ADX frames", done, len(plan.frames))
    ):
        pass
    paper = _paper(capture, plan, bases, bits)
    write_json(part / "adx.json", paper)
    if out.exists():
        out.rmdir()
    part.rename(out)
    return paper


def _paper(capture: Capture, plan: Plan, bases: tuple[Triple, ...], bits: int) -> AdxPaper:
    return AdxPaper(
        reel=capture.notes.reel or capture.name,
        capture_digest=capture.digest,
        bits=bits,
        codes_per_density=ADX_CODES_PER_DENSITY[bits],
        base=tuple(dict.fromkeys(bases)),
        frames=len(plan.frames),
        width=plan.width,
        height=plan.height,
    )


def _base_of(frame: FramePlan) -> Triple:
    """The base that the frame's inversion takes off: the density that its unmixing turns into nothing."""
    look = frame.colour.look
    if look is None or look.negative is None or look.fade is None:
        raise MaterialError(
            f"ADX needs the density of the negative's base, and at film position {frame.film_position} it is not known; decide "
            "inversion with 'base RED GREEN BLUE'."
        )
    unmixing = np.asarray(look.fade.before)
    red, green, blue = np.linalg.solve(unmixing[:, 1:4], -unmixing[:, 0]).round(4).tolist()
    return red, green, blue


def write_adx_segment(job: AdxJob, tick: Callable[[int], None]) -> int:
    """The frames of one segment; how many."""
    capture, segment = job.segment.capture, job.segment
    table = table_for(capture.light, capture.encoding)
    with open_picture(segment.listing) as reader:
        for plan, base in zip(segment.frames, job.bases, strict=True):
            samples = reader.read(plan.frame).samples
            light = (
                np.asarray(samples, np.float32)
                if table is None
                else light_of_samples(np.asarray(samples, np.uint16), table)
            )
            light = light if light.ndim == 3 else np.repeat(light[:, :, None], 3, axis=2)
            moved = apply_move(light, move=plan.move, width=segment.width, height=segment.height)
            lamp: NDArray[np.float64] = np.asarray(plan.colour.lamp or (1.0, 1.0, 1.0), np.float64)
            density = density_of_light(moved / lamp, floor=LEAST_LIGHT)
            codes = apply_adx(density, base=base, bits=job.bits)
            write_capture_frame(Path(job.out) / f"frame_{plan.film_position:06d}.dpx", codes, bits=job.bits)
            tick(1)
    return len(segment.frames)
