"""Flicker: correction of one frame."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.flicker import FlickerCorrection, apply_flicker

NOTHING = (0.0,) * 7


def test_apply_flicker_at_corners_and_middle():
    # worked out by hand: pixel centres of 4 columns lie at -0.75, -0.25, 0.25, 0.75; of 2 rows at -0.5, 0.5
    density = np.full((2, 4, 3), 1.2, np.float32)
    terms = (0.1, 0.2, -0.3, 0.4, 0.5, -0.6, 0.05)
    got = apply_flicker(density, FlickerCorrection(terms=(terms, NOTHING, terms), middle=(1.0, 0.0, 0.8)))
    surface = 0.1 + 0.2 * -0.75 - 0.3 * -0.5 + 0.4 * 0.5625 + 0.5 * 0.375 - 0.6 * 0.25
    assert got[0, 0, 0] == pytest.approx(1.2 + surface + 0.05 * 0.2, abs=1e-6)
    assert got[0, 0, 2] == pytest.approx(1.2 + surface + 0.05 * 0.4, abs=1e-6)
    right = 0.1 + 0.2 * 0.75 - 0.3 * 0.5 + 0.4 * 0.5625 + 0.5 * 0.375 - 0.6 * 0.25
    assert got[1, 3, 0] == pytest.approx(1.2 + right + 0.01, abs=1e-6)
    assert np.array_equal(got[:, :, 1], density[:, :, 1])
    assert density.max() == density.min() == np.float32(1.2)


def test_a_correction_of_nothing_changes_no_bit():
    density = np.random.default_rng(3).uniform(0, 3, (7, 9, 3)).astype(np.float32)
    density[2, 3] = np.nan
    nothing = FlickerCorrection(terms=(NOTHING,) * 3, middle=(1.0, 1.0, 1.0))
    assert np.array_equal(apply_flicker(density, nothing), density, equal_nan=True)


def test_exposure_is_light_times_a_number():
    # definition of density: a term of d everywhere is light times 10^-d
    light = np.random.default_rng(4).uniform(0.01, 1, (6, 8, 3))
    gain = FlickerCorrection(terms=((0.1,) + (0.0,) * 6,) * 3, middle=(0.0, 0.0, 0.0))
    density = apply_flicker(-np.log10(light).astype(np.float32), gain)
    assert 10.0**-density == pytest.approx(light * 10**-0.1, rel=1e-5)


@pytest.mark.parametrize("shape", [(4, 5), (4, 5, 1)])
def test_one_channel_is_refused(shape):
    with pytest.raises(CallerError, match="height, width, 3"):
        apply_flicker(
            np.zeros(shape, np.float32), FlickerCorrection(terms=(NOTHING,) * 3, middle=(0.0, 0.0, 0.0))
        )


def test_terms_of_another_count_are_refused():
    with pytest.raises(CallerError, match="3 x 7"):
        FlickerCorrection(terms=((0.0,) * 6,) * 3, middle=(0.0, 0.0, 0.0))
