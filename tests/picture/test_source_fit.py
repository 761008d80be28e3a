"""A finished frame is told from its neighbours and from a frame laid elsewhere, whatever was done to its colour."""

import numpy as np
import pytest

from smallgauge.picture.resample import Move
from smallgauge.picture.source_fit import (
    ALIKE,
    ANOTHER,
    ELSEWHERE,
    NOT_TOLD,
    SHOWN,
    find_shown,
    make_box_means,
    make_small_picture,
    measure_fit,
)

ROWS, COLUMNS, MARGIN = 90, 130, 12
BOX = (0, 0, COLUMNS - 2 * MARGIN, ROWS - 2 * MARGIN)


def still_scene(frames=3, *, grain=0.02, seed=5):
    """A scene in which nothing moves; each frame has grain of its own and lies elsewhere in the capture."""
    from scipy import ndimage

    chance = np.random.default_rng(seed)
    scene = ndimage.gaussian_filter(chance.random((ROWS + 20, COLUMNS + 20)), 2.5)
    scene = 0.15 + 0.7 * (scene - scene.min()) / (scene.max() - scene.min())
    weave = chance.uniform(-2, 2, (frames, 2))
    captured = [
        ndimage.shift(scene, (y, x), order=3)[10:-10, 10:-10] + chance.normal(0, grain, (ROWS, COLUMNS))
        for x, y in weave
    ]
    return [c.astype(np.float32) for c in captured], [Move(c=MARGIN + x, f=MARGIN + y) for x, y in weave]


def finished(captured, move, change=lambda v: v):
    """The frame through its move, by another interpolator than the one on trial, then its tone changed."""
    from scipy import ndimage

    y, x = np.mgrid[: ROWS - 2 * MARGIN, : COLUMNS - 2 * MARGIN].astype(float)
    laid = ndimage.map_coordinates(captured, [y + move.f, x + move.c], order=3)
    return change(laid).astype(np.float32)


def judged(frame, captured, moves, *, stated=1, move=None):
    others = [(captured[n], [moves[n], move or moves[stated]]) for n in range(len(captured)) if n != stated]
    fit = measure_fit(frame, captured[stated], move or moves[stated], others, blocks=(1, 1), box=BOX)
    row = [fit.stated, fit.neighbour, fit.alike, fit.off_x_px, fit.off_y_px, fit.pixels]
    return int(find_shown(np.array([row]), block=1)[0]), fit


TONES = {
    "as it was": lambda v: v,
    "gamma": lambda v: np.clip(v, 0.01, 1) ** 0.45,
    "density, stretched": lambda v: -np.log10(np.clip(v, 0.01, 1)) * -0.7 + 1,
    "negative": lambda v: 1 - v,
    "darker to one side": lambda v: v * np.linspace(1, 0.4, v.shape[1]),
    "half the contrast": lambda v: 0.25 + 0.5 * v,
}


@pytest.mark.parametrize("tone", TONES)
def test_the_right_frame_is_known_whatever_its_tone(tone):
    captured, moves = still_scene()
    verdict, fit = judged(finished(captured[1], moves[1], TONES[tone]), captured, moves)
    assert verdict == SHOWN
    assert np.hypot(fit.off_x_px, fit.off_y_px) < 0.05


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("other", [0, 2])
def test_a_neighbour_in_its_place_is_found_though_nothing_moves(tone, other):
    """Rendered with its own move it stands where the right one would; only grain differs."""
    captured, moves = still_scene()
    assert judged(finished(captured[other], moves[other], TONES[tone]), captured, moves)[0] == ANOTHER
    # and with the move of the frame whose place it took
    assert judged(finished(captured[other], moves[1], TONES[tone]), captured, moves)[0] in (
        ANOTHER,
        ELSEWHERE,
    )


@pytest.mark.parametrize("off", [(0.3, 0.0), (0.0, -0.3), (1.0, 0.5), (4.0, 0.0)])
def test_a_wrong_move_is_found(off):
    captured, moves = still_scene()
    wrong = Move(c=moves[1].c + off[0], f=moves[1].f + off[1])
    verdict, _ = judged(finished(captured[1], wrong, TONES["gamma"]), captured, moves)
    assert verdict in (ELSEWHERE, ANOTHER)


def test_equal_frames_are_alike():
    captured, moves = still_scene(grain=0.0)
    captured, moves = [captured[1]] * 3, [moves[1]] * 3
    assert judged(finished(captured[1], moves[1]), captured, moves)[0] == ALIKE


def test_black_leader_is_alike_and_a_strange_picture_is_another():
    captured, moves = still_scene()
    chance = np.random.default_rng(8)
    dark = [chance.normal(0.01, 0.001, (ROWS, COLUMNS)).astype(np.float32) for _ in range(3)]
    black = chance.normal(0.01, 0.001, (ROWS - 2 * MARGIN, COLUMNS - 2 * MARGIN)).astype(np.float32)
    assert judged(black, dark, moves)[0] == ALIKE
    assert judged(black, captured, moves)[0] == ANOTHER


def test_too_small_a_picture_is_not_told():
    row = [[float("nan")] * 5 + [0.0]]
    assert find_shown(np.array(row), block=1).tolist() == [NOT_TOLD]
    fit = measure_fit(
        np.zeros((5, 5), np.float32),
        np.zeros((9, 9), np.float32),
        Move(),
        [],
        blocks=(1, 1),
        box=(0, 0, 5, 5),
    )
    assert fit.pixels == 0 and np.isnan(fit.stated)


def test_noise_taken_out_of_the_finished_frame_leaves_it_known():
    from scipy import ndimage

    captured, moves = still_scene(grain=0.03)
    calm = finished(captured[1], moves[1], lambda v: ndimage.gaussian_filter(v, 0.8))
    assert judged(calm, captured, moves)[0] in (SHOWN, ALIKE)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_reduction_is_the_mean_of_green(kind):
    samples = (np.random.default_rng(1).random((17, 26, 3)) * 250).astype(kind)
    small = make_small_picture(samples, block=8)
    assert small.shape == (2, 3)
    assert small[1, 2] == pytest.approx(samples[8:16, 16:24, 1].astype(float).mean(), rel=1e-6)


@pytest.mark.parametrize("kind", [np.float32, np.uint16])
@pytest.mark.parametrize(
    "way", [(1.0, 3.3, 1.0, -1.6), (0.8, 0.0, 1.3, 2.0), (-1.0, 39.7, 1.0, 0.0), (1.0, -70.0, -1.0, 90.0)]
)
def test_a_move_that_hardly_turns_gives_what_a_straight_one_does(kind, way):
    from smallgauge.picture.kernels_proof import sample_picture

    source = (1000 * np.random.default_rng(5).random((30, 40))).astype(kind)
    (a, c, e, f), turn = way, 1e-9
    straight, turned = np.empty((25, 35), np.float32), np.empty((25, 35), np.float32)
    sample_picture(source, np.array([a, 0.0, c, 0.0, e, f]), straight)
    sample_picture(source, np.array([a, turn, c, turn, e, f]), turned)
    assert np.allclose(straight, turned, atol=1e-3)
    assert straight.std() > 0 or way[1] < -50


@pytest.mark.parametrize("shape", [(20, 30), (20, 30, 3)])
def test_blocks_of_one_pixel_are_the_pixels(shape):
    codes = np.random.default_rng(6).integers(0, 65536, shape).astype(np.uint16)
    edges, green = (np.arange(21), np.arange(31)), 1 if len(shape) == 3 else 0
    assert np.array_equal(
        make_small_picture(codes, block=1), make_box_means(codes, *edges, channel=green)[:, :, 0]
    )
