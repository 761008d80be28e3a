"""A capture's pictures: what lies there, and one frame after the other as arrays.

list_capture    folder of frames or video file -> CaptureListing, from headers only
open_picture    listing -> FrameReader

A folder of frames is one sequence of numbered DPX, TIFF, PNG, OpenEXR or JPEG pictures of one size and form.
What else lies there is named and passed over. Nothing is ever written into a capture.

Why this is long: a listing and its reader are one thing for folders and videos, which no caller tells apart.
"""

import itertools
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, Self

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.digest import digest_bands, digest_frame
from smallgauge.media.frame import Frame, PixelEncoding, Region, Samples
from smallgauge.media.passing import VIDEO_SUFFIXES, passing_reason
from smallgauge.media.still_in import SUFFIXES, Damage, StillHeader, read_header, read_still
from smallgauge.media.whole import digest_file

if TYPE_CHECKING:
    from smallgauge.media.packets import Packets
    from smallgauge.media.planes import PictureForm

# Beside the pictures, and read by their own readers.
KNOWN_NAMES = frozenset({"capture.toml", "frames.csv", "sound.wav", "guide.wav"})
_LAST_DIGITS = re.compile(r"(\d+)\D*$")
FRAMES_BACK = (
    8  # frames of a video that are decoded at a time when it is read backwards; common practice, no source
)


