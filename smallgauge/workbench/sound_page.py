"""Sound and picture at the bench: the wave along the strip, slices to listen to, and pairs that bring both in step.

sound_paper   how the sound lies, in words, and every pair with what is left at it
peaks         the wave of a stretch of the strip
sound_rows    the same as a table
moment_paper  a place along the strip -> the second of the captured sound there, and back
pair          a pair is set or taken away: the decision `sync` that `smallgauge treat --decide sync FRAME@SECOND` makes
"""

from __future__ import annotations

from math import log10
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from starlette.requests import Request

from smallgauge.deliver.phrases import count_words
from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.record.notes import WITH_PICTURE
from smallgauge.record.treatment import PROGRAM, InForce
from smallgauge.sound.sync import NOT_SET
from smallgauge.workbench.addresses import BYTES, TEXT, WHOLE, YES_NO, Address, Asked, change, number
from smallgauge.workbench.decide import Asked as Field
from smallgauge.workbench.decide import record
from smallgauge.workbench.sound_lies import (
    Floats,
    Lies,
    has_sound,
    lies_of,
    slice_steps,
    slice_wav,
)

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

WAV = "audio/wav"
SLICE_MS, LONGEST_MS = 2000, 10_000
MOST_BINS, MOST_ROWS = 4096, 500
MOST_SECONDS = 360_000  # of a captured sound: a hundred hours
SILENT = "This reel was captured without sound."
_ROW = "/api/reel/{reel}/sound"


FIRST = Asked(name="first", says="the first frame; 0 unless said")
LASTS = Asked(
    name="milliseconds",
    says="how long; 2000 unless said",
    schema={"type": "integer", "minimum": 1, "maximum": LONGEST_MS},
)
GIVES = {"how": "string", "words": "string", "pairs": "array", "revision": "integer"}


def sound_addresses(bench: Bench) -> tuple[Address, ...]:
    """The sound of a reel, slices of it, and its pairs."""
    return (*_wave_addresses(bench), *_slice_addresses(bench), *_pair_addresses(bench))


def _wave_addresses(bench: Bench) -> tuple[Address, ...]:
    return (
        Address(
            path=f"{_ROW}/peaks",
            says="The wave: lowest and highest value of each part of a stretch, little-endian 32-bit; NaN where no sound lies.",
            answer=bench.data(lambda r: _peaks(bench.reel(r), r)),
            asks=(
                FIRST,
                Asked(name="stop", says="the first frame outside; the end of the reel unless said"),
                Asked(name="parts", says="how many, at most 4096; 1000 unless said"),
            ),
            gives=BYTES,
        ),
        Address(
            path=f"{_ROW}/rows",
            says="The wave as a table, frame by frame.",
            answer=bench.twin(
                lambda r: sound_rows(bench.reel(r), number(r, "first", 0), number(r, "count", 100))
            ),
            asks=(FIRST, Asked(name="count", says="how many frames, at most 500; 100 unless said")),
            gives={
                "first": "integer",
                "stop": "integer",
                "of": "integer",
                "columns": "array",
                "rows": "array",
            },
        ),
    )


def _slice_addresses(bench: Bench) -> tuple[Address, ...]:
    def lasts(request: Request) -> int:
        return number(request, "milliseconds", SLICE_MS)

    return (
        Address(
            path=f"{_ROW}/steps/{{row:int}}",
            says="The pictures of a slice: each frame, and the second of the slice from which it is to be seen.",
            answer=bench.twin(lambda r: slice_steps(bench.reel(r), _row(r), lasts(r))),
            asks=(LASTS,),
            gives={"row": "integer", "how": "string", "seconds": "number", "steps": "array"},
        ),
        Address(
            path=f"{_ROW}/slice/{{row:int}}",
            says="A slice of the sound, from a frame on: as the finished film has it, or as captured where nothing lays it yet.",
            answer=bench.data(lambda r: slice_wav(bench.reel(r), _row(r), lasts(r)), kind=WAV),
            asks=(LASTS,),
            gives=WAV,
        ),
    )


