"""Captures and reels that are not one to one: several captures to a reel, one capture to several reels.

join_folders     folders that `analyse` made -> one reel's folder, to be finished
find_division    the leader in a capture, and how it was divided, if it was
divide_folder    a capture's folder, cuts    -> one folder a reel, and the account of all its frames
"""

import contextlib
import os
from dataclasses import replace
from pathlib import Path

from smallgauge.analyse.divide import PartOrder, Whole, check_part, leaders_of, make_part
from smallgauge.analyse.join import WITHIN, join_captures, read_statement
from smallgauge.crew import Crew
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Settings, decide_on, make_folder, stored_head_offset
from smallgauge.lock import ReelLock
from smallgauge.media.whole import safe_file_name
from smallgauge.picture.leader import Leader
from smallgauge.record.capture import Capture
from smallgauge.record.division import (
    DIVISION,
    DividedStretch,
    Division,
    divide_frames,
    division_findings,
)
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.material import digest_papers
from smallgauge.record.notes import read_notes
from smallgauge.record.reel import Reel
from smallgauge.record.table import read_table


def join_folders(
    parts: tuple[Path, ...],
    out: Path,
    settings: Settings,
    *,
    number: str,
    box_words: str = "",
    overlap: int | None = None,
    lost: str | None = None,
    by: str | None = None,
    why: str | None = None,
    silent_film: bool = False,
    within: int | None = None,
) -> Path:
    """Make one reel from several captures that were analysed; gives the new reel's folder.

    `overlap` and `lost` ("unknown" or a number) are the operator's word on a joint that can't be told.
    """
    read_notes("", where="--reel", stated=(f"reel={number}",))
    if within is not None and within < 1:
        raise CallerError(f"--within needs 1 frame or more, found {within}.")
    statement = read_statement(overlap, lost, by=by, at=settings.at, why=why)
    folder = out / safe_file_name(number)
    if any(folder.resolve() == part.resolve() for part in parts):
        raise MaterialError(
            f"A joined reel needs a folder of its own, but {folder} is that of a capture; give another reel number."
        )
    make_folder(folder)
    try:
        with ReelLock(folder, take_over=settings.take_over):
            join_captures(
                folder,
                parts,
                number=number,
                box_words=box_words,
                at=settings.at,
                statement=statement,
                silent=silent_film,
                within=within or WITHIN,
                journal=Journal(folder),
                progress=settings.progress,
            )
    finally:
        _leave_no_empty_folder(folder)
    return folder


def _leave_no_empty_folder(folder: Path) -> None:
    """Take a folder away that a refusal left empty."""
    with contextlib.suppress(OSError):
        (folder / "work").rmdir()
        folder.rmdir()


def find_division(folder: Path) -> tuple[tuple[Leader, ...], Division | None, tuple[Finding, ...]]:
    """The leader in a capture's folder, how it was divided (None: not yet), and whether that adds up."""
    whole = _read_whole(folder)
    path = folder / DIVISION
    division = read_json(path, Division) if path.is_file() else None
    found = division_findings(folder, division, whole.capture) if division is not None else ()
    return leaders_of(whole.frames), division, found


def _read_whole(folder: Path) -> Whole:
    if not (folder / "capture.json").is_file():
        raise MaterialError(
            f"`divide` needs a folder that `analyse` made, found no capture.json in {folder}; "
            "run `smallgauge analyse` on the capture first."
        )
    capture = read_json(folder / "capture.json", Capture)
    reel = read_json(folder / "reel.json", Reel)
    if capture.stage != "complete" or reel.joints or reel.origin is not None:
        raise MaterialError(
            f"`divide` needs a whole capture, found a part, a joined reel or an unfinished one in {folder}; name the folder of the "
            "capture that holds the rolls, analysed to its end."
        )
    return Whole(
        folder=folder,
        papers=digest_papers(folder),
        capture=capture,
        frames=read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames"),
        perforations=read_table(folder / "perforations.parquet", PERFORATION_COLUMNS, "perforations"),
    )


