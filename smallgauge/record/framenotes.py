"""`frame-notes.json`: what somebody noted of single frames while they looked, in film order.

A note stays with the shop, unless whoever wrote it ticked it for the family.
"""

from dataclasses import dataclass, replace
from pathlib import Path

from smallgauge.errors import CallerError
from smallgauge.record.files import read_json

FRAME_NOTES = "frame-notes.json"
LONGEST_NOTE = 500  # characters


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameNote:
    """One note on one captured frame."""

    number: int  # never used again in this reel
    film_position: int
    frame: int  # in its capture
    capture: int
    by: str
    at: str  # ISO 8601
    words: str
    family: bool = False  # whether the report tells it to the family


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameNotes:
    """All notes of a reel; `last` is the highest number that was given."""

    last: int = 0
    notes: tuple[FrameNote, ...] = ()


def read_frame_notes(folder: Path) -> FrameNotes:
    """The notes of a reel; none where nobody noted anything."""
    path = folder / FRAME_NOTES
    return read_json(path, FrameNotes) if path.is_file() else FrameNotes()


def with_note(notes: FrameNotes, note: FrameNote) -> FrameNotes:
    """The notes with one more, which gets the next number.

    Examples
    --------
    >>> note = FrameNote(number=0, film_position=7, frame=7, capture=0, by="mk", at="2026-01-17T10:00:00Z", words=" the  dog ")
    >>> two = with_note(with_note(FrameNotes(), note), note)
    >>> [(each.number, each.words) for each in two.notes]
    [(1, 'the dog'), (2, 'the dog')]
    """
    words = " ".join(note.words.split())
    if not words or len(words) > LONGEST_NOTE:
        raise CallerError(
            f"A note needs words, at most {LONGEST_NOTE} characters, found {len(words)}; write what is to be seen there."
        )
    if not note.by.strip():
        raise CallerError(
            "A note needs the initials of who writes it; write them in the field 'Who decides'."
        )
    number = notes.last + 1
    new = replace(note, number=number, words=words, by=note.by.strip())
    order = sorted((*notes.notes, new), key=lambda each: (each.film_position, each.number))
    return FrameNotes(last=number, notes=tuple(order))


def for_family(notes: FrameNotes, number: int, *, by: str, family: bool) -> FrameNotes:
    """The notes with one that the report tells the family, or no longer; only who wrote it may say so."""
    mine = _own(notes, number, by)
    return replace(
        notes, notes=tuple(replace(n, family=family) if n.number == mine.number else n for n in notes.notes)
    )


def without_note(notes: FrameNotes, number: int, *, by: str) -> FrameNotes:
    """The notes without one; only who wrote it takes it away."""
    mine = _own(notes, number, by)
    return replace(notes, notes=tuple(each for each in notes.notes if each.number != mine.number))


def _own(notes: FrameNotes, number: int, by: str) -> FrameNote:
    found = next((each for each in notes.notes if each.number == number), None)
    if found is None:
        raise CallerError(f"This reel has no note {number}; load the page again.")
    if found.by != by.strip():
        raise CallerError(
            f"Note {number} is {found.by}'s; only who wrote a note changes it or takes it away."
        )
    return found
