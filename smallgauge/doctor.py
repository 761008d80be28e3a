"""Whether this machine and this folder are fit for somebody's only film: measured here and now, each with what to do.

examine   a folder -> what was looked at, what was found, and what to do about it

Nothing is left behind: what is written for a trial goes into a folder of its own, which is removed.
"""

import os
import shutil
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

from smallgauge.errors import MaterialError

GOOD, LOOK, BAD, NOTE = "good", "look", "bad", "note"

# Limits, common practice, no source: a 400 ft reel of 8 mm film in 2048 x 1536 and 16 bits takes some 300 GB as archive copy and
# finished film; a disk slower than two processors write the lossless codec holds the work up.
LEAST_FREE, ENOUGH_FREE = 2 * 10**9, 300 * 10**9
SLOW_MB_S = 60.0
LEAST_MEMORY, ENOUGH_MEMORY = 2 * 10**9, 6 * 10**9
TRIAL_BYTES = 64 * 2**20
CLOCK_APART_S = 3.0
WITNESSES = (
    "ffmpeg",
    "mediainfo",
    "mediaconch",
    "exiftool",
)  # other people's programs that a proof may ask
EARLIEST = 1_700_000_000  # seconds since 1970: a clock before this program was begun is wrong (November 2023)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One thing that was looked at: "good", "look" (works, with a but), "bad" (mend it first) or "note"."""

    name: str
    word: str
    found: str
    do: str = ""


def examine(folder: Path) -> tuple[Reading, ...]:
    """What this machine and a folder are like.

    Parameters
    ----------
    folder : Path
        Where reels are to lie; it must be there.

    Raises
    ------
    MaterialError
        Where there is no such folder.

    Examples
    --------
    >>> readings = examine(Path("."))
    >>> {each.word for each in readings} <= {"good", "look", "bad", "note"} and len(readings) >= 10
    True
    """
    if not folder.is_dir():
        raise MaterialError(
            f"doctor looks at the folder where reels are to lie, found none at {folder}; make it first."
        )
    readings: list[Reading] = []
    for check in (
        _disk,
        _clock,
        _memory,
        _codecs,
        _database,
        _documents,
        _browser,
        _kernels,
        _cards,
        _programs,
    ):
        try:
            readings += check(folder)
        except Exception as error:  # one check that fails must not hide the others
            name = check.__name__.strip("_")
            readings.append(
                Reading(name=name, word=BAD, found=f"the check itself failed: {error}", do="report this")
            )
    return tuple(readings)


def _disk(folder: Path) -> Iterator[Reading]:
    from smallgauge.media.whole import free_bytes, largest_file_bytes, link_or_copy, plain_size

    free = free_bytes(folder)
    word = BAD if free < LEAST_FREE else LOOK if free < ENOUGH_FREE else GOOD
    do = (
        f"make room, or use another disk: a 400 ft reel takes up to {plain_size(ENOUGH_FREE)}"
        if word != GOOD
        else ""
    )
    yield Reading(name="room", word=word, found=f"{plain_size(free)} free", do=do)
    try:
        place = TemporaryDirectory(dir=folder, prefix=".doctor-")
    except OSError as error:
        yield Reading(
            name="writing",
            word=BAD,
            found=f"nothing can be written: {error.strerror}",
            do="ask for the right to write there",
        )
        return
    with place as name:
        path = Path(name) / "trial"
        data = os.urandom(2**20)
        began = time.perf_counter()
        with path.open("wb") as file:
            for _ in range(TRIAL_BYTES // len(data)):
                file.write(data)
            file.flush()
            os.fsync(file.fileno())
        rate = TRIAL_BYTES / 1e6 / (time.perf_counter() - began)
        word = GOOD if rate >= SLOW_MB_S else LOOK
        do = (
            ""
            if word == GOOD
            else "keep reels on a faster disk while they are worked on, and copy them afterwards"
        )
        yield Reading(name="speed", word=word, found=f"{rate:.0f} MB a second, written and flushed", do=do)
        linked = link_or_copy(path, Path(name) / "second") == "linked"
        found = (
            "one file can have two names" if linked else "no second names: packages are copied, and take room"
        )
        yield Reading(name="second names", word=GOOD if linked else NOTE, found=found)
    limit = largest_file_bytes(folder)
    if limit is not None:
        do = "use a disk formatted as exFAT, NTFS, APFS or ext4 for reels"
        yield Reading(name="large files", word=BAD, found=f"no file above {plain_size(limit)}", do=do)


def _clock(folder: Path) -> Iterator[Reading]:
    now = time.time()
    if now < EARLIEST:
        do = "set the clock: dates go into papers, books and reports"
        yield Reading(name="clock", word=BAD, found=time.strftime("%Y-%m-%d", time.gmtime(now)), do=do)
        return
    with TemporaryDirectory(dir=folder, prefix=".doctor-") as name:
        path = Path(name) / "now"
        path.touch()
        apart = abs(path.stat().st_mtime - time.time())
    word = GOOD if apart < CLOCK_APART_S else LOOK
    do = "" if word == GOOD else "set this machine and the one that keeps the files by the same time server"
    found = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(now))
    yield Reading(
        name="clock", word=word, found=f"{found}; files are dated {apart:.1f} s apart from it", do=do
    )


