"""Remarks: what a client or producer says about an approval copy or a delivery, each kept, each answered.

add_remark       what was said -> the paper with it
answer_remark    done or not done, why and by whom -> the paper with that
waiting          remarks that nobody has answered

`remarks.json` is no part of a proof: it may grow after the files were proved, and goes into the package by its own digest.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from smallgauge.errors import CallerError
from smallgauge.record.files import read_json

REMARKS = "remarks.json"
LONGEST_REMARK = 1000
COPIES = {
    "approval": "approval.mp4",
    "viewing": "viewing.mp4",
    "television": "television.mp4",
}
CopyName = Literal["approval", "viewing", "television"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a remark."""

    done: bool
    why: str
    by: str
    at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One remark. `said_place` is the place as it was given, "" for all of the reel.

    `first`, `last` are film frames (positions), -1 for all of the reel; `files` the scanner's files of these two, "" where
    none is known.
    """

    number: int
    who: str
    on: str
    how: str  # how it came: "letter", "telephone" ...
    at: str  # when it was written down
    copy: str
    said_place: str
    first: int
    last: int
    files: tuple[str, ...]
    words: str
    answers: tuple[Answer, ...] = ()

    @property
    def answer(self) -> Answer | None:
        """The answer in force: the last one."""
        return self.answers[-1] if self.answers else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarks:
    """`remarks.json`: all remarks of a reel, in the order in which they were written down."""

    version: int = 1
    remarks: tuple[Remark, ...] = ()

    @property
    def waiting(self) -> tuple[Remark, ...]:
        """Those that nobody has answered."""
        return tuple(each for each in self.remarks if each.answer is None)


def read_remarks(folder: Path) -> Remarks:
    """The remarks of a reel; none where nobody made any."""
    path = folder / REMARKS
    return read_json(path, Remarks) if path.is_file() else Remarks()


def one_line(text: str, said: str, *, most: int = 100) -> str:
    """Words in one line; CallerError where there are none or too many.

    Examples
    --------
    >>> one_line(" too  dark ", "a remark")
    'too dark'
    """
    words = " ".join(text.split())
    if not words or len(words) > most or not words.isprintable():
        raise CallerError(f"{said} needs words, at most {most} characters, found {text!r}.")
    return words


def answer_remark(remarks: Remarks, number: int, answer: Answer) -> Remarks:
    """The paper with an answer more; an earlier answer stays in it.

    Examples
    --------
    >>> remark = Remark(number=1, who="Mrs Example", on="2026-01-17", how="letter", at="2026-01-17T10:00:00Z", copy="approval.mp4",
    ...     said_place="0:06.66", first=120, last=120, files=("f120.dpx",), words="too dark")
    >>> answer = Answer(done=True, why="one point lighter", by="mk", at="2026-01-18T10:00:00Z")
    >>> answer_remark(Remarks(remarks=(remark,)), 1, answer).waiting
    ()
    """
    if number not in [each.number for each in remarks.remarks]:
        raise CallerError(
            f"There is no remark {number}; there are {len(remarks.remarks)}, `smallgauge remarks` lists them."
        )
    return replace(
        remarks,
        remarks=tuple(
            replace(each, answers=(*each.answers, answer)) if each.number == number else each
            for each in remarks.remarks
        ),
    )
