"""`recover`: the film's own frames out of a video that repeats, mixes or weaves them to its own rate.

video file -> measured (frames, fields) -> cadence -> a folder of film frames, which is a capture like any other

Each film frame is one picture of the video, sample for sample, wherever one shows it whole; a frame woven of
two fields, or taken out of two mixtures, says so in `recovered.parquet`. The video is never altered.
"""

import json
import math
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from smallgauge import __version__
from smallgauge.errors import MaterialError
from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import CaptureListing, list_capture, open_picture
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.media.whole import digest_file, sync_folder
from smallgauge.picture.mixtures import (
    LEAST_RECOVERED,
    BlendReading,
    apply_unblend,
    find_blend_shares,
    measure_blend,
)
from smallgauge.picture.recovery import (
    COMB,
    Cadence,
    RecoveryMeter,
    find_cadence,
    find_film_frames,
    measure_combing,
)
from smallgauge.record.files import write_json, write_text
from smallgauge.record.recovered import ORDERS, RECOVERED_COLUMNS, Recovered
from smallgauge.record.table import table_of, write_table
from smallgauge.record.work import Progress, silent

Plane = NDArray[np.float32]
Samples = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]

COMBED_SHARE = 0.02  # of the frames, from which the video is read field by field; common practice, no source
MIXED_SHARE = 0.1  # of the pictures, from which the video was made by mixing; common practice, no source
LEAST_SURE = 0.9  # confidence of a mark, below it a film frame is doubtful; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    """What one walk through the video gave."""

    combed: float
    cadences: dict[str, Cadence]
    strengths: dict[str, NDArray[np.float64]]
    blends: list[BlendReading]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """One film frame: which frames of the video it comes from, and how."""

    first: int
    stop: int
    frame: int
    other: int
    kind: str
    confidence: float