class UnreadableFrame(MaterialError):
    """One frame that can't be read whole: its number, its file (or the video), and why."""

    def __init__(self, number: int, file: str, reason: str) -> None:
        super().__init__(
            f"Frame {number} ({file}) can't be read: {reason}; capture it again, "
            f"or let it pass by its number and it is counted as missing."
        )
        self.number = number
        self.file = file
        self.reason = reason

    def __reduce__(self) -> tuple[type[Self], tuple[int, str, str]]:
        return type(self), (self.number, self.file, self.reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureListing:
    """What a capture holds, from names and headers.

    `files` and `numbers` have one entry a frame in a folder; a video has its one file, and numbers 0 to
    `count` - 1. A gap is (index of the frame before it, how many numbers are missing). `passed_over` gives
    name and reason. `unreadable` gives frame index and reason of files whose header can't be read; they
    keep their place and their number. `stamps` are a video's own time stamps (empty: not to be trusted).
    `notes` are sentences on how the pictures are read; `log` is what the libraries said. With a `region` only that part
    of each picture is read, sample for sample, and `width` and `height` are its own; frames of `left_out` can't be read,
    and those of `deadly`, with the reason, are not tried again: reading them ended the process that did.
    `word_bits` says that the files are frames that we wrote ourselves, and how many bits hold one code. `decoded` is a folder
    in which frames of a video may lie that were decoded before (`media.decoded`).
    """

    kind: Literal["folder", "video"]
    root: Path
    files: tuple[str, ...]
    numbers: tuple[int, ...]
    gaps: tuple[tuple[int, int], ...]
    passed_over: tuple[tuple[str, str], ...]
    width: int
    height: int
    encoding: PixelEncoding
    format: str
    rate: Fraction | None
    count: int
    unreadable: tuple[tuple[int, str], ...] = ()
    stamps: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    log: tuple[str, ...] = ()
    region: Region | None = None
    left_out: tuple[int, ...] = ()
    deadly: tuple[tuple[int, str], ...] = ()
    word_bits: int | None = None
    decoded: Path | None = None

    @property
    def size_in_file(self) -> tuple[int, int]:
        """Width and height of the pictures as they lie in the file."""
        region = self.region
        return (self.width, self.height) if region is None else (region.of_width, region.of_height)

    @property
    def path(self) -> Path:
        """The video file, or the folder."""
        return self.root / self.files[0] if self.kind == "video" else self.root


def split_name(name: str) -> tuple[tuple[str, str], int | None]:
    """Stem without the last group of digits, and that number."""
    stem = Path(name).stem
    last = _LAST_DIGITS.search(stem)
    if last is None:
        return (stem, ""), None
    return (stem[: last.start(1)], stem[last.end(1) :]), int(last[1])


def _sort_names(names: list[str], folder: Path) -> tuple[list[str], list[int]]:
    """Names in the order of their numbers; refuses two sequences in one folder and doubled numbers."""
    parts = {name: split_name(name) for name in names}
    stems = Counter(stem for stem, _ in parts.values())
    if len(stems) > 1:
        shown = ", ".join(f"{a}…{b}" if a or b else "…" for (a, b), _ in stems.most_common(4))
        raise MaterialError(
            f"{folder.name} holds {len(stems)} sequences of frames ({shown}) where one is needed; "
            "put each into a folder of its own."
        )
    numbered = sorted((number, name) for name, (_, number) in parts.items() if number is not None)
    if not numbered:
        raise MaterialError(
            f"{names[0]} in {folder.name} has no number in its name; frames are put in order by that number."
        )
    for (number, name), (after, other) in itertools.pairwise(numbered):
        if number == after:
            raise MaterialError(
                f"{name} and {other} in {folder.name} have the same number {number}; one number, one frame: "
                "take one of them out of the folder."
            )
    return [name for _, name in numbered], [number for number, _ in numbered]


def describe_still(header: StillHeader) -> str:
    """Format, size and depth of a still in words."""
    layout = "grey" if header.encoding.layout == "grey" else "RGB"
    return f"{header.format} {header.width} x {header.height}, {header.encoding.bits}-bit {layout}"


def _one_form(folder: Path, names: list[str], headers: list[StillHeader | None]) -> StillHeader:
    """The one form that all headers share; refuses the first file that differs from the most."""
    known = [header for header in headers if header is not None]
    counts = Counter((describe_still(header), header) for header in known)
    (_, usual), _ = counts.most_common(1)[0]
    for name, header in zip(names, headers):
        if header is not None and header != usual:
            found, needed = describe_still(header), describe_still(usual)
            if found == needed:
                found, needed = f"{found} {header.encoding}", f"{needed} {usual.encoding}"
            raise MaterialError(
                f"{name} in {folder.name} is {found}, the other frames are {needed}; all frames of a capture "
                "need one size and form: take it out or divide the capture."
            )
    notes = dict.fromkeys(note for header in known for note in header.notes)
    return replace(usual, notes=tuple(notes))


def list_capture(path: Path, *, progress: Callable[[int], None] | None = None) -> CaptureListing:
    """What lies in a capture folder or video file, from names and headers; no picture is decoded in full.

    Parameters
    ----------
    path : Path
        A folder of frames, a video file, or a folder that holds one video file and no frames.
    progress : function, optional
        Called with the number of frames looked at so far.

    Raises
    ------
    MaterialError
        For an empty folder, several sequences in one folder, frames of differing size or form, a doubled
        number, or a form that isn't read; the sentence names the file.

    Examples
    --------
    >>> import tempfile, imagecodecs, numpy as np
    >>> folder = Path(tempfile.mkdtemp())
    >>> for n in (1, 2, 10):
    ...     _ = (folder / f"f{n}.png").write_bytes(imagecodecs.png_encode(np.zeros((4, 6, 3), np.uint16)))
    >>> _ = (folder / "scan.log").write_text("ok")
    >>> listing = list_capture(folder)
    >>> listing.files, listing.gaps, listing.passed_over
    (('f1.png', 'f2.png', 'f10.png'), ((1, 7),), (('scan.log', 'a text or log'),))
    >>> listing.width, listing.height, listing.encoding.bits
    (6, 4, 16)
    """
    path = Path(path)
    if not path.exists():
        raise MaterialError(f"There is no capture at {path}; give a folder of frames or a video file.")
    if path.is_file():
        if path.suffix.lower() in SUFFIXES:
            raise MaterialError(f"{path.name} is a single picture; give the folder that holds all frames.")
        return _list_video(path, (), progress)
    pictures: list[str] = []
    passed: list[tuple[str, str]] = []
    for entry in sorted(path.iterdir(), key=lambda p: p.name):
        if entry.name.lower() in KNOWN_NAMES:
            continue
        reason = passing_reason(entry)
        if reason is None:
            pictures.append(entry.name)
        else:
            passed.append((entry.name, reason))
    plain = [name for name in pictures if split_name(name)[1] is None]
    if len(plain) < len(pictures):  # a picture without a number is no frame: one of the lamp, a note
        passed += [(name, "a picture without a number") for name in plain]
        pictures = [name for name in pictures if split_name(name)[1] is not None] if plain else pictures
    if pictures:
        return _list_folder(path, pictures, tuple(passed), progress)
    videos = [name for name, _ in passed if _is_video(path / name)]
    if len(videos) == 1:
        return _list_video(path / videos[0], tuple(p for p in passed if p[0] != videos[0]), progress)
    if videos:
        raise MaterialError(
            f"{path.name} holds {len(videos)} video files ({', '.join(videos[:3])}); name one of them."
        )
    raise MaterialError(
        f"{path.name} holds no frames; needed are numbered DPX, TIFF, PNG, OpenEXR or JPEG pictures, "
        "or a video file."
    )


def list_film(path: Path, packets: "Packets") -> CaptureListing:
    """A film of ours whose packets were walked through just now, listed as `list_capture` does.

    Raises
    ------
    MaterialError
        When it can't be opened or no picture of it can be decoded or read.
    """
    return _list_video(path, (), None, packets)


def _is_video(path: Path) -> bool:
    return path.suffix.lower() in VIDEO_SUFFIXES and path.is_file() and not path.name.startswith(".")


def _list_folder(
    folder: Path,
    pictures: list[str],
    passed: tuple[tuple[str, str], ...],
    progress: Callable[[int], None] | None,
) -> CaptureListing:
    names, numbers = _sort_names(pictures, folder)
    headers: list[StillHeader | None] = []
    unreadable: list[tuple[int, str]] = []
    for index, name in enumerate(names):
        try:
            headers.append(read_header(folder / name))
        except Damage as damage:
            headers.append(None)
            unreadable.append((index, str(damage)))
        if progress is not None:
            progress(index + 1)
    if len(unreadable) == len(names):
        raise MaterialError(
            f"No frame in {folder.name} can be read ({names[0]}: {unreadable[0][1]}); check that the capture "
            "was copied whole."
        )
    form = _one_form(folder, names, headers)
    gaps = tuple(
        (index, after - number - 1)
        for index, (number, after) in enumerate(itertools.pairwise(numbers))
        if after - number > 1
    )
    return CaptureListing(
        kind="folder",
        root=folder,
        files=tuple(names),
        numbers=tuple(numbers),
        gaps=gaps,
        passed_over=passed,
        width=form.width,
        height=form.height,
        encoding=form.encoding,
        format=form.format,
        rate=None,
        count=len(names),
        unreadable=tuple(unreadable),
        notes=form.notes,
    )


def _list_video(
    path: Path,
    passed: tuple[tuple[str, str], ...],
    progress: Callable[[int], None] | None,
    packets: "Packets | None" = None,
) -> CaptureListing:
    from smallgauge.media.video_in import scan_video

    scan = scan_video(path, progress=progress, packets=packets)
    return CaptureListing(
        kind="video",
        root=path.parent,
        files=(path.name,),
        numbers=tuple(range(scan.count)),
        gaps=(),
        passed_over=passed,
        width=scan.width,
        height=scan.height,
        encoding=scan.encoding,
        format=scan.codec,
        rate=scan.rate,
        count=scan.count,
        stamps=scan.stamps,
        notes=scan.notes,
        log=scan.log,
    )


def cut_listing(listing: CaptureListing, region: Region, *, left_out: tuple[int, ...] = ()) -> CaptureListing:
    """The listing of the same frames, of each only a region; `left_out` are frames that were let pass.

    Raises
    ------
    CallerError
        When the region is not one of these pictures.
    """
    inside = 0 <= region.left < region.left + region.width <= listing.width
    inside &= 0 <= region.top < region.top + region.height <= listing.height
    if (
        listing.region is not None
        or not inside
        or (region.of_width, region.of_height) != (listing.width, listing.height)
    ):
        raise CallerError(
            f"A region must lie in pictures of {listing.width} x {listing.height}, found {region}."
        )
    return replace(listing, region=region, width=region.width, height=region.height, left_out=left_out)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decoded:
    """A frame of a video as its decoder gave it: laid to pixels where that is asked for, and only as much of it as is."""

    number: int
    picture: Any  # of the decoder
    form: "PictureForm"
    region: Region | None

    def frame(self) -> Frame:
        """With all its samples."""
        from smallgauge.media.planes import picture_samples

        samples = picture_samples(self.picture, self.form)
        return Frame(number=self.number, samples=samples if self.region is None else self.region.cut(samples))

    def digest(self, bits: int) -> str:
        """As `digest_frame` of its samples."""
        from smallgauge.media.planes import picture_bands

        if self.region is not None:
            return digest_frame(self.frame().samples, bits)
        return digest_bands(picture_bands(self.picture, self.form), self.picture.height, bits)

    def green(self) -> Samples:
        """Its green samples, (height, width), or all of them where they don't lie by themselves; used before the next frame."""
        from smallgauge.media.planes import rgb_planes

        planes = rgb_planes(self.picture, self.form) if self.region is None else None
        return self.frame().samples if planes is None else planes[1][:, : self.picture.width]


class FrameReader:
    """Frames of a listed capture by their number; a context manager.

    `log` grows with what the decoders say. Frames are new arrays, one in memory at a time, or eight of a video that
    is read backwards. Any number of readers may be open on one capture, each in its own thread or process.
    """

    def __init__(self, listing: CaptureListing) -> None:
        self.listing = listing
        self._log = DecoderLog()
        self._running: Iterator[Decoded] | None = None
        self._next = 0
        self._held: list[Frame] = []  # frames before the one that was read last, read backwards

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; reading again opens it again."""
        self._held = []
        if self._running is not None:
            self._running.close()  # type: ignore[attr-defined]
            self._running = None

    @property
    def log(self) -> tuple[str, ...]:
        """Decoder messages so far, each with the frame that was being read."""
        return self._log.lines

    def _check(self, first: int, stop: int) -> None:
        if not 0 <= first <= stop <= self.listing.count:
            raise CallerError(
                f"Frames {first} to {stop} were asked for and the capture holds {self.listing.count}; "
                "frames count from 0."
            )

    def read(self, number: int) -> Frame:
        """One frame.

        Raises
        ------
        CallerError
            When there is no frame of that number.
        UnreadableFrame
            When the frame can't be read whole.
        """
        self._check(number, number + 1)
        if number in self.listing.left_out:
            raise UnreadableFrame(number, self.listing.files[0], "it was let pass when the capture was read")
        if self.listing.kind == "folder":
            return self._read_file(number)
        kept = self._kept(number)
        if kept is not None:
            return kept
        if number == self._next - 2:
            frame = self._read_backwards(number)
            self._next = number + 1
            return frame
        if self._running is None or self._next != number:
            self.close()
            self._running = self._decode(number, self.listing.count)
        try:
            frame = next(self._running).frame()
        except UnreadableFrame:
            self.close()
            raise
        self._next = number + 1
        return frame

    def _kept(self, number: int) -> Frame | None:
        """The frame as it was decoded before, where that was kept; the video is then not touched."""
        listing = self.listing
        if listing.decoded is None:
            return None
        from smallgauge.media.decoded import read_decoded

        width, height = listing.size_in_file
        samples = read_decoded(listing.decoded, number, width=width, height=height, encoding=listing.encoding)
        return None if samples is None else Frame(number=number, samples=self._cut(samples))

    def _read_backwards(self, number: int) -> Frame:
        """The frame before the one that was read last, of a video: eight are decoded at a time, as decoders run forwards."""
        if self._held and self._held[-1].number == number:
            return self._held.pop()
        self.close()
        first = max(0, number + 1 - FRAMES_BACK)
        while True:
            try:
                frames = [each.frame() for each in self._decode(first, number + 1)]
                break
            except UnreadableFrame as error:
                if error.number == number:
                    raise
                first = error.number + 1
        self._held = frames
        return self._held.pop()

    def frames(self, first: int, stop: int) -> Iterator[Frame]:
        """Frames `first` to before `stop`, in order.

        A frame that can't be read raises UnreadableFrame and ends the iteration; go on from the number
        after it with a new call.
        """
        self._check(first, stop)
        if self.listing.kind == "folder":
            for number in range(first, stop):
                yield self._read_file(number)
        elif first < stop:
            for each in self._decode(first, stop):
                yield each.frame()

    def decoded(self, first: int, stop: int) -> Iterator[Decoded]:
        """The same of a video, not laid to pixels yet: for whoever needs only a digest or one colour of each.

        Raises
        ------
        CallerError
            For a folder of frames.
        """
        self._check(first, stop)
        if self.listing.kind != "video":
            raise CallerError(
                "Only frames of a video come as their decoder gives them; read these with frames()."
            )
        if first < stop:
            yield from self._decode(first, stop)

    def read_bytes_digest(self, number: int) -> str | None:
        """SHA-256 of the frame's own file; None for a video, whose file holds all frames.

        Raises
        ------
        UnreadableFrame
            When the file can't be read at all.
        """
        self._check(number, number + 1)
        if self.listing.kind == "video":
            return None
        name = self.listing.files[number]
        try:
            return digest_file(self.listing.root / name)
        except OSError as error:
            raise UnreadableFrame(number, name, f"the file can't be opened ({error.strerror})") from error

    def _read_file(self, number: int) -> Frame:
        listing = self.listing
        name = listing.files[number]
        path = listing.root / name
        why = dict(listing.deadly).get(number)
        if why is not None:
            raise UnreadableFrame(number, name, why)
        try:
            header = read_header(path)
            if listing.word_bits is not None:
                header = self._of_ours(header)
            if (header.width, header.height, header.encoding, header.format) != (
                *listing.size_in_file,
                listing.encoding,
                listing.format,
            ):
                raise MaterialError(
                    f"{name} is {describe_still(header)}, the capture was listed as {listing.format} "
                    f"{listing.width} x {listing.height}, {listing.encoding.bits} bits; "
                    "the capture was changed: list it again."
                )
            samples, said = read_still(path, header)
            top = int(samples.max()) if listing.word_bits not in (None, listing.encoding.bits) else 0
            if top >> listing.encoding.bits:
                raise Damage(
                    f"it holds the code value {top}, which has more than {listing.encoding.bits} bits"
                )
        except Damage as damage:
            raise UnreadableFrame(number, name, str(damage)) from damage
        except OSError as error:
            raise UnreadableFrame(number, name, f"the file can't be opened ({error.strerror})") from error
        except MaterialError as error:
            if listing.word_bits is None:
                raise
            raise UnreadableFrame(number, name, str(error)) from error
        for line in said:
            self._log.add(f"frame {number}: {line}")
        return Frame(number=number, samples=self._cut(samples))

    def _of_ours(self, header: StillHeader) -> StillHeader:
        """A header of a file that we wrote, in the listing's words; Damage where it is another than was written."""
        listing = self.listing
        found = (header.width, header.height, header.encoding.layout, header.encoding.bits, header.format)
        wanted = (*listing.size_in_file, listing.encoding.layout, listing.word_bits, listing.format)
        if found != wanted:
            raise Damage(f"it is {describe_still(header)}, and another was written")
        return replace(header, encoding=listing.encoding)

    def _cut(self, samples: Samples) -> Samples:
        region = self.listing.region
        return samples if region is None else region.cut(samples)

    def _decode(self, first: int, stop: int) -> Iterator[Decoded]:
        from smallgauge.media.planes import find_form
        from smallgauge.media.video_in import decode_frames, require_frame_size

        listing = self.listing
        expected, form = first, None
        before = len(self._log.lines)
        for number, frame in decode_frames(listing.path, listing.stamps, first, stop, self._log):
            if number > expected:
                break
            try:
                require_frame_size(frame, *listing.size_in_file)
            except Damage as damage:
                raise UnreadableFrame(number, listing.files[0], str(damage)) from damage
            if form is None or frame.format.name != form[0]:
                form = (frame.format.name, find_form(frame, interlaced=listing.encoding.interlaced))
            yield Decoded(number=number, picture=frame, form=form[1], region=listing.region)
            expected += 1
            before = len(self._log.lines) if expected < stop else before
        if expected < stop:
            said = self._log.lines[before:]
            reason = said[-1] if said else "the file ends before it"
            raise UnreadableFrame(expected, listing.files[0], reason)


def open_picture(listing: CaptureListing) -> FrameReader:
    """A reader of the frames of a listed capture.

    Examples
    --------
    >>> import tempfile, imagecodecs, numpy as np
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "f0.png").write_bytes(imagecodecs.png_encode(np.full((4, 6), 7, np.uint8)))
    >>> with open_picture(list_capture(folder)) as reader:
    ...     int(reader.read(0).samples[0, 0])
    7
    """
    return FrameReader(listing)
