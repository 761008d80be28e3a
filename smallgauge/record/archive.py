"""The archive copy: its forms, and of single frames the list of their files' digests.

MATROSKA, FRAME_FORMS   one FFV1 film, or one file a frame; what is kept as it came has no form
read_frames_list        a capture's folder -> its frames' files and their SHA-256
archive_listing         a capture's folder -> its archive copy, to be read

A frame's file lies in `archive/` under its number, and the list beside them is what `sha256sum -c` takes. One journal line
speaks for the list, and the list for the frames.
"""

from fractions import Fraction
from pathlib import Path

from smallgauge.errors import FixityError
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.frame_files import FRAME_FORMS, FrameHead, frame_file_name, stored_form
from smallgauge.media.picture_in import CaptureListing, list_capture
from smallgauge.record.capture import Capture
from smallgauge.record.package import FAMILY_SUMS, read_sums, sums_text

MATROSKA = "matroska"
FILM = "archive.mkv"
FRAMES = "archive"  # folder of single frames, or of files kept as they came
LIST_NAME = "frames.sha256"
FRAMES_LIST = f"{FRAMES}/{LIST_NAME}"
LOSSLESS_STILLS = (
    "dpx",
    "tiff",
    "png",
)  # folders of these are written anew without loss; others are kept as they came


def form_wanted(listing: CaptureListing, stated: str | None) -> str:
    """The form that an archive copy is to have: as stated, Matroska without a word; "" for what is kept as it came."""
    lossless = listing.kind == "folder" and listing.format in LOSSLESS_STILLS and not listing.encoding.lossy
    return (stated or MATROSKA) if lossless else ""


def main_file(form: str) -> str:
    """The file that speaks for the archive copy in the journal: the film, or the list of the frames."""
    return FRAMES_LIST if form in FRAME_FORMS else FILM


def segment_file(first: int, form: str) -> str:
    """A chunk's part of the archive copy, below the reel's folder: film, or list of the frames' files.

    Examples
    --------
    >>> segment_file(100, "matroska"), segment_file(100, "dpx")
    ('work/segments/archive-000100.mkv', 'work/segments/archive-000100.dpx.sha256')
    """
    return f"work/segments/archive-{first:06d}.{'mkv' if form == MATROSKA else f'{form}.sha256'}"


def frame_head(capture: Capture, *, document: str, rate: Fraction, count: int) -> FrameHead:
    """What the header of each single frame says."""
    light = capture.light
    return FrameHead(
        rate=rate,
        count=count,
        document=document,
        device=capture.notes.machine or "",
        code_values=None if light.assumed else light.code_values,
        gamma_curve=None if light.assumed else light.gamma_curve,
    )


def frames_text(sums: dict[str, str]) -> str:
    """The text of a list of frames' files."""
    return sums_text(sums, FAMILY_SUMS)


def read_frames_list(folder: Path, name: str = FRAMES_LIST) -> dict[str, str]:
    """File names below `archive/` and their SHA-256, in order; {} where there is no list.

    Raises
    ------
    FixityError
        Where a line of the list is none.
    """
    path = folder / name
    if not path.is_file():
        return {}
    lines = read_sums(path.read_bytes().decode("utf-8", errors="replace"), FAMILY_SUMS)
    out: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        if line is None or "/" in line[0]:
            raise FixityError(
                f"{name} must hold a digest and a file's name a line, found another thing in line {number} in {folder}; bring it "
                "back from another copy, or analyse the capture again."
            )
        out[line[0]] = line[1]
    return out


def frames_there(folder: Path) -> dict[str, str]:
    """The same with each file's path below the folder, of every capture that a reel has."""
    lists = [folder / FRAMES_LIST, *sorted((folder / "captures").glob(f"*/{FRAMES_LIST}"))]
    out: dict[str, str] = {}
    for path in lists:
        place = path.parent.relative_to(folder).as_posix()
        out |= {f"{place}/{name}": digest for name, digest in read_frames_list(path.parent.parent).items()}
    return out


def archive_listing(place: Path, capture: Capture) -> CaptureListing:
    """The archive copy of a capture, to be read: a film, single frames, or the files that were kept as they came."""
    for form in FRAME_FORMS:
        if capture.archive_form == form:
            encoding = PixelEncoding(bits=capture.encoding.bits, layout=capture.encoding.layout)
            return CaptureListing(
                kind="folder",
                root=place / FRAMES,
                files=tuple(frame_file_name(form, number) for number in range(capture.count)),
                numbers=tuple(range(capture.count)),
                gaps=(),
                passed_over=(),
                width=capture.width,
                height=capture.height,
                encoding=encoding,
                format=form,
                rate=None,
                count=capture.count,
                word_bits=stored_form(form, encoding).word_bits,
            )
    archive = place / FILM
    return list_capture(archive if archive.is_file() else place / FRAMES)
