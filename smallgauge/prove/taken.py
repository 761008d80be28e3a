"""What was taken out of the sound: the finished sound held against the captured one, by code that did not make it.

check_taken  a reel's folder, the finished sound -> the check, or why it was not made
hear_taken   captured sound, the sound's map, finished sound -> windows compared, and those that differ

The captured sound is laid to the picture once more, by another way of resampling, and subtracted from the finished
sound. What is left must be hum that was decided on, and nothing else: lines of the hum that was followed are fitted to
it, and the rest must be far below the sound itself. Where speech had gone with the hum, it would stand in that rest.
Windows with a repaired click in them, or at full scale, are passed over.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.sound_in import open_sound
from smallgauge.record.finding import Check, Finding
from smallgauge.record.recipe import FINISHED
from smallgauge.record.rendertable import REPAIR_COLUMNS, SOUND_COLUMNS, SoundSummary
from smallgauge.record.soundfaults import FAULT_FILES, read_faults
from smallgauge.record.table import Table, read_table
from smallgauge.sound.comb import CombTrack
from smallgauge.sound.hum_removal import FADE_S

WINDOW_S = 0.8
MOST_WINDOWS = 30
# Of the sound itself, or of full scale, that may differ. Measured on drawn tracks: -76 dB at most (docs/benchmarks.md).
MOST_DB, FLOOR_DBFS = -56.0, -90.0
LOWEST_HZ, HIGHEST = 25.0, 0.62  # of half the lower sampling rate: what both ways of resampling keep
CLIPPED = 0.999  # sound that reaches full scale is cut off there, each way of resampling elsewhere
FINER = 4  # values to a captured sample before the spline
COARSER, SPLIT_HZ = (
    6,
    2600.0,
)  # lines are fitted to every sixth sample of what lies below this; no line lies higher
MARGIN = 96  # captured samples on either side
BEND = 4  # a line's strength may change within a window as a polynomial with so many coefficients

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Differs:
    """A window whose difference from the capture is no hum: second of the finished sound, decibels to the sound."""

    second: float
    track: int
    db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Windows that were compared, and those that differ."""

    compared: int
    differ: tuple[Differs, ...]


