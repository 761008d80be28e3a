"""Copies by order through the whole line: made in one read, proved, handed out by their names, and dropped when not ordered."""

import csv
import json
import os
import re
import shutil
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import unquote

import av
import numpy as np
import pytest

import smallgauge.line
import smallgauge.render.plan
import smallgauge.render.segments
from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Settings, finish, finish_reel
from smallgauge.media.copy_out import CODERS, create_copy
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import join_segments
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.prove.bench import Bench
from smallgauge.prove.coded import check_coding
from smallgauge.prove.copies import COPY_LIMITS
from smallgauge.prove.package import prove_package, read_list
from smallgauge.prove.reel import make_proof
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.rendertable import COPY_COLUMNS, RenderSummary
from smallgauge.record.table import read_table
from smallgauge.record.work import silent

ORDER = ("viewing", "television 30", "hd 25", "hevc", "hevc 8-bit", "av1", "editing")
FILES = {
    "viewing.mp4": 12,
    "television.mp4": 17,  # 12 frames at 18 for 25: 12 x 25 / 18 = 16.7 shown frames
    "television-30.mp4": 20,
    "hd-25.mp4": 17,
    "hevc.mp4": 12,
    "hevc-8-bit.mp4": 12,
    "av1.mp4": 12,
    "editing.mov": 17,
}


def order(capture: Path, *words: str) -> None:
    """Write the order into the capture's notes."""
    notes = (capture / "capture.toml").read_text(encoding="utf-8")
    kept = "".join(line for line in notes.splitlines(keepends=True) if not line.startswith("copies"))
    (capture / "capture.toml").write_text(f"{kept}copies = {json.dumps(words)}\n", encoding="utf-8")


def settings(**changes: object) -> Settings:
    return Settings(**{"at": "2026-01-17T10:00:00Z", "workers": 1, **changes})  # type: ignore[arg-type]


def proof_of(folder: Path) -> Proof:
    """What the files say by themselves, without any digest on record."""
    capture = read_json(folder / "capture.json", Capture)
    with Crew(1) as crew:
        return make_proof(folder, source=None, capture=capture, expected={}, runner=crew, progress=silent)


@pytest.fixture(scope="module")
def reel(tmp_path_factory):
    """A reel of 12 frames in segments of 5, all copies ordered."""
    base = tmp_path_factory.mktemp("copies")
    truth = specimen_truth("super 8", width=256, height=192, frames=12, bits=8, striped=True, seed=5)
    write_specimen(base / "small", truth, format="png", reel="small", box_words="Garden", processes=1)
    order(base / "small", *ORDER)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(smallgauge.render.plan, "SEGMENT_FRAMES", 5)
        outcome = finish(base / "small", base / "shelf", settings())
    assert outcome.exit_code == 0 and outcome.proved
    return Path(outcome.folder)


def test_each_is_made_proved_and_counted(reel):
    proof = read_json(reel / "proof.json", Proof)
    table = read_table(reel / "copies.parquet", COPY_COLUMNS, "copies")
    assert {copy.file: copy.frames for copy in read_json(reel / "render.json", RenderSummary).copies} == FILES
    for file, frames in FILES.items():
        assert np.count_nonzero(table["copy"] == file) == frames
        made = {check.name: (check.made, check.passed) for check in proof.checks if check.of == file}
        assert made["copy shows the right frames"] == (frames, frames)
        assert made["levels"] == made["flashing"] == (frames, frames)
        for name in (
            "coding",
            "rate",
            "duration",
            "frame count",
            "decoder silent",
            "sound as long as picture",
            "chapters",
        ):
            assert made[name] == (1, 1), (file, name)
    editing = {check.name: (check.made, check.passed) for check in proof.checks if check.of == "editing.mov"}
    assert editing["key frames"] == (17, 17)
    assert editing["time code"] == editing["sound equal render"] == (1, 1)
    assert [c.passed for c in proof.checks if c.of == "editing.csv" and c.name == "list of frames"] == [18]


