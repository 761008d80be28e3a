"""Programs that are not ours, asked about a whole reel as the line leaves it: films, bag, catalogue, condition, report.

Sources: delivery reference, sections 4, 7 and 10. One that is not installed is named and left out.
"""

import shutil
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
import xmlschema

from smallgauge.deliver.content import report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.line import Settings
from smallgauge.media.frame_md5 import frame_md5s
from smallgauge.prove import witness as witnesses
from smallgauge.prove.bench import Ledger
from smallgauge.prove.witness import POLICY, call_witnesses
from smallgauge.proving import prove_folder
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.work import silent

SCHEMAS = Path(__file__).resolve().parent.parent / "deliver" / "schemas"
LOSSLESS = ("archive.mkv", "finished.mkv")
SLOW = {"MediaConch, as a player reads", "MediaConch, every byte", "FFmpeg's framemd5"}
COPIES = ("viewing.mp4", "television.mp4")


def needs(*commands: str):
    lacking = [command for command in commands if shutil.which(command) is None]
    return pytest.mark.skipif(bool(lacking), reason=f"left out: {', '.join(lacking)} not there")


@needs("mediaconch")
@pytest.mark.parametrize("name", LOSSLESS)
@pytest.mark.parametrize(
    "how", [("-mc",), ("-mc", "--ParseSpeed=1"), ("-p", str(POLICY)), ("-p", str(POLICY), "--ParseSpeed=1")]
)
def test_mediaconch_passes_in_both_modes(reel, name, how):
    """A fresh process for each: the way of parsing stays on, and either misses what the other finds."""
    said = subprocess.run(
        ["mediaconch", *how, "-fs", reel / name], check=True, capture_output=True, text=True
    ).stdout
    assert said.startswith("pass!") and "fail!" not in said, said


@needs("ffmpeg")
@pytest.mark.parametrize("name", (*LOSSLESS, *COPIES))
def test_framemd5_of_the_command_line_equals_ours(reel, name):
    command = [
        "ffmpeg",
        "-v",
        "error",
        "-i",
        reel / name,
        "-map",
        "0:v:0",
        "-vsync",
        "0",
        "-f",
        "framemd5",
        "-",
    ]
    said = subprocess.run(command, check=True, capture_output=True, text=True)
    theirs = [line.rpartition(",")[2].strip() for line in said.stdout.splitlines() if line and line[0] != "#"]
    assert not said.stderr
    assert theirs == list(frame_md5s(reel / name)) and len(theirs) >= 24


@pytest.mark.skipif(find_spec("bagit") is None, reason="left out: bagit is not there")
def test_the_bag_of_a_whole_reel_is_valid(reel):
    """RFC 8493, by bagit's own command line; one byte changed and it is not."""
    command = [sys.executable, "-m", "bagit", "--validate", "--quiet", str(reel / "bag")]
    assert subprocess.run(command, capture_output=True).returncode == 0


@pytest.mark.parametrize(
    ("record", "schema"), [("pbcore.xml", "pbcore-2.1.xsd"), ("condition.xml", "film-condition-2.0.xsd")]
)
def test_the_bag_s_records_are_valid_by_their_schemas(reel, record, schema):
    """PBCore 2.1 and the open film-conservation schema 2.0, of a reel that was inspected."""
    xmlschema.XMLSchema(SCHEMAS / schema).validate(reel / "bag" / "data" / record)


@needs("qpdf")
def test_the_report_is_a_sound_pdf(reel):
    said = subprocess.run(["qpdf", "--check", reel / "report.pdf"], capture_output=True, text=True)
    assert said.returncode == 0, said.stdout + said.stderr
    assert "No syntax or stream encoding errors found" in said.stdout


def test_every_witness_agrees_or_is_named_as_absent(reel, monkeypatch):
    """As `prove --witness` asks them, of the bag; those that read all of every film are asked above, one by one."""
    real = witnesses._questions
    monkeypatch.setattr(
        witnesses, "_questions", lambda folder, bag: [q for q in real(folder, bag) if q[0].name not in SLOW]
    )
    ledger = Ledger()
    call_witnesses(reel / "bag", ledger, bag=True, progress=silent)
    assert {answer.witness for answer in ledger.witnesses} == {
        "MediaInfo",
        "ExifTool",
        "bagit",
        "MediaConch, our policy",
    }
    for answer in ledger.witnesses:
        assert answer.answer == ("agrees" if answer.version else "not asked")


@needs("mediainfo")
def test_what_they_said_stands_in_the_proof_that_is_written(reel, tmp_path, monkeypatch):
    """`prove --witness` on a reel's folder: proof.json has it, and the next report shows it."""
    own = shutil.copytree(reel, tmp_path / reel.name)
    real = witnesses._questions  # those that decode everything once more are asked above
    monkeypatch.setattr(
        witnesses,
        "_questions",
        lambda folder, bag: [q for q in real(folder, bag) if q[0].name in ("MediaInfo", "bagit")],
    )
    outcome = prove_folder(own, Settings(at="2026-01-17T10:00:00Z", workers=1), source=None, witness=True)
    assert outcome.exit_code == 0
    proof = read_json(own / "proof.json", Proof)
    told = {answer.of: answer for answer in proof.witnesses if answer.witness == "MediaInfo"}
    assert set(told) == {*LOSSLESS, *COPIES}
    assert all(answer.answer == "agrees" and answer.version and answer.said for answer in told.values())
    table = next(
        each for each in report_content(read_papers(own)).tables if each.title == "Other people's programs"
    )
    assert {row[2] for row in table.rows} == set(told)
