"""What lies on media: one paper for each copy of a reel's package, bag or delivery that was read back, in `media/`.

Nothing of a medium is taken on trust later: the paper says where to look and what the list there must be.
"""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.numbered import add_numbered, read_numbered

MEDIA = "media"  # folder of the papers, in the reel's folder
MEDIUM_KINDS = ("hard disk", "solid-state disk", "stick", "card", "tape", "optical disc", "server")


@dataclass(frozen=True, slots=True, kw_only=True)
class OnMedium:
    """One copy to a medium.

    `medium` and `kind` are the operator's words, `at` the moment at which the copying began, `folder` where it lay then, and
    `of` what was copied ("package", "bag", "delivery-1"). `list_sha256` is the digest of `list_name`, the list of digests that
    lies in both. `files` and `bytes` count the list's files and the lists. `equal` says whether every file read back as it is
    listed; `why` says what did not, and `doubt` what this system could not do to read the medium itself.
    """

    version: int = 1
    medium: str
    kind: str
    by: str
    at: str
    folder: str
    of: str
    list_name: str
    list_sha256: str
    files: int
    bytes: int
    equal: bool
    why: str = ""
    doubt: str = ""


def read_media(folder: Path) -> tuple[OnMedium, ...]:
    """Every copy of a reel to a medium, in order; none where none was written down."""
    return read_numbered(folder / MEDIA, OnMedium)


def add_medium(folder: Path, paper: OnMedium) -> Path:
    """Write one down."""
    return add_numbered(folder / MEDIA, paper)


def standing_copies(papers: tuple[OnMedium, ...]) -> tuple[OnMedium, ...]:
    """The last word on each folder of each medium, where it is that everything read back equal.

    Examples
    --------
    >>> first = OnMedium(medium="disk A", kind="hard disk", by="mk", at="2026-03-02T09:00:00Z", folder="/media/a", of="bag",
    ...     list_name="manifest-sha512.txt", list_sha256="0" * 64, files=3, bytes=10, equal=True)
    >>> from dataclasses import replace
    >>> len(standing_copies((first,))), len(standing_copies((first, replace(first, equal=False))))
    (1, 0)
    """
    last = {(paper.medium, paper.folder): paper for paper in papers}
    return tuple(paper for paper in last.values() if paper.equal)
