"""Other people's programs agree about our files, find what is broken, and are said where they are not there."""

import shutil
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path
from typing import get_args, get_type_hints

import numpy as np
import pytest

from smallgauge.deliver.proof_words import ANSWERS, ASKED, witness_row
from smallgauge.media.frame_md5 import frame_md5s
from smallgauge.media.picture_out import create_lossless, create_viewing, join_segments
from smallgauge.prove import witness as witnesses
from smallgauge.prove.bench import Ledger
from smallgauge.prove.witness import Witness, call_witnesses, with_witnesses
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Proof, WitnessAnswer
from smallgauge.record.work import silent as silent_progress


def film(path: Path, *, bits: int, layout: str = "rgb", size=(160, 120)) -> Path:
    """A lossless film of four frames of grain, joined as the line joins them."""
    chance = np.random.default_rng(bits)
    shape = (size[1], size[0], 3) if layout == "rgb" else (size[1], size[0])
    draft = path.with_name("draft.mkv")
    kind = np.uint8 if bits == 8 else np.uint16
    with create_lossless(
        draft, width=size[0], height=size[1], bits=bits, layout=layout, rate=Fraction(50, 3)
    ) as writer:
        for _ in range(4):
            writer.write(chance.integers(0, 2**bits, shape).astype(kind))
    join_segments([draft], path, rate=Fraction(50, 3), frame_counts=[4], tags={"TITLE": "invented"})
    draft.unlink()
    return path


def asked(folder: Path, **choice) -> Ledger:
    ledger = Ledger()
    call_witnesses(folder, ledger, bag=False, progress=lambda what, done, of: None, **choice)
    return ledger


def without_commands(monkeypatch) -> None:
    """As on a machine where no program but Python's own modules is installed."""
    monkeypatch.setattr(witnesses.shutil, "which", lambda name: None)


def verdicts(ledger: Ledger) -> dict[str, tuple[int, int]]:
    out: dict[str, tuple[int, int]] = {}
    for check in ledger.checks:
        name = check.by.rpartition(", ")[0]
        made, passed = out.get(name, (0, 0))
        out[name] = made + check.made, passed + check.passed
    return out


needs_conch = pytest.mark.skipif(find_spec("mediaconch") is None, reason="left out: MediaConch is not there")
needs_info = pytest.mark.skipif(find_spec("pymediainfo") is None, reason="left out: MediaInfo is not there")
needs_ffmpeg = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="left out: no FFmpeg command")


@needs_conch
@needs_info
def test_libraries_alone_are_witnesses_enough(tmp_path, monkeypatch):
    """No command line: MediaConch in both ways of parsing and by our policy, and MediaInfo, from Python's wheels."""
    without_commands(monkeypatch)
    film(tmp_path / "finished.mkv", bits=12)
    film(tmp_path / "archive.mkv", bits=10, layout="grey")
    ledger = asked(tmp_path)
    assert verdicts(ledger) == {
        "MediaInfo": (2, 2),
        "MediaConch, as a player reads": (2, 2),
        "MediaConch, every byte": (2, 2),
        "MediaConch, our policy": (2, 2),
    }
    absent = {f.values["witness"] for f in ledger.findings if f.code == "witness absent"}
    assert absent == {"FFmpeg's framemd5", "ExifTool"}


@needs_conch
def test_a_broken_slice_is_found_by_reading_every_byte(tmp_path, monkeypatch):
    without_commands(monkeypatch)
    path = film(tmp_path / "finished.mkv", bits=12)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)
    ledger = asked(tmp_path)
    assert verdicts(ledger)["MediaConch, every byte"] == (1, 0)
    assert any(
        f.code == "witness disagrees" and "every byte" in str(f.values["witness"]) for f in ledger.findings
    )


@needs_conch
def test_our_policy_refuses_another_codec(tmp_path, monkeypatch):
    without_commands(monkeypatch)
    with create_viewing(tmp_path / "finished.mkv", width=64, height=48, rate=Fraction(18)) as writer:
        for _ in range(3):
            writer.write(np.full((48, 64, 3), 90, np.uint8))
    assert verdicts(asked(tmp_path))["MediaConch, our policy"] == (1, 0)


