"""Photographs from several frames against drawn truth: noise, edges, ghosts, and where the base frame stays alone."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.moved_photographs import BASE, CASES, draw_moved
from benchmarks.stills import BITS, edge_slope, fused, ghost, psnr
from smallgauge.errors import CallerError
from smallgauge.picture.fusion import KEPT_GRAIN, MOST_KEPT, PARTNERS, apply_fusion, solve_sharpest

TOP = (1 << BITS) - 1


def case(name: str):
    return next(each for each in CASES if each.name == name)


def codes(picture):
    return np.rint(np.clip(picture, 0, 255) * (TOP / 255)).astype(np.uint16)


# Bounds: nine frames lower the noise by 9.5 dB at most before any smoothing within the picture (sigma / sqrt(9),
# textbook); edges by the issue, 0.98 to 1.03; a ghost is over three deviations of the grain, by the issue.
@pytest.mark.parametrize(
    ("name", "least_db"), [("astronaut", 9.5), ("drawn garden", 9.5), ("motorcycle", 9.5)]
)
def test_noise_goes_edges_stay_and_nothing_is_seen_twice(name, least_db):
    moved = draw_moved(case(name), height=160)
    smooth = fused(moved, kept_grain=0.0)
    assert psnr(smooth, moved.truth) > psnr(moved.frames[BASE], moved.truth) + least_db
    true = edge_slope(moved.truth, moved.card)
    assert 0.98 < edge_slope(smooth, moved.card) / true < 1.03
    assert moved.crossed.mean() > 0.05 and ghost(smooth, moved) < 3.0
    shipped = smooth + np.float32(KEPT_GRAIN) * (moved.frames[BASE] - smooth)  # the most that is kept
    assert ghost(shipped, moved) < 3.0


def test_a_share_of_the_base_frames_own_grain_is_kept():
    moved = draw_moved(case("astronaut"), height=120)
    frames = [codes(each) for each in moved.frames]
    none, some = (
        apply_fusion(frames, base=BASE, bits=BITS, kept_grain=k).picture / (TOP / 255) for k in (0.0, 0.2)
    )
    grain = moved.frames[BASE] - none
    inner = (slice(12, -12), slice(12, -12))
    share = np.sum((some - none)[inner] * grain[inner]) / np.sum(grain[inner] ** 2)
    assert share == pytest.approx(0.2, abs=0.005)


def test_frames_of_another_scene_have_no_share():
    """A cut that nobody found: strangers on some or all of the other places change nothing, and are told as such."""
    moved, other = (draw_moved(replace(case(n), subject_px=0.0), height=120) for n in ("astronaut", "camera"))
    width = min(moved.truth.shape[1], other.truth.shape[1])
    mixed = [codes((moved if n <= BASE else other).frames[n][:, :width]) for n in range(9)]
    done = apply_fusion(mixed, base=BASE, bits=BITS)
    assert done.shares[BASE + 1 :] == (0.0,) * 4 and min(done.shares[: BASE + 1]) > 0.1
    assert np.array_equal(done.picture, apply_fusion(mixed[: BASE + 1], base=BASE, bits=BITS).picture)
    alone = apply_fusion(mixed[BASE:], base=0, bits=BITS)
    assert np.array_equal(alone.picture, mixed[BASE]) and alone.shares == (1.0, 0.0, 0.0, 0.0, 0.0)


def test_a_thing_that_is_on_one_frame_only_stays_as_that_frame_has_it():
    """A bird before the sky: every neighbour disagrees there, and a bird of a neighbour leaves no trace."""
    moved = draw_moved(replace(case("moon"), subject_px=0.0), height=120)
    pictures = [each.copy() for each in moved.frames]
    truth = moved.truth.copy()
    pictures[BASE][50:60, 40:56] += 60.0
    truth[50:60, 40:56] += 60.0
    pictures[BASE + 1][80:90, 70:86] += 60.0
    done = apply_fusion([codes(each) for each in pictures], base=BASE, bits=BITS, kept_grain=0.0)
    off = (done.picture / (TOP / 255) - truth) / moved.grain
    for where in (np.s_[46:64, 36:60], np.s_[76:94, 66:90]):
        assert abs(float(off[where].mean())) < 0.5 and float(np.abs(off[where].mean(axis=2)).max()) < 3.0


def test_another_level_of_the_lamp_is_no_disagreement():
    moved = draw_moved(replace(case("coins"), subject_px=0.0), height=120)
    lit = [each + (6.0 if n % 2 else 0.0) for n, each in enumerate(moved.frames)]
    done = apply_fusion([codes(each) for each in lit], base=BASE, bits=BITS, kept_grain=0.0)
    assert done.alone_share < 0.05
    assert psnr((done.picture / (TOP / 255)).astype(np.float32), moved.truth) > 38.0


@pytest.mark.parametrize(("grain", "soft"), [(3.0, 0.0), (9.0, 0.0), (6.0, 0.7)])
def test_the_noise_is_measured(grain, soft):
    moved = draw_moved(replace(case("camera"), grain=grain, grain_px=soft, subject_px=0.0), height=160)
    done = apply_fusion([codes(each) for each in moved.frames[2:7]], base=2, bits=BITS)
    assert done.noise == pytest.approx(grain, rel=0.2)
    assert done.kept_grain == min(KEPT_GRAIN, MOST_KEPT / done.noise)


def test_one_frame_is_the_photograph_and_the_same_frames_give_the_same():
    moved = draw_moved(case("coins"), height=80)
    frames = [codes(each) for each in moved.frames[:3]]
    alone = apply_fusion(frames[:1], base=0, bits=BITS)
    assert np.array_equal(alone.picture, frames[0]) and alone.shares == (1.0,) and np.isnan(alone.noise)
    one, two = (apply_fusion(frames, base=1, bits=BITS).picture for _ in range(2))
    assert np.array_equal(one, two)


def test_black_and_white_stays_without_colour():
    grey = [np.repeat(each[..., :1], 3, axis=2) for each in draw_moved(case("coins"), height=100).frames]
    done = apply_fusion([codes(each) for each in grey], base=BASE, bits=BITS).picture.astype(int)
    assert np.abs(done - done[..., :1]).max() <= 2


@pytest.mark.parametrize(
    ("shapes", "base", "bits"),
    [([(80, 80, 3), (80, 81, 3)], 0, 16), ([(80, 80, 3)], 1, 16), ([(80, 80, 3)] * 2, 0, 17),
     ([(60, 80, 3)] * 2, 0, 16), ([(80, 80)] * 2, 0, 16)],
)  # fmt: skip
def test_what_is_no_row_of_frames_is_refused(shapes, base, bits):
    with pytest.raises(CallerError):
        apply_fusion([np.zeros(shape, np.uint16) for shape in shapes], base=base, bits=bits)


def test_the_sharpest_near_the_one_asked_for():
    nan = float("nan")
    assert (
        solve_sharpest([1.0, 1.0, 1.04, 1.0], asked=1).base == 1
    )  # hardly sharper: the frame asked for stays
    assert solve_sharpest([1.0, 1.0, nan, 2.0], asked=1).base == 3
    assert solve_sharpest([1.0, 1.0, nan, 2.0], asked=2, reach=0).base == 2
    assert 2 not in solve_sharpest([1.0, 1.0, nan, 1.0], asked=1).partners
    assert solve_sharpest([nan, nan], asked=1).partners == ()
    far = solve_sharpest(np.ones(30), asked=10)
    assert far.partners == tuple(n for n in range(10 - PARTNERS, 11 + PARTNERS) if n != 10)
    with pytest.raises(CallerError):
        solve_sharpest([1.0], asked=1)
