"""Approval copies and signatures: somebody sees a look, and signs for it. And the negative for a house that prints it itself."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from smallgauge.crew import Crew
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Line, Settings, read_track, read_treatment, refuse_held, store_decisions
from smallgauge.lock import ReelLock
from smallgauge.record.capture import Capture
from smallgauge.record.decided_colour import places_in
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.journal import Journal
from smallgauge.record.material import material_of
from smallgauge.record.signature import (
    APPROVAL_FILE,
    APPROVAL_PAPER,
    ApprovalPaper,
    Signature,
    digest_look,
)
from smallgauge.record.treatment import SIGNED, decide, treatment_of
from smallgauge.render.adx import AdxPaper, write_adx
from smallgauge.render.pick import Place, read_density


def approve_folder(folder: Path, settings: Settings) -> ApprovalPaper:
    """Make the approval copy of a reel that was analysed, from its archive copy and the decisions of today."""
    refuse_held(folder, settings.held)
    if not (folder / "reel.json").is_file():
        raise MaterialError(
            f"An approval copy needs a reel that was analysed, found no reel.json in {folder}; run `smallgauge analyse` first."
        )
    with ReelLock(folder, take_over=settings.take_over), Crew(settings.workers) as crew:
        line = Line(folder, None, Journal(folder), crew, settings)
        capture, frames = line.papers()
        return line.approve(capture, frames, line.treat(capture, frames))


def adx_folder(folder: Path, out: Path, settings: Settings, *, bits: int) -> AdxPaper:
    """Write a negative as ADX frames, from its archive copy and the decisions of today; nobody need have signed."""
    refuse_held(folder, settings.held)
    if not (folder / "reel.json").is_file():
        raise MaterialError(
            f"ADX frames need a reel that was analysed, found no reel.json in {folder}; run `smallgauge analyse` first."
        )
    with ReelLock(folder, take_over=settings.take_over), Crew(settings.workers) as crew:
        line = Line(folder, None, Journal(folder), crew, settings)
        capture, frames = line.papers()
        return write_adx(
            out,
            folder=folder,
            material=material_of(folder),
            capture=capture,
            frames=frames,
            treatment=line.treat(capture, frames),
            track=read_track(folder, capture),
            bits=bits,
            runner=crew,
            progress=settings.progress,
        )


def read_places(folder: Path, text: str) -> str:
    """An operator's words with each place of the picture turned into the densities of the film there.

    `120@0.42,0.61` is film position 120, 0.42 of the finished picture's width from its left and 0.61 of its height from its top.
    """
    return with_densities(text, lambda place: read_density(folder, read_treatment(folder), place))


def with_densities(text: str, read: Callable[[Place], tuple[float, float, float]]) -> str:
    """An operator's words with each place of the picture turned into what `read` says of it.

    Examples
    --------
    >>> with_densities("grey 120@0.42,0.61", lambda place: (0.5, 0.9, place.x))
    'grey 0.5000 0.9000 0.4200'
    """
    for written, position, x, y in places_in(text):
        density = read(Place(position=position, x=x, y=y))
        text = text.replace(written, " ".join(f"{value:.4f}" for value in density), 1)
    return text


def sign_off(
    folder: Path, *, who: str, in_room: bool, on: str, at: str, take_over: bool = False
) -> Signature:
    """Record that a person saw the look of a reel and agreed to it.

    `on` is when they signed, `at` the moment of recording it. Refused where the approval copy is not there, is not the file
    that was written, or shows another look than the decisions of today make.
    """
    if not who.strip():
        raise CallerError("A signature needs a name; give it with --who.")
    try:
        datetime.fromisoformat(on)
    except ValueError:
        raise CallerError(
            f"--at needs a day or a moment such as 2026-01-17 or 2026-01-17T10:05:00Z, found '{on}'."
        ) from None
    if not (folder / APPROVAL_PAPER).is_file():
        raise MaterialError(
            f"Nobody can sign for a picture that was not seen: no approval copy was made in {folder}; run "
            "`smallgauge approval` and show it."
        )
    with ReelLock(folder, take_over=take_over):
        journal = Journal(folder)
        for file in (APPROVAL_PAPER, APPROVAL_FILE):
            line = journal.lines.get(file)
            if line is None or not journal.holds(file, line.key):
                raise FixityError(
                    f"{file} is not the file that was written, so what was seen is not known; take it away and run "
                    "`smallgauge approval` again."
                )
        capture = read_json(folder / "capture.json", Capture)
        before = read_decisions(folder / "decisions.jsonl")
        seen = read_json(folder / APPROVAL_PAPER, ApprovalPaper)
        look = digest_look(capture, treatment_of(before))
        if seen.look != look:
            raise MaterialError(
                "The approval copy shows another look than the decisions of today make; run `smallgauge approval`, show "
                "it again, and then sign."
            )
        name = " ".join(who.split())
        value: dict[str, object] = {"who": name, "on": on, "in_room": in_room, "look": look}
        why = f"signed for what {APPROVAL_FILE} shows"
        store_decisions(
            folder, journal, before, decide(before, subject=SIGNED, value=value, by=name, at=at, why=why)
        )
    return Signature(who=name, on=on, in_room=in_room, look=look)
