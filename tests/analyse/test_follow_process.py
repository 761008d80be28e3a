"""A capture that another process writes at 25 frames a second is followed to its end, by the real clock."""

import io
import json
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
import soundfile

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.record.journal import Journal

FRAMES = 260
RATE = 25.0
SOUND_RATE = 8000

pytestmark = pytest.mark.campaign


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("drawn") / "reel"
    truth = specimen_truth(
        "super 8", width=512, height=384, frames=FRAMES, seed=8, bits=10, code_values="log", punching_um=1.0
    )
    write_specimen(folder, truth, format="dpx", sound=False, reel="followed", box_words="", processes=2)
    return folder


def sound_file(place: Path, levels_db) -> str:
    noise = np.random.default_rng(3)
    seconds = [noise.normal(0, 10 ** (level / 20), SOUND_RATE) for level in levels_db]
    data = io.BytesIO()
    soundfile.write(data, np.clip(np.concatenate(seconds), -1, 1), SOUND_RATE, format="WAV", subtype="PCM_24")
    place.write_bytes(data.getvalue())
    return str(place)


class Bench:
    """Scanner and `follow` side by side."""

    def __init__(self, drawn: Path, place: Path) -> None:
        self.drawn, self.place = drawn, place
        self.capture, self.shelf = place / "capture", place / "shelf"
        self.capture.mkdir()
        shutil.copy(drawn / "capture.toml", self.capture)

    def plan(self, frames, *, sound: str = "") -> Path:
        """`frames`: pairs of a frame of the drawing (or a file) and the number that it gets."""
        stamps = (self.drawn / "frames.csv").read_text().splitlines()[1:]
        pairs = [
            (
                str(self.drawn / f"frame_{n:06d}.dpx") if isinstance(n, int) else str(n[1]),
                f"frame_{k:06d}.dpx",
            )
            for n, k in frames
        ]
        numbers = [n if isinstance(n, int) else n[0] for n, _ in frames]
        lines = [f"{place},{stamps[n].split(',')[1]}" for place, n in enumerate(numbers)]
        plan = {"target": str(self.capture), "rate": RATE, "frames": pairs, "stamps": lines, "sound": sound}
        path = self.place / "plan.json"
        path.write_text(json.dumps(plan))
        return path

    def scanner(self, plan: Path) -> subprocess.Popen:
        script = Path(__file__).with_name("scanner_process.py")
        return subprocess.Popen([sys.executable, str(script), str(plan)], stdout=subprocess.PIPE, text=True)

    def follow(self, *more: str) -> subprocess.Popen:
        command = [sys.executable, "-m", "smallgauge", "follow", str(self.capture), "--out", str(self.shelf)]
        return subprocess.Popen([*command, *more], stdout=subprocess.PIPE, text=True)

    def run(self, frames, **more):
        """The verdict line, everything that was said, the exit code, and the seconds from last frame to verdict."""
        following = self.follow()
        time.sleep(3.0)  # the operator starts the scanner after it
        scanning = self.scanner(self.plan(frames, **more))
        said, answered = [], None
        for line in following.stdout:
            said.append(line.strip())
            if line.startswith(("The reel may come off", "Keep the reel on")):
                answered = time.monotonic()
                verdict = line.strip()
        last = float(scanning.communicate()[0])
        return verdict, said, following.wait(), answered - last


@pytest.fixture
def bench(drawn, tmp_path):
    return Bench(drawn, tmp_path)


def test_whole(bench):
    sound = sound_file(bench.place / "s.wav", [-30] * 18)
    verdict, said, code, after = bench.run([(n, n) for n in range(FRAMES)], sound=sound)
    assert verdict == f"The reel may come off: {FRAMES} frames, none missing, none out of focus.", said
    assert code == 0 and after < 30
    outcome = finish(bench.capture, bench.shelf, Settings(at="2026-01-17T10:00:00Z", workers=2))
    lines = Journal(bench.shelf / "followed").lines.values()
    kept = [
        line.rows for line in lines if line.file.startswith("work/rows/frames-") and line.step == "follow"
    ]
    assert sum(kept) >= 100 and "deliver" in outcome.steps
    print(f"answered {after:.1f} s after the last frame; rows of {sum(kept)} of {FRAMES} frames kept")


@pytest.mark.parametrize("kind", ["silently", "numbers skipped"])
def test_three_frames_dropped(bench, kind):
    frames = [n for n in range(FRAMES) if n not in (150, 151, 152)]
    numbered = [(n, n if kind == "numbers skipped" or n < 150 else n - 3) for n in frames]
    verdict, said, code, after = bench.run(numbered)
    lost = (
        "3 numbers of the files were skipped (3 before captured frame 150)"
        if kind == "numbers skipped"
        else "3 frames of the film were not captured (3 before captured frame 150)"
    )
    assert verdict.startswith(f"Keep the reel on. {lost}"), said
    assert code == 1 and after < 30


def test_focus_lost_half_way(bench):
    from smallgauge.media.picture_in import list_capture, open_picture
    from smallgauge.media.specimen_out import write_capture_frame

    soft = bench.place / "soft"
    soft.mkdir()
    frames = [(n, n) for n in range(FRAMES // 2)]
    with open_picture(list_capture(bench.drawn)) as reader:
        for n in range(FRAMES // 2, FRAMES):
            path = soft / f"{n}.dpx"
            write_capture_frame(path, cv2.GaussianBlur(reader.read(n).samples, (0, 0), 2.5), bits=10)
            frames.append(((n, path), n))
    verdict, said, code, after = bench.run(frames)
    assert verdict.startswith(f"Keep the reel on. The focus was lost from captured frame {FRAMES // 2} on"), (
        said
    )
    assert any("out of focus" in line for line in said[:-2]), "said while the scanner runs"
    assert code == 1 and after < 30


@pytest.mark.parametrize("levels", [[-30] * 9 + [-92] * 9, [-92] * 18])
def test_the_sound_cable_out(bench, levels):
    sound = sound_file(bench.place / "s.wav", levels)
    verdict, said, code, after = bench.run([(n, n) for n in range(FRAMES)], sound=sound)
    reason = (
        "The sound has no level for" if levels[0] > -50 else "The sound has no level from beginning to end"
    )
    assert verdict.startswith(f"Keep the reel on. {reason}"), said
    assert code == 1 and after < 30


def test_stopped_by_two_ctrl_c_and_gone_on_with(bench):
    scanning = bench.scanner(bench.plan([(n, n) for n in range(FRAMES)]))
    following = bench.follow()
    time.sleep(9.0)
    following.send_signal(signal.SIGINT)
    time.sleep(0.2)
    following.send_signal(signal.SIGINT)
    following.communicate()
    assert following.returncode == 130
    scanning.communicate()
    shelf = bench.shelf / "followed"
    assert not [path for path in shelf.rglob("*.json") if not path.read_text().strip()]
    again = bench.follow("--json", "--quiet-seconds", "2")
    document = json.loads(again.communicate()[0])
    assert again.returncode == 0 and document["may_come_off"] and document["frames"] == FRAMES


def test_the_first_ctrl_c_asks_for_the_verdict(bench):
    scanning = bench.scanner(bench.plan([(n, n) for n in range(40)]))
    scanning.communicate()
    following = bench.follow("--json", "--quiet-seconds", "25")
    time.sleep(6.0)
    following.send_signal(signal.SIGINT)
    document = json.loads(following.communicate()[0])
    assert following.returncode == 0 and document["frames"] == 40 and document["answered_s"] < 25
