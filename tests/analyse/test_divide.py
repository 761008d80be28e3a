"""A spool of several rolls gives several reels; their frames and the leader add up to the capture, and nothing else goes along."""

import json
from pathlib import Path

import numpy as np
import pytest
from captured_twice import analysed, settings
from drawn_spool import draw_spool

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import finish_reel
from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.sound_in import open_sound
from smallgauge.picture.leader import Leader
from smallgauge.proving import prove_folder
from smallgauge.record.capture import Capture
from smallgauge.record.division import DividedStretch, Division, divide_frames, division_findings
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.finding import Proof
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.reel import Origin, Reel
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.reels import divide_folder, find_division

SAID = {"by": "mk", "why": "white leader between two rolls"}


@pytest.fixture(scope="module")
def spool(tmp_path_factory) -> Path:
    """Two rolls of 9 frames with sound, and 8 frames of clear leader between them; analysed."""
    home = tmp_path_factory.mktemp("divide")
    draw_spool(home / "spool", [9, 9], [("clear", 8)], sound=True)
    return analysed(home / "spool", home / "shelf")


@pytest.fixture(scope="module")
def divided(spool) -> Path:
    """The spool, divided at its leader."""
    division, found = divide_folder(spool, settings(), cuts=(12,), **SAID)
    assert found == () and division.frames == 26
    return spool


def rows_of(folder: Path, name: str = "frames"):
    columns = {"frames": FRAME_COLUMNS, "perforations": PERFORATION_COLUMNS, "render": RENDER_COLUMNS}[name]
    return read_table(folder / f"{name}.parquet", columns, name)


def test_leader_is_proposed_and_nothing_divided(spool):
    leaders, _, _ = find_division(spool)
    assert [(each.first, each.stop, each.kind, each.sure) for each in leaders] == [(9, 17, "leader", True)]


def test_reels_and_leader_add_up_to_the_capture(divided):
    _, division, found = find_division(divided)
    assert found == ()
    assert [(s.what, s.first, s.stop, s.number) for s in division.stretches] == [
        ("reel", 0, 9, "spool roll 1"),
        ("leader", 9, 17, ""),
        ("reel", 17, 26, "spool roll 2"),
    ]
    assert (division.by, division.why) == ("mk", SAID["why"])
    decision = read_decisions(divided / "decisions.jsonl")[-1]
    assert (decision.subject, decision.value, decision.by) == ("division", {"cuts": [12]}, "mk")


def test_a_reel_has_its_own_rows_and_pictures_and_none_of_the_other(divided):
    whole, second = rows_of(divided), divided.parent / "spool roll 2"
    frames = rows_of(second)
    assert frames["frame"].tolist() == frames["film_position"].tolist() == list(range(9))
    for name in ("perforation_x_px", "perforation_y_px", "sharpness", "light", "time_s"):
        assert np.array_equal(frames[name], whole[name][17:26], equal_nan=True), name  # nothing measured anew
    assert np.isnan(frames["grain_match"][0]) and not np.isnan(frames["grain_match"][1])
    assert set(rows_of(second, "perforations")["frame"]) == set(range(9))
    reel = read_json(second / "reel.json", Reel)
    capture, spool = read_json(second / "capture.json", Capture), read_json(divided / "capture.json", Capture)
    assert reel.origin == Origin(capture_digest=spool.digest, first=17, stop=26, of=26)
    assert capture.files == spool.files[17:26] and str(capture.survey) == str(spool.survey)
    others = {file.digest for file in spool.files[:17]}
    with open_picture(list_capture(second / "archive.mkv")) as reader:
        kept = [digest_frame(frame.samples, 8) for frame in reader.frames(0, 9)]
    assert kept == [file.digest for file in spool.files[17:26]] and not others & set(kept)
    text = (second / "capture.json").read_text()
    assert not any(file.digest in text or f'"{file.name}"' in text for file in spool.files[:17])


