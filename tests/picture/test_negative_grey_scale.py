"""A drawn grey scale on a masked negative, scanned and inverted, against the print that a laboratory would make of it.

The inversion knows nothing of the stock "second": neither its dyes nor its mask, its layers' curves or what a printer sees.
"""

from dataclasses import replace

import numpy as np
import pytest

from smallgauge.picture.dyefade import apply_dyefade
from smallgauge.picture.negative import (
    PRINT_WHITE,
    UNMIXING,
    apply_negative,
    print_density,
    propose_inversion,
    solve_inversion,
    solve_unmixing,
)
from smallgauge.picture.synthetic_negative import (
    GREY,
    SCANNERS,
    STOCKS,
    draw_laboratory_print,
    draw_negative,
    draw_printing_density,
    draw_scan,
)

SCALE = np.repeat(GREY * 10.0 ** np.linspace(-1.2, 0.7, 20)[:, None], 3, axis=1)
COLOURS = np.random.default_rng(5).uniform(-1.3, 0.4, (300, 3)) * [0.6, 0.6, 0.6] + np.log10(GREY)


def light_of(density):
    """Light of the finished picture: white the print's clear end, black what the negative's base prints."""
    white, black = PRINT_WHITE, float(print_density(np.zeros(1))[0])
    return (10.0 ** (white - density) - 10.0 ** (white - black)) / (1 - 10.0 ** (white - black))


def lab(density):
    colour = pytest.importorskip("colour")
    light = np.clip(light_of(density), 0.0, None)
    xyz = colour.RGB_to_XYZ(light, "ITU-R BT.709", apply_cctf_decoding=False)
    return colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])


def ciede2000(one, two):
    """Source: colour-science's CIEDE2000, held to the 34 pairs of Sharma, Wu and Dalal by its own tests."""
    colour = pytest.importorskip("colour")
    return colour.delta_E(lab(one), lab(two))


def scanned(exposure, stock, light):
    """Density as scanned; flare is taken off before, elsewhere."""
    return -np.log10(draw_scan(draw_negative(exposure, stock=STOCKS[stock]), light=light, noise=2e-5))


def scanned_clean(exposure, stock, light):
    return -np.log10(draw_scan(draw_negative(exposure, stock=stock), light=light))


def inverted(exposure, stock, light, picks=(), card=False):
    """As the program prints it; with `card` the last pick is a grey card, on which the laboratory's print is timed."""
    base = tuple(scanned(np.zeros((400, 3)), stock, light).mean(axis=0))
    proposed, _ = propose_inversion(base, light=light)
    greys = tuple(tuple(scanned(np.full((400, 3), pick), stock, light).mean(axis=0)) for pick in picks)
    decision = replace(proposed, greys=greys[:-1], card=greys[-1]) if card else replace(proposed, greys=greys)
    printing = apply_dyefade(scanned(exposure, stock, light), solve_unmixing(decision))
    return apply_negative(printing, solve_inversion(decision))


@pytest.mark.parametrize("light", SCANNERS)
def test_a_grey_scale_of_a_stock_like_the_typical_one_from_its_border_alone(light):
    off = ciede2000(inverted(SCALE, "first", light), draw_laboratory_print(SCALE, stock=STOCKS["first"]))
    assert off.mean() < 2.0
    assert off.max() < 2.6


@pytest.mark.parametrize("stock", STOCKS)
@pytest.mark.parametrize("light", SCANNERS)
def test_a_grey_scale_of_any_stock_with_a_grey_and_a_card_picked(stock, light):
    """The bar: 2."""
    truth = draw_laboratory_print(SCALE, stock=STOCKS[stock])
    printed = inverted(SCALE, stock, light, picks=(0.036, GREY), card=True)
    off = ciede2000(printed, truth)
    assert off.mean() < 2.0
    neutral = np.repeat(printed.mean(axis=1, keepdims=True), 3, axis=1)
    assert ciede2000(printed, neutral).max() < 2.0  # its colour alone


def test_without_greys_another_stock_has_a_cast_which_one_grey_takes_away():
    """Measured and stated in docs/guide/negatives.md: this is why a person has to see it."""
    neutral = {}
    for picks in ((), (0.18,)):
        printed = inverted(SCALE, "second", "narrow", picks)
        grey = np.repeat(printed.mean(axis=1, keepdims=True), 3, axis=1)
        neutral[len(picks)] = ciede2000(printed, grey).mean()
    assert 2.0 < neutral[0] < 10.0
    assert neutral[1] < 1.5


@pytest.mark.parametrize("light", SCANNERS)
def test_far_ahead_of_a_plain_reversal_of_the_code_values(light):
    """Baseline: light turned over, and each channel stretched from its darkest to its lightest."""
    truth = draw_laboratory_print(SCALE, stock=STOCKS["second"])
    turned = 1.0 - 10.0 ** -scanned(SCALE, "second", light)
    low, high = turned.min(axis=0), turned.max(axis=0)
    code = (turned - low) / (high - low)  # as gamma-coded picture
    white, black = PRINT_WHITE, float(print_density(np.zeros(1))[0])
    share = 10.0 ** (white - black)
    stretched = white - np.log10(code**2.4 * (1 - share) + share)
    ours = inverted(SCALE, "second", light, picks=(0.036, GREY), card=True)
    assert ciede2000(stretched, truth).mean() > 3 * ciede2000(ours, truth).mean()


@pytest.mark.parametrize("light", SCANNERS)
def test_colours_keep_their_hue_and_most_of_their_strength(light):
    """Of colours that the corrector's typical stock never saw."""
    exposure = 10.0**COLOURS
    truth = lab(draw_laboratory_print(exposure, stock=STOCKS["second"]))
    ours = lab(inverted(exposure, "second", light, picks=(0.036, GREY), card=True))
    strong = np.hypot(truth[:, 1], truth[:, 2]) > 20
    turned = np.degrees(
        np.angle(np.exp(1j * (np.arctan2(ours[:, 2], ours[:, 1]) - np.arctan2(truth[:, 2], truth[:, 1]))))
    )
    kept = np.hypot(ours[:, 1], ours[:, 2]) / np.hypot(truth[:, 1], truth[:, 2])
    assert np.median(np.abs(turned[strong])) < 12
    assert np.median(kept[strong]) > 0.6


def test_the_unmixing_is_that_of_the_typical_stock():
    """The constants of picture/negative.py, computed again from the drawn stock that they come from."""
    stock, random = STOCKS["first"], np.random.default_rng(1)
    dark = np.zeros((1, 3))
    mixed = GREY * 10.0 ** (random.uniform(-1.3, 0.7, (600, 1)) + random.normal(0, 0.25, (600, 3)))
    for light, matrix in UNMIXING.items():

        def above(exposure, light=light):
            return scanned_clean(exposure, stock, light) - scanned_clean(dark, stock, light)

        def wanted(exposure):
            return draw_printing_density(exposure, stock=stock) - draw_printing_density(dark, stock=stock)

        own = above(mixed)
        fitted = np.linalg.solve(own.T @ own + len(own) * 0.02**2 * np.eye(3), own.T @ wanted(mixed)).T
        grey = above(SCALE) @ fitted.T
        fitted *= ((grey * wanted(SCALE)).sum(0) / (grey**2).sum(0))[:, None]
        np.testing.assert_allclose(matrix, fitted, atol=0.006)
