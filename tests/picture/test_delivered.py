"""A copy's codes as stored: levels by EBU R 103 on its borders, conversion against an independent library."""

import numpy as np
import pytest

from smallgauge.picture.delivered import (
    LEAST_LEVEL,
    LIGHT_CURVE,
    MOST_LEVEL,
    MOST_OUT,
    StoredColour,
    find_black,
    find_still,
    measure_delivered,
    plan_reading,
)

WIDE, HIGH = 200, 100
EIGHT = StoredColour(bits=8, full_range=False, red_weight=0.2126, blue_weight=0.0722, step_x=2, step_y=2)
TEN = StoredColour(bits=10, full_range=False, red_weight=0.2126, blue_weight=0.0722, step_x=1, step_y=1)
PLAN = plan_reading(width=WIDE, height=HIGH, box=(0, 0, WIDE, HIGH), tiles=(10, 20))


def seen(luma, blue=None, red=None, how=EIGHT):
    kind = np.uint8 if how.bits == 8 else np.uint16
    shape = HIGH // how.step_y, WIDE // how.step_x
    middle = np.full(shape, 2 ** (how.bits - 1), kind)
    return measure_delivered(
        np.broadcast_to(np.asarray(luma, kind), (HIGH, WIDE)).copy(),
        middle if blue is None else np.full(shape, blue, kind),
        middle if red is None else np.full(shape, red, kind),
        colour=how,
        plan=PLAN,
    )


@pytest.mark.parametrize(
    ("code", "out"), [(4, True), (5, False), (16, False), (235, False), (246, False), (247, True)]
)
def test_levels_of_8_bits(code, out):
    """EBU R 103 v3.0: 5 to 246."""
    assert (max(seen(code).outside) > MOST_OUT) is out


@pytest.mark.parametrize(("code", "out"), [(19, True), (20, False), (984, False), (985, True)])
def test_levels_of_10_bits(code, out):
    """EBU R 103 v3.0: 20 to 984."""
    assert (max(seen(code, how=TEN).outside) > MOST_OUT) is out


@pytest.mark.parametrize(("share", "out"), [(0.009, False), (0.010, False), (0.011, True)])
def test_one_per_cent_of_the_picture_may_lie_outside(share, out):
    luma = np.full(WIDE * HIGH, 128)
    luma[: round(share * luma.size)] = 250
    assert (max(seen(luma.reshape(HIGH, WIDE)).outside) > MOST_OUT) is out


def test_ycbcr_in_range_can_be_rgb_out_of_range():
    """Y of 200 with Cr of 200: R' is 16 + 219 (0.840 + 0.506), far above 246, while Y' and Cr lie inside."""
    r, g, b, y = seen(200, red=200).outside
    assert (r, y) == (1.0, 0.0)
    assert (g, b) == (0.0, 0.0)


@pytest.mark.parametrize("stored", [(81, 90, 240), (145, 54, 34), (41, 240, 110), (180, 128, 128)])
def test_conversion_against_an_independent_library(stored):
    """R'G'B' of Y'CbCr 8-bit codes by BT.709, as colour-science converts them."""
    import colour

    cells = seen(stored[0], blue=stored[1], red=stored[2]).cells
    needed = colour.YCbCr_to_RGB(
        np.array(stored),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_bits=8,
        in_legal=True,
        in_int=True,
        out_bits=8,
        out_legal=False,
    )
    assert np.allclose(cells[0, 0], np.clip(needed, 0, 1), atol=2e-6)


def test_cells_and_tiles_are_means():
    luma = np.tile(np.arange(WIDE) % 100 + 60, (HIGH, 1))
    reading = seen(luma)
    value = (luma - 16) / 219
    assert np.allclose(reading.cells[:, :, 1], value, atol=1e-6)  # 200 wide: one pixel a cell
    tiles = value.reshape(10, 10, 20, 10).mean(axis=(1, 3))
    assert np.allclose(reading.tiles[:, :, 1], tiles, atol=1e-6)
    assert np.allclose(reading.screen.luminance, 200 * value**2.4, rtol=0.01, atol=0.02)


def test_a_picture_in_the_middle_of_a_wider_canvas():
    plan = plan_reading(width=WIDE, height=HIGH, box=(20, 0, 160, HIGH), tiles=(10, 16))
    luma = np.full((HIGH, WIDE), 16, np.uint8)
    luma[:, 20:180] = 126
    grey = np.full((50, 100), 128, np.uint8)
    reading = measure_delivered(luma, grey, grey, colour=EIGHT, plan=plan)
    assert np.allclose(reading.tiles, 110 / 219, atol=1e-6)
    assert reading.cells[:, :18].max() == pytest.approx(0, abs=1e-9)


