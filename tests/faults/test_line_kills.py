"""`kill -9` at steps drawn by chance of every command on a reel's way; then the same command: the same files, nothing lost or left.

`python -m pytest -m campaign -s tests/faults/test_line_kills.py` runs the campaign again as it was: its chance is drawn with SEED.
The seeded part that every day has time for is in `test_two_at_once.py`, which tells the same story.
"""

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from smallgauge.errors import MaterialError
from smallgauge.office.book import Book, check_book
from smallgauge.office.models import Event
from smallgauge.office.place import book_place

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
from drawn_reels import small_reel
from forked import Fault
from story import FRAMES, NUMBER, Story, left_lying

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="left out: forks processes and kills them")
SEED = 20261111
KILLS = {  # of each pass, so that every one is met however few its steps
    "order": 10, "intake": 10, "analyse": 90, "decide": 20, "render": 80, "finish": 80, "prove": 30, "bag": 50, "stills": 30,
    "deliver again": 40, "approval": 25, "copy": 40, "recheck": 25, "hand over": 30, "hand back": 10, "release": 40, "remark": 15,
}  # fmt: skip
ADDS = ("order", "decide", "remark", "recheck", "approval")  # the same word again is a second word


def draw(folder, frames=FRAMES):
    """The drawn capture, under the number that the counter gives to the first reel of the first order."""
    small_reel(folder, frames=frames)
    notes = folder / "capture.toml"
    words = [line for line in notes.read_text().splitlines() if not line.startswith("reel")]
    notes.write_text("\n".join([*words, f'reel = "{NUMBER}"']) + "\n")


def events(place):
    """What the book tells of custody, oldest first; the book must hold together."""
    try:
        opened = Book(book_place(place / "shelf"))
    except MaterialError as error:
        assert "needed, found none" in str(error), error
        return []  # also where the very first order was killed before its book was made
    with opened as book:
        assert check_book(book).faults == ()
        with book.read() as session:
            return list(session.scalars(select(Event.digest).order_by(Event.seq)))


def drawn_fault(chance, steps):
    """A kill somewhere in a command of so many steps: at a step, some time after one, or with what was not flushed lost."""
    if steps == 0:  # the book is written by SQLite alone: killed after some time
        return Fault("kill later", 0, int(chance.integers(0, 150_000)))
    kind = ("kill", "kill later", "torn")[int(chance.choice(3, p=(0.4, 0.35, 0.25)))]
    step = int(chance.integers(1, steps + 1))
    return Fault(kind, step, int(chance.integers(0, 40_000)))


def kill_chain(story, name, chance, most):
    """Kill a command again and again as it goes on, at most so often, then let it end; how many kills there were."""
    story.begin(name)
    custody = events(story.place)
    kills, left = 0, story.passes[name].steps
    while kills < most:
        fault = drawn_fault(chance, left)
        ended = story.run(name, fault=fault)
        where = (name, fault, ended.err[-400:])
        if not ended.killed:
            assert ended.code in (story.passes[name].code, 2, 3), where
            break
        kills += 1
        if name not in ADDS:
            assert story.faults(name) == [], where
        now = events(story.place)
        assert now[: len(custody)] == custody, where
        custody = now
    ended = story.run(name)
    if name in ADDS:
        assert ended.code == story.passes[name].code, (name, ended)
        assert events(story.place)[: len(custody)] == custody
    else:
        assert ended.code in (story.passes[name].code, 2, 3), (name, ended)
        assert story.otherwise(name) == [], (name, ended.err)
    assert left_lying(story.place) == [], (name, left_lying(story.place))
    return kills


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    """The whole way, told once without a fault."""
    return Story(tmp_path_factory.mktemp("story"), draw)


@pytest.mark.campaign
@pytest.mark.parametrize("name", KILLS)
def test_kills_in_every_command_of_a_reels_way(story, name, capsys):
    chance, done = np.random.default_rng((SEED, list(KILLS).index(name))), 0
    while done < KILLS[name]:
        done += kill_chain(story, name, chance, min(12, KILLS[name] - done))
    with capsys.disabled():
        print(f"\n{name}: {done} kills, in commands of {story.passes[name].steps} steps", flush=True)
