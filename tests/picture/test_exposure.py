"""Light of the open perforation and clipped shares, against drawn frames of known light."""

import math

import numpy as np
import pytest
from specimen_frames import read_specimen

from smallgauge.errors import CallerError
from smallgauge.picture.exposure import COLUMNS, ExposureReading, measure_evenness, measure_exposure
from smallgauge.sources import SOURCES

HOLE = (60.0, 60.0, 60.0, 80.0)


def drawn(*, lamp=(0.85, 0.9, 0.8), noise=0.004, bits=10, seed=1, dust=False):
    random = np.random.default_rng(seed)
    light = np.full((160, 220, 3), 0.02)
    light[21:100, 31:90] = lamp
    light[:, 120:] = 0.3
    if dust:
        light[30:50, 40:80] = 0.05
    light += random.normal(0, noise, light.shape)
    samples = np.clip(np.rint(light * (2**bits - 1)), 0, 2**bits - 1).astype(np.uint16)
    return np.float32(samples / (2**bits - 1)), samples


def test_light_of_each_channel():
    light, samples = drawn()
    reading = measure_exposure(light, samples, bits=10, holes=(HOLE,))
    assert reading.light_red == pytest.approx(0.85, abs=5 * reading.light_sigma + 2e-4)
    assert reading.light_green == pytest.approx(0.90, abs=5 * reading.light_sigma + 2e-4)
    assert reading.light_blue == pytest.approx(0.80, abs=5 * reading.light_sigma + 2e-4)
    assert reading.light == pytest.approx(0.85, abs=5e-4)
    assert reading.perforation_full_scale == 0
    assert reading.dark_light < 0.02


def test_light_sigma_is_the_scatter_over_many_frames():
    """Target of the reference: the lamp's level to 0.2 % in a single frame."""
    readings = [measure_exposure(*drawn(seed=seed, bits=14), bits=14, holes=(HOLE,)) for seed in range(60)]
    scatter = np.std([r.light for r in readings])
    stated = np.mean([r.light_sigma for r in readings])
    assert 0.75 < scatter / stated < 1.3
    assert scatter < 0.002 * 0.85


def test_dust_over_a_quarter_of_the_hole_does_not_count():
    light, samples = drawn(dust=True)
    reading = measure_exposure(light, samples, bits=10, holes=(HOLE,))
    assert reading.light == pytest.approx(0.85, abs=0.003)


def test_lamp_at_full_scale_is_not_a_number():
    light, samples = drawn(lamp=(1.2, 0.9, 0.8))
    reading = measure_exposure(light, samples, bits=10, holes=(HOLE,))
    assert reading.perforation_full_scale == 1
    assert math.isnan(reading.light) and math.isnan(reading.light_red) and math.isnan(reading.light_evenness)
    assert reading.light_green == pytest.approx(0.9, abs=1e-3)


def test_clipped_shares_of_the_picture():
    light, samples = drawn(noise=0)
    samples = samples.copy()
    samples[:, 200:, 1] = 1023
    samples[:, 120:130, 2] = 0
    reading = measure_exposure(light, samples, bits=10, holes=(), picture=(120, 0, 219, 159))
    assert reading.clipped_high == pytest.approx(0.2)
    assert reading.clipped_low == pytest.approx(0.1)
    assert math.isnan(reading.light) and math.isnan(reading.perforation_full_scale)


def test_hole_cut_off_by_the_edge_uses_what_is_in_view():
    light, samples = drawn()
    cut = measure_exposure(light[60:], samples[60:], bits=10, holes=((60.0, 0.0, 60.0, 80.0),))
    assert cut.light == pytest.approx(0.85, abs=1e-3)
    gone = measure_exposure(light, samples, bits=10, holes=((60.0, -60.0, 60.0, 80.0),))
    unknown = measure_exposure(light, samples, bits=10, holes=((math.nan, 0, 60.0, 80.0),))
    assert math.isnan(gone.light) and math.isnan(unknown.light)


def test_grey_and_floating_point_frames():
    light, _ = drawn()
    reading = measure_exposure(light[..., 1], light[..., 1], bits=32, holes=(HOLE,))
    assert reading.light == reading.light_red == reading.light_blue == pytest.approx(0.9, abs=1e-3)


def test_evenness():
    light = np.full((120, 120), 1.0, np.float32) * np.linspace(0.9, 1.0, 120, dtype=np.float32)
    even = measure_evenness(np.ones((120, 120), np.float32), holes=((60, 60, 100, 100),))
    assert even == 1
    assert 0.93 < measure_evenness(light, holes=((60, 60, 100, 100),)) < 0.97
    assert math.isnan(measure_evenness(light, holes=()))


def test_wrong_shapes_are_refused():
    with pytest.raises(CallerError, match="one shape"):
        measure_exposure(np.zeros((4, 4), np.float32), np.zeros((4, 5), np.uint8), bits=8, holes=())


def test_input_is_not_altered():
    light, samples = drawn()
    before = light.copy(), samples.copy()
    measure_exposure(light, samples, bits=10, holes=(HOLE,))
    assert np.array_equal(light, before[0]) and np.array_equal(samples, before[1])


def test_columns_are_the_reading():
    assert {column.name for column in COLUMNS} == set(ExposureReading.__slots__)
    assert all(column.source in SOURCES for column in COLUMNS)


@pytest.mark.parametrize("name", ["standard8-torn", "super8-faded", "super8-striped-18fps"])
def test_specimens_show_the_lamp_at_full_scale(name):
    """They are exposed for the film's own base: the lamp can't be read, and the reading says so."""
    truth, frames = read_specimen(name, 6)
    width, height = truth["perforation_px"]
    for fact, (light, samples, bits) in zip(truth["frames"], frames):
        holes = tuple((p["x"], p["y"], width, height) for p in fact["perforations"])
        reading = measure_exposure(light, samples, bits=bits, holes=holes)
        assert reading.perforation_full_scale > 0.9
        assert math.isnan(reading.light)


def test_compiled_counts_and_orders_are_numpy_s():
    from smallgauge.picture.kernels_edges import count_ends, low_order

    codes = np.random.default_rng(3).integers(0, 9, (23, 17, 3)).astype(np.uint16)
    counts = np.zeros((2, 3), np.int64)
    count_ends(codes.reshape(23, -1), 3, (2, 21, 4, 5, 16), 0.0, 8.0, counts)
    part = codes[2:21:4, 5:16]
    assert counts.tolist() == [(part <= 0).sum(axis=(0, 1)).tolist(), (part >= 8).sum(axis=(0, 1)).tolist()]
    light = np.random.default_rng(4).random((40, 50)).astype(np.float32)
    for plane in (light, np.sort(light.ravel())[::-1].reshape(50, 40).T):
        for order in (0, 1, 20, 1999):
            assert low_order(plane, order) == np.sort(plane, axis=None)[order]
