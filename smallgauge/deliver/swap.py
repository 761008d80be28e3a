"""A folder that is handed out: built whole beside the one before, whose place it then takes.

building   reel folder, name, list -> the folder to fill; afterwards it stands under its name, its list beside it
fill       parts of a reel -> linked or copied into that folder, read again: their digests

Nothing is ever deleted but files that an earlier list names: a file that somebody put there is a refusal.
"""

import contextlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from smallgauge.errors import FixityError, MaterialError
from smallgauge.media.whole import digests_file, link_or_copy
from smallgauge.record.files import read_json, write_json
from smallgauge.record.order import ORDER_PAPER
from smallgauge.record.package import PackageList, PackagePart
from smallgauge.record.work import Progress

# Papers of the delivery itself: made when the proof is done, so that it can't speak of them.
MADE_HERE = (
    "start-here.html",
    "report.html",
    "report.pdf",
    "read-me-first.txt",
    "reels.csv",
    "remarks.json",
    "delivery.json",
    "stills/contact-sheet.jpg",
    ORDER_PAPER,
)


@contextlib.contextmanager
def building(folder: Path, name: str, listed: PackageList) -> Iterator[Path]:
    """Give the folder to fill; when the block ends well it stands as `name` in `folder`, with `name.json` beside it.

    Raises
    ------
    MaterialError
        Where a file that is not ours lies in the folder that stands there, or in the one to fill.
    """
    swap = _Swap(folder, name)
    swap.recover()
    ours = _places(swap.list)
    _refuse_strangers(swap.done, ours)
    swap.part.mkdir(exist_ok=True)
    _empty(swap.part, _places(swap.part_list))
    write_json(swap.part_list, listed)
    yield swap.part
    if swap.done.exists():
        swap.done.rename(swap.old)
    swap.part.rename(swap.done)
    _remove(swap.old, ours)
    swap.part_list.replace(swap.list)


def fill(
    folder: Path,
    target: Path,
    parts: Iterable[PackagePart],
    proved: dict[str, str],
    progress: Progress,
    *,
    kind: str = "sha256",
) -> dict[str, str]:
    """Link or copy every part that is a file of the reel into `target`, and read it again: place -> digest.

    `kind` is that of the digests, by `hashlib`'s name.

    Raises
    ------
    FixityError
        Where a file is not the file that the proof speaks of.
    """
    wanted = [part for part in parts if part.of]
    sums = {}
    for number, part in enumerate(wanted):
        progress("files packed", number, len(wanted))
        place = target / part.place
        place.parent.mkdir(parents=True, exist_ok=True)
        link_or_copy(folder / part.of, place)
        digests = digests_file(place, tuple({"sha256", kind}), from_medium=True)
        known, found = proved.get(part.of), digests["sha256"]
        if known is not None and known != found and part.of not in MADE_HERE:
            raise FixityError(
                f"{part.of} must be the file that was proved (SHA-256 {known[:12]}...), found {found[:12]}... in {folder}; "
                "nothing was packed: run `smallgauge prove` and read what it says."
            )
        sums[part.place] = digests[kind]
    progress("files packed", len(wanted), len(wanted))
    return sums


class _Swap:
    """The names of the folder that stands, the one that is built, the one that is left, and their lists."""

    def __init__(self, folder: Path, name: str) -> None:
        self.done, self.part, self.old = folder / name, folder / f"{name}.part", folder / f"{name}.old"
        self.list, self.part_list = folder / f"{name}.json", folder / f"{name}.part.json"

    def recover(self) -> None:
        """Finish or undo what a power cut left between the three renames of `building`."""
        # The folder to fill is emptied but never removed while a list of it stands, so that "a list and no
        # folder" can only mean that it has become the folder that stands.
        if self.old.exists() and not self.done.exists():
            self.old.rename(self.done)  # cut before the new one took its place: the old one stands again
        elif self.old.exists():
            _remove(self.old, _places(self.list))
        if self.part_list.exists() and not self.part.exists():
            self.part_list.replace(self.list)  # cut after the new one took its place


def _places(path: Path) -> frozenset[str]:
    """The files that a list calls ours, its sums included; none where there is no list."""
    if not path.is_file():
        return frozenset()
    listed = read_json(path, PackageList)
    return frozenset([*(part.place for part in listed.parts), listed.manifest])


def _strangers(folder: Path, ours: frozenset[str]) -> Iterator[str]:
    """Files and empty folders that no list of ours names."""
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_dir() and not path.is_symlink():
            if not any(place.startswith(f"{name}/") for place in ours):
                yield name + "/"
        elif name.removesuffix(".part") not in ours:
            yield name


def _refuse_strangers(folder: Path, ours: frozenset[str]) -> None:
    strangers = list(_strangers(folder, ours)) if folder.exists() else []
    if strangers:
        raise MaterialError(
            f"{folder} must hold only what this program put there, found {', '.join(strangers[:5])}"
            f"{f' and {len(strangers) - 5} more' if len(strangers) > 5 else ''}; move that away and run deliver again."
        )


def _empty(folder: Path, ours: frozenset[str]) -> None:
    """Delete our own files and folders below a folder; anything else there is a refusal, before the first."""
    _refuse_strangers(folder, ours)
    for path in sorted(folder.rglob("*"), reverse=True):
        if path.is_dir() and not path.is_symlink():
            path.rmdir()
        else:
            path.unlink()


def _remove(folder: Path, ours: frozenset[str]) -> None:
    if folder.exists():
        _empty(folder, ours)
        folder.rmdir()
