"""Many packages over the years: what changed is told, a stopped round goes on, and the log says when it was changed."""

import hashlib
import json
from pathlib import Path

import pytest

from smallgauge import cli
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.prove.recheck import RecheckLog, recheck_packages

YEARS = [f"20{year}-01-17T10:00:00Z" for year in range(26, 36)]


def package(folder: Path, *, bag: bool = False) -> Path:
    """A small package with its list."""
    files = {
        "Read me first.txt": b"words",
        "For later/archive.mkv": bytes(range(256)) * 40,
        "Report.html": b"<p>",
    }
    kind = "sha512" if bag else "sha256"
    lines = []
    for place, data in files.items():
        place = f"data/{place}" if bag else place
        path = folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        lines.append(f"{hashlib.new(kind, data).hexdigest()}  {place}\n")
    if bag:
        (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
        (folder / "manifest-sha512.txt").write_text("".join(lines))
        tags = ("bagit.txt", "manifest-sha512.txt")
        text = "".join(f"{hashlib.sha512((folder / t).read_bytes()).hexdigest()}  {t}\n" for t in tags)
        (folder / "tagmanifest-sha512.txt").write_text(text)
    else:
        (folder / "SHA256SUMS").write_text("".join(lines))
    return folder


@pytest.fixture
def store(tmp_path) -> Path:
    package(tmp_path / "store" / "one" / "package")
    package(tmp_path / "store" / "two" / "bag", bag=True)
    return tmp_path / "store"


def look(store: Path, at: str, mode="full", **more):
    log = store.parent / "recheck.jsonl"
    return recheck_packages([store], log, mode=mode, at=at, progress=lambda what, done, of: None, **more)


def flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def test_all_is_well_in_full_and_quickly(store):
    before = {p: p.read_bytes() for p in store.rglob("*") if p.is_file()}
    first, second = look(store, YEARS[0]), look(store, YEARS[1], "quick")
    assert [c.right for c in first] == [3, 5] and all(c.good and not c.read_whole for c in (*first, *second))
    assert [c.last_full for c in first] == ["", ""] and [c.last_full for c in second] == [YEARS[0]] * 2
    assert {p: p.read_bytes() for p in store.rglob("*") if p.is_file()} == before
    modes = {line.mode for line in RecheckLog(store.parent / "recheck.jsonl").lines if line.round == YEARS[1]}
    assert modes == {"quick"}


def test_a_quick_check_of_what_the_log_does_not_know_reads_in_full(store):
    assert [c.read_whole for c in look(store, YEARS[0], "quick")] == [3, 5]
    assert [c.read_whole for c in look(store, YEARS[1], "quick")] == [0, 0]


@pytest.mark.parametrize("mode", ["quick", "full"])
def test_a_flipped_bit_a_lost_file_and_a_new_one(store, mode):
    look(store, YEARS[0])
    flip(store / "one/package/For later/archive.mkv")
    (store / "one/package/Report.html").unlink()
    (store / "one/package/new.txt").write_text("?")
    flip(store / "two/bag/data/Read me first.txt")
    one, two = look(store, YEARS[1], mode)
    assert (one.differs, one.missing, one.unlisted) == (
        ["For later/archive.mkv"],
        ["Report.html"],
        ["new.txt"],
    )
    assert two.differs == ["data/Read me first.txt"]
    assert not one.good and not two.good


def test_a_changed_file_stays_changed_in_later_rounds(store):
    """The log keeps what a full check found right; what a later one found wrong is no measure."""
    look(store, YEARS[0])
    flip(store / "one/package/Report.html")
    for year, mode in ((1, "full"), (2, "quick"), (3, "full")):
        assert look(store, YEARS[year], mode)[0].differs == ["Report.html"]


def test_a_stopped_round_goes_on(store):
    def stop(check):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        look(store, YEARS[0], told=stop)
    log = store.parent / "recheck.jsonl"
    log.write_bytes(log.read_bytes() + b'{"at": "torn')
    one, two = look(store, YEARS[1])
    assert (one.kept, two.kept) == (3, 0)
    assert one.good and two.good
    book = RecheckLog(log)
    assert {line.round for line in book.lines} == {YEARS[0]} and not book.open_round
    assert len(book.lines) == 8
    assert look(store, YEARS[2])[0].kept == 0


def test_a_log_that_was_changed_is_refused(store):
    look(store, YEARS[0])
    log = store.parent / "recheck.jsonl"
    log.write_text(log.read_text().replace('"right"', '"wrong"', 1))
    with pytest.raises(FixityError, match="Line 2"):
        look(store, YEARS[1])


def test_what_is_no_package_is_refused(store, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(MaterialError, match="SHA256SUMS"):
        look(tmp_path / "empty", YEARS[0])
    with pytest.raises(CallerError, match="outside"):
        recheck_packages(
            [store],
            store / "one/package/log.jsonl",
            mode="full",
            at=YEARS[0],
            progress=lambda what, done, of: None,
        )


def test_the_command_speaks_plainly(store, capsys, monkeypatch):
    log = str(store.parent / "recheck.jsonl")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1800000000")
    assert cli.main(["recheck", str(store), "--log", log, "--quiet"]) == 0
    assert "all 3 files are as they were." in capsys.readouterr().out
    flip(store / "two/bag/data/Report.html")
    assert cli.main(["recheck", str(store), "--log", log, "--quick", "--quiet"]) == 4
    said = capsys.readouterr().out
    assert "NOT AS IT WAS" in said and "data/Report.html" in said and "Last read in full: " in said
    assert "before this round was stopped" not in said
    assert cli.main(["recheck", str(store), "--log", log, "--json"]) == 4
    assert [p["good"] for p in json.loads(capsys.readouterr().out)["packages"]] == [True, False]
