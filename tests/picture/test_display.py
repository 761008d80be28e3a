"""Display encoding, its dither, and the reduction for viewing copies."""

import cv2
import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.display import apply_display, apply_reduction, box_overlaps, dither_of, mix


def test_mix_against_its_published_inverse() -> None:
    # C. Wellons, "Prospecting for hash functions", 2018: the inverse of lowbias32
    numbers = np.random.default_rng(5).integers(0, 2**32, 10000).astype(np.uint32)
    h = mix(numbers)
    h = h ^ (h >> np.uint32(16))
    h = h * np.uint32(0x43021123)
    h = h ^ (h >> np.uint32(15)) ^ (h >> np.uint32(30))
    h = h * np.uint32(0x1D69E2A5)
    h = h ^ (h >> np.uint32(16))
    assert np.array_equal(h, numbers)


def test_dither_is_even_and_uncorrelated() -> None:
    dither = dither_of(frame=41, first_row=0, height=400, width=500)
    assert dither.mean() == pytest.approx(0.5, abs=0.002)  # 5 sigma of 600 000 samples
    counts = np.bincount((dither.ravel() * 128).astype(int), minlength=128)
    expected = dither.size / 128
    assert ((counts - expected) ** 2 / expected).sum() < 127 + 5 * np.sqrt(2 * 127)  # chi square, 5 sigma
    noise = dither - 0.5
    power = float((noise**2).mean())
    following = dither_of(frame=42, first_row=0, height=400, width=500) - 0.5
    pairs = {
        "next column": (noise[:, :-1], noise[:, 1:]),
        "next row": (noise[:-1], noise[1:]),
        "next frame": (noise, following),
        "next channel": (noise[:, :, :-1], noise[:, :, 1:]),
    }
    for name, (one, other) in pairs.items():
        assert abs(float((one * other).mean()) / power) < 5 / np.sqrt(one.size), name


def test_dither_of_a_strip_is_the_strip_of_the_dither() -> None:
    whole = dither_of(frame=3, first_row=0, height=50, width=20)
    assert np.array_equal(whole[13:31], dither_of(frame=3, first_row=13, height=18, width=20))


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_display_decodes_to_the_light_on_average(bits: int) -> None:
    light = np.linspace(0.02, 0.98, 25)
    plane = np.repeat(light[:, None], 20000, axis=1)
    codes = apply_display(plane, bits=bits, frame=9).astype(float)
    wanted = (2**bits - 1) * light ** (1 / 2.4)
    assert np.abs(codes - wanted[:, None]).max() <= 1.0
    assert np.abs(codes.mean(axis=1) - wanted).max() < 5 * 0.5 / np.sqrt(20000)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_black_white_and_whole_codes_are_exact(bits: int) -> None:
    peak = 2**bits - 1
    whole = np.arange(0, peak + 1, max(1, peak // 500))
    light = np.repeat(((whole / peak) ** 2.4)[:, None], 300, axis=1)
    assert (apply_display(np.zeros((9, 300)), bits=bits, frame=1) == 0).all()
    assert (apply_display(np.full((9, 300), -0.2), bits=bits, frame=1) == 0).all()
    assert (apply_display(np.full((9, 300, 3), 1.0), bits=bits, frame=1) == peak).all()
    assert (apply_display(np.full((9, 300, 3), 7.0), bits=bits, frame=1) == peak).all()
    assert np.array_equal(apply_display(light, bits=bits, frame=1), np.repeat(whole[:, None], 300, axis=1))


def test_display_of_grey_is_the_first_channel() -> None:
    light = np.random.default_rng(1).random((20, 30))
    colour = np.repeat(light[:, :, None], 3, axis=2)
    assert np.array_equal(
        apply_display(light, bits=12, frame=5), apply_display(colour, bits=12, frame=5)[:, :, 0]
    )


def test_display_alters_nothing_and_takes_no_nan_for_light() -> None:
    light = np.full((4, 4), np.nan)
    light[0, 0] = 0.5
    before = light.copy()
    codes = apply_display(light, bits=12, frame=0)
    assert np.array_equal(before, light, equal_nan=True)
    assert (codes.ravel()[1:] == 0).all()


@pytest.mark.parametrize(
    ("size", "reduced"), [(10, 10), (10, 5), (10, 3), (1536, 1080), (7, 1), (2048, 1439)]
)
def test_overlaps_cover_every_pixel_once(size: int, reduced: int) -> None:
    index, share = box_overlaps(size, reduced)
    covered = np.zeros(size)
    np.add.at(covered, index.ravel(), share.ravel().astype(float))
    assert np.allclose(share.sum(axis=1), 1.0, atol=1e-6)
    assert np.allclose(covered, reduced / size, atol=1e-6)
    assert (share >= 0).all()
    assert np.array_equal(index[:, 0], np.arange(reduced) * size // reduced)


def test_reduction_agrees_with_an_independent_area_average() -> None:
    rng = np.random.default_rng(2)
    codes = rng.integers(0, 4096, (90, 120, 3)).astype(np.uint16)
    reduced = apply_reduction(
        codes, bits=12, width=88, height=67, canvas_width=88, canvas_height=67, frame=0
    ).astype(float)
    wanted = cv2.resize(codes.astype(np.float32), (88, 67), interpolation=cv2.INTER_AREA) * (255 / 4095)
    assert np.abs(reduced - wanted).max() <= 1.01
    assert abs((reduced - wanted).mean()) < 5 * 0.3 / np.sqrt(reduced.size)


def test_reduction_stands_in_the_middle_of_black() -> None:
    codes = np.full((100, 120, 3), 4095, np.uint16)
    canvas = apply_reduction(codes, bits=12, width=72, height=60, canvas_width=107, canvas_height=60, frame=0)
    assert canvas.shape == (60, 107, 3)
    assert (canvas[:, 17:89] == 255).all()
    assert (canvas[:, :17] == 0).all()
    assert (canvas[:, 89:] == 0).all()


def test_same_frame_same_bytes_other_frame_other_dither() -> None:
    codes = np.random.default_rng(3).integers(0, 4096, (40, 50, 3)).astype(np.uint16)
    size = {"bits": 12, "width": 30, "height": 24, "canvas_width": 30, "canvas_height": 24}
    first = apply_reduction(codes, frame=1, **size)
    assert np.array_equal(first, apply_reduction(codes, frame=1, **size))
    assert not np.array_equal(first, apply_reduction(codes, frame=2, **size))


def test_nonsense_is_refused() -> None:
    codes = np.zeros((10, 10, 3), np.uint16)
    with pytest.raises(CallerError, match="never enlarged"):
        apply_reduction(codes, bits=12, width=11, height=10, canvas_width=20, canvas_height=20, frame=0)
    with pytest.raises(CallerError, match="does not fit"):
        apply_reduction(codes, bits=12, width=10, height=10, canvas_width=9, canvas_height=20, frame=0)
    with pytest.raises(CallerError):
        apply_display(np.zeros((3, 3, 2)), bits=12, frame=0)
    with pytest.raises(CallerError):
        apply_display(np.zeros((3, 3)), bits=20, frame=0)
