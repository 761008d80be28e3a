"""What has been made and may be kept: one line a finished piece of work, each chained to the one before.

A line names the pass, the file, the range of frames, the key (a digest of all that the piece depends
on) and the file's own SHA-256; of a file below `work/`, which is gone when the pass has ended, a checksum that costs a tenth
of it (decision 0234). A piece whose key and digest agree is kept: that is going on after
a power cut, and making again only what changed. `chain` is the SHA-256 of the line's other words and of the
chain before it, so that a bit changed anywhere in the journal is found. A torn last line (power cut) is dropped.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from smallgauge.errors import FixityError
from smallgauge.media.whole import append_line, checksum_file, digest_file, write_whole_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalLine:
    """One finished piece: `first` and `stop` are frames (0, 0 where the piece is a whole file).

    One of `sha256` and `xxh128` is there; a line with neither says that the file was taken away.
    """

    step: str
    file: str  # below the reel's folder, with forward slashes
    first: int
    stop: int
    key: str
    sha256: str
    rows: int = 0
    xxh128: str = ""  # of a file below `work/`


PASSING = "work/"  # what lies here is gone when the pass has ended


def key_of(*parts: object) -> str:
    """Digest of anything that JSON can write, for a piece's key.

    Examples
    --------
    >>> key_of("a", 1) == key_of("a", 1), key_of("a", 1) == key_of("a", 2)
    (True, False)
    """
    text = json.dumps(parts, sort_keys=True, default=str, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _chained(line: JournalLine, chain: str) -> tuple[str, str]:
    """The line as it is written, and the chain that it ends."""
    entry = asdict(line)
    if not line.xxh128:  # as it was written before there were two kinds
        del entry["xxh128"]
    words = json.dumps(entry, sort_keys=True, separators=(",", ":"))
    chain = hashlib.sha256((chain + words).encode()).hexdigest()
    return json.dumps({**entry, "chain": chain}, sort_keys=True, separators=(",", ":")), chain


def _is_more_than_torn(tail: bytes) -> bool:
    """Whether what follows the last line's end is more than a line that a power cut left unfinished."""
    try:
        _, end = json.JSONDecoder().raw_decode(tail.decode("utf-8", errors="replace"))
    except ValueError:
        return False
    return end < len(tail.decode("utf-8", errors="replace"))


class Journal:
    """The journal of one reel, open for reading and adding; only one process holds the reel's lock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "work" / "journal.jsonl"
        self.lines: dict[str, JournalLine] = {}
        self._chain = ""
        if self.path.exists():
            self._read()

    def _read(self) -> None:
        raw = self.path.read_bytes()
        whole = raw[: raw.rfind(b"\n") + 1]
        texts = whole.split(b"\n")[:-1]
        for number, text in enumerate(texts, start=1):
            try:
                entry = json.loads(text)
                del entry["chain"]
                line = JournalLine(**entry)
            except (ValueError, TypeError, KeyError, RecursionError):
                self._broken(number)
            written, self._chain = _chained(line, self._chain)
            if written.encode() != text:
                self._broken(number)
            if line.sha256 or line.xxh128:
                self.lines[line.file] = line
            else:
                self.lines.pop(line.file, None)
        if whole != raw:
            if _is_more_than_torn(raw[len(whole) :]):
                self._broken(len(texts) + 1)
            write_whole_bytes(self.path, whole)

    def _broken(self, number: int) -> None:
        raise FixityError(
            f"The journal must be as it was written, but line {number} of {self.path} was changed afterwards; "
            "move the folder 'work' away and run the command again: everything is then made and checked anew."
        )

    def add(self, line: JournalLine) -> None:
        """Append one line and force it to the disk."""
        text, chain = _chained(line, self._chain)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        append_line(self.path, text)
        self._chain = chain
        self.lines[line.file] = line

    def add_file(
        self,
        step: str,
        file: str,
        *,
        key: str,
        first: int = 0,
        stop: int = 0,
        rows: int = 0,
        sha256: str = "",
    ) -> JournalLine:
        """Hash a finished file and append its line; `sha256` is its digest where who wrote it has just hashed it."""
        passing = file.startswith(PASSING)
        line = JournalLine(
            step=step,
            file=file,
            first=first,
            stop=stop,
            key=key,
            sha256="" if passing else sha256 or digest_file(self.folder / file),
            rows=rows,
            xxh128=checksum_file(self.folder / file) if passing else "",
        )
        self.add(line)
        return line

    def forget(self, file: str) -> None:
        """Note that a file was taken away: it is no longer expected."""
        line = self.lines.get(file)
        if line is not None:
            self.add(JournalLine(step=line.step, file=file, first=0, stop=0, key="", sha256=""))
            del self.lines[file]

    def holds(self, file: str, key: str) -> bool:
        """Is this file there, made from exactly this, and unchanged on the disk?"""
        line = self.lines.get(file)
        path = self.folder / file
        if line is None or line.key != key or not path.is_file():
            return False
        return digest_file(path) == line.sha256 if line.sha256 else checksum_file(path) == line.xxh128
