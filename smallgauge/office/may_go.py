"""What may go of the reels on a shelf, with the bytes that the disk gets back, and why the rest stays.

list_items      the shelf's reels -> what may go of each, and what stays for which reason
items_of        the same of one reel's folder

A reel with an open finding, a hold, or film that has not gone back is never on the list: `reel_reasons` says what these are.
Nothing is removed here: `let_go.py` does that, on a person's word.
"""

import contextlib
import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from smallgauge.analyse.source import open_source
from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.lock import held_by
from smallgauge.media.whole import plain_size
from smallgauge.office.book import Book
from smallgauge.office.catch_up import copies_known, reels_on, shop_numbers
from smallgauge.office.keeping import book_reasons, files_reasons, finished_reasons, job_captures
from smallgauge.office.open_reel import not_equal, reel_reasons, second_copy
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.material import capture_folders
from smallgauge.record.onmedia import MEDIA, OnMedium
from smallgauge.record.package import BAG_SUMS, FAMILY_SUMS, read_sums
from smallgauge.record.recipe import FINISHED as FINISHED_RECIPE
from smallgauge.record.released import (
    EVERYTHING,
    FINISHED,
    FRAMES,
    RELEASED,
    WORK,
    Release,
    interrupted,
    names_let_go,
    read_released,
)
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.shop import Shop