def recover_video(path: Path, out: Path, *, progress: Progress = silent) -> Recovered:
    """Write the film frames of a video into a new folder.

    Raises
    ------
    MaterialError
        If `path` is no video, has no trusted rate, repeats no frame in any rhythm, or `out` is not free.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise MaterialError(
            f"`recover` writes into a folder of its own, but {out} is there already; name another with --out."
        )
    listing = list_capture(path)
    if listing.encoding.bits not in (8, 10, 12, 16):
        raise MaterialError(
            f"`recover` needs a video of 8 to 16 whole bits, found {listing.encoding.bits} in {path}; convert it first."
        )
    if listing.kind != "video" or listing.rate is None:
        found = f"a folder of {listing.count} frames" if listing.kind == "folder" else "one without a rate"
        raise MaterialError(f"`recover` needs a video file with a frame rate, found {found} at {path}.")
    read = _walk(listing, progress)
    order = _order(read)
    cadence = read.cadences[order]
    if cadence.rate is None:
        raise MaterialError(
            f"No film rate could be read from {path.name}: {cadence.reason}. Nothing was written; if every picture "
            "shows another film frame, give the video to `smallgauge finish` as it is."
        )
    fields = order != ORDERS[0]
    mixed = np.array([reading.mixed for reading in read.blends])
    mixed &= not fields and float(mixed.mean()) >= MIXED_SHARE  # one picture alone is no mixture
    taken = _choose(cadence, read.strengths[order], mixed, fields=fields, upper_first=order == ORDERS[1])
    paper = Recovered(
        program=f"smallgauge {__version__}",
        video=path.name,
        video_sha256=digest_file(path),
        read_as=order,
        combed_share=round(read.combed, 4),
        picture_rate=Fraction(listing.rate) * (2 if fields else 1),
        film_rate=cadence.rate,
        next_rate=cadence.next_rate,
        fit=round(cadence.fit, 4),
        lead=round(cadence.lead, 4) if math.isfinite(cadence.lead) else math.nan,
        pictures=cadence.new.size,
        film_frames=len(taken),
        whole=0,
        woven=0,
        unmixed=0,
        mixed=0,
        doubtful=sum(each.confidence < LEAST_SURE for each in taken),
    )
    return _write(listing, out, taken, paper, progress)


def _luma(samples: Samples, bits: int) -> Plane:
    plane = samples if samples.ndim == 2 else samples[:, :, 1]
    return plane.astype(np.float32) / np.float32(2**bits - 1)


def _walk(listing: CaptureListing, progress: Progress) -> _Read:
    """Measure every frame, and every field in both orders, in one walk through the video."""
    meters = {
        order: RecoveryMeter(listing.width, listing.height // (1 if n == 0 else 2))
        for n, order in enumerate(ORDERS)
    }
    rows: dict[str, list[object]] = {order: [] for order in ORDERS}
    blends = [BlendReading(share=math.nan, rest=math.nan)] * listing.count
    combed = 0
    before: list[Plane] = []
    with open_picture(listing) as reader:
        for number in range(listing.count):
            progress("pictures read", number, listing.count)
            plane = _luma(reader.read(number).samples, listing.encoding.bits)
            combed += measure_combing(plane) > COMB
            rows[ORDERS[0]].append(meters[ORDERS[0]].measure(plane))
            upper, lower = np.ascontiguousarray(plane[::2]), np.ascontiguousarray(plane[1::2])
            lower = lower[: upper.shape[0]]
            for order, pair in ((ORDERS[1], (upper, lower)), (ORDERS[2], (lower, upper))):
                rows[order] += [meters[order].measure(field) for field in pair]
            before = [*before[-2:], plane]
            if len(before) == 3:
                blends[number - 1] = measure_blend(*before)
    progress("pictures read", listing.count, listing.count)
    rate = Fraction(listing.rate or 25)
    cadences, strengths = {}, {}
    for n, order in enumerate(ORDERS):
        columns = {
            name: np.array([getattr(row, name) for row in rows[order]], np.float64)
            for name in ("match", "match_skip", "change", "change_skip", "strength")
        }
        strengths[order] = columns["strength"]
        cadences[order] = find_cadence(
            match=columns["match"],
            match_skip=columns["match_skip"],
            change=columns["change"],
            change_skip=columns["change_skip"],
            picture_rate=rate * (1 if n == 0 else 2),
        )
    return _Read(combed=combed / listing.count, cadences=cadences, strengths=strengths, blends=blends)


def _order(read: _Read) -> str:
    """Frame by frame, unless frames are seen to hold two pictures: then in the order that explains them better."""
    if read.combed < COMBED_SHARE:
        return ORDERS[0]
    return max(
        ORDERS[1:], key=lambda order: (read.cadences[order].rate is not None, read.cadences[order].fit)
    )


def _choose(
    cadence: Cadence,
    strength: NDArray[np.float64],
    mixed: NDArray[np.bool_],
    *,
    fields: bool,
    upper_first: bool,
) -> list[_Taken]:
    """Which frames of the video make each film frame."""
    quality = strength if fields else np.where(mixed, -1.0, np.nan_to_num(strength))
    taken = []
    for first, stop, best in find_film_frames(cadence.new, quality):
        ends = (cadence.confidence[first], cadence.confidence[stop] if stop < cadence.new.size else 1.0)
        sure = float(min(*ends, cadence.confidence[first:stop].min()))
        if not fields:
            kind = "mixed" if mixed[best] else "whole"
            taken.append(_Taken(first=first, stop=stop, frame=best, other=-1, kind=kind, confidence=sure))
            continue
        pairs = {place // 2 for place in range(first, stop) if place % 2 == 0 and place + 1 < stop}
        if pairs:
            frame = max(pairs, key=lambda n: strength[2 * n] + strength[2 * n + 1])
            taken.append(_Taken(first=first, stop=stop, frame=frame, other=-1, kind="whole", confidence=sure))
            continue
        halves: dict[bool, int] = {}
        for place in range(first, stop):
            halves.setdefault((place % 2 == 0) == upper_first, place // 2)
        upper, lower = halves.get(True, halves.get(False, 0)), halves.get(False, halves.get(True, 0))
        taken.append(_Taken(first=first, stop=stop, frame=upper, other=lower, kind="woven", confidence=sure))
    return taken


def _write(
    listing: CaptureListing, out: Path, taken: list[_Taken], paper: Recovered, progress: Progress
) -> Recovered:
    """Write the folder under its name only when it is whole."""
    part = out.with_name(f"{out.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    bits = listing.encoding.bits
    suffix = ".png" if bits == 8 else ".tif"
    rows: list[dict[str, object]] = []
    with open_picture(listing) as reader:
        for n, (each, samples, kind, other) in enumerate(_frames(reader, taken, bits)):
            progress("film frames written", n, len(taken))
            colour = samples if samples.ndim == 3 else np.repeat(samples[:, :, None], 3, axis=2)
            codes = cast("NDArray[np.uint16]", np.ascontiguousarray(colour))
            write_capture_frame(part / f"frame_{n:06d}{suffix}", codes, bits=bits)
            rows.append(
                {
                    "film_frame": n,
                    "first": each.first,
                    "stop": each.stop,
                    "frame": each.frame,
                    "other_frame": other,
                    "kind": kind,
                    "confidence": each.confidence,
                    "digest": digest_frame(samples, bits),
                }
            )
    progress("film frames written", len(taken), len(taken))
    kinds = [row["kind"] for row in rows]
    paper = replace(
        paper,
        whole=kinds.count("whole"),
        woven=kinds.count("woven"),
        unmixed=kinds.count("unmixed"),
        mixed=kinds.count("mixed"),
    )
    write_table(part / "recovered.parquet", table_of("recovered", RECOVERED_COLUMNS, rows))
    write_json(part / "recovery.json", paper)
    times = [each.first / float(paper.picture_rate) for each in taken]
    lines = ["frame,time_s", *(f"{n},{time:.6f}" for n, time in enumerate(times))]
    write_text(part / "frames.csv", "\n".join(lines) + "\n")
    write_text(part / "capture.toml", _notes(paper))
    if out.exists():
        out.rmdir()
    part.replace(out)
    sync_folder(out.parent)
    return paper


def _notes(paper: Recovered) -> str:
    """`capture.toml` of the recovered frames: what is known of them, and what the operator must add."""
    return (
        "format = 1\n"
        f"# Film frames recovered from {json.dumps(paper.video)}; see recovery.json. State the gauge here.\n"
        "perforations_in_view = false\n"
        'code_values = "gamma"\n'
        f'camera_speed = "{paper.film_rate}"\n'
    )


def _frames(reader: object, taken: list[_Taken], bits: int) -> Iterator[tuple[_Taken, Samples, str, int]]:
    """Samples of each film frame, with how they were made and the second frame that they rest on."""
    read = reader.read  # type: ignore[attr-defined]
    for n, each in enumerate(taken):
        samples = read(each.frame).samples
        if each.kind == "woven":
            woven = samples.copy()
            woven[1::2] = read(each.other).samples[1::2]
            yield each, woven, "woven", each.other
            continue
        second = each.frame + 1
        neighbours = 0 < n < len(taken) - 1 and taken[n - 1].kind == taken[n + 1].kind == "whole"
        if each.kind == "mixed" and neighbours and second <= each.stop:
            planes = [read(k).samples for k in (taken[n - 1].frame, each.frame, second, taken[n + 1].frame)]
            light = [plane.astype(np.float32) / np.float32(2**bits - 1) for plane in planes]
            grey = [plane if plane.ndim == 2 else plane[:, :, 1] for plane in light]
            shares = find_blend_shares(*grey)
            if np.isfinite(shares[0]) and max(shares[:2]) >= LEAST_RECOVERED:
                found = apply_unblend(*light, share_first=shares[0], share_second=shares[1])
                codes = np.clip(np.rint(found * (2**bits - 1)), 0, 2**bits - 1).astype(samples.dtype)
                yield each, codes, "unmixed", second
                continue
        yield each, samples, each.kind, -1
