"""Photographs from a finished reel: by frame, by scene, or where the operator marked one."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.crew import Crew
from smallgauge.deliver.still_sheet import write_still_sheet
from smallgauge.deliver.still_words import describe_still
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Line, Settings, read_track, read_treatment, refuse_held, refuse_old_film
from smallgauge.lock import ReelLock
from smallgauge.media.photograph_out import PhotographWords
from smallgauge.media.whole import digest_file
from smallgauge.picture.fusion import PARTNERS
from smallgauge.record.capture import Capture
from smallgauge.record.dirttable import read_dirt
from smallgauge.record.edtf import Edtf, read_edtf
from smallgauge.record.files import write_json
from smallgauge.record.finding import FileDigest
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.keptstills import (
    ENDINGS,
    SHEET,
    STILLS_PAPER,
    FrameShare,
    KeptStill,
    KeptStills,
    read_stills,
    still_file_name,
)
from smallgauge.record.marks import read_marks
from smallgauge.record.material import Material, material_of
from smallgauge.record.signature import digest_look, needs_signature
from smallgauge.render.fused import make_still
from smallgauge.render.plan import Plan, plan_rendering
from smallgauge.render.plan_stills import StillPlan, StillWish, plan_stills, scene_wishes

NEXT_PAPER = "work/stills-next.json"  # the paper that is about to be named
LONGEST_WORDS = 500  # characters, as beside a mark


@dataclass(frozen=True, slots=True, kw_only=True)
class StillsAsked:
    """What is asked for. `scenes` () is none, None every one; `reach` is for `frames` alone.

    `remove` are film positions whose photographs are taken away. `dated` is the film's date as stated, "" for none.
    """

    by: str
    frames: tuple[int, ...] = ()
    scenes: tuple[int, ...] | None = ()
    marks: bool = False
    remove: tuple[int, ...] = ()
    reach: int = PARTNERS
    dated: str = ""
    words: str = ""


def stills_folder(folder: Path, settings: Settings, asked: StillsAsked) -> KeptStills:
    """Make the photographs that are asked for, take away those that are not wanted, and write `stills.json`.

    What was asked for before stays. Refused while the book holds film or files, for a film that was not finished with the
    decisions of today, and for a negative that nobody has signed for.
    """
    refuse_held(folder, settings.held)
    dated = _checked(asked)
    if not (folder / "render.json").is_file():
        raise MaterialError(
            f"A photograph is made of a finished film, found no render.json in {folder}; run `smallgauge finish` first."
        )
    with ReelLock(folder, take_over=settings.take_over), Crew(1) as crew:
        journal = Journal(folder)
        capture, frames = Line(folder, None, journal, crew, _quiet(settings)).papers()
        treatment = read_treatment(folder)
        refuse_old_film(folder, treatment.revision, then="ask for photographs")
        if needs_signature(capture, treatment):
            raise MaterialError(
                "Nobody has signed for the look of this negative, so no photograph is made of it; run `smallgauge approval`, then "
                "`smallgauge sign-off`."
            )
        material = material_of(folder)
        track = read_track(folder, capture)
        plan = plan_rendering(capture, frames, treatment, material, track, dirt=read_dirt(folder))
        paper = _paper(folder, journal, capture, plan, digest_look(capture, treatment))
        paper = _without(folder, journal, paper, asked.remove)
        sharpness = frames["sharpness"]
        planned = plan_stills(plan, sharpness, _wishes(folder, plan, sharpness, asked), reach=asked.reach)
        planned = tuple({each.shown.film_position: each for each in reversed(planned)}.values())
        paper = _same_look(
            paper, digest_look(capture, treatment), {each.shown.film_position for each in planned}
        )
        for count, each in enumerate(planned, start=1):
            settings.progress("photographs", count - 1, len(planned))
            still = _made(folder, capture, material, plan, each, asked, dated, settings.at)
            paper = paper.with_still(still)
            key = key_of("still", paper.look, still.name, still.at)
            for file in still.files:
                journal.add_file(
                    "stills", file.name, key=key, first=still.film_position, stop=still.film_position + 1
                )
            settings.progress("photographs", count, len(planned))
        # First beside, with a line of the journal: a stop between paper and line would leave a paper that nobody stands for.
        write_json(folder / NEXT_PAPER, paper)
        journal.add_file("stills", NEXT_PAPER, key=key_of("stills", paper.look))
        write_json(folder / STILLS_PAPER, paper)
        write_still_sheet(folder, paper)
        for name in (STILLS_PAPER, SHEET):
            if (folder / name).is_file():
                journal.add_file("stills", name, key=key_of("stills", paper.look))
            elif name in journal.lines:
                journal.forget(name)
        journal.forget(NEXT_PAPER)
        (folder / NEXT_PAPER).unlink(missing_ok=True)
    return paper


def _quiet(settings: Settings) -> Settings:
    """The settings of a call that does not tell once more what was found when the film was read."""
    return replace(settings, say=lambda finding: None)


def _checked(asked: StillsAsked) -> Edtf | None:
    """The date of the photographs; refuses what names nothing or nobody."""
    if not asked.by.strip():
        raise CallerError("A photograph is made on somebody's word; give initials with --by.")
    if not (asked.frames or asked.scenes or asked.scenes is None or asked.marks or asked.remove):
        raise CallerError(
            "Which photographs? Give --frames with film frames, --scenes with numbers or 'all', --marks, or --remove."
        )
    if len(asked.words) > LONGEST_WORDS:
        raise CallerError(
            f"Words inside a photograph are at most {LONGEST_WORDS} characters, found {len(asked.words)}."
        )
    return read_edtf(asked.dated) if asked.dated else None


def _paper(folder: Path, journal: Journal, capture: Capture, plan: Plan, look: str) -> KeptStills:
    """The paper as it stands, or an empty one."""
    before = read_stills(folder)
    line, coming = journal.lines.get(STILLS_PAPER), journal.lines.get(NEXT_PAPER)
    stands = line is not None and journal.holds(STILLS_PAPER, line.key)
    if before is not None and not stands and coming is not None:  # a run that was stopped had just named it
        stands = digest_file(folder / STILLS_PAPER) == coming.sha256
    if before is not None and not stands:
        raise FixityError(
            f"{STILLS_PAPER} is not the file that was written in {folder}; bring it back from another copy, or take it away with "
            "the photographs and ask for them again."
        )
    empty = KeptStills(
        reel=capture.notes.reel or capture.name,
        capture_digest=capture.digest,
        look=look,
        width=plan.width,
        height=plan.height,
        stills=(),
    )
    return empty if before is None else replace(empty, look=before.look, stills=before.stills)


def _same_look(paper: KeptStills, look: str, made: set[int]) -> KeptStills:
    """The paper with today's look; refused where photographs of another look would stay beside new ones."""
    other = [each.film_position for each in paper.stills if each.film_position not in made]
    if paper.look != look and other:
        numbers = ",".join(str(position) for position in other)
        raise MaterialError(
            "The look of this film was changed after photographs were made, and the old ones would lie beside the new; ask for "
            f"them again with --frames {numbers} --reach 0, or take them away with --remove {numbers}."
        )
    return replace(paper, look=look)


