"""Stills beside the same frame as the film is today, and what a rendering tells of its colour."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.picture.colour import FrameColour, apply_colour
from smallgauge.picture.dyefade import FadingDecision, solve_dyefade
from smallgauge.picture.mono import MonoCorrection
from smallgauge.picture.primary import ColourDecisionList, PrinterPoints
from smallgauge.picture.rendering import OutputRendering
from smallgauge.record.toldcolour import GREY_DENSITIES
from smallgauge.render.plan_colour import ColourPlan
from smallgauge.render.stills import as_it_is_today, srgb_picture
from smallgauge.render.told_colour import corrected, steps_of, told_scales, told_scenes

WHITE = OutputRendering(white=(0.1, 0.1, 0.1), black=(3.0, 3.0, 3.0))


def _fade(*left: float) -> FrameColour:
    fading = FadingDecision(
        light="narrow", left=left, source=("border",) * 3, clear=(0.2,) * 3, base=(0.2,) * 3
    )
    return FrameColour(fade=solve_dyefade(fading), output=WHITE)


@pytest.mark.parametrize(
    ("look", "is_corrected"),
    [
        (None, False),
        (FrameColour(output=WHITE), False),
        (_fade(0.99, 1.0, 0.98), False),
        (_fade(0.6, 1.0, 0.98), True),
        (FrameColour(points=PrinterPoints()), False),
        (FrameColour(points=PrinterPoints(red=1.0)), True),
        (FrameColour(decision_list=ColourDecisionList()), False),
        (FrameColour(decision_list=ColourDecisionList(saturation=0.5)), True),
        (FrameColour(mono=MonoCorrection(weights=(0.3, 0.4, 0.3), tone=((0.0, 1.0),) * 3)), True),
        (FrameColour(mono=MonoCorrection(weights=(0.3, 0.4, 0.3), tone=((0.0, 1.0), (0.0, 1.1), (0.1, 1.0)))), False),
    ],
)  # fmt: skip
def test_a_pair_is_shown_where_colour_was_corrected_and_only_there(look, is_corrected):
    assert corrected(look) == is_corrected


def test_the_steps_are_told_in_the_order_in_which_they_are_taken():
    look = replace(_fade(0.5, 0.9, 0.9), points=PrinterPoints(blue=2.0))
    assert steps_of(look) == ("fade", "points", "output")


def test_before_is_the_film_under_the_lamp_and_nothing_else():
    plan = ColourPlan(look=_fade(0.5, 0.9, 0.9), lamp=(0.8, 0.9, 1.0))
    light = np.array([[[0.4, 0.09, 0.2]]])
    assert apply_colour(light, as_it_is_today(plan))[0, 0] == pytest.approx([0.5, 0.1, 0.2])
    assert as_it_is_today(ColourPlan(look=plan.look)) is None


def _planned(*looks):
    return tuple(
        SimpleNamespace(scene=n, source=n, colour=ColourPlan(look=look)) for n, look in enumerate(looks)
    )


def test_the_grey_scale_is_that_of_the_density_and_the_display():
    """Twelve points are 0.3 of density; the display's code is light to the power of 1 / 2.4 (ITU-R BT.1886)."""
    darker = FrameColour(points=PrinterPoints(red=12.0, green=12.0, blue=12.0))
    (scale,) = told_scales(_planned(darker, darker, None))
    assert (scale.first, scale.stop, scale.steps) == (0, 2, ("points",))
    for channel in (scale.red, scale.green, scale.blue):
        assert channel == pytest.approx([10 ** (-(d + 0.3) / 2.4) for d in GREY_DENSITIES], abs=1e-4)
    assert told_scales(_planned(None)) == ()


def test_light_of_a_scene_is_its_middle_before_and_after():
    darker = FrameColour(points=PrinterPoints(red=12.0, green=0.0, blue=0.0))
    middle = {"red": [0.5, np.nan], "green": [0.7, 0.8], "blue": [1.0, 1.1]}
    table = SimpleNamespace(values={f"picture_middle_{c}": np.array(v) for c, v in middle.items()})
    first, second = told_scenes(_planned(darker, None), table)
    assert first.before == pytest.approx([10**-0.5, 10**-0.7, 0.1], abs=1e-5)
    assert first.after == pytest.approx([10**-0.8, 10**-0.7, 0.1], abs=1e-5)
    assert second.frames == 1 and np.isnan(second.before).all() and np.isnan(second.after).all()


def test_a_still_is_srgb_as_the_standard_has_it():
    """IEC 61966-2-1 of light = code^2.4, within one step of 8 bits; three colours of a grey film too."""
    codes = np.array([[0, 100, 1000, 2048, 3000, 4095]], np.uint16)
    light = (codes / 4095) ** 2.4
    expected = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    picture = srgb_picture(codes)
    assert picture.dtype == np.uint8
    assert picture.shape == (1, 6, 3)
    assert np.abs(picture - expected[..., None]).max() <= 0.55
    assert (srgb_picture(np.repeat(codes[..., None], 3, axis=2)) == picture).all()
