"""A file appears under its name only when it is complete; and whatever only one system offers.

write_whole, write_whole_bytes   a file made beside its name, synced, then renamed
append_line                      one line added to a journal and brought to the medium
make_lock                        a file that only one process can have made
find_drafts, clear_drafts        what killed processes left of such files
link_or_copy                     the same file under a second name
digest_file, checksum_file       SHA-256 of a file, from the medium where the system can; XXH3 of one that passes away
free_bytes, safe_file_name       room left on a volume; a name that every common system takes

Renaming over a name is atomic on POSIX file systems; on FAT and exFAT it is not promised across a power
cut (from memory, not checked), so what was renamed is checked again by its digest before it is trusted.

Why this is long: calls that only one system offers stand in one file, each with its plain fallback.
"""

import contextlib
import errno
import hashlib
import os
import re
import shutil
import threading
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

from smallgauge.errors import CallerError, MaterialError

PART = ".part"
_BLOCK = 1024 * 1024
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "clock$"]
    + [f"com{n}" for n in "0123456789¹²³"]
    + [f"lpt{n}" for n in "0123456789¹²³"]
)
_NAME_LIMIT = 99
_DRAFT = re.compile(rf"\.(\d{{1,10}})-\d+{re.escape(PART)}$")  # process and thread that make it


FAT_LARGEST = 2**32 - 1  # bytes of a file on FAT32, which keeps a length in 32 bits: from memory, not checked


def plain_size(size: int) -> str:
    """A number of bytes as a person reads it, in powers of ten.

    Source: definition (SI prefixes).

    Examples
    --------
    >>> plain_size(950), plain_size(12_400_000)
    ('950 bytes', '12.4 MB')
    """
    if size < 1000:
        return f"{size} bytes"
    for unit, scale in (("kB", 1e3), ("MB", 1e6), ("GB", 1e9)):
        if size < 1000 * scale:
            return f"{size / scale:.1f} {unit}"
    return f"{size / 1e12:.1f} TB"


def free_bytes(path: Path) -> int:
    """Bytes that an ordinary user may still write on the volume that holds `path`.

    `path` need not exist yet: the nearest folder above it that does is asked.

    Examples
    --------
    >>> free_bytes(Path("not/yet/made")) > 0
    True
    """
    folder = Path(path).absolute()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return shutil.disk_usage(folder).free


def _plain_refusal(
    error: BaseException, path: Path, needed: int | None, written: int
) -> MaterialError | None:
    """The sentence for a volume that is full or closed to writing; None for any other error."""
    number = getattr(error, "errno", None)
    if number == errno.EFBIG:
        return MaterialError(
            f"{path.name} grew past {plain_size(written)}, the largest file that the volume of {path.parent} "
            "can hold; use a volume without that limit (exFAT instead of FAT32)."
        )
    if number in {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}:
        want = f"{plain_size(needed)}" if needed is not None else f"more than {plain_size(written)}"
        return MaterialError(
            f"{path.name} needs {want} and {plain_size(free_bytes(path))} is free in {path.parent}; "
            "make room there, then give the same command again."
        )
    if number in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return MaterialError(
            f"{path.name} can't be written because {path.parent} is closed to writing; "
            "open it for writing or name another folder with --out."
        )
    return None


def sync_folder(folder: Path) -> bool:
    """Bring a folder's own entries to the medium; False where the system has no such call."""
    if os.name != "posix":
        return False
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:
        return False
    finally:
        os.close(handle)
    return True


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


@contextlib.contextmanager
def write_whole(path: Path, *, needed_bytes: int | None = None) -> Iterator[Path]:
    """Give a temporary path beside `path`; when the block ends well it becomes `path`.

    The temporary file ends in `.part`. It is synced, renamed over `path`, and the folder is synced. When
    the block raises, the temporary file is removed and `path` is what it was before.

    Parameters
    ----------
    path : Path
        The final name. Its folder must exist.
    needed_bytes : int, optional
        How much will be written, for the sentence about a full volume.

    Raises
    ------
    MaterialError
        When the volume is full or closed to writing: needed, free, where.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with write_whole(folder / "notes.txt") as temporary:
    ...     _ = temporary.write_text("reel 3")
    ...     (folder / "notes.txt").exists()
    False
    >>> (folder / "notes.txt").read_text()
    'reel 3'
    """
    path = Path(path)
    temporary = path.with_name(path.name + PART)
    try:
        temporary.unlink(missing_ok=True)
        yield temporary
        _sync_file(temporary)
        temporary.replace(path)
        sync_folder(path.parent)
    except BaseException as error:
        written = temporary.stat().st_size if temporary.exists() else 0
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        refusal = _plain_refusal(error, path, needed_bytes, written)
        if refusal is not None:
            raise refusal from error
        raise