def _without(folder: Path, journal: Journal, paper: KeptStills, remove: Sequence[int]) -> KeptStills:
    """The paper without photographs that are not wanted, whose files are taken away."""
    there = {each.film_position: each for each in paper.stills}
    lacking = [position for position in remove if position not in there]
    if lacking:
        raise CallerError(f"There is no photograph of film frame {lacking[0]} to take away.")
    for position in remove:
        for file in there[position].files:
            (folder / file.name).unlink(missing_ok=True)
            journal.forget(file.name)
    return replace(paper, stills=tuple(each for each in paper.stills if each.film_position not in remove))


def _wishes(
    folder: Path, plan: Plan, sharpness: NDArray[np.float64], asked: StillsAsked
) -> tuple[StillWish, ...]:
    """All wishes of a call, each frame once: a mark's words win over a number, and both over a scene's best."""
    marks = read_marks(folder) if asked.marks else ()
    if asked.marks and not marks:
        raise CallerError(
            "Nobody marked a frame of this reel; mark some at the workbench, or ask by --frames or --scenes."
        )
    wishes = [
        StillWish(
            asked="mark", film_position=m.film_position, key=(m.capture, m.frame), words=m.words, by=m.by
        )
        for m in marks
    ]
    wishes += [StillWish(asked="frame", film_position=position) for position in asked.frames]
    if asked.scenes or asked.scenes is None:
        wishes += scene_wishes(plan, sharpness, asked.scenes)
    return tuple(wishes)


def _made(
    folder: Path,
    capture: Capture,
    material: Material,
    plan: Plan,
    planned: StillPlan,
    asked: StillsAsked,
    dated: Edtf | None,
    at: str,
) -> KeptStill:
    """Make one photograph and say what went into it."""
    shown = planned.shown
    stretch = material.stretches[shown.capture]
    files = stretch.capture.files
    still = KeptStill(
        name=still_file_name(shown.film_position),
        film_position=shown.film_position,
        asked_position=planned.wish.film_position,
        asked=planned.wish.asked,
        scene=shown.scene + 1,
        scene_name=plan.titles[shown.scene] if 0 <= shown.scene < len(plan.titles) else "",
        words=" ".join((planned.wish.words or asked.words).split()),
        by=planned.wish.by or asked.by.strip(),
        at=at,
        dated=dated.text if dated is not None else "",
        dated_by=asked.by.strip() if dated is not None else "",
        kept_grain=1.0,
        grain=None,
        alone_share=1.0,
        frames=tuple(
            FrameShare(
                film_position=frame.film_position,
                capture=frame.capture,
                frame=frame.frame,
                file=files[frame.frame].name if frame.frame < len(files) else "",
                share=0.0,
            )
            for frame in planned.frames
        ),
        files=(),
    )
    fused = make_still(
        folder,
        still.name,
        plan=plan,
        still=planned,
        stretch=stretch,
        fused_words=_words(capture, still, dated, fused=True),
        frame_words=_words(capture, still, dated, fused=False),
    )
    return replace(
        still,
        kept_grain=round(fused.kept_grain, 3),
        grain=round(fused.noise, 3) if fused.noise == fused.noise else None,
        alone_share=round(fused.alone_share, 6),
        frames=tuple(
            replace(frame, share=round(share, 6))
            for frame, share in zip(still.frames, fused.shares, strict=True)
        ),
        files=tuple(_digest(folder, f"{still.name}{ending}") for ending in ENDINGS),
    )


def _digest(folder: Path, name: str) -> FileDigest:
    return FileDigest(name=name, bytes=(folder / name).stat().st_size, sha256=digest_file(folder / name))


def _words(capture: Capture, still: KeptStill, dated: Edtf | None, *, fused: bool) -> PhotographWords:
    """What is said inside a photograph's file."""
    reel = capture.notes.reel or capture.name
    return PhotographWords(
        identifier=f"Reel {reel}, film frame {still.film_position}",
        reel=reel,
        title=still.scene_name,
        headline=f"Reel {reel}, scene {still.scene}",
        description=describe_still(still, box_words=capture.notes.box_words or "", fused=fused),
        source=next(frame.file for frame in still.frames if frame.film_position == still.film_position),
        writer=still.by,
        dated=still.dated,
        full_day=dated.full_day if dated is not None else None,
        negative=capture.notes.is_negative,
    )
