"""Medians and percentiles against NumPy's own."""

import numpy as np
import pytest

from smallgauge.picture.ranks import FEW, find_median, find_percentiles


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", [1, 2, 3, 8, 37, 1001, FEW, FEW + 1, 16384])
def test_ranks_are_numpys(kind: type, count: int) -> None:
    random = np.random.default_rng(count)
    for values in (
        random.normal(size=count).astype(kind),
        random.integers(-3, 3, count).astype(kind),
        random.normal(size=(2, count)).astype(kind)[:, ::2],
    ):
        kept = values.copy()
        assert find_median(values) == float(np.median(values))
        percents = (0, 10, 25, 60.0, 75, 99.5, 100)
        usual = [float(np.percentile(values, each)) for each in percents]
        step = 4 * float(np.spacing(np.abs(values).max())) if kind is np.float32 else 0.0
        assert find_percentiles(values, percents) == pytest.approx(usual, abs=step, rel=0)
        assert np.array_equal(values, kept)


@pytest.mark.parametrize("count", [2, 5, FEW + 3])
def test_what_is_not_a_number_gives_none(count: int) -> None:
    values = np.ones(count)
    values[count // 2] = np.nan
    assert np.isnan(find_median(values)) and np.isnan(find_percentiles(values, (5, 50))).all()
    assert np.isnan(find_median(values[:0])) and np.isnan(find_percentiles(values[:0], (50,))).all()
