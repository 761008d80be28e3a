"""Bounds of what a card's quick kernel loses, against the processor's own arithmetic; no card needed."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from test_kernels_colour import colours

from smallgauge.picture.colour import FrameColour
from smallgauge.picture.density import light_table
from smallgauge.picture.kernels import light_frame
from smallgauge.picture.kernels_colour import _FLOOR, _OUT_SHIFT, _SCALE, _SHIFT, colour_program
from smallgauge.picture.kernels_quick import (
    LIGHT_SCALE,
    MOST_WHOLE,
    affine_colour,
    colour_gains,
    is_quick,
    quick_table,
)
from smallgauge.picture.primary import ColourDecisionList
from smallgauge.picture.resample import Move
from smallgauge.picture.selective import HueWindow


def lines_of(table, found):
    """Light of every code, as `finish_quick.cu` has it from lines between knots."""
    codes = np.clip(np.arange(len(table)), found.first, found.last)
    key = (codes - found.first + 1024).astype(np.float32)
    lines = found.lights.reshape(-1, 2)[(key.view(np.int32) >> 13) - (137 << 10)]
    return (lines[:, 1].astype(np.float64) * key + lines[:, 0]).astype(np.float32) / np.float32(LIGHT_SCALE)


@pytest.mark.parametrize("bits", [14, 16])
@pytest.mark.parametrize(
    "told",
    [
        {"code_values": "linear", "code_black": 1021.0},
        {"code_values": "gamma", "gamma_curve": "2.2"},
        {"code_values": "gamma", "gamma_curve": "iec61966-2-1"},
        {"code_values": "log", "log_density_range": 4.0},
    ],
)
def test_lines_between_knots_are_as_near_as_they_say(bits, told):
    table = light_table(bits=bits, **told)
    found = quick_table(table)
    assert found.kind == 2 and len(found.lights) <= 2 * 7 * 1024
    off = np.abs(lines_of(table, found).astype(np.float64) - table)
    assert (off <= 0.51 * found.share * table + 1e-12).all() and off.max() <= 0.51 * found.most + 1e-12
    assert found.share < 3e-5


def test_a_small_table_stays_whole_and_a_ragged_one_is_refused():
    table = light_table(bits=12, code_values="linear")
    found = quick_table(table)
    assert found.kind == 1 and found.lights.shape == (MOST_WHOLE, 2)
    held = found.lights.astype(np.float64).sum(axis=1) / LIGHT_SCALE
    assert (np.abs(held - table) <= 2.0**-23 * table + 2.0**-29).all()
    assert quick_table(np.random.default_rng(1).uniform(0.1, 1.0, 65536).astype(np.float32)) is None


def test_what_lifts_errors_near_black_is_not_quick():
    assert is_quick(FrameColour(decision_list=ColourDecisionList(saturation=0.5)), 12)
    assert not is_quick(FrameColour(decision_list=ColourDecisionList(power=(1.0, 1.1, 1.0))), 12)
    assert not is_quick(FrameColour(hues=(HueWindow(centre_deg=10.0, width_deg=60.0, saturation=0.5),)), 12)
    assert not is_quick(None, 13)


def light_of(light, colour):
    """One pixel's light through a colour."""
    frame = np.array(light, np.float32).reshape(1, 1, 3)
    return light_frame(frame, None, move=Move(), width=1, height=1, colour=colour)[0, 0].astype(float)


@settings(max_examples=60, deadline=None)
@given(colour=colours, light=st.tuples(*[st.floats(0.01, 1.0)] * 3), channel=st.integers(0, 2))
def test_errors_of_light_grow_no_more_than_the_bound(colour, light, channel):
    assume(is_quick(colour, 12))
    program = colour_program(colour)
    before, after = colour_gains(program, colour.deepest)
    scale, shift = (program.numbers[at : at + 3] for at in (_SCALE, _SHIFT))
    other = np.array(light)
    other[channel] *= 1.001
    share = np.where(np.arange(3) == channel, 1.001e-3 * np.array(light), 0.0) / (
        np.array(light) * scale + shift
    )
    assume((share >= 0.0).all() and (np.array(light) * scale + shift > 10.0**-colour.deepest).all())
    rendering = colour.output
    if rendering is not None:
        rendering = replace(
            rendering, shoulder=0.0, matrix=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        )
    bare = replace(colour, decision_list=None, output=rendering)
    brightest = light_of(
        (50.0,) * 3, bare
    )  # light that is cut off there grows no further, and its bound says nothing
    assume((light_of(other, bare) < 0.999 * brightest).all())
    made = (
        np.maximum(light_of(light, bare), light_of(other, bare))
        - program.numbers[_OUT_SHIFT : _OUT_SHIFT + 3]
    )
    grown = np.abs(light_of(other, colour) - light_of(light, colour))
    assert (grown <= 1.001 * (after @ (made * (before @ share))) + 1e-6 * (1.0 + (after @ made))).all()


@settings(max_examples=60, deadline=None)
@given(colour=colours, light=st.tuples(*[st.floats(0.001, 1.0)] * 3))
def test_affine_steps_on_density_are_one(colour, light):
    rendering = colour.output
    if rendering is not None:
        rendering = replace(
            rendering, shoulder=0.0, matrix=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        )
    bare = replace(colour, decision_list=None, hues=(), output=rendering)
    program = colour_program(bare)
    found = affine_colour(program)
    assume(found is not None)
    surface, matrix = found
    n = program.numbers
    # Two pixels side by side lie at -0.5 and 0.5 of the finished picture.
    frame = np.array([[light, light]], np.float32)
    made = light_frame(frame, None, move=Move(), width=2, height=1, colour=bare)[0].astype(float)
    seen = np.log2(np.maximum(frame[0, 0] * n[_SCALE : _SCALE + 3] + n[_SHIFT : _SHIFT + 3], n[_FLOOR]))
    for place, own in zip((-0.5, 0.5), made, strict=True):
        power = surface @ [1.0, place, 0.0, place * place, 0.0, 0.0] + matrix @ seen
        assume((power < 3.0).all())
        expected = np.exp2(power) + n[_OUT_SHIFT : _OUT_SHIFT + 3]
        expected = expected if rendering is None else np.minimum(expected, 1.0)  # a shoulder of no width
        assert np.allclose(expected, own, rtol=1e-6, atol=1e-6)
