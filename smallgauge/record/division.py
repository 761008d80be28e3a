"""`division.json`: a capture of several rolls taken apart, and the account that every captured frame is in it once."""

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

from smallgauge.errors import CallerError, MaterialError
from smallgauge.picture.leader import Leader
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Finding

DIVISION = "division.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class DividedStretch:
    """Captured frames [first, stop): of a reel, whose number and folder are named, or of leader."""

    what: Literal["reel", "leader"]
    first: int
    stop: int
    number: str = ""
    folder: str = ""  # from the capture's folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """How a capture was divided, on whose word, and every one of its frames in order."""

    version: int = 1
    capture_digest: str
    frames: int
    by: str
    at: str
    why: str
    stretches: tuple[DividedStretch, ...]


def divide_frames(
    count: int, leaders: tuple[Leader, ...], cuts: tuple[int, ...]
) -> tuple[DividedStretch, ...]:
    """The stretches that cuts make of a capture of `count` frames, in order and without a gap.

    A cut at any frame of a stretch of leader sets that stretch aside; a cut elsewhere is the first frame of a reel.

    Raises
    ------
    CallerError
        Where there is no cut, a cut lies outside, or no frame is left for a reel.

    Examples
    --------
    >>> clear = Leader(first=40, stop=52, kind="leader", density=0.2, sure=True, reason="")
    >>> [(s.what, s.first, s.stop) for s in divide_frames(100, (clear,), (45, 80))]
    [('reel', 0, 40), ('leader', 40, 52), ('reel', 52, 80), ('reel', 80, 100)]
    """
    outside = [cut for cut in cuts if not 0 <= cut < count]
    if not cuts or outside:
        raise CallerError(
            f"A division needs cuts at frames from 0 to {count - 1}, found {', '.join(map(str, outside)) or 'none'}; "
            "give --cut FRAME, any frame of a leader or the first frame of a reel."
        )
    aside = {each for each in leaders if any(each.first <= cut < each.stop for cut in cuts)}
    starts = {cut for cut in cuts if not any(each.first <= cut < each.stop for each in aside)}
    edges = sorted({0, count, *starts, *(e.first for e in aside), *(e.stop for e in aside)})
    found = tuple(
        DividedStretch(what="leader" if any(e.first == a for e in aside) else "reel", first=a, stop=b)
        for a, b in pairwise(edges)
    )
    if not any(each.what == "reel" for each in found):
        raise CallerError(
            "A division needs frames for one reel at least, found leader only; look at the cuts."
        )
    return found


def division_findings(folder: Path, division: Division, capture: Capture) -> tuple[Finding, ...]:
    """Whether reels and leader add up to the capture: every frame once, each reel's pictures those of its stretch."""
    place, wrong = 0, []
    for each in division.stretches:
        if each.first != place or not each.stop > each.first:
            wrong.append(f"frames {place} to {each.first} stand in no stretch or in two")
        place = each.stop
        if each.what != "reel":
            continue
        try:
            part = read_json(folder / each.folder / "capture.json", Capture)
        except MaterialError:
            wrong.append(f"the reel {each.number} is not in its folder")
            continue
        own = [file.digest for file in capture.files[each.first : each.stop]]
        if [file.digest for file in part.files] != own:
            wrong.append(f"the reel {each.number} does not hold frames {each.first} to {each.stop - 1}")
    if place != capture.count or division.capture_digest != capture.digest:
        wrong.append(f"{place} frames are accounted for of {capture.count}")
    return tuple(
        Finding(code="division does not add up", where="division", values={"what": words}) for words in wrong
    )
