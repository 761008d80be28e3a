"""A removal that is stopped anywhere, by kill -9 too: the next list says where it stood, and the same word goes on."""

import os
import signal
import subprocess
import sys

import pytest
from drawn_release import NUMBER, flip, is_working_file, make_bench
from shop import open_shop

from smallgauge.media import removal
from smallgauge.office import ledger, let_go
from smallgauge.office.ledger import NOTICE
from smallgauge.record import numbered
from smallgauge.record.released import interrupted, read_released

# The last word but the clock: the program's own command, killed at the Nth file, or where a function of it is called.
KILLED = """
import os, signal, sys
from pathlib import Path
from smallgauge import cli
from smallgauge.media import removal
from smallgauge.office import let_go, open_reel
open_reel.same_volume = lambda first, second: ("disk 12" in str(first)) == ("disk 12" in str(second))
real, left = removal.mark_file, [int(sys.argv[1])]
def mark(path):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(path)
removal.mark_file = mark  # the removal asks for it before each file; the reading has its own name for it
cli.main(sys.argv[2:])
"""


SAID = ("--who", "mk", "--why", "room")


class Stopped(BaseException):
    """What takes the place of a kill inside one process."""


@pytest.fixture
def bench(done_shop, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1776254400")  # 2026-04-15
    bench = make_bench(done_shop, tmp_path, capsys, monkeypatch)
    bench.copy()
    bench.says(NOTICE, "2026-04-01")
    return bench


def goes_on(bench, what, before, gone):
    """After a stop: it is explained, and the same word ends it; the papers and the book tell it all."""
    item = bench.list()[what]
    left = len(before & bench.files() & gone)
    assert item["interrupted"] and item["may_go"]
    assert (item["went_already"], item["files"]) == (len(gone) - left, left)
    ((number, _),) = interrupted(read_released(bench.folder))
    assert bench.go(what)[0] == 0
    assert bench.files() == before - gone
    papers = read_released(bench.folder)
    assert interrupted(papers) == () and papers[-1].begun == number
    named = {file.name for file in papers[number - 1].files}
    assert named >= {name.partition(f"{NUMBER}/")[2] for name in gone if not name.startswith("film/")}
    assert [each["what"] for each in bench.events()] == ["release begun", "released"]
    code, told = bench.run("office", "catch-up", "--shelf", str(bench.shelf), "--by", "mk")
    assert code == 0 and not [each for each in told["entered"] if "release" in each["what"]]


def what_goes(bench, what):
    files = bench.files()
    return {
        "frames": {name for name in files if name.endswith(".png")},
        "work": {name for name in files if is_working_file(name) and "journal" not in name},
        "everything": files - {"film/capture.toml"},
    }[what]


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
@pytest.mark.parametrize(("what", "after"), [("frames", 1), ("everything", 40)])
def test_kill_9_while_files_go(bench, what, after):
    before, gone = bench.files(), what_goes(bench, what)
    words = [
        "release",
        NUMBER,
        "--shelf",
        str(bench.shelf),
        "--capture",
        str(bench.film),
        "--go",
        what,
        *SAID,
    ]
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(after), *words], capture_output=True, check=False
    )
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    assert len(before - bench.files()) == after
    goes_on(bench, what, before, gone)


PLACES = {
    "before the paper": (let_go, "_begin", False),
    "after the paper": (let_go, "_remove", True),
    "while the book is told": (let_go, "_tell", True),
    "before the paper of the end": (let_go, "replace", True),
}


@pytest.mark.parametrize("where", PLACES)
@pytest.mark.parametrize("what", ["frames", "everything"])
def test_stopped_between_two_steps(bench, monkeypatch, where, what):
    before, gone = bench.files(), what_goes(bench, what)
    module, name, begun = PLACES[where]

    def stop(*args, **words):
        raise Stopped

    with monkeypatch.context() as patch:
        patch.setattr(module, name, stop)
        with pytest.raises(Stopped):
            bench.go(what)
    assert bool(interrupted(read_released(bench.folder))) == begun
    if begun:
        goes_on(bench, what, before, gone)
    else:
        assert bench.files() == before and bench.go(what)[0] == 0 and bench.files() == before - gone


def test_the_book_is_told_later_where_it_was_away(bench, monkeypatch):
    """All files are gone and the paper of the end is written; only the book was not reached."""
    calls = []

    def stop(*args, **words):
        calls.append(1)
        if len(calls) == 2:
            raise Stopped

    with monkeypatch.context() as patch:
        patch.setattr(let_go, "_tell", stop)
        with pytest.raises(Stopped):
            bench.go("everything")
    assert interrupted(read_released(bench.folder)) == () and bench.events() == []
    code, told = bench.run("office", "catch-up", "--shelf", str(bench.shelf), "--by", "mk")
    assert code == 0 and [each["what"] for each in told["entered"]] == ["release begun", "released"]


@pytest.mark.parametrize("what", ["frames", "everything"])
def test_a_removal_that_was_stopped_is_no_leave_to_go_on(bench, monkeypatch, what):
    """A hold placed since, or a file that is another one now, keeps what is left."""
    count = []

    def stop(path):
        count.append(path)
        if len(count) == 2:
            raise Stopped
        return real(path)

    real = removal.mark_file
    with monkeypatch.context() as patch:
        patch.setattr(removal, "mark_file", stop)
        with pytest.raises(Stopped):
            bench.go(what)
    left = bench.files()
    with open_shop(bench.shelf) as book:
        ledger.place_hold(
            book, at="2026-04-15T09:00:00Z", by="mk", reel=NUMBER, kind="files", why="asked", lifter="jo"
        )
    item = bench.list()[what]
    assert item["interrupted"] and "hold 1" in item["against"][0]
    assert bench.go(what)[0] == 3 and bench.files() == left
    with open_shop(bench.shelf) as book:
        ledger.lift_hold(book, at="2026-04-15T09:01:00Z", by="jo", hold=1, why="answered")
    flip(bench.film / "frame_000002.png")
    code, told = bench.go(what)
    assert (
        code == 4
        and "must be the file that the reel's papers speak of" in told["error"]
        and bench.files() == left
    )


def test_a_paper_of_the_removal_that_was_altered_is_found(bench):
    assert bench.go("work")[0] == 0
    first = bench.folder / "released" / numbered.numbered_name(1)
    first.write_text(first.read_text().replace('"why": "room"', '"why": "none"'))
    (item,) = bench.list().values()
    assert not item["may_go"] and "must follow the one before it" in item["against"][0]
