"""Still background followed through finished frames: drawn textures with known places, subjects, pans, boiling water."""

import numpy as np
import pytest
from scipy import ndimage

from smallgauge.errors import CallerError
from smallgauge.gauge.geometry import FilmScale
from smallgauge.picture.alignment import measure_displacement
from smallgauge.picture.background import (
    make_background_picture,
    measure_background,
    measure_unsteadiness,
)
from smallgauge.picture.kernels_follow import agree_shifted
from smallgauge.picture.resample import Move, apply_move

SIZE = (200, 150)
BOX = (0, 0, *SIZE)
SCALE = FilmScale(across_px_per_mm=100.0, along_px_per_mm=100.0)
STILL_MOVE = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)


def texture(seed, size=(400, 350), blur=3.0):
    random = np.random.default_rng(seed)
    plane = ndimage.gaussian_filter(random.normal(size=size[::-1]), blur)
    return (0.5 + 0.15 * plane / plane.std()).astype(np.float32)


def film(places, *, subject=None, seed=1, noise=0.01):
    """Pictures of one background whose content lies at these places (px) against the first."""
    back = texture(seed)
    random = np.random.default_rng(seed + 100)
    for number, (x, y) in enumerate(places):
        picture = apply_move(back, move=Move(c=60 - x, f=60 - y), width=SIZE[0], height=SIZE[1]).astype(float)
        if subject is not None:
            subject(picture, number)
        picture += random.normal(0, noise, picture.shape)
        yield np.repeat((np.clip(picture, 0, 1) * 4095).astype(np.uint16)[:, :, None], 3, axis=2)


def steps_of(pictures):
    before, out = None, []
    for picture in pictures:
        now = make_background_picture(picture, box=BOX)
        out.append(measure_background(before, now, box=BOX))
        before = now
    return np.array(out)


def figures(steps, *, moves=None, follows=None):
    count = len(steps)
    (across, along), runs = measure_unsteadiness(
        steps,
        np.tile(STILL_MOVE, (count, 1)) if moves is None else moves,
        follows=np.arange(count) > 0 if follows is None else follows,
        scale=SCALE,
        picture_px=SIZE,
        run_frames=20,
    )
    return across, along, runs


def jump(places):
    rest = places[1:-1] - (places[:-2] + places[2:]) / 2
    return float(np.sqrt(np.mean(np.square(rest)) / 1.5))


