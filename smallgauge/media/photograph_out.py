"""One photograph to its files, JPEG and 16-bit TIFF, with words about it inside that any picture program reads.

write_jpeg_photograph   8-bit picture and words   -> a JPEG at full quality with EXIF, IPTC and XMP
write_tiff_photograph   16-bit picture and words  -> a TIFF with the same
with_srgb_profile       bytes of a JPEG           -> the same with the profile of sRGB inside

Both are sRGB, and say so with a profile. A date goes into EXIF and IPTC only where it is a full day, and the hour stays
blank as EXIF says for one that is not known. Every other date stands in XMP alone, in the Extended Date/Time Format.
"""

import struct
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.media.whole import write_whole, write_whole_bytes
from smallgauge.media.xml_words import xml_words

PROGRAM = "smallgauge"
# Namespaces: ISO 16684-1 (dc, xmp), IPTC Photo Metadata (photoshop, Iptc4xmpExt), DCMI Metadata Terms (dcterms).
NAMESPACES = {
    "dc": "http://purl.org/dc/elements/1.1/",
    "dcterms": "http://purl.org/dc/terms/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
}
_Entries = dict[int, tuple[int, bytes]]
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_SOURCE_TYPES = "http://cv.iptc.org/newscodes/digitalsourcetype/"
_JFIF = b"\xff\xe0"  # marker of the segment that a JPEG file begins with
_PROFILE_HEAD = b"ICC_PROFILE\0\1\1"  # the first of one piece
_PROFILE_DATE = slice(24, 36)  # of a profile: year, month, day, hour, minute, second, each two bytes
_XMP_HEAD, _EXIF_HEAD, _RESOURCES_HEAD = b"http://ns.adobe.com/xap/1.0/\0", b"Exif\0\0", b"Photoshop 3.0\0"
_XMP_TAG, _IPTC_TAG = 700, 33723  # of a TIFF
_BYTES = {2: 1, 3: 2, 4: 4, 5: 8, 7: 1}  # of EXIF's types: text, short, long, rational, undefined
_LARGEST_SEGMENT = 65533  # bytes of a JPEG segment behind its length (ITU-T T.81, B.1.1.4)
# Datasets of IPTC-IIM 4.2, record 2, and the most bytes that each takes; from memory of standard, not seen.
_TITLE, _DATE, _JOB, _HEADLINE, _SOURCE, _CAPTION, _WRITER = (
    (5, 64), (55, 8), (103, 32), (105, 256), (115, 32), (120, 2000), (122, 32),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographWords:
    """What is said inside a photograph. Empty words are left out.

    `identifier` names reel and place in letters of ASCII, `source` the scanner's file, `dated` is in the Extended Date/Time
    Format and `full_day` only given where that is one day. `negative` says what kind of film it is.
    """

    identifier: str
    reel: str
    title: str
    headline: str = ""
    description: str = ""
    source: str = ""
    writer: str = ""
    dated: str = ""
    full_day: date | None = None
    negative: bool = False


def write_jpeg_photograph(path: Path, rgb8: NDArray[np.uint8], words: PhotographWords) -> None:
    """Write a photograph as JPEG: quality 100, colour at full resolution (4:4:4), words inside.

    Parameters
    ----------
    path : Path
        `.jpg`. Written whole or not at all.
    rgb8 : array, shape (height, width, 3), uint8
        sRGB. Not altered.
    words : PhotographWords
        What is said inside.

    Raises
    ------
    CallerError
        For another shape or type, or words that do not fit into a segment.

    Notes
    -----
    Source: ITU-T T.81; EXIF; XMP; IPTC Photo Metadata; ICC.1, annex B, for the profile's place (from memory of standard).

    Examples
    --------
    >>> import tempfile
    >>> said = PhotographWords(identifier="Reel 7, frame 3", reel="7", title="Tea")
    >>> target = Path(tempfile.mkdtemp()) / "a.jpg"
    >>> write_jpeg_photograph(target, np.full((16, 16, 3), 90, np.uint8), said)
    >>> data = target.read_bytes()
    >>> data[:4].hex(), b"Exif" in data, b"Tea" in data
    ('ffd8ffe1', True, True)
    """
    import imagecodecs

    if rgb8.dtype != np.uint8 or rgb8.ndim != 3 or rgb8.shape[2] != 3:
        raise CallerError(
            f"A JPEG photograph needs uint8 of shape (height, width, 3), got {rgb8.dtype} of {rgb8.shape}."
        )
    data = bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(rgb8), level=100, subsampling="444"))
    resource = _iptc(words)
    block = b"8BIM" + struct.pack(">HHI", 0x0404, 0, len(resource)) + resource + b"\0" * (len(resource) % 2)
    segments = (
        _segment(0xE1, _EXIF_HEAD + _exif(words, rgb8.shape[1], rgb8.shape[0])),
        _segment(0xE1, _XMP_HEAD + _xmp(words)),
        _profile_segment(),
        _segment(0xED, _RESOURCES_HEAD + block),
    )
    # EXIF comes first behind the start of the image; the JFIF segment of the coder keeps its place behind them.
    write_whole_bytes(path, data[:2] + b"".join(segments) + data[2:])


