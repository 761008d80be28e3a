"""Captures and reels that are not one to one: several captures to a reel, one capture to several reels.

join_folders     folders that `analyse` made -> one reel's folder, to be finished
find_division    the leader in a capture, and how it was divided, if it was
divide_folder    a capture's folder, cuts    -> one folder a reel, and the account of all its frames
unslit_folder    a capture of unslit double 8 -> one folder for each of its two films, and the account
"""

import contextlib
import math
import os
from dataclasses import replace
from pathlib import Path

from smallgauge.analyse.divide import PartOrder, Whole, check_part, leaders_of, make_part
from smallgauge.analyse.halves import SideBySideJob, check_halves, open_half, regions_of
from smallgauge.analyse.join import WITHIN, join_captures, read_statement
from smallgauge.analyse.reel import analyse_reel
from smallgauge.crew import Crew
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Settings, decide_on, make_folder, refuse_held, stored_head_offset
from smallgauge.lock import ReelLock
from smallgauge.media.whole import digest_file, link_or_copy, safe_file_name
from smallgauge.picture.leader import Leader
from smallgauge.record.archive import FILM, FRAMES, archive_listing, frames_there
from smallgauge.record.capture import Capture
from smallgauge.record.division import (
    DIVISION,
    DividedStretch,
    Division,
    divide_frames,
    division_findings,
)
from smallgauge.record.files import read_json, write_json
from smallgauge.record.filmstate import FILM_PAPER, FilmState
from smallgauge.record.finding import Finding
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.material import WHOLE_PAPER, digest_papers
from smallgauge.record.notes import WITH_PICTURE, read_notes
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.reel import Half, Reel
from smallgauge.record.table import read_table
from smallgauge.record.unslit import UNSLIT, Film, Unslit, unslit_findings


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
    for part in (*parts, folder):
        refuse_held(part, settings.held, numbers=(number,))
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
    if capture.sound is not None and (capture.notes.sound_run or WITH_PICTURE) != WITH_PICTURE:
        raise MaterialError(
            f"`divide` cuts sound by the time stamps of the picture, found sound of another run ({capture.notes.sound_run}) in "
            f"{folder}; analyse the capture without {capture.sound.name}, divide it, and keep that sound for each reel by hand."
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
    refuse_held(folder, settings.held, numbers=numbers)
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


def unslit_folder(
    folder: Path, settings: Settings, *, numbers: tuple[str, ...] = (), out: Path | None = None
) -> tuple[Unslit, tuple[Finding, ...]]:
    """Take unslit double 8 apart: a folder for each of its two films beside the capture's own (or below `out`).

    The films are called after the capture, with -1 for the one on the left and -2, or by `numbers`. The archive copy is
    the capture's, under a second name in each folder.
    """
    refuse_held(folder, settings.held, numbers=numbers)
    whole = _read_whole(folder)
    regions = regions_of(whole.capture)
    usual = whole.capture.notes.reel or whole.capture.name
    if numbers and len(numbers) != 2:
        raise CallerError(
            f"Two films need two --reel NUMBER, found {len(numbers)}; give one for each, the left one first."
        )
    for number in numbers:
        read_notes("", where="--reel", stated=(f"reel={number}",))
    names = numbers or (f"{usual}-1", f"{usual}-2")
    shelf = out if out is not None else folder.resolve().parent
    places = [shelf / safe_file_name(name) for name in names]
    if len({*places, folder.resolve()}) != 3:
        raise CallerError(
            "Each film needs a number of its own, found one twice or the capture's; give others with --reel."
        )
    for place in places:
        _refuse_other_reel(place, whole.capture)
    notes = whole.capture.notes
    face = notes.emulsion is not None and notes.emulsion_usual is not None
    films = []
    with Crew(settings.workers) as crew:
        for n, (name, place) in enumerate(zip(names, places, strict=True)):
            half = Half(
                film=n + 1,
                capture=usual,
                capture_digest=whole.capture.digest,
                region=regions[n],
                mirror=face and notes.emulsion != notes.emulsion_usual,
                face_stated=face,
            )
            make_folder(place)
            with ReelLock(place, take_over=settings.take_over):
                films.append(_film(folder, whole, half, name, place, crew, settings))
        wrong = _not_side_by_side(whole, places, crew, settings)
    paper = Unslit(
        capture_digest=whole.capture.digest,
        frames=whole.capture.count,
        films=(films[0], films[1]),
        wrong=wrong,
    )
    with ReelLock(folder, take_over=settings.take_over):
        write_json(folder / UNSLIT, paper)
        Journal(folder).add_file("unslit", UNSLIT, key=key_of("unslit", whole.capture.digest))
    return paper, unslit_findings(folder, paper, whole.capture)


def _refuse_other_reel(place: Path, capture: Capture) -> None:
    """A film's folder is new, or holds a film of this capture already, made whole or begun."""
    paper = place / WHOLE_PAPER
    ours = paper.is_file() and read_json(paper, Capture).digest == capture.digest
    if not ours and place.is_dir() and any(child.name != "work" for child in place.iterdir()):
        raise MaterialError(
            f"A film of '{capture.name}' needs a folder of its own, but {place} belongs to another reel; give other numbers "
            "with --reel, or another --out."
        )


def _film(
    folder: Path, whole: Whole, half: Half, name: str, place: Path, crew: Crew, settings: Settings
) -> Film:
    """Give one film its folder: the capture's archive copy, and its own part of it measured as standard 8."""
    journal = Journal(place)
    key = key_of("unslit", whole.capture.digest, half)
    write_json(place / WHOLE_PAPER, whole.capture)
    journal.add_file("unslit", WHOLE_PAPER, key=key)
    listed = frames_there(folder)
    for file in _archive_files(folder):
        (place / file).parent.mkdir(parents=True, exist_ok=True)
        link_or_copy(folder / file, place / file)
        if file not in listed:
            journal.add_file("unslit", file, key=key)
        elif digest_file(place / file) != listed[file]:
            raise FixityError(
                f"{file} must be the frame that was written, and it is not in {folder}; nothing was taken apart: bring it back "
                "from another copy, or analyse the capture again."
            )
    source = open_half(
        place, half, whole.capture, whole.frames, number=name, box_words=whole.capture.notes.box_words or ""
    )
    capture, _ = analyse_reel(place, source=source, journal=journal, runner=crew, progress=settings.progress)
    crew.settle()
    area, survey = capture.picture_area, capture.survey
    scale = survey.along_px_per_mm if survey is not None else math.nan
    return Film(
        number=name,
        folder=Path(os.path.relpath(place, folder)).as_posix(),
        half=half,
        frames=capture.count,
        film_frames=read_json(place / FILM_PAPER, FilmState).ledger.film_frames,
        picture_along_mm=round((area.top + area.bottom) / 2 / scale, 4),
    )


def _archive_files(folder: Path) -> tuple[str, ...]:
    lamp = tuple(path.name for what in ("open-gate", "dark") for path in folder.glob(f"archive.{what}.*"))
    if (folder / FILM).is_file():
        return (FILM, *lamp)
    kept = sorted(path for path in (folder / FRAMES).rglob("*") if path.is_file() and path.suffix != ".part")
    return (*(path.relative_to(folder).as_posix() for path in kept), *lamp)


def _not_side_by_side(whole: Whole, places: list[Path], crew: Crew, settings: Settings) -> tuple[int, ...]:
    """Captured frames that are not both films' frames side by side: every one decoded and compared by digest."""
    listing, count = archive_listing(whole.folder, whole.capture), whole.capture.count
    left, right = (tuple(f.digest for f in read_json(p / "capture.json", Capture).files) for p in places)
    digests = tuple(file.digest for file in whole.capture.files)
    jobs = [
        SideBySideJob(
            listing=listing,
            slit_px=regions_of(whole.capture)[0].width,
            first=first,
            stop=min(first + SEGMENT_FRAMES, count),
            whole=digests[first : first + SEGMENT_FRAMES],
            halves=(left[first : first + SEGMENT_FRAMES], right[first : first + SEGMENT_FRAMES]),
        )
        for first in range(0, count, SEGMENT_FRAMES)
    ]
    done = crew.run(
        check_halves,
        jobs,
        watch=lambda frames: settings.progress("frames compared with both films", frames, count),
    )
    return tuple(sorted(number for _, wrong in done for number in wrong))
