"""What killed processes left in a reel goes with the next command on it, though that had nothing to do or was refused."""

import json
import os
import platform
import subprocess
import sys

import psutil
import pytest

from smallgauge import cli
from smallgauge.lock import ReelLock

COMMANDS = {
    "release": lambda reel: ["release", reel.name, "--shelf", str(reel.parent), "--go", "frames", "--who", "mk", "--why", "room"],
    "deliver": lambda reel: ["deliver", str(reel), "--bag"],
    "decide": lambda reel: ["treat", str(reel), "--decide", "camera_speed", "16", "--by", "mk", "--why", "words"],
    "stills": lambda reel: ["stills", str(reel), "--frames", "3", "--by", "mk"],
    "approval": lambda reel: ["approval", str(reel)],
    "remark": lambda reel: ["remarks", str(reel)],
    "prove": lambda reel: ["prove", str(reel)],
}  # fmt: skip


@pytest.fixture(scope="module")
def dead():
    """Number of a process that has ended."""
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    return ended.pid


@pytest.fixture
def reel(tmp_path, dead):
    """A reel in which a process died while it made a lock, a numbered paper and a journal."""
    reel = tmp_path / "shelf" / "0000013-R01-3"
    for folder in ("work", "released"):
        (reel / folder).mkdir(parents=True)
    (reel / "journal.jsonl").touch()
    (reel / "work" / f"lock.{dead}-7.part").write_bytes(b"{}")
    (reel / "work" / f"lock.{dead}.dead").write_bytes(b"{}")
    (reel / "released" / f"0001.json.{dead}-7.part").write_bytes(b"{}")
    (reel / f"0001.json.{dead}-7.part").write_bytes(b"{}")
    lock = {"host": platform.node(), "process": dead, "began": 1.0}
    (reel / "work" / "lock").write_text(json.dumps(lock))
    return reel


def lying(reel):
    return sorted(path.name for path in reel.rglob("*") if path.is_file() and path.name != "journal.jsonl")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_that_is_refused_leaves_nothing_of_a_dead_process(reel, name, capsys):
    assert cli.main(COMMANDS[name](reel)) in (0, 2, 3, 4)
    assert lying(reel) == [], capsys.readouterr().err


def test_what_a_live_process_makes_is_left(reel, capsys):
    with ReelLock(reel):
        mine = reel / "released" / f"0002.json.{os.getpid()}-7.part"
        mine.write_bytes(b"{}")
        assert lying(reel) == [mine.name, "lock"]
        assert cli.main(COMMANDS["release"](reel)) == 2
        assert lying(reel) == [mine.name, "lock"]
    began = psutil.Process().create_time()
    (reel / "work" / "lock").write_text(json.dumps({"host": "another", "process": 7, "began": began}))
    assert cli.main(COMMANDS["release"](reel)) == 2
    assert lying(reel) == [mine.name, "lock"], "a lock of another machine waits for a person's word"


def test_a_folder_that_is_no_reel_is_left(tmp_path, dead):
    """A captured film may hold files of any name."""
    film = tmp_path / "film"
    film.mkdir()
    (film / f"frame.{dead}-7.part").write_bytes(b"theirs")
    assert cli.main(["remarks", str(film)]) in (0, 3)
    assert lying(film) == [f"frame.{dead}-7.part"]