def write_tiff_photograph(path: Path, rgb16: NDArray[np.uint16], words: PhotographWords) -> None:
    """Write a photograph as TIFF of 16 bits a channel, without loss, words inside.

    Parameters
    ----------
    path : Path
        `.tif`. Written whole or not at all.
    rgb16 : array, shape (height, width, 3), uint16
        sRGB. Not altered.
    words : PhotographWords
        What is said inside. TIFF's own DateTime is that of the file and not written.

    Raises
    ------
    CallerError
        For another shape or type.

    Notes
    -----
    Source: TIFF 6.0 and XMP part 3 (tag 700), from memory, not checked; read back by others in the tests.

    Examples
    --------
    >>> import tempfile, tifffile
    >>> said = PhotographWords(identifier="Reel 7, frame 3", reel="7", title="Tea")
    >>> target = Path(tempfile.mkdtemp()) / "a.tif"
    >>> write_tiff_photograph(target, np.full((16, 16, 3), 40000, np.uint16), said)
    >>> int(tifffile.imread(target)[0, 0, 0])
    40000
    """
    import tifffile

    if rgb16.dtype != np.uint16 or rgb16.ndim != 3 or rgb16.shape[2] != 3:
        raise CallerError(
            f"A TIFF photograph needs uint16 of shape (height, width, 3), got {rgb16.dtype} of {rgb16.shape}."
        )
    xmp, iptc = _xmp(words), _iptc(words)
    with write_whole(path) as part:
        tifffile.imwrite(
            part,
            rgb16,
            photometric="rgb",
            byteorder="<",
            compression="lzw",
            metadata=None,
            software=PROGRAM,
            description=_ascii(words.identifier),
            iccprofile=srgb_profile(),
            extratags=[(_XMP_TAG, "B", len(xmp), xmp, True), (_IPTC_TAG, 7, len(iptc), iptc, True)],
        )


def srgb_profile() -> bytes:
    """The ICC profile of sRGB, the same bytes every day.

    Notes
    -----
    Made by Little CMS, which puts the time of its making into the header; that is set to the first of January 2000.

    Examples
    --------
    >>> srgb_profile()[12:24], srgb_profile()[36:40]
    (b'mntrRGB XYZ ', b'acsp')
    """
    import imagecodecs

    made = bytearray(imagecodecs.cms_profile("srgb"))
    made[_PROFILE_DATE] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    return bytes(made)


def with_srgb_profile(jpeg: bytes) -> bytes:
    """A JPEG of three colours with sRGB's profile inside, behind the JFIF segment where it begins with one.

    Notes
    -----
    Source: ITU-T T.81; ICC.1, annex B, for the profile's place (from memory of standard).

    Examples
    --------
    >>> import imagecodecs
    >>> data = imagecodecs.jpeg8_encode(np.full((16, 16, 3), 90, np.uint8))
    >>> bare, told = bytes(data), with_srgb_profile(bytes(data))
    >>> b"ICC_PROFILE" in bare, told[:4] == bare[:4], told.count(b"ICC_PROFILE")
    (False, True, 1)
    """
    at = 4 + struct.unpack(">H", jpeg[4:6])[0] if jpeg[2:4] == _JFIF else 2
    return jpeg[:at] + _profile_segment() + jpeg[at:]


def _profile_segment() -> bytes:
    return _segment(0xE2, _PROFILE_HEAD + srgb_profile())


def _segment(marker: int, payload: bytes) -> bytes:
    if len(payload) > _LARGEST_SEGMENT:
        raise CallerError(
            f"Words inside a JPEG take at most {_LARGEST_SEGMENT} bytes, found {len(payload)}; say it shorter."
        )
    return struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode()


