"""Splices: where two pieces of film were joined, told from places where the camera was stopped and started.

find_splices   columns of `splice_evidence`, scene starts  -> Splices, frame by frame      (analyse, join)

A camera that stops changes the picture and nothing else. A splice changes the film: a line straight across
its whole width, through both borders where no picture ever was (the cut, the ends of a tape, the ends of a
cement overlap); film that lies beside the film before it; a pitch that jumps; another base. So every cue
here is read outside the picture, and what the picture does can only support a cue, never replace one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge
from smallgauge.picture.splice_evidence import LINE_SCORE

SpliceKind = Literal["tape", "cement", ""]
Array = NDArray[np.float64]

APART_MM = 0.3  # lines nearer than this are one; common practice, no source
OVERLAP_DENSITY = 0.03  # two films on each other are darker than one by this at least; common practice
LATERAL_MM = 0.02  # a step of the film's edges from here on; SPLICE1949 allows splices 0.05
PITCH_MM = 0.025  # PH22.5a: jumps well above it are damage, a splice or an error of finding
BASE_DENSITY = 0.03  # a step of the border's density from here on; common practice, no source
NEAR_LINE = 0.1  # of the pitch: a cut this near to a frame line was made on it; common practice, no source
REACH_MM = 8.0  # how far from the cut its tape's ends may lie; common practice, no source
OVERLAP_MM = (1.3, 3.0)  # cement overlap, with room for the 1.8 to 2.5 of picture note f (from memory)
# Weights of the cues, in units of log odds; common practice, no source. One splice in 400 frames is expected.
PRIOR = -6.0
LINE_WEIGHT = 9.0  # a bright line across both borders
EDGE_WEIGHT = 4.0  # a dark line or step; two at most
LATERAL_WEIGHT = 6.0
PITCH_WEIGHT = 2.0
BASE_WEIGHT = 3.0
SCENE_WEIGHT = 1.5  # never without one of the others


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Splices:
    """Per frame: whether a splice lies before it, of what kind ("": can't tell), and how sure, 0 to 1."""

    splice: NDArray[np.bool_]
    kind: tuple[SpliceKind, ...]
    confidence: Array


@dataclass(frozen=True, slots=True)
class _Line:
    place_mm: float  # on the film, from the reference of frame 0
    score: float
    bright: bool
    step: float = 0.0  # density after it, in running order, less that before


def find_splices(
    film_position: ArrayLike,
    *,
    cut_mm: ArrayLike,
    cut_score: ArrayLike,
    cut_step: ArrayLike,
    edge_mm: ArrayLike,
    edge_score: ArrayLike,
    second_edge_mm: ArrayLike,
    second_edge_score: ArrayLike,
    lateral_mm: ArrayLike,
    lateral_at_mm: ArrayLike,
    lateral_score: ArrayLike,
    pitch_mm: ArrayLike,
    border_density: ArrayLike,
    scene_starts: Sequence[int],
    gauge: Gauge,
    downwards: bool = True,
) -> Splices:
    """Which frames follow a splice, of what kind, and how sure.

    Cues that lie on one place of the film, in whichever frames they were seen, are one splice; the cut is
    put on the frame line nearest to it. Where nothing is seen in the film itself there is no splice,
    whatever the picture does: that is a cut made in camera.

    Parameters
    ----------
    film_position : array of int, shape (frames,)
        Frame of the film that each row shows.
    cut_mm, cut_score, cut_step, edge_mm, edge_score, second_edge_mm, second_edge_score : arrays, shape (frames,)
    lateral_mm, lateral_at_mm, lateral_score, pitch_mm, border_density : arrays, shape (frames,)
        Columns of SpliceReading. NaN: not seen.
    scene_starts : sequence of int
        Rows at which the picture changes (from `find_scenes`); support, never evidence.
    gauge : Gauge
    downwards : bool
        Film position grows downwards in the capture.

    Returns
    -------
    Splices
        Confidence is 0 where there is no cue in the film. A splice is told from confidence 0.5.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    Cues add up as log odds from a prior of one splice in 400 frames. Source: weights "common practice";
    limits as SPLICE1949 and PH22.5a. Kind: a bright line on a frame line, or two ends at equal distances, is
    tape; a bright line between frame lines with darker film on one side is the end of a cement overlap, and
    so are two lines 1.3 to 3 mm apart, one of them on a frame line. One dark line by itself is no splice.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> nan = [float("nan")] * 4
    >>> none = dict.fromkeys(
    ...     ("cut_step", "edge_mm", "edge_score", "second_edge_mm", "second_edge_score", "lateral_mm", "lateral_at_mm",
    ...      "lateral_score", "pitch_mm", "border_density"), nan)
    >>> found = find_splices(
    ...     range(4), cut_mm=[0.4, 2.12, -2.11, 1.0], cut_score=[2.0, 60.0, 55.0, 3.0], scene_starts=(0, 1),
    ...     gauge=SUPER_8, **none)
    >>> found.splice.tolist(), found.kind[2]  # frame 1 is a cut made in camera
    ([False, False, True, False], 'tape')
    """
    position = np.asarray(film_position, np.int64)
    columns = {
        "cut_mm": cut_mm, "cut_score": cut_score, "cut_step": cut_step, "edge_mm": edge_mm, "edge_score": edge_score,
        "second_edge_mm": second_edge_mm, "second_edge_score": second_edge_score, "lateral_mm": lateral_mm,
        "lateral_at_mm": lateral_at_mm, "lateral_score": lateral_score, "pitch_mm": pitch_mm,
        "border_density": border_density,
    }  # fmt: skip
    table = {name: np.asarray(values, np.float64) for name, values in columns.items()}
    if any(len(values) != len(position) for values in table.values()):
        lengths = sorted({len(position), *(len(values) for values in table.values())})
        raise CallerError(
            f"find_splices needs columns of one length, got lengths {lengths}. Pass them from one table."
        )
    pitch = gauge.pitch_long_mm.value
    sign = 1.0 if downwards else -1.0
    lines = _film_lines(position, table, pitch, sign)
    odds: dict[int, float] = {}
    kinds: dict[int, SpliceKind] = {}
    for group in _groups(lines, pitch):
        cut, kind = _cut_of(group, pitch)
        frame = _frame_after(cut, pitch)
        bright = max((each.score for each in group if each.bright), default=0.0)
        dark = sorted((each.score for each in group if not each.bright), reverse=True)[:2]
        gain = _gain(bright, LINE_WEIGHT) + sum(_gain(each, EDGE_WEIGHT) for each in dark)
        odds[frame] = odds.get(frame, 0.0) + gain
        kinds[frame] = kind or kinds.get(frame, "")
    for frame, gain in _lateral_cues(position, table, pitch, sign).items():
        near = _nearest(frame, odds)
        odds[near] = odds.get(near, 0.0) + gain
    starts = {int(position[row]) for row in scene_starts if 0 < row < len(position)}
    steps = _base_steps(table["border_density"], position)
    for frame in steps:
        near = _nearest(frame, odds)
        odds[near] = odds.get(near, 0.0) + BASE_WEIGHT
    jumps = _pitch_jumps(table["pitch_mm"], position)
    splice, confidence = np.zeros(len(position), np.bool_), np.zeros(len(position))
    kind_of: list[SpliceKind] = [""] * len(position)
    for frame, gain in odds.items():
        gain += PITCH_WEIGHT if jumps & {frame - 1, frame} else 0.0
        gain += SCENE_WEIGHT if starts & {frame - 1, frame, frame + 1} else 0.0
        rows = np.flatnonzero(position >= frame)
        if len(rows) == 0 or frame <= position[0]:
            continue  # beyond the capture's ends
        row = int(rows[np.argmin(position[rows])])
        sure = float(1.0 / (1.0 + np.exp(-(gain + PRIOR))))
        if sure > confidence[row]:
            confidence[row], splice[row], kind_of[row] = sure, sure >= 0.5, kinds.get(frame, "")
    return Splices(
        splice=splice,
        kind=tuple(kind if found else "" for kind, found in zip(kind_of, splice, strict=True)),
        confidence=confidence,
    )


def _gain(score: float, weight: float) -> float:
    """Log odds of a line: nothing below the limit, half of its weight at it, all from 1.5 times."""
    return weight * float(np.clip(score / LINE_SCORE - 0.5, 0.0, 1.0)) if score >= LINE_SCORE else 0.0


def _film_lines(
    position: NDArray[np.int64], table: dict[str, Array], pitch: float, sign: float
) -> list[_Line]:
    """All lines above the limit on the film, those seen in two frames once."""
    found = []
    for place, score, bright in (
        ("cut_mm", "cut_score", True),
        ("edge_mm", "edge_score", False),
        ("second_edge_mm", "second_edge_score", False),
    ):
        for row in np.flatnonzero(np.nan_to_num(table[score]) >= LINE_SCORE):
            at = position[row] * pitch + sign * float(table[place][row])
            step = sign * float(np.nan_to_num(table["cut_step"][row])) if bright else 0.0
            found.append(_Line(at, float(table[score][row]), bright, step))
    found.sort(key=lambda each: -each.score)
    kept: list[_Line] = []
    for line in found:
        if all(abs(line.place_mm - other.place_mm) > APART_MM for other in kept):
            kept.append(line)
    return sorted(kept, key=lambda each: each.place_mm)


def _groups(lines: list[_Line], pitch: float) -> list[list[_Line]]:
    """Lines that belong to one splice: those nearest to one joint, else all within reach of the first."""
    joints = [
        each for each in lines if each.bright and _off_frame_line(each.place_mm, pitch) < NEAR_LINE * pitch
    ]
    groups = [[each] for each in joints]
    rest: list[list[_Line]] = []
    for line in lines:
        if line in joints:
            continue
        near = min(groups, key=lambda group: abs(group[0].place_mm - line.place_mm), default=None)
        if near is not None and abs(near[0].place_mm - line.place_mm) <= REACH_MM:
            near.append(line)
        elif rest and line.place_mm - rest[-1][0].place_mm <= 2 * REACH_MM:
            rest[-1].append(line)
        else:
            rest.append([line])
    return groups + rest


def _off_frame_line(place_mm: float, pitch: float) -> float:
    return abs((place_mm / pitch + 0.5) - round(place_mm / pitch + 0.5)) * pitch


def _frame_after(cut_mm: float, pitch: float) -> int:
    """The frame that follows the frame line nearest to a cut."""
    return round(cut_mm / pitch + 0.5)


def _cut_of(group: list[_Line], pitch: float) -> tuple[float, SpliceKind]:
    """Place of the cut among the lines of one splice, and the kind."""
    on_line = [each for each in group if _off_frame_line(each.place_mm, pitch) < NEAR_LINE * pitch]
    bright = sorted((each for each in group if each.bright), key=lambda each: -each.score)
    joint = next((each for each in bright if each in on_line), None)
    if joint is not None:
        return joint.place_mm, "tape"
    if bright and abs(bright[0].step) >= OVERLAP_DENSITY:
        # The thread at the end of an overlap: the cut lies on the darker side of it.
        side = 1.0 if bright[0].step > 0 else -1.0
        middle = bright[0].place_mm + side * sum(OVERLAP_MM) / 2
        return (_frame_after(middle, pitch) - 0.5) * pitch, "cement"
    if on_line:
        cut = max(on_line, key=lambda each: each.score).place_mm
        away = [each.place_mm - cut for each in group if each.place_mm != cut]
        near = [each for each in away if OVERLAP_MM[0] <= abs(each) <= OVERLAP_MM[1]]
        if near and all(each * near[0] > 0 for each in away):
            return cut, "cement"
        if any(abs(one + two) < 0.6 for one in away for two in away):
            return cut, "tape"
        return cut, ""
    if len(group) >= 2:
        ends = group[0].place_mm, group[-1].place_mm
        return sum(ends) / 2, "tape" if ends[1] - ends[0] > OVERLAP_MM[1] else ""
    return group[0].place_mm, ""


def _nearest(frame: int, odds: dict[int, float]) -> int:
    """A frame that already has a cue, within one frame, else the frame itself."""
    return next((each for each in (frame, frame + 1, frame - 1) if each in odds), frame)


def _lateral_cues(
    position: NDArray[np.int64], table: dict[str, Array], pitch: float, sign: float
) -> dict[int, float]:
    """Log odds of steps of the film's edges, by the frame that follows."""
    out: dict[int, float] = {}
    score, size = np.nan_to_num(table["lateral_score"]), np.abs(np.nan_to_num(table["lateral_mm"]))
    for row in np.flatnonzero((score >= LINE_SCORE) & (size >= LATERAL_MM)):
        at = position[row] * pitch + sign * float(table["lateral_at_mm"][row])
        frame = _frame_after(at, pitch)
        out[frame] = max(out.get(frame, 0.0), _gain(float(score[row]), LATERAL_WEIGHT))
    return out


def _base_steps(density: Array, position: NDArray[np.int64], half: int = 6) -> set[int]:
    """Frames at which the border's density changes for good."""
    found: list[tuple[float, int]] = []
    # A step for good is one between neighbours too: the others need no closer look.
    jump = np.abs(np.diff(density, prepend=np.nan))
    for row in np.flatnonzero(~(jump < BASE_DENSITY / 2)).tolist():
        before, after = density[max(0, row - half) : row], density[row : row + half]
        before, after = before[np.isfinite(before)], after[np.isfinite(after)]
        if min(len(before), len(after)) < 2:
            continue
        step = abs(float(np.median(after) - np.median(before)))
        # Edge print and fog come and go: each side must be of one density, and the two far apart.
        spread = max(float(np.ptp(before)), float(np.ptp(after)))
        if step >= max(BASE_DENSITY, 2.0 * spread):
            found.append((step / max(spread, 1e-3), row))
    kept: list[int] = []
    for _, row in sorted(found, reverse=True):
        if all(abs(row - other) > half for other in kept):
            kept.append(row)
    return {int(position[row]) for row in kept}


def _pitch_jumps(pitch_mm: Array, position: NDArray[np.int64]) -> set[int]:
    """Frames whose pitch in view departs from the reel's by more than film does."""
    seen = pitch_mm[np.isfinite(pitch_mm)]
    if len(seen) < 3:
        return set()
    usual = float(np.median(seen))
    noise = 1.4826 * float(np.median(np.abs(seen - usual)))
    off = np.abs(np.nan_to_num(pitch_mm, nan=usual) - usual)
    return {int(each) for each in position[off > max(PITCH_MM, 4.0 * noise)]}
