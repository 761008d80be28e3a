"""The colour of each finished frame from stored papers: lamp, decisions by scene and length, lifts that wait."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.density import light_of_samples
from smallgauge.picture.rendering import SHOULDER
from smallgauge.picture.resample import apply_move
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.table import Table, read_table
from smallgauge.record.treatment import decide, treatment_findings, treatment_of
from smallgauge.render.films import segment_key
from smallgauge.render.frame import render_frame
from smallgauge.render.plan import plan_rendering
from smallgauge.treat.propose_colour import propose_colour

AT = "2026-01-17T10:00:00Z"
SCENES = (SceneTruth(kind="garden", first=0, stop=6), SceneTruth(kind="birthday", first=6, stop=12))


@pytest.fixture(scope="module")
def reel(tmp_path_factory):
    """Folder, capture, frame table, decisions and truth of a reel of two scenes under a lamp that flickers."""
    base = tmp_path_factory.mktemp("colour")
    truth = specimen_truth("super 8", width=256, height=192, frames=12, scenes=SCENES, flicker=0.02, bits=16)
    write_specimen(base / "capture", truth, format="png", reel="coloured", box_words="", processes=1)
    outcome = finish(base / "capture", base / "shelf", Settings(at=AT, workers=1, last_step="treat"))
    folder = Path(outcome.folder)
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    frames = changed(
        frames, scene=np.repeat([0, 1], 6).astype(np.int32)
    )  # too short to be told apart by itself
    return (
        folder,
        read_json(folder / "capture.json", Capture),
        frames,
        read_decisions(folder / "decisions.jsonl"),
        truth,
    )


def changed(frames: Table, **values: object) -> Table:
    return replace(frames, values={**frames.values, **values})


def plan_of(reel, frames=None, log=None):
    _, capture, stored, decisions, _ = reel
    log = decisions if log is None else log
    return plan_rendering(capture, stored if frames is None else frames, treatment_of(log))


def with_decision(reel, subject, text, anchor="reel", log=None):
    value = decided_value(subject, text) if text else None
    return decide(
        reel[3] if log is None else log,
        subject=subject,
        value=value,
        by="mk",
        at=AT,
        why="seen",
        anchor=anchor,
    )


def test_the_lamp_is_that_of_each_frame(reel):
    plan = plan_of(reel)
    lamps = np.array([frame.colour.lamp for frame in plan.frames])
    truth = np.array([draw_frame(reel[4], n).light_gain for n in range(12)])
    ratio = lamps[:, 1] / truth
    assert (
        np.ptp(truth) > 0.03 and np.abs(ratio / ratio.mean() - 1).max() < 0.002
    )  # target: reference, section j
    assert not plan.findings


def decided_nothing_faded(log):
    """The program's reading of the dyes set to whole, so that light is to stay light."""
    for proposal in [d for d in log if d.subject == "fading"]:
        whole = {**proposal.value, "left": [1.0] * 3, "base": proposal.value["clear"], "flare": [0.0] * 3}
        log = decide(log, subject="fading", value=whole, by="mk", at=AT, why="new", anchor=proposal.anchor)
    return log


def test_a_finished_frame_is_the_light_of_the_film(reel):
    """Light of the picture over the lamp, in the finished file, though the lamp flickered."""
    folder, capture, *_ = reel
    log = with_decision(reel, "rendering", "white 0 black 6")
    log = decided_nothing_faded(log)
    plan = plan_of(reel, log=log)
    listing = list_capture(folder.parent.parent / "capture")
    table = table_for(capture.light, capture.encoding)
    with open_picture(listing) as reader:
        for frame in (plan.frames[2], plan.frames[9]):
            samples = reader.read(frame.frame).samples
            codes = render_frame(
                samples,
                table=table,
                move=frame.move,
                width=plan.width,
                height=plan.height,
                bits=16,
                frame=frame.finished,
                colour=frame.colour.whole,
            )
            light = (codes / 65535.0) ** 2.4
            assert light.max() < 1 - SHOULDER  # below the shoulder light is as it was
            seen = light_of_samples(samples, table) / np.array(frame.colour.lamp)
            wanted = apply_move(
                seen.astype(np.float32), move=frame.move, width=plan.width, height=plan.height
            )
            assert np.abs(light - np.maximum(wanted, 0)).max() < 1e-4  # dither is two codes of 65535


