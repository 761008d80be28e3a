"""The files of a package as a family meets them: what, where, how large, and how each is opened."""

from collections.abc import Callable
from dataclasses import dataclass

from smallgauge.deliver.film_names import (
    LATER,
    PICTURES,
    WATCH,
    film_file_name,
    ordered_copies,
    smooth_file_name,
)
from smallgauge.deliver.kept import archive_files
from smallgauge.deliver.papers import Papers, asked_photographs, still_places
from smallgauge.media.whole import plain_size
from smallgauge.record.recipe import SMOOTH


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRow:
    """A file or folder of the package: where, what it is, how large, how it is opened."""

    place: str
    what: str
    size: str
    how: str


def file_rows(papers: Papers) -> tuple[FileRow, ...]:
    """The package as a family meets it; only what the reel really has is listed."""
    folder = papers.folder
    rows = []

    def add(place: str, names: tuple[str, ...], what: str, how: str) -> None:
        there = [folder / name for name in names if (folder / name).is_file()]
        if there:
            rows.append(
                FileRow(
                    place=place, what=what, size=plain_size(sum(p.stat().st_size for p in there)), how=how
                )
            )

    film = f"{WATCH}/{film_file_name(papers.reel.number, papers.reel.box_words)}"
    player = "Double-click it; any player, telephone or television of the last ten years should show it."
    add(film, ("television.mp4",), "The film to watch.", player)
    add(
        smooth_file_name(film),
        (SMOOTH.file,),
        "The film with smoother movement. It holds synthetic frames: made between two pictures of the film, not taken by a "
        "camera.",
        player,
    )
    for copy in ordered_copies(papers):
        add(copy.place, (copy.of,), copy.words.what, copy.words.how)
    stills = tuple(f"stills/{place.path.name}" for place in still_places(folder))
    add(
        f"{PICTURES}/",
        stills,
        "Photographs from the scenes, and a sheet with all of them.",
        "Any picture viewer; fit for printing small.",
    )
    _add_photographs(papers, add)
    if papers.masters:
        _add_masters(papers, add)
    if not any(copy.of == "viewing.mp4" for copy in ordered_copies(papers)):
        own = "The film at its own speed, for computers."
        add(f"{LATER}/viewing.mp4", ("viewing.mp4",), own, "Any player.")
    papers_here = tuple(
        path.name
        for path in sorted(folder.glob("*"))
        if path.suffix in (".parquet", ".json", ".jsonl", ".toml") and path.name[:7] != "package"
    )
    add(
        f"{LATER}/ (records)",
        papers_here,
        "What was measured, decided and checked, picture by picture.",
        "For technicians.",
    )
    return tuple(rows)


def _add_photographs(papers: Papers, add: Callable[[str, tuple[str, ...], str, str], None]) -> None:
    """The rows of photographs that were asked for."""
    photographs = [file.name for still in asked_photographs(papers.folder) for file in still.files]
    add(
        f"{PICTURES}/frame-...",
        tuple(name for name in photographs if name.endswith(".jpg")),
        'The photographs that were asked for: "fused" is made from several frames and shows less grain, "alone" is the one frame.',
        "Any picture viewer; fit for printing.",
    )
    add(
        f"{LATER}/stills/",
        tuple(name for name in photographs if name.endswith(".tif")),
        "The same photographs without any loss, 16 bits a colour.",
        "Picture programs and photo laboratories.",
    )


_FORMS = {
    "": "FFV1 video in a Matroska file, or the scanner's own files",
    "matroska": "FFV1 video in a Matroska file",
    "dpx": "one DPX picture for each frame, in order",
    "tiff": "one TIFF picture for each frame, in order",
}


def _add_masters(papers: Papers, add: Callable[[str, tuple[str, ...], str, str], None]) -> None:
    """The rows of what is in the package only where it was ordered."""
    add(
        f"{LATER}/ (archive)",
        archive_files(papers.folder),
        "The untouched copy of the scan, edge and perforations included.",
        f"Keep it. A film archive or a workshop can open it: {_FORMS.get(papers.capture.archive_form, _FORMS[''])}.",
    )
    add(
        f"{LATER}/finished.mkv",
        ("finished.mkv",),
        "The steady film without any loss, to make other copies from.",
        "Free players that know FFV1.",
    )
