"""May the reel come off? What numbering, time stamps, files, pictures and sound say of a capture just made.

Counted      what was counted of the capture's files
judge_count  files, numbers and time stamps, and grain where neighbours were compared -> reasons and notes
"""

import math
from dataclasses import dataclass

import numpy as np

from smallgauge.analyse.filmstate import account_of
from smallgauge.analyse.seen import SeenColumns
from smallgauge.record.finding import Finding

MOST_NAMED = 20  # frames or files that a finding names
UNTOLD_SHARE = (
    0.5  # of the frames of which nothing can be told before that is said; common practice, no source
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """The files of a capture when the verdict was asked.

    `numbers` are those of the whole frames in order. `waiting` names files that are there and not whole, each with
    what is missing; `strange` files of another sequence or form; `unreadable` frame, name and reason of whole files
    that can't be decoded. `stamps` are times by frame; `stated` how many frames the operator said there are.
    """

    numbers: tuple[int, ...]
    waiting: tuple[tuple[str, str], ...]
    strange: tuple[str, ...]
    unreadable: tuple[tuple[int, str, str], ...]
    stamps: dict[int, float]
    stated: int | None
    still_written: bool

    @property
    def gaps(self) -> tuple[tuple[int, int], ...]:
        """Frame after which numbers are missing, and how many."""
        steps = np.diff(np.array(self.numbers, np.int64)) - 1
        return tuple((int(n), int(steps[n])) for n in np.flatnonzero(steps > 0))

    @property
    def times_s(self) -> np.ndarray:
        """Time of each frame, NaN where none is known or the stamps are of other frames."""
        times = np.full(len(self.numbers), np.nan)
        if self.stamps and max(self.stamps) < len(times):
            for frame, time_s in self.stamps.items():
                if frame >= 0:
                    times[frame] = time_s
        return times


def judge_count(
    counted: Counted, columns: SeenColumns, *, pitch_px: float
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Reasons that keep the reel on, and notes, from what was counted."""
    count = len(counted.numbers)
    reasons = list(_files(counted))
    if counted.stated is not None and counted.stated != count:
        reasons.append(Finding(code="reel count differs", values={"needed": counted.stated, "found": count}))
    if counted.stamps and max(counted.stamps) + 1 != count:
        values: dict[str, object] = {"stamps": max(counted.stamps) + 1, "frames": count}
        reasons.append(Finding(code="reel stamps disagree", values=values))
    notes: list[Finding] = []
    skipped = np.zeros(count, np.int32)
    for before, how_many in counted.gaps:
        skipped[before + 1] = how_many
    # Where neighbours were not compared, numbers and stamps alone speak.
    links, ledger = account_of(
        columns.comparable(), times_s=counted.times_s, pitch_px=pitch_px, skipped=skipped
    )
    lost = [(before + 1, n) for before, n in counted.gaps if not links.on[before + 1]]
    if lost:
        values = {"places": [list(place) for place in lost[:MOST_NAMED]], "missing": sum(n for _, n in lost)}
        reasons.append(Finding(code="reel numbers missing", values=values))
    if len(lost) < len(counted.gaps):
        excused = sum(n for before, n in counted.gaps if links.on[before + 1])
        notes.append(Finding(code="numbers skipped, film runs on", values={"missing": excused}))
    at_gaps = {frame for frame, _ in lost}
    gone = [run for run in ledger.runs if run.kind == "missing" and run.first not in at_gaps]
    if gone:
        places = [[run.first, run.film_stop - run.film_first] for run in gone]
        values = {
            "places": places[:MOST_NAMED],
            "missing": sum(n for _, n in places),
            "count_known": ledger.missing_count_known,
        }
        reasons.append(Finding(code="reel frames missing", values=values))
    jumps = [
        fault.frame
        for fault in ledger.suspected
        if fault.kind == "missing" and any(each.name == "long time step" for each in fault.evidence)
    ]
    if jumps:
        reasons.append(
            Finding(code="reel stamps jump", values={"frames": jumps[:MOST_NAMED], "count": len(jumps)})
        )
    if count and ledger.not_known > UNTOLD_SHARE * count:
        notes.append(Finding(code="drops not told", values={"frames": ledger.not_known, "of": count}))
    return tuple(reasons), tuple(notes)


def _files(counted: Counted) -> list[Finding]:
    found = []
    if counted.still_written:
        found.append(Finding(code="reel still written"))
    if counted.waiting:
        values: dict[str, object] = {
            "names": [name for name, _ in counted.waiting[:3]],
            "count": len(counted.waiting),
            "reason": counted.waiting[0][1],
        }
        found.append(Finding(code="reel frame unfinished", values=values))
    if counted.strange:
        values = {"names": list(counted.strange[:3]), "count": len(counted.strange)}
        found.append(Finding(code="reel files differ", values=values))
    if counted.unreadable:
        frame, name, why = counted.unreadable[0]
        values = {"frame": frame, "file": name, "reason": why, "count": len(counted.unreadable)}
        found.append(Finding(code="reel frame unreadable", values=values))
    return found


def picture_length_s(counted: Counted) -> float:
    """From the first to the last time stamp; NaN without stamps."""
    times = counted.times_s
    known = times[np.isfinite(times)]
    return float(known[-1] - known[0]) if known.size > 1 else math.nan
