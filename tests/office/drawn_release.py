"""A shop whose one reel is done: its capture, its shelf with the book, and a medium, in folders that a test may spoil."""

import json
import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from shop import open_shop, parcel, reel

from smallgauge import cli
from smallgauge.office import ledger, open_reel
from smallgauge.office.book import check_book

NUMBER = "0000013-R01-3"
BACK = "2026-03-09T10:00:00Z"  # the film went back
FREE = {"days": 30, "notice_days": 7}


@dataclass
class Bench:
    """Where everything lies, and how commands are given."""

    place: Path
    capsys: object

    @property
    def shelf(self):
        return self.place / "shelf"

    @property
    def folder(self):
        return self.shelf / NUMBER

    @property
    def film(self):
        return self.place / "film"

    @property
    def medium(self):
        return self.place / "disk 12"

    def run(self, *words):
        """Run a command; its exit code and JSON document."""
        self.capsys.readouterr()
        code = cli.main([*words, "--json"])
        out = self.capsys.readouterr().out
        return code, json.loads(out[out.index("{") :])

    def copy(self):
        """Copy the bag to the medium."""
        return self.run("copy", str(self.folder / "bag"), str(self.medium / NUMBER), "--medium", "disk 12",
                        "--kind", "hard disk", "--by", "mk")  # fmt: skip

    def list(self):
        """What the program lists: subject -> item."""
        code, told = self.run("release", "--shelf", str(self.shelf), "--capture", str(self.film))
        assert code == 0
        return {item["what"]: item for item in told["items"]}

    def go(self, *kinds):
        """Let it go."""
        asked = [word for kind in kinds for word in ("--go", kind)]
        return self.run("release", NUMBER, "--shelf", str(self.shelf), "--capture", str(self.film), *asked,
                        "--who", "mk", "--why", "room")  # fmt: skip

    def hand_back(self):
        """The film goes back to its client."""
        with open_shop(self.shelf) as book:
            ledger.hand_back(
                book, at=BACK, by="mk", order=1, reels=[NUMBER], counts={"boxes": 1}, to="Wim Oster"
            )

    def says(self, what, on, order=1):
        """The client said, or was told, something."""
        with open_shop(self.shelf) as book:
            said = {"order": order, "what": what, "how": "in writing", "on": on}
            ledger.note_client_word(book, at=f"{on}T12:00:00Z", by="mk", **said)

    def hand_over(self, on="2026-03-09"):
        """The package leaves the shop."""
        assert cli.main(["deliver", str(self.folder), "--handed-over", "Wim Oster", "--on", on]) == 0

    def events(self):
        """What the book tells of letting go, and that it is whole."""
        with open_shop(self.shelf) as book:
            assert check_book(book).faults == ()
        told = self.run("reel", "show", NUMBER, "--shelf", str(self.shelf))[1]["events"]
        return [each for each in told if "release" in each["what"]]

    def files(self):
        """Every file of capture and shelf but the book's, the locks and the papers of what went."""
        found = (path for top in (self.film, self.folder) for path in top.rglob("*") if path.is_file())
        return {
            path.relative_to(self.place).as_posix()
            for path in found
            if not {"released", "media"} & set(path.parts) and "lock" not in path.name
        }


def write_book(place):
    """The shop's rule, and a book in which the reel came and went back."""
    bench = Bench(place, None)
    with open_shop(bench.shelf) as book:
        reel(book, parcel(book, reels=1))
    (bench.shelf / "shop.toml").write_text("[keeping]\ndays = 30\nnotice_days = 7\n")
    bench.hand_back()


def make_bench(done_shop, place, capsys, monkeypatch):
    """A bench of its own for a test; the medium counts as another file system, as it would be."""
    shutil.copytree(done_shop, place, dirs_exist_ok=True, copy_function=link_alike(done_shop))
    bench = Bench(place, capsys)
    apart = lambda first, second: ("disk 12" in str(first)) == ("disk 12" in str(second))  # noqa: E731
    monkeypatch.setattr(open_reel, "same_volume", apart)
    return bench


def link_alike(top):
    """Copies a tree so that names of one file stay names of one file."""
    done = {}

    def copy(source, target):
        number = Path(source).stat().st_ino
        if number in done:
            os.link(done[number], target)
        else:
            done[number] = shutil.copy2(source, target)
        return target

    return copy


def flip(path):
    """One bit of a file is another, and its length and time are as they were."""
    was = path.stat()
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.unlink()
    path.write_bytes(data)
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))


def is_working_file(name):
    """Whether a file lies in the folder of a reel that may be deleted when nothing runs."""
    return "work" in name.split("/")
