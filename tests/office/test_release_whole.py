"""Whole reels after their captured frames went: finished again from the archive copy, and joined of two captures."""

import shutil

import pytest
from drawn_release import flip, make_bench
from shop import write_film

from smallgauge import cli
from smallgauge.office import open_reel
from smallgauge.office.due import passes_due


@pytest.fixture
def bench(done_shop, tmp_path, capsys, monkeypatch):
    return make_bench(done_shop, tmp_path, capsys, monkeypatch)


@pytest.mark.campaign
def test_a_reel_without_its_captured_frames_is_finished_again(bench):
    """A later decision is rendered from the archive copy."""
    bench.copy()
    assert bench.go("frames", "work")[0] == 0
    words = ("--decide", "camera_speed", "18", "--by", "mk", "--why", "people walk right")
    assert cli.main(["treat", str(bench.folder), *words]) == 0
    assert cli.main(["finish", str(bench.folder), "--quiet"]) == 0
    assert passes_due(bench.folder) == ()


@pytest.mark.campaign
def test_a_joined_reel_lets_go_each_of_its_captures(tmp_path, capsys, monkeypatch):
    """Two captures of one reel, joined: each is held against its own archive copy, and the reel is proved afterwards."""
    monkeypatch.setattr(open_reel, "same_volume", lambda first, second: False)
    shelf, drawn = tmp_path / "shelf", write_film(tmp_path / "drawn", 12)
    for name, frames in (("first", range(7)), ("second", range(5, 12))):
        (tmp_path / name).mkdir()
        shutil.copy(drawn / "capture.toml", tmp_path / name)
        for number in frames:
            shutil.copy(drawn / f"frame_{number:06d}.png", tmp_path / name)
        assert cli.main(["analyse", str(tmp_path / name), "--out", str(shelf), "--quiet"]) in (0, 1)
    words = ("--overlap", "2", "--by", "mk", "--why", "seen", "--quiet")
    parts = [str(shelf / name) for name in ("first", "second")]
    assert cli.main(["join", *parts, "--out", str(shelf), "--reel", "joined", *words]) == 0
    assert cli.main(["finish", str(shelf / "joined"), "--quiet"]) == 0
    assert cli.main(["deliver", str(shelf / "joined"), "--bag"]) == 0
    medium = ("--medium", "disk 1", "--kind", "hard disk", "--by", "mk")
    assert cli.main(["copy", str(shelf / "joined" / "bag"), str(tmp_path / "disk"), *medium]) == 0
    captures = [word for name in ("first", "second") for word in ("--capture", str(tmp_path / name))]
    asked = ["release", "joined", "--shelf", str(shelf), *captures]
    flip(shelf / "joined" / "captures" / "1" / "archive.mkv")
    assert cli.main([*asked, "--go", "frames", "--who", "mk", "--why", "room"]) == 4
    flip(shelf / "joined" / "captures" / "1" / "archive.mkv")
    assert len(list(tmp_path.glob("[fs]*/*.png"))) == 14, (
        "what is wrong with one archive copy keeps both captures"
    )
    capsys.readouterr()
    assert cli.main([*asked, "--go", "frames", "--who", "mk", "--why", "room"]) == 0
    assert "frames of captures/1 went, 7 files" in capsys.readouterr().out
    assert list(tmp_path.glob("[fs]*/*.png")) == []
    assert cli.main(["prove", str(shelf / "joined"), "--out", str(tmp_path / "proofs"), "--quiet"]) == 0
