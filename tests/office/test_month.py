"""A scripted month of an invented shop, through the command line and the pages in separate processes, by three operators at once.

The seeded part runs always; the whole month is a campaign: `python -m pytest -m campaign -s tests/office/test_month.py`.
"""

import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from month import SHOP, Bench, Month
from shop import write_film

sys.path.insert(0, str(Path(__file__).parents[1] / "workbench"))
from served import serve

from smallgauge.office.place import VARIABLE

pytestmark = pytest.mark.skipif(os.name != "posix", reason="left out: a terminal of its own is POSIX")
OPERATORS = 3


def run_month(folder, *, benches, seed, orders, reels, database=""):
    """The month, and what it came to."""
    shelf = folder / "shelf"
    shelf.mkdir()
    (shelf / "shop.toml").write_text(SHOP)
    env = {VARIABLE: database} if database else {}
    begun = time.monotonic()
    with contextlib.ExitStack() as stack, pytest.MonkeyPatch.context() as patch:
        for name, value in env.items():
            patch.setenv(name, value)
        running = [Bench(stack.enter_context(serve(shelf))) for _ in range(benches)]
        month = Month(shelf, running, seed=seed, orders=orders, reels=reels, env=env)
        month.run(OPERATORS)
        told = month.agrees(folder / "export")
    assert (told["orders"], told["reels"]) == (orders, reels)
    print(
        f"{'PostgreSQL' if database else 'SQLite'}, {benches} benches: {told}, {time.monotonic() - begun:.0f} s"
    )
    return told


@pytest.mark.campaign  # the same on PostgreSQL runs always
def test_a_few_days_on_sqlite(tmp_path):
    run_month(tmp_path, benches=1, seed=1, orders=4, reels=5)


def test_a_few_days_on_postgresql(tmp_path, database):
    run_month(tmp_path, benches=2, seed=2, orders=4, reels=5, database=database)


@pytest.mark.campaign
def test_a_month_on_sqlite(tmp_path):
    run_month(tmp_path, benches=1, seed=3, orders=40, reels=600)


@pytest.mark.campaign
def test_a_month_on_postgresql(tmp_path, database):
    run_month(tmp_path, benches=2, seed=4, orders=40, reels=600, database=database)


@pytest.mark.campaign
@pytest.mark.parametrize("kind", ["file", "server"])
def test_two_queues_at_once_begin_nothing_twice(tmp_path, kind, request):
    """Two benches add the same captures and run the queue at once; the disk was pulled, so each job fails, after one start."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    env = dict(os.environ)
    if kind == "server":
        env[VARIABLE] = request.getfixturevalue("database")

    def start(*arguments):
        command = [sys.executable, "-m", "smallgauge", *arguments, "--shelf", str(shelf), "--json"]
        return subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", env=env
        )

    def ended(each):
        return each.communicate(timeout=120) and each.returncode

    captures = [write_film(tmp_path / f"capture{n}", 2) for n in range(4)]
    parcel = [
        "--client",
        "W",
        "--reach",
        "post",
        "--delete-on",
        "2031-01-01",
        "--count",
        "reels=1",
        "--signed-by",
        "W",
    ]
    assert ended(start("order", "new", "--by", "mk", *parcel)) == 0
    adding = [start("queue", "add", *map(str, captures), "--by", f"op{n}") for n in range(2)]
    assert all(ended(each) in (0, 1, 2, 3) for each in adding)
    for frame in tmp_path.glob("capture*/*.png"):
        frame.unlink()
    running = [start("queue", "run", "--leave", "0", "--workers", "1", "--by", f"op{n}") for n in range(2)]
    for each in running:
        ended(each)
    assert ended(start("office", "export", str(tmp_path / "export"))) == 0
    book = json.loads((tmp_path / "export" / "office.json").read_text())
    begun = [event["words"].partition(",")[0] for event in book["event"] if event["what"] == "job begun"]
    assert len(book["job"]) == 4 and len(begun) == len(set(begun)) == 4, [e["what"] for e in book["event"]]
    assert {job["state"] for job in book["job"]} == {"failed"}
