"""Frames that end or stall the process that reads them cost that process, are found by halving and are flagged unreadable."""

import os
import signal
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
from drawn_reels import small_reel

import smallgauge.record.recipe
from smallgauge import cli, crew
from smallgauge.analyse.meter import Meter
from smallgauge.media import picture_in
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import read_table

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="left out: forks POSIX processes"),
    # Run it alone: a process in which other tests have left threads is not fit to fork. `test_crew.py` has the daily part.
    pytest.mark.campaign,
]


def kill_itself(path):
    os.kill(os.getpid(), signal.SIGKILL)


def stall(path):
    time.sleep(600)


def take_memory(path):
    bytearray(12 * 2**30)


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    folder = tmp_path_factory.mktemp("outside") / "film"
    small_reel(folder, sound=False, frames=8)
    return folder


@pytest.fixture
def analyse(capture, tmp_path, capsys, monkeypatch):
    """`smallgauge analyse` where reading some frames does something to the process that reads; exit code and words."""
    monkeypatch.setattr(crew, "START", "fork")  # so that the processes have what is set here
    monkeypatch.setattr(smallgauge.record.recipe, "SEGMENT_FRAMES", 4)
    real, me = picture_in.read_still, os.getpid()

    def call(harm, *frames, extra=()):
        def read(path, header):
            if any(path.name == f"frame_{n:06d}.png" for n in frames):
                assert os.getpid() != me, "the command's own process reads a frame that no other has tried"
                harm(path)
            return real(path, header)

        monkeypatch.setattr(picture_in, "read_still", read)
        crew._stop_kept()
        code = cli.main(
            ["analyse", str(capture), "--out", str(tmp_path / "shelf"), "--workers", "1", "--quiet", *extra]
        )
        crew._stop_kept()
        said = capsys.readouterr()
        assert "Traceback" not in said.err, said.err
        return code, said.out + said.err

    return call


@pytest.mark.parametrize("harm", [kill_itself, take_memory])
def test_a_frame_that_ends_its_reader_is_refused_by_name_and_can_be_let_pass(analyse, harm, tmp_path):
    code, words = analyse(harm, 5)
    assert code == 3 and "frame_000005.png" in words and "ended the process" in words
    assert not list((tmp_path / "shelf").rglob("*.part")) and not list((tmp_path / "shelf").rglob("lock"))
    code, words = analyse(harm, 5, extra=("--let-pass", "5"))
    assert code == 0, words
    table = read_table(tmp_path / "shelf" / "film" / "frames.parquet", FRAME_COLUMNS, "frames")
    unreadable = [bool(flags & FLAG_NAMED["unreadable"].mask) for flags in table["flags"]]
    assert unreadable == [n == 5 for n in range(8)]


@pytest.mark.parametrize("harm", [kill_itself, take_memory])
def test_a_frame_that_ends_the_process_that_measures_it_is_found_by_halving(analyse, harm, monkeypatch):
    """The survey has read it without harm: it is the chunk that dies, twice, and halving that finds the frame."""
    real = Meter.measure

    def measure(meter, number, frame):
        if number == 5 and frame is not None:
            harm(None)
        return real(meter, number, frame)

    monkeypatch.setattr(Meter, "measure", measure)
    code, words = analyse(harm)
    assert code == 3 and "frame_000005.png" in words and "ended the process" in words
    assert analyse(harm, extra=("--let-pass", "5"))[0] == 0


def test_a_frame_that_stalls_its_reader_costs_the_limit_and_no_more(analyse, monkeypatch):
    monkeypatch.setattr(crew, "SILENT_S", 15.0)
    begun = time.monotonic()
    code, words = analyse(stall, 2)
    assert code == 3 and "frame_000002.png" in words
    assert time.monotonic() - begun < 400
