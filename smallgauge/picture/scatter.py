"""Scatter: how far each of several kinds of evidence strays, told from how they differ in pairs.

measure_scatter  places by each kind, their measuring errors  ->  one standard deviation a kind

Used where the path is solved and where steadiness is measured.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

PRIOR_COUNT = 6.0  # frames that the usual scatter of a kind counts for; common practice, no source
OUTLYING = 4.0  # robust standard deviations; common practice, no source


def measure_scatter(
    z: NDArray[np.float64], sigma: NDArray[np.float64], runs: Sequence[slice], usual: Series
) -> Series:
    """Scatter of each kind of evidence besides its measuring error, from how the kinds differ in pairs.

    Parameters
    ----------
    z, sigma : arrays, shape (kinds, frames)
        Places and their measuring errors, px; NaN where not measured.
    runs : sequence of slice
        The scenes.
    usual : array, shape (kinds,)
        What is expected beforehand; counts for six frames of each pair.

    Returns
    -------
    array, shape (kinds,)
        Standard deviations, px, 0 or more.

    Notes
    -----
    var(z_i - z_j) = scatter_i^2 + scatter_j^2 + measuring errors, for every pair, solved by non-negative least
    squares ("three-cornered hat"). Where pairs leave it open which of two scatters, the expected shares decide.
    Frames in which any two kinds differ by more than four robust standard deviations are left out, from all pairs
    alike, and scene medians are taken out.

    Examples
    --------
    >>> import numpy as np
    >>> random = np.random.default_rng(0)
    >>> x = random.normal(0, 3, 900)
    >>> z = np.stack([x + random.normal(0, sd, 900) for sd in (0.1, 0.2, 0.9)])
    >>> found = measure_scatter(z, np.full(z.shape, 0.02), [slice(0, 900)], np.array([0.15, 0.15, 0.8]))
    >>> found.round(1).tolist()
    [0.1, 0.2, 0.9]
    """
    from scipy.optimize import nnls

    expected = np.maximum(np.square(usual), 1e-6)
    rows, right = [], []
    pairs = list(combinations(range(len(z)), 2))
    apart = [_without_medians(z[i] - z[j], runs) for i, j in pairs]
    out = np.zeros(z.shape[1], bool)
    for difference in apart:
        out |= _outlying(difference)
    for (i, j), difference in zip(pairs, apart, strict=True):
        used = np.isfinite(difference) & ~out
        scenes = sum(bool(used[run].any()) for run in runs)
        frames = max(float(used.sum() - scenes), 0.0)
        found = float(np.square(difference[used]).sum() / frames) if frames else 0.0
        measuring = float(np.mean((sigma[i] ** 2 + sigma[j] ** 2)[used])) if frames else 0.0
        both = expected[i] + expected[j]
        mean = (frames * max(found - measuring, 0.0) + PRIOR_COUNT * both) / (frames + PRIOR_COUNT)
        row = np.zeros(len(z))
        row[[i, j]] = 1.0
        weight = np.sqrt(frames + PRIOR_COUNT) / both
        rows.append(row * weight)
        right.append(mean * weight)
    for j in range(len(z)):
        row = np.zeros(len(z))
        row[j] = 0.5 / expected[j]
        rows.append(row)
        right.append(0.5)
    return np.sqrt(np.asarray(nnls(np.array(rows), np.array(right))[0], np.float64))


def _without_medians(difference: Series, runs: Sequence[slice]) -> Series:
    """A difference less its median in each scene; NaN where it is not known."""
    rest = np.full(difference.size, np.nan)
    for run in runs:
        here = np.isfinite(difference[run])
        if here.any():
            rest[run] = difference[run] - np.median(difference[run][here])
    return rest


def _outlying(rest: Series) -> NDArray[np.bool_]:
    """Frames further off than four robust standard deviations."""
    known = np.isfinite(rest)
    if known.sum() < 4:
        return np.zeros(rest.size, bool)
    spread = 1.4826 * float(np.median(np.abs(rest[known])))
    return np.nan_to_num(np.abs(rest)) > OUTLYING * max(spread, 1e-3)
