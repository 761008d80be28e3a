"""Pictures between two frames against drawn truth, where they must not be made, and their places by exact arithmetic."""

from fractions import Fraction

import cv2
import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.between import UNMATCHED_SHARE, apply_between, solve_between_places
from smallgauge.picture.cadence import solve_scene_repeat
from smallgauge.picture.synthetic_scenes import draw_scene
from smallgauge.picture.synthetic_shapes import View

HEIGHT, WIDTH, MOST = 240, 320, 4095


def scene(kind: str, time_s: float, width: int = WIDTH) -> np.ndarray:
    view = View(x_px=(width - 1) / 2, y_px=(HEIGHT - 1) / 2, scale_px=float(HEIGHT))
    planes = draw_scene(kind, time_s, view, (HEIGHT, width), half_width=width / HEIGHT / 2, seed=1)
    return np.clip(np.moveaxis(planes, 0, 2).astype(np.float64), 0, 1) ** (1 / 2.4)


def codes(picture: np.ndarray) -> np.ndarray:
    return np.rint(np.clip(picture, 0, 1) * MOST).astype(np.uint16)


def panned(shift: float) -> np.ndarray:
    """A wide still seen from another place: the true picture of any moment of a steady pan."""
    x = np.arange(WIDTH, dtype=np.float32)[None].repeat(HEIGHT, 0) + np.float32(shift)
    y = np.arange(HEIGHT, dtype=np.float32)[:, None].repeat(WIDTH, 1)
    return codes(cv2.remap(scene("garden", 0.0, WIDTH + 60), x, y, cv2.INTER_LANCZOS4))


def psnr(one: np.ndarray, two: np.ndarray) -> float:
    inner = (slice(16, -16), slice(16, -16))
    off = one[inner].astype(np.float64) - two[inner]
    return 20 * np.log10(MOST / np.sqrt(np.mean(off**2)))


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
@pytest.mark.parametrize("step_px", [3.7, 11.3])
def test_a_pan_is_where_it_was_at_that_moment(step_px, share):
    made = apply_between(panned(0.0), panned(step_px), bits=12, shares=[share])
    truth = panned(share * step_px)
    assert psnr(made.pictures[0], truth) > 50.0 > psnr(panned(0.0), truth) + 15.0


@pytest.mark.parametrize(("kind", "least_db"), [("garden", 34.0), ("road", 45.0), ("birthday", 45.0)])
def test_people_and_a_car_beside_the_plain_repeat(kind, least_db):
    first, truth, second = (codes(scene(kind, 1.5 + n / 36)) for n in range(3))
    made = apply_between(first, second, bits=12, shares=[0.5])
    got = psnr(made.pictures[0], truth)
    assert got > least_db and got > psnr(first, truth) + 2.0


def test_grain_does_not_keep_a_pan_from_coming_home():
    random = np.random.default_rng(3)
    grain = [0.02 * MOST * random.standard_normal((HEIGHT, WIDTH, 3)) for _ in range(2)]
    first, second = (
        np.clip(panned(shift) + each, 0, MOST).astype(np.uint16)
        for shift, each in zip((0.0, 7.3), grain, strict=True)
    )
    made = apply_between(first, second, bits=12, shares=[0.5])
    assert made.pictures and psnr(made.pictures[0], panned(3.65)) > 33.0


@pytest.mark.parametrize(("one", "other"), [("garden", "road"), ("birthday", "sea"), ("sea", "garden")])
def test_nothing_lies_between_two_scenes(one, other):
    made = apply_between(codes(scene(one, 1.0)), codes(scene(other, 1.0)), bits=12, shares=[0.5])
    assert made.pictures == () and made.unmatched_share > 5 * UNMATCHED_SHARE


def test_the_frames_are_left_alone_and_the_threads_too():
    first, second = panned(0.0), panned(4.0)
    before = first.copy(), second.copy(), cv2.getNumThreads()
    one, two = (apply_between(first, second, bits=12, shares=[0.5]).pictures[0] for _ in range(2))
    assert np.array_equal(first, before[0]) and np.array_equal(second, before[1])
    assert cv2.getNumThreads() == before[2] and np.array_equal(one, two)


@pytest.mark.parametrize(("film", "copy"), [(18, 50), (16, 25), (18, Fraction(60000, 1001)), (24, 60)])
def test_places_are_those_of_the_even_repeat_and_exact(film, copy):
    at, shares = solve_between_places([(90, Fraction(film))], copy_rate=Fraction(copy))
    assert at.tolist() == solve_scene_repeat([(90, Fraction(film))], copy_rate=Fraction(copy)).tolist()
    for j, (frame, share) in enumerate(zip(at.tolist(), shares, strict=True)):
        wanted = Fraction(j) / copy * film
        assert frame + share == (wanted if frame < 89 else 89)


def test_no_place_leads_from_one_scene_into_the_next():
    runs = [(5, Fraction(16)), (4, Fraction(24))]
    at, shares = solve_between_places(runs, copy_rate=Fraction(50))
    assert all(share == 0 for frame, share in zip(at.tolist(), shares, strict=True) if frame in (4, 8))
    assert at.tolist() == solve_scene_repeat(runs, copy_rate=Fraction(50)).tolist()


@pytest.mark.parametrize("copy", [18, 12, 0])
def test_a_copy_that_is_no_faster_is_refused(copy):
    with pytest.raises(CallerError, match=r"above the film's|positive rates"):
        solve_between_places([(10, Fraction(18))], copy_rate=Fraction(copy))
