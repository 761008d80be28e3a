"""Shrinkage: how much shorter and narrower the film has become, over the reel and along it.

measure_shrinkage  pitch and width of the film in each frame, scale  ->  Shrinkage   (analyse, join)

With a scale from outside the film, shrinkage is a range: the pitch when new may have been the long or the short one, 0.17 to
0.21 % apart, and manufacture allows 0.1 % either way. Without one, perforation and pitch have shrunk together and
nothing tells by how much; only its change along the reel can be had.

The mean of consecutive pitches, not their median: between the first and the last of a hundred perforations the
punch's errors cancel but for those two, as the median of a hundred single pitches does not let them. Pitches that lie far
off are left out first.
"""

from dataclasses import dataclass
from itertools import pairwise
from math import hypot, isfinite, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge
from smallgauge.gauge.geometry import shrinkage_range

Series = NDArray[np.float64]

STRETCH = 100  # pitches: what the standards state tolerances over (ST149, Z22.5)
LEAST_PITCHES = 20  # of a stretch, or it joins the one before; common practice, no source
OUTLYING = 6.0  # robust standard deviations; common practice, no source
LEAST_SPREAD = 1e-4  # of the pitch; common practice, no source

# Between what limits each band lies, shares of the length when new.
BANDS: tuple[tuple[str, float, str], ...] = (
    ("usual", 0.005, "common practice"),  # of aged acetate
    ("limit", 0.008, "DARTMOUTH"),  # about the limit for ordinary projection
    ("above", 0.02, "DARTMOUTH"),  # do not project
    ("severe", float("inf"), "DARTMOUTH"),  # nearly impossible to copy on ordinary machines
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShrinkageStretch:
    """A stretch of about a hundred pitches: captured frames [first, stop), shares; NaN where not known.

    `change` and `change_across` are against the whole reel's mean, positive where the film is shorter or narrower;
    they need no scale.
    """

    first: int
    stop: int
    pitches: int
    low: float
    high: float
    change: float
    change_across: float
    low_across: float
    high_across: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shrinkage:
    """Shrinkage of a reel, shares of the length when new; NaN where not known.

    `pitch_um` is the mean pitch in true micrometres and `sigma` its relative standard error, that of the scale included.
    `low` to `high` holds the shrinkage lengthwise, `low_across` to `high_across` crosswise. `band` is "" without a scale.
    """

    pitches: int
    widths: int
    pitch_px: float
    pitch_um: float
    sigma: float
    low: float
    high: float
    band: str  # "not shown", "usual", "limit", "above", "severe"
    low_across: float
    high_across: float
    least_change: float  # of the stretches
    most_change: float
    stretches: tuple[ShrinkageStretch, ...]


def band_of(low: float, high: float) -> str:
    """The band of a range of shrinkage: that of its upper end, because the film may be that far gone.

    Examples
    --------
    >>> [band_of(*each) for each in ((-0.001, 0.003), (0.002, 0.004), (0.005, 0.009), (0.02, 0.024), (float("nan"), 0.1))]
    ['not shown', 'usual', 'above', 'severe', '']
    """
    if not (isfinite(low) and isfinite(high)):
        return ""
    if low <= 0:  # new film of the short pitch may read the same
        return "not shown"
    return next(name for name, upper, _ in BANDS if high <= upper)


def measure_shrinkage(
    pitch_px: Series,
    film_width_px: Series,
    *,
    gauge: Gauge,
    along_um: float | None,
    across_um: float | None,
    along_sigma: float = nan,
) -> Shrinkage:
    """Shrinkage over a reel and along it.

    Parameters
    ----------
    pitch_px : array, shape (frames,)
        From one perforation to the next in each captured frame, square to the film's width; NaN where not measured.
    film_width_px : array, shape (frames,)
        From edge to edge; NaN where not both are seen.
    gauge : Gauge
    along_um, across_um : float or None
        True micrometres a pixel, from outside the film; None where not known.
    along_sigma : float
        Relative standard error of `along_um`; NaN where it was not measured.

    Returns
    -------
    Shrinkage
        Everything about the length is NaN where fewer than twenty pitches were measured, and about the width
        where fewer than twenty widths were.

    Raises
    ------
    CallerError
        If the series differ in length.

    Notes
    -----
    shrinkage = (length when new - length) / length when new. Crosswise the length when new is the gauge's film
    width with its tolerance: half a per cent either way for 8 mm film, so the range is wide. Source: ST149, Z22.5, "derived".

    Examples
    --------
    >>> from smallgauge.gauge.gauges import STANDARD_8
    >>> pitch = 381.0 * (1 - 0.008) + np.random.default_rng(1).normal(0, 0.2, 250)
    >>> found = measure_shrinkage(pitch, np.full(250, np.nan), gauge=STANDARD_8, along_um=10.0, across_um=10.0)
    >>> f"{found.low:.4f} to {found.high:.4f}", found.band, len(found.stretches)
    ('0.0050 to 0.0090', 'above', 2)
    """
    if pitch_px.shape != film_width_px.shape or pitch_px.ndim != 1:
        raise CallerError(
            f"measure_shrinkage needs one pitch and one width a frame, got {pitch_px.shape} and {film_width_px.shape}."
        )
    pitch, width = _sound(pitch_px), _sound(film_width_px)
    pitches, widths = int(np.isfinite(pitch).sum()), int(np.isfinite(width).sum())
    mean, mean_width = _mean(pitch), _mean(width)
    error = _error(pitch) / mean if pitches >= LEAST_PITCHES else nan
    low, high = _range(mean, along_um, gauge)
    low_across, high_across = _across_range(mean_width, across_um, gauge)
    stretches = tuple(
        _stretch(pitch, width, first, stop, mean, mean_width, along_um, across_um, gauge)
        for first, stop in _cuts(pitch if pitches >= LEAST_PITCHES else width)
    )
    changes = [each.change for each in stretches if isfinite(each.change)]
    return Shrinkage(
        pitches=pitches,
        widths=widths,
        pitch_px=mean,
        pitch_um=mean * along_um if along_um is not None else nan,
        sigma=hypot(error, along_sigma) if isfinite(along_sigma) else error,
        low=low,
        high=high,
        band=band_of(low, high),
        low_across=low_across,
        high_across=high_across,
        least_change=min(changes, default=nan),
        most_change=max(changes, default=nan),
        stretches=stretches,
    )


def _sound(values: Series) -> Series:
    """A series without what lies far off its neighbours' median; shrinkage changes only slowly along a roll (PH22.5a)."""
    from scipy.ndimage import median_filter

    out = np.full(values.size, np.nan)
    at = np.flatnonzero(np.isfinite(values))
    if at.size < LEAST_PITCHES:
        return out
    known = values[at]
    apart = np.abs(known - median_filter(known, size=min(2 * STRETCH + 1, known.size), mode="mirror"))
    spread = max(1.4826 * float(np.median(apart)), LEAST_SPREAD * float(np.median(known)))
    kept = apart <= OUTLYING * spread
    out[at[kept]] = known[kept]
    return out


def _mean(values: Series) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size >= LEAST_PITCHES else nan


def _error(values: Series) -> float:
    """Standard error of the mean, as if every pitch erred by itself: at most, because neighbours' errors cancel."""
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1)) / sqrt(known.size)


