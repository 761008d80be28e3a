"""A package with one file that FAT32 does not take whole: sparse, its marks at both ends and on the limit."""

import hashlib
from pathlib import Path

from smallgauge.media.whole import FAT_LARGEST

LARGE = "For later/archive.mkv"
SIZE = 2**32 + 12_345


def large_package(folder: Path) -> str:
    """Make it; the file's SHA-256."""
    path = folder / LARGE
    path.parent.mkdir(parents=True)
    with path.open("wb") as file:
        file.truncate(SIZE)
        for at, mark in ((0, b"head"), (FAT_LARGEST - 2, b"on the limit"), (SIZE - 4, b"tail")):
            file.seek(at)
            file.write(mark)
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 22):
            digest.update(block)
    (folder / "SHA256SUMS").write_text(f"{digest.hexdigest()}  {LARGE}\n")
    return digest.hexdigest()
