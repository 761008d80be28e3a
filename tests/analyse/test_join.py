"""Two captures of one film make one reel, each film frame once; what can't be told is asked, never guessed."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from captured_twice import AT, analysed, draw_capture, enlarged, settings

from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import decide_on, finish_reel
from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.resample import compose_moves, invert_move
from smallgauge.picture.synthetic import frame_truth
from smallgauge.proving import prove_folder
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.frametable import FRAME_COLUMNS, OVERLAP_COLUMNS
from smallgauge.record.material import material_of
from smallgauge.record.reel import Reel
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.record.treatment import treatment_of
from smallgauge.reels import join_folders
from smallgauge.render.plan import plan_rendering


@pytest.fixture(scope="module")
def base(tmp_path_factory) -> Path:
    """Two captures with 7 frames in common, and one of another film; analysed."""
    home = tmp_path_factory.mktemp("join")
    draw_capture(home / "one", 0, 13)
    draw_capture(home / "two", 6, 17)
    draw_capture(home / "other", 80, 86, seed=9)
    for name in ("one", "two", "other"):
        analysed(home / name, home / "shelf")
    return home / "shelf"


def join(base: Path, *names: str, number: str = "whole", **stated) -> Path:
    return join_folders(tuple(base / name for name in names), base, settings(), number=number, **stated)


def test_each_film_frame_comes_once_and_both_sources_are_named(base):
    folder = join(base, "two", "one")  # either order
    reel = read_json(folder / "reel.json", Reel)
    assert [(run.capture, run.first, run.stop) for run in reel.runs] == [(0, 0, 9), (1, 3, 11)]
    assert (reel.joints[0].offset, reel.joints[0].common, reel.joints[0].by) == (6, 7, "program")
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    assert frames["film_position"].tolist() == list(range(17))
    found = [
        (frame if capture == 0 else 6 + frame)
        for capture, frame in zip(frames["capture"], frames["frame"], strict=True)
    ]
    assert found == list(range(17))
    overlap = read_table(folder / "overlap.parquet", OVERLAP_COLUMNS, "overlap")
    assert overlap["film_position"].tolist() == list(range(6, 13))
    assert overlap["kept"].tolist() == [0, 0, 0, 1, 1, 1, 1]
    assert frames["scene"].tolist() == [0] * 10 + [1] * 7
    assert read_json(folder / "capture.json", Capture).count == 17


def test_a_joined_reel_is_rendered_from_both_and_proved(base):
    folder = join(base, "one", "two", number="rendered")
    outcome = finish_reel(folder, settings(last_step="prove"))
    assert outcome.exit_code == 0 and outcome.proved and outcome.steps == ("treat", "render", "prove")
    render = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    named = list(
        zip(*(render[n].tolist() for n in ("source_capture", "source_frame", "other_capture", "other_frame")))
    )
    assert named[5] == (0, 5, -1, -1) and named[7] == (0, 7, 1, 1) and named[10] == (1, 4, 0, 10)
    decide_on(folder, subject="camera_speed", value={"rate": "16"}, by="mk", at=AT, why="slow", scene=12)
    again = prove_folder(
        folder, settings(last_step="prove"), source=base.parent / "one"
    )  # whose names are both captures'
    assert again.exit_code == 0 and any("several captures" in str(f.values) for f in again.findings)
    checks = {
        (c["name"], c["of"]): (c["made"], c["passed"])
        for c in json.loads((folder / "proof.json").read_text())["checks"]
    }
    assert checks["archive frames equal capture", "captures/0/archive.mkv"] == (13, 13)  # doubles too
    assert checks["archive frames equal capture", "captures/1/archive.mkv"] == (11, 11)
    assert checks["finished frames equal render", "finished.mkv"] == (17, 17)


def test_the_same_join_again_does_nothing(base):
    folder = join(base, "one", "two", number="again")
    before = (folder / "work" / "journal.jsonl").read_bytes()
    join(base, "one", "two", number="again")
    assert (folder / "work" / "journal.jsonl").read_bytes() == before


def test_a_join_that_was_stopped_goes_on(base):
    def stop(what: str, done: int, of: int) -> None:
        if what == "files of two taken over" and done:
            raise KeyboardInterrupt

    parts = base / "one", base / "two"
    with pytest.raises(KeyboardInterrupt):
        join_folders(parts, base, settings(progress=stop), number="stopped")
    assert not (base / "stopped" / "capture.json").exists()
    folder = join(base, "one", "two", number="stopped")
    whole = join(base, "one", "two", number="not stopped")
    assert (folder / "frames.parquet").read_bytes() == (whole / "frames.parquet").read_bytes()


def test_what_can_not_be_told_is_asked_for(base):
    with pytest.raises(MaterialError, match="--overlap N"):
        join(base, "one", "other", number="refused")
    assert not (base / "refused").exists()


@pytest.mark.parametrize(("lost", "step"), [("3", 4), ("unknown", 1)])
def test_the_operators_word_is_taken_where_nothing_was_found(base, lost, step):
    folder = join(base, "one", "other", number=f"lost {lost}", lost=lost, by="mk", why="the film broke")
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    assert np.diff(frames["film_position"]).tolist() == [1] * 12 + [step] + [1] * 5
    codes = [f.code for f in read_json(folder / "capture.json", Capture).findings]
    assert ("joint not known" in codes) == (lost == "unknown")
    joint = read_json(folder / "reel.json", Reel).joints[0]
    assert (joint.by, joint.why, joint.lost) == ("mk", "the film broke", 3 if lost == "3" else None)


def test_the_operators_word_wins_and_what_was_found_stands_beside_it(base):
    folder = join(base, "one", "two", number="overruled", overlap=5, by="mk", why="counted by hand")
    joint = read_json(folder / "reel.json", Reel).joints[0]
    assert (joint.offset, joint.common, joint.by) == (8, 5, "mk")
    assert joint.why.startswith("counted by hand; the program found 7 film frames in common")


def test_nonsense_is_refused_in_one_sentence(base, tmp_path):
    for stated in (
        {"overlap": 3},
        {"overlap": -1, "by": "mk", "why": "so"},
        {"lost": "many", "by": "mk", "why": "so"},
    ):
        with pytest.raises(CallerError):
            join(base, "one", "two", number="no", **stated)
    with pytest.raises(MaterialError, match="twice"):
        join(base, "one", "one", number="no")
    with pytest.raises(MaterialError, match="analyse"):
        join_folders((base / "one", tmp_path), base, settings(), number="no")
    with pytest.raises(MaterialError, match="folder of its own"):
        join(base, "one", "two", number="one")


def test_captures_with_sound_are_refused_unless_the_film_may_be_silent(base, tmp_path):
    draw_capture(tmp_path / "sounding", 6, 12, sound=True)
    analysed(tmp_path / "sounding", base)
    with pytest.raises(MaterialError, match="--silent"):
        join(base, "one", "sounding", number="silent")
    with pytest.raises(
        MaterialError, match="nothing new"
    ):  # allowed to be silent, and seen to be inside the other
        join(base, "one", "sounding", number="silent", silent_film=True)


def apart_in_both(folder: Path, truths: list, scale: float) -> tuple[np.ndarray, float]:
    """How far the picture of a film frame lies apart in the finished film as the one capture and the other give it.

    The gate's corners are true of the film frame, the camera's unsteadiness with them, whichever capture shows it.
    """
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    overlap = read_table(folder / "overlap.parquet", OVERLAP_COLUMNS, "overlap")
    capture = read_json(folder / "capture.json", Capture)
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    material = material_of(folder)
    seen = []
    for number, name in ((0, "frame"), (1, "later_frame")):
        values = {key: column.copy() for key, column in frames.values.items()}
        values["capture"][overlap["film_position"]] = number
        values["frame"][overlap["film_position"]] = overlap[name]
        plan = plan_rendering(capture, replace(frames, values=values), treatment, material)
        places = []
        for position in overlap["film_position"]:
            each = plan.frames[position]
            move = each.move if number == 0 else compose_moves(each.move, enlarged(truths[1], scale))
            true = frame_truth(truths[number], each.frame)
            places.append([invert_move(move).place(x, y) for x, y in true.gate_corners_px])
        seen.append(np.array(places))
    widths = [(place[:, 1, 0] - place[:, 0, 0]).mean() for place in seen]
    return (seen[1] - seen[0]).mean(axis=1), float(widths[1] / widths[0] - 1)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", [3, 4, 5, 6, 7])
@pytest.mark.parametrize("scale", [1.0, 1.01])
def test_forty_frames_in_common_end_to_end(tmp_path, seed, scale):
    """A reel captured in two parts gives each film frame once, and the picture does not jump at the joint."""
    size = {"width": 320, "height": 240, "seed": seed}
    truths = [
        draw_capture(tmp_path / "one", 0, 60, **size),
        draw_capture(tmp_path / "two", 20, 90, scale=scale, **size),
    ]
    parts = [analysed(tmp_path / name, tmp_path / "shelf") for name in ("two", "one")]
    folder = join_folders(tuple(parts), tmp_path / "shelf", settings(), number="whole")
    outcome = finish_reel(folder, settings())
    assert outcome.exit_code == 0 and outcome.proved
    render = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    sources = list(zip(render["source_capture"].tolist(), render["source_frame"].tolist(), strict=True))
    assert [frame_truth(truths[capture], frame).film_frame for capture, frame in sources] == list(range(90))
    assert sum(render["other_capture"] >= 0) == 40
    apart, growth = apart_in_both(folder, truths, scale)
    print(
        f"seed {seed}, scale {scale}: joint out by {np.median(apart, axis=0).round(3)} px, "
        f"one frame {np.abs(apart).max():.2f} px, scale {100 * growth:.3f} %"
    )
    assert np.abs(np.median(apart, axis=0)).max() < 0.1 and abs(growth) < 0.001
    for number, truth in enumerate(truths):
        archive = list_capture(folder / "captures" / str(number) / "archive.mkv")
        assert archive.count == truth.frames
        kept = read_json(folder / "captures" / str(number) / "capture.json", Capture).files
        with open_picture(archive) as reader:
            assert digest_frame(reader.read(7).samples, truth.bits) == kept[7].digest
