"""The one resampling against pictures that are known everywhere, and against independent interpolators."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from smallgauge.errors import CallerError
from smallgauge.picture.resample import (
    REACH,
    TAPS,
    Move,
    apply_move,
    compose_moves,
    interpolation_weights,
    invert_move,
    phase_table,
)

FRACTIONS = (0.0131, 0.118, 0.25, 0.382, 0.5, 0.731, 0.9837)
TAP = np.arange(TAPS) - REACH


class Waves:
    """A picture known everywhere: sixty sinusoids below a frequency, so that any move of it is exact."""

    def __init__(self, *, highest: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        frequency = highest * np.sqrt(rng.random(60))
        direction = rng.random(60) * 2 * np.pi
        self.fx, self.fy = frequency * np.cos(direction), frequency * np.sin(direction)
        self.phase = rng.random(60) * 2 * np.pi

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
        for fx, fy, phase in zip(self.fx, self.fy, self.phase, strict=True):
            total += np.cos(2 * np.pi * (fx * x + fy * y) + phase)
        return 0.5 + 0.45 / (6 * np.sqrt(30)) * total

    def plane(self, move: Move = Move(), *, width: int = 128, height: int = 128) -> np.ndarray:  # noqa: B008
        x, y = np.arange(width)[None, :].astype(float), np.arange(height)[:, None].astype(float)
        return self.at(move.a * x + move.b * y + move.c, move.d * x + move.e * y + move.f)


def error_of(result: np.ndarray, ideal: np.ndarray, *, border: int = 16) -> tuple[float, float, float]:
    """Shift in x, shift in y (least squares, pixels) and RMS error, borders left out."""
    inner = (slice(border, -border), slice(border, -border))
    slope_y, slope_x = np.gradient(ideal)
    basis = np.stack([slope_x[inner].ravel(), slope_y[inner].ravel()], axis=1)
    difference = (result - ideal)[inner].ravel()
    shift = np.linalg.lstsq(basis, difference, rcond=None)[0]
    return float(shift[0]), float(shift[1]), float(np.sqrt((difference**2).mean()))


def lanczos4(light: np.ndarray, move: Move) -> np.ndarray:
    """The usual eight-tap window, normalised: what this interpolator has to beat."""
    along = np.arange(-3, 5)
    for axis, shift in ((1, move.c), (0, move.f)):
        place = along - (shift - np.floor(shift))
        weights = np.sinc(place) * np.sinc(place / 4)
        weights /= weights.sum()
        light = sum(
            w * np.roll(light, -(int(np.floor(shift)) + k), axis) for w, k in zip(weights, along, strict=True)
        )
    return light


def test_weights_displace_exactly() -> None:
    fractions = np.linspace(0, 1, 101)
    weights = interpolation_weights(fractions)
    place = TAP - fractions[:, None]
    assert np.abs(weights.sum(axis=1) - 1).max() < 1e-11
    for moment in (1, 2, 3):
        assert np.abs((weights * place**moment).sum(axis=1)).max() < 1e-9


def test_weights_are_symmetric_and_continuous() -> None:
    assert np.allclose(interpolation_weights(0.3), interpolation_weights(0.7)[::-1], atol=1e-15)
    start, stop = interpolation_weights(0.0), interpolation_weights(1.0)
    assert np.abs(stop[1:] - start[:-1]).max() < 1e-10
    assert abs(start[-1]) < 1e-10
    near = 1e-6
    before = (stop - interpolation_weights(1 - near)) / near
    after = (interpolation_weights(near) - start) / near
    assert np.abs(before[1:] - after[:-1]).max() < 1e-4


@pytest.mark.parametrize(
    ("highest", "shift_px", "rms"), [(0.1, 0.0006, 4e-5), (0.25, 0.0006, 1e-4), (0.35, 0.0006, 1.6e-4)]
)
def test_displacement_is_exact_where_film_has_detail(highest: float, shift_px: float, rms: float) -> None:
    waves = Waves(highest=highest, seed=3)
    plane = waves.plane()
    worst, worst_of_lanczos = np.zeros(2), np.zeros(2)
    for fraction, other in zip(FRACTIONS, FRACTIONS[::-1], strict=True):
        move = Move(c=fraction, f=other - 1)
        ideal = waves.plane(move)
        for result, record in (
            (apply_move(plane, move=move, width=128, height=128), worst),
            (lanczos4(plane, move), worst_of_lanczos),
        ):
            x, y, error = error_of(result, ideal)
            record[:] = np.maximum(record, [max(abs(x), abs(y)), error])
    assert worst[0] < shift_px
    assert worst[1] < rms
    assert (worst < worst_of_lanczos).all()


def test_displacement_agrees_with_an_independent_spline() -> None:
    plane = Waves(highest=0.2, seed=8).plane()
    ours = apply_move(plane, move=Move(c=0.37, f=-0.81), width=128, height=128)
    spline = ndimage.shift(plane, (0.81, -0.37), order=5)
    assert np.abs(ours - spline)[16:-16, 16:-16].max() < 3e-4


@pytest.mark.parametrize("degrees", [0.4, -2.0, 5.0, 89.3, 178.0, -91.0])
@pytest.mark.parametrize("scale", [0.985, 1.0, 1.02])
def test_turned_and_scaled_pictures(degrees: float, scale: float) -> None:
    waves = Waves(highest=0.25, seed=4)
    turn = np.deg2rad(degrees)
    cosine, sine = scale * np.cos(turn), scale * np.sin(turn)
    centre = Move(c=63.3 - 40 * cosine + 36 * sine, f=62.8 - 40 * sine - 36 * cosine)
    move = Move(a=cosine, b=-sine, c=centre.c, d=sine, e=cosine, f=centre.f)
    result = apply_move(waves.plane(), move=move, width=80, height=72)
    x, y, error = error_of(result, waves.plane(move, width=80, height=72), border=4)
    assert max(abs(x), abs(y)) < 0.001
    assert error < 3e-4


def test_turned_agrees_with_an_independent_spline() -> None:
    plane = Waves(highest=0.2, seed=8).plane()
    move = Move(a=0.999, b=0.02, c=1.2, d=-0.015, e=1.004, f=0.3)
    ours = apply_move(plane, move=move, width=128, height=128)
    matrix = [[move.e, move.d], [move.b, move.a]]
    spline = ndimage.affine_transform(plane, matrix, (move.f, move.c), order=5)
    assert np.abs(ours - spline)[16:-16, 16:-16].max() < 4e-4


def test_grain_does_not_breathe_with_the_fraction() -> None:
    gain = np.sqrt((interpolation_weights(np.linspace(0, 1, 257)) ** 2).sum(axis=1))
    assert gain.min() > 0.925  # white noise, the hardest there is; an eight-tap Lanczos: 0.910 to 1.000
    assert gain.max() < 0.98
    frequency = np.linspace(0, 0.5, 501)
    blurred = np.exp(-4 * np.pi**2 * frequency**2 * 0.6**2)  # power of grain seen through a blur of 0.6 px
    grain = []
    for fraction in np.linspace(0, 1, 65):
        waves = np.exp(2j * np.pi * frequency[:, None] * (TAP - fraction))
        response = np.abs(waves @ interpolation_weights(fraction)) ** 2
        grain.append(np.sqrt((response * blurred).sum() / blurred.sum()))
    assert max(grain) - min(grain) < 0.006


@pytest.mark.parametrize("fraction", FRACTIONS)
def test_a_soft_edge_keeps_its_place_and_does_not_ring(fraction: float) -> None:
    from scipy.special import erf

    x = np.arange(96.0)
    edge = np.tile(0.5 + 0.5 * erf((x - 48) / np.sqrt(2)), (40, 1))  # blurred by one pixel, as a lens does
    moved = apply_move(edge, move=Move(c=fraction), width=95, height=40)[20]
    wanted = 0.5 + 0.5 * erf((x[:95] + fraction - 48) / np.sqrt(2))
    assert np.abs(moved - wanted).max() < 9e-4  # what the blurred edge still holds beyond 0.36 cycles a pixel
    assert moved.max() < 1.0003  # benchmarks/resample.py: 0.022 %, an eight-tap Lanczos 0.17 %
    assert moved.min() > -0.0003


def test_whole_displacements_copy() -> None:
    plane = np.random.default_rng(1).random((30, 40, 3)).astype(np.float32)
    moved = apply_move(plane, move=Move(c=5.0, f=-3.0), width=40, height=30)
    assert np.array_equal(moved[3:, :35], plane[:-3, 5:])
    assert (moved[:3] == 0).all()
    assert (moved[:, 35:] == 0).all()


def test_mirrors_and_turns_by_quarters_are_exact() -> None:
    plane = np.random.default_rng(2).random((30, 40)).astype(np.float32)
    width, height = 40, 30
    same = {"width": width, "height": height}
    assert np.array_equal(apply_move(plane, move=Move(a=-1.0, c=39.0), **same), plane[:, ::-1])
    assert np.array_equal(
        apply_move(plane, move=Move(a=-1.0, e=-1.0, c=39.0, f=29.0), **same), plane[::-1, ::-1]
    )
    shifted = apply_move(plane, move=Move(c=0.3, f=0.6), **same)
    turned = apply_move(plane[::-1, ::-1], move=Move(a=-1.0, e=-1.0, c=38.7, f=28.4), **same)
    assert np.allclose(shifted, turned, atol=1e-6)
    waves = Waves(highest=0.2, seed=1).plane(width=40, height=30)
    quarter = apply_move(waves, move=Move(a=0.0, b=1.0, c=0.0, d=-1.0, e=0.0, f=29.0), width=30, height=40)
    assert np.abs(quarter - np.rot90(waves, -1))[6:-6, 6:-6].max() < 2e-4


def test_outermost_pixels_are_repeated_and_beyond_them_is_no_light() -> None:
    plane = np.full((20, 20), 0.7, np.float32)
    moved = apply_move(plane, move=Move(c=-0.4, f=0.45), width=21, height=21)
    assert np.allclose(moved[:19, :20], 0.7, atol=1e-6)
    assert np.allclose(moved[19, :20], 0.7, atol=1e-6)  # 19.45: still on the capture
    assert (moved[20] == 0).all()
    assert (apply_move(plane, move=Move(c=1e7, f=0.5), width=9, height=9) == 0).all()
    assert (apply_move(plane, move=Move(b=0.1, c=-1e8), width=9, height=9) == 0).all()


def test_colour_is_three_greys_and_nothing_is_altered() -> None:
    plane = np.random.default_rng(3).random((25, 35, 3))
    before = plane.copy()
    for move in (Move(c=0.4, f=0.2), Move(b=0.03, c=0.4)):
        colour = apply_move(plane, move=move, width=35, height=25)
        assert colour.dtype == np.float32
        for channel in range(3):
            grey = apply_move(plane[:, :, channel], move=move, width=35, height=25)
            assert np.array_equal(grey, colour[:, :, channel])
    assert np.array_equal(before, plane)


def test_nan_stays_where_its_taps_reach() -> None:
    plane = np.full((40, 40), 0.5)
    plane[20, 20] = np.nan
    unknown = np.isnan(apply_move(plane, move=Move(c=0.5, f=0.5), width=40, height=40))
    assert unknown[14:26, 14:26].all()
    unknown[14:26, 14:26] = False
    assert not unknown.any()


numbers = st.floats(-50, 50)
factors = st.floats(0.5, 2) | st.floats(-2, -0.5)
moves = st.builds(
    Move, a=factors, b=st.floats(-0.4, 0.4), c=numbers, d=st.floats(-0.4, 0.4), e=factors, f=numbers
)


@given(moves, moves, numbers, numbers)
def test_composed_move_is_one_after_the_other(first: Move, second: Move, x: float, y: float) -> None:
    assert compose_moves(first, second).place(x, y) == pytest.approx(
        second.place(*first.place(x, y)), abs=1e-9
    )


@given(moves, numbers, numbers)
def test_inverse_leads_back(move: Move, x: float, y: float) -> None:
    assert invert_move(move).place(*move.place(x, y)) == pytest.approx((x, y), abs=1e-9)


def test_phase_table_is_fine_enough() -> None:
    table = phase_table()
    centre = (table.astype(float) * TAP).sum(axis=1)
    assert np.abs(centre - np.arange(4096) / 4096).max() < 1e-6
    assert 0.5 / 4096 < 0.001  # rounding of the fraction: well inside a thousandth of a pixel


@pytest.mark.parametrize(
    ("shape", "move", "size"),
    [
        ((10, 10, 2), Move(), (5, 5)),
        ((10,), Move(), (5, 5)),
        ((0, 10), Move(), (5, 5)),
        ((10, 10), Move(), (0, 5)),
        ((10, 10), Move(a=0.0), (5, 5)),
        ((10, 10), Move(a=1.0, b=1.0, d=1.0, e=1.0), (5, 5)),
        ((10, 10), Move(c=np.nan), (5, 5)),
    ],
)
def test_nonsense_is_refused(shape: tuple[int, ...], move: Move, size: tuple[int, int]) -> None:
    with pytest.raises(CallerError):
        apply_move(np.zeros(shape), move=move, width=size[0], height=size[1])
