"""Spots and Newton's rings that stand still before the sensor, over drawn scenes that come and go."""

import numpy as np
import pytest

from smallgauge.analyse import standing
from smallgauge.analyse.standing import WHILE_RUNNING, StandingLooks, standing_told
from smallgauge.picture.standing import StandingSums, add_sheet, find_standing, make_standing_sheet
from smallgauge.record.capture import PictureAreaPx

HIGH, WIDE, AREA = 180, 240, (0, 0, 239, 179)


def wide_view(random):
    """A wide view of 1/f texture with hard-edged shapes, linear light."""
    fy, fx = np.fft.fftfreq(HIGH + 60)[:, None], np.fft.rfftfreq(WIDE + 60)[None, :]
    frequency = np.maximum(np.hypot(fy, fx), 1 / WIDE)
    spectrum = np.exp(2j * np.pi * random.random(frequency.shape)) / frequency**1.5
    view = np.fft.irfft2(spectrum, s=(HIGH + 60, WIDE + 60))
    view = 0.35 * view / view.std()
    for _ in range(12):
        y, x, h, w = (int(v) for v in random.uniform((0, 0, 6, 6), (HIGH, WIDE, 60, 60)))
        view[y : y + h, x : x + w] += random.normal(0, 0.5)
    return 0.2 * np.exp(view)


def capture(mask, *, seed, scenes=16, same=False):
    """Sums of 48 frames of scenes that pan, seen through what stands still: `mask` multiplies the light."""
    random, sums = np.random.default_rng(seed), StandingSums()
    view = wide_view(random)
    for n in range(48):
        if n % (48 // scenes) == 0 and not same:
            view = wide_view(random)
        x, y = (30, 30) if same else random.integers(0, 60, 2)
        light = view[y : y + HIGH, x : x + WIDE] * random.normal(1, 0.06, (HIGH, WIDE)) * mask
        add_sheet(sums, make_standing_sheet(np.clip(light, 0, 1).astype(np.float32)), group=n // 8)
    return sums


def rings(x_px, y_px, first_px, contrast):
    """Newton's rings: the phase grows as the square of the radius (textbook: r = sqrt(m lambda R))."""
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    return 1 + contrast * np.cos(2 * np.pi * ((x - x_px) ** 2 + (y - y_px) ** 2) / first_px**2)


def test_spots_are_found_at_their_place_and_dirt_on_the_film_is_not():
    mask = np.ones((HIGH, WIDE))
    mask[60:63, 80:83], mask[120, 200] = 0.6, 1.8  # dust; a hot pixel
    found = find_standing(capture(mask, seed=1), area=AREA)
    assert found.groups == 6 and found.rings is None and len(found.spots) == 2
    hot, dust = sorted(found.spots, key=lambda spot: spot.pixels)
    assert (hot.x_px, hot.y_px) == (200, 120) and hot.depth > 0.4
    assert (round(dust.x_px), round(dust.y_px)) == (81, 61) and dust.depth == pytest.approx(-0.4, abs=0.08)
    clean = find_standing(capture(np.ones((HIGH, WIDE)), seed=2), area=AREA)
    assert clean.spots == () and clean.rings is None and clean.groups == 6


@pytest.mark.parametrize(("x", "y", "first"), [(120, 90, 36), (40, 150, 30)])
def test_faint_rings_are_found_about_their_middle(x, y, first):
    found = find_standing(capture(rings(x, y, first, 0.05), seed=first), area=AREA)
    assert found.rings is not None
    assert found.rings.x_px == pytest.approx(x, abs=12) and found.rings.y_px == pytest.approx(y, abs=12)
    assert found.rings.first_px == pytest.approx(first, rel=0.1)


def test_a_picture_that_stands_still_tells_nothing():
    """A camera on a tripod: its picture stands still as the machine's dirt does."""
    found = find_standing(capture(np.ones((HIGH, WIDE)), seed=3, same=True), area=AREA)
    assert (found.spots, found.rings, found.groups) == ((), None, 0)


def test_what_is_said(seed=4):
    mask = rings(120, 90, 36, 0.05)
    mask[60:63, 80:83] *= 0.5
    sums = capture(mask, seed=seed)
    area = PictureAreaPx(left=-100, right=139, top=-80, bottom=99, measured=())
    spots, ringed = standing_told(sums, area=area, place=(100.0, 80.0), codes=WHILE_RUNNING)
    assert (spots.code, ringed.code) == ("now spots stand still", "now rings stand still")
    assert spots.values["count"] == 1 and spots.values["places"] == ["column 81 row 61"]


def looks_at(looks, views, mask, *, seed, count):
    """Let `follow` look at so many frames of each view, through what stands still."""
    random = np.random.default_rng(seed)
    area = PictureAreaPx(left=-100, right=139, top=-80, bottom=99, measured=())
    told = []
    for view in views:
        for _ in range(count):
            x, y = random.integers(0, 60, 2)
            light = view[y : y + HIGH, x : x + WIDE] * random.normal(1, 0.06, (HIGH, WIDE)) * mask
            looks.look(np.clip(light, 0, 1).astype(np.float32), area=area, place=(100.0, 80.0))
        told.append([finding.code for finding in looks.told])
    return told


def test_follow_tells_dust_and_rings_while_the_film_runs_however_late_they_come(monkeypatch):
    monkeypatch.setattr(standing, "GROUP_FRAMES", 8)  # so that it takes less time
    random = np.random.default_rng(9)
    views = [wide_view(random) for _ in range(6)]
    clean, dusty = np.ones((HIGH, WIDE)), rings(120, 90, 36, 0.05)
    dusty[60:63, 80:83] *= 0.5
    looks = StandingLooks()
    grey = np.full((HIGH + 60, WIDE + 60), 0.2)
    assert looks_at(looks, [grey], clean, seed=1, count=48) == [[]]  # a long leader fills all groups
    assert looks_at(looks, views, clean, seed=2, count=8)[-1] == []
    assert looks_at(looks, views, dusty, seed=3, count=8)[-1] == list(WHILE_RUNNING)
    assert looks.told[0].values["places"] == ["column 81 row 61"]
