"""Remarks of a client or producer: taken in by frame or time, translated to film frames, answered.

take_remarks     a list (CSV or TOML) or one remark -> `remarks.json`
answer_folder    an answer to one of them
"""

import csv
import io
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from fractions import Fraction
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.lock import ReelLock
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.material import capture_folders
from smallgauge.record.remarks import (
    COPIES,
    LONGEST_REMARK,
    REMARKS,
    Answer,
    Remark,
    Remarks,
    answer_remark,
    one_line,
    read_remarks,
)
from smallgauge.record.rendertable import COPY_COLUMNS, RENDER_COLUMNS, RenderSummary
from smallgauge.record.signature import APPROVAL_FILE, APPROVAL_PAPER, ApprovalPaper
from smallgauge.record.table import read_table

COLUMNS = ("place", "to", "copy", "words", "who", "on", "how")
MOST_LIST_BYTES = 1_000_000
_FRAME = re.compile(r"(?:frame\s*)?(\d{1,9})", re.IGNORECASE)
_TIME = re.compile(r"(?:(\d+):)?(\d+):([0-5]?\d)(?:[.,](\d{1,3}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A remark as it came: `place` and `to` are "frame 120", "120", "1:06.66" or ""; `copy` a key of COPIES."""

    place: str
    to: str = ""
    copy: str = "approval"
    words: str = ""
    who: str = ""
    on: str = ""
    how: str = ""


def read_list(path: Path) -> tuple[Said, ...]:
    """Remarks from a CSV with a line of column names, or from a TOML with [[remark]]; words that lack are ""."""
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise MaterialError(
            f"The list of remarks {path} can't be read: {error.strerror}; name the file again."
        ) from None
    except UnicodeDecodeError:
        raise MaterialError(
            f"The list of remarks {path} must be text in UTF-8; save it so and name it again."
        ) from None
    if len(data) > MOST_LIST_BYTES:
        raise MaterialError(
            f"The list of remarks {path} is larger than a list of remarks is; name another file."
        )
    rows = _toml_rows(path, text) if path.suffix.lower() == ".toml" else _csv_rows(path, text)
    strange = sorted({name for row in rows for name in row if name not in COLUMNS})
    if strange:
        raise MaterialError(
            f"{path.name} has {', '.join(strange)}; known are {', '.join(COLUMNS)}: mend the head of the list."
        )
    if not rows:
        raise MaterialError(
            f"{path.name} holds no remark; it needs a column `words`, and `place` for a frame or a time."
        )
    return tuple(Said(**{"place": "", **row}) for row in rows)


def _toml_rows(path: Path, text: str) -> list[dict[str, str]]:
    try:
        rows = tomllib.loads(text).get("remark", [])
    except (ValueError, RecursionError) as error:
        raise MaterialError(f"{path.name} must be TOML, but {error}; mend that line.") from None
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise MaterialError(f"{path.name} must hold its remarks as [[remark]]; mend it.")
    return [{name: str(value) for name, value in row.items()} for row in rows]


def _csv_rows(path: Path, text: str) -> list[dict[str, str]]:
    head = text.split("\n", 1)[0]
    rows = list(csv.reader(io.StringIO(text), delimiter=";" if head.count(";") > head.count(",") else ","))
    names = [name.strip().lower() for name in rows[0]] if rows else []
    if "words" not in names:
        raise MaterialError(
            f"{path.name} needs a first line with the names of its columns, `words` among them; add it."
        )
    out = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(names):
            raise MaterialError(
                f"{path.name}, line {number}, has {len(row)} columns, its head {len(names)}; mend that line."
            )
        out.append({name: cell.strip() for name, cell in zip(names, row, strict=True)})
    return out


def take_remarks(
    folder: Path, said: Sequence[Said], *, defaults: Mapping[str, str], at: str, take_over: bool = False
) -> Remarks:
    """Write remarks down, all of a list or none; each is translated to film frames and the scanner's files.

    `defaults` are who, on and how where the list does not say.
    """
    if not (folder / "capture.json").is_file():
        raise MaterialError(
            f"Remarks need a reel that was analysed, found no capture.json in {folder}; name the reel's folder."
        )
    with ReelLock(folder, take_over=take_over):
        before = read_remarks(folder)
        places = _Places(folder)
        added: list[Remark] = []
        for number, each in enumerate(said, start=len(before.remarks) + 1):
            each = replace(
                each,
                copy=each.copy or "approval",
                **{k: getattr(each, k) or v for k, v in defaults.items()},
            )
            added.append(_remark(places, each, number, at))
        after = replace(before, remarks=(*before.remarks, *added))
        write_json(folder / REMARKS, after)
    return after


def _remark(places: "_Places", said: Said, number: int, at: str) -> Remark:
    where = f"Remark {number}"
    if said.copy not in COPIES:
        raise CallerError(f"{where}: copy must be {', '.join(COPIES)}, found '{said.copy}'.")
    try:
        datetime.fromisoformat(said.on)
    except ValueError:
        raise CallerError(
            f"{where} needs the day on which it was said, such as 2026-01-17, found '{said.on}'."
        ) from None
    first = places.find(said.copy, said.place) if said.place else -1
    last = places.find(said.copy, said.to) if said.to else first
    if said.to and not 0 <= first <= last:
        raise CallerError(
            f"{where} goes from {said.place or 'nowhere'} to {said.to}, which is backwards; mend its place."
        )
    files = tuple(places.file(n) for n in dict.fromkeys((first, last))) if first >= 0 else ()
    return Remark(
        number=number,
        who=one_line(said.who, f"{where}: who said it"),
        on=said.on,
        how=one_line(said.how, f"{where}: how it came"),
        at=at,
        copy=COPIES[said.copy],
        said_place=f"{said.place} to {said.to}" if said.to else said.place,
        first=first,
        last=last,
        files=files,
        words=one_line(said.words, where, most=LONGEST_REMARK),
    )


class _Places:
    """Frames and times of a reel's copies as film frames."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
        self._positions: dict[str, tuple[NDArray[np.int32], Fraction]] = {}

    def find(self, copy: str, place: str) -> int:
        """The film frame of a place on a copy."""
        if match := _FRAME.fullmatch(place.strip()):
            position = int(match[1])
            if not (self.frames["film_position"] == position).any():
                raise MaterialError(
                    f"The reel has no film frame {position}; its frames are {int(self.frames['film_position'].min())} to "
                    f"{int(self.frames['film_position'].max())}, as the approval copy shows them."
                )
            return position
        match = _TIME.fullmatch(place.strip())
        if match is None:
            raise CallerError(
                f"A place is a film frame such as 120, or a time such as 1:06.66, found '{place}'."
            )
        positions, rate = self._copy(copy)
        seconds = (int(match[1] or 0) * 60 + int(match[2])) * 60 + int(match[3])
        number = frame_at(seconds, match[4] or "", rate, burnt_in=copy == "approval")
        if not 0 <= number < len(positions):
            raise MaterialError(
                f"{COPIES[copy]} ends before {place}; it has {len(positions)} frames at {rate} pictures a second."
            )
        return int(positions[number])

    def _copy(self, copy: str) -> tuple[NDArray[np.int32], Fraction]:
        """The film frame of each frame of a copy, and its rate."""
        if copy not in self._positions:
            self._positions[copy] = self._approval() if copy == "approval" else self._rendered(COPIES[copy])
        return self._positions[copy]

    def _approval(self) -> tuple[NDArray[np.int32], Fraction]:
        path = self.folder / APPROVAL_PAPER
        if not path.is_file():
            raise MaterialError(
                f"A time on the approval copy needs one, found no {APPROVAL_PAPER} in {self.folder}; give the film frame, or name "
                "the copy that was seen."
            )
        paper = read_json(path, ApprovalPaper)
        runs = [np.arange(first, stop) for first, stop in paper.positions]
        positions = np.concatenate(runs) if runs else np.zeros(0, np.int64)
        if len(positions) != paper.frames:
            raise MaterialError(
                f"{APPROVAL_FILE} was made before its frames were noted, so a time on it can't be placed; give the film frame that "
                "is burnt in beside the time."
            )
        return positions.astype(np.int32), Fraction(paper.rate)

    def _rendered(self, file: str) -> tuple[NDArray[np.int32], Fraction]:
        if not (self.folder / "render.json").is_file():
            raise MaterialError(
                f"A time on {file} needs the rendered reel, found no render.json in {self.folder}."
            )
        copies = read_json(self.folder / "render.json", RenderSummary).copies
        rate = next((copy.rate for copy in copies if copy.file == file), None)
        if rate is None:
            raise MaterialError(f"The reel has no {file}; name the copy that was seen.")
        table = read_table(self.folder / "copies.parquet", COPY_COLUMNS, "copies")
        render = read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render")
        own = table["copy"] == file
        return render["film_position"][table["finished_frame"][own]], rate

    def file(self, position: int) -> str:
        """The scanner's file of a film frame."""
        row = np.flatnonzero(self.frames["film_position"] == position)
        if not row.size:
            return ""
        number, capture = int(self.frames["frame"][row[0]]), int(self.frames["capture"][row[0]])
        folders = capture_folders(self.folder)
        below = folders[capture] if capture < len(folders) else ""
        files = read_json(self.folder / below / "capture.json", Capture).files
        return files[number].name if number < len(files) else ""


def frame_at(seconds: int, parts: str, rate: Fraction, *, burnt_in: bool) -> int:
    """The frame that a time names, from 0.

    A burnt-in time is cut off to hundredths: the frame is the last one whose own time, cut off alike, is not later.
    Elsewhere it is the frame on show at that moment; a time without parts of a second is the beginning of that second.

    Examples
    --------
    >>> frame_at(0, "05", Fraction(18), burnt_in=True), frame_at(0, "05", Fraction(18), burnt_in=False)
    (1, 0)
    """
    moment = seconds + Fraction(int(parts or 0), 10 ** len(parts))
    if not burnt_in:
        return int(moment * rate)
    hundredths = int(moment * 100)
    return ceil((hundredths + 1) * rate / 100) - 1


def answer_folder(
    folder: Path, number: int, *, done: bool, why: str, by: str, at: str, take_over: bool = False
) -> Remarks:
    """Write down what came of a remark."""
    answer = Answer(
        done=done,
        why=one_line(why, "An answer: why", most=LONGEST_REMARK),
        by=one_line(by, "An answer: by whom"),
        at=at,
    )
    with ReelLock(folder, take_over=take_over):
        after = answer_remark(read_remarks(folder), number, answer)
        write_json(folder / REMARKS, after)
    return after
