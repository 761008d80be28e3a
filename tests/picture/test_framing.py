"""Framing: where the crop lies scene by scene, how large it is, and what is levelled."""

from dataclasses import replace

import numpy as np
import pytest
from registration_series import AREA, draw_series, evidence_from

from smallgauge.errors import CallerError
from smallgauge.picture.framing import (
    CaptureShape,
    FramingDecision,
    propose_framing,
    scene_shifts,
    solve_framing,
)
from smallgauge.picture.registration import RegistrationDecision, solve_registration

SHAPE = CaptureShape(
    width_px=780,
    height_px=492,
    upright_tilt=0.0,
    level_tilt=0.0,
    across_px_per_mm=91.0,
    along_px_per_mm=91.0,
    projectable_mm=(4.4, 3.3),
)
BY_HOLE = RegistrationDecision(by="perforation")


def evidence_of_scenes(shifts=((0.0, 0.0),), *, frames=40, gates=(1.0,)):
    """Scenes whose gate lies `shifts` (x, y) from the usual place on the film, and whose size is `gates` of it."""
    series = draw_series(
        seed=1, frames=frames * len(shifts), punch_um=0.0, claw_um=0.0, wrong=0.0, gate_missing=0.2
    )
    scene = np.repeat(np.arange(len(shifts)), frames).astype(np.int32)
    evidence = evidence_from(series, scene=scene)
    gate = evidence.gate_px.copy()
    for number, (x, y) in enumerate(shifts):
        here = scene == number
        size = gates[number % len(gates)]
        middle = np.array([AREA[0] + AREA[2], AREA[1] + AREA[3]]) / 2
        for side in range(4):
            grown = (AREA[side] - middle[side % 2]) * (size - 1.0)
            gate[side, here] += (x, y)[side % 2] + grown
    return replace(evidence, gate_px=gate)


def solved(evidence, decision=None, shape=SHAPE, by=BY_HOLE):
    places = solve_registration(evidence, decision=by)
    decision = decision or propose_framing(evidence, shape=shape)[0]
    return places, solve_framing(evidence, places, decision=decision, shape=shape)


def test_the_crop_keeps_inside_the_gate_and_is_even():
    decision, why = propose_framing(evidence_of_scenes(), shape=SHAPE)
    assert decision.width % 2 == decision.height % 2 == 0
    assert decision.left_px >= AREA[0] and decision.left_px + decision.width <= AREA[2]
    assert decision.top_px >= AREA[1] and decision.top_px + decision.height <= AREA[3]
    assert why == "the camera's picture less a margin of 3.1 px"


@pytest.mark.parametrize("by", ["perforation", "gate"])
def test_the_crop_follows_the_gate_at_scene_limits_only(by):
    """Whatever holds the film: the gate lies at the same finished place in every scene, within 0.5 px."""
    shifts = ((0.0, 0.0), (4.0, -3.0), (-2.5, 5.0))
    evidence = evidence_of_scenes(shifts)
    places, framing = solved(evidence, by=RegistrationDecision(by=by))
    c = np.array([move.c for move in framing.moves])
    crop = c - places.x_px
    for scene in range(3):
        assert np.ptp(crop[evidence.scene == scene]) < 1e-9
    left = evidence.gate_px[0] - c
    middles = [np.nanmedian(left[evidence.scene == scene]) for scene in range(3)]
    assert np.ptp(middles) < 0.5
    shift, seen = scene_shifts(evidence, places)
    assert seen.all()
    if by == "perforation":
        for scene, (x, y) in enumerate(shifts):
            found = shift[:, evidence.scene == scene][:, 0]
            assert found == pytest.approx((x, y), abs=0.5)


def test_a_scene_without_gate_keeps_the_usual_place():
    evidence = evidence_of_scenes(((3.0, 3.0), (0.0, 0.0)))
    gate = evidence.gate_px.copy()
    gate[:, evidence.scene == 1] = np.nan
    places, framing = solved(replace(evidence, gate_px=gate))
    shift, seen = scene_shifts(replace(evidence, gate_px=gate), places)
    assert not seen[:, -1].any() and (shift[:, -1] == 0).all()
    assert framing.moves[-1].c - places.x_px[-1] == pytest.approx(
        framing.moves[0].c - places.x_px[0] - 3.0, abs=0.5
    )


def test_one_side_is_enough_to_place_a_scene():
    evidence = evidence_of_scenes(((5.0, -4.0),))
    gate = evidence.gate_px.copy()
    gate[2:] = np.nan
    places = solve_registration(replace(evidence, gate_px=gate), decision=BY_HOLE)
    shift, _ = scene_shifts(replace(evidence, gate_px=gate), places)
    assert shift[:, 0] == pytest.approx((5.0, -4.0), abs=0.3)


