"""Removing files on a person's word: each only while it is the file that was read.

mark_file, remove_marked   what tells a file from another, and the removal that goes by it
same_volume                whether two places are of one file system
"""

import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.media.whole import sync_folder


def same_volume(first: Path, second: Path) -> bool:
    """Whether two places lie on one file system, by the number that the system gives it.

    Two parts of one disk, and one disk mounted twice in different ways, are told as two: no system says which device that is
    everywhere.

    Examples
    --------
    >>> same_volume(Path("."), Path("."))
    True
    """
    return first.stat().st_dev == second.stat().st_dev


@dataclass(frozen=True, slots=True, kw_only=True)
class FileMark:
    """What tells a file from another under the same name without reading it: volume, number, length, last change."""

    volume: int
    number: int
    size: int
    changed_ns: int


def mark_file(path: Path) -> FileMark:
    """The mark of a file as it is now; a link to one has none.

    Raises
    ------
    MaterialError
        Where it is no file of its own.

    Examples
    --------
    >>> import tempfile
    >>> sample = Path(tempfile.mkdtemp()) / "a"
    >>> _ = sample.write_bytes(b"abc")
    >>> mark_file(sample).size
    3
    """
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode):
        raise MaterialError(f"{path} must be a file of its own, found a link or a folder; look what it is.")
    return FileMark(
        volume=found.st_dev, number=found.st_ino, size=found.st_size, changed_ns=found.st_mtime_ns
    )


def remove_marked(marks: Mapping[Path, FileMark]) -> Path | None:
    """Remove these names one after another, each only while it is the file that was marked; then sync their folders.

    Gives the first name that is another file now or is gone: it and those behind it stay. None where all went. A file's bytes are
    given back with the last of its names.

    Examples
    --------
    >>> import tempfile
    >>> sample = Path(tempfile.mkdtemp()) / "a"
    >>> _ = sample.write_bytes(b"abc")
    >>> mark = mark_file(sample)
    >>> _ = sample.write_bytes(b"abcd")
    >>> remove_marked({sample: mark}) == sample, remove_marked({sample: mark_file(sample)}), sample.exists()
    (True, None, False)
    """
    changed = None
    for path, mark in marks.items():
        try:
            same = mark_file(path) == mark
        except (OSError, MaterialError):
            same = False
        if not same:
            changed = path
            break
        path.unlink()
    for folder in sorted({path.parent for path in marks}):
        if folder.is_dir():
            sync_folder(folder)
    return changed