def test_the_sound_of_a_reel_is_that_of_its_stretch(divided):
    """Sample for sample; from the end of the reel before to the beginning of the next, moved by separation less head."""
    spool = read_json(divided / "capture.json", Capture)
    start, times = spool.notes.sound_start_s, rows_of(divided)["time_s"]
    speed = 1 / np.median(np.diff(times))
    shift = (
        18 - spool.notes.sound_head_offset_frames
    )  # Super 8 magnetic sound lies 18 frames ahead: ISO 4243, second-hand
    with open_sound(divided / "archive.wav") as sound:
        whole, rate = sound.read(0, sound.samples), sound.rate
    for number, (before, after) in enumerate([(None, 17), (9, None)], start=1):
        first, stop = (
            end if edge is None else round((times[0] + (edge - shift) / speed - start) * rate)
            for edge, end in ((before, 0), (after, len(whole)))
        )
        folder = divided.parent / f"spool roll {number}"
        with open_sound(folder / "archive.wav") as sound:
            own = sound.read(0, sound.samples)
        notes = read_json(folder / "capture.json", Capture).notes
        begins = round((notes.sound_start_s - start) * rate)
        assert abs(begins - first) < rate / 100 and abs(begins + len(own) - stop) < rate / 100
        assert np.array_equal(own, whole[begins : begins + len(own)])


@pytest.mark.campaign
def test_a_reel_is_finished_like_any_other(divided):
    folder = divided.parent / "spool roll 1"
    outcome = finish_reel(folder, settings())
    assert outcome.exit_code == 0 and outcome.proved
    assert outcome.steps == ("treat", "render", "prove", "deliver")
    assert rows_of(folder, "render")["source_frame"].tolist() == list(range(9))
    checks = {
        (c["name"], c["of"]): (c["made"], c["passed"])
        for c in json.loads((folder / "proof.json").read_text())["checks"]
    }
    assert checks["archive frames equal capture", "archive.mkv"] == (9, 9)
    again = prove_folder(folder, settings(last_step="prove"), source=divided.parent.parent / "spool")
    made = {check.name: check.made for check in read_json(folder / "proof.json", Proof).checks}
    assert again.exit_code == 0 and made["captured files unchanged"] == 9  # of the spool's files its own
    packed = {path.name for path in (folder / "package").rglob("*") if path.is_file()}
    assert "frames.parquet" in packed and not packed & {"archive.mkv", "archive.wav", "finished.mkv"}
    assert "division.json" not in packed


def test_the_same_division_again_makes_nothing_anew(divided):
    folder = divided.parent / "spool roll 2"
    before = {
        path: path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file() and path.name != "lock"
    }
    divide_folder(divided, settings(), cuts=(12,), **SAID)
    assert {path: path.stat().st_mtime_ns for path in before} == before


def test_a_division_that_was_stopped_goes_on(divided, tmp_path):
    """Stopped while the second reel's pictures are copied; given again it ends as if it had not been stopped."""

    def stop(what: str, done: int, of: int) -> None:
        if what == "frames of second copied" and done:
            raise KeyboardInterrupt

    again = {"cuts": (12,), "numbers": ("first", "second"), "out": tmp_path, **SAID}
    with pytest.raises(KeyboardInterrupt):
        divide_folder(divided, settings(progress=stop), **again)
    assert not (tmp_path / "second" / "capture.json").exists()
    first = (tmp_path / "first" / "capture.json").stat().st_mtime_ns
    _, found = divide_folder(divided, settings(), **again)
    assert found == () and (tmp_path / "first" / "capture.json").stat().st_mtime_ns == first
    assert not list(tmp_path.rglob("*.part"))
    divide_folder(divided, settings(), cuts=(12,), **SAID)  # as the other tests find it


def test_other_cuts_do_not_touch_a_reel_that_is_there(divided):
    before = len(read_decisions(divided / "decisions.jsonl"))
    with pytest.raises(MaterialError, match="another division"):
        divide_folder(divided, settings(), cuts=(5, 12), **SAID)
    assert len(read_decisions(divided / "decisions.jsonl")) == before


def test_an_account_that_does_not_add_up_is_a_finding(divided):
    _, division, _ = find_division(divided)
    capture = read_json(divided / "capture.json", Capture)
    lost = Division(
        **{f: getattr(division, f) for f in division.__slots__} | {"stretches": division.stretches[:2]}
    )
    assert [f.code for f in division_findings(divided, lost, capture)] == ["division does not add up"]
    moved = (division.stretches[0], DividedStretch(what="leader", first=10, stop=17), division.stretches[2])
    other = Division(**{f: getattr(division, f) for f in division.__slots__} | {"stretches": moved})
    assert division_findings(divided, other, capture)[0].values["what"].startswith("frames 9 to 10")
    taken = divided.parent / "spool roll 2" / "capture.json"
    kept = taken.read_bytes()
    taken.write_bytes(kept.replace(capture.files[20].digest.encode(), b"0" * 64))
    assert "does not hold" in find_division(divided)[2][0].values["what"]
    taken.write_bytes(kept)


