"""Files that appear whole or not at all, and names that every system takes."""

import errno
import hashlib
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media import whole


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_the_name_appears_at_the_end(tmp_path):
    target = tmp_path / "a.bin"
    target.write_bytes(b"old")
    with whole.write_whole(target) as temporary:
        assert temporary == tmp_path / "a.bin.part"
        temporary.write_bytes(b"new")
        assert target.read_bytes() == b"old"
    assert target.read_bytes() == b"new" and names(tmp_path) == ["a.bin"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_whatever_stops_it_nothing_is_left(tmp_path, error):
    target = tmp_path / "a.bin"
    with pytest.raises(error), whole.write_whole(target) as temporary:
        temporary.write_bytes(b"half")
        raise error
    assert names(tmp_path) == []


def test_everything_is_on_the_medium_before_the_name(tmp_path, monkeypatch):
    order = []
    real_sync, real_replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (order.append("sync"), real_sync(handle))[1])
    monkeypatch.setattr(Path, "replace", lambda a, b: (order.append("rename"), real_replace(a, b))[1])
    whole.write_whole_bytes(tmp_path / "a", b"x")
    assert order == (["sync", "rename", "sync"] if os.name == "posix" else ["sync", "rename"])


def test_a_full_disk_is_one_plain_sentence(tmp_path):
    with (
        pytest.raises(MaterialError) as raised,
        whole.write_whole(tmp_path / "a.mkv", needed_bytes=7_000_000) as part,
    ):
        part.write_bytes(b"x" * 1000)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    words = str(raised.value)
    assert "a.mkv needs 7.0 MB" in words and "is free in" in words and str(tmp_path) in words
    assert raised.value.exit_code == 3 and "\n" not in words and names(tmp_path) == []
    with (
        pytest.raises(MaterialError, match=r"more than 1\.0 kB"),
        whole.write_whole(tmp_path / "a.mkv") as part,
    ):
        part.write_bytes(b"x" * 1000)
        raise OSError(errno.ENOSPC, "full")


@pytest.fixture
def small_volume(tmp_path):
    """A volume of 2 MB, where the system lets this user mount one."""
    place = tmp_path / "volume"
    place.mkdir()
    done = (
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True)
        if sys.platform == "linux"
        else None
    )
    if done is None or done.returncode:
        pytest.skip("left out: this user can't mount a small volume")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_really_full_volume(small_volume):
    from fractions import Fraction

    import numpy as np

    from smallgauge.media.picture_out import create_lossless
    from smallgauge.media.sound_out import write_flac

    whole.write_whole_bytes(small_volume / "fits", b"x" * 100_000)
    with pytest.raises(MaterialError, match=r"big needs 3\.0 MB and .* is free"):
        whole.write_whole_bytes(small_volume / "big", b"x" * 3_000_000)
    noise = np.random.default_rng(1)
    with (
        pytest.raises(MaterialError, match=r"a\.mkv needs more than .* is free in"),
        create_lossless(
            small_volume / "a.mkv", width=320, height=240, bits=16, layout="rgb", rate=Fraction(18)
        ) as writer,
    ):
        for _ in range(20):
            writer.write(noise.integers(0, 65536, (240, 320, 3)).astype(np.uint16))
    with pytest.raises(MaterialError, match=r"a\.flac needs more than"):
        write_flac(
            small_volume / "a.flac",
            (noise.uniform(-1, 1, (48000, 2)) for _ in range(30)),
            rate=48000,
            channels=2,
        )
    assert names(small_volume) == ["fits"]
    with pytest.raises(MaterialError, match="is free in"):
        for _ in range(10**6):
            whole.append_line(small_volume / "journal.jsonl", "x" * 50_000)


def test_a_closed_folder_is_said(tmp_path):
    with pytest.raises(MaterialError, match="closed to writing"), whole.write_whole(tmp_path / "a"):
        raise PermissionError(errno.EACCES, "no")
    with pytest.raises(MaterialError, match="FAT32"), whole.write_whole(tmp_path / "a"):
        raise OSError(errno.EFBIG, "too large")
    with pytest.raises(OSError, match="other"), whole.write_whole(tmp_path / "a"):
        raise OSError(errno.EIO, "other")


def test_lines_are_appended_and_synced(tmp_path, monkeypatch):
    journal = tmp_path / "journal.jsonl"
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(handle), real(handle))[1])
    whole.append_line(journal, "one")
    whole.append_line(journal, "zwölf")
    assert journal.read_text(encoding="utf-8") == "one\nzwölf\n" and len(synced) >= 2
    with pytest.raises(CallerError):
        whole.append_line(journal, "two\nlines")


def test_a_torn_line_stays_alone(tmp_path):
    journal = tmp_path / "journal.jsonl"
    whole.append_line(journal, "one")
    with journal.open("ab") as file:
        file.write(b'{"tor')
    whole.append_line(journal, "two")
    assert journal.read_text().splitlines() == ["one", '{"tor', "two"]


