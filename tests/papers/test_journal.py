"""The journal: a torn end is dropped, a changed bit is found, a piece is kept only while it is what it was."""

import hashlib

import numpy as np
import pytest
import xxhash

from smallgauge.errors import FixityError
from smallgauge.record.journal import Journal, JournalLine, key_of


@pytest.fixture
def folder(tmp_path):
    journal = Journal(tmp_path)
    for n in range(4):
        (tmp_path / f"f{n}").write_bytes(bytes([n]))
        journal.add_file("render", f"f{n}", key=key_of(n), first=n, stop=n + 1, rows=1)
    return tmp_path


def path_of(folder):
    return folder / "work" / "journal.jsonl"


def test_cut_anywhere_it_keeps_the_whole_lines(folder):
    raw = path_of(folder).read_bytes()
    for cut in sorted({*range(0, len(raw), 37), *(n + 1 for n in range(len(raw)) if raw[n] == 10)}):
        path_of(folder).write_bytes(raw[:cut])
        journal = Journal(folder)
        whole = raw[:cut].count(b"\n")
        assert sorted(journal.lines) == [f"f{n}" for n in range(whole)]
        assert path_of(folder).read_bytes() == raw[: raw[:cut].rfind(b"\n") + 1]
    journal = Journal(folder)
    journal.add_file("render", "f0", key="again")
    assert Journal(folder).lines["f0"].key == "again"


def test_every_flipped_bit_is_found(folder):
    raw = path_of(folder).read_bytes()
    missed = []
    for bit in range(0, 8 * len(raw), 13):
        changed = bytearray(raw)
        changed[bit // 8] ^= 1 << (bit % 8)
        path_of(folder).write_bytes(changed)
        try:
            Journal(folder)
        except FixityError as error:
            assert "journal" in str(error)
        else:
            missed.append(bit)
    assert not missed


def test_lines_left_out_or_turned_round_are_found(folder):
    lines = path_of(folder).read_bytes().splitlines(keepends=True)
    for wrong in (lines[1:], [lines[0], *lines[2:]], [lines[1], lines[0], *lines[2:]]):
        path_of(folder).write_bytes(b"".join(wrong))
        with pytest.raises(FixityError, match=r"line [12]"):
            Journal(folder)


def test_a_piece_is_kept_only_while_file_and_key_agree(folder):
    journal = Journal(folder)
    assert journal.holds("f1", key_of(1))
    assert not journal.holds("f1", key_of(2))
    assert not journal.holds("f9", key_of(1))
    (folder / "f1").write_bytes(b"other")
    assert not journal.holds("f1", key_of(1))
    (folder / "f2").unlink()
    assert not journal.holds("f2", key_of(2))


def test_what_is_forgotten_stays_forgotten(folder):
    Journal(folder).forget("f3")
    assert "f3" not in Journal(folder).lines
    Journal(folder).forget("f3")  # twice is once
    assert sorted(Journal(folder).lines) == ["f0", "f1", "f2"]


def test_what_passes_away_is_held_by_a_checksum_and_what_stays_by_sha_256(folder):
    (folder / "work" / "segments").mkdir()
    name = "work/segments/archive-000000.mkv"
    (folder / name).write_bytes(b"frames" * 1000)
    journal = Journal(folder)
    line = journal.add_file("analyse", name, key="k", stop=100)
    assert (line.sha256, line.xxh128) == ("", xxhash.xxh3_128_hexdigest(b"frames" * 1000))
    assert journal.add_file("render", "f1", key="k").xxh128 == ""
    again = Journal(folder)
    assert again.lines[name] == line and again.holds(name, "k") and not again.holds(name, "other")
    data = bytearray((folder / name).read_bytes())
    data[4321] ^= 1
    (folder / name).write_bytes(data)
    assert not again.holds(name, "k")
    again.forget(name)
    assert name not in Journal(folder).lines


def test_lines_from_before_there_were_checksums_are_read(folder):
    """A reel begun by an earlier program: SHA-256 for what passes away, and no word of a checksum in any line."""
    name = "work/rows/frames-000000.parquet"
    (folder / "work" / "rows").mkdir()
    (folder / name).write_bytes(b"rows")
    sha = hashlib.sha256(b"rows").hexdigest()
    Journal(folder).add(JournalLine(step="analyse", file=name, first=0, stop=100, key="k", sha256=sha))
    assert b"xxh" not in path_of(folder).read_bytes()
    journal = Journal(folder)
    assert journal.holds(name, "k")
    (folder / name).write_bytes(b"sows")
    assert not journal.holds(name, "k")


def test_keys_tell_apart_what_differs():
    parts = [1, 2.5, "a", None, (1, 2), {"x": 1}, np.float64(2.5).item()]
    keys = {key_of(part) for part in parts}
    assert len(keys) == 6  # 2.5 twice
    assert key_of({"a": 1, "b": 2}) == key_of({"b": 2, "a": 1})
