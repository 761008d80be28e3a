"""Two commands on one reel at once, killed or not: one is refused with who holds it, or both are done, as of one order of the two.

`python -m pytest -m campaign -s tests/faults/test_two_at_once.py` runs the campaign again as it was: its chance is drawn with SEED.
"""

import os
import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
from forked import Begun
from story import Story, digests, left_lying, settle, unlike
from test_line_kills import ADDS, draw, drawn_fault, events, kill_chain
from test_line_kills import SEED as KILLS_SEED

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="left out: forks processes")
SEED = 20261116
WRITING = ("analyse", "decide", "render", "finish", "prove", "bag", "stills", "approval", "copy", "recheck", "hand over", "release",
           "remark")  # fmt: skip
OTHERS = 2  # that each is tried with, besides itself
CHANGES = (
    "bag",
    "stills",
    "hand over",
)  # given again, a report states the size of what lay beside it, so each time may differ
HELD = re.compile(
    r"is being worked on by process (\d+) of this machine; wait for it to end|by another process that was faster"
)


def in_order(story, state, *names):
    """What commands leave one after the other."""
    story.begin(state)
    for name in names:
        story.run(name)
    return digests(story.place)


class Pair:
    """Two commands from one state, and what each order of them, or one of them alone, leaves."""

    def __init__(self, story, state, first, second):
        self.story, self.state, self.names = story, state, (first, second)
        self.left = {}

    def leaves(self, *names):
        """What commands leave one after the other; tried once."""
        if names not in self.left:
            self.left[names] = in_order(self.story, self.state, *names)
        return self.left[names]

    @property
    def comes_out_equal(self):
        """Whether both commands given again leave what they left before."""
        return not set(self.names) & {*ADDS, *CHANGES}

    def together(self, wait_s, faults=(None, None)):
        """Begin both, the second so many seconds later; their processes, and how each ended."""
        self.story.begin(self.state)
        begun = []
        for name, pause_s, fault in zip(self.names, (0.0, wait_s), faults, strict=True):
            time.sleep(pause_s)
            begun.append(Begun(self.story.arguments[name], self.story.place, fault=fault, settle=settle))
        ended = {each.process: each.end() for each in begun}
        return [each.process for each in begun], list(ended.values())


def refused(ended, other):
    """Whether a command was refused because the other holds the reel; it must say who."""
    told = HELD.search(ended.err + ended.out)
    assert told is None or (ended.code == 2 and told[1] in (None, str(other))), (ended, other)
    return told is not None


def judge(pair, processes, ended, where):
    """What is there is of one order of the two, or of one alone where the other was refused whole; whether one was, by the lock."""
    for each in ended:
        assert each.code in (0, 1, 2, 3, 4) and "Traceback" not in each.err + each.out, where
    held = [refused(each, other) for each, other in zip(ended, processes[::-1], strict=True)]
    assert not all(held), where
    found = digests(pair.story.place)
    assert left_lying(pair.story.place) == [], (where, left_lying(pair.story.place))
    wanted = [] if any(held) else [pair.names, pair.names[::-1]]
    wanted += [
        (pair.names[n],) for n in (0, 1) if held[1 - n] or (ended[1 - n].code in (2, 3, 4) and not any(held))
    ]
    is_one_of(pair, found, wanted, (where, held))
    return any(held)


def is_one_of(pair, found, wanted, where):
    """What was found is what one of these rows of commands leaves."""
    told = []
    for names in dict.fromkeys(wanted):
        told.append((names, unlike(found, pair.leaves(*names))))
        if not told[-1][1]:
            return
    raise AssertionError(where, told)


def judge_killed(pair, where):
    """One was killed: the commands again, one after the other, take its lock over, and all is as if nothing had been."""
    story = pair.story
    again = [story.run(name) for name in pair.names * 2]
    where = (*where, [(e.code, e.err[-200:]) for e in again])
    assert all(e.code in (0, 1, 2, 3) and "Traceback" not in e.err + e.out for e in again), where
    assert not any(HELD.search(e.err + e.out) for e in again), where
    assert left_lying(story.place) == [], (where, left_lying(story.place))
    if pair.comes_out_equal:
        both = pair.names * 2
        is_one_of(pair, digests(story.place), [pair.names + both, pair.names[::-1] + both], where)


def one_pair(pair, chance):
    """Both together once without a kill and once with; what was counted."""
    story, done = pair.story, Counter()
    for killed in (False, True):
        wait_s = float(chance.choice([0.0, chance.uniform(0, 0.5)]))
        which = int(chance.integers(0, 2))
        fault = drawn_fault(chance, story.passes[pair.names[which]].steps)
        faults = [fault if killed and n == which else None for n in (0, 1)]
        story.begin(pair.state)
        custody = events(story.place)
        processes, ended = pair.together(wait_s, faults)
        told = [(e.code, e.out[-200:], e.err[-500:]) for e in ended]
        where = (pair.state, pair.names, round(wait_s, 3), faults, told)
        assert events(story.place)[: len(custody)] == custody, where
        done["together"] += 1
        if any(each.killed for each in ended):
            done["one killed"] += 1
            judge_killed(pair, where)
        else:
            done["one refused by the lock"] += judge(pair, processes, ended, where)
    return done


def pairs(story, first, chance):
    """A command with itself and with some others, each from the state before one of the two."""
    order = list(story.passes)
    others = [first, *chance.choice([each for each in WRITING if each != first], OTHERS, replace=False)]
    for other in others:
        yield Pair(story, str(chance.choice(sorted({first, other}, key=order.index))), first, str(other))


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    """The whole way, told once without a fault."""
    return Story(tmp_path_factory.mktemp("story"), draw)


def test_some_kills_and_two_commands_at_once(tmp_path):
    """The seeded part that every day has time for; in a process of its own, for one with threads is not fit to fork."""
    program = [sys.executable, __file__, str(tmp_path / "story")]
    done = subprocess.run(program, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stderr
    alone, together = map(int, done.stdout.split())
    assert alone >= 1 and together == 1


@pytest.mark.campaign
@pytest.mark.parametrize("first", WRITING)
def test_all_pairs_of_commands_on_one_reel(story, first, capsys):
    chance, done = np.random.default_rng((SEED, WRITING.index(first))), Counter()
    for pair in pairs(story, first, chance):
        done += one_pair(pair, chance)
    with capsys.disabled():
        print(f"\n{first}: {', '.join(f'{count} {what}' for what, count in done.items())}", flush=True)


if __name__ == "__main__":
    told = Story(Path(sys.argv[1]), draw, names=("analyse", "decide"), twice=("analyse",))
    print(kill_chain(told, "analyse", np.random.default_rng(KILLS_SEED), 3))
    both, counted, chance = Pair(told, "decide", "analyse", "decide"), Counter(), np.random.default_rng(SEED)
    while not counted["one killed"] and counted["together"] < 12:
        counted += one_pair(both, chance)
    print(counted["one killed"])
