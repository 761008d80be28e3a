"""One reel's whole way through the shop, as commands, with the state before and after each: what the fault campaigns start from.

order, intake, analyse, decide, render, finish, prove, bag, stills, approval, copy, recheck, hand over, hand back, release, remark;
on a drawn reel of a few frames with segments of four, so that there are several. All below one folder: film, shelf and a disk.
"""

import contextlib
import hashlib
import importlib
import json
import os
import shutil
import sys
from dataclasses import dataclass, field
from pathlib import Path

from forked import Ended, run_forked

from smallgauge.crew import prepare_kernels

NUMBER = "0000013-R01-3"
SIGNED = ("--signed-by", "Wim Oster", "--count", "reels=1", "--count", "boxes=1")
TAKE = ("--gauge", "Super 8", "--box-words", "garden", "--forbids", "nothing", "--decides", "Wim Oster")
APPENDS = (
    ".jsonl",
    "broadcast.log",
)  # papers that only grow: what stood there must still begin them, line by line
FRAMES = 9


def commands(place: Path) -> dict[str, list[str]]:
    """Every command of the story, by name, in order."""
    film, shelf, disk = place / "film", place / "shelf", place / "disk 12"
    reel = shelf / NUMBER
    by, out = ["--by", "mk"], ["--out", str(shelf), "--workers", "1", "--quiet"]
    book = ["--shelf", str(shelf)]
    return {
        "order": ["order", "new", *by, "--client", "Wim Oster", "--reach", "by post", "--delete-on", "2031-01-01",
                  *SIGNED, *book],
        "intake": ["intake", "0000013", *by, *TAKE, *book],
        "analyse": ["analyse", str(film), *out],
        "decide": ["treat", str(reel), "--decide", "camera_speed", "16", *by, "--why", "the client's own notes"],
        "render": ["render", str(film), *out],
        "finish": ["finish", str(film), *out],
        "prove": ["prove", str(reel), "--capture", str(film), "--workers", "1", "--quiet"],
        "bag": ["deliver", str(reel), "--bag", "--quiet"],
        "stills": ["stills", str(reel), "--frames", "3", "--reach", "0", *by, "--quiet"],
        "deliver again": ["deliver", str(reel), "--bag", "--quiet"],
        "approval": ["approval", str(reel), "--workers", "1", "--quiet"],
        "copy": ["copy", str(reel / "bag"), str(disk / NUMBER), "--medium", "disk 12", "--kind", "hard disk", *by, "--quiet"],
        "recheck": ["recheck", str(disk / NUMBER), "--log", str(place / "log" / "recheck.jsonl"), "--quiet"],
        "hand over": ["deliver", str(reel), "--handed-over", "Wim Oster", "--on", "2026-03-01"],
        "hand back": ["hand-back", "0000013", *by, "--reel", NUMBER, "--count", "boxes=1", "--to", "Wim Oster", *book],
        "release": ["release", NUMBER, *book, "--capture", str(film), "--go", "frames", "--go", "work", "--who", "mk",
                    "--why", "room"],
        "remark": ["remarks", str(reel), "--add", "too dark", "--place", "3", "--who", "Wim Oster", "--how", "letter",
                   "--on", "2026-03-01"],
    }  # fmt: skip


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def files(place: Path) -> dict[str, Path]:
    """Every file below a place by its name, without the folders `work`, in which each run keeps what it is making."""
    found = (path for path in sorted(place.rglob("*")) if path.is_file() and not path.is_symlink())
    told = {path.relative_to(place).as_posix(): path for path in found}
    return {name: path for name, path in told.items() if "work" not in name.split("/")}


def digests(place: Path) -> dict[str, str]:
    return {name: digest(path) for name, path in files(place).items() if not name.startswith("shelf/office")}


def unlike(found: dict[str, str], wanted: dict[str, str]) -> list[str]:
    """Files that differ between two states; not those of which each stop of a removal, and each copying, makes one of its own."""
    own = ("/released/", "/media/")
    names = sorted(wanted.keys() | found.keys())
    return [n for n in names if wanted.get(n) != found.get(n) and not any(each in n for each in own)]


def left_lying(place: Path) -> list[str]:
    """Temporary files and locks, `work` too."""
    return [
        path.relative_to(place).as_posix()
        for path in sorted(place.rglob("*"))
        if path.name.endswith((".part", ".dead", ".old")) or ".part/" in f"{path}/" or path.name == "lock"
    ]


def copy_place(source: Path, target: Path) -> None:
    """A copy in which names of one file stay names of one file."""
    shutil.rmtree(target, ignore_errors=True)
    shutil.rmtree(f"{target}.gone", ignore_errors=True)
    done: dict[int, str] = {}

    def copy(one: str, other: str) -> str:
        number = os.stat(one).st_ino  # noqa: PTH116
        if number in done:
            os.link(done[number], other)
        else:
            done[number] = str(shutil.copy2(one, other))
        return other

    shutil.copytree(source, target, copy_function=copy)


@dataclass
class Pass:
    """One command of the story: the state that it starts from, what it leaves, and every whole version of each file between."""

    name: str
    before: Path
    steps: int
    code: int
    after: dict[str, str]
    twice: dict[str, str]  # after the same command given twice: what a repeated command may leave
    known: dict[str, set[str]]
    told: dict[str, bytes] = field(default_factory=dict)