def _exif(words: PhotographWords, width: int, height: int) -> bytes:
    """A small EXIF of two directories: what EXIF asks of every JPEG, what and by which program; and the day, where stated."""
    rest = struct.pack("<II", 72, 1)  # pixels an inch where that is not known, says EXIF
    outer: _Entries = {
        0x010E: (2, _ascii(words.identifier).encode() + b"\0"),
        0x011A: (5, rest),
        0x011B: (5, rest),
        0x0128: (3, struct.pack("<H", 2)),
        0x0131: (2, PROGRAM.encode() + b"\0"),
        0x0213: (3, struct.pack("<H", 1)),
    }
    inner: _Entries = {
        0x9000: (7, b"0232"),
        0x9101: (7, b"\1\2\3\0"),
        0xA000: (7, b"0100"),
        0xA001: (3, struct.pack("<H", 1)),  # sRGB
        0xA002: (4, struct.pack("<I", width)),
        0xA003: (4, struct.pack("<I", height)),
    }
    if words.full_day is not None:
        # EXIF: an unknown hour is blank, its colons stay.
        inner[0x9003] = (2, f"{words.full_day:%Y:%m:%d}   :  :  ".encode() + b"\0")
    outer[0x8769] = (4, struct.pack("<I", 0))
    start = 8 + len(_directory(outer, at=8))
    outer[0x8769] = (4, struct.pack("<I", start))
    return b"II*\0" + struct.pack("<I", 8) + _directory(outer, at=8) + _directory(inner, at=start)


def _directory(entries: _Entries, *, at: int) -> bytes:
    """A directory that begins `at` bytes behind the head, with what does not fit into its entries behind it."""
    place = at + 2 + 12 * len(entries) + 4
    rows, behind = b"", b""
    for tag, (kind, data) in sorted(entries.items()):
        field = data.ljust(4, b"\0")
        if len(data) > 4:
            field = struct.pack("<I", place + len(behind))
            behind += data + b"\0" * (len(data) % 2)
        rows += struct.pack("<HHI", tag, kind, len(data) // _BYTES[kind]) + field
    return struct.pack("<H", len(entries)) + rows + b"\0\0\0\0" + behind


def _iptc(words: PhotographWords) -> bytes:
    """IPTC-IIM datasets in UTF-8; a text that is too long for its dataset is cut between letters."""
    day = f"{words.full_day:%Y%m%d}" if words.full_day is not None else ""
    sets = (
        (_TITLE, words.title), (_DATE, day), (_JOB, words.reel), (_HEADLINE, words.headline), (_SOURCE, words.source),
        (_CAPTION, words.description), (_WRITER, words.writer),
    )  # fmt: skip
    out = b"\x1c\x01\x5a\0\x03\x1b%G" + b"\x1c\x02\0\0\x02\0\x04"  # UTF-8; version 4 of the record
    for (number, most), text in sets:
        data = text.encode()[:most].decode(errors="ignore").encode()
        if data:
            out += struct.pack(">BBBH", 0x1C, 2, number, len(data)) + data
    return out


def _xmp(words: PhotographWords) -> bytes:
    """The XMP packet: names as published by ISO 16684-1, IPTC and DCMI."""
    kind = "negativeFilm" if words.negative else "positiveFilm"
    simple = {
        "dc:identifier": words.identifier,
        "dc:source": words.source,
        "dcterms:created": words.dated,
        "xmp:CreatorTool": PROGRAM,
        "photoshop:DateCreated": words.full_day.isoformat() if words.full_day is not None else "",
        "photoshop:Headline": words.headline,
        "photoshop:CaptionWriter": words.writer,
        "photoshop:TransmissionReference": words.reel,
        "Iptc4xmpExt:DigitalSourceType": _SOURCE_TYPES + kind,
    }
    lines = [f"   <{name}>{escape(xml_words(text))}</{name}>" for name, text in simple.items() if text]
    for name, text in (("dc:title", words.title), ("dc:description", words.description)):
        if text:
            lines.append(
                f'   <{name}><rdf:Alt><rdf:li xml:lang="x-default">{escape(xml_words(text))}</rdf:li></rdf:Alt></{name}>'
            )
    spaces = "".join(f'\n    xmlns:{prefix}="{uri}"' for prefix, uri in NAMESPACES.items())
    body = "\n".join(
        (
            '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>',
            '<x:xmpmeta xmlns:x="adobe:ns:meta/">',
            f' <rdf:RDF xmlns:rdf="{_RDF}">',
            f'  <rdf:Description rdf:about=""{spaces}>',
            *lines,
            "  </rdf:Description>",
            " </rdf:RDF>",
            "</x:xmpmeta>",
            '<?xpacket end="r"?>',
        )
    )
    return body.encode()