def _memory(folder: Path) -> Iterator[Reading]:
    import psutil

    from smallgauge.media.whole import plain_size

    memory, cores = psutil.virtual_memory(), os.cpu_count() or 1
    word = BAD if memory.available < LEAST_MEMORY else LOOK if memory.available < ENOUGH_MEMORY else GOOD
    do = "close other programs, or work with --workers 1" if word != GOOD else ""
    found = f"{plain_size(memory.available)} of {plain_size(memory.total)} free, {cores} processor{'s' if cores > 1 else ''}"
    yield Reading(name="memory", word=word, found=found, do=do)


def _codecs(folder: Path) -> Iterator[Reading]:
    import numpy as np

    from smallgauge.media.copy_out import CODERS, missing_coder
    from smallgauge.media.picture_in import list_capture, open_picture
    from smallgauge.media.picture_out import create_lossless

    drawn = [np.random.default_rng(n).integers(0, 65536, (48, 64, 3)).astype(np.uint16) for n in range(3)]
    with TemporaryDirectory(dir=folder, prefix=".doctor-") as name:
        path = Path(name) / "trial.mkv"
        with create_lossless(path, width=64, height=48, bits=16, layout="rgb", rate=Fraction(18)) as writer:
            for frame in drawn:
                writer.write(frame)
        with open_picture(list_capture(path)) as reader:
            same = all(np.array_equal(reader.read(n).samples, frame) for n, frame in enumerate(drawn))
    do = "" if same else "do not use this machine for archive copies; install the program anew"
    found = "FFV1 in 16 bits comes back equal" if same else "FFV1 in 16 bits does not come back equal"
    yield Reading(name="lossless codec", word=GOOD if same else BAD, found=found, do=do)
    lacking = {coding: coder for coding in CODERS if (coder := missing_coder(coding))}
    do = "" if not lacking else "order other copies, or install FFmpeg libraries that have them"
    found = "all copies can be made" if not lacking else f"no coder for {', '.join(sorted(lacking))}"
    yield Reading(name="copies", word=GOOD if not lacking else LOOK, found=found, do=do)


def _database(folder: Path) -> Iterator[Reading]:
    import sqlite3

    from smallgauge.office.book import network_kind

    kind = network_kind(folder)
    if kind:
        do = "keep the shop's book on a disk of this machine, or in PostgreSQL (--book with its address)"
        yield Reading(
            name="shop's book", word=LOOK, found=f"the folder lies on a network share ({kind})", do=do
        )
        return
    with TemporaryDirectory(dir=folder, prefix=".doctor-") as name:
        connection = sqlite3.connect(Path(name) / "trial.db")
        mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
        connection.close()
    word = GOOD if mode == "wal" else LOOK
    do = "" if word == GOOD else "keep the shop's book on another disk, or in PostgreSQL"
    yield Reading(
        name="shop's book", word=word, found=f"SQLite {sqlite3.sqlite_version}, journal {mode}", do=do
    )


def _documents(folder: Path) -> Iterator[Reading]:
    import typst

    made = typst.compile(b"A page with \xc3\xa4, \xc3\xa9 and \xc4\x8d.")
    good = bytes(made[:5] if isinstance(made, bytes) else b"") == b"%PDF-"
    do = "" if good else "reports are made as web pages only; install the program anew"
    found = "PDF is made, with its own fonts" if good else "no PDF can be made"
    yield Reading(name="documents", word=GOOD if good else LOOK, found=found, do=do)


def _browser(folder: Path) -> Iterator[Reading]:
    import webbrowser

    try:
        webbrowser.get()
        found, word, do = "a browser is set up", GOOD, ""
    except webbrowser.Error:
        found, word = "no browser was found", NOTE
        do = "open the address that `smallgauge workbench --no-browser` prints"
    yield Reading(name="browser", word=word, found=found, do=do)


def _kernels(folder: Path) -> Iterator[Reading]:
    from smallgauge.crew import prepare_kernels

    prepare_kernels()
    place = os.environ.get("NUMBA_CACHE_DIR", "")
    do = (
        ""
        if place
        else "give this user a folder to keep compiled code in (XDG_CACHE_HOME); every start takes a minute without"
    )
    found = f"kept in {place}" if place else "nowhere to be kept"
    yield Reading(name="compiled code", word=GOOD if place else LOOK, found=found, do=do)


def _cards(folder: Path) -> Iterator[Reading]:
    from smallgauge.picture.kernels_cuda import find_cards

    names = find_cards()
    found = ", ".join(names) if names else "none that can be used; the processor does everything"
    yield Reading(name="graphics card", word=NOTE, found=found, do="--device card uses it" if names else "")


def _programs(folder: Path) -> Iterator[Reading]:
    there = [name for name in WITNESSES if shutil.which(name)]
    missing = [name for name in WITNESSES if name not in there]
    found = f"{', '.join(there) or 'none'} installed" + (
        f"; not there: {', '.join(missing)}" if missing else ""
    )
    yield Reading(
        name="witnesses",
        word=NOTE,
        found=found,
        do="`prove --witness` asks those that are there" if there else "",
    )
    yield Reading(name="program", word=NOTE, found=f"Python {sys.version.split()[0]} on {sys.platform}")
