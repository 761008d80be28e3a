"""`smallgauge doctor`: what it finds is what is there, what is wrong is said with what to do, and nothing is left behind."""

import json
import shutil
from types import SimpleNamespace

import psutil
import pytest

from smallgauge import doctor
from smallgauge.cli import main
from smallgauge.doctor import BAD, GOOD, LOOK, examine
from smallgauge.errors import MaterialError


def by_name(readings):
    return {each.name: each for each in readings}


def test_a_machine_that_passes_the_tests_is_fit(tmp_path):
    told = by_name(examine(tmp_path))
    for name in ("lossless codec", "copies", "shop's book", "documents", "clock"):
        assert told[name].word == GOOD, told[name]
    assert "free" in told["room"].found and "MB a second" in told["speed"].found
    assert list(tmp_path.iterdir()) == [], "a trial was left behind"


@pytest.mark.parametrize(("free", "word"), [(10**9, BAD), (50 * 10**9, LOOK), (10**12, GOOD)])
def test_room_is_told_from_what_the_system_says(tmp_path, monkeypatch, free, word):
    monkeypatch.setattr(
        shutil, "disk_usage", lambda path: SimpleNamespace(total=2 * free, used=free, free=free)
    )
    told = by_name(doctor._disk(tmp_path))["room"]
    assert told.word == word and bool(told.do) == (word != GOOD)


def test_little_memory_a_wrong_clock_and_a_network_folder_are_seen(tmp_path, monkeypatch):
    monkeypatch.setattr(psutil, "virtual_memory", lambda: SimpleNamespace(available=10**9, total=2 * 10**9))
    assert by_name(doctor._memory(tmp_path))["memory"].word == BAD
    monkeypatch.setattr(doctor.time, "time", lambda: 1.0e9)
    (told,) = doctor._clock(tmp_path)
    assert told.word == BAD and told.found == "2001-09-09" and "set the clock" in told.do
    monkeypatch.setattr("smallgauge.office.book.network_kind", lambda folder: "nfs4")
    (told,) = doctor._database(tmp_path)
    assert told.word == LOOK and "PostgreSQL" in told.do


def test_a_check_that_fails_does_not_hide_the_others(tmp_path, monkeypatch):
    def broken(folder):
        raise RuntimeError("out of order")
        yield

    broken.__name__ = "_codecs"
    monkeypatch.setattr(doctor, "_codecs", broken)
    told = by_name(examine(tmp_path))
    assert told["codecs"].word == BAD and "out of order" in told["codecs"].found and "documents" in told


def test_the_command_says_it_in_words_and_as_a_document(tmp_path, capsys, monkeypatch):
    assert main(["doctor", str(tmp_path)]) in (0, 1)
    words = capsys.readouterr().out
    assert "lossless codec: FFV1 in 16 bits comes back equal" in words
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(total=9, used=1, free=8))
    assert main(["doctor", str(tmp_path), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["exit_code"] == 1 and {"name", "word", "found", "do"} == set(told["readings"][0])
    assert main(["doctor", str(tmp_path / "none")]) == 3
    with pytest.raises(MaterialError, match="make it first"):
        examine(tmp_path / "none")