def disc(picture, number):
    """A subject over a sixth of the picture that walks through it."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    inside = np.hypot(x - 20 - 4 * number, y - 80) < 40
    picture[inside] = 0.2 + 0.6 * (((x // 9 + y // 7) % 2)[inside])


@pytest.mark.parametrize("subject", [None, disc])
def test_what_is_left_after_registration_is_measured(subject):
    places = np.random.default_rng(3).normal(0, 0.4, (40, 2))
    across, along, _ = figures(steps_of(film(places, subject=subject)))
    assert along.evidence == "still background" and along.frames >= 30
    assert across.after_jump_um == pytest.approx(10 * jump(places[:, 0]), rel=0.12)
    assert along.after_jump_um == pytest.approx(10 * jump(places[:, 1]), rel=0.12)
    assert along.after_share == pytest.approx(along.after_jump_um / 10 / SIZE[1])


def test_a_film_that_stands_still_is_still():
    across, along, _ = figures(steps_of(film(np.zeros((30, 2)))))
    assert max(across.after_jump_um, along.after_jump_um) < 0.4  # 0.04 px: the noise's own
    assert along.sigma_um < 1.0


def test_before_is_what_the_moves_took_out():
    """The finished background stands still; the capture's jumped by what each frame's move says."""
    weave = np.random.default_rng(5).normal(0, 3, (40, 2))
    moves = np.tile(STILL_MOVE, (40, 1))
    moves[:, 2], moves[:, 5] = weave[:, 0], weave[:, 1]
    across, along, runs = figures(steps_of(film(np.zeros((40, 2)))), moves=moves)
    assert across.before_jump_um == pytest.approx(10 * jump(weave[:, 0]), rel=0.05)
    assert along.before_jump_um == pytest.approx(10 * jump(weave[:, 1]), rel=0.05)
    assert along.after_jump_um < 0.02 * along.before_jump_um
    assert [(run.first, run.stop) for run in runs] == [(0, 20), (20, 40)]
    assert runs[1].before_along_um == pytest.approx(10 * jump(weave[19:, 1]), rel=0.05)


def test_a_slow_pan_and_a_swaying_hand_are_no_jump():
    n = np.arange(60)
    pan = np.stack([0.35 * n, 1.2 * np.sin(2 * np.pi * 0.43 * n / 18)], axis=1)
    across, along, _ = figures(steps_of(film(pan)))
    assert across.frames > 40
    assert max(across.after_jump_um, along.after_jump_um) < 0.6


def test_a_fast_pan_tells_nothing():
    across, along, _ = figures(steps_of(film(np.stack([2.0 * np.arange(40), np.zeros(40)], axis=1))))
    assert across.evidence == along.evidence == "nothing" and np.isnan(along.after_jump_um)


def test_where_nothing_stands_still_nothing_is_told():
    """Water, leaves, a crowd: every part goes its own way."""
    random = np.random.default_rng(8)
    planes = [texture(n, size=SIZE, blur=2.5) for n in range(4)]

    def boil(picture, number):
        picture[:] = sum(np.cos(number * (0.7 + 0.3 * k)) * plane for k, plane in enumerate(planes)) / 4 + 0.5
        picture += 0.03 * ndimage.gaussian_filter(random.normal(size=picture.shape), 2) / 0.14

    across, along, runs = figures(steps_of(film(np.zeros((40, 2)), subject=boil)))
    assert across.evidence == along.evidence == "nothing"
    assert np.isnan(runs[0].after_along_um)
    dark = steps_of(np.zeros((30, SIZE[1], SIZE[0], 3), np.uint16))
    assert np.isnan(dark).all() and figures(dark)[1].evidence == "nothing"


def test_cuts_repeats_and_gaps_are_no_steps():
    places = np.random.default_rng(9).normal(0, 0.3, (40, 2))
    places[20:] += 15.0  # the camera was moved
    steps = steps_of(film(places))
    follows = np.arange(40) > 0
    follows[20] = False
    _, along, _ = figures(steps, follows=follows)
    assert along.after_jump_um == pytest.approx(10 * jump(places[:20, 1]), rel=0.35)
    assert along.standing_out == 0


def test_one_picture_that_jumps_is_counted():
    places = np.random.default_rng(10).normal(0, 0.1, (60, 2))
    _, quiet, _ = figures(steps_of(film(places)))
    places[30, 1] += 6.0
    _, along, _ = figures(steps_of(film(places)))
    assert 1 <= along.standing_out <= 3 and quiet.standing_out == 0
    assert along.after_jump_um == pytest.approx(quiet.after_jump_um, rel=0.1)
    assert along.after_99_um > 10 * along.after_jump_um


def test_pictures_too_small_and_arrays_that_differ():
    small = np.ones((20, 30))
    assert np.isnan(measure_background(small, small, box=(0, 0, 30, 20))).all()
    with pytest.raises(CallerError, match="one number of frames"):
        measure_unsteadiness(
            np.zeros((5, 3)),
            np.zeros((4, 6)),
            follows=np.ones(5, bool),
            scale=SCALE,
            picture_px=SIZE,
            run_frames=9,
        )


def test_compiled_steps_agree_with_the_plain_ones():
    """The same places as `measure_displacement`, which reads every pixel in double precision, and the truth."""
    back, random = texture(12).astype(float) * 1000, np.random.default_rng(13)
    for x, y in random.normal(0, 3, (6, 2)):
        pair = [
            plane[60:210, 60:260] + random.normal(0, 5, (150, 200))
            for plane in (back, ndimage.shift(back, (y, x), order=5))
        ]
        plain = measure_displacement(*pair)
        found = measure_background(*pair, box=(0, 0, 160, 120))
        assert found[:2] == pytest.approx((plain.x_px, plain.y_px), abs=0.004)  # REST_PX
        assert found[:2] == pytest.approx((x, y), abs=5 * plain.sigma_px + 0.004)
        assert found[2] == pytest.approx(plain.sigma_px, rel=0.25)


@pytest.mark.parametrize("move", [(0, 0), (3, -2), (-5, 4), (0, 7)])
def test_agreement_is_the_correlation_of_what_both_planes_show(move):
    x, y = move
    one, other = texture(3, (60, 50)), texture(4, (60, 50))
    height, width = one.shape
    shown = (slice(max(-y, 0), height - max(y, 0)), slice(max(-x, 0), width - max(x, 0)))
    beyond = (slice(max(y, 0), height - max(-y, 0)), slice(max(x, 0), width - max(-x, 0)))
    wanted = np.corrcoef(one[shown].ravel(), other[beyond].ravel())[0, 1]
    assert agree_shifted(one, other, x, y) == pytest.approx(wanted, abs=1e-6)
    assert agree_shifted(one, np.ones_like(one), x, y) == 0.0
    assert agree_shifted(one, other, 60, 0) == 0.0


def test_the_background_is_the_mean_of_the_channels():
    codes = np.random.default_rng(7).integers(0, 65536, (60, 400, 3)).astype(np.uint16)
    blocks = codes[:, 4:388].reshape(30, 2, 192, 2, 3).mean(axis=(1, 3)).astype(np.float32)
    made = make_background_picture(codes, box=(4, 0, 388, 60))
    assert np.array_equal(made, blocks.mean(axis=2, dtype=np.float32))
