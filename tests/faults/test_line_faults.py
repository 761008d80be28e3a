"""A disk that is full, closed, cut short, failing or gone in the middle of every command of a reel's way: one clear sentence, an
exit code, everything that existed before whole, and the same command goes on once the fault is mended.

`python -m pytest -m campaign -s tests/faults/test_line_faults.py` runs the campaign again as it was: its chance is drawn with SEED.
"""

import errno
import os
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "lines"))
from forked import Fault
from story import Story, copy_place, left_lying
from test_line_kills import ADDS, draw, events

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="left out: forks processes")
SEED = 20261112
KINDS = {
    "no room": errno.ENOSPC,
    "read-only": errno.EROFS,
    "failing disk": errno.EIO,
    "gone": "gone",
    "short write": "short",
}
PASSES = ("analyse", "decide", "render", "finish", "prove", "bag", "stills", "deliver again", "approval", "copy", "recheck",
          "hand over", "release", "remark")  # fmt: skip
EACH = 3  # of every kind, in every pass
FULL = 4  # volumes that are really full, in every pass


def can_mount(place):
    """Whether a small volume can be mounted here."""
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)], capture_output=True)
    return done.returncode == 0 and subprocess.run(["umount", str(place)]).returncode == 0


def drawn_fault(chance, kind, steps):
    """A fault of a kind somewhere in a command of so many steps."""
    step = int(chance.integers(1, steps + 1))
    if kind == "short write":
        return Fault("short", 1, int(2 ** chance.uniform(2, 18)))
    return Fault(KINDS[kind], step)


def judge(story, name, kind, ended, where):
    """What the command said and left is as it should be; whether it was refused at all."""
    plain = ended.err.strip()
    assert ended.code in (0, 1, 2, 3, 4), where
    assert "Traceback" not in ended.err + ended.out, where
    if ended.code == story.passes[name].code:
        return False
    said = plain.splitlines()[-1] if plain else ended.out.strip()
    assert len(said) > 30 and said.rstrip("'\"").endswith((".", "again", "!")), where
    return True


def mended(story, name, custody, where):
    """The fault is gone: everything is whole, and the same command ends as if nothing had been."""
    if name not in ADDS:
        assert story.faults(name) == [], where
    assert events(story.place)[: len(custody)] == custody, where
    ended = story.run(name)
    assert ended.code in (story.passes[name].code, *(() if name in ADDS else (2, 3))), (where, ended)
    if name not in ADDS:
        assert story.otherwise(name) == [], (where, ended.err)
    assert left_lying(story.place) == [], (where, left_lying(story.place))


def one_fault(story, name, kind, fault):
    """Carry a command out with a fault, then without; whether it was refused."""
    story.begin(name)
    custody = events(story.place)
    ended = story.run(name, fault=fault)
    where = (name, kind, fault, ended.code, ended.out[-300:], ended.err[-600:])
    away = Path(f"{story.place}.gone")
    if away.exists():
        where = (
            (*where, "made anew: " + ", ".join(sorted(p.name for p in story.place.rglob("*"))))
            if story.place.exists()
            else where
        )
        shutil.rmtree(story.place, ignore_errors=True)
        away.rename(story.place)
    refused = judge(story, name, kind, ended, where)
    if refused and kind in ("no room", "short write"):
        assert (
            not [each for each in left_lying(story.place) if each.endswith(".part")] or kind == "no room"
        ), where
    mended(story, name, custody, where)
    return refused


def one_full_volume(story, name, extra):
    """The same on a volume of its own, on which there is room for so many bytes more and no others."""
    place, kept = story.place, story.passes[name].before
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    used = sum(-(-path.stat().st_size // 4096) * 4096 for path in kept.rglob("*") if path.is_file())
    size = used + 400 * 1024 + extra
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(place)], check=True)
    try:
        copy_into(kept, place)
        custody = events(place)
        ended = story.run(name)
        where = (name, "full volume", extra, ended.code, ended.out[-300:], ended.err[-600:])
        refused = judge(story, name, "full volume", ended, where)
        assert not refused or "room" in ended.err + ended.out or "free" in ended.err + ended.out, where
        assert left_lying(place) == [], (where, left_lying(place))
        subprocess.run(["mount", "-o", f"remount,size={size + 2**30}", str(place)], check=True)
        mended(story, name, custody, where)
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
    return refused


def copy_into(source, target):
    """A copy into a folder that is there, so that a volume mounted at it is kept."""
    beside = Path(f"{target}.beside")
    copy_place(source, beside)
    subprocess.run(["cp", "-a", f"{beside}/.", str(target)], check=True)
    shutil.rmtree(beside)


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    """The whole way, told once without a fault."""
    return Story(tmp_path_factory.mktemp("story"), draw)


@pytest.mark.campaign
@pytest.mark.parametrize("name", PASSES)
def test_faults_in_every_command_of_a_reels_way(story, name, tmp_path, capsys):
    chance, steps = np.random.default_rng((SEED, PASSES.index(name))), story.passes[name].steps
    done, refused = Counter(), Counter()
    for kind in KINDS:
        for _ in range(EACH):
            done[kind] += 1
            refused[kind] += one_fault(story, name, kind, drawn_fault(chance, kind, steps))
    for _ in range(FULL if can_mount(tmp_path / "mount") else 0):
        done["full volume"] += 1
        refused["full volume"] += one_full_volume(story, name, int(2 ** chance.uniform(12, 21)))
    told = ", ".join(f"{kind} {count} ({refused[kind]} refused)" for kind, count in done.items())
    with capsys.disabled():
        print(f"\n{name}: {told}; {done.total()} faults, {refused.total()} refusals", flush=True)