def test_the_list_names_film_frame_file_and_time(reel):
    with (reel / "editing.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    shown = [n * 18 // 25 for n in range(17)]  # each shown frame's film frame: floor(n 18/25)
    assert [int(row["finished frame"]) for row in rows] == shown
    assert [row["captured file"] for row in rows] == [f"frame_{n:06d}.png" for n in shown]
    assert [row["time code"] for row in rows] == [f"01:00:00:{n:02d}" for n in range(17)]
    assert {row["scene name"] for row in rows} == {"Scene 1"}


def sound_of(path):
    with read_film(path) as film:
        return np.concatenate([block.mean(axis=1) for block in film.sound_blocks()])


def test_sound_is_in_step_in_every_copy(reel):
    """Each copy's sound lies where the finished film's does: to 2 ms, by correlation, and both begin at 0."""
    finished = sound_of(reel / "finished.mkv")
    spectrum = np.conj(np.fft.rfft(finished, 2 * finished.size))
    for file in FILES:
        with av.open(str(reel / file)) as container:
            starts = [
                s.start_time * s.time_base for s in (*container.streams.video, *container.streams.audio)
            ]
        assert starts == [0, 0], file
        heard = sound_of(reel / file)[: finished.size]
        match = np.fft.irfft(np.fft.rfft(heard, 2 * finished.size) * spectrum)
        lag = (int(match.argmax()) + finished.size) % (2 * finished.size) - finished.size
        assert abs(lag) <= 0.002 * 48000, (file, lag)


def test_pictures_keep_their_shape(reel):
    by_file = {copy.file: copy for copy in read_json(reel / "render.json", RenderSummary).copies}
    wide, usual = by_file["hd-25.mp4"], by_file["viewing.mp4"]
    assert (wide.picture_width, wide.picture_height) == (usual.picture_width, usual.picture_height)
    assert abs(wide.width * 9 - wide.height * 16) <= 2 * 16
    for copy in by_file.values():
        with read_film(reel / copy.file) as film:
            assert (film.width, film.height) == (copy.width, copy.height) and film.coded.square
            assert film.width % 2 == film.height % 2 == 0


def test_the_package_hands_each_out_by_its_name(reel):
    package = reel / "package"
    watch = sorted(path.name for path in (package / "Watch these").iterdir())
    assert watch == [
        "small - Garden (30 pictures a second).mp4",
        "small - Garden (AV1).mp4",
        "small - Garden (HEVC 8-bit).mp4",
        "small - Garden (HEVC).mp4",
        "small - Garden (own speed).mp4",
        "small - Garden (wide screen, 25 pictures a second).mp4",
        "small - Garden.mp4",
    ]
    assert sorted(path.suffix for path in (package / "For editing").iterdir()) == [".csv", ".mov"]
    assert not (package / "For later" / "viewing.mp4").exists()
    links: list[str] = []
    parser = HTMLParser()
    parser.handle_starttag = lambda tag, attrs: links.extend(v for k, v in attrs if k == "href" and v)  # type: ignore[method-assign]
    parser.feed((package / "Start here.html").read_text(encoding="utf-8"))
    plain = {unquote(link).split("#")[0] for link in links}
    assert {f"Watch these/{name}" for name in watch} <= plain and all(
        (package / link).exists() for link in plain
    )
    report = (package / "Report.html").read_text(encoding="utf-8")
    assert "AV1 Main, 10 bits" in report and "time code from 01:00:00:00" in report


def test_the_package_proves_itself(reel):
    listed = read_list(reel / "package")
    with Crew(1) as crew:
        proof = prove_package(listed, source=None, runner=crew, progress=silent)
    bad = [check for check in proof.checks if not check.good]
    assert not [f for f in proof.findings if f.weight == "failure"] and {c.name for c in bad} <= {
        "captured files unchanged"
    }
    assert {check.of for check in proof.checks if check.name == "coding"} == set(FILES)


def test_what_is_ordered_later_is_made_of_the_finished_film(reel, tmp_path, monkeypatch):
    """No captured picture is read again, and the bytes are those that they would have been."""
    base = tmp_path / "base"
    shutil.copytree(reel.parent.parent, base)
    folder, capture = base / "shelf" / "small", base / "small"
    monkeypatch.setattr(smallgauge.render.plan, "SEGMENT_FRAMES", 5)
    before = {file: (reel / file).read_bytes() for file in (*FILES, "editing.csv", "finished.mkv")}
    order(capture)
    finish(capture, base / "shelf", settings(last_step="render"))
    left = {path.name for path in folder.glob("*.m[op]?")}
    assert left == {"viewing.mp4", "television.mp4"} and not (folder / "editing.csv").exists()
    order(capture, *reversed(ORDER))

    def refuse(*_: object) -> None:
        raise AssertionError("a captured picture was rendered again")

    monkeypatch.setattr(smallgauge.render.segments, "rendered_frames", refuse)
    finish(capture, base / "shelf", settings(last_step="render"))
    assert all((folder / file).read_bytes() == data for file, data in before.items())


def test_a_copy_is_ordered_when_the_capture_is_gone(reel, tmp_path, monkeypatch):
    """The reel's folder alone is enough; its captured pictures are not read, and no other word can be stated there."""
    folder = Path(shutil.copytree(reel, tmp_path / "small"))
    monkeypatch.setattr(smallgauge.render.plan, "SEGMENT_FRAMES", 5)
    with pytest.raises(CallerError, match="found gauge"):
        finish_reel(folder, settings(stated=('gauge="16 mm"',)))
    outcome = finish_reel(folder, settings(stated=('copies=["hd", "av1"]',)))
    assert outcome.exit_code == 0 and outcome.proved
    assert {path.name for path in folder.glob("*.m[op]?")} == {
        "viewing.mp4",
        "television.mp4",
        "hd.mp4",
        "av1.mp4",
    }
    assert (folder / "av1.mp4").read_bytes() == (reel / "av1.mp4").read_bytes()
    watch = {path.name for path in (folder / "package" / "Watch these").iterdir()}
    assert watch == {"small - Garden.mp4", "small - Garden (AV1).mp4", "small - Garden (wide screen).mp4"}
    assert not (folder / "package" / "For editing").exists()


def test_a_film_that_runs_faster_than_its_copies(tmp_path):
    """At 36 pictures a second no copy of 24, 25 or 30 can show every frame: its speed stays, and what is left out is said."""
    truth = specimen_truth("super 8", width=256, height=192, frames=12, bits=8, seed=6)
    write_specimen(
        tmp_path / "fast", truth, format="png", sound=False, reel="fast", box_words="", processes=1
    )
    order(tmp_path / "fast", "hd 25", "editing")
    outcome = finish(
        tmp_path / "fast", tmp_path / "shelf", settings(stated=("camera_speed=36",), last_step="prove")
    )
    assert outcome.proved
    left = {f.where: f.values["frames"] for f in outcome.findings if f.code == "copy leaves frames out"}
    # 12 frames at 36 last a third of a second: shown frame j, where it begins before the end, shows frame floor(36 j / rate).
    shown = {"television.mp4": 25, "hd-25.mp4": 25, "editing.mov": 30}
    assert left == {
        file: 12 - len({36 * j // rate for j in range(12) if 36 * j < 12 * rate})
        for file, rate in shown.items()
    }
    assert set(left.values()) == {2, 3}
    with read_film(Path(outcome.folder) / "editing.mov") as film:
        assert film.rate == 30 and film.sound_codec == "" and film.packets.keys == film.count


@pytest.mark.campaign  # starts two processes, which compile and load everything anew
def test_two_workers_give_the_same_bytes(reel, tmp_path, monkeypatch):
    monkeypatch.setattr(smallgauge.render.plan, "SEGMENT_FRAMES", 5)
    outcome = finish(reel.parent.parent / "small", tmp_path, settings(workers=2, last_step="render"))
    for file in (*FILES, "editing.csv"):
        assert (Path(outcome.folder) / file).read_bytes() == (reel / file).read_bytes(), file


@pytest.fixture
def copied(reel, tmp_path):
    return Path(shutil.copytree(reel, tmp_path / "small"))


def codes_of(folder, file):
    return {f.code for f in proof_of(folder).findings if f.weight == "failure" and f.where == file}


def test_faults_in_copies_are_found(copied):
    listed = (copied / "editing.csv").read_text(encoding="utf-8")
    (copied / "editing.csv").write_text(listed.replace("frame_000007", "frame_000008"), encoding="utf-8")
    (copied / "hevc.mp4").write_bytes((copied / "hevc-8-bit.mp4").read_bytes())
    # The editing copy joined anew from its own packets: one frame in its neighbour's place, time code from another hour.
    whole, times = copied / "whole.mov", [1] * 17
    times[4], times[5] = 2, 0
    (copied / "editing.mov").rename(whole)
    join_segments(
        [whole],
        copied / "editing.mov",
        rate=Fraction(25),
        frame_counts=[17],
        times=times,
        container="mov",
        time_code="10:00:00:00",
    )
    (copied / "av1.mp4").write_bytes((copied / "av1.mp4").read_bytes()[:-3000])
    found = proof_of(copied).findings
    failing = {(f.where, f.code) for f in found if f.weight == "failure"}
    assert {
        ("editing.csv", "list of frames differs"),
        ("hevc.mp4", "coding differs"),
        ("editing.mov", "time code differs"),
        ("editing.mov", "frame shows another"),
        ("editing.mov", "sound digest differs"),
    } <= failing
    assert any(where == "av1.mp4" for where, _ in failing)
    assert not any(where in ("viewing.mp4", "hd-25.mp4", "hevc-8-bit.mp4") for where, _ in failing)


def test_a_frame_that_leans_on_another_is_found():
    coder = CODERS["prores"]
    coded = SimpleNamespace(
        codec=coder.codec,
        profile=coder.profile,
        pixel_format=coder.pixel_format,
        tag=coder.tag,
        colour=(1, 1, 1, 1),
        square=True,
    )
    film = SimpleNamespace(coded=coded, sound_codec="", count=17, packets=SimpleNamespace(keys=16))
    bench = Bench(folder=Path(), runner=None, progress=silent)  # type: ignore[arg-type]
    check_coding(bench, SimpleNamespace(file="editing.mov", coding="prores"), film)  # type: ignore[arg-type]
    assert [finding.code for finding in bench.findings] == ["key frames lacking"]


def test_every_coding_has_its_floor():
    assert set(COPY_LIMITS) == set(CODERS)


def test_a_copy_that_cannot_be_made_is_refused_first(reel, tmp_path, monkeypatch):
    monkeypatch.setitem(CODERS, "av1", replace(CODERS["av1"], encoder="nowhere"))
    with pytest.raises(MaterialError, match=re.escape("'av1' needs the coder nowhere")):
        finish(reel.parent.parent / "small", tmp_path, settings())
    assert not [path for path in (tmp_path / "small").rglob("*") if path.is_file() and path.name != "lock"]


@pytest.mark.skipif(
    not hasattr(os, "sched_getscheduler"), reason="left out: this system tells no urgency of threads"
)
@pytest.mark.parametrize("coding", CODERS)
def test_a_coder_makes_no_thread_urgent(tmp_path, coding):
    """Run by a superuser, the coder of AV1 would make itself and its caller real-time threads, for good."""
    coder, before = CODERS[coding], os.sched_getscheduler(0)
    quality = 0 if coding == "prores" else 30
    path = tmp_path / f"copy.{coder.container}"
    kind = np.uint8 if coder.bits == 8 else np.uint16
    with create_copy(path, coding=coding, width=64, height=48, rate=Fraction(18), quality=quality) as writer:
        for level in (10, 90, 200):
            writer.write(np.full((48, 64, 3), level, kind))
        threads = [int(each.name) for each in Path("/proc/self/task").iterdir()]
        assert {os.sched_getscheduler(each) for each in threads} == {before}
    assert os.sched_getscheduler(0) == before