_PAPERS_OF_COPIES = ("capture.json", "reel.json", "package.json", BAG_SUMS, FAMILY_SUMS)
_KEPT_OF_WORK = ("work/journal.jsonl", "work/lock")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a list is made from: `captures` are places of captures by their identity, `copies_at` where media lie now."""

    shelf: Path
    book: Book | None
    today: str
    shop: Shop
    captures: dict[str, Path] = field(default_factory=dict)
    # A capture's identity -> folder of each reel that has papers of it -> the capture's digest there.
    made_of: dict[str, dict[str, str]] = field(default_factory=dict)
    copies_at: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Something that may go, or stays: `against` holds the reasons why it stays, `because` why it may go.

    `names` are files below the reel's folder, or whole paths; `bytes` their lengths together and `freed` what the disk gets back.
    `of` is the folder of the capture's papers. `begun` is the number of the paper of a removal that was interrupted, whose files
    that are gone already `went` counts.
    """

    reel: str
    folder: Path
    what: str
    of: str = ""
    names: tuple[str, ...] = ()
    bytes: int = 0
    freed: int = 0
    because: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    copy: tuple[Path, OnMedium] | None = None
    wanted: dict[str, str] = field(default_factory=dict)  # of captured frames: digests as received
    begun: int = 0
    went: int = 0

    @property
    def may_go(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.against


def captures_at_hand(places: Iterable[Path]) -> dict[str, Path]:
    """Captures by their identity: each place is one, or a folder of some; one whose frames went already is none.

    Raises
    ------
    CallerError
        Where there is nothing at a place.
    """
    found: dict[str, Path] = {}
    for place in places:
        if not place.exists():
            raise CallerError(f"--capture needs a capture or a folder of captures, found nothing at {place}.")
        inside = _identities(place) or (
            [pair for each in sorted(place.iterdir()) for pair in _identities(each)] if place.is_dir() else []
        )
        found |= dict(inside)
    return found


def _identities(place: Path) -> list[tuple[str, Path]]:
    try:
        source = open_source(place)
        return [(source.identity, source.listing.root.resolve())]
    except (SmallgaugeError, OSError):
        return []


def known_captures(book: Book | None, shelf: Path) -> dict[str, Path]:
    """Captures that the shelf's queue took in and that lie where they lay."""
    if book is None:
        return {}
    with book.read() as session:
        places = job_captures(session, str(shelf))
    return dict(pair for place in places if Path(place).exists() for pair in _identities(Path(place)))


def list_items(asked: Asked, reels: tuple[str, ...] = ()) -> tuple[Item, ...]:
    """What may go and what stays of the reels that are named by their folders, or of all on the shelf."""
    folders = {path.name: path for path in reels_on(asked.shelf)}
    folders |= {p.parent.name: p.parent for p in asked.shelf.glob(f"*/{RELEASED}") if _has_begun(p.parent)}
    unknown = sorted(set(reels) - set(folders))
    if unknown:
        raise CallerError(
            f"Reels are named by their folders on the shelf, and {', '.join(unknown)} is none on {asked.shelf}; read "
            "the name again."
        )
    wanted = sorted(reels or folders)
    return tuple(item for name in wanted for item in items_of(folders[name], asked))


def _has_begun(folder: Path) -> bool:
    try:
        return bool(interrupted(read_released(folder)))
    except SmallgaugeError:
        return True  # shown with what is wrong


def items_of(folder: Path, asked: Asked, *, locked: bool = False) -> tuple[Item, ...]:
    """What may go and what stays of one reel; `locked` says that the caller holds the reel's lock."""
    try:
        begun = interrupted(read_released(folder))
        if not begun and "capture.json" in names_let_go(folder) and not (folder / "capture.json").exists():
            return ()  # all of it went
        numbers = tuple(dict.fromkeys(n for _, paper in begun for n in paper.reels)) or shop_numbers(folder)
        shared = [*_running(folder, locked), *_asked_of_book(asked, folder, numbers)]
        whole = next(((n, paper) for n, paper in begun if paper.what == EVERYTHING), None)
        if whole is not None:  # its papers may be gone: what they said stands in the paper that began
            return (_everything(folder, asked, numbers, shared, whole),)
        open_ = reel_reasons(folder)
        return tuple(
            item
            for item in (
                *_frames(folder, asked, [*shared, *open_], begun),
                _work(folder, [*shared, *open_], begun),
                _finished(folder, asked, numbers, [*shared, *open_], begun),
                _everything(folder, asked, numbers, [*shared, *open_], None),
            )
            if item is not None
        )
    except (SmallgaugeError, OSError) as error:
        return (Item(reel=folder.name, folder=folder, what=EVERYTHING, against=(str(error),)),)


def _running(folder: Path, locked: bool) -> list[str]:
    by = None if locked else held_by(folder)
    return [f"it is being worked on ({by})"] if by else []


def _asked_of_book(asked: Asked, folder: Path, numbers: tuple[str, ...]) -> list[str]:
    if asked.book is None:
        return []
    with asked.book.read() as session:
        return book_reasons(session, numbers, shelf=str(asked.shelf), folder=folder.name)


def reels_of_captures(shelf: Path) -> dict[str, dict[str, str]]:
    """Which folders on the shelf have papers of each capture, by its identity, with the capture's digest there ("" where it was
    not measured to its end); a paper that can't be read is passed by.
    """
    found: dict[str, dict[str, str]] = {}
    for paper in (*shelf.glob("*/capture.json"), *shelf.glob("*/captures/*/capture.json")):
        with contextlib.suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
            document = json.loads(paper.read_bytes())
            name = paper.relative_to(shelf).parts[0]
            found.setdefault(document["identity"], {})[name] = document["digest"]
    return found


def _used_elsewhere(folder: Path, asked: Asked, capture: Capture) -> list[str]:
    """Other reels of the same captured frames that still need them, or that are held, in work, or whose film is here.

    One that was measured to its end has an archive copy of its own, and a reel that was joined has those of its captures.
    """
    found = []
    for name, digest in sorted(asked.made_of.get(capture.identity, {}).items()):
        other = asked.shelf / name
        if name == folder.name:
            continue
        why = [*_running(other, False), *_asked_of_book(asked, other, shop_numbers(other))]
        if digest != capture.digest:
            why.append("its measuring is another one, or was not ended")
        found += [f"{name} is made of the same captured frames, and {each}" for each in why]
    return found


def _frames(
    folder: Path, asked: Asked, shared: list[str], begun: tuple[tuple[int, Release], ...]
) -> Iterator[Item]:
    """The captured frames of each capture of a reel that is at hand."""
    for of in capture_folders(folder):
        capture = read_json(folder / of / "capture.json", Capture)
        number, paper = next(((n, p) for n, p in begun if (p.what, p.of) == (FRAMES, of)), (0, None))
        place = asked.captures.get(capture.identity)
        if paper is not None:
            files = tuple(file.name for file in paper.files)
            place = folder / files[0]
            place = next(each for each in place.parents if each.is_dir())
        elif place is not None:
            files = tuple(dict.fromkeys(str(place / file.name) for file in capture.files))
        else:
            continue
        others = _used_elsewhere(folder, asked, capture)
        if paper is None and (inside := _copy_around(place)):
            others.append(f"{place} is no capture but lies in {inside}, which is a copy of one")
        against = [*shared, *not_equal(folder, of, capture), *others]
        copy, reasons = second_copy(folder, place, asked.copies_at, _copies_known(asked, folder))
        wanted = {str(place / file.name): file.file_sha256 for file in capture.files}
        because = ["the archive copy was proven equal, frame by frame"]
        if copy is not None:
            at, medium = copy
            because.append(
                f"a second copy lies on {medium.medium} ({medium.kind}, {at}), read back {medium.at[:10]} by {medium.by}; "
                f"all of it is read back once more before anything goes{'. ' + medium.doubt if medium.doubt else ''}"
            )
        yield _item(
            folder,
            FRAMES,
            files,
            of=of,
            copy=copy,
            because=because,
            against=[*against, *reasons],
            begun=number,
            wanted=wanted,
        )


def _copies_known(asked: Asked, folder: Path) -> frozenset[int] | None:
    if asked.book is None:
        return None
    with asked.book.read() as session:
        return copies_known(session, folder, shop_numbers(folder))


def _copy_around(place: Path) -> str:
    """The reel's folder, package, bag or delivery that a place lies in; empty where it lies in none.

    An archive copy of single files has the names and bytes of its capture: only where it lies tells the two apart.
    """
    around = (
        each for each in (place, *place.parents) if any((each / name).is_file() for name in _PAPERS_OF_COPIES)
    )
    return str(next(around, ""))


def _work(folder: Path, shared: list[str], begun: tuple[tuple[int, Release], ...]) -> Item | None:
    """Proxies, segments and rows: made again where they are wanted."""
    number, paper = next(((n, p) for n, p in begun if p.what == WORK), (0, None))
    names = tuple(file.name for file in paper.files) if paper is not None else _work_files(folder)
    if not names:
        return None
    because = ["proxies and segments are made again where they are wanted; nothing runs"]
    return _item(folder, WORK, names, because=because, against=shared, begun=number)


def _work_files(folder: Path) -> tuple[str, ...]:
    return tuple(name for name in _files(folder, "work") if not name.startswith(_KEPT_OF_WORK))


def _files(folder: Path, below: str = "") -> tuple[str, ...]:
    """Every file below a folder, by name; links are left out."""
    return tuple(
        sorted(
            path.relative_to(folder).as_posix()
            for path in (folder / below).rglob("*")
            if path.is_file() and not path.is_symlink()
        )
    )


def _finished(
    folder: Path,
    asked: Asked,
    numbers: tuple[str, ...],
    shared: list[str],
    begun: tuple[tuple[int, Release], ...],
) -> Item | None:
    """The finished film, and copies, that lie in no package, bag or delivery."""
    number, paper = next(((n, p) for n, p in begun if p.what == FINISHED), (0, None))
    names = tuple(file.name for file in paper.files) if paper is not None else _finished_files(folder)
    if not names:
        return None
    against = finished_reasons(asked.book, numbers, folder=folder, shop=asked.shop, today=asked.today)
    because = ["the client accepted what was delivered, and these were not ordered"]
    return _item(folder, FINISHED, names, because=because, against=[*shared, *against], begun=number)


def _finished_files(folder: Path) -> tuple[str, ...]:
    """Finished files that nobody ordered: those that were not handed out under any name."""
    if not (folder / "render.json").is_file() or not (folder / "proof.json").is_file():
        return ()
    copies = read_json(folder / "render.json", RenderSummary).copies
    digests = {file.name: file.sha256 for file in read_json(folder / "proof.json", Proof).files}
    ordered = _handed_out(folder)
    names = (FINISHED_RECIPE.file, *(copy.file for copy in copies))
    return tuple(
        name
        for name in names
        if (folder / name).is_file()
        and digests.get(name) not in ordered
        and not (folder / "bag" / "data" / name).exists()
    )


def _handed_out(folder: Path) -> set[str]:
    """SHA-256 of every file in the package and in deliveries that were handed over."""
    found: set[str] = set()
    for path in (folder / "package" / "SHA256SUMS", *folder.glob("delivery-*/SHA256SUMS")):
        if path.is_file():
            text = path.read_bytes().decode(errors="replace")
            found |= {line[1] for line in read_sums(text, path.name) if line is not None}
    return found


def _everything(
    folder: Path,
    asked: Asked,
    numbers: tuple[str, ...],
    shared: list[str],
    begun: tuple[int, Release] | None,
) -> Item:
    """All of a reel but the papers of what was let go and of what lies on media."""
    number, paper = begun if begun is not None else (0, None)
    if paper is not None:
        names = tuple(file.name for file in paper.files)
    else:
        names = tuple(
            name for name in _files(folder) if not name.startswith((f"{RELEASED}/", f"{MEDIA}/", "work/lock"))
        )
        names += _captured_files(folder, asked)
    against = files_reasons(asked.book, numbers, folder=folder, shop=asked.shop, today=asked.today)
    because = [
        "the day until which files are kept has passed, and the client was told; copies on media are not among these, nor are "
        "captured files that are not at hand"
    ]
    return _item(folder, EVERYTHING, names, because=because, against=[*shared, *against], begun=number)


def _captured_files(folder: Path, asked: Asked) -> tuple[str, ...]:
    """Captured files at hand, sound and the lamp's pictures too."""
    names: list[str] = []
    for of in capture_folders(folder):
        capture = read_json(folder / of / "capture.json", Capture)
        place = asked.captures.get(capture.identity)
        if place is not None and not _copy_around(place):
            beside = (capture.sound, capture.guide, capture.open_gate, capture.dark)
            files = [
                *(file.name for file in capture.files),
                *(each.name for each in beside if each is not None),
            ]
            names += [str(place / name) for name in files if (place / name).is_file()]
    return tuple(dict.fromkeys(names))


def _item(
    folder: Path,
    what: str,
    names: tuple[str, ...],
    *,
    because: list[str],
    against: list[str],
    of: str = "",
    copy: tuple[Path, OnMedium] | None = None,
    begun: int = 0,
    wanted: dict[str, str] | None = None,
) -> Item:
    there = [name for name in names if (folder / name).is_file() and not (folder / name).is_symlink()]
    lacking = len(names) - len(there)
    if lacking and not begun:
        against = [*against, f"{lacking} of {len(names)} files are not there"]
    return Item(
        reel=folder.name,
        folder=folder,
        what=what,
        of=of,
        names=tuple(there),
        bytes=sum((folder / name).stat().st_size for name in there),
        freed=freed_bytes(folder / name for name in there),
        because=tuple(because),
        against=tuple(dict.fromkeys(against)),
        copy=copy,
        wanted=wanted or {},
        begun=begun,
        went=lacking if begun else 0,
    )


def freed_bytes(paths: Iterable[Path]) -> int:
    """Bytes that the disk gets back when these names go: those of a file only where all of its names are among them."""
    sizes: dict[tuple[int, int], int] = {}
    links: dict[tuple[int, int], int] = {}
    named: Counter[tuple[int, int]] = Counter()
    for path in set(paths):
        found = path.stat()
        key = (found.st_dev, found.st_ino)
        sizes[key], links[key] = found.st_size, found.st_nlink
        named[key] += 1
    return sum(size for key, size in sizes.items() if named[key] >= links[key])


def item_words(item: Item) -> str:
    """One line of the list."""
    head = f"{item.reel}  {item.what}{f' of {item.of}' if item.of else ''}"
    if item.begun:
        left = len(item.names)
        head += f" (a removal was interrupted: {item.went} files are gone, {left} are left; give it again and it goes on)"
    if not item.may_go:
        return f"{head}: stays: {'; '.join(item.against)}"
    second = (
        f", {plain_size(item.bytes - item.freed)} stay under second names" if item.freed < item.bytes else ""
    )
    return f"{head}: {item.freed / 1e9:.3f} GB, {len(item.names)} files{second}: {'; '.join(item.because)}"
