"""How a reel's sound lies beside its pictures: which captured sample belongs to each place along the strip, and back.

lies_of       an open reel -> Lies, by the map of today's decisions
slice_wav     the sound of a stretch as a WAV file
slice_steps   when each of its pictures is due on the sound's clock

A *place* along the strip is a row and a share of it. Where nothing lays the sound yet (the reel was not treated), it is taken as it
was captured, spread evenly over the rows, and said to be so.
"""

import io
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, isfinite
from threading import Lock
from typing import Any, Literal
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_out import whole_samples
from smallgauge.record.files import read_json
from smallgauge.record.soundfaults import read_faults
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import PROGRAM, Decision, treatment_of
from smallgauge.render.plan_sound import SOUND_RATE, SoundPlan
from smallgauge.render.running import plan_sound_alone
from smallgauge.render.track import laid_sound
from smallgauge.sound.speed import in_sample_at, out_sample_at
from smallgauge.workbench.looks import only_looks
from smallgauge.workbench.opened import OpenReel

_WORKING = Lock()
NEAR = 1e-6  # frames: so near before a frame's beginning is its beginning, rounded

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lies:
    """How the sound lies.

    `begins` and `ends` (rows,) are finished frames: the first that shows a row, and the first after it that does not; NaN for a
    row that is not in the finished film. `rows` is the row that each finished frame shows. `samples` is how long the captured
    sound is.
    """

    how: Literal["laid", "captured"]
    rate: Fraction  # finished frames a second
    begins: Floats
    ends: Floats
    rows: NDArray[np.int64]
    sound_rate: int
    samples: int
    plan: SoundPlan | None

    @property
    def backwards(self) -> bool:
        """Whether time runs from right to left along the strip: film that was captured tail first."""
        return self.plan is not None and bool(self.plan.map.slope[0] < 0)

    def finished(self, row: ArrayLike, share: ArrayLike) -> Floats:
        """Place in the finished film, in frames, of places along the strip; NaN where the film does not show the row."""
        rows, part = np.asarray(row, np.int64), np.asarray(share, np.float64)
        part = 1.0 - part if self.backwards else part
        told: Floats = self.begins[rows] + part * (self.ends - self.begins)[rows]
        return told

    def sample(self, finished: ArrayLike) -> Floats:
        """Captured sample heard at places in the finished film."""
        frames = np.asarray(finished, np.float64)
        if self.plan is None:
            return frames * (self.samples / len(self.rows))
        return in_sample_at(self.plan.map, frames * float(SOUND_RATE / self.rate))[0]

    def heard_at(self, sound_s: float) -> float:
        """Place in the finished film, in frames, at which a second of the captured sound is heard."""
        sample = sound_s * self.sound_rate
        if self.plan is None:
            return sample * len(self.rows) / self.samples
        return float(out_sample_at(self.plan.map, [sample])[0]) * float(self.rate / SOUND_RATE)

    def place(self, finished: float) -> float | None:
        """Place along the strip of a place in the finished film: a row and its share; None outside the film."""
        n = int(np.floor(finished + NEAR)) if isfinite(finished) else -1
        if not 0 <= n < len(self.rows):
            return None
        row = int(self.rows[n])
        share = max(0.0, (finished - self.begins[row]) / (self.ends[row] - self.begins[row]))
        return row + float(1.0 - share if self.backwards else share)

    def stretch(self, row: int, milliseconds: int) -> tuple[int, int]:
        """Finished frames from a row's on that last so long, as far as the film goes."""
        if not isfinite(self.begins[row]):
            raise CallerError(
                f"Frame {row} is not in the finished film, so no sound belongs to it; take a frame beside it."
            )
        first = int(self.begins[row])
        return first, min(len(self.rows), first + max(1, ceil(Fraction(milliseconds, 1000) * self.rate)))


_KNOWN: WeakKeyDictionary[OpenReel, tuple[tuple[Decision, ...], Lies]] = WeakKeyDictionary()


def has_sound(reel: OpenReel) -> bool:
    """Whether the reel was captured with sound."""
    return reel.capture.sound is not None


def lies_of(reel: OpenReel) -> Lies:
    """How the reel's sound lies now; CallerError for a silent reel. Worked out again only where more than looks was decided."""
    log = reel.decisions()
    with _WORKING:
        known = _KNOWN.get(reel)
        if known is None or not only_looks(known[0], log):
            known = _KNOWN[reel] = log, _lies(reel, log)
        return known[1]


def _lies(reel: OpenReel, log: tuple[Decision, ...]) -> Lies:
    sound = reel.capture.sound
    if sound is None:
        raise CallerError("This reel was captured without sound, so there is none to show or to play.")
    plan = None
    rate, rows = Fraction(reel.count * sound.rate, max(1, sound.samples)), np.arange(reel.count)
    if any(each.subject == "sync" and each.by == PROGRAM for each in log):  # the reel was treated
        track, faults = read_json(reel.folder / TRACK_PAPER, TrackPaper), read_faults(reel.folder)
        alone = plan_sound_alone(reel.capture, reel.frames, treatment_of(log), track, faults)
        rate, rows, plan = alone.rate, alone.rows, alone.sound
    begins, ends = np.full(reel.count, np.nan), np.full(reel.count, np.nan)
    numbers = np.arange(len(rows), dtype=np.float64)
    begins[rows[::-1]] = numbers[::-1]
    ends[rows] = numbers + 1.0
    return Lies(
        how="captured" if plan is None else "laid",
        rate=rate,
        begins=begins,
        ends=ends,
        rows=rows,
        sound_rate=sound.rate,
        samples=sound.samples,
        plan=plan,
    )


def slice_wav(reel: OpenReel, row: int, milliseconds: int) -> bytes:
    """The sound of a stretch from a row's picture on, as 24-bit WAV: as the finished film has it, or as it was captured."""
    import soundfile

    lies = lies_of(reel)
    first, stop = lies.stretch(row, milliseconds)
    if lies.plan is None:
        low, high = (int(at) for at in lies.sample([first, stop]))
        with open_sound(reel.wave.path) as sound:
            samples, rate = sound.read(low, high), sound.rate
    else:
        ends = (int(n * SOUND_RATE / lies.rate) for n in (first, stop))
        begin, end = (min(at, lies.plan.map.out_samples) for at in ends)
        samples, rate = laid_sound(reel.wave.path, lies.plan, first=begin, stop=end), SOUND_RATE
    out, codes = io.BytesIO(), whole_samples(samples)[0]
    soundfile.write(
        out, codes << 8, rate, format="WAV", subtype="PCM_24"
    )  # 32 bits, of which it keeps the upper 24
    return out.getvalue()


def slice_steps(reel: OpenReel, row: int, milliseconds: int) -> dict[str, Any]:
    """The pictures of a slice: each row, and the second of the slice from which it is to be seen."""
    lies = lies_of(reel)
    first, stop = lies.stretch(row, milliseconds)
    return {
        "row": row,
        "how": lies.how,
        "seconds": float((stop - first) / lies.rate),
        "steps": [[int(lies.rows[n]), round(float((n - first) / lies.rate), 6)] for n in range(first, stop)],
    }
