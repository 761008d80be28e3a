"""Negatives: base, print curve, greys, and ADX against an outside implementation."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.dyefade import apply_dyefade
from smallgauge.picture.negative import (
    NORMAL_GREY,
    PRINT_CONTRAST,
    PRINT_WHITE,
    UNMIXING,
    InversionDecision,
    NegativeCorrection,
    adx_values,
    apply_adx,
    apply_negative,
    print_density,
    propose_inversion,
    solve_inversion,
    solve_unmixing,
)

BASE = (0.21, 0.55, 0.83)


def inverted(density, decision):
    return apply_negative(apply_dyefade(density, solve_unmixing(decision)), solve_inversion(decision))


def opencolorio(name):
    """OpenColorIO's processor for one of its built-in transforms."""
    ocio = pytest.importorskip("PyOpenColorIO")
    return ocio.Config.CreateRaw().getProcessor(ocio.BuiltinTransform(name))


@pytest.mark.parametrize("bits", [10, 16])
def test_adx_values_are_those_of_opencolorio(bits):
    """Source: OpenColorIO 2.6, built-in transforms ADX10_to_ACES2065-1 and ADX16_to_ACES2065-1 (SMPTE ST 2065-3)."""
    processor = opencolorio(f"ADX{bits}_to_ACES2065-1")
    first = next(iter(processor.createGroupTransform()))  # code to density above the base
    above = np.random.default_rng(3).uniform(-0.15, 1.8, (200, 3))
    values = adx_values(above + BASE, base=BASE, bits=bits) / (2**bits - 1)
    matrix, offset = np.reshape(first.getMatrix(), (4, 4))[:3, :3], np.array(first.getOffset()[:3])
    np.testing.assert_allclose(values @ matrix.T + offset, above, atol=1e-6)
    codes = apply_adx(above + BASE, base=BASE, bits=bits)
    half_a_code = 0.5 / {10: 500, 16: 8000}[bits]
    assert np.abs((codes / (2**bits - 1)) @ matrix.T + offset - above).max() <= half_a_code + 1e-6


@pytest.mark.parametrize("bits", [10, 16])
def test_normal_grey_is_eighteen_per_cent(bits):
    """Source: the same transforms give 0.18000 for ADX10 code 445."""
    processor = opencolorio(f"ADX{bits}_to_ACES2065-1").getDefaultCPUProcessor()
    grey = np.asarray(BASE) + NORMAL_GREY
    value = float(adx_values(grey, base=BASE, bits=bits)[0]) / (2**bits - 1)
    assert processor.applyRGB([value] * 3) == pytest.approx([0.18] * 3, abs=2e-5)


def test_adx_says_what_it_can_not_encode():
    with pytest.raises(CallerError, match="10 or 16 bits"):
        apply_adx(np.zeros((1, 3)), base=BASE, bits=12)
    with pytest.raises(CallerError, match="not a number"):
        apply_adx(np.full((1, 3), np.nan), base=BASE, bits=10)
    assert apply_adx(np.full((1, 3), 9.0), base=BASE, bits=10).tolist() == [[1023, 1023, 1023]]


def test_curves_follow_the_print_and_hold_at_their_ends():
    decision = InversionDecision(base=BASE)
    above = np.linspace(-0.2, 3.2, 5001)
    printed = inverted(above[:, None] + np.asarray(BASE), decision)
    assert np.abs(printed - print_density(above)[:, None]).max() < 2.6e-4
    far = inverted(np.array([[-5.0] * 3, [9.0] * 3]), decision)
    assert far[0] == pytest.approx(printed[0], abs=1e-5)
    assert far[1] == pytest.approx(printed[-1], abs=1e-5)


def test_the_steepest_slope_is_the_contrast():
    above = np.linspace(0, 2, 20001)
    slope = -np.diff(print_density(above)) / np.diff(above)
    assert slope.max() == pytest.approx(PRINT_CONTRAST, rel=1e-4)
    assert (slope > 0).all()


def test_greys_bring_the_layers_in_step():
    """Whatever the layers' own slopes are, what was called grey prints neutral, and so does the base."""
    red, blue = (lambda x: 0.8 * x + 0.03 * x * x), (lambda x: 1.15 * x - 0.02 * x * x)
    greys = tuple((BASE[0] + red(x), BASE[1] + x, BASE[2] + blue(x)) for x in (0.3, 0.7, 1.2))
    decision = InversionDecision(base=BASE, greys=greys)
    printed = inverted(np.array([BASE, *greys]), decision)
    assert np.ptp(printed, axis=1).max() < 0.004  # density, of curves with knots 0.02 apart
    between = np.linspace(0, 1.6, 60)
    scale = np.stack([red(between), between, blue(between)], axis=-1) + np.asarray(BASE)
    assert np.ptp(inverted(scale, decision), axis=1).max() < 0.03


@pytest.mark.parametrize(
    "greys",
    [
        ((0.2, 0.5, 0.8),),
        ((0.9, 1.2, 1.5), (0.91, 1.6, 1.9)),
        ((0.9, np.nan, 1.5),),
    ],
)
def test_greys_that_can_not_be_are_refused(greys):
    with pytest.raises(CallerError):
        solve_inversion(InversionDecision(base=BASE, greys=greys))


def test_a_base_that_can_not_be_is_refused():
    with pytest.raises(CallerError, match="unexposed border"):
        propose_inversion((0.2, 3.4, 0.8), light=None)
    with pytest.raises(CallerError, match="finite"):
        propose_inversion((0.2, np.nan, 0.8), light="narrow")
    with pytest.raises(CallerError, match="contrast"):
        solve_inversion(InversionDecision(base=BASE, contrast=9.0))


@pytest.mark.parametrize("light", UNMIXING)
def test_the_base_prints_black_and_black_is_the_same_for_every_scene(light):
    decision = InversionDecision(base=BASE, unmixing=UNMIXING[light])
    black = float(print_density(np.zeros(1), contrast=decision.contrast)[0])
    assert inverted(np.array(BASE), decision) == pytest.approx([black] * 3, abs=6e-4)
    assert inverted(np.array(BASE) + 4.0, decision) == pytest.approx([PRINT_WHITE] * 3, abs=2e-4)


def test_silver_is_not_unmixed():
    colour, _ = propose_inversion(BASE, light="broad")
    silver, why = propose_inversion(BASE, light="broad", silver=True)
    assert colour.unmixing == UNMIXING["broad"]
    assert "silver" in why
    printed = inverted(np.array(BASE) + 0.7, silver)
    assert np.ptp(printed) < 1e-6
    assert printed == pytest.approx(print_density(np.full(3, 0.7)), abs=3e-4)


def test_an_unmixing_that_can_not_be_is_refused():
    with pytest.raises(CallerError, match="unmixing"):
        solve_unmixing(
            InversionDecision(base=BASE, unmixing=((0.1, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))
        )


def test_input_is_left_alone_and_types_are_kept():
    correction = NegativeCorrection(first=(0.0,) * 3, step=(1.0,) * 3, curves=((2.0, 1.0),) * 3)
    density = np.array([[0.5, np.nan, -1.0]], np.float32)
    before = density.copy()
    printed = apply_negative(density, correction)
    np.testing.assert_array_equal(density, before)
    assert printed.dtype == np.float32
    assert printed[0, 0] == 1.5 and np.isnan(printed[0, 1]) and printed[0, 2] == 2.0
