"""Repair of scratches: the light that a line takes, or adds, is given back; what is behind it stays.

line_runs             a line's place and where it is seen   ->  its pixels, column by column
apply_scratch_repair  a captured frame and its lines        ->  the frame with them repaired    (render)

A line along the film changes the light behind it by one factor at each distance from its middle, in each colour by its own: an
additive profile of density. Its inverse is applied, no more: nothing is taken from beside it, and the grain stays. Where a line
hides nearly all, nothing is left to be given back, and it stays.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

DEEPEST = 150.0  # per cent of the light behind, logarithmic: what is deeper hides what is there; common practice, no source
LEAST_SHARE = 0.02  # of its depth from which a line's pixels are touched; common practice, no source
SOFT_ROWS = 4  # over which a line that stops is repaired less; common practice, no source

Codes = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]
Floats = NDArray[np.float32]
Run = tuple[int, int, int]  # column, first row, stop


@dataclass(frozen=True, slots=True, kw_only=True)
class ScratchRepair:
    """A line to repair on one frame: its middle, px; its depth px by px as shares of the whole, the middle one at `x`; per cent of
    the light behind (logarithmic), colour by colour; its pixels as (column, first row, stop)."""

    x: float
    profile: tuple[float, ...]
    colours: tuple[float, float, float]
    runs: tuple[Run, ...]


def line_runs(x: float, length: int, bands: Sequence[bool], size: tuple[int, int]) -> tuple[Run, ...]:
    """The pixels of a line: (column, first row, stop), a run for each stretch of bands in a row in which it is seen.

    Parameters
    ----------
    x : float
        Its middle, px.
    length : int
        Of its profile, px.
    bands : sequence of bool
        Whether it is seen in each part of the height, from the top.
    size : (int, int)
        Width and height of the picture, px.

    Examples
    --------
    >>> line_runs(10.2, 3, (True, True, False, True), (20, 40))
    ((9, 0, 20), (9, 30, 40), (10, 0, 20), (10, 30, 40), (11, 0, 20), (11, 30, 40))
    """
    wide, high = size
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(bands, np.int8), [0]])))
    rows = [
        (round(a * high / len(bands)), round(b * high / len(bands))) for a, b in zip(edges[::2], edges[1::2])
    ]
    reach, middle = length // 2, round(x)
    columns = range(max(0, middle - reach), min(wide, middle + reach + 1))
    return tuple((column, first, stop) for column in columns for first, stop in rows)


def apply_scratch_repair(samples: Codes, repairs: Sequence[ScratchRepair], *, table: Floats | None) -> Codes:
    """A frame with its lines repaired.

    Parameters
    ----------
    samples : array, shape (height, width) or (height, width, 3)
        Captured code values; floating point is light already. Not altered.
    repairs : sequence of ScratchRepair
        In the order in which they are to be made. One deeper than `DEEPEST` in any colour is left.
    table : float32 array or None
        Light of each code value, rising; None for floating point.

    Returns
    -------
    array
        Of the samples' type; every sample outside all runs is the same.

    Notes
    -----
    Source: the reference names the additive profile (picture science, section e); its depth in density is our own.

    Examples
    --------
    >>> light = np.full((8, 9), 0.5, np.float32)
    >>> light[:, 4] *= 0.8
    >>> line = ScratchRepair(x=4.0, profile=(0.0, 1.0, 0.0), colours=(-22.3,) * 3, runs=((4, 0, 8),))
    >>> apply_scratch_repair(light, [line], table=None)[3].round(3).tolist()
    [0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5]
    """
    out = samples.copy()
    middles = None if table is None else np.asarray((table[1:] + table[:-1]) / 2, np.float32)
    for repair in repairs:
        if max(abs(share) for share in repair.colours) <= DEEPEST:
            _mend(out, repair, table, middles)
    return out


def _mend(out: Codes, repair: ScratchRepair, table: Floats | None, middles: Floats | None) -> None:
    """One repair, into `out`."""
    planes = out if out.ndim == 3 else out[..., None]
    reach = len(repair.profile) // 2
    shares = np.asarray(repair.colours if planes.shape[2] == 3 else [np.mean(repair.colours)], np.float32)
    for column, first, stop in repair.runs:
        share = float(
            np.interp(column - repair.x, np.arange(-reach, reach + 1), repair.profile, left=0, right=0)
        )
        if abs(share) < LEAST_SHARE:
            continue
        codes = planes[first:stop, column]
        light = np.nan_to_num(np.asarray(codes, np.float32)) if table is None else table[codes]
        factor = np.exp(-share * shares / 100) - 1
        light = light * (1 + _whole(first, stop, len(planes))[:, None] * factor)
        planes[first:stop, column] = light if middles is None else np.searchsorted(middles, light)


def _whole(first: int, stop: int, rows: int) -> Floats:
    """How far each row of a run is repaired: less where the line stops inside the picture."""
    row = np.arange(first, stop)
    above = row - first + 1 if first > 0 else np.full(len(row), rows)
    far = np.minimum(above, stop - row if stop < rows else rows)
    return np.asarray(np.minimum(far / SOFT_ROWS, 1.0), np.float32)
