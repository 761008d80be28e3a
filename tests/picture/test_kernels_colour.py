"""Colour in the fused pixel program against the plain composition: half a code of 16 bits before dither and rounding."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.picture.colour import FrameColour, apply_colour
from smallgauge.picture.density import light_of_samples, light_table
from smallgauge.picture.display import apply_display
from smallgauge.picture.dyefade import FadeCorrection
from smallgauge.picture.evenness import Evenness, apply_evenness
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.kernels_colour import _exp2, _log2, colour_program
from smallgauge.picture.kernels_display import encode
from smallgauge.picture.kernels_rows import ROW
from smallgauge.picture.kernels_single import S_HIGH, S_LOW, colour_room, colour_row, finish_program
from smallgauge.picture.mono import MonoCorrection
from smallgauge.picture.negative import InversionDecision, solve_inversion
from smallgauge.picture.primary import ColourDecisionList, PrinterPoints
from smallgauge.picture.rendering import OutputRendering
from smallgauge.picture.resample import Move, apply_move, inside_capture
from smallgauge.picture.selective import HueWindow

PEAK = 65535.0


def number(low, high):
    return st.floats(low, high, allow_subnormal=False)


def three(low, high):
    return st.tuples(*[number(low, high)] * 3)


@st.composite
def polynomials(draw, second_degree):
    rows = []
    for channel in range(3):
        matrix = [draw(number(-0.2, 0.2)) for _ in range(3)]
        matrix[channel] += 1.0
        squares = [draw(number(-0.03, 0.03)) if second_degree else 0.0 for _ in range(6)]
        rows.append((draw(number(-0.1, 0.1)), *matrix, *squares))
    return tuple(rows)


@st.composite
def fades(draw):
    second = draw(st.booleans())
    before, after = draw(polynomials(second)), draw(polynomials(second))
    return FadeCorrection(before=before, gain=draw(three(1.0, 4.0)), after=after)


flickers = st.builds(
    FlickerCorrection,
    terms=st.tuples(*[st.tuples(*[number(-0.1, 0.1)] * 7)] * 3),
    middle=three(0.3, 1.5),
)
negatives = st.builds(InversionDecision, base=three(0.1, 0.9), contrast=number(1.5, 4.0)).map(solve_inversion)
monos = st.builds(
    MonoCorrection,
    weights=three(0.2, 0.5),
    tone=st.tuples(*[st.tuples(number(-0.05, 0.1), number(0.9, 1.1))] * 3),
)
points = st.builds(PrinterPoints, red=number(-20, 20), green=number(-20, 20), blue=number(-20, 20))
matrices = st.tuples(*[three(-0.2, 0.2)] * 3).map(
    lambda m: tuple(tuple(v + (n == k) for k, v in enumerate(row)) for n, row in enumerate(m))
)
outputs = st.builds(
    OutputRendering,
    white=three(0.0, 0.3),
    black=three(1.8, 3.5),
    shoulder=st.sampled_from([0.0, 0.05, 0.3]),
) | st.builds(OutputRendering, white=three(0.0, 0.3), black=three(1.8, 3.5), matrix=matrices)
decision_lists = st.builds(
    ColourDecisionList,
    slope=three(0.5, 2.0),
    offset=three(-0.1, 0.1),
    power=three(0.5, 2.0) | st.just((1.0, 1.0, 1.0)),
    saturation=number(0.0, 2.0) | st.just(1.0),
)
hues = st.builds(
    HueWindow,
    centre_deg=number(0, 360),
    width_deg=number(20, 180),
    turn_deg=number(-40, 40),
    saturation=number(0.0, 2.0),
    lightness=number(0.7, 1.4),
)
colours = st.builds(
    FrameColour,
    lamp=st.none() | three(0.5, 1.1),
    flare=st.none() | three(0.0, 0.02),
    deepest=number(3.0, 5.0),
    flicker=st.none() | flickers,
    fade=st.none() | fades(),
    negative=st.none() | negatives,
    mono=st.none() | monos,
    points=st.none() | points,
    output=st.none() | outputs,
    decision_list=st.none() | decision_lists,
    hues=st.just(()) | st.lists(hues, max_size=3).map(tuple),
)


def test_logarithm_and_exponential_are_good_to_the_fourteenth_digit():
    light = np.geomspace(1e-12, 1e6, 20001)
    assert np.abs(np.array([_log2(v) for v in light]) - np.log2(light)).max() < 4e-14
    exponents = np.linspace(-60.0, 60.0, 20001)
    assert np.abs(np.array([_exp2(v) for v in exponents]) / np.exp2(exponents) - 1.0).max() < 4e-14


def codes_of(light: np.ndarray) -> np.ndarray:
    """Display values before dither and rounding, in codes of 16 bits."""
    return PEAK * np.clip(light, 0.0, 1.0) ** (1 / 2.4)


def light_near_black(colour: FrameColour, seed: int) -> np.ndarray:
    """Three rows of light, many of it near black, where the display curve is steepest."""
    random = np.random.default_rng(seed)
    light = (10.0 ** random.uniform(-4.5, 0.05, (3, 61, 3))).astype(np.float32)
    light[0, :4] = [[0.0] * 3, [-0.01] * 3, [1.2] * 3, [0.5] * 3]
    if colour.output is not None:
        near = 10.0 ** -np.array(colour.output.black) * random.uniform(0.99, 1.01, (20, 3))
        light[1, :20] = near * np.array(colour.lamp or (1.0,) * 3)
    return light


def codes_off(colour: FrameColour, bits: int, light: np.ndarray) -> float:
    """How far rows of the kernels are from the composition, in codes of a file of so many bits, at most."""
    program, lines, room = finish_program(colour, bits), np.empty(ROW, np.float32), colour_room()
    peak = 2**bits - 1
    wanted = codes_of(apply_colour(light, colour)) / PEAK * peak
    height, width = light.shape[:2]
    worst = 0.0
    for y in range(height):
        row = light[y].ravel().copy()
        colour_row(row, program, (2 * y + 1) / height - 1.0, width, lines, room)
        encoded = np.array([encode(value, np.float32(peak)) for value in row], np.float64)
        worst = max(worst, float(np.abs(encoded - wanted[y].ravel()).max()))
    return worst


@settings(max_examples=300, deadline=None)
@given(colour=colours, seed=st.integers(0, 2**32 - 1))
def test_rows_are_the_composition_within_half_a_code_of_16_bits(colour: FrameColour, seed: int):
    assert codes_off(colour, 16, light_near_black(colour, seed)) < 0.5


plain_outputs = st.builds(
    OutputRendering, white=three(0.0, 0.3), black=three(1.8, 3.5), shoulder=st.sampled_from([0.0, 0.05, 0.3])
)
affine = st.builds(
    FrameColour,
    lamp=st.none() | three(0.5, 1.1),
    flare=st.none() | three(0.0, 0.02),
    deepest=number(3.0, 6.0),
    flicker=flickers,
    fade=st.none() | fades().filter(lambda fade: fade.linear),
    mono=st.none() | monos,
    points=st.none() | points,
    output=plain_outputs,
    decision_list=st.none() | st.builds(ColourDecisionList, slope=three(0.5, 2.0), offset=three(-0.1, 0.1)),
)


@settings(max_examples=300, deadline=None)
@given(colour=affine, bits=st.sampled_from([8, 10, 12]), seed=st.integers(0, 2**32 - 1))
def test_single_precision_is_within_a_tenth_of_a_code(colour: FrameColour, bits: int, seed: int):
    # of which the encoding takes 0.05 of a code of 16 bits
    light = light_near_black(colour, seed)
    before = 10.0 ** -np.linspace(0.0, 4.0, 61)
    light[2] = before[:, None].astype(
        np.float32
    )  # a ramp through whatever lies at the ends of what is doubtful
    assert codes_off(colour, bits, light) < 0.1 + 0.05 / 2 ** (16 - bits)


def test_doubtful_light_is_made_in_double_precision_and_nothing_else():
    output = OutputRendering(white=(0.1,) * 3, black=(1.8,) * 3)
    flicker = FlickerCorrection(terms=((0.0,) * 7,) * 3, middle=(1.0,) * 3)
    colour = FrameColour(flicker=flicker, output=output)
    single, double = finish_program(colour, 12), finish_program(colour, None)
    assert len(single[4]) > 0 and len(double[4]) == 0
    light = (10.0 ** -np.linspace(1.79, 1.81, 4000)).repeat(3).astype(np.float32)
    lines, room = np.empty(ROW, np.float32), colour_room()
    made, exact = light.copy(), light.copy()
    for row, program in ((made, single), (exact, double)):
        for begin in range(0, len(row), 600):
            colour_row(row[begin : begin + 600], program, 0.0, 200, lines, room)
    low, high = single[4][S_LOW], single[4][S_HIGH]
    doubtful = (made > low) & (made < high)
    assert 10 < doubtful.sum() < 2000
    assert np.array_equal(made[doubtful], exact[doubtful])
    assert not np.array_equal(made[~doubtful], exact[~doubtful])


@pytest.mark.parametrize(
    "colour",
    [
        FrameColour(output=OutputRendering(matrix=((1.0, 0.1, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))),
        FrameColour(decision_list=ColourDecisionList(saturation=0.5)),
        FrameColour(decision_list=ColourDecisionList(power=(1.1, 1.0, 1.0))),
        FrameColour(hues=(HueWindow(centre_deg=120.0, saturation=1.2),)),
    ],
)
def test_steps_that_mix_channels_are_made_in_double_precision(colour: FrameColour):
    flicker = FlickerCorrection(terms=((0.01,) * 7,) * 3, middle=(1.0,) * 3)
    assert len(finish_program(replace(colour, flicker=flicker), 12)[4]) == 0
    assert len(finish_program(FrameColour(flicker=flicker), 12)[4]) > 0


turned = Move(a=1.02, b=0.03, c=-3.2, d=-0.02, e=0.98, f=4.4)
moves = st.sampled_from(
    [Move(), Move(c=2.0, f=-3.0), Move(a=-1.0, c=40.3, f=1.7), turned, Move(a=0.0, b=1.0, d=1.0, e=0.0)]
)


@settings(max_examples=60, deadline=None)
@given(
    colour=colours,
    move=moves,
    bits=st.sampled_from([12, 16]),
    grey=st.booleans(),
    even=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_frames_are_the_composition_within_one_stored_code(colour, move, bits, grey, even, seed):
    random = np.random.default_rng(seed)
    shape = (37, 45) if grey else (37, 45, 3)
    samples = random.integers(0, 1024, shape).astype(np.uint16)
    table = light_table(bits=10, code_values="log", log_density_range=3.0)
    gain, offset = random.uniform(0.9, 1.1, shape), random.uniform(-1e-4, 0.0, shape)
    evenness = Evenness(gain=gain.astype(np.float32), offset=offset.astype(np.float32)) if even else None
    light = light_of_samples(samples, table)
    light = light if evenness is None else apply_evenness(light, evenness)
    light = np.repeat(light[:, :, None], 3, axis=2) if grey else light
    moved = apply_move(light, move=move, width=43, height=33)
    inside = inside_capture(move, width=43, height=33, capture_width=45, capture_height=37)
    moved[~inside] = np.nan
    wanted = apply_display(apply_colour(moved, colour), bits=bits, frame=seed)
    size = {"move": move, "width": 43, "height": 33, "bits": bits, "frame": seed}
    fused = finish_frame(samples, table, colour=colour, evenness=evenness, **size)
    difference = np.abs(fused.astype(int) - wanted)
    assert difference.max() <= 1
    assert (difference > 0).mean() < 0.05
    assert (fused[~inside] == 0).all()


def test_light_that_needs_no_density_is_one_factor():
    colour = FrameColour(lamp=(0.9, 0.8, 0.7), points=PrinterPoints(red=3.0), output=OutputRendering())
    assert not colour_program(colour).steps[:5].any()


def test_evenness_must_fit_the_frame():
    samples, table = np.zeros((8, 9, 3), np.uint8), np.zeros(256, np.float32)
    size = {"move": Move(), "width": 9, "height": 8, "bits": 12, "frame": 0}
    for gain in (np.ones((8, 9), np.float32), np.ones((8, 9, 3))):
        wrong = Evenness(gain=gain, offset=gain)
        with pytest.raises(CallerError, match="evenness"):
            finish_frame(samples, table, evenness=wrong, **size)
