"""Film frames out of a video of another rate: rhythm, fields, mixtures, against drawn truth."""

from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.mixtures import apply_unblend, find_blend_shares, measure_blend
from smallgauge.picture.recovery import RecoveryMeter, find_cadence, find_film_frames, measure_combing

NAN = np.full(400, np.nan)


def columns(shown, *, same=0.55, new=0.1, noise=0.12, seed=1):
    """Columns as a poor coder leaves them: grain correlation of neighbours and of every second picture."""
    random = np.random.default_rng(seed)
    shown = np.asarray(shown)
    likeness = [
        np.where(np.r_[np.full(back, -1), shown[:-back]] == shown, same, new)
        + random.normal(0, noise, shown.size)
        for back in (1, 2)
    ]
    unknown = np.full(shown.size, np.nan)
    return {"match": likeness[0], "match_skip": likeness[1], "change": unknown, "change_skip": unknown}


def taken_once(new, shown):
    counts = np.bincount(np.asarray(shown)[new], minlength=int(np.max(shown)) + 1)
    return float(np.mean(counts[np.unique(shown)] == 1))


# The even repeats of the picture science note, section g, and of a film run at the video's own field rate.
@pytest.mark.parametrize(
    ("film", "video"),
    [("16", "25"), ("18", "25"), ("50/3", "25"), ("20", "25"), ("24", "25"), ("18", "30"), ("24000/1001", "30000/1001"),
     ("16", "30000/1001"), ("18", "50"), ("50/3", "50"), ("24000/1001", "60000/1001"), ("15", "60")],
)  # fmt: skip
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.campaign)])
def test_every_usual_rhythm_is_found_at_any_phase(film, video, seed):
    step = Fraction(film) / Fraction(video)
    shown = [int(n * step + Fraction(seed, 7)) for n in range(400)]
    cadence = find_cadence(**columns(shown, seed=seed), picture_rate=Fraction(video))
    assert cadence.rate == Fraction(film)
    assert taken_once(cadence.new, shown) == 1.0


def test_one_pair_decides_little_and_the_rhythm_all():
    shown = [n * 18 // 25 for n in range(400)]
    noisy = columns(shown, same=0.3, noise=0.15)
    by_level = max(
        taken_once(np.r_[True, (noisy["match"] < level)[1:]], shown) for level in np.arange(0, 0.5, 0.01)
    )
    cadence = find_cadence(**noisy, picture_rate=Fraction(25))
    assert cadence.rate == 18 and taken_once(cadence.new, shown) == 1.0 and by_level < 0.8


def test_a_cut_in_the_video_and_a_drifting_rate_are_followed():
    shown = np.array([n * 18 // 25 for n in range(400)])
    shown[200:] += 3 + (np.arange(200) * 18 + 11) // 25 - (np.arange(200) + 200) * 18 // 25 + 144
    cadence = find_cadence(**columns(shown), picture_rate=Fraction(25))
    assert cadence.rate == 18
    assert np.count_nonzero(cadence.new != (np.diff(shown, prepend=-1) != 0)) <= 2
    drifting = [int(n * 0.7257) for n in range(400)]  # 18.14 frames a second
    cadence = find_cadence(**columns(drifting), picture_rate=Fraction(25))
    assert taken_once(cadence.new, drifting) > 0.98


def test_no_rhythm_is_no_answer():
    shown = list(range(400))
    for seed in range(2):
        cadence = find_cadence(**columns(shown, seed=seed), picture_rate=Fraction(25))
        assert cadence.rate is None and cadence.reason and cadence.new.all()
    nothing = find_cadence(match=NAN, match_skip=NAN, change=NAN, change_skip=NAN, picture_rate=Fraction(25))
    assert nothing.rate is None


def test_nonsense_is_refused():
    with pytest.raises(CallerError, match="one length"):
        find_cadence(match=NAN, match_skip=NAN[1:], change=NAN, change_skip=NAN, picture_rate=Fraction(25))
    with pytest.raises(CallerError, match="positive"):
        find_cadence(match=NAN, match_skip=NAN, change=NAN, change_skip=NAN, picture_rate=Fraction(0))


def test_pictures_of_a_film_frame_and_the_best_of_them():
    new = np.array([True, False, False, True, True, False])
    assert find_film_frames(new, np.array([1.0, 3.0, 2.0, np.nan, 5.0, 4.0])) == (
        (0, 3, 1),
        (3, 4, 3),
        (4, 6, 4),
    )


def film(seed, *, height=120, width=160):
    """Two film frames of one still scene: the same picture, each with its own grain."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    scene = 0.45 + 0.2 * np.sin(x / 17) * np.cos(y / 23)
    return [(scene + random.normal(0, 0.05, scene.shape)).astype(np.float32) for _ in range(4)]


def test_a_still_scene_is_told_by_its_grain_alone():
    frames, random = film(3), np.random.default_rng(4)
    meter = RecoveryMeter(160, 120)
    readings = [
        meter.measure((frames[n] + random.normal(0, 0.01, frames[n].shape)).astype(np.float32))
        for n in (0, 0, 1, 2, 2)
    ]
    match = [reading.match for reading in readings]
    assert np.isnan(match[0]) and min(match[1], match[4]) > 0.8 and max(match[2], match[3]) < 0.35


def test_mixtures_are_told_from_frames_and_taken_apart():
    a, x, c, other = film(5)
    mixture = 0.35 * a + 0.65 * x
    assert measure_blend(a, mixture, x).mixed and measure_blend(a, mixture, x).share == pytest.approx(
        0.35, abs=0.01
    )
    assert not measure_blend(a, other, x).mixed and not measure_blend(a, a, x).mixed
    random = np.random.default_rng(6)
    first, second = (
        (part + random.normal(0, 0.004, part.shape)).astype(np.float32)
        for part in (0.45 * a + 0.55 * x, 0.7 * x + 0.3 * c)
    )
    p, q, rest = find_blend_shares(a, first, second, c)
    assert p == pytest.approx(0.55, abs=0.03) and q == pytest.approx(0.7, abs=0.03) and rest < 0.1
    found = apply_unblend(a, first, second, c, share_first=p, share_second=q)
    assert float(np.std(found - x)) < 0.15 * float(np.std(first - x))  # the mixture itself is far from it
    for one, two in ((first, other), (other, second), (other, c), (first, c)):  # a film frame is no mixture
        assert np.isnan(find_blend_shares(a, one, two, c)[:2]).all()
    with pytest.raises(CallerError, match="share"):
        apply_unblend(a, first, second, c, share_first=0.2, share_second=0.3)


def test_two_fields_in_a_frame_are_seen():
    a, b = film(7)[0], np.roll(film(8)[0], 9, axis=1)
    woven = a.copy()
    woven[1::2] = b[1::2]
    assert measure_combing(a) < 0.25 < measure_combing(woven)
