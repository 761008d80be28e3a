"""The fused pixel program against the plain reference, and the same bytes on every processor."""

import hashlib
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.picture import kernels
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.density import light_of_samples, light_table
from smallgauge.picture.display import apply_display, apply_reduction
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.kernels import finish_frame, reduce_frame
from smallgauge.picture.kernels_display import encode
from smallgauge.picture.rendering import OutputRendering
from smallgauge.picture.resample import Move, apply_move

whole = st.integers(-80, 80).map(float)
shifts = st.floats(-80, 80) | whole
near_one = st.floats(0.9, 1.1)
straight = st.builds(Move, a=st.sampled_from([1.0, -1.0]), e=st.sampled_from([1.0, -1.0]), c=shifts, f=shifts)
turned = st.builds(
    Move,
    a=near_one | near_one.map(lambda n: -n),
    b=st.floats(-0.2, 0.2),
    c=shifts,
    d=st.floats(-0.2, 0.2),
    e=near_one | near_one.map(lambda n: -n),
    f=shifts,
)
quarters = st.builds(
    Move,
    a=st.floats(-0.1, 0.1),
    b=near_one,
    c=shifts,
    d=near_one.map(lambda n: -n),
    e=st.floats(-0.1, 0.1),
    f=shifts,
)


@settings(max_examples=150)
@given(
    move=straight | turned | quarters,
    bits=st.sampled_from([8, 10, 16]),
    finished_bits=st.sampled_from([8, 12, 16]),
    grey=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_fused_is_the_reference_within_half_a_code(
    move: Move, bits: int, finished_bits: int, grey: bool, seed: int
) -> None:
    random = np.random.default_rng(seed)
    shape = (41, 53) if grey else (41, 53, 3)
    samples = random.integers(0, 2**bits, shape).astype(np.uint8 if bits == 8 else np.uint16)
    table = light_table(bits=bits, code_values="log", log_density_range=2.4)
    light = apply_move(light_of_samples(samples, table), move=move, width=47, height=39)
    reference = apply_display(light, bits=finished_bits, frame=seed)
    fused = finish_frame(samples, table, move=move, width=47, height=39, bits=finished_bits, frame=seed)
    reference = np.repeat(reference[:, :, None], 3, axis=2) if grey else reference
    difference = np.abs(fused.astype(int) - reference)
    # light is equal bit for bit and the exponent good to 0.05 of a 16-bit code, so that the share of
    # stored values that differ, each by one, is below 0.05 but for chance
    assert difference.max() <= 1
    assert (difference > 0).mean() < 0.05


def test_exponent_is_good_to_a_twentieth_of_a_16_bit_code() -> None:
    light = np.concatenate(
        [np.linspace(0, 1, 200001), np.geomspace(1e-19, 1, 100001), [0.0, 1.0, 2.0, -1.0, np.nan]]
    ).astype(np.float32)
    encoded = np.array([encode(value, np.float32(65535)) for value in light], np.float64)
    wanted = 65535 * np.clip(np.nan_to_num(light.astype(np.float64)), 0, 1) ** (1 / 2.4)
    assert np.abs(encoded - wanted).max() < 0.05
    assert encoded[light == 1.0].tolist() == [65535.0] * int((light == 1.0).sum())
    assert encoded.max() == 65535.0


def test_light_needs_no_table_where_it_is_stored() -> None:
    light = np.random.default_rng(4).random((30, 40, 3)).astype(np.float32)
    for move in (Move(c=0.3, f=0.7), Move(b=0.02, c=0.3)):
        reference = apply_display(apply_move(light, move=move, width=40, height=30), bits=12, frame=6)
        fused = finish_frame(light, None, move=move, width=40, height=30, bits=12, frame=6)
        assert np.abs(fused.astype(int) - reference).max() <= 1


@pytest.mark.parametrize("move", [Move(c=0.4, f=0.1), Move(b=0.01)])
def test_grey_gives_three_equal_channels_of_the_colour_result(move: Move) -> None:
    samples = np.random.default_rng(5).integers(0, 1024, (32, 48)).astype(np.uint16)
    table = light_table(bits=10, code_values="linear")
    size = {"move": move, "width": 48, "height": 32, "bits": 12, "frame": 8}
    grey = finish_frame(samples, table, **size)
    colour = finish_frame(np.repeat(samples[:, :, None], 3, axis=2), table, **size)
    assert np.array_equal(grey[:, :, 0], grey[:, :, 1])
    assert np.array_equal(grey[:, :, 0], grey[:, :, 2])
    assert np.array_equal(grey[:, :, 0], colour[:, :, 0])


def test_every_pixel_of_out_is_written_and_input_is_not() -> None:
    samples = np.random.default_rng(6).integers(0, 256, (20, 30, 3)).astype(np.uint8)
    before = samples.copy()
    table = light_table(bits=8, code_values="linear")
    for move in (
        Move(c=-4.5, f=7.5),
        Move(c=500.0),
        Move(f=-500.0),
        Move(b=0.1, c=-12.0),
        Move(b=0.1, c=900.0),
    ):
        fresh = finish_frame(samples, table, move=move, width=33, height=25, bits=12, frame=2)
        used = np.full((25, 33, 3), 61234, np.uint16)
        assert (
            finish_frame(samples, table, move=move, width=33, height=25, bits=12, frame=2, out=used) is used
        )
        assert np.array_equal(fresh, used)
    assert np.array_equal(samples, before)


def test_a_window_on_a_larger_array_is_read_as_it_is() -> None:
    larger = np.random.default_rng(7).integers(0, 4096, (40, 50, 3)).astype(np.uint16)
    table = light_table(bits=12, code_values="linear")
    size = {"move": Move(c=0.2, f=0.3), "width": 20, "height": 20, "bits": 12, "frame": 0}
    window = larger[5:35:1, 8:40]
    assert np.array_equal(finish_frame(window, table, **size), finish_frame(window.copy(), table, **size))


def test_codes_beyond_the_table_count_as_its_last() -> None:
    table = light_table(bits=10, code_values="linear")
    samples = np.full((16, 16), 65535, np.uint16)
    finished = finish_frame(samples, table, move=Move(), width=16, height=16, bits=12, frame=0)
    assert (finished == 4095).all()


@pytest.mark.parametrize(
    ("shape", "size"),
    [((90, 120), (88, 67)), ((90, 120), (120, 90)), ((61, 43), (1, 1)), ((64, 64), (32, 16))],
)
def test_reduction_is_the_reference_byte_for_byte(shape: tuple[int, int], size: tuple[int, int]) -> None:
    codes = np.random.default_rng(8).integers(0, 4096, (*shape, 3)).astype(np.uint16)
    asked = {
        "bits": 12,
        "width": size[0],
        "height": size[1],
        "canvas_width": 131,
        "canvas_height": 97,
        "frame": 77,
    }
    for to_bits in (8, 10):
        small = reduce_frame(codes, **asked, to_bits=to_bits)
        assert np.array_equal(small, apply_reduction(codes, **asked, to_bits=to_bits))
        assert small.dtype == (np.uint8 if to_bits == 8 else np.uint16) and small.max() < 2**to_bits


COLOUR = FrameColour(
    lamp=(0.875, 0.75, 0.625),
    flicker=FlickerCorrection(terms=((0.0625,) * 7,) * 3, middle=(1.0,) * 3),
    output=OutputRendering(white=(0.125,) * 3, black=(2.0,) * 3, shoulder=0.25),
)


def digest_of_a_small_film() -> str:
    """Digest of frames in every branch of the kernels; also what the other processors are asked for."""
    digest = hashlib.sha256()
    index = np.arange(18 * 23 * 3, dtype=np.uint64)
    samples = ((index * np.uint64(2654435761)) >> np.uint64(7)).astype(np.uint16).reshape(18, 23, 3)
    # a table of exact binary fractions: no library's power or logarithm has a part in it
    table = (np.arange(65536, dtype=np.float32) / np.float32(65536)) ** 2
    for frame, move in enumerate(
        (Move(c=0.3, f=-0.6), Move(a=-1.0, e=-1.0, c=21.7, f=17.1), Move(b=0.02, d=-0.02, c=0.4), Move(a=-1.01, b=0.1, c=22.0))
    ):  # fmt: skip
        for view in (samples, samples[:, :, 0]):
            finished = finish_frame(view, table, move=move, width=21, height=16, bits=16, frame=frame)
            digest.update(finished.tobytes())
        small = reduce_frame(
            finished, bits=16, width=11, height=9, canvas_width=12, canvas_height=9, frame=frame
        )
        digest.update(small.tobytes())
        for bits in (12, 16):  # colour in single precision, and in double
            finished = finish_frame(
                samples, table, move=move, width=21, height=16, bits=bits, frame=frame, colour=COLOUR
            )
            digest.update(finished.tobytes())
    return digest.hexdigest()


def digest_elsewhere(folder: str, **environment: str) -> str:
    """The same digest from a fresh process with these settings of the compiler."""
    code = (
        "import runpy, warnings; warnings.simplefilter('ignore'); "
        f"print(runpy.run_path({__file__!r})['digest_of_a_small_film']())"
    )
    asked = {**os.environ, "NUMBA_CACHE_DIR": folder, **environment}
    done = subprocess.run([sys.executable, "-c", code], env=asked, capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_same_bytes_without_any_compiler(tmp_path) -> None:  # type: ignore[no-untyped-def]
    assert digest_elsewhere(str(tmp_path), NUMBA_DISABLE_JIT="1") == digest_of_a_small_film()


@pytest.mark.campaign
@pytest.mark.parametrize("processor", ["generic", "nehalem", "skylake"])
def test_same_bytes_on_every_processor(processor: str, tmp_path) -> None:  # type: ignore[no-untyped-def]
    elsewhere = digest_elsewhere(str(tmp_path), NUMBA_CPU_NAME=processor, NUMBA_CPU_FEATURES="")
    assert elsewhere == digest_of_a_small_film()


def test_nonsense_is_refused() -> None:
    table = light_table(bits=8, code_values="linear")
    samples = np.zeros((8, 8, 3), np.uint8)
    good = {"move": Move(), "width": 8, "height": 8, "bits": 12, "frame": 0}
    with pytest.raises(CallerError, match="with a table of light"):
        finish_frame(samples, None, **good)
    with pytest.raises(CallerError, match="with a table of light"):
        finish_frame(samples.astype(np.float64), None, **good)
    with pytest.raises(CallerError, match="row of float32"):
        finish_frame(samples, table.astype(np.float64), **good)  # type: ignore[arg-type]
    with pytest.raises(CallerError, match="height, width"):
        finish_frame(samples[:, :, :2], table, **good)
    with pytest.raises(CallerError, match="8 to 16 bits"):
        finish_frame(samples, table, **{**good, "bits": 17})
    with pytest.raises(CallerError, match="must be finite"):
        finish_frame(samples, table, **{**good, "move": Move(a=0.0)})
    with pytest.raises(CallerError, match="whole uint16 array"):
        finish_frame(samples, table, out=np.zeros((8, 9, 3), np.uint16), **good)
    with pytest.raises(CallerError, match="never enlarged"):
        reduce_frame(
            samples.astype(np.uint16), bits=12, width=9, height=8, canvas_width=9, canvas_height=8, frame=0
        )


@pytest.mark.parametrize(
    "move",
    [
        Move(b=-0.004, c=10.3, d=0.004, f=5.4),
        Move(a=1.01, b=0.03, c=-9.2, d=-0.05, e=0.98, f=21.0),
        Move(a=-0.45, b=0.02, c=560.0, d=0.01, e=1.7, f=-4.0),
        Move(a=2.3, b=0.01, c=-200.0, d=0.02, e=-1.1, f=50.0),
        Move(a=0.01, b=1.02, c=-3.0, d=-0.1, e=0.02, f=52.0),
    ],
)
@pytest.mark.parametrize("grey", [False, True])
def test_stripes_of_a_wide_frame_are_the_reference_bit_for_bit(move: Move, grey: bool) -> None:
    # wider than two stripes, and no whole number of them
    samples = np.random.default_rng(7).integers(0, 4096, (48, 580, 3)).astype(np.uint16)
    samples = samples[:, :, 0].copy() if grey else samples
    table = light_table(bits=12, code_values="linear")
    kept = kernels.light_frame(samples, table, move=move, width=531, height=40)
    wanted = apply_move(light_of_samples(samples, table), move=move, width=531, height=40)
    assert np.array_equal(kept, np.repeat(wanted[:, :, None], 3, axis=2) if grey else wanted)