def test_black_and_still():
    dark, grey = seen(30).cells, seen(90).cells
    assert find_black(dark) and not find_black(grey)
    assert find_still(grey, grey) and not find_still(dark, grey) and not find_still(None, grey)
    chance = np.random.default_rng(3)
    assert not find_still(grey, (grey + chance.normal(0, 0.004, grey.shape)).astype(np.float32))


def test_light_is_the_display_s_power():
    """ITU-R BT.1886, annex 1: v^2.4; within 0.013 cd/m2 of a screen of 200, and no darker value ever lighter."""
    v = np.linspace(0, 1, 100_001, dtype=np.float32)
    light = v * v * np.polynomial.polynomial.polyval(v, np.array(LIGHT_CURVE, np.float32))
    assert np.abs(light - v.astype(float) ** 2.4).max() * 200 < 0.013
    assert light[0] == 0.0
    assert np.diff(np.polynomial.polynomial.polyval(np.linspace(0, 1, 1001), (0, 0, *LIGHT_CURVE))).min() > 0


def plainly(planes, how, plan):
    """The same by plain NumPy in double precision: cells, tiles, light of cells, pixels out of range."""
    luma, blue, red = (plane.astype(float) for plane in planes)
    high, wide = luma.shape
    scale = 2 ** (how.bits - 8)
    blue, red = (
        ((plane - 128 * scale) / (224 * scale)).repeat(how.step_y, 0).repeat(how.step_x, 1)[:high, :wide]
        for plane in (blue, red)
    )
    y, kr, kb = (luma - 16 * scale) / (219 * scale), how.red_weight, how.blue_weight
    kg = 1 - kr - kb
    rgb = np.stack(
        [
            y + 2 * (1 - kr) * red,
            y - 2 * kb * (1 - kb) / kg * blue - 2 * kr * (1 - kr) / kg * red,
            y + 2 * (1 - kb) * blue,
        ],
        axis=2,
    )
    each = np.dstack([rgb, y])
    outside = ((each < LEAST_LEVEL - 1e-6) | (each > MOST_LEVEL + 1e-6)).sum(axis=(0, 1))
    rgb = np.clip(rgb, 0, 1)
    cells = np.zeros((*plan.cell_pixels.shape[:2], 3))
    tiles = np.zeros((*plan.tile_pixels.shape[:2], 3))
    light = np.zeros_like(cells)
    column = np.concatenate([np.full(stop - first, n) for n, (first, stop, _, _) in enumerate(plan.runs)])
    lit = rgb.copy()
    if how.step_x > 1:  # the pixels of one colour sample shine as their mean, two by two
        lit[:, : wide // 2 * 2] = (
            rgb[:, : wide // 2 * 2].reshape(high, wide // 2, 2, 3).mean(axis=2).repeat(2, 1)
        )
    np.add.at(cells, (plan.rows[:, :1], plan.runs[column, 2][None]), rgb)
    np.add.at(light, (plan.rows[:, :1], plan.runs[column, 2][None]), lit**2.4)
    inside = (plan.rows[:, 1] >= 0)[:, None] & (plan.runs[column, 3] >= 0)[None]
    rows, columns = np.nonzero(inside)
    np.add.at(tiles, (plan.rows[rows, 1], plan.runs[column[columns], 3]), rgb[rows, columns])
    return cells / plan.cell_pixels, tiles / plan.tile_pixels, light / plan.cell_pixels, outside


@pytest.mark.parametrize("steps", [(1, 1), (2, 1), (2, 2), (4, 1), (1, 2)])
@pytest.mark.parametrize(("bits", "size"), [(8, (363, 101)), (10, (724, 90))])
def test_one_pass_against_plain_numpy(steps, bits, size):
    """Grain over the whole range of codes, odd sizes, every sub-sampling: nothing is counted otherwise, nothing lost."""
    chance = np.random.default_rng(6)
    kind, (wide, high) = np.uint8 if bits == 8 else np.uint16, size
    small = -(-high // steps[1]), -(-wide // steps[0])
    planes = [
        np.clip(chance.normal(2 ** (bits - 1), spread * 2**bits, shape), 0, 2**bits - 1).astype(kind)
        for spread, shape in ((0.25, (high, wide)), (0.06, small), (0.06, small))
    ]
    how = StoredColour(
        bits=bits, full_range=False, red_weight=0.2126, blue_weight=0.0722, step_x=steps[0], step_y=steps[1]
    )
    plan = plan_reading(width=wide, height=high, box=(13, 4, wide - 30, high - 9), tiles=(6, 8))
    found = measure_delivered(*planes, colour=how, plan=plan)
    cells, tiles, light, outside = plainly(planes, how, plan)
    assert (np.array(found.outside) * wide * high).round().tolist() == outside.tolist()
    assert np.abs(found.cells - cells).max() < 2e-6
    assert np.abs(found.tiles - tiles).max() < 2e-6
    weights = np.array([0.2126, 0.7152, 0.0722])
    assert np.abs(found.screen.luminance - 200 * light @ weights).max() < 0.013
