"""What a package must hold, and its lists of digests: written by `deliver`, read by `deliver` and `prove`.

read_sums      text of a list -> its lines, each (place, digest), None where a line is none
sums_text      places with their digests -> text of a list
pieces_of      a file that was cut for its medium -> its pieces
"""

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from smallgauge.media.whole import digests_file, names_device

# A family's package has one list, as coreutils' sha256sum writes it; a bag two, by RFC 8493.
FAMILY_SUMS, BAG_SUMS, BAG_TAG_SUMS = "SHA256SUMS", "manifest-sha512.txt", "tagmanifest-sha512.txt"
PIECES_NOTE = "Put the pieces together.txt"  # beside a file that was cut for a medium
_PIECE = re.compile(r"(.+)\.(\d{3})")
_LINES = {"sha256": re.compile(r"([0-9a-f]{64}) [ *](.+)"), "sha512": re.compile(r"([0-9a-f]{128}) [ *](.+)")}
# A bag's list escapes line breaks and the per cent sign, and nothing else (RFC 8493, 2.1.3).
_ESCAPES = (("%", "%25"), ("\n", "%0A"), ("\r", "%0D"))


@dataclass(frozen=True, slots=True, kw_only=True)
class PackagePart:
    """One file of the package: its place there, the reel's file that it is, and whether it may lack.

    `of` is "" for a file that is made in the package itself.
    """

    place: str
    of: str
    needed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageList:
    """All parts of a package; `manifest` is the file of digests beside them."""

    version: int = 1
    reel: str
    manifest: str = FAMILY_SUMS
    parts: tuple[PackagePart, ...]


def kind_of_sums(name: str) -> str:
    """Kind of the digests in a list of this name, by `hashlib`'s name.

    Examples
    --------
    >>> kind_of_sums(FAMILY_SUMS), kind_of_sums(BAG_TAG_SUMS)
    ('sha256', 'sha512')
    """
    return "sha256" if name == FAMILY_SUMS else "sha512"


def is_inside(place: str) -> bool:
    r"""Whether a path from a list or a paper lies below the folder that it is put to, on every system: it may name anything.

    Examples
    --------
    >>> [is_inside(place) for place in ("data/a.mkv", "../a", "/a", "data/../../a", "C:a", r"\\host\a", r"a\..\b", "a\0b", "NUL")]
    [True, False, False, False, False, False, False, False, False]
    """
    read = (PurePosixPath(place), PureWindowsPath(place))
    below = all(bool(path.parts) and not path.anchor and ".." not in path.parts for path in read)
    return below and "\0" not in place and not any(names_device(part) for path in read for part in path.parts)


def read_sums(text: str, name: str) -> tuple[tuple[str, str] | None, ...]:
    """The lines of the list called `name`: place and digest, None for a line that is neither, or leads out.

    Source: RFC 8493; the layout of coreutils' sha256sum.

    Examples
    --------
    >>> text = sums_text({"50%25 off.mp4": "0" * 64}, FAMILY_SUMS) + "nonsense\\n"
    >>> read_sums(text, FAMILY_SUMS)[0][0], read_sums(text, FAMILY_SUMS)[1]
    ('50%25 off.mp4', None)
    """
    lines = text.replace("\r\n", "\n").split("\n")
    matches = [_LINES[kind_of_sums(name)].fullmatch(line) for line in (lines if lines[-1] else lines[:-1])]
    told = ((_plain(match[2], name), match[1]) if match else None for match in matches)
    return tuple(line if line is not None and is_inside(line[0]) else None for line in told)


def sums_text(sums: Mapping[str, str], name: str) -> str:
    """The list called `name` of these places and digests, in their order.

    Examples
    --------
    >>> sums_text({"data/50% off.mp4": "0" * 4}, BAG_SUMS)
    '0000  data/50%25 off.mp4\\n'
    """
    return "".join(f"{digest}  {_escaped(place, name)}\n" for place, digest in sums.items())


def pieces_of(root: Path, place: str) -> list[Path]:
    """The numbered pieces of a file that its medium could not hold whole, in order."""
    path = root / place
    if not path.parent.is_dir():
        return []
    found = [
        each for each in path.parent.iterdir() if (m := _PIECE.fullmatch(each.name)) and m[1] == path.name
    ]
    return sorted(found)


def digest_pieces(pieces: list[Path], kind: str) -> str:
    """Digest of the file that these pieces make, read from the medium where the system can."""
    total = hashlib.new(kind)
    for piece in pieces:
        digests_file(piece, (), from_medium=True)  # to the medium, and out of memory
        with piece.open("rb") as file:
            while block := file.read(1 << 22):
                total.update(block)
    return total.hexdigest()


def _escaped(place: str, name: str) -> str:
    for sign, escape in _ESCAPES if name != FAMILY_SUMS else ():
        place = place.replace(sign, escape)
    return place


def _plain(place: str, name: str) -> str:
    for sign, escape in reversed(_ESCAPES) if name != FAMILY_SUMS else ():
        place = place.replace(escape, sign)
    return place
