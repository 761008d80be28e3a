"""The package for an archive: a bag of the reel's files with a SHA-512 manifest, catalogue record and events.

bag_parts   a reel's papers -> which of its files go into the bag, all below `data/` under their own names
build_bag   makes `bag/` in the reel's folder, by hard link or copy, whole or not at all

The files keep the names that they have in the reel's folder, so that `smallgauge prove` reads `bag/data` as it
reads that folder, years later and without anything else.
"""

import hashlib
import json
import re
from pathlib import Path

from smallgauge import __version__
from smallgauge.deliver.condition import condition_record
from smallgauge.deliver.events import event_list
from smallgauge.deliver.film_names import ordered_copies
from smallgauge.deliver.kept import archive_files
from smallgauge.deliver.package import LATER_NEEDED, LATER_TABLES
from smallgauge.deliver.papers import Papers, asked_photographs, before_files, read_papers, still_places
from smallgauge.deliver.pbcore import pbcore_record
from smallgauge.deliver.swap import building, fill
from smallgauge.errors import MaterialError
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.archive import frames_there
from smallgauge.record.finding import Finding
from smallgauge.record.keptstills import SHEET, STILLS_PAPER
from smallgauge.record.ordered import list_of_frames
from smallgauge.record.package import BAG_SUMS, BAG_TAG_SUMS, PackageList, PackagePart, sums_text
from smallgauge.record.work import Progress, silent

BAG = "bag"
TAG_FILES = ("bagit.txt", "bag-info.txt")
_RECORDS = ("pbcore.xml", "condition.xml", "events.json")
_TABLES = (*LATER_TABLES, "render.json", "report.html", "report.pdf", "reels.csv", "stills/contact-sheet.jpg")
# Short names of letters, digits, full stop, hyphen and underscore (source: NARA names)
# of 25 characters at most with the ending, each unique without regard to capitals.
LONGEST_NAME = 25
_PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def bag_parts(papers: Papers) -> tuple[PackagePart, ...]:
    """Which files of the reel the bag holds; a needed file is listed even where it is missing."""
    folder = papers.folder
    names = [name for name in LATER_NEEDED if name != "viewing.mp4"]
    names += [name for name in ("viewing.mp4", *_TABLES) if (folder / name).is_file()]
    for copy in ordered_copies(papers):
        names += [copy.of, *([list_of_frames(copy.of)] if copy.of.endswith(".mov") else [])]
    names += [f"stills/{still.path.name}" for still in still_places(folder)]
    names += before_files(folder)
    names += [file.name for still in asked_photographs(folder) for file in still.files]
    names += [name for name in (SHEET, STILLS_PAPER) if (folder / name).is_file()]
    names += [path.relative_to(folder).as_posix() for path in sorted((folder / "looks").glob("*.clf"))]
    names += archive_files(folder)
    return tuple(PackagePart(place=f"data/{name}", of=name) for name in sorted(set(names)))


def names_to_mend(parts: tuple[PackagePart, ...]) -> tuple[str, ...]:
    """Names in the bag that an archive's rules would not take: too long, or with signs in them.

    Examples
    --------
    >>> places = ("data/archive.mkv", "data/captures/garden run 1/frame.dpx", "data/a-name-that-is-much-too-long.mkv")
    >>> names_to_mend(tuple(PackagePart(place=place, of="x") for place in places))
    ('a-name-that-is-much-too-long.mkv', 'garden run 1')
    """
    words = {word for part in parts for word in part.place.split("/")}
    return tuple(sorted(w for w in words if len(w) > LONGEST_NAME or not _PLAIN_NAME.fullmatch(w)))


def build_bag(folder: Path, *, at: str, progress: Progress = silent) -> tuple[Finding, ...]:
    """Make `bag/` in a reel's folder, with its list `bag.json` beside it.

    Parameters
    ----------
    folder : Path
        The reel's folder, proved and delivered.
    at : str
        The moment of packing, ISO 8601.
    progress : Progress
        Told how many files were linked and read again.

    Returns
    -------
    tuple of Finding
        What an archive should know: no condition record, names that its rules may not take.

    Raises
    ------
    MaterialError
        Where a needed file is missing, or a file that is not ours lies in the bag.
    FixityError
        Where a file is not the file that the proof speaks of.

    Notes
    -----
    Source: BagIt 1.0, RFC 8493 (SHA-512 is what it recommends for new bags).
    """
    papers = read_papers(folder)
    parts = bag_parts(papers)
    missing = [part.of for part in parts if not (folder / part.of).is_file()]
    if missing or papers.proof is None:
        raise MaterialError(
            f"A bag needs a proved reel with {', '.join(missing) or 'its proof'}, not found in {folder}; "
            "run `smallgauge finish` on the capture first."
        )
    records = _records(papers, parts)
    made = [PackagePart(place=f"data/{name}", of="") for name in records]
    tags = [PackagePart(place=name, of="") for name in (*TAG_FILES, BAG_TAG_SUMS)]
    listed = PackageList(reel=papers.reel.number, manifest=BAG_SUMS, parts=(*parts, *made, *tags))
    proved = {file.name: file.sha256 for file in papers.proof.files} | frames_there(folder)
    with building(folder, BAG, listed) as bag:
        sums = fill(folder, bag, parts, proved, progress, kind="sha512")
        for name, data in records.items():
            write_whole_bytes(bag / "data" / name, data)
            sums[f"data/{name}"] = hashlib.sha512(data).hexdigest()
        size = sum((bag / place).stat().st_size for place in sums)
        _write_tags(bag, papers, sums, oxum=f"{size}.{len(sums)}", day=at[:10])
    found = []
    if "condition.xml" not in records:
        found.append(Finding(code="no condition record", where=BAG))
    if long := names_to_mend((*parts, *made)):
        found.append(Finding(code="names for an archive", where=BAG, values={"names": list(long)}))
    return tuple(found)


def _records(papers: Papers, parts: tuple[PackagePart, ...]) -> dict[str, bytes]:
    """The catalogue record, the condition record where there is one, and the events."""
    films = [papers.folder / part.of for part in parts if part.of.endswith((".mkv", ".mp4", ".mov", ".wav"))]
    condition = condition_record(papers)
    events = json.dumps(event_list(papers), indent=1, ensure_ascii=False)
    texts = dict(zip(_RECORDS, (pbcore_record(papers, films), condition, f"{events}\n"), strict=True))
    return {name: text.encode() for name, text in texts.items() if text is not None}


def _write_tags(bag: Path, papers: Papers, sums: dict[str, str], *, oxum: str, day: str) -> None:
    """The bag's declaration, information and manifests."""
    info = (
        f"Bagging-Date: {day}",
        f"Bag-Software-Agent: smallgauge {__version__}",
        f"External-Identifier: {papers.reel.number}",
        f"External-Description: {' '.join(papers.title.split())}",
        f"Payload-Oxum: {oxum}",
    )
    tags = {
        "bagit.txt": "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "bag-info.txt": "\n".join(info) + "\n",
        BAG_SUMS: sums_text(dict(sorted(sums.items())), BAG_SUMS),
    }
    for name, text in tags.items():
        write_whole_bytes(bag / name, text.encode())
    digests = {name: hashlib.sha512(text.encode()).hexdigest() for name, text in sorted(tags.items())}
    write_whole_bytes(bag / BAG_TAG_SUMS, sums_text(digests, BAG_TAG_SUMS).encode())