def test_a_changed_picture_of_the_archive_copy_is_not_copied(divided):
    paper = divided / "capture.json"
    kept = paper.read_bytes()
    capture = read_json(paper, Capture)
    paper.write_bytes(kept.replace(capture.files[3].digest.encode(), b"0" * 64))
    try:
        with pytest.raises(FixityError, match="frame 3 of the archive copy"):
            divide_folder(divided, settings(), cuts=(12,), numbers=("a", "b"), **SAID)
        assert not (divided.parent / "a" / "capture.json").exists()
    finally:
        paper.write_bytes(kept)


def test_what_can_not_be_is_refused_in_one_sentence(divided, tmp_path):
    for wrong in (
        {"cuts": (26,)},
        {"cuts": (-1,)},
        {"cuts": (12,), "numbers": ("one",)},
        {"cuts": (12,), "numbers": ("one", "one")},
        {"cuts": (12,), "box_words": ("one",)},
        {"cuts": (12,), "by": None},
    ):
        with pytest.raises(CallerError):
            divide_folder(divided, settings(), **{**SAID, **wrong})
    with pytest.raises(MaterialError, match="analyse"):
        divide_folder(tmp_path, settings(), cuts=(12,), **SAID)
    with pytest.raises(MaterialError, match="whole capture"):
        divide_folder(divided.parent / "spool roll 1", settings(), cuts=(4,), **SAID)


def test_sound_of_a_run_of_its_own_is_not_cut(divided):
    paper = divided / "capture.json"
    kept = paper.read_bytes()
    paper.write_bytes(kept.replace(b'"sound_run": null', b'"sound_run": "wild tape"'))
    try:
        with pytest.raises(MaterialError, match="wild tape"):
            divide_folder(divided, settings(), cuts=(12,), **SAID)
    finally:
        paper.write_bytes(kept)


def test_cuts_in_leader_and_elsewhere():
    clear = Leader(first=0, stop=8, kind="leader", density=0.2, sure=True, reason="")
    dark = Leader(first=40, stop=50, kind="dark", density=2.8, sure=False, reason="")
    found = divide_frames(60, (clear, dark), (3, 30))
    assert [(s.what, s.first, s.stop) for s in found] == [("leader", 0, 8), ("reel", 8, 30), ("reel", 30, 60)]
    found = divide_frames(60, (clear, dark), (45,))
    assert [(s.what, s.first, s.stop) for s in found] == [
        ("reel", 0, 40),
        ("leader", 40, 50),
        ("reel", 50, 60),
    ]
    with pytest.raises(CallerError, match="leader only"):
        divide_frames(8, (clear,), (2,))


@pytest.mark.campaign
@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_spool_of_four_rolls_gives_four_reels(tmp_path, seed):
    """Four rolls, clear, coloured and dark leader: four proved reels, every frame accounted for."""
    rolls, leaders = [20, 16, 24, 18], [("clear", 12), ("coloured", 10), ("dark", 9)]
    draw_spool(tmp_path / "spool", rolls, leaders, seed=seed, width=320, height=240)
    spool = analysed(tmp_path / "spool", tmp_path / "shelf")
    proposed, _, _ = find_division(spool)
    edges = [(20, 32), (48, 58), (82, 91)]
    assert [(each.first, each.stop) for each in proposed] == edges
    assert [each.sure for each in proposed] == [True, True, False]
    division, found = divide_folder(spool, settings(), cuts=tuple(a for a, _ in edges), **SAID)
    assert found == ()
    capture = read_json(spool / "capture.json", Capture)
    shown: list[str] = []
    for each in division.stretches:
        if each.what == "leader":
            shown += [file.digest for file in capture.files[each.first : each.stop]]
            continue
        folder = spool / each.folder
        outcome = finish_reel(folder, settings())
        assert outcome.exit_code == 0 and outcome.proved
        shown += [file.digest for file in read_json(folder / "capture.json", Capture).files]
        assert len(rows_of(folder, "render")) == each.stop - each.first
    assert [each.stop - each.first for each in division.stretches if each.what == "reel"] == rolls
    assert shown == [file.digest for file in capture.files]
