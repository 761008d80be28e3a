"""`kill -9` at any moment, then the same command again: same files, same digests.

Every file outside work/ is compared with those of a run that nobody disturbed, with one worker and with two.
"""

import hashlib
import itertools
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from drawn_reels import small_reel

HERE = Path(__file__).parent
FRAMES = 11  # three segments of short_segments.py

RUNS = itertools.count()

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a group of POSIX processes")


@pytest.fixture(scope="module")
def capture(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("resume") / "resumed"
    small_reel(folder, frames=FRAMES)
    return folder


@pytest.fixture(scope="module")
def undisturbed(capture) -> dict[str, str]:
    shelf = capture.parent / "undisturbed"
    process = start(capture, shelf, workers=1)
    _, words = process.communicate(timeout=300)
    assert process.returncode == 0, words
    return digests(shelf)


def start(capture: Path, shelf: Path, *, workers: int, command: str = "finish") -> subprocess.Popen:
    arguments = [command, str(capture), "--out", str(shelf), "--workers", str(workers), "--quiet"]
    return subprocess.Popen(
        [sys.executable, str(HERE / "short_segments.py"), *arguments],
        # What lies in fresh memory differs from run to run, as it does in life (glibc's mallopt(3), M_PERTURB).
        env=os.environ
        | {"SOURCE_DATE_EPOCH": "1768644000", "MALLOC_PERTURB_": str(1 + 83 * next(RUNS) % 255)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def journal_lines(shelf: Path) -> int:
    path = shelf / "resumed" / "work" / "journal.jsonl"
    return path.read_bytes().count(b"\n") if path.exists() else 0


def kill_after(process: subprocess.Popen, shelf: Path, lines: int, wait_s: float) -> bool:
    """Kill the whole group once the journal has so many lines; False if the run was over before."""
    until = time.monotonic() + 300
    while journal_lines(shelf) < lines and process.poll() is None and time.monotonic() < until:
        time.sleep(0.002)
    time.sleep(wait_s)
    if process.poll() is not None:
        return False
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)
    return True


def digests(shelf: Path) -> dict[str, str]:
    folder = shelf / "resumed"
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and not name.startswith("work/"):
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def finish(capture: Path, shelf: Path, *, workers: int, command: str = "finish") -> None:
    process = start(capture, shelf, workers=workers, command=command)
    words, _ = process.communicate(timeout=300)
    assert process.returncode == 0, words


def test_two_workers_make_the_same_files_after_a_kill(capture, undisturbed, tmp_path):
    """Two workers, killed while segments of the finished film are made, then one worker."""
    assert kill_after(start(capture, tmp_path / "shelf", workers=2), tmp_path / "shelf", 26, 0.05)
    finish(capture, tmp_path / "shelf", workers=1)
    assert digests(tmp_path / "shelf") == undisturbed


def test_torn_papers_are_gone_on_from(capture, undisturbed, tmp_path):
    """A journal and a log of decisions that end in the middle of a line, and unfinished files beside."""
    shelf = tmp_path / "shelf"
    assert kill_after(start(capture, shelf, workers=1), shelf, 21, 0.0)
    folder = shelf / "resumed"
    journal = folder / "work" / "journal.jsonl"
    journal.write_bytes(journal.read_bytes()[:-40])
    with (folder / "decisions.jsonl").open("ab") as log:
        log.write(b'{"id": 7, "revision": 7, "by": "progr')
    for name in ("archive.mkv", "finished.mkv", "frames.parquet", "work/segments/finished-000004.mkv"):
        (folder / f"{name}.part").parent.mkdir(exist_ok=True)
        (folder / f"{name}.part").write_bytes(b"unfinished")
    finish(capture, shelf, workers=1)
    left = {name: mark for name, mark in digests(shelf).items() if not name.endswith(".part")}
    assert left == undisturbed


@pytest.mark.campaign
def test_an_archive_copy_of_single_frames_goes_on_after_a_kill(tmp_path):
    """Killed between and within chunks, two workers then one: frames, list and tables are those of a run undisturbed."""
    capture = tmp_path / "resumed"
    small_reel(capture, frames=FRAMES, sound=False, format="dpx")
    with (capture / "capture.toml").open("a") as notes:
        notes.write('archive = "dpx"\n')
    finish(capture, tmp_path / "undisturbed", workers=1, command="analyse")
    wanted = digests(tmp_path / "undisturbed")
    assert sum(name.endswith(".dpx") for name in wanted) == FRAMES
    shelf = tmp_path / "shelf"
    assert kill_after(start(capture, shelf, workers=2, command="analyse"), shelf, 5, 0.03)
    finish(capture, shelf, workers=1, command="analyse")
    assert digests(shelf) == wanted


@pytest.mark.campaign
def test_kills_at_moments_drawn_by_chance(capture, undisturbed, tmp_path, capsys):
    """40 kills (generator's number 20260118): several to a reel, one or two workers, in every step."""
    chance = np.random.default_rng(20260118)
    kills, reels = 0, 0
    while kills < 40:
        shelf = tmp_path / f"shelf-{reels}"
        for _ in range(int(chance.integers(1, 5))):
            lines = journal_lines(shelf) + int(chance.integers(0, 16))
            process = start(capture, shelf, workers=int(chance.integers(1, 3)))
            kills += kill_after(process, shelf, lines, float(chance.uniform(0.0, 1.2)))
        finish(capture, shelf, workers=int(chance.integers(1, 3)))
        assert digests(shelf) == undisturbed, reels
        reels += 1
    with capsys.disabled():
        print(f"\n{kills} kills on {reels} reels, every file equal")
