"""The package: what is handed out, in folders that a family understands, with a list of digests.

plan_parts      the papers of a reel -> which of its files goes where in the package
build_package   makes `package/` by hard link or copy, writes SHA256SUMS and `package.json`

`swap.py` builds it whole beside the one before, whose place it then takes.
"""

import csv
import io
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from smallgauge.deliver.film_names import (
    LATER,
    PICTURES,
    WATCH,
    film_file_name,
    ordered_copies,
    smooth_file_name,
)
from smallgauge.deliver.kept import archive_files, is_master
from smallgauge.deliver.papers import Papers, asked_photographs, before_files, read_papers, still_places
from smallgauge.deliver.phrases import gauge_words, number_words, running_words
from smallgauge.deliver.readme import read_me_text
from smallgauge.deliver.swap import building, fill
from smallgauge.errors import MaterialError
from smallgauge.gauge.rates import feet_from_frames, metres_from_frames
from smallgauge.media.whole import safe_file_name, write_whole_bytes
from smallgauge.record.archive import frames_there
from smallgauge.record.cells import text_cell
from smallgauge.record.deliveries import CHANGES
from smallgauge.record.files import write_text
from smallgauge.record.keptstills import SHEET, STILLS_PAPER
from smallgauge.record.order import ORDER_PAPER
from smallgauge.record.ordered import list_of_frames
from smallgauge.record.package import PackageList, PackagePart, sums_text
from smallgauge.record.recipe import FINISHED, SMOOTH
from smallgauge.record.remarks import REMARKS
from smallgauge.record.work import Progress, silent

PACKAGE = "package"
_LONGEST_PLACE = (
    180  # characters of a path inside a package: delivery reference, section 11 (below 200 in all)
)
LATER_NEEDED = (
    "finished.mkv",
    "viewing.mp4",
    "capture.json",
    "reel.json",
    "treatment.toml",
    "decisions.jsonl",
    "proof.json",
)
LATER_TABLES = (
    "frames.parquet",
    "perforations.parquet",
    "track.parquet",
    "track.json",
    "hum.parquet",
    "hum-lines.parquet",
    "clicks.parquet",
    "film.json",
    "render.parquet",
    "steadiness.parquet",
    "sound.parquet",
    "repairs.parquet",
    "dirt.parquet",
    "scratches.parquet",
    "hairs.parquet",
    "grain.parquet",
    "copies.parquet",
    "overlap.parquet",
    ORDER_PAPER,
)


def plan_parts(papers: Papers, *, television: str = "television.mp4") -> tuple[PackagePart, ...]:
    """Which file of the reel goes where in its package, in the order of their places.

    Parameters
    ----------
    papers : Papers
        The papers of the reel folder, whose files are looked for.
    television : str
        The copy that a family watches, a file of the reel folder.

    Returns
    -------
    tuple of PackagePart
        Files that the reel does not have and need not have are left out; a needed file is listed even where
        it is missing, so that building refuses and names it.
    """
    folder = papers.folder
    parts = [
        PackagePart(place="Start here.html", of="start-here.html"),
        PackagePart(place="Read me first.txt", of="read-me-first.txt"),
        PackagePart(
            place=f"{WATCH}/{film_file_name(papers.reel.number, papers.reel.box_words)}", of=television
        ),
        PackagePart(place="Report.html", of="report.html"),
        PackagePart(place=f"{LATER}/reels.csv", of="reels.csv"),
    ]
    ordered = ordered_copies(papers)
    elsewhere = {copy.of for copy in ordered} | (set() if papers.masters else {FINISHED.file})
    wanted = [name for name in LATER_NEEDED if name not in elsewhere]
    parts += [PackagePart(place=f"{LATER}/{name}", of=name) for name in wanted]
    watched = film_file_name(papers.reel.number, papers.reel.box_words)
    optional = [(f"{WATCH}/{smooth_file_name(watched)}", SMOOTH.file)]
    parts += [PackagePart(place=copy.place, of=copy.of) for copy in ordered]
    optional += [
        (f"{copy.place.removesuffix('.mov')}.csv", list_of_frames(copy.of))
        for copy in ordered
        if copy.place.endswith(".mov")
    ]
    optional += [("Report.pdf", "report.pdf"), (f"{PICTURES}/contact-sheet.jpg", "stills/contact-sheet.jpg")]
    optional += [(f"{LATER}/{name}", name) for name in (*LATER_TABLES, "render.json", REMARKS, CHANGES)]
    optional += [
        (f"{PICTURES}/{still.path.name}", f"stills/{still.path.name}") for still in still_places(folder)
    ]
    optional += [(f"{LATER}/{name}", name) for name in before_files(folder)]
    photographs = [file.name for still in asked_photographs(folder) for file in still.files]
    optional += [
        (f"{PICTURES}/{Path(name).name}" if name.endswith(".jpg") else f"{LATER}/{name}", name)
        for name in photographs
    ]
    optional += [(f"{PICTURES}/{Path(SHEET).name}", SHEET), (f"{LATER}/{STILLS_PAPER}", STILLS_PAPER)]
    looks = sorted(path.name for path in (folder / "looks").glob("*.clf"))
    optional += [(f"{LATER}/looks/{name}", f"looks/{name}") for name in looks]
    parts += [
        PackagePart(place=place, of=of, needed=False) for place, of in optional if (folder / of).is_file()
    ]
    archive = [
        PackagePart(place=f"{LATER}/{_legal(name)}", of=name)
        for name in archive_files(folder)
        if papers.masters or not is_master(name)
    ]
    if papers.masters and not any("archive.mkv" in part.of or "archive/" in part.of for part in archive):
        archive.append(
            PackagePart(place=f"{LATER}/archive.mkv", of="archive.mkv")
        )  # sound alone is no archive
    parts += archive
    return tuple(sorted(parts, key=lambda part: part.place))