def test_a_lamp_that_was_not_measured_is_its_neighbours(reel):
    frames = reel[2]
    light = {name: frames[name].copy() for name in ("light_red", "light_green", "light_blue")}
    for name in light:
        light[name][3] = np.nan  # clipped
        light[name][7] *= 0.7  # tape over the perforation
    plan = plan_of(reel, changed(frames, **light))
    lamps = np.array([frame.colour.lamp for frame in plan.frames])
    for n in (3, 7):
        assert lamps[n] == pytest.approx(np.median(np.delete(lamps, [3, 7], axis=0), axis=0), rel=0.01)
    assert [(f.code, f.values["frames"]) for f in plan.findings] == [("lamp level filled in", 2)]


def test_no_lamp_where_none_was_ever_seen(reel):
    nothing = {name: np.full(12, np.nan) for name in ("light_red", "light_green", "light_blue")}
    assert all(frame.colour.lamp is None for frame in plan_of(reel, changed(reel[2], **nothing)).frames)
    folder, capture, frames, decisions, truth = reel
    thrown_back = replace(capture, notes=replace(capture.notes, illumination="reflected"))
    plan = plan_of((folder, thrown_back, frames, decisions, truth))
    assert all(frame.colour.lamp is None for frame in plan.frames)


def keys_of(reel, plan):
    capture = reel[1]
    return [
        segment_key(
            capture,
            SimpleNamespace(
                frames=plan.frames[first : first + 3], capture=capture, width=plan.width, height=plan.height
            ),
        )
        for first in range(0, 12, 3)
    ]


def test_only_what_a_decision_touches_is_made_anew(reel):
    before = keys_of(reel, plan_of(reel))
    assert before == keys_of(reel, plan_of(reel))
    after = keys_of(reel, plan_of(reel, log=with_decision(reel, "primary", "points -4", anchor="scene@8")))
    assert [a == b for a, b in zip(before, after, strict=True)] == [True, True, False, False]
    for subject, text in (("selective", "hue 30 saturation 0.9"), ("rendering", "white 0.1 black 3")):
        after = keys_of(reel, plan_of(reel, log=with_decision(reel, subject, text)))
        assert not any(a == b for a, b in zip(before, after, strict=True)), subject


def test_the_nearest_anchor_decides(reel):
    log = with_decision(reel, "primary", "points 2")
    log = with_decision(reel, "primary", "points 6", anchor="scene@0", log=log)
    plan = plan_of(reel, log=log)
    assert plan.frames[0].colour.look.points.green == 6.0
    assert plan.frames[11].colour.look.points.green == 2.0
    assert len({id(frame.colour.look) for frame in plan.frames}) == 2  # one object for each look


def test_two_decisions_in_one_scene_are_neither_used_unseen(reel):
    log = with_decision(reel, "primary", "points 6", anchor="scene@0")
    log = with_decision(reel, "primary", "points -6", anchor="scene@5", log=log)
    plan = plan_of(reel, log=log)
    assert plan.frames[0].colour.look.points is None
    assert [f.code for f in plan.findings] == ["two decisions in one scene"]


def test_as_captured_leaves_light_alone_but_for_the_lamp(reel):
    log = decided_nothing_faded(with_decision(reel, "rendering", "as captured"))
    plan = plan_of(reel, log=log)
    assert all(frame.colour.look is None and frame.colour.lamp for frame in plan.frames)


def dark(reel, light=0.01):
    return changed(
        reel[2], picture_light=np.where(reel[2]["scene"] == 1, np.log(light), reel[2]["picture_light"])
    )


