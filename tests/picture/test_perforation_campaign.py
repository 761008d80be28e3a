"""Ten thousand frames with damaged perforations: exact where the program says so, and never far wrong unsaid."""

from collections import Counter

import cv2
import numpy as np
import pytest
from damaged_frames import CLASSES, LIGHTS, draw_damaged, outcomes
from drawn_perforations import draw

from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforation_corners import measure_corners

CONFIRMED = (
    0.5  # from this confidence on, two independent readings agree on each axis (docs/guide/perforations.md)
)
NAMED = (
    "torn",
    "claw",
    "tear",
    "elongated",
    "tape",
    "specks",
)  # torn, elongated, taped, specked: issue's limits


def run(seeds):
    """Outcomes of these frames, and how many perforations of each class were drawn."""
    cv2.setNumThreads(1)
    found, drawn = [], Counter()
    for seed in seeds:
        frame = draw_damaged(seed)
        drawn[kind_of(frame.damage)] += len(frame.drawn.centres)
        found += outcomes(frame)
    return found, drawn


def kind_of(damage):
    names = [name for name in damage if name != "all"]
    return names[0] if len(names) == 1 else "several"


def flagged(outcome):
    """Whether the tables say of this place that it may be wrong: state and confidence both."""
    return outcome.fix.state in ("damaged", "cut off") and outcome.fix.confidence < CONFIRMED


