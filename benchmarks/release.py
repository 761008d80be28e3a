"""What `smallgauge release` costs: the list of a shelf, and the reading before anything goes.

Run `python -m benchmarks.release [reels]`. One drawn reel of three frames is taken to its package once and stands on a shelf
under as many names as asked for (100 unless said), in a book whose film has gone back. The list is made five times, each in a
process of its own; user CPU seconds, median of 5, and what of it is one reel's. Then what reading costs: SHA-256, and SHA-256 with
SHA-512 as an archive copy is read that lies in a bag, of a file of 10^9 bytes.
"""

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from smallgauge import cli
from smallgauge.gauge.numbers import reel_number
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.media.whole import digests_file
from smallgauge.office import ledger
from smallgauge.office.book import Book
from smallgauge.office.place import book_place
from smallgauge.picture.synthetic import draw_frame, specimen_truth

AT = "2026-03-02T09:00:00Z"
TIMES = 5
BYTES = 10**9


def draw_capture(folder: Path) -> Path:
    """A capture of three frames of standard 8."""
    truth = specimen_truth("standard 8", width=384, height=288, frames=3, fast_noise=True)
    folder.mkdir()
    for number in range(3):
        write_capture_frame(
            folder / f"frame_{number:06d}.png", draw_frame(truth, number).samples, bits=truth.bits
        )
    (folder / "capture.toml").write_text('code_values = "linear"\ngauge = "standard 8"\n')
    return folder


def fill(shelf: Path, made: Path, reels: int) -> None:
    """The reel under many names, by second names of its files, and a book that says that all of the film has gone back."""
    with Book(book_place(shelf), make=True) as book:
        for order in range(1, reels // 10 + 1):
            said = {
                "client": "Wim Oster",
                "reach": "by post",
                "delete_on": "2027-03-02",
                "signed_by": "Wim Oster",
            }
            ledger.new_order(book, at=AT, by="mk", counts={"reels": 10}, **said)
            named = [reel_number(order, number) for number in range(1, 11)]
            asked = {"gauge": "standard 8", "box_words": "garden", "forbids": "nothing", "decides": "W"}
            for name in named:
                ledger.take_in(book, at=AT, by="mk", order=order, **asked)
                shutil.copytree(made, shelf / name, copy_function=os.link)
            ledger.hand_back(book, at=AT, by="mk", order=order, reels=named, counts={}, to="Wim Oster")


def user_s(command: list[str]) -> float:
    """User CPU seconds of a command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before


def reading_s(path: Path, kinds: tuple[str, ...]) -> float:
    """User CPU seconds of reading a file with its digests, in this process."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_utime
    digests_file(path, kinds, from_medium=True)
    return resource.getrusage(resource.RUSAGE_SELF).ru_utime - before


def main(reels: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as place:
        top = Path(place)
        (top / "made").mkdir()
        (top / "shelf").mkdir()
        cli.main(["finish", str(draw_capture(top / "film")), "--out", str(top / "made"), "--quiet", "--json"])
        fill(top / "shelf", top / "made" / "film", reels)
        command = [sys.executable, "-m", "smallgauge", "release", "--shelf", str(top / "shelf")]
        listed = statistics.median(user_s(command) for _ in range(TIMES))
        start = statistics.median(
            user_s([sys.executable, "-m", "smallgauge", "release", "--help"]) for _ in range(TIMES)
        )
        each = 1000 * (listed - start) / reels
        print(
            f"list of {reels} reels: {listed:.2f} s, {each:.1f} ms a reel and the program's own imports; help alone {start:.2f} s"
        )
        big = top / "big"
        with big.open("wb") as file:
            for _ in range(BYTES // 10**7):
                file.write(os.urandom(10**7))
        for kinds in (("sha256",), ("sha256", "sha512")):
            found = statistics.median(reading_s(big, kinds) for _ in range(TIMES))
            print(f"reading 10^9 bytes with {' and '.join(kinds)}: {found:.2f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
