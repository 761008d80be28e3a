"""Readings of the captured sound, a row a second and a track: `track.parquet`.

Levels are shares of full scale (1 is the largest code value), not decibels: the table must hold silence.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

CLIPPED_RUN = 3  # samples at full scale in a row that count as clipped. common practice, no source
SILENT_RUN_S = 0.01  # one value for this long is a dead line, not quiet sound. common practice, no source

COLUMNS: tuple[Column, ...] = (
    Column(
        name="track",
        unit="1",
        type="int32",
        meaning="Track of the captured sound, from 0.",
        source="definition",
    ),
    Column(
        name="second",
        unit="s",
        type="int64",
        meaning="Whole second of the captured sound, by the sound's own clock.",
        source="definition",
    ),
    Column(
        name="peak",
        unit="1",
        type="float64",
        meaning="Largest absolute sample of the second, 1 at full scale.",
        source="definition",
    ),
    Column(
        name="rms",
        unit="1",
        type="float64",
        meaning="Root mean square of the second's samples after its mean is taken off, 1 at full scale.",
        source="definition",
    ),
    Column(
        name="dc",
        unit="1",
        type="float64",
        meaning="Mean of the second's samples, 1 at full scale.",
        source="definition",
    ),
    Column(
        name="clipped",
        unit="1",
        type="int64",
        meaning="Samples of the second that stand in a run of 3 or more at full scale.",
        source="common practice",
    ),
    Column(
        name="silent_share",
        unit="1",
        type="float64",
        meaning="Share of the second in which one value stood for 10 ms or longer: no signal on the line.",
        source="common practice",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Rows of `track.parquet`, each field (seconds * tracks,), second by second and in it track by track."""

    track: NDArray[np.int32]
    second: NDArray[np.int64]
    peak: Floats
    rms: Floats
    dc: Floats
    clipped: NDArray[np.int64]
    silent_share: Floats


def measure_levels(
    read: ReadSound,
    *,
    in_samples: int,
    sound_rate: int,
    first_second: int,
    stop_second: int,
    full_scale: float = 1.0,
) -> Levels:
    """Level, offset, clipping and dead line of each second of the captured sound.

    Each second is read by itself, with 10 ms before and after it, so the rows do not depend on how the sound
    is divided between calls. A last second that is not whole is read as far as it goes.

    Parameters
    ----------
    read : callable
        `read(first, stop)` gives captured samples as float64 (stop - first, tracks).
    in_samples : int
        Length of the captured sound.
    sound_rate : int
        Samples a second.
    first_second, stop_second : int
        Seconds wanted, half-open; those beyond the sound give no row.
    full_scale : float
        Absolute value from which a sample is at full scale: the largest positive code value over the scale
        that `read` divides by, 1 - 2**-23 for 24 bits.

    Returns
    -------
    Levels

    Raises
    ------
    CallerError
        A rate that is not above 0, or seconds before the first.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> tone = 0.5 * np.sin(2 * np.pi * 50 * np.arange(8000) / 8000)
    >>> found = measure_levels(
    ...     read_array(tone), in_samples=8000, sound_rate=8000, first_second=0, stop_second=1
    ... )
    >>> round(float(found.peak[0]), 3), round(float(found.rms[0]), 3), int(found.clipped[0])
    (0.5, 0.354, 0)
    """
    if sound_rate <= 0 or first_second < 0:
        raise CallerError(
            f"A rate above 0 and seconds from 0 are needed to measure sound; found rate {sound_rate}, first "
            f"second {first_second}."
        )
    silent_run = max(2, round(SILENT_RUN_S * sound_rate))
    rows: list[tuple[int, int, float, float, float, int, float]] = []
    for second in range(first_second, min(stop_second, -(-in_samples // sound_rate))):
        first, stop = second * sound_rate, min((second + 1) * sound_rate, in_samples)
        low, high = max(0, first - silent_run), min(in_samples, stop + silent_run)
        halo = read(low, high)
        for track in range(halo.shape[1]):
            wide = halo[:, track]
            own = slice(first - low, stop - low)
            x = wide[own]
            dc = float(np.mean(x))
            at_full = np.abs(wide) >= full_scale
            same = np.concatenate([[False], wide[1:] == wide[:-1]])
            rows.append(
                (
                    track,
                    second,
                    float(np.max(np.abs(x))),
                    float(np.sqrt(np.mean((x - dc) ** 2))),
                    dc,
                    int(np.count_nonzero(_in_runs(at_full, CLIPPED_RUN)[own])),
                    float(np.mean(_repeated(same, silent_run)[own])),
                )
            )
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(fields(Levels))
    return Levels(
        track=np.array(columns[0], dtype=np.int32),
        second=np.array(columns[1], dtype=np.int64),
        peak=np.array(columns[2], dtype=np.float64),
        rms=np.array(columns[3], dtype=np.float64),
        dc=np.array(columns[4], dtype=np.float64),
        clipped=np.array(columns[5], dtype=np.int64),
        silent_share=np.array(columns[6], dtype=np.float64),
    )


def _in_runs(true: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Where `true` holds for at least `length` in a row."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    out = np.zeros(len(true), dtype=bool)
    for first, stop in edges.reshape(-1, 2):
        if stop - first >= length:
            out[first:stop] = True
    return out


def _repeated(same: NDArray[np.bool_], length: int) -> NDArray[np.bool_]:
    """Samples of runs of one value of at least `length`; `same` says that a sample equals the one before."""
    later = _in_runs(same, length - 1)
    return later | np.concatenate([later[1:] & ~same[:-1], [False]]) if len(same) else later