def test_a_lift_for_a_dark_scene_waits(reel):
    _, capture, _, decisions, _ = reel
    assert not [d for d in decisions if d.subject == "primary"]
    log = propose_colour(capture, dark(reel), decisions, at=AT)
    lifts = [d for d in log if d.subject == "primary"]
    assert [(d.anchor, d.waits) for d in lifts] == [("scene@6", True)]
    assert lifts[0].value["points"][0] < 0
    told = [f for f in treatment_findings(treatment_of(log)) if f.code == "dark scene"]
    assert [f.where for f in told] == ["scene at film position 6"]
    assert plan_of(reel, log=log).frames == plan_of(reel).frames  # nothing is done about it
    taken = with_decision(reel, "primary", "points -8", anchor="scene@6", log=log)
    plan = plan_of(reel, log=taken)
    assert plan.frames[6].colour.look.points.red == -8.0 and plan.frames[5].colour.look.points is None
    after = treatment_findings(treatment_of(taken))
    assert not {"dark scene", "operator keeps another value"} & {f.code for f in after}
    assert propose_colour(capture, dark(reel), taken, at=AT) == taken


def test_a_scene_that_is_no_longer_dark_loses_its_lift(reel):
    _, capture, frames, decisions, _ = reel
    log = propose_colour(capture, dark(reel), decisions, at=AT)
    log = propose_colour(capture, frames, log, at=AT)
    assert not [f for f in treatment_findings(treatment_of(log)) if f.code == "dark scene"]
    assert not any(d.waits for d in (e.decision for e in treatment_of(log).in_force))
    assert propose_colour(capture, frames, log, at=AT) == log


def test_an_operator_names_a_scene_or_a_length(reel):
    folder = reel[0]
    value = decided_value("primary", "points -2")
    treatment = decide_on(folder, subject="primary", value=value, by="mk", at=AT, why="dim", scene=3)
    assert treatment.find("primary", "scene@3") is not None
    treatment = decide_on(folder, subject="primary", value=value, by="mk", at=AT, why="dim", scene=5)
    kept = [e.decision.anchor for e in treatment.in_force if e.decision.subject == "primary"]
    assert kept == ["scene@3"]  # one scene, one name
    value = decided_value("rendering", "white 0.1 black 2.8")
    treatment = decide_on(folder, subject="rendering", value=value, by="mk", at=AT, why="base", length=0)
    assert treatment.find("rendering", "length@0") is not None
    for wrong in ({"scene": 3, "length": 3}, {"scene": 99}, {"length": -1}):
        with pytest.raises(CallerError):
            decide_on(folder, subject="primary", value=value, by="mk", at=AT, why="", **wrong)
    with pytest.raises(CallerError, match="rendering"):
        decide_on(folder, subject="rendering", value=value, by="mk", at=AT, why="", scene=3)


@pytest.mark.parametrize(
    ("subject", "text"),
    [
        ("primary", "points"),
        ("primary", "points 1 2"),
        ("primary", "points 99"),
        ("primary", "lift 3"),
        ("primary", "power 0"),
        ("primary", "points nan"),
        ("primary", "saturation 1 1"),
        ("selective", "saturation 0.5"),
        ("selective", "hue 30 width 5"),
        ("selective", "hue 30; "),
        ("rendering", "white 0.1"),
        ("rendering", "white 2.9 black 3"),
        ("rendering", "white 0.1 black 3 shoulder 2"),
        ("rendering", "brighter"),
    ],
)
def test_a_decision_that_can_not_be_is_refused_in_one_sentence(subject, text):
    with pytest.raises(CallerError) as refused:
        decided_value(subject, text)
    assert str(refused.value).endswith(".") and "\n" not in str(refused.value)


def test_the_operators_word_for_the_reel_stands_before_the_programs_for_a_length(reel):
    assert [d.anchor for d in reel[3] if d.subject == "rendering"] == ["length@0"]
    plan = plan_of(reel, log=with_decision(reel, "rendering", "white 0.1 black 2.5"))
    assert plan.frames[0].colour.look.output.black == pytest.approx((2.5, 2.5, 2.5), abs=0.02)
