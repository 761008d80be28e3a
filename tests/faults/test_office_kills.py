"""`kill -9` in every write of every command of the office: the book is as before or after, and the command goes on.

Each command runs as a shop runs it, in a process of its own, and is killed at its n-th writing call by the system itself
(`kernel_faults`). The book is then read by `office check` and `office export`.
"""

import csv
import json
import os
import shutil

import pytest
from kernel_faults import can_trace, count_writes, run, run_killed

from smallgauge.office.book import Book, check_book
from smallgauge.office.lists import export_book
from smallgauge.office.place import book_place

pytestmark = [
    pytest.mark.skipif(not can_trace(), reason="left out: no strace on this system, or it may not trace"),
    pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX"),
]
SEED = 20261128
ORDER = (
    "order",
    "new",
    "--by",
    "mk",
    "--client",
    "Wim Oster",
    "--reach",
    "by post",
    "--delete-on",
    "2031-01-01",
)
ORDER += ("--signed-by", "Wim Oster", "--count", "reels=3", "--count", "boxes=1")
CONSENT = ("--by", "mk", "--given-by", "Wim Oster", "--how", "in writing", "--to", "a splice")
TAKE = (
    "--by",
    "mk",
    "--gauge",
    "Super 8",
    "--box-words",
    "garden",
    "--forbids",
    "nothing",
    "--decides",
    "Wim Oster",
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A book with an order, two of its three reels, and a hold; not to be changed. Its numbers stand beside it."""
    base = tmp_path_factory.mktemp("office")
    shelf = base / "shelf"
    shelf.mkdir()

    def do(*arguments):
        ended = run([*arguments, "--shelf", str(shelf), "--json"])
        assert ended.code == 0, ended
        return json.loads(ended.out)

    order = do(*ORDER)["number"]
    reels = [do("intake", order, *TAKE)["number"] for _ in range(2)]
    hold = do(
        "hold",
        "place",
        reels[0],
        "--by",
        "mk",
        "--kind",
        "film",
        "--why",
        "mould at the head",
        "--lifter",
        "Ann Veld",
    )
    do("office", "backup", str(base / "kept.db"))
    (base / "list.csv").write_text(
        "gauge,box_words,forbids,decides,feet\nSuper 8,lake,nothing,Wim Oster,50\n"
    )
    return base, order, reels, hold


def commands(order, reels, hold):
    """Commands that write into the book or beside it, by name."""
    number = hold["holds"][0]["id"]
    return {
        "order": list(ORDER),
        "intake": ["intake", order, *TAKE],
        "note": ["reel", "note", reels[1], "--by", "mk", "--step", "inspected", "--place", "light table"],
        "condition": [
            "condition",
            reels[1],
            "--by",
            "mk",
            "--seen",
            "splices=2, sound",
            "--seen",
            "mould=dry, at the head",
            "--lifter",
            "Ann Veld",
        ],
        "hold": [
            "hold",
            "place",
            reels[1],
            "--by",
            "mk",
            "--kind",
            "files",
            "--why",
            "private",
            "--lifter",
            "Ann Veld",
        ],
        "lift": [
            "hold",
            "lift",
            str(number),
            "--by",
            "Ann Veld",
            "--why",
            "looked at under the fume cupboard",
        ],
        "consent": ["order", "consent", order, *CONSENT],
        "hand back": ["hand-back", order, "--by", "mk", "--reel", reels[1], "--to", "Wim Oster", "--part"],
        "import": ["office", "import", "LIST", "--order", order, "--by", "mk"],
        "label": ["label", reels[1], "--out", "BESIDE/labels.pdf"],
        "backup": ["office", "backup", "BESIDE/copy.db"],
        "export": ["office", "export", "BESIDE/open"],
    }


CHANCE = {
    "salt",
    "digest",
    "before",
    "rows",
}  # a salt is drawn, and digests follow from it; `office check` holds them together


def without_chance(path):
    with path.open(newline="") as file:
        return [{k: v for k, v in row.items() if k not in CHANCE} for row in csv.DictReader(file)]


def rows(shelf, folder):
    """The whole book as open files, without moments that a run sets; and that it holds together."""
    out = folder / "read"
    shutil.rmtree(out, ignore_errors=True)
    with Book(book_place(shelf)) as book:
        assert check_book(book).faults == ()
        export_book(book, out)
    return {path.name: without_chance(path) for path in sorted(out.rglob("*.csv"))}


def fresh(base, place):
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(base / "shelf", place / "shelf")
    return place / "shelf"


def settled(arguments, base, place, shelf):
    """A command with its places filled in."""
    beside = place / "beside"
    beside.mkdir(exist_ok=True)
    told = [each.replace("LIST", str(base / "list.csv")).replace("BESIDE", str(beside)) for each in arguments]
    return [*told, "--shelf", str(shelf), "--json"]


def sizes(folder):
    """Files beside the book that bear their names, with their sizes; what is being made is called .part."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.name: path.stat().st_size for path in files if ".part" not in str(path.relative_to(folder))}


def killed_everywhere(shop, name, place, wanted):
    """Kill a command at some or all of its writes; how many kills there were."""
    base, order, reels, hold = shop
    arguments = commands(order, reels, hold)[name]
    shelf = fresh(base, place)
    before = rows(shelf, place)
    total = count_writes(settled(arguments, base, place, shelf), place / "log")
    after = rows(shelf, place)
    kept = sizes(place / "beside")
    kills = 0
    for nth in wanted(total):
        shelf = fresh(base, place)
        command = settled(arguments, base, place, shelf)
        ended = run_killed(command, nth)
        if not ended.killed:
            continue
        kills += 1
        now = rows(shelf, place)
        assert now in (before, after), f"{name}, killed at write {nth} of {total}: neither before nor after"
        whole = sizes(place / "beside")
        assert all(kept.get(each) == size for each, size in whole.items()), (name, nth, whole)
        if now == before and not whole:  # the same command, once more
            again = run(settled(arguments, base, place, shelf))
            assert again.code == 0, (name, nth, again)
            assert rows(shelf, place) == after, (name, nth)
            assert sizes(place / "beside").keys() == kept.keys(), (name, nth)
            left = [path.name for path in (place / "beside").rglob("*") if ".part" in path.name]
            assert left == [], (name, nth, left)
    return kills


NAMES = tuple(commands("", ("", ""), {"holds": [{"id": 0}]}))


@pytest.mark.parametrize("name", ["intake", "hand back"])
def test_a_kill_in_some_writes_leaves_the_book_before_or_after(shop, tmp_path, name):
    assert killed_everywhere(shop, name, tmp_path / "place", lambda total: (total // 2,)) == 1


@pytest.mark.campaign
@pytest.mark.parametrize("name", NAMES)
def test_a_kill_in_any_write_leaves_the_book_before_or_after(shop, tmp_path, name):
    kills = killed_everywhere(shop, name, tmp_path / "place", lambda total: range(1, total + 1))
    print(f"{name}: {kills} kills")
    assert kills >= 5
