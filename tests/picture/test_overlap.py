"""Where two captures show the same film: found, none, or not sure; never wrong."""

import numpy as np
import pytest
from two_captures import LAYOUT, SIZE, STILL, STOPPED, capture, sheets_of

from smallgauge.picture.overlap import find_overlap, measure_joint
from smallgauge.picture.resample import Move

TRIPOD = {"scenes": STILL, "camera_rate": STOPPED}


def found(earlier, later):
    return find_overlap(sheets_of(earlier), sheets_of(later), layout=LAYOUT)


@pytest.mark.parametrize(
    "seed", [7, pytest.param(8, marks=pytest.mark.campaign), pytest.param(9, marks=pytest.mark.campaign)]
)
def test_forty_frames_in_common_are_found(seed):
    overlap = found(capture(0, 44, seed=seed), capture(4, 48, seed=seed))
    assert (overlap.state, overlap.offset, overlap.common) == ("found", 4, 40)
    assert [(m.position, m.later_position) for m in overlap.matches] == [(4 + n, n) for n in range(40)]


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param(
            {"open_gate_level": 0.55, "flicker": 0.02}, marks=pytest.mark.campaign
        ),  # other exposure settings
        pytest.param({"scale": 1.01}, marks=pytest.mark.campaign),
        pytest.param(
            {"off": (4.0, -3.0)}, marks=pytest.mark.campaign
        ),  # the picture area was surveyed at another place
        {"shot_noise": 0.03},
        {"scale": 0.97, "off": (3.0, 2.0), "open_gate_level": 0.7},
    ],
)
def test_another_setting_of_the_scanner_does_not_matter(changes):
    overlap = found(capture(0, 30), capture(18, 40, **changes))
    assert (overlap.state, overlap.offset) == ("found", 18)


def test_a_tripod_shot_is_told_by_its_grain_alone():
    overlap = found(capture(0, 30, **TRIPOD), capture(20, 45, **TRIPOD))
    assert (overlap.state, overlap.offset, overlap.common) == ("found", 20, 10)


@pytest.mark.parametrize("grain", [pytest.param(0.0, marks=pytest.mark.campaign), 0.002])
def test_a_tripod_shot_without_grain_is_not_sure(grain):
    overlap = found(
        capture(0, 30, grain_density=grain, **TRIPOD), capture(20, 45, grain_density=grain, **TRIPOD)
    )
    assert (overlap.state, overlap.offset) == ("not sure", None)


@pytest.mark.parametrize("lost", [0, pytest.param(3, marks=pytest.mark.campaign)])
def test_a_tripod_shot_that_does_not_overlap_is_not_sure(lost):
    overlap = found(capture(0, 30, **TRIPOD), capture(30 + lost, 60, **TRIPOD))
    assert overlap.state == "not sure"


@pytest.mark.parametrize("lost", [0, 1, pytest.param(5, marks=pytest.mark.campaign)])
def test_a_moving_scene_that_does_not_overlap_is_never_found(lost):
    overlap = found(capture(40, 70), capture(70 + lost, 95))
    assert overlap.state in ("none", "not sure")


def test_other_scenes_do_not_overlap():
    assert found(capture(0, 25), capture(60, 85)).state == "none"


def test_a_frame_missing_in_one_of_them_is_not_passed_over():
    assert found(capture(0, 30), capture(10, 40, missing=(20,))).state == "not sure"


def test_too_few_common_frames_are_no_proof():
    assert found(capture(0, 30), capture(26, 50)).state == "not sure"


def test_without_grain_what_moves_tells():
    overlap = found(capture(40, 70, grain_density=0.0), capture(55, 85, grain_density=0.0))
    assert (overlap.state, overlap.offset) == ("found", 15)
    assert "moves" in overlap.reason


def test_leader_on_both_sides_tells_nothing():
    blank = capture(0, 12, scenes=())
    assert found(blank, blank).state in ("none", "not sure")


@pytest.mark.parametrize("scale", [1.0, 1.01])
def test_a_joint_is_measured_in_place_and_scale(scale):
    earlier, later = capture(0, 8), capture(4, 12, scale=scale, off=(2.0, -1.0))
    move = measure_joint(
        earlier.light(5), later.light(1), box=earlier.box(5), later_box=later.box(1), size=SIZE
    )
    true_one, true_two = earlier.box(5), later.box(1)
    corners = [(true_one[0] + 20, true_one[1] + 15), (true_one[2] - 20, true_one[3] - 15)]
    for x, y in corners:
        u = (x - true_one[0]) / (true_one[2] - true_one[0])
        v = (y - true_one[1]) / (true_one[3] - true_one[1])
        wanted = (
            true_two[0] - 2.0 + u * (true_two[2] - true_two[0]),
            true_two[1] + 1.0 + v * (true_two[3] - true_two[1]),
        )
        assert move.place(x, y) == pytest.approx(wanted, abs=0.1)
    assert move.a == pytest.approx(scale, abs=0.001) and move.e == pytest.approx(scale, abs=0.001)
    assert isinstance(move, Move) and np.isfinite(move.c)