class Story:
    """The story told once without a fault; `place` is where commands run, always the same, so that papers agree."""

    def __init__(
        self, base: Path, draw, *, names: tuple[str, ...] | None = None, twice: tuple[str, ...] | None = None
    ) -> None:
        """`names` are the passes that are told; of those in `twice` it is found out what they leave when repeated."""
        self.base, self.place, self.twice = base, base / "place", twice
        self.place.mkdir(parents=True)
        (self.place / "shelf").mkdir()
        draw(self.place / "film")
        prepare_kernels()
        importlib.import_module("smallgauge.line")  # loaded once here, and not by the first process
        self.arguments = commands(self.place)
        self.passes: dict[str, Pass] = {}
        for name, words in self.arguments.items():
            if names is not None and name not in names:
                continue
            self._tell(name, words)

    def _tell(self, name: str, words: list[str]) -> None:
        kept = self.base / "before" / name
        kept.parent.mkdir(exist_ok=True)
        copy_place(self.place, kept)
        before = digests(self.place)
        # Begun anew in the same place, so that times of files are those of a copy.
        copy_place(kept, self.place)
        ended = run_forked(words, self.place, record=True, settle=self._note_modules)
        assert ended.code in (0, 1), (name, ended)
        self.load()
        assert not left_lying(self.place), (name, left_lying(self.place))
        after = digests(self.place)
        known = {n: {d} for n, d in before.items()}
        for n, d in after.items():
            known.setdefault(n, set()).add(d)
        for path, marks in ended.versions.items():
            known.setdefault(Path(path).relative_to(self.place).as_posix(), set()).update(marks)
        copy_place(self.place, self.base / "once")
        twice = after
        for _ in range(
            2 if self.twice is None or name in self.twice else 0
        ):  # a report states the size of what lies beside it, the report before too
            again = run_forked(words, self.place, record=True, settle=settle)
            twice = digests(self.place)
            for n, d in twice.items():
                known.setdefault(n, set()).add(d)
            for path, marks in again.versions.items():
                known.setdefault(Path(path).relative_to(self.place).as_posix(), set()).update(marks)
        copy_place(self.base / "once", self.place)
        told = {n: p.read_bytes() for n, p in files(kept).items() if n.endswith(APPENDS)}
        self.passes[name] = Pass(name, kept, ended.steps, ended.code, after, twice, known, told)

    def _note_modules(self) -> None:
        settle()
        end, note = os._exit, self.base / "modules"

        def leave(code: int) -> None:
            with contextlib.suppress(OSError), note.open("a") as file:
                file.write("\n".join(sys.modules) + "\n")
            end(code)

        os._exit = leave  # type: ignore[assignment]

    def load(self) -> None:
        """Load here what the commands loaded, so that none of the processes to come has to."""
        prepare_kernels()
        for name in sorted(set((self.base / "modules").read_text().split()) - set(sys.modules)):
            if not name.startswith(("_", "tests", "test_", "conftest")):
                with contextlib.suppress(Exception):
                    importlib.import_module(name)

    def begin(self, name: str) -> None:
        """Bring the place to the state before a pass."""
        copy_place(self.passes[name].before, self.place)

    def run(self, name: str, **options) -> Ended:
        return run_forked(self.arguments[name], self.place, settle=settle, **options)

    def faults(self, name: str, *, torn: bool = True) -> list[str]:
        """What is not whole in the place now, measured against the versions that a run without a fault named."""
        here, told = self.passes[name], []
        now = files(self.place)
        for file, path in now.items():
            if file.endswith(".part") or ".part/" in file or file.startswith("shelf/office"):
                continue
            if file.endswith(APPENDS):
                lines = path.read_bytes()
                begun = here.told.get(file, b"")
                if not lines.startswith(begun):
                    told.append(f"{file}: what stood there does not begin it any more")
                for line in lines.splitlines(keepends=True):
                    with contextlib.suppress(ValueError):
                        json.loads(line)
                        continue
                    if not torn or line.endswith(b"\n"):
                        told.append(f"{file}: a broken line within")
            elif digest(path) not in here.known.get(
                file.replace(".old/", "/"), set()
            ):  # .old: on its way out
                told.append(f"{file}: a version that no run without a fault has named")
        gone = [n for n in here.known if n not in now and n in here.after and (here.before / n).exists()]
        told += [f"{n}: gone" for n in gone]
        return told

    def otherwise(self, name: str) -> list[str]:
        """Files that are not as the pass without a fault left them."""
        found, here = digests(self.place), self.passes[name]
        return min((unlike(found, wanted) for wanted in (here.after, here.twice)), key=len)


def settle() -> None:
    """In a forked process: short segments, and the disk counts as another file system."""
    import smallgauge.record.recipe
    from smallgauge import crew
    from smallgauge.office import open_reel

    crew.START = "fork"  # what reads outside material is counted and killed too
    smallgauge.record.recipe.SEGMENT_FRAMES = 4
    open_reel.same_volume = lambda first, second: ("disk 12" in str(first)) == ("disk 12" in str(second))
