"""Who watched a finished film, which of its pictures really ran before their eyes, and what they judged.

`watched.jsonl` has a line a stretch that was played, `judged.jsonl` a line a judgement; both only grow. A line names the very
file that was watched by its digest: of a film that was made anew since, nothing was watched yet, and a judgement is out of date.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from smallgauge.media.whole import append_line
from smallgauge.record.files import read_lines, to_plain
from smallgauge.record.treatment import PROGRAM, Decision

FILM = "viewing.mp4"  # the copy that is watched
WATCHED, JUDGED = "watched.jsonl", "judged.jsonl"
READY, WITH_REMARKS, NOT_READY = "ready", "ready with remarks", "not ready"
VERDICTS = (READY, WITH_REMARKS, NOT_READY)
SEAM = 2  # frames between two stretches that a player's clock may leave out; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedStretch:
    """Finished frames [first, stop) that ran at no more than their own speed before somebody's eyes."""

    by: str
    at: str  # ISO 8601, when they had run
    film: str  # SHA-256 of the file that was played
    first: int
    stop: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What somebody judged of a finished film, with the revision of the treatment that it was rendered from."""

    by: str
    at: str
    verdict: Literal["ready", "ready with remarks", "not ready"]
    why: str
    revision: int
    film: str


def film_digest(folder: Path) -> str:
    """SHA-256 of the viewing copy as rendering noted it; "" where none was made."""
    journal = folder / "work" / "journal.jsonl"
    if not (folder / FILM).is_file() or not journal.is_file():
        return ""
    digest = ""
    with journal.open(encoding="utf-8", errors="replace") as lines:
        for text in lines:
            if f'"{FILM}"' not in text:
                continue
            try:
                line = json.loads(text)
            except (ValueError, RecursionError):
                continue
            if line.get("file") == FILM:
                digest = str(line.get("sha256", ""))
    return digest


def read_watched(folder: Path) -> tuple[WatchedStretch, ...]:
    """Every stretch that was watched, in the order in which that was noted."""
    return read_lines(folder / WATCHED, WatchedStretch, torn=True)


def read_judged(folder: Path) -> tuple[Judgement, ...]:
    """Every judgement, the last one last."""
    return read_lines(folder / JUDGED, Judgement, torn=True)


def note_watched(folder: Path, stretch: WatchedStretch) -> None:
    """Add a stretch."""
    append_line(folder / WATCHED, json.dumps(to_plain(stretch), ensure_ascii=False))


def note_judged(folder: Path, judgement: Judgement) -> None:
    """Add a judgement."""
    append_line(folder / JUDGED, json.dumps(to_plain(judgement), ensure_ascii=False))


def unwatched(
    stretches: Iterable[WatchedStretch], *, film: str, frames: int, by: str | None = None
) -> tuple[tuple[int, int], ...]:
    """What of a film nobody watched, or one person did not: stretches of finished frames, half open.

    Up to `SEAM` frames between two stretches count as watched.

    Examples
    --------
    >>> seen = [WatchedStretch(by="mk", at="", film="f", first=first, stop=stop) for first, stop in ((0, 40), (41, 60), (80, 90))]
    >>> unwatched(seen, film="f", frames=100), unwatched(seen, film="another", frames=100)
    (((60, 80), (90, 100)), ((0, 100),))
    """
    mine = sorted((s.first, s.stop) for s in stretches if s.film == film and by in (None, s.by))
    gaps, reached = [], 0
    for first, stop in [*mine, (frames, frames)]:
        if first - reached > SEAM:
            gaps.append((reached, first))
        reached = max(reached, stop)
    return tuple(gaps)


def watched_in_full_by(stretches: Iterable[WatchedStretch], *, film: str, frames: int) -> tuple[str, ...]:
    """Who watched all of a film, in the order of their names.

    Examples
    --------
    >>> seen = [WatchedStretch(by=by, at="", film="f", first=0, stop=stop) for by, stop in (("mk", 60), ("jt", 100))]
    >>> watched_in_full_by(seen, film="f", frames=100)
    ('jt',)
    """
    all_of_them = tuple(stretches)
    names = sorted({s.by for s in all_of_them if s.film == film})
    return tuple(name for name in names if not unwatched(all_of_them, film=film, frames=frames, by=name))


def second_persons(watchers: Iterable[str], decisions: Iterable[Decision]) -> tuple[str, ...]:
    """Those of the watchers who decided nothing about the film: eyes that are not the operator's own.

    Examples
    --------
    >>> mine = Decision(id=1, revision=1, by="mk", at="", subject="framing", anchor="reel", value=None, why="")
    >>> second_persons(["jt", "mk"], [mine]), second_persons(["jt"], [])
    (('jt',), ('jt',))
    """
    deciders = {decision.by.casefold() for decision in decisions} - {PROGRAM}
    return tuple(name for name in watchers if name.casefold() not in deciders)