def test_the_size_is_that_of_the_smallest_gate_but_not_of_a_freak():
    usual = propose_framing(evidence_of_scenes(), shape=SHAPE)[0]
    smaller = propose_framing(evidence_of_scenes(((0, 0), (0, 0)), gates=(1.0, 0.98)), shape=SHAPE)[0]
    freak = propose_framing(evidence_of_scenes(((0, 0), (0, 0)), gates=(1.0, 0.7)), shape=SHAPE)[0]
    assert usual.width * 0.975 < smaller.width < usual.width * 0.99
    assert (freak.width, freak.height) == (usual.width, usual.height)


def test_what_an_operator_leaves_open_follows_from_the_evidence():
    evidence = evidence_of_scenes()
    whole = solved(evidence, FramingDecision(show="whole capture"))[1]
    assert (whole.width, whole.height) == (780, 492)
    small = solved(evidence, FramingDecision(show="projectable area"))[1]
    assert (small.width, small.height) == (400, 300)  # 4.4 and 3.3 mm at 91 pixels a millimetre
    said = propose_framing(evidence, shape=SHAPE)[0]
    same = solved(evidence, FramingDecision())[1]
    assert solved(evidence, said)[1] == same
    moved = solved(evidence, FramingDecision(left_px=said.left_px + 2.0))[1]
    assert moved.moves[0].c == pytest.approx(same.moves[0].c + 2.0)


def test_the_whole_capture_is_shown_as_it_lies():
    """The median frame is not moved by more than half a pixel, and scenes are not brought together."""
    evidence = evidence_of_scenes(((0.0, 0.0), (6.0, 6.0)))
    _, framing = solved(evidence, FramingDecision(show="whole capture"))
    middle = np.median([(move.c, move.f) for move in framing.moves], axis=0)
    assert np.abs(middle).max() <= 1.0


@pytest.mark.parametrize(("upright", "level", "turn", "skew"), [
    (0.002, 0.002, 0.0, 0.0),
    (0.01, 0.01, -0.01, 0.0),
    (-0.008, -0.006, 0.007, 0.0),
    (0.012, 0.004, -0.004, -0.008),
    (np.nan, np.nan, 0.0, 0.0),
])  # fmt: skip
def test_turn_and_skew_are_corrected_where_they_can_be_seen(upright, level, turn, skew):
    shape = replace(SHAPE, upright_tilt=upright, level_tilt=level)
    decision, _ = propose_framing(evidence_of_scenes(), shape=shape)
    assert decision.turn_rad == pytest.approx(turn, abs=1e-9)
    assert decision.skew_rad == pytest.approx(skew, abs=1e-9)


@pytest.mark.parametrize(("upright", "level"), [(0.01, 0.01), (0.012, 0.004), (0.0, -0.02)])
def test_an_aslant_gate_comes_out_upright(upright, level):
    """Its corners in the capture lie on a level, upright rectangle in the finished picture."""
    shape = replace(SHAPE, upright_tilt=upright, level_tilt=level)
    _, framing = solved(evidence_of_scenes(), shape=shape)
    move = framing.moves[0]
    middle = np.array([move.place(framing.width / 2, framing.height / 2)]).T
    matrix = np.array([[move.a, move.b], [move.d, move.e]])
    for along, across, side in (((upright, 1.0), 0, "upright"), ((1.0, -level), 1, "level")):
        a, b = (np.linalg.solve(matrix, middle + k * 150 * np.array([along]).T)[:, 0] for k in (-1, 1))
        assert abs(a[across] - b[across]) < 0.3, side


def test_the_middle_of_the_crop_is_the_middle_of_the_gate_however_it_is_turned():
    for shape in (
        SHAPE,
        replace(SHAPE, upright_tilt=0.02, level_tilt=0.012),
        replace(SHAPE, along_px_per_mm=85.0),
    ):
        evidence = evidence_of_scenes()
        places, framing = solved(evidence, shape=shape)
        move = framing.moves[5]
        x, y = move.place((framing.width - 1) / 2, (framing.height - 1) / 2)
        expected = np.array([places.x_px[5], places.y_px[5]]) + (np.array(AREA[:2]) + AREA[2:]) / 2
        assert (x, y) == pytest.approx(tuple(expected), abs=0.8)


@pytest.mark.parametrize(
    ("along", "stated", "stretch"), [(90.0, 1.0, 1.0), (85.0, 1.0, 85 / 91), (182.5, 2.0, 2.0)]
)
def test_scales_are_brought_together_where_they_surely_differ(along, stated, stretch):
    shape = replace(SHAPE, along_px_per_mm=along, stated_stretch=stated)
    decision, _ = propose_framing(evidence_of_scenes(), shape=shape)
    assert decision.stretch == pytest.approx(stretch, abs=1e-6)
    usual = propose_framing(evidence_of_scenes(), shape=SHAPE)[0].height
    assert decision.height == pytest.approx(usual / stretch, abs=4)


def test_nonsense_is_refused():
    with pytest.raises(CallerError, match="shows one of"):
        propose_framing(evidence_of_scenes(), shape=SHAPE, show="half of it")
    with pytest.raises(CallerError, match="not known"):
        propose_framing(
            evidence_of_scenes(), shape=replace(SHAPE, projectable_mm=None), show="projectable area"
        )
