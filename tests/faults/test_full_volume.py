"""A volume that is really full: a file system of a few megabytes in memory (tmpfs), filled by a finish or to its last byte.

It is mounted by the test, which Linux permits to root only; elsewhere this is left out and says so.
Source: tmpfs, Linux kernel documentation, "filesystems/tmpfs" (size=, remount).
"""

import contextlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from kernel_faults import run
from test_office_kills import NAMES, commands, rows

sys.path.insert(0, str(Path(__file__).parents[1] / "office"))
from shop import write_film

from smallgauge.media.whole import digest_file

PAGE = 4096


@contextlib.contextmanager
def volume(place, size):
    """A file system of its own."""
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True, text=True
    )
    if made.returncode:
        pytest.skip(f"left out: this system does not let the test mount a volume ({made.stderr.strip()})")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def resize(place, size):
    subprocess.run(["mount", "-o", f"remount,size={size}", str(place)], check=True)


def fill(place, leave):
    """Fill a volume but for some bytes; gives the file that does it."""
    filler = place / "filler"
    stat = os.statvfs(place)
    with filler.open("wb") as file:
        file.write(bytes(max(0, stat.f_bavail * stat.f_frsize - leave)))
    return filler


def is_one_sentence(ended):
    said = ended.err + ended.out
    return ended.code in (2, 3, 4) and "Traceback" not in said and len(said.strip()) > 40


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A book with an order of three reels, two of them taken in, and a hold."""
    base = tmp_path_factory.mktemp("book")
    (base / "shelf").mkdir()
    order, reels = "0000013", ["0000013-R01-3", "0000013-R02-1"]
    told = commands(order, reels, {"holds": [{"id": 1}]})
    for words in (told["order"], told["intake"], told["intake"], ["hold", "place", reels[0], "--by", "mk", "--kind", "film",
                                                                  "--why", "mould", "--lifter", "Ann Veld"]):  # fmt: skip
        assert run([*words, "--shelf", str(base / "shelf"), "--json"]).code == 0
    (base / "list.csv").write_text(
        "gauge,box_words,forbids,decides,feet\nSuper 8,lake,nothing,Wim Oster,50\n"
    )
    return base, told


@pytest.mark.campaign
@pytest.mark.parametrize("pages", [0, 1, 6])
def test_every_command_of_the_office_on_a_full_volume(book, tmp_path, pages):
    """With nothing, a page or six left: refused in one sentence with the book as before, or done whole; with room, done."""
    base, told = book
    refused = 0
    for name in NAMES:
        place = tmp_path / name.replace(" ", "-")
        with volume(place, "8m"):
            shelf = shutil.copytree(base / "shelf", place / "shelf")
            (place / "beside").mkdir()
            words = [w.replace("LIST", str(base / "list.csv")) for w in told[name]]
            words = [w.replace("BESIDE", str(place / "beside")) for w in words]
            words += ["--shelf", str(shelf), "--json"]
            before = rows(shelf, tmp_path)
            filler = fill(place, pages * PAGE)
            ended = run(words)
            filler.unlink()
            now = rows(shelf, tmp_path)
            whole = [each.name for each in (place / "beside").rglob("*") if ".part" not in str(each)]
            if ended.code == 0:
                continue
            refused += 1
            assert is_one_sentence(ended), (name, ended)
            assert now == before and whole == [], (name, whole)
            again = run(words)
            assert again.code == 0, (name, again)
    print(f"{pages} pages left: {refused} of {len(NAMES)} commands refused, each with the book as before")
    assert refused >= (9 if pages == 0 else 1)


@pytest.mark.campaign
def test_a_finish_on_a_volume_that_fills(tmp_path):
    """Volumes too small for a reel: one sentence, nothing half-written under a final name; made larger, the command goes on."""
    capture = write_film(tmp_path / "film", 6)
    (tmp_path / "calm").mkdir()
    whole = run(["finish", str(capture), "--out", str(tmp_path / "calm"), "--quiet", "--workers", "1"])
    assert whole.code in (0, 1), whole
    reel = next((tmp_path / "calm").glob("*/reel.json")).parent
    wanted = {
        path.relative_to(reel).as_posix(): digest_file(path)
        for path in reel.rglob("*")
        if path.is_file() and "work" not in path.relative_to(reel).parts
    }
    taken = sum(
        {path.stat().st_ino: path.stat().st_size for path in reel.rglob("*") if path.is_file()}.values()
    )
    refused = 0
    for part in (0.15, 0.5, 0.85):
        place = tmp_path / f"volume{part}"
        with volume(place, str(int(taken * part) // PAGE * PAGE)):
            words = ["finish", str(capture), "--out", str(place), "--quiet", "--workers", "1"]
            ended = run(words)
            if ended.code in (0, 1):
                continue
            refused += 1
            assert is_one_sentence(ended), ended
            found = place / reel.name
            there = {n: digest_file(found / n) for n in wanted if (found / n).is_file()}
            wrong = [n for n, digest in there.items() if digest != wanted[n] and not n.startswith("package")]
            assert all(json_or_lines(found / n) for n in wrong), wrong
            resize(place, taken * 2 + 50_000_000)
            again = run(words)
            assert again.code == whole.code, again
            assert {n: digest_file(found / n) for n in wanted} == wanted
    print(
        f"a reel of {taken} bytes: {refused} of 3 volumes were full, and each was finished once it was larger"
    )
    assert refused >= 2


def json_or_lines(path):
    """Whether a paper that is not the last one yet is whole all the same."""
    text = (
        path.read_text(encoding="utf-8")
        if path.suffix in (".json", ".jsonl", ".toml", ".csv", ".txt")
        else ""
    )
    if path.suffix == ".json":
        json.loads(text)
    return bool(text)