def write_whole_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path`, which shows either all of it or what it was before.

    Examples
    --------
    >>> import tempfile
    >>> target = Path(tempfile.mkdtemp()) / "a.json"
    >>> write_whole_bytes(target, b"{}")
    >>> target.read_bytes()
    b'{}'
    """
    with write_whole(path, needed_bytes=len(data)) as temporary:
        temporary.write_bytes(data)


def append_line(path: Path, text: str) -> None:
    """Add one line to a text file (UTF-8) and bring it to the medium before returning.

    A last line that a power cut left without its end is closed first, so the new line stands alone.

    Raises
    ------
    CallerError
        When `text` holds a line break.
    MaterialError
        When the volume is full or closed to writing.

    Examples
    --------
    >>> import tempfile
    >>> journal = Path(tempfile.mkdtemp()) / "journal.jsonl"
    >>> journal.write_text('{"torn')
    6
    >>> append_line(journal, '{"first": 0}')
    >>> journal.read_text().splitlines()
    ['{"torn', '{"first": 0}']
    """
    if "\n" in text or "\r" in text:
        raise CallerError(
            "append_line needs one line of text, got one with a line break; add the lines singly."
        )
    path = Path(path)
    try:
        existed = path.exists()
        with path.open("ab+") as file:
            line = text.encode() + b"\n"
            if file.seek(0, os.SEEK_END) > 0:
                file.seek(-1, os.SEEK_END)
                if file.read(1) != b"\n":
                    line = b"\n" + line
            file.write(line)
            file.flush()
            os.fsync(file.fileno())
        if not existed:
            sync_folder(path.parent)
    except OSError as error:
        refusal = _plain_refusal(error, path, None, len(text))
        if refusal is not None:
            raise refusal from error
        raise


def find_drafts(folder: Path) -> list[Path]:
    """Drafts of `make_lock` in a folder and in the folders right below it.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> (folder / "work").mkdir()
    >>> (folder / "work" / "lock.17-4.part").touch()
    >>> [path.name for path in find_drafts(folder)]
    ['lock.17-4.part']
    """
    near = (*folder.glob(f"*{PART}"), *folder.glob(f"*/*{PART}"))
    return sorted(path for path in near if _DRAFT.search(path.name))


def clear_drafts(folder: Path) -> None:
    """Remove drafts that killed processes left in a folder and right below it.

    One of a live process elsewhere may be among them, whose number means nothing here: it then makes its file exclusively instead.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> (folder / f"0001.json.{2**31 - 2}-4.part").touch()  # a number that no process has
    >>> clear_drafts(folder)
    >>> list(folder.iterdir())
    []
    """
    import psutil

    for left in find_drafts(folder):
        named = _DRAFT.search(left.name)
        if named is not None and not psutil.pid_exists(int(named[1])):
            with contextlib.suppress(OSError):
                left.unlink()


def make_lock(path: Path, data: bytes) -> bool:
    """Make `path` holding `data`, exclusively: False, and nothing changed, when it exists already.

    The file shows all of `data` from its first moment where the file system has hard links; elsewhere it
    is created exclusively and then filled, so another process may see it empty for an instant.

    Examples
    --------
    >>> import tempfile
    >>> lock = Path(tempfile.mkdtemp()) / "lock"
    >>> make_lock(lock, b"one"), make_lock(lock, b"two"), lock.read_bytes()
    (True, False, b'one')
    """
    path = Path(path)
    draft = path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}{PART}")
    clear_drafts(path.parent)
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(draft, path)
        except FileExistsError:
            return False
        except (OSError, NotImplementedError):
            try:
                with path.open("xb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
            except FileExistsError:
                return False
        sync_folder(path.parent)
        return True
    except OSError as error:
        refusal = _plain_refusal(error, path, len(data), 0)
        if refusal is not None:
            raise refusal from error
        raise
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def link_or_copy(source: Path, target: Path) -> Literal["linked", "copied"]:
    """Put the file `source` under the name `target` too: a hard link, or a whole copy where links fail.

    An older `target` is replaced in one step. A linked file is one file with two names: neither may be
    altered in place.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a").write_bytes(b"frame")
    >>> link_or_copy(folder / "a", folder / "b") in ("linked", "copied")
    True
    >>> (folder / "b").read_bytes()
    b'frame'
    """
    source, target = Path(source), Path(target)
    if target.exists() and source.samefile(target):
        return "linked"
    temporary = target.with_name(target.name + PART)
    temporary.unlink(missing_ok=True)
    try:
        os.link(source, temporary)
    except (OSError, NotImplementedError):
        copy_whole(source, target)
        return "copied"
    temporary.replace(target)
    sync_folder(target.parent)
    return "linked"


def copy_whole(source: Path, target: Path) -> None:
    """Copy a file's bytes; the copy is there as a whole or not at all.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a").write_bytes(b"frame")
    >>> copy_whole(folder / "a", folder / "b")
    >>> (folder / "b").read_bytes()
    b'frame'
    """
    with write_whole(target, needed_bytes=source.stat().st_size) as draft:
        shutil.copyfile(source, draft)


def largest_file_bytes(path: Path) -> int | None:
    """The largest file that the volume of `path` can hold, where its kind is known to have a limit; otherwise None.

    Examples
    --------
    >>> largest_file_bytes(Path(".")) in (None, FAT_LARGEST)
    True
    """
    import psutil

    place = Path(path).absolute()
    volumes = [v for v in psutil.disk_partitions(all=True) if place.is_relative_to(v.mountpoint)]
    kind = max(volumes, key=lambda v: len(v.mountpoint)).fstype.lower() if volumes else ""
    return FAT_LARGEST if kind in ("vfat", "msdos", "fat", "fat32") else None


def medium_doubt() -> str:
    """What `digest_file(from_medium=True)` can't do on this system, as a sentence; empty where it does all.

    Examples
    --------
    >>> isinstance(medium_doubt(), str)
    True
    """
    if hasattr(os, "posix_fadvise"):
        return ""
    return (
        "This system has no call that empties the file cache, so the file may have been read back from "
        "memory; take the disk off, plug it in again and run `smallgauge prove` to read it from the medium."
    )


def digest_file(path: Path, *, from_medium: bool = False) -> str:
    """SHA-256 of a file's bytes, in hexadecimal; `digests_file` gives several kinds at one reading.

    Parameters
    ----------
    path : Path
        The file.
    from_medium : bool
        Bring the file to the medium and drop it from the cache first (fsync, then posix_fadvise with
        POSIX_FADV_DONTNEED), so the bytes that are read are the bytes that lie there. Where the system has
        no such call, `medium_doubt()` says so. Without the fsync, pages still to be written would stay
        in the cache and be read from there.

    Notes
    -----
    Source: SHA-256, FIPS 180-4 (`"FIPS 180-4"`).

    Examples
    --------
    >>> import tempfile
    >>> sample = Path(tempfile.mkdtemp()) / "abc"
    >>> _ = sample.write_bytes(b"abc")
    >>> digest_file(sample, from_medium=True)[:16]
    'ba7816bf8f01cfea'
    """
    return digests_file(path, ("sha256",), from_medium=from_medium)["sha256"]


def crc32_of(data: Any, before: int = 0) -> int:
    """CRC-32 of bytes that follow others with the checksum `before`: zlib's numbers, at six times its speed.

    Source: ISO 3309 as RFC 1952 gives it.

    Examples
    --------
    >>> hex(crc32_of(b"56789", crc32_of(b"1234")))
    '0xcbf43926'
    """
    import imagecodecs

    return int(imagecodecs.deflate_crc32(data, before))


class _Crc32:
    """CRC-32 with the calls of a digest."""

    def __init__(self) -> None:
        self._sum = 0

    def update(self, data: memoryview) -> None:
        """Take more bytes."""
        self._sum = crc32_of(data, self._sum)

    def hexdigest(self) -> str:
        """Eight hexadecimal digits."""
        return f"{self._sum:08x}"


def checksum_file(path: Path) -> str:
    """XXH3 of a file's bytes in 128 bits, in hexadecimal: finds chance damage at a tenth of SHA-256's cost, and proves nothing.

    Notes
    -----
    Source: XXH3 by its published specification, through the library `xxhash`.

    Examples
    --------
    >>> import tempfile
    >>> sample = Path(tempfile.mkdtemp()) / "nothing"
    >>> _ = sample.write_bytes(b"")
    >>> checksum_file(sample)
    '99aa06d3014798d86001c324468d497f'
    """
    return digests_file(path, ("xxh128",))["xxh128"]


def _begun(kind: str) -> Any:
    """An empty digest of a kind."""
    if kind == "crc32":
        return _Crc32()
    if kind == "xxh128":
        import xxhash

        return xxhash.xxh3_128()
    return hashlib.new(kind)


def digests_file(
    path: Path,
    kinds: tuple[str, ...],
    *,
    from_medium: bool = False,
    watch: Callable[[memoryview], None] | None = None,
) -> dict[str, str]:
    """Digests of a file's bytes by the names that `hashlib` knows them by, in one reading; "crc32" is zip's, "xxh128" XXH3.

    `watch` is shown the same bytes, piece by piece from the first to the last; a piece is only its own until the next.

    Source: SHA-256 and SHA-512, FIPS 180-4.

    Examples
    --------
    >>> import tempfile
    >>> sample = Path(tempfile.mkdtemp()) / "abc"
    >>> _ = sample.write_bytes(b"abc")
    >>> {kind: digest[:8] for kind, digest in digests_file(sample, ("sha256", "sha512")).items()}
    {'sha256': 'ba7816bf', 'sha512': 'ddaf35a1'}
    """
    digests = {kind: _begun(kind) for kind in kinds}
    with Path(path).open("rb", buffering=0) as file:
        if from_medium:
            with contextlib.suppress(OSError):
                os.fsync(file.fileno())
            if hasattr(os, "posix_fadvise"):
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        block = memoryview(bytearray(_BLOCK))
        while count := file.readinto(block):
            for digest in digests.values():
                digest.update(block[:count])
            if watch is not None:
                watch(block[:count])
    return {kind: digest.hexdigest() for kind, digest in digests.items()}


def names_device(name: str) -> bool:
    """Whether a file of that name is a device on some system, whatever its ending.

    Examples
    --------
    >>> names_device("NUL.txt"), names_device("null.txt")
    (True, False)
    """
    return name.split(".")[0].rstrip().lower() in _RESERVED


def safe_file_name(text: str) -> str:
    r"""A file or folder name made from `text` that every common system takes.

    Characters that some system forbids (`\ / : * ? " < > |` and control characters) become hyphens; the
    name is in Unicode form NFC, has no space or full stop at either end, isn't a reserved device name, and
    is at most 99 characters and 255 bytes long. Text that leaves nothing becomes "unnamed".

    Source: common practice, no source (the naming rules of FAT, exFAT, NTFS, APFS and ext4, from memory).

    Examples
    --------
    >>> safe_file_name("Reel 3: garden / sea? ")
    'Reel 3- garden - sea-'
    >>> safe_file_name("NUL.txt")
    '_NUL.txt'
    """
    unseen = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    name = re.sub(r'[\\/:*?"<>|\x00-\x1f\x7f-\x9f]', "-", text)
    name = "".join(c for c in name if unicodedata.category(c) not in unseen)
    name = unicodedata.normalize("NFC", name)
    name = name.strip(" .")
    if names_device(name):
        name = f"_{name}"
    name = name[:_NAME_LIMIT]
    while len(name.encode()) > 255:
        name = name[:-1]
    return name.strip(" .") or "unnamed"
