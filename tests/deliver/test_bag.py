"""The package for an archive: valid for an independent reader of bags, its records valid by their published schemas."""

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import bagit
import pytest
import xmlschema
from reel_papers import AT, NUMBER, make_reel

from smallgauge.deliver.bag import BAG, build_bag
from smallgauge.deliver.condition import condition_record
from smallgauge.deliver.papers import read_papers
from smallgauge.errors import FixityError, MaterialError
from smallgauge.media.whole import digest_file
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Proof
from smallgauge.record.package import PackageList

SCHEMAS = Path(__file__).parent / "schemas"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_reel(tmp_path_factory.mktemp("made") / "reel")


@pytest.fixture
def reel(made, tmp_path):
    return shutil.copytree(made, tmp_path / "reel")


def inspect(folder: Path, **stated: object) -> None:
    """State what the inspection found, before the reel is proved."""
    path = folder / "capture.json"
    capture = read_json(path, Capture)
    write_json(path, replace(capture, notes=replace(capture.notes, **stated)))
    proof = read_json(folder / "proof.json", Proof)
    files = [replace(f, sha256=digest_file(path)) if f.name == path.name else f for f in proof.files]
    write_json(folder / "proof.json", replace(proof, files=tuple(files)))


def test_an_independent_reader_calls_the_bag_valid(reel):
    build_bag(reel, at=AT)
    bag = bagit.Bag(str(reel / BAG))
    assert bag.validate(processes=1) and bag.version_info == (1, 0)
    assert bag.info["External-Identifier"] == NUMBER and bag.info["Bagging-Date"] == AT[:10]
    if shutil.which("sha512sum"):  # of coreutils
        subprocess.run(["sha512sum", "-c", "--quiet", "manifest-sha512.txt"], cwd=reel / BAG, check=True)


def test_every_kind_of_harm_is_found_by_it(reel):
    build_bag(reel, at=AT)
    data = reel / BAG / "data"
    for harm in ("flip", "remove", "add"):
        copy = shutil.copytree(reel / BAG, reel.parent / harm)
        film = copy / "data" / "finished.mkv"
        if harm == "flip":
            raw = bytearray(film.read_bytes())
            raw[len(raw) // 2] ^= 1
            film.unlink()  # it may be a hard link to the reel's own
            film.write_bytes(raw)
        elif harm == "remove":
            film.unlink()
        else:
            (copy / "data" / "stranger.txt").write_text("not ours")
        with pytest.raises(bagit.BagValidationError):
            bagit.Bag(str(copy)).validate(processes=1)
    assert (data / "finished.mkv").read_bytes() == (reel / "finished.mkv").read_bytes()


def test_the_catalogue_record_is_valid_by_the_schema(reel):
    inspect(reel, captured_on="2026-01-17", machine="bench two")
    build_bag(reel, at=AT)
    schema = xmlschema.XMLSchema(SCHEMAS / "pbcore-2.1.xsd")
    record = reel / BAG / "data" / "pbcore.xml"
    schema.validate(record)
    found = schema.to_dict(record)
    names = [each["instantiationLocation"] for each in found["pbcoreInstantiation"]]
    assert "data/archive.mkv" in names and "data/finished.mkv" in names and "Returned to its owner" in names
    broken = record.read_text().replace("pbcoreTitle", "pbcoreName")
    assert not schema.is_valid(broken)


def test_the_condition_record_is_valid_by_the_schema_and_says_only_what_was_stated(reel):
    told = {finding.code for finding in build_bag(reel, at=AT)}
    assert "no condition record" in told and not (reel / BAG / "data" / "condition.xml").exists()
    inspect(reel, film_base="acetate", deformation="slight", captured_on="2026-01-17")
    assert "no condition record" not in {finding.code for finding in build_bag(reel, at=AT)}
    schema = xmlschema.XMLSchema(SCHEMAS / "film-condition-2.0.xsd")
    record = reel / BAG / "data" / "condition.xml"
    schema.validate(record)
    film = schema.to_dict(record)["ie"]["representation"]["reel"][0]
    assert film["carrier_material"] == "acetate" and film["deformation"] == "gering"
    assert film["splice_count"] == 1 and film["perforation_damage"] is True and "ph_test" not in film


def test_no_day_of_capture_no_shrinkage(reel):
    inspect(reel, film_base="acetate", deformation="none")
    assert "shrinkage" not in (condition_record(read_papers(reel)) or "")


def test_events_name_every_decision_and_check(reel):
    build_bag(reel, at=AT)
    papers = read_papers(reel)
    events = json.loads((reel / BAG / "data" / "events.json").read_text())["events"]
    kinds = [event["eventType"] for event in events]
    assert kinds.count("decision") == len(papers.treatment.in_force)
    assert kinds[0] == "capture" and "eventDateTime" not in events[0]  # nobody stated the day
    assert sum(k in ("fixity check", "validation") for k in kinds) == len(papers.proof.checks)


def test_a_file_that_is_not_the_proved_one_is_not_packed(reel):
    build_bag(reel, at=AT)
    before = sorted(path.name for path in (reel / BAG / "data").iterdir())
    (reel / "finished.mkv").unlink()
    (reel / "finished.mkv").write_bytes(b"another film")
    with pytest.raises(FixityError, match="proved"):
        build_bag(reel, at=AT)
    assert sorted(path.name for path in (reel / BAG / "data").iterdir()) == before


def test_a_stranger_in_the_bag_is_refused_and_kept(reel):
    build_bag(reel, at=AT)
    (reel / BAG / "data" / "letter.txt").write_text("keep me")
    with pytest.raises(MaterialError, match=r"letter\.txt"):
        build_bag(reel, at=AT)
    assert (reel / BAG / "data" / "letter.txt").read_text() == "keep me"
    listed = read_json(reel / "bag.json", PackageList)
    assert "data/letter.txt" not in {part.place for part in listed.parts}


def test_our_own_names_are_short_and_others_are_told(reel):
    assert "names for an archive" not in {finding.code for finding in build_bag(reel, at=AT)}
    (reel / "captures" / "garden run 1").mkdir(parents=True)
    (reel / "captures" / "garden run 1" / "archive.mkv").write_bytes(b"a capture of a joined reel")
    codes = {finding.code: finding for finding in build_bag(reel, at=AT)}
    assert codes["names for an archive"].values["names"] == ["garden run 1"]
