"""An operator's decision: it stays, and only what it changes is made again."""

import hashlib
import json
import shutil
import tomllib
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from drawn_reels import AT, relink_package, settings, small_reel

import smallgauge.render.reel
import smallgauge.render.segments
from smallgauge.errors import CallerError
from smallgauge.line import decide_on, finish
from smallgauge.media.film_in import read_film
from smallgauge.proving import of_older_decisions, prove_folder
from smallgauge.record.files import read_decisions, read_json, write_treatment
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal
from smallgauge.record.recipe import SMOOTH
from smallgauge.record.rendertable import COPY_COLUMNS, RenderSummary
from smallgauge.record.table import read_table
from smallgauge.record.treatment import treatment_of


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """A capture and its finished reel, made once."""
    base = tmp_path_factory.mktemp("decisions") / "base"
    small_reel(base / "decided")
    assert finish(base / "decided", base / "shelf", settings()).exit_code == 0
    return base


@pytest.fixture
def reel(made, tmp_path) -> tuple[Path, Path]:
    """A copy of them to decide on."""
    shutil.copytree(made, tmp_path / "copy")
    folder = tmp_path / "copy" / "shelf" / "decided"
    relink_package(folder)
    return tmp_path / "copy" / "decided", folder


def packets_of(film: Path) -> list[tuple[float, str]]:
    """Time and SHA-256 of each picture packet, as FFmpeg hands them out, in the order of decoding."""
    with av.open(str(film)) as container:
        stream = container.streams.video[0]
        return [
            (float(packet.pts * packet.time_base), hashlib.sha256(bytes(packet)).hexdigest())
            for packet in container.demux(stream)
            if packet.size
        ]


