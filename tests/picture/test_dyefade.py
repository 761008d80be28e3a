"""Faded dyes undone: the correction's arithmetic, and drawn fades against their truth."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade, polynomial_terms


def linear_rows(matrix: np.ndarray, offset: np.ndarray) -> tuple[tuple[float, ...], ...]:
    """Ten coefficients a row of a matrix and an offset."""
    return tuple((float(o), *map(float, row), *([0.0] * 6)) for row, o in zip(matrix, offset))


def test_correction_is_the_matrix_formula() -> None:
    """D = Dmin + A K^-1 A^-1 (D' - Dmin'), written out with NumPy's own solver."""
    rng = np.random.default_rng(1)
    a = np.array([[0.98, 0.10, 0.0], [0.14, 0.78, 0.13], [0.10, 0.16, 0.78]])
    k, clear, stained = np.array([0.5, 0.9, 0.7]), np.array([0.15, 0.16, 0.18]), np.array([0.15, 0.17, 0.25])
    density = rng.uniform(0.2, 2.5, (50, 3))
    expected = clear + (a @ (np.linalg.solve(a, (density - stained).T) / k[:, None])).T
    correction = FadeCorrection(
        before=linear_rows(np.linalg.inv(a), -np.linalg.solve(a, stained)),
        gain=tuple(1.0 / k),
        after=linear_rows(a, clear),
    )
    assert correction.linear
    assert np.abs(apply_dyefade(density, correction) - expected).max() < 1e-12


def test_squares_and_products_count() -> None:
    before = np.zeros((3, 10))
    before[0, 7] = 1.0  # cyan = r * g
    after = np.zeros((3, 10))
    after[2, 4] = 1.0  # blue = cyan squared
    correction = FadeCorrection(
        before=tuple(map(tuple, before)), gain=(2.0, 1.0, 1.0), after=tuple(map(tuple, after))
    )
    assert not correction.linear
    assert np.allclose(apply_dyefade(np.array([0.5, 3.0, 9.0]), correction), [0.0, 0.0, 9.0])


def test_nan_stays_in_its_pixel() -> None:
    density = np.ones((2, 3))
    density[0, 1] = np.nan
    same = linear_rows(np.eye(3), np.zeros(3))
    out = apply_dyefade(density, FadeCorrection(before=same, gain=(1.0, 1.0, 1.0), after=same))
    assert np.isnan(out[0]).any() and np.array_equal(out[1], density[1])


def test_other_shapes_are_refused() -> None:
    with pytest.raises(CallerError, match="last axis holds 3 channels"):
        polynomial_terms(np.zeros((3, 4)))
