"""Frames that end or stall the process that reads them cost that process, are found by halving and are flagged unreadable."""

import json
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
import harm
from drawn_reels import small_reel

import smallgauge.record.recipe
from smallgauge import cli, crew
from smallgauge.media import picture_in
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import read_table

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="left out: ends and limits processes as POSIX does"),
    pytest.mark.campaign,  # `test_crew.py` has the daily part
]


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    folder = tmp_path_factory.mktemp("outside") / "film"
    small_reel(folder, sound=False, frames=8)
    return folder


@pytest.fixture
def analyse(capture, tmp_path, capsys, monkeypatch):
    """`smallgauge analyse` where reading or measuring some frames harms the process that does it; exit code and words."""
    monkeypatch.setattr(crew, "_start", harm.start)
    monkeypatch.setattr(smallgauge.record.recipe, "SEGMENT_FRAMES", 4)
    real = picture_in.read_still

    def call(what, where, *frames, extra=()):
        def read(path, header):
            unread = where == "read" and path.name in {f"frame_{n:06d}.png" for n in frames}
            assert not unread, "the command's own process reads a frame that ends its reader"
            return real(path, header)

        monkeypatch.setattr(picture_in, "read_still", read)
        monkeypatch.setenv(harm.TOLD, json.dumps({"what": what, "where": where, "frames": frames}))
        crew._stop_kept()
        code = cli.main(
            ["analyse", str(capture), "--out", str(tmp_path / "shelf"), "--workers", "1", "--quiet", *extra]
        )
        crew._stop_kept()
        said = capsys.readouterr()
        assert "Traceback" not in said.err, said.err
        return code, said.out + said.err

    return call


@pytest.mark.parametrize("what", ["kill_itself", "take_memory"])
def test_a_frame_that_ends_its_reader_is_refused_by_name_and_can_be_let_pass(analyse, what, tmp_path):
    code, words = analyse(what, "read", 5)
    assert code == 3 and "frame_000005.png" in words and "ended the process" in words
    assert not list((tmp_path / "shelf").rglob("*.part")) and not list((tmp_path / "shelf").rglob("lock"))
    code, words = analyse(what, "read", 5, extra=("--let-pass", "5"))
    assert code == 0, words
    table = read_table(tmp_path / "shelf" / "film" / "frames.parquet", FRAME_COLUMNS, "frames")
    unreadable = [bool(flags & FLAG_NAMED["unreadable"].mask) for flags in table["flags"]]
    assert unreadable == [n == 5 for n in range(8)]


@pytest.mark.parametrize("what", ["kill_itself", "take_memory"])
def test_a_frame_that_ends_the_process_that_measures_it_is_found_by_halving(analyse, what):
    """The survey has read it without harm: it is the chunk that dies, twice, and halving that finds the frame."""
    code, words = analyse(what, "measure", 5)
    assert code == 3 and "frame_000005.png" in words
    assert analyse(what, "measure", 5, extra=("--let-pass", "5"))[0] == 0


def test_a_frame_that_stalls_its_reader_costs_the_limit_and_no_more(analyse, monkeypatch):
    monkeypatch.setattr(crew, "SILENT_S", 15.0)
    begun = time.monotonic()
    code, words = analyse("stall", "read", 2)
    assert code == 3 and "frame_000002.png" in words
    assert time.monotonic() - begun < 400
