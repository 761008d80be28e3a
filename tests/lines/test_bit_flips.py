"""A single flipped bit in any file of a finished reel is found by `smallgauge prove`, with exit code 4."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from drawn_reels import AT, relink_package, settings, small_reel

from smallgauge import cli
from smallgauge.line import finish
from smallgauge.proving import prove_folder

QUICK = (
    "archive.mkv",
    "archive.wav",
    "finished.mkv",
    "viewing.mp4",
    "television.mp4",
    "frames.parquet",
    "perforations.parquet",
    "film.json",
    "render.parquet",
    "capture.json",
    "render.json",
    "proof.json",
    "decisions.jsonl",
    "treatment.toml",
    "report.html",
    "package.json",
    "package/SHA256SUMS",
    "package/Report.html",
    "work/journal.jsonl",
)


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("flips")
    small_reel(base / "flips")
    outcome = finish(base / "flips", base / "shelf", settings())
    assert outcome.exit_code == 0
    return Path(outcome.folder)


@pytest.fixture
def copy(reel, tmp_path) -> Path:
    shutil.copytree(reel, tmp_path / "reel")
    relink_package(tmp_path / "reel")
    return tmp_path / "reel"


def flip(path: Path, bit: int) -> None:
    """Flip one bit in place, so that a second name of the file shows it too."""
    with path.open("rb+") as file:
        file.seek(bit // 8)
        byte = file.read(1)[0] ^ (1 << (bit % 8))
        file.seek(bit // 8)
        file.write(bytes([byte]))


def kept_files(folder: Path) -> list[str]:
    """Every file of a reel that is to last, and the journal."""
    names = [p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()]
    return sorted(n for n in names if not n.startswith("work/") or n == "work/journal.jsonl")


def prove(folder: Path, capsys) -> tuple[int, str]:
    code = cli.main(["prove", str(folder), "--workers", "1", "--quiet"])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return code, said.out + said.err


def test_an_untouched_reel_is_proved(copy, capsys):
    code, words = prove(copy, capsys)
    assert code == 0, words


@pytest.mark.parametrize("name", QUICK)
def test_a_flipped_bit_is_found(copy, capsys, name):
    path = copy / name
    flip(path, path.stat().st_size * 4)  # in the middle
    code, words = prove(copy, capsys)
    assert code == 4, words
    assert path.name in words or path.parent.name in words


@pytest.mark.parametrize("name", ["finished.mkv", "package/For later/finished.mkv"])
def test_a_flip_in_one_of_two_copies_is_found(copy, capsys, name):
    """Package and reel hold one file under two names; here they are two files, and one of them is damaged."""
    path = copy / name
    shutil.copyfile(path, path.with_name("apart"))
    path.with_name("apart").replace(path)
    flip(path, 8000 * 8)
    code, words = prove(copy, capsys)
    assert code == 4, words
    assert "finished.mkv" in words


@pytest.mark.parametrize("name", ["finished.mkv", "frames.parquet", "capture.json", "proof.json"])
def test_a_file_cut_short_or_gone_is_found(copy, capsys, name):
    path = copy / name
    size = path.stat().st_size
    with path.open("rb+") as file:
        file.truncate(size // 2)
    code, words = prove(copy, capsys)
    assert code == 4, words
    path.unlink()
    code, words = prove(copy, capsys)
    assert code == 4, words


def test_a_capture_that_changed_is_found(reel, copy, capsys):
    capture = reel.parent.parent / "flips"
    changed = copy.parent / "capture"
    shutil.copytree(capture, changed)
    flip(changed / "frame_000003.png", 8 * 1000)
    code = cli.main(["prove", str(copy), "--capture", str(changed), "--workers", "1", "--quiet"])
    words = capsys.readouterr().out
    assert code == 4, words
    assert "frame_000003.png" in words


def test_a_lost_journal_is_no_lost_proof(copy, capsys):
    """Without the work folder the last proof's digests stand in: a flip is still found."""
    shutil.rmtree(copy / "work")
    flip(copy / "finished.mkv", 8 * 5000)
    code, words = prove(copy, capsys)
    assert code == 4, words


@pytest.mark.campaign
def test_flips_anywhere(reel, tmp_path, capsys):
    """200 flips at places drawn by chance (generator's number 20260117), over all files in turn."""
    chance = np.random.default_rng(20260117)
    names = kept_files(reel)
    missed, total = [], 0
    shutil.copytree(reel, tmp_path / "reel")
    relink_package(tmp_path / "reel")
    whole = {name: (tmp_path / "reel" / name).read_bytes() for name in names}
    for turn in range(200):
        name = names[turn % len(names)]
        path = tmp_path / "reel" / name
        bit = int(chance.integers(0, 8 * len(whole[name])))
        flip(path, bit)
        code = cli.main(["prove", str(tmp_path / "reel"), "--workers", "1", "--quiet"])
        words = capsys.readouterr()
        total += 1
        if code != 4 or "Traceback" in words.err:
            missed.append((name, bit, code))
        for each, data in whole.items():  # also what prove itself wrote
            if (tmp_path / "reel" / each).read_bytes() != data:
                with (tmp_path / "reel" / each).open("rb+") as file:
                    file.write(data)
                    file.truncate(len(data))
    with capsys.disabled():
        print(f"\n{total} flips in {len(names)} files, {len(missed)} missed")
    assert not missed
    assert prove_folder(tmp_path / "reel", settings(at=AT), source=None).exit_code == 0