LOCKERS = """
import sys
from pathlib import Path
from smallgauge.media.whole import make_lock
sys.stdin.readline()
print(make_lock(Path(sys.argv[1]), sys.argv[2].encode() * 1000))
"""


def test_only_one_of_many_gets_the_lock(tmp_path):
    lock = tmp_path / "lock"
    racers = [
        subprocess.Popen(
            [sys.executable, "-c", LOCKERS, str(lock), str(n)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for n in range(4)
    ]
    answers = []
    for racer in racers:
        racer.stdin.write("\n")
        racer.stdin.flush()
    for racer in racers:
        answers.append(racer.communicate()[0].strip())
    assert sorted(answers) == ["False"] * 3 + ["True"]
    winner = answers.index("True")
    assert lock.read_bytes() == str(winner).encode() * 1000 and names(tmp_path) == ["lock"]


def test_a_lock_without_hard_links(tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", refuse)
    assert whole.make_lock(tmp_path / "lock", b"a") and not whole.make_lock(tmp_path / "lock", b"b")
    assert (tmp_path / "lock").read_bytes() == b"a" and names(tmp_path) == ["lock"]


def test_link_or_copy(tmp_path, monkeypatch):
    source, target = tmp_path / "a", tmp_path / "b"
    source.write_bytes(b"frame")
    target.write_bytes(b"older")
    assert whole.link_or_copy(source, target) == "linked" and source.samefile(target)
    assert whole.link_or_copy(source, target) == "linked"
    monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(errno.EXDEV, "another volume")))
    assert whole.link_or_copy(source, tmp_path / "c") == "copied"
    assert (tmp_path / "c").read_bytes() == b"frame" and not source.samefile(tmp_path / "c")
    assert names(tmp_path) == ["a", "b", "c"]


@pytest.mark.parametrize("from_medium", [False, True])
def test_digest_of_a_file(tmp_path, from_medium):
    # NIST's example for SHA-256 (FIPS 180-4 examples): "abc".
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert whole.digest_file(path, from_medium=from_medium) == wanted
    data = os.urandom(9_000_001)
    path.write_bytes(data)
    assert whole.digest_file(path, from_medium=from_medium) == hashlib.sha256(data).hexdigest()


def test_what_a_system_lacks_is_said(tmp_path, monkeypatch):
    (tmp_path / "a").write_bytes(b"abc")
    if hasattr(os, "posix_fadvise"):
        assert whole.medium_doubt() == ""
        monkeypatch.delattr(os, "posix_fadvise")
    assert "from memory" in whole.medium_doubt()
    assert whole.digest_file(tmp_path / "a", from_medium=True).startswith("ba7816bf")


def test_from_medium_syncs_before_it_drops_the_cache(tmp_path, monkeypatch):
    if not hasattr(os, "posix_fadvise"):
        pytest.skip("left out: this system can't drop a file from its cache")
    order = []
    real_sync, real_drop = os.fsync, os.posix_fadvise
    monkeypatch.setattr(os, "fsync", lambda handle: (order.append("sync"), real_sync(handle))[1])
    monkeypatch.setattr(os, "posix_fadvise", lambda *a: (order.append(a[3]), real_drop(*a))[1])
    (tmp_path / "a").write_bytes(b"abc")
    whole.digest_file(tmp_path / "a", from_medium=True)
    assert order == ["sync", os.POSIX_FADV_DONTNEED]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Reel 01 - Garden 1968", "Reel 01 - Garden 1968"),
        ('a\\b/c:d*e?f"g<h>i|j', "a-b-c-d-e-f-g-h-i-j"),
        ("ends. . ", "ends"),
        ("...", "unnamed"),
        ("", "unnamed"),
        ("con", "_con"),
        ("COM1.mkv", "_COM1.mkv"),
        ("lpt9 ", "_lpt9"),
        ("Cafe\u0301", "Caf\u00e9"),
        ("a\u202eb\nc", "ab-c"),
        ("Z\u0308" * 80, "Z\u0308" * 49 + "Z"),
    ],
)
def test_names(text, name):
    assert whole.safe_file_name(text) == name


@given(st.text(max_size=300))
def test_any_text_becomes_a_legal_name(text):
    name = whole.safe_file_name(text)
    assert 0 < len(name) < 100 and len(name.encode()) <= 255
    assert not set(name) & set('\\/:*?"<>|') and all(ord(c) >= 32 and ord(c) != 127 for c in name)
    assert name == name.strip(" .")
    assert unicodedata.is_normalized("NFC", name)
    assert name.split(".")[0].rstrip().lower() not in {"con", "prn", "aux", "nul", "com1", "lpt1"}
    assert whole.safe_file_name(name) == name
