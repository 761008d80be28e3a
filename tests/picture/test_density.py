"""Light tables against published values, and density against its definition."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.density import (
    density_of_light,
    light_of_density,
    light_of_samples,
    light_planes_of_samples,
    light_table,
)


def at(signal: float, **encoding: object) -> float:
    """Light of a signal between 0 and 1, read from a 16-bit table by interpolation."""
    table = light_table(bits=16, **encoding)  # type: ignore[arg-type]
    return float(np.interp(signal * 65535, np.arange(65536), table))


def test_bt709_against_published_value() -> None:
    # colour-science documentation of oetf_inverse_BT709 (Recommendation ITU-R BT.709-6):
    # oetf_BT709(0.18) = 0.4090077...
    assert at(0.409007728864150, code_values="gamma", gamma_curve="bt709") == pytest.approx(0.18, abs=2e-6)


def test_bt709_is_the_standards_own_curve_undone() -> None:
    # Rec. ITU-R BT.709-6, item 1.2: V = 1.099 L^0.45 - 0.099 for 1 >= L >= 0.018; V = 4.500 L for 0.018 > L
    light = light_table(bits=12, code_values="gamma", gamma_curve="bt709").astype(float)
    signal = np.where(light >= 0.018, 1.099 * light**0.45 - 0.099, 4.5 * light)
    codes = np.arange(4096)
    unreached = (codes >= 0.081 * 4095) & (
        codes <= 0.08125 * 4095
    )  # the standard's branches do not quite meet
    assert unreached.sum() == 1
    assert np.abs(signal * 4095 - codes)[~unreached].max() < 0.001


def test_srgb_against_published_values() -> None:
    # encyclopaedic page on IEC 61966-2-1: half signal is a light of 0.2140 (middle grey 18 % at 0.4614)
    assert at(0.461356129500442, code_values="gamma", gamma_curve="iec61966-2-1") == pytest.approx(
        0.18, abs=2e-6
    )
    assert at(0.5, code_values="gamma", gamma_curve="iec61966-2-1") == pytest.approx(0.21404114, abs=2e-6)
    assert at(0.04045, code_values="gamma", gamma_curve="iec61966-2-1") == pytest.approx(0.0031308, abs=2e-6)


def test_bt1886_and_exponents() -> None:
    # ITU-R BT.1886 annex 1, black 0 and white 1: L = V ** 2.4
    assert at(0.5, code_values="gamma", gamma_curve="bt1886") == pytest.approx(0.189464570814, abs=2e-6)
    assert at(0.5, code_values="gamma", gamma_curve="2.2") == pytest.approx(0.217637640824, abs=2e-6)
    named = light_table(bits=10, code_values="gamma", gamma_curve="bt1886")
    assert np.array_equal(named, light_table(bits=10, code_values="gamma", gamma_curve="2.4"))


def test_log_as_the_capture_states_it() -> None:
    # code = 1023 * (1 + log10(light) / 3): the encoding of a 10-bit logarithmic capture
    codes = np.arange(1, 1024)
    table = light_table(bits=10, code_values="log", log_density_range=3.0).astype(float)
    assert np.allclose(1023 * (1 + np.log10(table[1:]) / 3), codes, atol=1e-3)
    assert table[1023] == 1.0
    assert np.allclose(np.diff(density_of_light(table)), -3 / 1023, atol=1e-6)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize(
    "encoding",
    [
        {"code_values": "linear"},
        {"code_values": "gamma", "gamma_curve": "iec61966-2-1"},
        {"code_values": "gamma", "gamma_curve": "bt709"},
        {"code_values": "log", "log_density_range": 2.048},
    ],
)
def test_every_table_rises_from_nothing_to_the_open_gate(bits: int, encoding: dict[str, object]) -> None:
    black, gate = 2.0**bits / 16, 0.9 * 2**bits
    table = light_table(bits=bits, code_black=black, code_open_gate=gate, **encoding)  # type: ignore[arg-type]
    assert table.shape == (2**bits,)
    assert table.dtype == np.float32
    assert (np.diff(table) >= 0).all()
    assert table[0] == 0.0
    assert np.interp(gate, np.arange(2**bits), table) == pytest.approx(1.0, abs=2e-4)
    assert table[-1] > 1.0


def test_light_of_samples_keeps_shape_and_survives_stray_codes() -> None:
    table = light_table(bits=10, code_values="linear")
    samples = np.array([[0, 1023], [511, 65535]], np.uint16)
    light = light_of_samples(samples, table)
    assert light.dtype == np.float32
    assert np.allclose(light, [[0, 1], [511 / 1023, 1]])


def test_density_and_light_undo_each_other() -> None:
    light = np.array([1.5, 1.0, 0.1, 1e-3, 1e-6])
    assert np.allclose(density_of_light(light), [-0.17609126, 0, 1, 3, 6])
    assert np.allclose(light_of_density(density_of_light(light)), light)
    assert density_of_light(np.array([-0.5, 0.0])).tolist() == [6.0, 6.0]
    assert np.isnan(density_of_light(np.array([np.nan]))).all()
    assert density_of_light(np.float32([0.5])).dtype == np.float32


@pytest.mark.parametrize(
    "wrong",
    [
        {"bits": 7, "code_values": "linear"},
        {"bits": 8, "code_values": "cube"},
        {"bits": 8, "code_values": "gamma"},
        {"bits": 8, "code_values": "gamma", "gamma_curve": "odd"},
        {"bits": 8, "code_values": "gamma", "gamma_curve": "nan"},
        {"bits": 8, "code_values": "log"},
        {"bits": 8, "code_values": "log", "log_density_range": -1.0},
        {"bits": 8, "code_values": "linear", "code_black": 200, "code_open_gate": 100},
    ],
)
def test_nonsense_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(CallerError):
        light_table(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_light_in_planes_is_the_same_light(kind: type) -> None:
    """Channel by channel in memory, value by value the same; codes beyond the table too, grey as it comes."""
    table = light_table(bits=8, code_values="gamma", gamma_curve="bt709")
    samples = np.random.default_rng(3).integers(0, np.iinfo(kind).max, (7, 11, 3), endpoint=True).astype(kind)
    planes = np.empty((3, 7, 11), np.float32)
    light = light_planes_of_samples(samples, table, planes=planes)
    assert np.array_equal(light, light_of_samples(samples, table))
    assert light.base is planes and light[:, :, 1].flags.c_contiguous
    grey = samples[:, :, 0]
    assert np.array_equal(light_planes_of_samples(grey, table), light_of_samples(grey, table))


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize(("black", "gate"), [(0.0, None), (16.0, 235.0), (3.5, 200.0)])
@pytest.mark.parametrize("values", ["linear", "gamma"])
def test_planes_are_the_table_s_numbers_whichever_way_they_are_made(kind, black, gate, values):
    table = light_table(
        bits=8, code_values=values, gamma_curve="bt1886", code_black=black, code_open_gate=gate
    )
    codes = np.arange(300 if kind == np.uint16 else 256, dtype=kind)  # some beyond the table
    samples = np.stack([codes, codes[::-1], np.roll(codes, 7)], axis=1)[None]
    planes = light_planes_of_samples(samples, table)
    assert np.array_equal(planes, table[np.minimum(samples, 255)])


def test_only_a_straight_table_is_taken_for_one():
    from smallgauge.picture.kernels_rows import on_line, straight_line

    linear = light_table(bits=8, code_values="linear", code_black=16.0, code_open_gate=235.0)
    padded = np.pad(linear, (0, 300), mode="edge")
    line = straight_line(padded)
    assert line[0] == 1 / 219
    assert [on_line(np.uint16(code), line) for code in range(556)] == padded.tolist()
    bent = linear.copy()
    bent[100] = np.nextafter(bent[100], np.float32(2))
    for table in (
        bent,
        light_table(bits=8, code_values="gamma", gamma_curve="bt1886"),
        linear[:1],
        linear[:200],
    ):
        assert straight_line(table)[0] == 0.0