def _pair_addresses(bench: Bench) -> tuple[Address, ...]:
    return (
        Address(
            path=_ROW,
            says="How the sound lies beside the picture, and the pairs that were set, each with what is left at it.",
            answer=bench.twin(lambda r: sound_paper(bench.reel(r))),
            gives=GIVES,
        ),
        Address(
            path=f"{_ROW}/moment",
            says="The second of the captured sound at a place along the strip, or the place of a second.",
            answer=bench.twin(lambda r: _moment(bench.reel(r), r)),
            asks=(
                Asked(name="row", says="the frame; 0 unless said"),
                Asked(name="thousandths", says="of the frame; 0 unless said"),
                Asked(
                    name="microseconds",
                    says="of the captured sound, instead of a place",
                    schema={"type": "integer", "minimum": 0, "maximum": MOST_SECONDS * 1_000_000},
                ),
            ),
            gives={"sound_s": "number or null", "place": "number or null"},
        ),
        Address(
            path="/api/reel/{reel}/pair",
            says="Set a pair of a picture and a second of the captured sound, or take it away; a decision on sync like any other.",
            answer=bench.twin(lambda r: _paired(bench, r)),
            takes=change(
                ("row", "stamp", "revision", "by", "why", "keep"),
                row=WHOLE,
                stamp=TEXT,
                revision=WHOLE,
                by=TEXT,
                why=TEXT,
                keep=YES_NO,
                sound_s={"type": "number", "minimum": 0, "maximum": MOST_SECONDS},
            ),
            gives=GIVES,
        ),
    )


def _row(request: Request) -> int:
    return int(request.path_params["row"])


def sound_paper(reel: OpenReel) -> dict[str, Any]:
    """How the sound lies, in words and numbers; a silent reel says so.

    `left_ms` of a pair is by how much its sound is heard after its picture (below 0: before it). `drift_ms_a_minute` is how that
    changes along the film, by least squares, of two pairs or more. `standard_rows` is how far to the right of the drawn picture its
    sound would lie were the machine's head at its gate; null where the gauge says nothing.
    """
    revision = reel.treatment().revision
    if not has_sound(reel):
        return {"how": "none", "words": SILENT, "pairs": [], "revision": revision}
    lies = lies_of(reel)
    entry = reel.treatment().find("sync")
    pairs = [_pair(reel, lies, mark) for mark in _marks(entry)]
    begins, ends = (float(at) / lies.sound_rate for at in lies.sample([0.0, float(len(lies.rows))]))
    return {
        "how": lies.how,
        "words": _words(lies, entry, len(pairs)),
        "seconds": lies.samples / lies.sound_rate,
        "sound_rate": lies.sound_rate,
        "tracks": reel.capture.sound.channels if reel.capture.sound is not None else 0,
        "film_begins_s": round(begins, 6),
        "frame_s": round(float(1 / lies.rate), 6),
        "speed": round((ends - begins) / float(len(lies.rows) / lies.rate), 6),
        "pairs": pairs,
        "drift_ms_a_minute": _drift(lies, pairs),
        "standard_rows": _standard(reel, lies),
        "revision": revision,
    }


def _marks(entry: InForce | None) -> list[dict[str, Any]]:
    value = entry.decision.value if entry is not None else None
    return cast("list[dict[str, Any]]", (value or {}).get("marks", []))


def _pair(reel: OpenReel, lies: Lies, mark: dict[str, Any]) -> dict[str, Any]:
    """A mark as it lies now. A frame that the reel does not have is named; it keeps the reel from being rendered."""
    row, sound_s = int(mark["frame"]), float(mark["sound_s"])
    heard = lies.heard_at(sound_s)
    seen = float(reel.decided().running["film_position"][row]) if row < reel.count else float("nan")
    left = heard - seen if lies.plan is not None else float("nan")
    known = np.isfinite(left)
    return {
        "row": row,
        "sound_s": sound_s,
        "place": lies.place(heard),
        "left_ms": round(1000 * left / float(lies.rate), 3) if known else None,
        "left_frames": round(left, 4) if known else None,
    }