@needs_ffmpeg
@pytest.mark.parametrize(
    ("bits", "layout"), [(8, "rgb"), (8, "grey"), (10, "rgb"), (12, "rgb"), (16, "rgb"), (16, "grey")]
)
def test_framemd5_of_another_ffmpeg(tmp_path, bits, layout):
    """Odd width, so that rows carry padding."""
    path = film(tmp_path / "finished.mkv", bits=bits, layout=layout, size=(157, 61))
    agrees, words = witnesses._framemd5().ask(path)
    assert agrees, words
    assert len(set(frame_md5s(path))) == 4


@needs_ffmpeg
def test_framemd5_tells_another_picture(tmp_path, monkeypatch):
    path = film(tmp_path / "finished.mkv", bits=12)
    whole = list(frame_md5s(path))
    monkeypatch.setattr(witnesses, "frame_md5s", lambda path: [whole[0], whole[0], *whole[2:]])
    agrees, words = witnesses._framemd5().ask(path)
    assert not agrees
    assert "1 with another MD5, frame 1 first" in words


def test_every_witness_that_is_absent_is_said(tmp_path, monkeypatch):
    without_commands(monkeypatch)
    monkeypatch.setattr(witnesses, "find_spec", lambda name: None)
    film(tmp_path / "finished.mkv", bits=8)
    ledger = Ledger()
    call_witnesses(tmp_path, ledger, bag=True, progress=lambda what, done, of: None)
    assert ledger.checks == []
    assert [f.code for f in ledger.findings] == ["witness absent"] * 7
    assert {answer.answer for answer in ledger.witnesses} == {"not asked"}
    assert all(not answer.version for answer in ledger.witnesses)


def test_what_witnesses_said_stands_in_the_proof(tmp_path, monkeypatch):
    """One that agrees, one that does not, one without an answer, one that is not there: each in its own words."""

    def silent(path):
        raise witnesses.NoAnswer("it ended with code 1")

    told = [
        (
            Witness(name="one", found="1.2", asked="the format", ask=lambda path: (True, f"pass! {path}")),
            [tmp_path / "a.mkv"],
        ),
        (
            Witness(name="two", found="3", asked="the file", ask=lambda path: (False, "x" * 400)),
            [tmp_path / "b.wav"],
        ),
        (Witness(name="three", found="4", asked="every frame", ask=silent), [tmp_path / "a.mkv"]),
        (Witness(name="four", found="", asked="the bag", ask=silent), [tmp_path]),
    ]
    monkeypatch.setattr(witnesses, "_questions", lambda folder, bag: told)
    before = Proof(reel="r", capture_digest="", checks=(), findings=(), files=())
    proof = with_witnesses(before, tmp_path, bag=False, progress=silent_progress)
    path = tmp_path / "proof.json"
    write_json(path, proof)
    kept = read_json(path, Proof)
    assert [(a.witness, a.version, a.asked, a.of, a.answer) for a in kept.witnesses] == [
        ("one", "1.2", "the format", "a.mkv", "agrees"),
        ("two", "3", "the file", "b.wav", "disagrees"),
        ("three", "4", "every frame", "a.mkv", "no answer"),
        ("four", "", "the bag", "", "not asked"),
    ]
    assert kept.witnesses[0].said == "pass! a.mkv" and len(kept.witnesses[1].said) == 300
    assert [(c.of, c.passed, c.made) for c in kept.checks] == [("a.mkv", 1, 1), ("b.wav", 0, 1)]
    assert [f.code for f in kept.findings] == ["witness disagrees", "check not made", "witness absent"]
    assert not kept.good
    rows = [witness_row(answer) for answer in kept.witnesses]
    assert rows[0][:4] == ("one 1.2", "the format, as a player reads it", "a.mkv", "agrees")
    assert rows[3][3] == "not installed, not asked"


def test_every_question_and_answer_has_its_words():
    asked = {witness.asked for witness, _ in witnesses._questions(Path("nowhere"), True)}
    assert asked == set(ASKED)
    assert set(get_args(get_type_hints(WitnessAnswer)["answer"])) == set(ANSWERS)
