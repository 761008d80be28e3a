"""A shop that runs on and on: small reels one after the other, with faults drawn by chance; memory, files and book are measured.

python tests/faults/soak.py --minutes 60 --log soak.jsonl

Every turn takes in an order of one reel, takes its capture through the line with a fault in about every second command, copies the
bag to another disk, gives the film back and lets the captured frames go. One process lives through all turns and proves each reel,
as a bench that is never switched off would; its memory is read after each. A line of the log is one turn. Reels are taken off the
shelf when they are measured, by the script, so that the disk does not fill; the book keeps them all.
"""

import argparse
import gc
import itertools
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
sys.path[:0] = [str(Path(__file__).parents[1] / "lines"), str(Path(__file__).parent)]
import numpy as np  # noqa: E402
from forked import Fault, run_forked  # noqa: E402
from story import SIGNED, TAKE, Story, files, left_lying, settle  # noqa: E402
from test_line_kills import draw  # noqa: E402

STEPS = {"analyse": 240, "render": 190, "finish": 380, "bag": 600, "copy": 360, "recheck": 130}
COMMANDS = ("analyse", "render", "finish", "bag", "copy", "recheck", "hand back", "release")
ERRORS = (28, 5, 30)  # no room, a failing disk, a closed one

LIVING = """
import contextlib, gc, io, json, os, sys
sys.path[:0] = json.loads(sys.argv[1])
from story import settle
settle()
from smallgauge import cli
for line in sys.stdin:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = cli.main(json.loads(line))
    gc.collect()
    memory = int(open("/proc/self/statm").read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    print(json.dumps({"code": code, "rss": memory, "handles": len(os.listdir("/proc/self/fd"))}), flush=True)
"""


def words_of(place: Path, order: str, number: str) -> dict[str, list[str]]:
    """The commands of a turn, by name."""
    from story import NUMBER, commands

    return {
        name: [
            word.replace(NUMBER, number)
            .replace(f"{place}/film", f"{place}/film-{number}")
            .replace("0000013", order)
            for word in words
        ]
        for name, words in commands(place).items()
    }


