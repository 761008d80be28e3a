"""`marks.json`: frames that somebody marked to be kept as stills, in film order."""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.files import read_json

MARKS = "marks.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class StillMark:
    """A captured frame that is to be kept as a still, and who says so."""

    film_position: int
    frame: int  # in its capture
    capture: int
    by: str
    at: str  # ISO 8601
    words: str


def read_marks(folder: Path) -> tuple[StillMark, ...]:
    """The marks of a reel; none where nobody marked anything."""
    path = folder / MARKS
    return tuple(read_json(path, list[StillMark])) if path.is_file() else ()


def with_mark(marks: tuple[StillMark, ...], mark: StillMark) -> tuple[StillMark, ...]:
    """The marks with one more, in film order; it takes the place of one on the same captured frame.

    Examples
    --------
    >>> one = StillMark(film_position=7, frame=7, capture=0, by="mk", at="2026-01-17T10:00:00Z", words="grandmother laughs")
    >>> two = StillMark(film_position=3, frame=3, capture=0, by="mk", at="2026-01-17T10:01:00Z", words="")
    >>> [mark.film_position for mark in with_mark(with_mark((), one), two)]
    [3, 7]
    """
    others = without_mark(marks, capture=mark.capture, frame=mark.frame)
    return tuple(sorted((*others, mark), key=lambda each: (each.film_position, each.capture, each.frame)))


def without_mark(marks: tuple[StillMark, ...], *, capture: int, frame: int) -> tuple[StillMark, ...]:
    """The marks without that of a captured frame.

    Examples
    --------
    >>> one = StillMark(film_position=7, frame=7, capture=0, by="mk", at="2026-01-17T10:00:00Z", words="")
    >>> without_mark((one,), capture=0, frame=7), len(without_mark((one,), capture=1, frame=7))
    ((), 1)
    """
    return tuple(each for each in marks if (each.capture, each.frame) != (capture, frame))
