"""Millimetres at the film and pixels in the capture; the conventions of place and number, stated once.

Pixels. Pixel (0, 0) is the centre of the top-left pixel, x to the right, y down; the picture's edges lie at
-0.5 and width - 0.5. Arrays are `[y, x]` or `[y, x, channel]` (R G B), positions are `(x, y)`.

Film. x is across the film, counted from the perforated (reference) edge towards the other one; y is along it,
growing in running order, from the head of the roll to its tail, which is downwards when the picture stands
upright. A capture that shows the perforations on the right has its pixel x against the film's x.

Frames. Captured frames count from 0 and keep that number for ever. Frames of a reel are counted by film
position, from 0 in running order, with gaps where a film frame was not captured. Ranges are half-open.

Across and along are scaled apart: a line of the sensor and the film's transport need not agree, and film
shrinks by different amounts in the two directions.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge

# Manufacture's tolerance over 100 pitches where none was seen for a gauge: 0.43 / 423.42 (ST149) and
# 0.76 / 762.00 (Z22.5) are both 0.10 %.
_TOLERANCE_OVER_100 = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmScale:
    """Pixels to a millimetre of film, in the two directions.

    Examples
    --------
    >>> FilmScale(across_px_per_mm=200.0, along_px_per_mm=199.0).along_px_per_mm
    199.0
    """

    across_px_per_mm: float
    along_px_per_mm: float

    def __post_init__(self) -> None:
        for name, value in (("across", self.across_px_per_mm), ("along", self.along_px_per_mm)):
            if not (np.isfinite(value) and value > 0):
                raise CallerError(f"A scale {name} the film needs pixels a millimetre above 0, got {value}.")


def pixels_from_mm(positions_mm: ArrayLike, scale: FilmScale) -> NDArray[np.float64]:
    """Distances on the film to distances in the capture.

    Parameters
    ----------
    positions_mm : array_like, shape (..., 2)
        (across, along), millimetres. Not altered.
    scale : FilmScale

    Returns
    -------
    array, shape (..., 2), float64
        (x, y), pixels. NaN stays NaN. No origin and no mirroring: these are distances.

    Raises
    ------
    CallerError
        If the last axis is not 2 long.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> pixels_from_mm([0.914, 1.143], FilmScale(across_px_per_mm=200.0, along_px_per_mm=200.0))
    array([182.8, 228.6])
    """
    return _pairs(positions_mm, "positions_mm") * (scale.across_px_per_mm, scale.along_px_per_mm)


def mm_from_pixels(positions_px: ArrayLike, scale: FilmScale) -> NDArray[np.float64]:
    """Distances in the capture to distances on the film; the inverse of `pixels_from_mm`.

    Parameters
    ----------
    positions_px : array_like, shape (..., 2)
        (x, y), pixels. Not altered.
    scale : FilmScale

    Returns
    -------
    array, shape (..., 2), float64
        (across, along), millimetres. NaN stays NaN.

    Raises
    ------
    CallerError
        If the last axis is not 2 long.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> mm_from_pixels([100.0, 50.0], FilmScale(across_px_per_mm=200.0, along_px_per_mm=100.0))
    array([0.5, 0.5])
    """
    return _pairs(positions_px, "positions_px") / (scale.across_px_per_mm, scale.along_px_per_mm)


def perforation_px(gauge: Gauge, scale: FilmScale) -> tuple[float, float, float]:
    """Size of a new perforation in the capture.

    Parameters
    ----------
    gauge : Gauge
    scale : FilmScale

    Returns
    -------
    (width, height, corner radius) : floats, pixels
        Across the film, along it, and the corner's radius at the geometric mean of the two scales, since a
        corner scaled unequally is no circle.

    Notes
    -----
    Source: the gauge's `perforation`.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> size = perforation_px(SUPER_8, FilmScale(across_px_per_mm=100.0, along_px_per_mm=100.0))
    >>> [round(each, 3) for each in size]
    [91.4, 114.3, 13.0]
    """
    hole = gauge.perforation
    mean_scale = (scale.across_px_per_mm * scale.along_px_per_mm) ** 0.5
    return (
        hole.width_mm.value * scale.across_px_per_mm,
        hole.height_mm.value * scale.along_px_per_mm,
        hole.corner_radius_mm.value * mean_scale,
    )


def picture_offset_mm(gauge: Gauge) -> tuple[float, float]:
    """From the centre of a perforation to the nominal centre of its picture.

    Parameters
    ----------
    gauge : Gauge

    Returns
    -------
    (across, along) : floats, millimetres
        Across counts away from the perforated edge: to be turned round where the capture shows the
        perforations on the right. Along is 0 where the perforation lies beside the middle of the frame, and
        half a long pitch where it lies on the frame line: the picture that follows it in running order.
        For film with two rows the perforation is that of the reference edge; for a row in the film's centre
        across is 0.

    Notes
    -----
    Source: the gauge's `picture_centre_from_edge_mm`, `perforation` and `holes_at`. The picture's centre is
    an estimate in every gauge (none was read in a published text): replace it by measurement.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import STANDARD_8, SUPER_8
    >>> [round(each, 4) for each in picture_offset_mm(STANDARD_8)]
    [3.385, 1.905]
    >>> [round(each, 4) for each in picture_offset_mm(SUPER_8)]
    [3.423, 0.0]
    """
    edge = gauge.perforation.edge_distance_mm
    across = 0.0
    if edge is not None:
        hole_centre_mm = edge.value + gauge.perforation.width_mm.value / 2
        across = gauge.picture_centre_from_edge_mm.value - hole_centre_mm
    along = gauge.pitch_long_mm.value / 2 if gauge.holes_at == "frame line" else 0.0
    return across, along


def shrinkage_range(
    gauge: Gauge, pitch_mm: ArrayLike
) -> tuple[NDArray[np.float64] | np.float64, NDArray[np.float64] | np.float64]:
    """Between what limits the film has shrunk, when its pitch is known in true millimetres.

    The pitch when new is not known: it may have been the short or the long one, and manufacture allows some
    0.10 % over 100 pitches. So shrinkage is a range. New short-pitch film measured against the long pitch
    reads about 0.2 %: a range that reaches 0 or below has not been shown to be shrunk at all.

    Parameters
    ----------
    gauge : Gauge
    pitch_mm : float or array_like
        Pitch measured with a scale that does not come from the film itself, as a mean over many
        perforations. Not altered.

    Returns
    -------
    (low, high) : float64 or arrays, shape of `pitch_mm`
        Ratios of the length when new: 0.008 is 0.8 %. Negative: longer than when new. NaN where `pitch_mm`
        is NaN or not above 0.

    Notes
    -----
    shrinkage = (pitch when new - pitch) / pitch when new. Pitch when new lies between the shortest known
    pitch less its tolerance and the long pitch plus its tolerance. The tolerance is that of 100 consecutive
    pitches where it was seen (ST149, Z22.5), else that of one pitch (9.5 mm, from memory), else 0.10 %.
    Source: derived; ST149, Z22.5, ST239, ST35x16, ENCSTEP.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> low, high = shrinkage_range(SUPER_8, 4.2003)  # 0.8 % below the long pitch
    >>> f"{low:.4f} to {high:.4f}"
    '0.0052 to 0.0090'
    """
    pitch = np.asarray(pitch_mm, dtype=np.float64)
    pitch = np.where(pitch > 0, pitch, np.nan)
    shortest, longest = new_pitch_mm(gauge, "new")
    return (1 - pitch / shortest)[()], (1 - pitch / longest)[()]


def new_pitch_mm(gauge: Gauge, stock: Literal["long", "short", "new"]) -> tuple[float, float]:
    """Between what limits the pitch of film lies that has not shrunk, as a mean over 100 perforations.

    Parameters
    ----------
    gauge : Gauge
    stock : "long", "short" or "new"
        Long-pitch film (projection, most reversal), short-pitch film (camera negative), or either.

    Returns
    -------
    (shortest, longest) : floats, millimetres
        The nominal pitch with its tolerance over 100 pitches.

    Raises
    ------
    CallerError
        If the gauge has no short pitch and it is asked for.

    Notes
    -----
    Source: the gauge's pitches and their tolerance (ST149, ST239, Z22.5, ST35x16; 9.5 mm from memory).

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> [round(each, 4) for each in new_pitch_mm(SUPER_8, "long")]
    [4.2299, 4.2385]
    """
    if stock == "short" and gauge.pitch_short_mm is None:
        raise CallerError(f'{gauge.name} film has one pitch only; state "long" or "new" for it.')
    long_mm = gauge.pitch_long_mm.value
    short_mm = gauge.pitch_short_mm.value if gauge.pitch_short_mm is not None else long_mm
    tolerance = _tolerance_over_100(gauge)
    shortest = long_mm if stock == "long" else short_mm
    longest = short_mm if stock == "short" else long_mm
    return shortest * (1 - tolerance), longest * (1 + tolerance)


def _tolerance_over_100(gauge: Gauge) -> float:
    """Relative tolerance of manufacture over many pitches."""
    if gauge.length_100_long_mm.tolerance is not None:
        return gauge.length_100_long_mm.tolerance / gauge.length_100_long_mm.value
    if gauge.pitch_long_mm.tolerance is not None:
        return gauge.pitch_long_mm.tolerance / gauge.pitch_long_mm.value
    return _TOLERANCE_OVER_100


def _pairs(values: ArrayLike, name: str) -> NDArray[np.float64]:
    pairs = np.asarray(values, dtype=np.float64)
    if pairs.ndim < 1 or pairs.shape[-1] != 2:
        raise CallerError(
            f"{name} must hold pairs (across, along) in its last axis, got shape {pairs.shape}."
        )
    return pairs
