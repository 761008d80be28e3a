"""The sound of a capture while it is recorded: is there a level, did it go away, does it still come?

Listening    looks at `sound.wav` as it grows and keeps a level a second
"""

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.growing_sound import GrowingSound
from smallgauge.record.finding import Finding
from smallgauge.record.notes import CaptureNotes
from smallgauge.sound.levels import measure_levels

# All below: common practice, no source.
NO_LEVEL = 10 ** (-70 / 20)  # rms, 1 at full scale: a stripe's own hiss is stronger
DEAD_SHARE = 0.9  # of a second in which one value stands: nothing is connected
FALLEN = 1 / 8  # of the quietest fifth of the seconds before: the hiss of the film is gone too
SOON_S = 5  # without a level before it is said
SHORTER_S = 3.0  # sound that ends so much before the picture was not recorded to the end


class Listening:
    """The level of each whole second of the sound that has come so far.

    `wanted` is whether sound is expected: by the operator's word, else by the notes, else because it is there.
    """

    def __init__(self, path: Path, *, stated: bool | None) -> None:
        self.file = GrowingSound(path)
        self.stated = stated
        self.rms: list[float] = []
        self.dead: list[float] = []
        self.began: float | None = None

    def look(self, now: float) -> None:
        """Take in what has come since the last look."""
        if self.began is None:
            self.began = now
        self.file.look(now)
        if self.file.why or not self.file.rate:
            return
        whole = self.file.samples // self.file.rate
        if whole <= len(self.rms):
            return
        levels = measure_levels(
            self.file.read,
            in_samples=self.file.samples,
            sound_rate=self.file.rate,
            first_second=len(self.rms),
            stop_second=whole,
            full_scale=self.file.full_scale,
        )
        tracks = self.file.channels
        self.rms += levels.rms.reshape(-1, tracks).max(axis=1).tolist()
        self.dead += levels.silent_share.reshape(-1, tracks).min(axis=1).tolist()

    def wanted(self, notes: CaptureNotes) -> bool:
        """Whether this capture should have sound."""
        if self.stated is not None:
            return self.stated
        said = (notes.sound_head_offset_frames, notes.sound_start_s, notes.sync_marks or None)
        return self.file.why != "the file is not there" or any(word is not None for word in said)

    @property
    def seconds(self) -> float:
        """How much sound has come."""
        return self.file.samples / self.file.rate if self.file.rate else 0.0

    def without_level(self) -> NDArray[np.bool_]:
        """Seconds in which the head heard no film."""
        rms, dead = np.array(self.rms), np.array(self.dead)
        silent = (rms < NO_LEVEL) | (dead > DEAD_SHARE)
        if np.count_nonzero(~silent) >= SOON_S:
            silent |= rms < FALLEN * float(np.percentile(rms[~silent], 20))
        return silent

    def now(self, notes: CaptureNotes, *, since_first_s: float, last_frame: float) -> tuple[Finding, ...]:
        """What is worth a call to the operator while the scanner runs; `last_frame` is when a frame last came."""
        if not self.wanted(notes) or since_first_s < SOON_S:
            return ()
        if not self.rms:
            return (
                Finding(code="now no sound level", values={"why": self.file.why or "nothing has come yet"}),
            )
        if self.file.last_growth is not None and last_frame - self.file.last_growth >= SOON_S:
            return (Finding(code="now no sound level", values={"why": "the sound has stopped growing"}),)
        silent = self.without_level()
        if len(silent) >= SOON_S and silent[-SOON_S:].all():
            heard = np.flatnonzero(~silent)
            since = int(heard[-1]) + 1 if heard.size else 0
            values: dict[str, object] = {"second": since, "level_db": _db(self.rms[-1])}
            return (Finding(code="now no sound level", values=values),)
        return ()

    def at_end(
        self, notes: CaptureNotes, *, picture_s: float, last_frame: float | None
    ) -> tuple[Finding, ...]:
        """What keeps the reel on. `picture_s` is the length of the picture by its time stamps, NaN where there are
        none; `last_frame` when the last frame came, None where that was not seen."""
        if not self.wanted(notes):
            return ()
        if not self.rms:
            return (
                Finding(
                    code="reel sound missing", values={"why": self.file.why or "it holds less than a second"}
                ),
            )
        silent = self.without_level()
        if silent.all():
            return (
                Finding(
                    code="reel sound silent", values={"seconds": len(silent), "level_db": _db(max(self.rms))}
                ),
            )
        found = []
        longest, at = _longest(silent)
        if longest >= max(3, min(20, 0.1 * len(silent))):
            values: dict[str, object] = {
                "second": at,
                "seconds": longest,
                "to_end": at + longest >= len(silent) - 1,
            }
            found.append(Finding(code="reel sound gone", values=values))
        short = picture_s - self.seconds if math.isfinite(picture_s) else math.nan
        if not math.isfinite(short) and last_frame is not None and self.file.last_growth is not None:
            short = last_frame - self.file.last_growth
        if short > SHORTER_S:
            found.append(Finding(code="reel sound stopped", values={"seconds": round(short, 1)}))
        return tuple(found)


def _longest(marks: NDArray[np.bool_]) -> tuple[int, int]:
    """Length and first place of the longest run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marks.astype(np.int8), [0]]))).reshape(-1, 2)
    if not len(edges):
        return 0, 0
    first, stop = max(edges.tolist(), key=lambda run: run[1] - run[0])
    return stop - first, first


def _db(rms: float) -> float | None:
    """Level in dB below full scale; None for digital silence."""
    return round(20 * math.log10(rms), 1) if rms > 0 else None
