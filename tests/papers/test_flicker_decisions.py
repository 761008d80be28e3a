"""Flicker from stored papers: proposed by reel and scene, decided over by the operator, solved where the picture lies."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.flicker import FlickerDecision, apply_flicker
from smallgauge.picture.resample import Move
from smallgauge.record.decided import decided_value
from smallgauge.record.decided_flicker import flicker_decisions, flicker_value
from smallgauge.record.exposures import flicker_evidence_of, lamps_of
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import table_of
from smallgauge.record.treatment import decide, propose, treatment_of
from smallgauge.render.plan_flicker import plan_flicker
from smallgauge.render.segments import _flicker_columns
from smallgauge.treat.propose_flicker import propose_flickers

TAIL_FIRST = decided_value("loading", "tail first")
AT = "2026-01-17T10:00:00Z"
AREA = SimpleNamespace(left=-40.0, top=-30.0, right=40.0, bottom=30.0)
CAPTURE = SimpleNamespace(
    survey=SimpleNamespace(rows=(100.0,), usual_y_px=80.0),
    picture_area=AREA,
    notes=SimpleNamespace(illumination="transmitted"),
)


def frame_table(scenes, *, seed=1, lamp=0.0, surface=0.0):
    """A frame table whose scenes, of (frames, rms), flicker so much; their middle tone is at a light of 0.1."""
    random = np.random.default_rng(seed)
    rows = []
    for number, (frames, level) in enumerate(scenes):
        path, across = random.normal(0, level, frames), random.normal(0, surface, frames)
        lamps = random.normal(0, lamp, frames)
        for n in range(frames):
            change = path[n] - path[n - 1] + lamps[n] - lamps[n - 1] if n else 0.7
            row = {"capture": 0, "frame": len(rows), "film_position": len(rows), "scene": number}
            row |= {"perforation_x_px": 100.0, "perforation_y_px": 80.0, "duplicate_of": -1}
            for channel in ("red", "green", "blue"):
                row |= {f"flicker_{channel}": change, f"flicker_{channel}_sigma": 0.0005}
                row |= {f"flicker_contrast_{channel}": 0.0, f"flicker_contrast_{channel}_sigma": 0.0005}
                row |= {f"flicker_middle_{channel}": math.log(0.1), f"light_{channel}": math.exp(lamps[n])}
            for term in ("x", "y", "xx", "xy", "yy"):
                row |= {f"flicker_{term}": 0.0, f"flicker_{term}_sigma": 0.0005}
            row["flicker_x"] = across[n] - across[n - 1] if n else 0.0
            rows.append(row)
    return table_of("frames", FRAME_COLUMNS, rows)


def proposals(log):
    return {d.anchor: d.value for d in log if d.by == "program"}


def test_only_scenes_that_flicker_are_proposed_and_asking_again_adds_nothing():
    frames = frame_table([(40, 0.0), (40, 0.1), (8, 0.1)])
    log = propose_flickers((CAPTURE,), frames, (), at=AT)
    assert proposals(log) == {"reel": {"on": True}, "scene@40": {"on": True, "limit_ln": 0.35}}
    assert propose_flickers((CAPTURE,), frames, log, at=AT) == log


def test_a_short_scene_counts_where_its_camera_flickers():
    log = propose_flickers((CAPTURE,), frame_table([(40, 0.1), (8, 0.1)]), (), at=AT)
    assert set(proposals(log)) == {"reel", "scene@0", "scene@40"}


def test_no_flicker_is_one_proposal_to_leave_it():
    assert proposals(propose_flickers((CAPTURE,), frame_table([(40, 0.001)]), (), at=AT)) == {
        "reel": {"on": False}
    }


def test_the_lamp_is_no_flicker():
    frames = frame_table([(40, 0.0)], lamp=0.05)
    assert proposals(propose_flickers((CAPTURE,), frames, (), at=AT))["reel"] == {"on": False}
    reflected = SimpleNamespace(**{**vars(CAPTURE), "notes": SimpleNamespace(illumination="reflected")})
    assert proposals(propose_flickers((reflected,), frames, (), at=AT))["reel"] == {"on": True}


def test_a_scene_that_flickers_no_longer_is_let_go():
    log = propose_flickers((CAPTURE,), frame_table([(40, 0.1), (40, 0.0)]), (), at=AT)
    log = propose_flickers((CAPTURE,), frame_table([(40, 0.0), (40, 0.1)]), log, at=AT)
    assert proposals(log)["scene@0"] == {"on": False}
    assert proposals(log)["scene@40"]["on"] is True


def in_force(log, scenes=None):
    scenes = scenes or {n: n // 40 for n in range(80)}
    return flicker_decisions(treatment_of(log), scenes)


def test_what_the_operator_decides_goes_over_what_is_proposed():
    log = propose_flickers((CAPTURE,), frame_table([(40, 0.1), (40, 0.0)], surface=0.05), (), at=AT)
    own, others, _ = in_force(log)
    assert own == {0: FlickerDecision(on=True, surface=True)} and not others.on

    def by_operator(value, anchor="reel", log=log):
        return decide(
            log, subject="flicker", value=flicker_value(value), by="mk", at=AT, why="seen", anchor=anchor
        )

    own, others, _ = in_force(by_operator("off"))
    assert not own[0].on and not others.on
    own, others, _ = in_force(by_operator("limit 0.6"))
    assert own[0] == FlickerDecision(on=True, surface=True, limit_ln=0.6) and not others.on
    own, others, _ = in_force(by_operator("on"))
    assert own[0].on and others == FlickerDecision(on=True)
    own, _, found = in_force(by_operator("on limit 0.2", "scene@50", by_operator("off")))
    assert own == {0: FlickerDecision(on=False, surface=True), 1: FlickerDecision(on=True, limit_ln=0.2)}
    assert not found
    twice = by_operator("on", "scene@60", by_operator("off", "scene@50"))
    own, _, found = in_force(twice)
    assert not own[1].on
    assert [(each.code, each.values["positions"]) for each in found] == [
        ("two decisions in one scene", [50, 60])
    ]


@pytest.mark.parametrize(
    "words", ["", "perhaps", "limit", "limit 0", "limit much", "limit 5", "on now", "off limit 0.1 0.2"]
)
def test_other_words_are_refused(words):
    with pytest.raises(CallerError, match="flicker needs on, off"):
        flicker_value(words)


def test_the_plan_has_a_correction_for_frames_of_scenes_that_are_on():
    frames = frame_table([(40, 0.1), (40, 0.0)])
    log = propose_flickers((CAPTURE,), frames, (), at=AT)
    moves = (Move(c=60.0, f=50.0),) * 80  # the finished picture is the picture area
    told, figures, found = plan_flicker((CAPTURE,), frames, treatment_of(log), moves=moves, size=(80, 60))
    assert [each.correction is not None for each in told] == [True] * 40 + [False] * 40
    assert not found
    first, second = figures
    assert (first.scene, first.frames, first.on) == (0, 40, True) and (second.scene, second.on) == (1, False)
    assert first.before_ln > 0.07 and first.after_ln < 0.01 and second.after_ln == second.before_ln
    # what is left of the path, worked out from the correction itself
    left = [each.before_ln - math.log(10) * each.correction.terms[0][0] for each in told[:40]]
    assert [each.after_ln for each in told[:40]] == pytest.approx(left, abs=1e-5)
    assert told[0].correction.middle == pytest.approx((1.0,) * 3)


def test_the_surface_lies_where_the_finished_picture_shows_it():
    frames = frame_table([(40, 0.1)], surface=0.1)
    log = propose_flickers((CAPTURE,), frames, (), at=AT)
    whole = (Move(c=60.0, f=50.0),) * 40
    # the right half of the picture area, turned upside down and twice as large
    half = (Move(a=-0.5, c=139.25, e=-0.5, f=109.25),) * 40
    grey = np.ones((60, 80, 3), np.float32)
    results = []
    for moves in (whole, half):
        told, _, _ = plan_flicker((CAPTURE,), frames, treatment_of(log), moves=moves, size=(80, 60))
        results.append(apply_flicker(grey, told[7].correction))
    assert np.ptp(results[0]) > 0.01
    shown = results[0][30:, 40:][::-1, ::-1]
    assert results[1].reshape(30, 2, 40, 2, 3).mean(axis=(1, 3)) == pytest.approx(shown, abs=1e-4)


def test_a_row_behind_another_capture_or_a_gap_tells_nothing():
    frames = frame_table([(40, 0.1)])
    frames.values["frame"][20:] += 3
    evidence = flicker_evidence_of(frames, lamps_of((CAPTURE,), frames)[0])
    assert np.flatnonzero(np.isnan(evidence.level[:, 0])).tolist() == [0, 20]


def test_a_proposal_beside_an_operators_decision_is_kept_for_its_parts():
    log = propose(
        (), subject="flicker", anchor="scene@0", value={"on": True, "contrast": True}, at=AT, why="seen"
    )
    log = decide(
        log, subject="flicker", value={"limit_ln": 0.1}, by="mk", at=AT, why="seen", anchor="scene@0"
    )
    own, _, _ = in_force(log)
    assert own[0] == FlickerDecision(on=True, contrast=True, limit_ln=0.1)


def test_a_lamp_that_is_lit_and_a_cut_that_nobody_saw_are_not_smoothed_across():
    frames = frame_table([(60, 0.03)], surface=0.01)
    lit = frame_table([(60, 0.03)], surface=0.01)
    for channel in ("red", "green", "blue"):
        lit.values[f"flicker_{channel}"][30] += 0.8
        lit.values[f"flicker_contrast_{channel}"][30] = 0.5
    lit.values["flicker_xy"][30] = 0.6
    value = {"on": True, "surface": True, "contrast": True}
    log = propose((), subject="flicker", anchor="scene@0", value=value, at=AT, why="seen")
    moves = (Move(c=60.0, f=50.0),) * 60
    both = [
        plan_flicker((CAPTURE,), table, treatment_of(log), moves=moves, size=(80, 60))[0]
        for table in (frames, lit)
    ]
    terms = [np.array([each.correction.terms for each in told]) for told in both]
    assert np.abs(terms[0] - terms[1])[np.r_[0:25, 36:60]].max() < 0.004
    assert np.abs(terms[0] - terms[1]).max() < 0.03  # 0.4 / ln 10 where it is smoothed across


def test_a_film_that_ran_tail_first_has_its_scenes_counted_from_the_head():
    frames = frame_table([(40, 0.0), (40, 0.1)])
    log = decide((), subject="loading", value=TAIL_FIRST, by="mk", at=AT, why="seen")
    log = propose_flickers((CAPTURE,), frames, log, at=AT)
    assert set(proposals(log)) == {"reel", "scene@0"}
    running = in_running_order(frames, loading_of(treatment_of(log)))
    told, figures, _ = plan_flicker(
        (CAPTURE,), running, treatment_of(log), moves=(Move(c=60.0, f=50.0),) * 80, size=(80, 60)
    )
    assert [each.on for each in figures] == [True, False]
    assert [each.correction is not None for each in told] == [False] * 40 + [True] * 40


def test_the_render_table_holds_every_term():
    frames = frame_table([(40, 0.1)])
    log = propose_flickers((CAPTURE,), frames, (), at=AT)
    told, _, _ = plan_flicker(
        (CAPTURE,), frames, treatment_of(log), moves=(Move(c=60.0, f=50.0),) * 40, size=(80, 60)
    )
    row = _flicker_columns(told[3].correction)
    assert set(row) <= {column.name for column in RENDER_COLUMNS} and len(row) == 24
    assert row["flicker_green_1"] == told[3].correction.terms[1][0]
    assert _flicker_columns(None) == {}
