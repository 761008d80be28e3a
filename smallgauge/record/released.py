"""What was let go of a reel: one paper when a removal began, with every file and its digest, and one when it ended.

The papers lie in `released/` in the reel's folder and are only ever added. A removal that was interrupted is one that began and
did not end: its paper names the files, so whatever is still there is known.
"""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.numbered import add_numbered, read_numbered

RELEASED = "released"  # folder of the papers, in the reel's folder
FRAMES, WORK, FINISHED, EVERYTHING = "frames", "work", "finished", "everything"
KINDS = (FRAMES, WORK, FINISHED, EVERYTHING)
BEGUN, ENDED = "begun", "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """One file that goes: `name` is below the reel's folder, or a whole path where the file lies elsewhere."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Release:
    """One removal, as it began or as it ended.

    `reels` are the shop numbers, `of` the folder of the capture's papers below the reel's folder where captured frames go,
    `because` why it was allowed, `freed` the bytes that the disk gets back (a file goes with the last of its names). A paper of an
    end names the paper of the beginning, `begun`, and no files.
    """

    version: int = 1
    state: str
    what: str
    of: str = ""
    reels: tuple[str, ...] = ()
    who: str
    why: str
    at: str
    because: tuple[str, ...] = ()
    capture_digest: str = ""
    freed: int = 0
    begun: int = 0
    files: tuple[Gone, ...] = ()


def read_released(folder: Path) -> tuple[Release, ...]:
    """Every paper of a reel, in order; the first has number 1."""
    return read_numbered(folder / RELEASED, Release)


def add_release(folder: Path, paper: Release) -> Path:
    """Write one down."""
    return add_numbered(folder / RELEASED, paper)


def interrupted(papers: tuple[Release, ...]) -> tuple[tuple[int, Release], ...]:
    """Removals that began and did not end, with their numbers.

    Examples
    --------
    >>> begun = Release(state=BEGUN, what=WORK, who="mk", why="room", at="2026-03-02T09:00:00Z")
    >>> ended = Release(state=ENDED, what=WORK, who="mk", why="room", at="2026-03-02T09:01:00Z", begun=1)
    >>> len(interrupted((begun,))), len(interrupted((begun, ended)))
    (1, 0)
    """
    ended = {paper.begun for paper in papers if paper.state == ENDED}
    numbered = enumerate(papers, start=1)
    return tuple((n, paper) for n, paper in numbered if paper.state == BEGUN and n not in ended)


def names_let_go(folder: Path) -> frozenset[str]:
    """Names below a reel's folder of all files that were let go, or whose removal began."""
    return frozenset(file.name for paper in read_released(folder) for file in paper.files)