def journal(folder: Path) -> list[dict]:
    text = (folder / "work" / "journal.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def again(reel: tuple[Path, Path], **changes: object) -> set[str]:
    """Finish again; the files of analyse and render that were written."""
    capture, folder = reel
    before = len(journal(folder))
    outcome = finish(capture, folder.parent, settings(**changes))
    assert outcome.exit_code == 0
    return {
        line["file"] for line in journal(folder)[before:] if line["step"] in ("analyse", "treat", "render")
    }


def decide(folder: Path, subject: str, value: dict | None) -> None:
    decide_on(folder, subject=subject, value=value, by="mk", at=AT, why="looked at it")


def test_nothing_decided_makes_nothing_again(reel):
    assert again(reel) == set()


def test_a_camera_speed_opens_no_picture(reel, monkeypatch):
    """The pictures of the finished film and of the copy at its rate stand, packet for packet, with new times.

    The television copy's repeats are laid out anew; no picture is opened, so none is decoded or coded, and the
    archive copy is not touched at all.
    """
    _, folder = reel
    packets = {film: packets_of(folder / film) for film in ("finished.mkv", "viewing.mp4")}
    archive = sorted((p.name, p.stat().st_mtime_ns) for p in folder.glob("archive*"))
    pictures = (folder / "render.parquet").read_bytes()
    stills = {p.name: p.stat().st_mtime_ns for p in (folder / "stills").glob("scene-*")}
    decide(folder, "camera_speed", {"rate": "16"})
    opened = []
    with monkeypatch.context() as patch:
        patch.setattr(smallgauge.render.segments, "open_picture", lambda listing: opened.append(listing))
        written = again(reel, last_step="render")
    assert opened == []
    assert not {f for f in written if f.startswith(("stills/", "work/rows/"))}
    pieces = {f for f in written if f.startswith("work/segments/")}
    assert pieces == {f"work/segments/sound.{end}" for end in ("mka", "m4a", "json")}
    again(reel)
    for film, before in packets.items():
        after = packets_of(folder / film)
        assert [data for _, data in after] == [data for _, data in before], film
        assert [t for t, _ in after] == pytest.approx([t * 18 / 16 for t, _ in before], abs=0.001), film
    assert sorted((p.name, p.stat().st_mtime_ns) for p in folder.glob("archive*")) == archive
    assert "render.parquet" not in written
    assert {"finished.mkv", "viewing.mp4", "television.mp4", "copies.parquet", "sound.parquet"} <= written
    assert (folder / "render.parquet").read_bytes() == pictures
    assert {p.name: p.stat().st_mtime_ns for p in (folder / "stills").glob("scene-*")} == stills
    summary = json.loads((folder / "render.json").read_text())
    assert summary["rate"] == "16"
    assert again(reel) == set()


def test_a_still_whose_colour_was_corrected_has_the_film_as_it_is_today_beside_it(reel):
    """It is the same frame in the same place, comes with its still and goes with it; the package holds finished ones alone."""
    _, folder = reel

    def pictures(pattern: str) -> dict[str, np.ndarray]:
        return {p.name: cv2.imread(str(p)).astype(float) for p in sorted((folder / "stills").glob(pattern))}

    plain = pictures("scene-*.jpg")
    assert plain and not pictures("now-*")
    decide(folder, "primary", {"points": [12.0, 0.0, 0.0]})  # 0.3 of density: half the red light
    again(reel)
    befores, afters = pictures("now-*"), pictures("scene-*.jpg")
    assert [f"now-{name}" for name in afters] == list(befores)
    for name, after in afters.items():
        before = befores[f"now-{name}"]
        assert before.shape == after.shape
        middle = np.s_[
            before.shape[0] // 4 : -(before.shape[0] // 4), before.shape[1] // 4 : -(before.shape[1] // 4)
        ]
        # Stills are sRGB (IEC 61966-2-1), whose curve these lightnesses lie on the steep part of.
        shown = [each[middle].mean(axis=(0, 1)) / 255 for each in (before, after)]
        light = [((each + 0.055) / 1.055) ** 2.4 for each in shown]
        red, green = light[1][2] / light[0][2], light[1][1] / light[0][1]
        assert red / green == pytest.approx(10**-0.3, rel=0.1)
        assert np.abs(after[..., 1] - plain[name][..., 1]).mean() < 3.0  # green was left
    summary = read_json(folder / "render.json", RenderSummary)
    assert set(summary.before) == {f"stills/{name}" for name in befores}
    assert summary.grey_scales[0].steps == ("points", "output")
    packed = {path.parent.name for path in (folder / "package").rglob("now-*")}
    assert packed == {"stills"} and not list((folder / "package" / "Pictures").glob("now-*"))
    proof = read_json(folder / "proof.json", Proof)
    assert set(summary.before) <= {file.name for file in proof.files}
    decide(folder, "primary", None)
    again(reel, last_step="render")
    assert not pictures("now-*")
    assert not any("now-" in file for file in Journal(folder).lines)


def test_a_sync_mark_codes_no_picture_again(reel):
    _, folder = reel
    decide(folder, "sync", {"shift_frames": 0.0, "set": True, "marks": [{"frame": 3, "sound_s": 2.1}]})
    written = again(reel)
    assert not {f for f in written if f.startswith("work/segments/") and "sound" not in f}
    assert "render.parquet" not in written
    assert {"finished.mkv", "viewing.mp4", "television.mp4"} <= written


def test_a_loudness_codes_no_picture_again_and_leaves_the_finished_film(reel):
    """Only the sound of the viewing copies is made anew: 6 dB less, by gain alone."""
    _, folder = reel
    finished = (folder / "finished.mkv").read_bytes()
    packets = packets_of(folder / "viewing.mp4")
    before = sound_of(folder / "viewing.mp4")
    decide(folder, "loudness", {"gain_db": -6.0})
    written = again(reel)
    assert {f for f in written if f.startswith("work/segments/")} <= {
        "work/segments/sound.m4a",
        "work/segments/sound.mka",
        "work/segments/sound.json",
    }
    assert {"viewing.mp4", "television.mp4"} <= written and "finished.mkv" not in written
    assert (folder / "finished.mkv").read_bytes() == finished
    assert packets_of(folder / "viewing.mp4") == packets
    after = sound_of(folder / "viewing.mp4")
    assert after.shape == before.shape and after.shape[0] == 2
    assert 20 * np.log10(np.std(after) / np.std(before)) == pytest.approx(-6.0, abs=0.1)


def sound_of(film: Path) -> np.ndarray:
    with av.open(str(film)) as container:
        return np.concatenate([frame.to_ndarray() for frame in container.decode(audio=0)], axis=1)


def test_a_film_faster_than_television_is_coded_for_it(reel):
    """Frames have to be left out, which no packet allows: the one copy is made from the finished film."""
    _, folder = reel
    pictures = packets_of(folder / "viewing.mp4")
    decide(folder, "camera_speed", {"rate": "32"})
    written = again(reel)
    assert {f for f in written if "/television-" in f} and not {f for f in written if "/viewing-" in f}
    assert [data for _, data in packets_of(folder / "viewing.mp4")] == [data for _, data in pictures]


def test_a_smooth_copy_is_made_only_when_asked_for_and_says_what_it_is(reel):
    folder = reel[1]

    def table():
        return read_table(folder / "copies.parquet", COPY_COLUMNS, "copies")

    films = {name: (folder / name).read_bytes() for name in ("finished.mkv", "archive.mkv", "viewing.mp4")}
    assert not (folder / SMOOTH.file).exists() and set(table()["kind"]) == {"real"}
    decide(folder, "smooth_copy", {"rate": "50"})
    written = again(reel)
    assert {SMOOTH.file, "copies.parquet", "render.json"} <= written and "finished.mkv" not in written
    assert {name: (folder / name).read_bytes() for name in films} == films
    rows = table()
    own = rows["copy"] == SMOOTH.file
    kinds, shares = rows["kind"][own], rows["share"][own]
    assert set(rows["kind"][~own]) == {"real"} and (kinds == "synthetic").any()
    assert ((shares > 0) == (kinds == "synthetic")).all() and (kinds[shares == 0] == "real").all()
    with read_film(folder / SMOOTH.file) as film:
        assert film.count == own.sum() and film.rate == 50 and film.sound_rate == 48000
        assert "synthetic frames" in film.tags["TITLE"]
    summary = read_json(folder / "render.json", RenderSummary)
    assert "synthetic frames" in {finding.code for finding in summary.findings}
    proof = read_json(folder / "proof.json", Proof)
    said = {check.name for check in proof.checks if check.of == SMOOTH.file and check.good}
    assert {"copy shows the right frames", "kind of each frame", "synthetic frames said"} <= said
    assert any("(synthetic frames).mp4" in path.name for path in (folder / "package").rglob("*"))
    assert "synthetic frames" in (folder / "report.html").read_text(encoding="utf-8")
    decide(folder, "smooth_copy", None)
    again(reel)
    assert not (folder / SMOOTH.file).exists() and set(table()["copy"]) == {"viewing.mp4", "television.mp4"}
    assert not any("synthetic" in path.name for path in (folder / "package").rglob("*"))


def test_a_decision_taken_back_gives_the_same_film_again(reel):
    _, folder = reel
    films = {name: (folder / name).read_bytes() for name in ("finished.mkv", "viewing.mp4", "television.mp4")}
    decide(folder, "camera_speed", {"rate": "16"})
    proved = prove_folder(folder, settings(), source=None)  # of the film as it is, and it says so
    (told,) = (finding for finding in proved.findings if finding.code == "film of older decisions")
    assert proved.proved and told.values["now"] == told.values["made"] + 1
    again(reel)
    assert not of_older_decisions(folder)
    assert (folder / "television.mp4").read_bytes() != films["television.mp4"]
    decide(folder, "camera_speed", None)
    again(reel)
    for name, data in films.items():
        assert (folder / name).read_bytes() == data, name


def test_an_operators_decision_survives_a_new_analysis(reel):
    capture, folder = reel
    mark = {"shift_frames": 0.0, "set": True, "marks": [{"frame": 3, "sound_s": 2.1}]}
    decide(folder, "sync", mark)
    decide(folder, "camera_speed", {"rate": "50/3"})
    toml = capture / "capture.toml"
    toml.write_text(toml.read_text().replace("super 8", "Super 8") + "\ncode_black = 1\n")  # measured anew
    outcome = finish(capture, folder.parent, settings())
    assert outcome.exit_code == 0
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    entry = treatment.find("sync")
    assert entry.decision.by == "mk" and entry.decision.value == mark
    assert entry.proposal is not None and entry.proposal.by == "program"
    assert treatment.find("camera_speed").decision.value == {"rate": "50/3"}
    assert any(f.code == "operator keeps another value" for f in outcome.findings)


def test_the_treatment_is_a_pure_function_of_the_log(reel, tmp_path):
    _, folder = reel
    decide(folder, "camera_speed", {"rate": "16"})
    again(reel)
    write_treatment(tmp_path / "again.toml", treatment_of(read_decisions(folder / "decisions.jsonl")))
    assert (tmp_path / "again.toml").read_bytes() == (folder / "treatment.toml").read_bytes()
    document = tomllib.loads((folder / "treatment.toml").read_text())
    assert {d["subject"] for d in document["decision"]} >= {"camera_speed", "framing", "registration", "sync"}


def test_a_decision_leaves_the_package_as_it_was_handed_out(reel):
    _, folder = reel
    packed = folder / "package" / "For later" / "decisions.jsonl"
    before = packed.read_bytes()
    decide(folder, "camera_speed", {"rate": "16"})
    assert packed.read_bytes() == before
    assert (folder / "decisions.jsonl").read_bytes() != before


def test_the_name_of_a_scene_makes_no_picture_again(reel, monkeypatch):
    """It stands as a chapter in every film; packets, tables and stills stay as they are."""
    _, folder = reel
    films = ("finished.mkv", "viewing.mp4", "television.mp4")
    packets = {film: packets_of(folder / film) for film in films}
    decide_on(folder, subject="scene_name", value={"name": "The sea"}, by="mk", at=AT, why="told", scene=2)
    opened = []
    with monkeypatch.context() as patch:
        patch.setattr(smallgauge.render.segments, "open_picture", lambda listing: opened.append(listing))
        written = again(reel, last_step="render")
    assert opened == [] and {"finished.mkv", "viewing.mp4", "television.mp4"} <= written
    assert not {file for file in written if file.startswith(("stills/", "work/"))}
    assert "render.parquet" not in written
    for film in films:
        assert packets_of(folder / film) == packets[film], film
        with read_film(folder / film) as made:
            assert [title for _, _, title in made.chapters] == ["The sea"]
    with pytest.raises(CallerError, match="--scene"):
        decide(folder, "scene_name", {"name": "The sea"})


def test_photographs_are_taken_as_the_frames_are_rendered(reel, monkeypatch):
    """No frame of a capture is read for them alone; those that are read again, because they are gone, are the same bytes."""
    _, folder = reel
    decide(folder, "primary", {"points": [12.0, 0.0, 0.0]})  # with the film as it is today beside each

    def refuse(folder, material, plan, missing, progress):
        assert not missing, "a frame is read for a photograph alone"

    with monkeypatch.context() as patch:
        patch.setattr(smallgauge.render.reel, "make_photographs", refuse)
        again(reel)
    taken = {path.name: path.read_bytes() for path in (folder / "stills").glob("*scene-*")}
    assert {name.startswith("now-") for name in taken} == {True, False}
    for name in taken:
        (folder / "stills" / name).unlink()
    again(reel)
    assert {path.name: path.read_bytes() for path in (folder / "stills").glob("*scene-*")} == taken