def divide_folder(
    folder: Path,
    settings: Settings,
    *,
    cuts: tuple[int, ...],
    by: str | None,
    why: str | None,
    numbers: tuple[str, ...] = (),
    box_words: tuple[str, ...] = (),
    out: Path | None = None,
) -> tuple[Division, tuple[Finding, ...]]:
    """Divide a capture at the operator's cuts: one folder a reel beside its own (or below `out`), and the account.

    `numbers` and `box_words` are those of the reels in order; without them a reel is called after the capture. Given
    again with the same cuts it goes on where it was stopped.
    """
    if not by or not why:
        raise CallerError("A division needs who decides and why; add --by INITIALS and --why WORDS.")
    whole = _read_whole(folder)
    stretches = _named(divide_frames(whole.capture.count, leaders_of(whole.frames), cuts), whole, numbers)
    reels = [each for each in stretches if each.what == "reel"]
    if box_words and len(box_words) != len(reels):
        raise CallerError(
            f"{len(reels)} reels need as many --box-words, found {len(box_words)}; give one for each in order."
        )
    shelf = out if out is not None else folder.resolve().parent
    places = [shelf / safe_file_name(each.number) for each in reels]
    if len({*places, folder.resolve()}) != len(places) + 1:
        raise CallerError(
            "Each reel needs a number of its own, found one twice or the capture's; give others with --reel."
        )
    orders = [
        PartOrder(
            first=each.first,
            stop=each.stop,
            before=reels[n - 1].stop if n else 0,
            after=reels[n + 1].first if n + 1 < len(reels) else whole.capture.count,
            number=each.number,
            box_words=box_words[n] if box_words else "",
            head_offset_frames=stored_head_offset(folder.resolve().parent, whole.capture),
        )
        for n, each in enumerate(reels)
    ]
    for place, order in zip(places, orders, strict=True):
        check_part(place, whole, order)
    decide_on(
        folder,
        subject="division",
        value={"cuts": list(cuts)},
        by=by,
        at=settings.at,
        why=why,
        take_over=settings.take_over,
    )
    with Crew(settings.workers) as crew:
        for place, order in zip(places, orders, strict=True):
            make_folder(place)
            with ReelLock(place, take_over=settings.take_over):
                make_part(
                    place, whole, order, journal=Journal(place), runner=crew, progress=settings.progress
                )
    return _account(folder, whole, stretches, places, by, settings, why)


def _named(
    stretches: tuple[DividedStretch, ...], whole: Whole, numbers: tuple[str, ...]
) -> tuple[DividedStretch, ...]:
    """The stretches with their reels' numbers."""
    count = sum(each.what == "reel" for each in stretches)
    if numbers and len(numbers) != count:
        raise CallerError(
            f"{count} reels need as many --reel NUMBER, found {len(numbers)}; give one for each in order."
        )
    for number in numbers:
        read_notes("", where="--reel", stated=(f"reel={number}",))
    usual = whole.capture.notes.reel or whole.capture.name
    names = iter(numbers or tuple(f"{usual} roll {n}" for n in range(1, count + 1)))
    return tuple(replace(each, number=next(names)) if each.what == "reel" else each for each in stretches)


def _account(
    folder: Path,
    whole: Whole,
    stretches: tuple[DividedStretch, ...],
    places: list[Path],
    by: str,
    settings: Settings,
    why: str,
) -> tuple[Division, tuple[Finding, ...]]:
    """Write the account beside the capture's papers, and check it against the reels' own."""
    relative = iter(Path(os.path.relpath(place, folder)).as_posix() for place in places)
    division = Division(
        capture_digest=whole.capture.digest,
        frames=whole.capture.count,
        by=by,
        at=settings.at,
        why=why,
        stretches=tuple(
            replace(each, folder=next(relative)) if each.what == "reel" else each for each in stretches
        ),
    )
    with ReelLock(folder, take_over=settings.take_over):
        write_json(folder / DIVISION, division)
        Journal(folder).add_file("divide", DIVISION, key=key_of("division", whole.capture.digest))
    return division, division_findings(folder, division, whole.capture)
