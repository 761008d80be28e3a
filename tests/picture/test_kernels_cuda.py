"""The pixel program on an NVIDIA card beside the processor's; left out, in words, where there is no card."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_kernels_colour import colours

from smallgauge.errors import CallerError
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels import finish_frame
from smallgauge.picture.kernels_cuda import Card, find_cards
from smallgauge.picture.kernels_quick import is_quick
from smallgauge.picture.resample import Move, straight_move

needs_card = pytest.mark.skipif(
    not find_cards(), reason="left out: no NVIDIA card, or no CuPy to speak to it"
)

shifts = st.floats(-9.0, 9.0)
turns = st.floats(-0.05, 0.05)
moves = (
    st.builds(Move, c=shifts, f=shifts)
    | st.builds(Move, c=st.integers(-9, 9).map(float), f=st.integers(-9, 9).map(float))
    | st.builds(lambda c, f: Move(a=-1.0, c=120 - c, e=1.0, f=f), shifts, shifts)
    | st.builds(lambda c, f: Move(a=-1.0, c=120 - c, e=-1.0, f=90 - f), shifts, shifts)
    | st.builds(lambda t, s, c, f: Move(a=s, b=-t, c=c, d=t, e=s, f=f), turns, st.floats(0.8, 1.25), shifts, shifts)
    | st.builds(lambda t, c, f: Move(a=t, b=1.0, c=c, d=-1.0, e=t, f=90 - f), turns, shifts, shifts)
    | st.builds(lambda t, c, f: Move(a=-1.0, b=t, c=120 - c, d=t, e=1.0, f=f), turns, shifts, shifts)
)  # fmt: skip


@pytest.fixture(scope="module")
def card():
    return Card()


# Rows of 144 pixels are copied many samples at once, rows of 131 are not.
columns = st.sampled_from([131, 144])


def capture(kind: str, grey: bool, seed: int, columns: int = 131):
    """Samples of a kind with their table."""
    random = np.random.default_rng(seed)
    shape = (97, columns) if grey else (97, columns, 3)
    if kind == "float32":
        return random.uniform(0.0, 1.2, shape).astype(np.float32), None
    most = 255 if kind == "uint8" else 4095
    table = (np.linspace(0, 1, most + 1) ** 2.2).astype(np.float32)
    return random.integers(0, most + 1, shape).astype(kind), table


@needs_card
@settings(max_examples=400, deadline=None)
@given(
    colour=st.none() | colours,
    move=moves,
    kind=st.sampled_from(["uint8", "uint16", "float32"]),
    grey=st.booleans(),
    even=st.booleans(),
    bits=st.integers(8, 16),
    columns=columns,
    size=st.tuples(st.integers(1, 150), st.integers(1, 110)),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_card_gives_the_bytes_of_the_processor_or_the_next_code(
    card, colour, move, kind, grey, even, bits, columns, size, seed
):
    samples, table = capture(kind, grey, seed, columns)
    random = np.random.default_rng(seed + 1)
    gain = random.uniform(0.8, 1.3, samples.shape).astype(np.float32)
    evenness = Evenness(gain=gain, offset=(0.01 * gain).astype(np.float32)) if even else None
    told = {
        "move": move,
        "width": size[0],
        "height": size[1],
        "bits": bits,
        "frame": seed,
        "colour": colour,
        "evenness": evenness,
    }
    made, again = (card.finish_frame(samples, table, **told) for _ in range(2))
    assert np.array_equal(made, again)
    off = np.abs(made.astype(int) - finish_frame(samples, table, **told))
    straight = straight_move(move, width=columns, height=97) is not None
    if straight and (colour is not None or not grey) and is_quick(colour, bits):
        assert off.max() <= 1
    else:
        assert off.max() == 0


@needs_card
@settings(max_examples=30, deadline=None)
@given(
    colour=st.none() | colours.filter(lambda colour: is_quick(colour, 12)),
    shift=st.tuples(shifts, shifts),
    kind=st.sampled_from(["uint8", "uint16", "float32"]),
    columns=columns,
    seed=st.integers(0, 2**32 - 1),
)
def test_values_before_rounding_are_within_half_a_code(card, colour, shift, kind, columns, seed):
    # Dither is a hash of the frame's number: the mean of many frames is the value before rounding.
    samples, table = capture(kind, False, seed, columns)
    total = np.zeros((97, 131, 3))
    for frame in range(64):
        told = {"move": Move(c=shift[0], f=shift[1]), "width": 131, "height": 97, "bits": 12}
        made = card.finish_frame(samples, table, **told, frame=frame, colour=colour)
        total += made.astype(float) - finish_frame(samples, table, **told, frame=frame, colour=colour)
    assert np.abs(total / 64).max() < 0.5


@needs_card
@pytest.mark.parametrize("light", [np.nan, np.inf, 60.0, 1e9, -1e9])
def test_light_that_no_half_can_hold_is_made_as_on_the_processor(card, light):
    samples, _ = capture("float32", False, 5, 144)
    samples[40:43, 70] = light
    for colour in (None, FrameColour(lamp=(0.9,) * 3)):
        told = {
            "move": Move(c=0.3, f=0.7),
            "width": 144,
            "height": 97,
            "bits": 12,
            "frame": 5,
            "colour": colour,
        }
        off = np.abs(
            card.finish_frame(samples, None, **told).astype(int) - finish_frame(samples, None, **told)
        )
        assert off.max() <= 1


@needs_card
@pytest.mark.parametrize("turned_over", [False, True])
def test_sixteen_bits_go_along_lines_between_knots(card, turned_over):
    random = np.random.default_rng(9)
    samples = random.integers(0, 65536, (97, 144, 3)).astype(np.uint16)
    table = (np.linspace(0, 1, 65536) ** 2.2).astype(np.float32)
    told = {
        "move": Move(a=-1.0, c=150.3, f=0.7) if turned_over else Move(c=-3.3, f=0.7),
        "width": 144,
        "height": 97,
        "bits": 12,
        "frame": 5,
    }
    off = np.abs(card.finish_frame(samples, table, **told).astype(int) - finish_frame(samples, table, **told))
    assert off.max() <= 1


@needs_card
def test_a_whole_frame_goes_into_the_array_that_is_given(card):
    samples, table = capture("uint16", False, 3)
    out = np.empty((90, 120, 3), np.uint16)
    told = {
        "move": Move(c=0.3, f=0.7),
        "width": 120,
        "height": 90,
        "bits": 12,
        "frame": 5,
        "colour": FrameColour(lamp=(0.9,) * 3),
    }
    assert card.finish_frame(samples, table, **told, out=out) is out
    assert np.abs(out.astype(int) - finish_frame(samples, table, **told)).max() <= 1


def test_a_card_that_is_not_there_is_refused_in_words():
    with pytest.raises(CallerError, match="leave --device out"):
        Card(len(find_cards()))