def table(found, drawn):
    """One line a class: perforations drawn, measured, confirmed; errors in px of the measured ones."""
    lines = [
        "| damage | drawn | measured | confirmed | rms across / along, px | 99.9th percentile | greatest | over 2 px, flagged |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for kind in (*CLASSES, "several"):
        ours = [each for each in found if kind_of(each.damage) == kind]
        if not ours:
            lines.append(f"| {kind} | {drawn[kind]} | 0 | 0 | | | | |")
            continue
        errors = np.array([each.error for each in ours])
        x, y = np.sqrt((errors**2).mean(axis=0))
        sure = sum(each.fix.confidence >= CONFIRMED for each in ours)
        far = sum(each.error_px > 2 for each in ours)
        lines.append(
            f"| {kind} | {drawn[kind]} | {len(ours)} | {sure} | {x:.3f} / {y:.3f} | "
            f"{np.percentile(np.abs(errors), 99.9):.2f} | {np.abs(errors).max():.2f} | {far} |"
        )
    return "\n".join(lines)


def check(found):
    far = [(each.seed, each.damage, each.error) for each in found if each.error_px > 2 and not flagged(each)]
    assert far == []
    for kind in NAMED:
        errors = np.array([each.error for each in found if kind_of(each.damage) == kind])
        if len(errors):
            assert (np.sqrt((errors**2).mean(axis=0)) <= 0.1).all(), kind
            assert np.percentile(np.abs(errors), 99.9) <= 0.5, kind


def test_a_hundred_damaged_frames():
    found, drawn = run(range(0, 10_000, 97))
    assert len(found) > 75 and set(drawn) == {*CLASSES, "several"}
    assert {each.light for each in found} == set(LIGHTS)
    check(found)


# Found by the campaign: more than 2 px wrong with nothing said, before an edge's corners, the light beyond a side that
# stands alone and the worth of its evidence were looked at.
@pytest.mark.parametrize("seed", [434, 667, 719, 897, 1274, 1375, 3183, 4409, 5449])
def test_what_was_far_wrong_once(seed):
    check(outcomes(draw_damaged(seed)))


@pytest.mark.campaign
def test_ten_thousand_damaged_frames(capsys):
    """Six to seven frames of each class for each light, in every hundred; the frame's number is its seed."""
    found, drawn = run(range(10_000))
    with capsys.disabled():
        print("\n" + table(found, drawn))
        errors = np.array([each.error_px for each in found])
        sure = np.array([each.fix.confidence >= CONFIRMED for each in found])
        print(
            f"\n{sum(drawn.values())} perforations in 10,000 frames: {len(found)} measured, {int(sure.sum())} confirmed; "
            f"more than 2 px wrong: {int((errors > 2).sum())}, all flagged; of those confirmed {int((errors[sure] > 2).sum())}, "
            f"the worst {errors[sure].max():.2f} px."
        )
    check(found)
    assert min(drawn.values()) > 4 * 5  # at least five seeds of each class in each light


# --- gauge ---

MIXES = (
    ("claw", "specks"), ("torn", "chip"), ("tear", "dirt"), ("elongated", "crack"), ("covered", "nick"),
    ("worn", "tape"), ("tear", "worn", "specks"), ("torn", "claw", "dirt"),
)  # fmt: skip
VIEWS = {
    "super-8": (58, (306, 350)), "standard-8": (64, (350, 546)), "16mm": (42, (392, 742)),
    "16mm-two-rows": (42, (392, 742)), "unslit-double-8": (35, (294, 602)), "9.5mm": (42, (378, 448)),
}  # fmt: skip


@pytest.mark.campaign
@pytest.mark.parametrize("gauge", list(VIEWS))
def test_gauge_of_damaged_reels_is_right_or_not_sure(gauge, capsys):
    """Nine frames, of which most have every perforation damaged: a survey may fail, and says so; it never errs."""
    scale, shape = VIEWS[gauge]
    said = Counter()
    for mix in MIXES:
        for seed in range(2):
            chance = np.random.default_rng((7, seed))
            frames = [
                draw(
                    gauge, shape=shape, px_per_mm=scale, seed=100 * seed + k, tilt=0.0015, blur=1.1,
                    reference_y=shape[0] / 2 + 5 * np.sin(k), damage=(*mix, "all") if chance.random() < 0.85 else (),
                ).plane
                for k in range(9)
            ]  # fmt: skip
            reading = find_gauge(frames, gauges=GAUGES)
            assert reading.gauge == gauge or not reading.sure, (mix, seed, reading.reason)
            assert reading.sure or reading.reason
            said["right" if reading.sure else "no gauge fits" if reading.gauge is None else "not sure"] += 1
    with capsys.disabled():
        print(f"\n{gauge}: {dict(said)}")


# --- corners ------------------------------------------------------------------------------------------------


def test_a_cover_s_edge_ends_in_square_corners_and_the_punch_s_in_round_ones():
    # Without noise: a rounded opening of which the lower third is covered straight across.
    from drawn_perforations import rounded
    from scipy.special import ndtr

    ys, xs = np.mgrid[0:120, 0:110].astype(np.float64)
    open_ = ndtr(-rounded(xs - 55.3, ys - 60.2, 70, 86, 12) / 1.3)
    whole = (0.02 + 0.88 * open_).astype(np.float32)
    covered = (0.02 + 0.88 * open_ * ndtr((74.6 - ys) / 1.3)).astype(np.float32)
    options = {"tilt": 0.0, "radius_px": 12.0, "blur_px": (1.3, 1.3), "contrast": 0.88}
    centre = np.array([[55.3, 60.2]])
    sides = np.array([[20.3, 90.3, 17.2, 103.2]])
    assert measure_corners(whole, sides, centre, **options) == pytest.approx(0, abs=0.05)
    sides[0, 3] = 74.6
    got = measure_corners(covered, sides, centre, **options)[0]
    assert got[:2] == pytest.approx([0, 0], abs=0.05) and got[2:] == pytest.approx([1, 1], abs=0.05)
    sides[0, 0] = np.nan  # a side not seen has no corners
    assert np.isnan(measure_corners(covered, sides, centre, **options)[0]).tolist() == [
        True,
        False,
        True,
        False,
    ]
    assert np.isnan(measure_corners(covered, sides, centre, **(options | {"contrast": 0.0}))).all()
    assert np.isnan(
        measure_corners(covered, sides, centre, **(options | {"radius_px": 1.0}))
    ).all()  # too small