def _drift(lies: Lies, pairs: list[dict[str, Any]]) -> float | None:
    told = [(float(lies.begins[p["row"]]), p["left_ms"]) for p in pairs if p["left_ms"] is not None]
    told = [(at, left) for at, left in told if np.isfinite(at)]
    if len(told) < 2:
        return None
    minutes = np.array([at for at, _ in told]) / float(lies.rate) / 60
    return round(float(np.polyfit(minutes, np.array([left for _, left in told]), 1)[0]), 3)


def _standard(reel: OpenReel, lies: Lies) -> float | None:
    """Where the drawn picture's sound would lie with the head at the gate, in frames to its right along the strip."""
    tracks = gauge_named(reel.capture.gauge).tracks
    run = reel.capture.notes.sound_run or WITH_PICTURE
    if lies.plan is None or not tracks or run != WITH_PICTURE:
        return None
    apart = lies.plan.shift_frames - tracks[0].ahead_frames.value
    return round(-apart if lies.backwards else apart, 4)


def _words(lies: Lies, entry: InForce | None, pairs: int) -> str:
    if lies.plan is None:
        return (
            "Nothing lays this sound to the picture yet: it is shown and played as captured, spread evenly over the frames. "
            "Treat the reel first."
        )
    why = entry.decision.why if entry is not None else ""
    if not lies.plan.set:
        told = why.removeprefix(NOT_SET).strip(": ") or "nothing says how the sound lies"
        return f"Sync is not set ({told}); a pair sets it."
    if pairs and entry is not None:
        return f"Laid by {count_words(pairs, 'pair')} ({entry.decision.by}: {why})."
    by = "the program" if entry is None or entry.decision.by == PROGRAM else entry.decision.by
    return f"Laid by {by}: {why}."