def _range(pitch_px: float, along_um: float | None, gauge: Gauge) -> tuple[float, float]:
    if along_um is None or not isfinite(pitch_px):
        return nan, nan
    low, high = shrinkage_range(gauge, pitch_px * along_um / 1000)
    return float(low), float(high)


def _across_range(width_px: float, across_um: float | None, gauge: Gauge) -> tuple[float, float]:
    tolerance = gauge.film_width_mm.tolerance
    if across_um is None or tolerance is None or not isfinite(width_px):
        return nan, nan
    width, new = width_px * across_um / 1000, gauge.film_width_mm.value
    return 1 - width / (new - tolerance), 1 - width / (new + tolerance)


def _cuts(values: Series) -> list[tuple[int, int]]:
    """Frames of each hundred measured pitches; what is left over joins the last ones."""
    at = np.flatnonzero(np.isfinite(values))
    if at.size < LEAST_PITCHES:
        return []
    count = max(1, int(np.round(at.size / STRETCH)))
    starts = [0, *(int(at[round(n * at.size / count)]) for n in range(1, count)), values.size]
    return list(pairwise(starts))


def _stretch(
    pitch: Series,
    width: Series,
    first: int,
    stop: int,
    mean: float,
    mean_width: float,
    along_um: float | None,
    across_um: float | None,
    gauge: Gauge,
) -> ShrinkageStretch:
    here, wide = _mean(pitch[first:stop]), _mean(width[first:stop])
    low, high = _range(here, along_um, gauge)
    low_across, high_across = _across_range(wide, across_um, gauge)
    return ShrinkageStretch(
        first=first,
        stop=stop,
        pitches=int(np.isfinite(pitch[first:stop]).sum()),
        low=low,
        high=high,
        change=1 - here / mean,
        change_across=1 - wide / mean_width,
        low_across=low_across,
        high_across=high_across,
    )
