"""`frames.csv`: the time at which each captured frame was in the scanner's gate."""

import csv
import io
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError


def read_times(text: str, *, count: int, where: str) -> NDArray[np.float64]:
    """Times of `count` captured frames, s; NaN where the file has none.

    The file has a header line `frame,time_s`. A frame number beyond the capture, or a line that is no
    pair of numbers, is a MaterialError that names the line.

    Examples
    --------
    >>> read_times("frame,time_s\\n0,0.5\\n2,0.6\\n", count=3, where="frames.csv")
    array([0.5, nan, 0.6])
    """
    times = np.full(count, np.nan)
    if not text.strip():
        return times
    try:
        rows = list(csv.reader(io.StringIO(text)))
    except csv.Error as error:
        raise MaterialError(f"{where} must be CSV, but {error}; mend it or take it away.") from None
    header = [name.strip().lower() for name in (rows or [[]])[0]]
    if header[:2] != ["frame", "time_s"]:
        raise MaterialError(
            f"{where} must begin with the line 'frame,time_s', found '{','.join(header)}'; mend it or take it away."
        )
    for line, row in enumerate(rows[1:], start=2):
        if not row:
            continue
        try:
            frame, time_s = int(row[0]), float(row[1])
        except (ValueError, IndexError):
            found = ",".join(row)
            raise MaterialError(
                f"{where} must hold a frame number and a time in seconds a line, found '{found}' in line {line}."
            ) from None
        if not 0 <= frame < count:
            raise MaterialError(
                f"{where} speaks of frame {frame} in line {line}, "
                f"but the capture has frames 0 to {count - 1}; it belongs to another capture."
            )
        times[frame] = time_s if np.isfinite(time_s) else np.nan
    return times


def growing_times(text: str) -> dict[int, float]:
    """Times of frames as far as a `frames.csv` that is still being written holds them, s, by frame.

    The last line counts only when it is ended. Lines that are no pair of numbers are passed over: they are
    refused when the capture is read as a whole.

    Examples
    --------
    >>> growing_times("frame,time_s\\n0,0.5\\n1,0.54\\n2,0.5")
    {0: 0.5, 1: 0.54}
    """
    times: dict[int, float] = {}
    for line in text[: text.rfind("\n") + 1].splitlines()[1:]:
        frame, _, time_s = line.partition(",")
        try:
            times[int(frame)] = float(time_s)
        except ValueError:
            continue
    return times


def even_times(count: int, scan_rate: Fraction) -> NDArray[np.float64]:
    """Times of an even scan.

    Examples
    --------
    >>> even_times(3, Fraction(2)).tolist()
    [0.0, 0.5, 1.0]
    """
    return np.arange(count, dtype=np.float64) * float(1 / scan_rate)