def windows_of(samples: int, rate: int, repaired: Floats) -> tuple[int, list[int]]:
    """Length of a window and where each begins: spread evenly, none with a repaired place in it.

    Examples
    --------
    >>> windows_of(48000, 10000, np.array([9000.0]))
    (8000, [16000, 24000, 32000, 40000])
    """
    length = round(WINDOW_S * rate)
    if samples < length:
        return length, []
    count = min(MOST_WINDOWS, max(1, samples // length))
    starts = np.unique(np.linspace(0, samples - length, count).round().astype(np.int64))
    far = round(0.2 * rate)  # a thump and what its filter reaches
    clear = [
        int(start)
        for start in starts
        if not np.any((repaired > start - far) & (repaired < start + length + far))
    ]
    return length, clear


def hear_taken(
    archive: Path,
    blocks: Iterator[Floats],
    *,
    rate: int,
    samples: int,
    sound_map: Table,
    repaired: Sequence[float],
    hum: tuple[CombTrack, ...],
) -> Taken:
    """Compare windows of the finished sound with the captured sound where the map says.

    `blocks` give the finished sound from its beginning; they are read once. `repaired` are the middles of repaired
    places, in finished samples; `hum` the combs that were taken out.
    """
    length, starts = windows_of(samples, rate, np.asarray(repaired, dtype=np.float64))
    compared, differ = 0, []
    with open_sound(archive) as reader:
        for start, window in _cut(blocks, starts, length):
            for track in range(window.shape[1]):
                if np.max(np.abs(window[:, track])) > CLIPPED:
                    continue
                own = track if np.any(sound_map["track"] == track) else 0
                rows = sound_map["track"] == own
                m = np.arange(start, start + length, dtype=np.float64)
                q, slope, gain = _place(sound_map, rows, m)
                low, high = int(np.floor(q.min())) - MARGIN, int(np.ceil(q.max())) + MARGIN
                if low < 0 or high > reader.samples:
                    continue  # silence before the first or after the last captured sample
                heard = _laid(reader.read_padded(low, high)[:, track], q - low, slope) * gain
                # half the lower of the two rates, as a frequency of the finished sound; less where the scan's speed moves
                least, most = float(np.min(np.abs(slope))), float(np.max(np.abs(slope)))
                edge = HIGHEST / 2 * rate * min(1.0, least) * least / most
                db = _left_db(
                    window[:, track], heard, [_lines(comb, q, reader.rate) for comb in hum], rate, edge
                )
                compared += 1
                if not db <= MOST_DB:
                    differ.append(Differs(second=start / rate, track=track, db=db))
    return Taken(compared=compared, differ=tuple(differ))


def check_taken(
    folder: Path, sound: SoundSummary, blocks: Iterator[Floats], *, rate: int, bad: set[str]
) -> tuple[Check | None, list[Finding]]:
    """The check of a reel's finished sound and what it found; no check and why, where it can't be made.

    `blocks` give the finished sound from its beginning; `bad` are files that are missing or not as they were written.
    """
    done = sound.repairs
    needed = {"archive.wav", "sound.parquet", "repairs.parquet", *FAULT_FILES}
    bad = bad | {file for file in needed if not (folder / file).is_file()}
    why = ""
    if done.equalised == done.equalised or done.hiss_db:
        why = "a replay curve was changed or hiss made less, which alters the whole sound"
    elif needed & bad:
        why = f"{', '.join(sorted(needed & bad))} can't be trusted"
    else:
        repaired = read_table(folder / "repairs.parquet", REPAIR_COLUMNS, "repairs")["out_sample"]
        taken = hear_taken(
            folder / "archive.wav",
            blocks,
            rate=rate,
            samples=sound.samples,
            sound_map=read_table(folder / "sound.parquet", SOUND_COLUMNS, "sound"),
            repaired=repaired[np.isfinite(repaired)].tolist(),
            hum=tuple(comb for clock, comb in read_faults(folder).combs() if clock in done.hum),
        )
        if taken.compared:
            return _told(taken)
        why = "no stretch of it is long enough, without a repaired place and below full scale"
    values: dict[str, object] = {"check": "what was taken out of the sound", "why": why}
    return None, [Finding(code="check not made", where=FINISHED.file, values=values)]


def _told(taken: Taken) -> tuple[Check, list[Finding]]:
    check = Check(
        name="nothing but hum taken out",
        of=FINISHED.file,
        made=taken.compared,
        passed=taken.compared - len(taken.differ),
        by="resampled another way",
    )
    found = []
    for each in taken.differ[:20]:
        values: dict[str, object] = {
            "second": round(each.second, 1),
            "track": each.track + 1,
            "db": round(each.db, 1),
        }
        found.append(Finding(code="sound not as captured", where=FINISHED.file, values=values))
    return check, found


def _cut(blocks: Iterator[Floats], starts: list[int], length: int) -> Iterator[tuple[int, Floats]]:
    """Windows of a stream of blocks: (first sample, samples)."""
    held: list[Floats] = []
    begins = done = 0
    wanted = list(starts)
    for block in blocks:
        held.append(block)
        done += len(block)
        while wanted and done >= wanted[0] + length:
            whole = np.concatenate(held)
            yield wanted[0], whole[wanted[0] - begins : wanted[0] - begins + length]
            held, wanted = [whole], wanted[1:]
        keep = wanted[0] if wanted else done
        while held and begins + len(held[0]) <= keep:
            begins += len(held.pop(0))


def _place(sound_map: Table, rows: NDArray[np.bool_], m: Floats) -> tuple[Floats, Floats, Floats]:
    """Place in the captured sound at finished samples, captured samples to one, and gain."""
    from scipy.interpolate import CubicHermiteSpline

    at = sound_map["out_sample"][rows]
    curve = CubicHermiteSpline(at, sound_map["in_sample"][rows], sound_map["slope"][rows])
    return np.asarray(curve(m)), np.asarray(curve(m, 1)), np.interp(m, at, sound_map["gain"][rows])


def _laid(x: Floats, at: Floats, slope: Floats) -> Floats:
    """Samples at places between them: low-passed where they lie denser than wanted, made finer, then a cubic spline."""
    from scipy.ndimage import map_coordinates
    from scipy.signal import firwin, oaconvolve, resample_poly

    dense = float(np.max(np.abs(slope)))
    if dense > 1.0:
        taps = firwin(2 * int(np.ceil(24 * dense)) + 1, 0.86 / dense, window=("kaiser", 9.0))
        x = oaconvolve(x, taps, mode="same")
    fine = resample_poly(x, FINER, 1, window=("kaiser", 9.0))
    # Both ends of the spline lie `MARGIN` away, so how it ends there makes no difference.
    return np.asarray(map_coordinates(fine, [at * FINER], order=3, mode="mirror"))


@dataclass(frozen=True, slots=True)
class _Lines:
    """A comb within a window: phase of its first line in cycles, which lines it has, and how much of it is taken out.

    Beyond its ends a comb is taken out a tenth of a second further, ever less.
    """

    turns: Floats
    orders: list[int]
    share: Floats


def _lines(comb: CombTrack, q: Floats, rate: int) -> _Lines:
    from scipy.interpolate import PchipInterpolator

    at, turns = comb.in_sample, comb.turns
    inside = np.clip(q, at[0], at[-1])
    slopes = (turns[1] - turns[0]) / (at[1] - at[0]), (turns[-1] - turns[-2]) / (at[-1] - at[-2])
    straight = np.where(q < at[0], (q - at[0]) * slopes[0], (q - inside) * slopes[1])
    return _Lines(
        np.asarray(PchipInterpolator(at, turns)(inside)) + straight,
        [k + 1 for k in range(len(comb.lines)) if np.any(comb.lines[k])],
        np.clip(1.0 - np.abs(q - inside) / (FADE_S * rate), 0.0, 1.0),
    )


def _left_db(finished: Floats, heard: Floats, hum: list[_Lines], rate: int, edge_hz: float) -> float:
    """What of the difference is no hum, in decibels to the captured sound (or to the floor, where that is silent)."""
    off = finished - heard
    above = _power(off, rate, SPLIT_HZ, edge_hz)
    below = _power(_without_lines(off, hum), rate / COARSER, LOWEST_HZ, min(SPLIT_HZ, edge_hz))
    floor = 10 ** ((FLOOR_DBFS - MOST_DB) / 10)
    return 10 * float(np.log10((above + below + 1e-30) / max(_power(heard, rate, LOWEST_HZ, edge_hz), floor)))


def _without_lines(off: Floats, hum: list[_Lines]) -> Floats:
    """The low part of a difference, every `COARSER`-th sample, without the lines of hum that fit it best."""
    from scipy.signal import resample_poly

    low = np.asarray(resample_poly(off, 1, COARSER, window=("kaiser", 9.0)))
    share = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, len(low)), BEND - 1)
    columns = [
        share * wave[:, None]
        for lines in hum
        for k in lines.orders
        for wave in _waves(k, lines.turns[::COARSER][: len(low)], lines.share[::COARSER][: len(low)])
    ]
    if not columns:
        return low
    design = np.concatenate(columns, axis=1)
    # a little is added, for lines of two combs may lie on one another
    square = design.T @ design + 1e-9 * len(low) * np.eye(design.shape[1])
    return np.asarray(low - design @ np.linalg.solve(square, design.T @ low))


def _waves(k: int, turns: Floats, share: Floats) -> tuple[Floats, Floats]:
    angle = 2 * np.pi * k * turns
    return share * np.cos(angle), share * np.sin(angle)


def _power(x: Floats, rate: float, low_hz: float, high_hz: float) -> float:
    """Mean square of what lies in a band."""
    window = np.hanning(len(x))
    hz = np.fft.rfftfreq(len(x), 1.0 / rate)
    band = (hz >= low_hz) & (hz <= high_hz)
    return float(np.sum(np.abs(np.fft.rfft(x * window)[band]) ** 2)) * 2 / len(x) / float(np.sum(window**2))
