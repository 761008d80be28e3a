"""What was really made of each reel of an order, by the papers on the shelf.

what_was_made    shelf -> shop number of a reel -> frames and feet that were captured, and how far it is

Frames are those of the capture's paper: of a joined reel its runs, so that a stretch captured twice counts once; a part that was
divided off, or one film of unslit double 8, counts with the capture that it was taken from. Two captures of one reel that nobody
joined are added, and said.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from smallgauge.errors import MaterialError, SmallgaugeError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.gauge.rates import feet_from_frames, running_time_text
from smallgauge.office.catch_up import reels_on
from smallgauge.office.holds import NUMBER_LENGTH
from smallgauge.record.capture import Capture
from smallgauge.record.deliveries import read_deliveries
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.reel import Reel
from smallgauge.record.rendertable import RenderSummary


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What the papers say of one reel.

    `gauge` is as it was captured, `frames` those that were captured and `feet` their length by the trade's count, exact. `finished`
    counts frames of the finished film at `rate`; "" for `running` where there is none. `handed_on` is the day of the last delivery.
    """

    gauge: str
    captures: int
    frames: int
    feet: Fraction
    finished: int = 0
    rate: str = ""
    running: str = ""
    proved: bool = False
    handed_on: str = ""


def what_was_made(shelf: Path) -> tuple[dict[str, Made], tuple[tuple[str, str], ...]]:
    """What was made of every reel on a shelf, and each folder whose papers can't be read, with why."""
    made: dict[str, Made] = {}
    counted: set[str] = set()
    refused: list[tuple[str, str]] = []
    folders = []
    for folder in reels_on(shelf):
        try:
            folders.append((folder, read_json(folder / "reel.json", Reel)))
        except SmallgaugeError as error:
            if (folder / "reel.json").is_file():
                refused.append((folder.name, str(error)))
    for folder, reel in sorted(folders, key=lambda pair: _turn(pair[1])):
        try:
            for number, found in _of_folder(folder, reel, counted):
                made[number] = _together(made[number], found) if number in made else found
        except (SmallgaugeError, OSError) as error:
            refused.append((folder.name, str(error)))
    return made, tuple(refused)


def _turn(reel: Reel) -> tuple[int, str]:
    """Joined reels first, then usual ones, then parts: what was counted once is passed by."""
    part = reel.origin is not None or reel.half is not None
    return (0 if len(reel.runs) > 1 else 2 if part else 1), reel.number


def _of_folder(folder: Path, reel: Reel, counted: set[str]) -> Iterator[tuple[str, Made]]:
    """A folder's captures that were not counted yet, each under its shop number."""
    whole = [each.capture_digest for each in (reel.origin, reel.half) if each is not None]
    if counted.intersection(whole):
        return
    frames: dict[str, int] = {}
    papers: dict[str, Capture] = {}
    digests = set()
    for run in reel.runs:
        capture = read_json(folder / run.folder / "capture.json", Capture)
        number = _shop_number(capture.notes.reel or reel.number)
        if run.capture_digest in counted or not number:
            continue
        digests.add(run.capture_digest)
        papers[number] = capture
        frames[number] = frames.get(number, 0) + run.stop - run.first
    counted |= digests | set(whole)
    for number, count in frames.items():
        gauge = gauge_named(papers[number].gauge)
        made = Made(gauge=gauge.key, captures=1, frames=count, feet=feet_from_frames(gauge, count))
        yield number, _as_finished(folder, made)


def _shop_number(name: str) -> str:
    try:
        return check_reel_number(name[:NUMBER_LENGTH]).text
    except MaterialError:
        return ""


def _as_finished(folder: Path, made: Made) -> Made:
    handed = max((each.on[:10] for each in read_deliveries(folder).handed), default="")
    if not (folder / "render.json").is_file():
        return replace(made, handed_on=handed)
    summary = read_json(folder / "render.json", RenderSummary)
    proved = (folder / "proof.json").is_file() and read_json(folder / "proof.json", Proof).good
    return replace(
        made,
        finished=summary.frames,
        rate=str(summary.rate),
        running=running_time_text(summary.frames, summary.rate),
        proved=proved,
        handed_on=handed,
    )


def _together(first: Made, second: Made) -> Made:
    """Two captures of one reel, one behind the other; what differs of the finished films is left out."""
    same = (first.rate, first.finished) == (second.rate, second.finished)
    return Made(
        gauge=first.gauge if first.gauge == second.gauge else "",
        captures=first.captures + second.captures,
        frames=first.frames + second.frames,
        feet=first.feet + second.feet,
        finished=first.finished if same else first.finished + second.finished,
        rate=first.rate if first.rate == second.rate else "",
        running="",
        proved=first.proved and second.proved,
        handed_on=max(first.handed_on, second.handed_on),
    )
