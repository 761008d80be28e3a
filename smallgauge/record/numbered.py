"""A list of papers that only grows: one numbered file a paper, each with the digest of the one before.

add_numbered    the next paper, under the next number
read_numbered   all of them, held against one another

A file is made whole and exclusively, so two commands at once each get a number of their own, and a power cut leaves no torn
paper. A paper that was altered or taken away is found by the one behind it; the last ones, cut off, are found only by whoever
noted their digests, as the shop's book does.
"""

import hashlib
import json
from pathlib import Path
from typing import TypeVar

from smallgauge.errors import FixityError
from smallgauge.media.whole import make_lock
from smallgauge.record.files import read_json, to_plain

Paper = TypeVar("Paper")
FIRST = "0" * 64  # stands for the digest of the paper before the first


def numbered_name(number: int) -> str:
    """The name of a paper's file.

    Examples
    --------
    >>> numbered_name(7)
    '0007.json'
    """
    return f"{number:04d}.json"


def read_numbered(folder: Path, kind: type[Paper]) -> tuple[Paper, ...]:
    """Every paper of a list, in order; none where there is no folder.

    Raises
    ------
    FixityError
        Where a paper was altered, taken away or put in.
    """
    papers, _ = _read(folder, kind)
    return papers


def _read(folder: Path, kind: type[Paper]) -> tuple[tuple[Paper, ...], str]:
    """The papers, and the digest of the last one."""
    papers: list[Paper] = []
    before = FIRST
    for number, path in enumerate(sorted(folder.glob("[0-9]*.json")), start=1):
        raw = path.read_bytes()
        try:
            said = json.loads(raw)["before"]
        except (ValueError, TypeError, KeyError, RecursionError):
            said = ""
        if path.name != numbered_name(number) or said != before:
            raise FixityError(
                f"Each paper in {folder} must follow the one before it, and {path.name} does not: one was altered, taken away or "
                "put in; bring the folder back from another copy of the reel."
            )
        papers.append(read_json(path, kind))
        before = hashlib.sha256(raw).hexdigest()
    return tuple(papers), before


def add_numbered(folder: Path, paper: object) -> Path:
    """Add a paper behind the last one, and give its file."""
    folder.mkdir(exist_ok=True)
    while True:
        papers, before = _read(folder, type(paper))
        path = folder / numbered_name(len(papers) + 1)
        text = json.dumps(
            {"before": before, **to_plain(paper)}, indent=1, ensure_ascii=False, allow_nan=False
        )
        if make_lock(path, f"{text}\n".encode()):
            return path
