"""The composition of all steps of colour, on light whose answer is known."""

import numpy as np
import pytest

from smallgauge.picture.colour import FrameColour, apply_colour
from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade
from smallgauge.picture.flicker import FlickerCorrection, apply_flicker
from smallgauge.picture.mono import MonoCorrection
from smallgauge.picture.negative import NegativeCorrection, apply_negative
from smallgauge.picture.primary import PrinterPoints
from smallgauge.picture.rendering import OutputRendering

SAME = tuple(tuple(float(n == m + 1) for n in range(10)) for m in range(3))


def test_lamp_is_removed_exactly():
    light = np.random.default_rng(1).uniform(0.01, 1.0, (5, 6, 3))
    lamp = (0.93, 0.88, 0.71)
    assert np.allclose(apply_colour(light * lamp, FrameColour(lamp=lamp)), light, rtol=1e-12)


def test_flare_leaves_the_open_gate_alone():
    flare = 0.005
    film = np.array([[[1.0, 0.1, 0.001]]])
    seen = film * (1 - flare) + flare
    assert np.allclose(apply_colour(seen, FrameColour(flare=(flare,) * 3)), film, rtol=1e-9)


def test_fade_is_undone():
    side = np.array([[0.95, 0.1, 0.0], [0.14, 0.8, 0.12], [0.1, 0.16, 0.8]])
    kept = np.array([0.4, 0.9, 0.7])
    amounts = np.random.default_rng(2).uniform(0, 2.5, (30, 3))
    faded = (amounts * kept) @ side.T
    inverse = np.linalg.inv(side)

    def rows(matrix):
        return tuple((0.0, *map(float, row), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0) for row in matrix)

    correction = FadeCorrection(before=rows(inverse), gain=tuple(1 / kept), after=rows(side))
    assert np.allclose(apply_dyefade(faded, correction), amounts @ side.T, atol=1e-12)


def test_flicker_is_a_surface_about_the_middle():
    terms = (0.1, 0.02, -0.03, 0.004, 0.005, -0.006, 0.2)
    density = np.full((3, 4, 3), 0.7)
    out = apply_flicker(density, FlickerCorrection(terms=(terms, terms, terms), middle=(0.5, 0.5, 0.5)))
    x, y = -1 + 1 / 4, 1 - 1 / 3
    surface = 0.1 + 0.02 * x - 0.03 * y + 0.004 * x * x + 0.005 * x * y - 0.006 * y * y
    assert out[2, 0, 1] == pytest.approx(0.7 + surface + 0.2 * 0.2)


def test_ends_of_a_print_curve_hold():
    curve = tuple(np.linspace(3.0, 0.1, 30))
    film = NegativeCorrection(first=(0.2, 0.6, 0.9), step=(0.1, 0.1, 0.1), curves=(curve,) * 3)
    out = apply_negative(np.array([[-1.0, 0.65, 9.0]]), film)
    assert out[0] == pytest.approx([3.0, 2.95, 0.1])


def test_order_is_that_of_the_fields():
    """Each step doubles or adds, so that any other order gives another number."""
    double = FadeCorrection(before=SAME, gain=(2.0, 2.0, 2.0), after=SAME)
    curve = tuple(5.0 - d for d in np.arange(0.0, 5.1, 0.5))
    colour = FrameColour(
        lamp=(0.5, 0.5, 0.5),
        flicker=FlickerCorrection(terms=((0.1, *(0.0,) * 6),) * 3, middle=(0.0, 0.0, 0.0)),
        fade=double,
        negative=NegativeCorrection(first=(0.0,) * 3, step=(0.5,) * 3, curves=(curve,) * 3),
        mono=MonoCorrection(weights=(0.25, 0.5, 0.25), tone=((0.0, 1.0), (0.0, 1.0), (0.1, 0.5))),
        points=PrinterPoints(red=4.0),
        output=OutputRendering(white=(0.2, 0.2, 0.2), black=(6.0, 6.0, 6.0), shoulder=0.0),
    )
    film = 5.0 - 2 * (1.0 + 0.1)  # density of the print: 2.8
    wanted = 10 ** -(np.array([film + 0.1, film, 0.1 + 0.5 * film]) - 0.2)
    out = apply_colour(np.full((1, 1, 3), 0.05), colour)[0, 0]
    assert out == pytest.approx((wanted - 10**-5.8) / (1 - 10**-5.8), rel=1e-9)


def test_outside_the_capture_stays_outside():
    light = np.array([[[np.nan] * 3, [0.2] * 3]])
    out = apply_colour(light, FrameColour(output=OutputRendering(), points=PrinterPoints(red=3.0)))
    assert np.isnan(out[0, 0]).all() and np.isfinite(out[0, 1]).all()