def _legal(name: str) -> str:
    """The path of a kept captured file with every part of it legal on every common system."""
    return "/".join(safe_file_name(part) for part in name.split("/"))


def build_package(
    folder: Path, *, television: str = "television.mp4", progress: Progress = silent
) -> PackageList:
    """Make `package/` in a reel folder, with `SHA256SUMS` in it and `package.json` beside it.

    Parameters
    ----------
    folder : Path
        The reel folder, with its papers, films and report.
    television : str
        The copy that a family watches.
    progress : Progress
        Told how many files were linked and hashed.

    Returns
    -------
    PackageList
        What the package holds, as written to `package.json`.

    Raises
    ------
    MaterialError
        Where a needed file is missing, or a file that is not ours lies in the package.
    FixityError
        Where a file is not the file that the proof speaks of.
    """
    folder = Path(folder)
    papers = read_papers(folder)
    write_text(folder / "read-me-first.txt", read_me_text(papers))
    write_text(folder / "reels.csv", reels_csv([papers]))
    parts = plan_parts(papers, television=television)
    _check_parts(folder, parts)
    if not papers.masters:
        _check_kept(folder)
    listed = PackageList(reel=papers.reel.number, parts=parts)
    proved = {file.name: file.sha256 for file in papers.proof.files} if papers.proof else {}
    proved |= frames_there(folder)
    with building(folder, PACKAGE, listed) as part:
        sums = fill(folder, part, parts, proved, progress)
        write_whole_bytes(part / listed.manifest, sums_text(sums, listed.manifest).encode())
    return listed


def reels_csv(reels: Iterable[Papers]) -> str:
    """A table of reels that any spreadsheet opens: one row a reel, numbers without units in the cells."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180
    head = (
        "reel",
        "words on the box",
        "gauge",
        "frames",
        "feet",
        "metres",
        "pictures a second",
        "running time",
        "sound",
        "scenes",
        "speed rests on",
    )
    writer.writerow(head)
    for papers in reels:
        gauge, rate, frames = papers.gauge, papers.rate, papers.film_frames
        finished = papers.finished_frames if papers.finished_frames is not None else frames
        writer.writerow(
            (
                papers.reel.number,
                text_cell(papers.reel.box_words),
                gauge_words(papers.capture.gauge),
                frames,
                number_words(float(feet_from_frames(gauge, frames)), decimals=1).replace(",", "")
                if gauge
                else "",
                f"{float(metres_from_frames(gauge, frames)):.2f}" if gauge else "",
                str(rate) if rate else "",
                running_words(*(papers.running or (finished, rate))) if rate else "",
                "yes" if papers.capture.sound else "no",
                papers.scenes or "",
                papers.speed_rests_on,
            )
        )
    return out.getvalue()


def _check_kept(folder: Path) -> None:
    """What the pages say is kept must be there."""
    lacking = [] if (folder / FINISHED.file).is_file() else [FINISHED.file]
    if not any("archive.mkv" in name or "archive/" in name for name in archive_files(folder)):
        lacking.append("archive.mkv")
    if lacking:
        raise MaterialError(
            f"A package says that {' and '.join(lacking)} is kept by the shop, not found in {folder}; run the passes that write "
            "it (`smallgauge finish` on the capture does them all)."
        )


def _check_parts(folder: Path, parts: tuple[PackagePart, ...]) -> None:
    """Every needed file there, every place short enough and its own when capitals don't count."""
    missing = [part.of for part in parts if not (folder / part.of).is_file()]
    if missing:
        raise MaterialError(
            f"A package needs {', '.join(missing)}, not found in {folder}; run the passes that write them "
            "(`smallgauge finish` on the capture does them all)."
        )
    taken: dict[str, str] = {}
    for part in parts:
        key = unicodedata.normalize("NFC", part.place).casefold()
        if key in taken:
            raise MaterialError(
                f"A package needs names that differ in more than capitals, found {taken[key]} and {part.place} in "
                f"{folder}; give one of the captured files another name and run analyse again."
            )
        taken[key] = part.place
        if len(part.place) > _LONGEST_PLACE:
            raise MaterialError(
                f"A package takes paths of at most {_LONGEST_PLACE} characters, found {len(part.place)} in {part.place}; "
                "give the captured file a shorter name and run analyse again."
            )