class Soak:
    """The shop, and the process that lives through all turns."""

    def __init__(self, base: Path, chance: int) -> None:
        self.chance = np.random.default_rng(chance)
        self.story = Story(base, draw, names=("order", "intake", "analyse", "render", "finish", "prove"))
        self.place = self.story.place
        self.film = base / "film"
        shutil.copytree(self.story.passes["analyse"].before / "film", self.film)
        shutil.rmtree(self.place)
        (self.place / "shelf").mkdir(parents=True)
        paths = json.dumps([path for path in sys.path if path.endswith(("/lines", "/faults"))])
        self.living = subprocess.Popen(
            [sys.executable, "-c", LIVING, paths], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def plain(self, words: list[str]):
        ended = run_forked(words, self.place, settle=settle)
        assert ended.code in (0, 1), (words, ended)
        return ended

    def fault(self, name: str) -> Fault:
        kind = int(self.chance.integers(0, 4))
        step = int(self.chance.integers(1, STEPS[name] + 1))
        if kind == 0:
            return Fault(ERRORS[int(self.chance.integers(0, 3))], step)
        if kind == 1:
            return Fault("short", 1, int(2 ** self.chance.uniform(6, 18)))
        return Fault(("kill", "torn")[kind - 2], step)

    def turn(self) -> dict[str, object]:
        """One order from the count to the release; what was measured."""
        begun = time.monotonic()
        asked = ["--by", "mk", "--shelf", str(self.place / "shelf"), "--json"]
        told = self.plain(["order", "new", "--client", "Wim Oster", "--reach", "by post", "--delete-on", "2031-01-01",
                           *SIGNED, *asked])  # fmt: skip
        order = json.loads(told.out)["number"]
        number = json.loads(self.plain(["intake", order, *TAKE, *asked]).out)["number"]
        film = self.place / f"film-{number}"
        shutil.copytree(self.film, film)
        notes = (film / "capture.toml").read_text().splitlines()
        words = [line for line in notes if not line.startswith("reel")]
        (film / "capture.toml").write_text("\n".join([*words, f'reel = "{number}"']) + "\n")
        faults, killed, refused, peak = 0, 0, 0, 0
        for name in COMMANDS:
            command = words_of(self.place, order, number)[name]
            while name in STEPS and self.chance.random() < 0.5:
                fault = self.fault(name)
                ended = run_forked(command, self.place, fault=fault, settle=settle)
                assert ended.killed or ended.code in (0, 1, 2, 3, 4), (name, fault, ended)
                assert "Traceback" not in ended.err, (name, fault, ended)
                faults, killed, refused = (
                    faults + 1,
                    killed + ended.killed,
                    refused + (ended.code in (2, 3, 4)),
                )
            peak = max(peak, self.plain(command).peak_kb)
            if name == "bag":
                lives = self.ask(words_of(self.place, order, number)["prove"])
        reel = self.place / "shelf" / number
        measured = {
            "reel": number, "faults": faults, "killed": killed, "refused": refused, "peak_kb": peak, **lives,
            "files": len(files(reel)), "bytes": sum(p.stat().st_size for p in files(reel).values()),
            "book": sum(p.stat().st_size for p in (self.place / "shelf").glob("office.sqlite*")),
            "left": left_lying(self.place), "temporary": len(list(Path(tempfile.gettempdir()).iterdir())),
            "seconds": round(time.monotonic() - begun, 1),
        }  # fmt: skip
        for place in (reel, film, self.place / "disk 12" / number):
            shutil.rmtree(place, ignore_errors=True)
        measured["beside"] = sorted(p.name for p in (self.place / "shelf").iterdir())
        return measured

    def ask(self, words: list[str]) -> dict[str, object]:
        assert self.living.stdin is not None and self.living.stdout is not None
        self.living.stdin.write(json.dumps(words) + "\n")
        self.living.stdin.flush()
        return json.loads(self.living.stdout.readline())


def drift(turns: list[dict], key: str) -> str:
    """Median of a figure over the second and the last fifth of the turns."""
    fifth = max(1, len(turns) // 5)
    early = statistics.median(t[key] for t in turns[fifth : 2 * fifth] or turns)
    late = statistics.median(t[key] for t in turns[-fifth:])
    return (
        f"{key}: {early:.0f} -> {late:.0f} ({late / early - 1:+.2%})"
        if early
        else f"{key}: {early} -> {late}"
    )


def main() -> None:
    """Run so many minutes, and say what came of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--chance", type=int, default=20261113)
    parser.add_argument("--log", type=Path, required=True)
    parser.add_argument("--folder", type=Path, default=None)
    options = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="soak-", dir=options.folder))
    (base / "temporary").mkdir()
    tempfile.tempdir = str(base / "temporary")
    os.environ["TMPDIR"] = tempfile.tempdir
    soak, turns, begun = Soak(base / "shop", options.chance), [], time.monotonic()
    while time.monotonic() < begun + 60 * options.minutes:
        turns.append(soak.turn())
        with options.log.open("a") as log:
            log.write(json.dumps(turns[-1]) + "\n")
        gc.collect()
    soak.living.kill()
    shutil.rmtree(base)
    grown = [later["book"] - earlier["book"] for earlier, later in itertools.pairwise(turns)]
    print(f"{len(turns)} reels in {(time.monotonic() - begun) / 60:.0f} minutes, {sum(t['faults'] for t in turns)} faults, "
          f"{sum(t['killed'] for t in turns)} of them kills, {sum(t['refused'] for t in turns)} refusals")  # fmt: skip
    for key in ("rss", "handles", "peak_kb", "files", "bytes", "temporary"):
        print(drift(turns, key))
    half = len(grown) // 2
    first, second = (statistics.mean(part or [0]) for part in (grown[:half], grown[half:]))
    print(
        f"book: {turns[-1]['book']} bytes; a reel adds {first:.0f} in the first half, {second:.0f} in the second"
    )
    print(
        f"left lying: {sorted({name for t in turns for name in t['left']})}; beside the reels: {turns[-1]['beside']}"
    )


if __name__ == "__main__":
    main()
