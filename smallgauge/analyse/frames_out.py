"""The archive copy as single frames: each to its own file, whole chunks kept or made again, the list of all of them.

write_frames    frames of a chunk -> their files in `archive/`, and the list of their digests
frames_stand    whether every file of a chunk's list is there as it was written
check_room      whether the disk has room for all of them, before the first is made
join_lists      the lists of the chunks -> the one list beside the frames
drop_other_form an archive copy in another form, once the new one stands
"""

import contextlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.frame_files import (
    FRAME_FORMS,
    FrameForm,
    FrameHead,
    frame_file_bytes,
    frame_file_name,
    stored_form,
    write_frame_file,
)
from smallgauge.media.picture_in import CaptureListing
from smallgauge.media.whole import digest_file, free_bytes, plain_size
from smallgauge.record.archive import FILM, FRAMES, FRAMES_LIST, MATROSKA, frames_text, read_frames_list
from smallgauge.record.capture import Capture
from smallgauge.record.files import write_text
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal


def write_frames(
    folder: Path,
    list_path: Path,
    frames: Iterable[NDArray[Any]],
    *,
    first: int,
    encoding: PixelEncoding,
    form: str,
    head: FrameHead,
) -> None:
    """Write frames from number `first` on to `archive/` below the reel's folder, and their list at `list_path`."""
    place = folder / FRAMES
    place.mkdir(parents=True, exist_ok=True)
    sums: dict[str, str] = {}
    for number, samples in enumerate(frames, start=first):
        kind = cast(FrameForm, form)
        path = place / frame_file_name(kind, number)
        write_frame_file(path, samples, number=number, encoding=encoding, form=kind, head=head)
        sums[path.name] = digest_file(path)
    write_text(list_path, frames_text(sums))


def frames_stand(folder: Path, name: str) -> bool:
    """Whether every file of the list called `name` lies in `archive/` as it was written."""
    return all(
        (folder / FRAMES / file).is_file() and digest_file(folder / FRAMES / file) == sha256
        for file, sha256 in read_frames_list(folder, name).items()
    )


def check_room(folder: Path, listing: CaptureListing, *, form: str) -> None:
    """Refuse to begin frames that would not fit on the disk; those that are there already are counted off.

    Raises
    ------
    MaterialError
        Where there is less room than the frames need.
    """
    if form not in FRAME_FORMS:
        return
    kind, encoding = form, listing.encoding
    each = frame_file_bytes(kind, width=listing.width, height=listing.height, encoding=encoding)
    names = (frame_file_name(kind, number) for number in range(listing.count))
    lacking = sum(not (folder / FRAMES / name).is_file() for name in names)
    needed, free = each * lacking, free_bytes(folder)
    if needed > free:
        raise MaterialError(
            f"An archive copy as {form.upper()} needs {plain_size(needed)} for {lacking} frames, found {plain_size(free)} free at "
            f'{folder}; make room, name another --out, or state archive = "matroska", which takes less.'
        )


def frames_finding(of: CaptureListing | Capture, form: str) -> Finding:
    """What is said of an archive copy of single frames: how many files, how large, and how their codes lie in them."""
    kind = cast(FrameForm, form)
    each = frame_file_bytes(kind, width=of.width, height=of.height, encoding=of.encoding)
    values: dict[str, object] = {"format": form.upper(), "frames": of.count, "bytes": each * of.count}
    values |= {"bits": of.encoding.bits, "word_bits": stored_form(kind, of.encoding).word_bits}
    return Finding(code="archive of single frames", where="capture", values=values)


def join_lists(folder: Path, names: Iterable[str]) -> None:
    """The one list beside the frames, from those of the chunks in order."""
    sums: dict[str, str] = {}
    for name in names:
        sums |= read_frames_list(folder, name)
    write_text(folder / FRAMES_LIST, frames_text(sums))


def drop_other_form(folder: Path, journal: Journal, *, form: str, count: int) -> None:
    """Take away the archive copy that was written in another form, now that this one stands.

    Files kept as they came have no form and are never touched; nor is a file that the program does not write.
    """
    if not form:
        return
    if form != MATROSKA and FILM in journal.lines:
        (folder / FILM).unlink(missing_ok=True)
        journal.forget(FILM)
    stale = form == MATROSKA and FRAMES_LIST in journal.lines
    if form == MATROSKA and not stale:
        return
    for other in FRAME_FORMS:
        for number in range(count if other != form else 0):
            (folder / FRAMES / frame_file_name(other, number)).unlink(missing_ok=True)
    if stale:
        (folder / FRAMES_LIST).unlink(missing_ok=True)
        journal.forget(FRAMES_LIST)
        with contextlib.suppress(OSError):  # somebody put a file there: it stays
            (folder / FRAMES).rmdir()
