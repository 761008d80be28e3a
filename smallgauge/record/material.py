"""What a reel is rendered and proved from: the captures that hold its frames, each with its own papers.

material_of   a made reel's folder -> its captures, read from their archive copies
Material       what rendering is given: one capture as usual, or several and what they have in common
"""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.media.picture_in import CaptureListing, cut_listing
from smallgauge.media.whole import digest_file
from smallgauge.record.archive import archive_listing
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS, OVERLAP_COLUMNS
from smallgauge.record.journal import key_of
from smallgauge.record.reel import Half, Reel
from smallgauge.record.table import Table, read_table

OVERLAP = "overlap.parquet"
PACK_FOLDER = "work/pack"  # below the reel's folder: small pictures of its captured frames, a cache
WHOLE_PAPER = (
    "whole.json"  # beside the papers of a film of unslit double 8: the paper of the capture that holds both
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """One capture of a reel: its paper, its own rows (doubles too), and where its pictures are read."""

    capture: Capture
    frames: Table
    listing: CaptureListing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Material:
    """The captures of a reel by their numbers, and the film frames that two of them show."""

    stretches: tuple[Stretch, ...]
    overlap: Table | None = None


def digest_papers(folder: Path) -> str:
    """Digest of a capture's own papers: another one where it was analysed anew with other words."""
    return key_of(
        [digest_file(folder / name) for name in ("capture.json", "frames.parquet", "perforations.parquet")]
    )


def capture_folders(folder: Path) -> tuple[str, ...]:
    """Where the papers of a reel's captures lie, below its folder: ("",) for a reel of one capture."""
    path = folder / "reel.json"
    if not path.is_file():
        return ("",)
    return tuple(dict.fromkeys(run.folder for run in read_json(path, Reel).runs))


def half_listing(folder: Path, half: Half) -> CaptureListing:
    """One film of unslit double 8 in the archive copy of the capture that holds both."""
    whole = read_json(folder / WHOLE_PAPER, Capture)
    left_out = tuple(number for number, file in enumerate(whole.files) if not file.digest)
    return cut_listing(archive_listing(folder, whole), half.region, left_out=left_out)


def material_of(folder: Path) -> Material:
    """The material of a reel that was joined, divided or unslit: every capture read from its archive copy."""
    reel = read_json(folder / "reel.json", Reel)
    runs = {run.capture: run for run in reversed(reel.runs)}
    stretches = []
    for number in sorted(runs):
        run = runs[number]
        place = folder / run.folder
        capture = read_json(place / "capture.json", Capture)
        stretches.append(
            Stretch(
                capture=capture,
                frames=read_table(place / "frames.parquet", FRAME_COLUMNS, "frames"),
                listing=archive_listing(place, capture)
                if reel.half is None
                else half_listing(place, reel.half),
            )
        )
    overlap = folder / OVERLAP
    return Material(
        stretches=tuple(stretches),
        overlap=read_table(overlap, OVERLAP_COLUMNS, "overlap") if overlap.is_file() else None,
    )