def peaks(reel: OpenReel, first: int, stop: int, parts: int) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Lowest and highest value of `parts` equal parts of the strip from row `first` to before `stop`: (parts, 2) float32.

    Where parts are wider than a row, a row counts to the part in which it begins.
    """
    lies = lies_of(reel)
    stop = max(reel.check_row(first) + 1, min(stop, reel.count))
    parts = max(1, min(parts, MOST_BINS))
    edges = np.linspace(first, stop, parts + 1)
    if stop - first <= parts:
        rows = np.minimum(edges[:-1].astype(np.int64), reel.count - 1)
        return reel.wave.between(*_ordered(lies, rows, edges[:-1] - rows, np.minimum(edges[1:] - rows, 1.0)))
    rows = np.arange(first, stop)
    each = reel.wave.between(*_ordered(lies, rows, np.zeros(len(rows)), np.ones(len(rows))))
    begins = np.floor(edges[:-1]).astype(np.int64) - first
    low = np.fmin.reduceat(each[:, 0], begins)
    high = np.fmax.reduceat(each[:, 1], begins)
    return np.stack([low, high], axis=1)


def _ordered(lies: Lies, rows: Any, share: Floats, share_stop: Floats) -> tuple[Floats, Floats]:
    """Captured samples of parts of rows, the lesser end first."""
    ends = lies.sample(lies.finished(rows, share)), lies.sample(lies.finished(rows, share_stop))
    return np.minimum(*ends), np.maximum(*ends)


def _peaks(reel: OpenReel, request: Request) -> bytes:
    first, stop = number(request, "first", 0), number(request, "stop", reel.count)
    return peaks(reel, first, stop, number(request, "parts", 1000)).astype("<f4").tobytes()


def sound_rows(reel: OpenReel, first: int, count: int) -> dict[str, Any]:
    """The wave frame by frame, as numbers."""
    lies = lies_of(reel)
    stop = min(reel.check_row(first) + max(1, min(count, MOST_ROWS)), reel.count)
    rows = np.arange(first, stop)
    begins, ends = _ordered(lies, rows, np.zeros(len(rows)), np.ones(len(rows)))
    wave = reel.wave.between(begins, ends)
    told = []
    for row, begin, end, (low, high) in zip(rows.tolist(), begins, ends, wave, strict=True):
        seconds = [round(float(at) / lies.sound_rate, 4) if np.isfinite(at) else None for at in (begin, end)]
        there = bool(np.isfinite(low))
        most = max(abs(float(low)), abs(float(high))) if there else 0.0
        told.append(
            [
                row,
                *seconds,
                round(float(low), 5) if there else None,
                round(float(high), 5) if there else None,
                round(20 * log10(most), 1) if most > 0 else None,
            ]
        )
    columns = ["frame", "captured sound from, s", "to, s", "lowest", "highest", "peak, dB of full scale"]
    return {"first": first, "stop": stop, "of": reel.count, "columns": columns, "rows": told}


def moment_paper(
    reel: OpenReel, *, row: int = 0, share: float = 0.0, sound_s: float | None = None
) -> dict[str, Any]:
    """A second of the captured sound and its place along the strip (a row and its share); null where there is none."""
    lies = lies_of(reel)
    if sound_s is None:
        finished = float(lies.finished(reel.check_row(row), share))
        second = float(lies.sample([finished])[0]) / lies.sound_rate
        if not 0 <= second <= lies.samples / lies.sound_rate:  # NaN too
            return {"sound_s": None, "place": None}
        return {"sound_s": round(second, 6), "place": row + share}
    if sound_s > lies.samples / lies.sound_rate:
        raise CallerError(_too_late(lies, sound_s))
    return {"sound_s": sound_s, "place": lies.place(lies.heard_at(sound_s))}


def _too_late(lies: Lies, sound_s: float) -> str:
    return f"The captured sound ends at {lies.samples / lies.sound_rate:.3f} s, asked for was {sound_s:g} s."


def _moment(reel: OpenReel, request: Request) -> dict[str, Any]:
    if "microseconds" in request.query_params:
        return moment_paper(reel, sound_s=number(request, "microseconds", 0) / 1_000_000)
    share = min(number(request, "thousandths", 0), 1000) / 1000
    return moment_paper(reel, row=number(request, "row", 0), share=share)


def _paired(bench: Bench, request: Request) -> dict[str, Any]:
    """Set or take away one pair: all pairs together are the decision."""
    reel, body = bench.reel(request), request.state.body
    lies, row, sound_s = lies_of(reel), reel.check_row(body["row"]), body.get("sound_s")
    before = {int(m["frame"]): float(m["sound_s"]) for m in _marks(reel.treatment().find("sync"))}
    if body["keep"] and sound_s is None:
        raise CallerError("A pair needs a second of the captured sound; point at the wave, or type it.")
    if body["keep"] and sound_s > lies.samples / lies.sound_rate:
        raise CallerError(_too_late(lies, sound_s))
    if not body["keep"] and row not in before:
        raise CallerError(f"There is no pair at frame {row} that could be taken away.")
    if not body["why"].strip():
        raise CallerError(
            "A pair needs what is seen and heard there; write it in the field 'What is seen and heard'."
        )
    after = {frame: at for frame, at in before.items() if frame != row}
    if body["keep"]:
        after[row] = float(sound_s)
    record(
        reel,
        Field(subject="sync", row=row, text=_text(after) if after else None),
        revision=body["revision"],
        stamp=body["stamp"],
        by=body["by"],
        at=bench.now(),
        why=body["why"],
    )
    return sound_paper(reel)


def _text(pairs: dict[int, float]) -> str:
    """Pairs as the command line takes them, to the microsecond."""
    return " ".join(f"{row}@{round(at, 6)}" for row, at in sorted(pairs.items()))
