"""What has been seen of a capture's frames so far, and what is wrong with them.

Seen          rows by the number of the frame's file, in whatever order they come
look_at_all   columns -> findings on focus, highlights and the place of the perforation
look_at_focus columns -> notes on contrast lost along the capture, less than keeps the reel on

Every limit here is common practice, no source, unless said otherwise.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.edge_response import FocusLoss, find_focus_losses
from smallgauge.picture.lineup import LIMITS
from smallgauge.record.finding import Finding
from smallgauge.record.flags import FLAG_NAMED

NEIGHBOURS = (
    "grain_match",
    "grain_match_skip",
    "grain_follows",
    "grain_follows_skip",
    "grain_precedes",
    "grain_precedes_skip",
    "edge_grain_strength",
    "picture_step",
    "picture_step_skip",
)
KEPT = (
    "perforation_y_px",
    "perforation_blur_left_px",
    "perforation_blur_right_px",
    "sharpness",
    *NEIGHBOURS,
)
LEAST_LOOKS = 12  # looks that agree before anything is said of them
LEAST_RUN = 25  # captured frames in a row: a second at 25 frames a second
SOFTER = 1.5  # times the blur before, and
SOFTER_PX = 0.5  # px more, is focus lost
SOFT_PX = 2.0  # a blur below is no fault of focus, however many micrometres it is
DETAIL_LOST = 0.6  # of the usual sharpness: a frame without a fix that has less is out of focus
FEW_SHARE = 0.1  # of the frames with a fix show how soft their perforation is: the scan is too small for it
NO_FIX_SHARE = 0.1  # of the frames without a fix
RECENT_SHARE = (
    0.25  # of the last looks clipped, or without the perforation, before it is said while the scanner runs
)
CLIPPED_SHARE = 0.5  # of all frames clipped
LEAST_MARGIN_PX = LIMITS["margin beside perforation"].look[0]
WORST_BLUR_UM = LIMITS["edge blur left"].look[1]

Floats = NDArray[np.float64]
Marks = NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class _Row:
    values: tuple[float, ...]  # of KEPT
    flags: int
    margin_px: float
    compared: bool


class Seen:
    """Rows of the frames that were measured, by the number of their file."""

    def __init__(self) -> None:
        self._rows: dict[int, _Row] = {}

    def add(self, number: int, row: Mapping[str, object], *, margin_px: float, compared: bool) -> None:
        """One frame's row; one that was compared with its neighbours is not replaced by one that was not."""
        before = self._rows.get(number)
        if before is None or compared or not before.compared:
            values = tuple(float(row.get(name, math.nan)) for name in KEPT)  # type: ignore[arg-type]
            flags = int(row["flags"])  # type: ignore[call-overload]
            self._rows[number] = _Row(values=values, flags=flags, margin_px=margin_px, compared=compared)

    def forget(self, number: int) -> None:
        """The frame changed after it was measured."""
        self._rows.pop(number, None)

    def columns(self, numbers: Sequence[int]) -> "SeenColumns":
        """The rows of these frames, in this order; NaN where a frame was not measured."""
        count = len(numbers)
        values = np.full((count, len(KEPT)), np.nan)
        flags, margin = np.zeros(count, np.int64), np.full(count, np.nan)
        looked, compared = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
        for place, number in enumerate(numbers):
            row = self._rows.get(number)
            if row is not None:
                values[place], flags[place], margin[place] = row.values, row.flags, row.margin_px
                looked[place], compared[place] = True, row.compared
        return SeenColumns(values=values, flags=flags, margin_px=margin, looked=looked, compared=compared)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenColumns:
    """Columns over the frames of a capture, one value a frame, NaN where it was not measured."""

    values: Floats
    flags: NDArray[np.int64]
    margin_px: Floats
    looked: Marks
    compared: Marks

    def __getitem__(self, name: str) -> Floats:
        column: Floats = self.values[:, KEPT.index(name)]
        return column

    def flagged(self, name: str) -> Marks:
        """Frames with a flag."""
        marks: Marks = self.looked & (self.flags & FLAG_NAMED[name].mask != 0)
        return marks

    @property
    def blur_px(self) -> Floats:
        """Blur of the perforation's sides, px; infinite where the frame is too soft to be measured.

        A soft perforation is no longer found at all. So a frame without a fix whose picture has also lost much of the
        detail that frames with a fix have is out of focus. Where the scan is too small for the blur of a side to be
        measured, a frame with a fix counts as 0.
        """
        both = np.stack([self["perforation_blur_left_px"], self["perforation_blur_right_px"]])
        known = np.isfinite(both)
        sides = known.sum(axis=0)
        blur = np.where(sides > 0, np.where(known, both, 0).sum(axis=0) / np.maximum(sides, 1), np.nan)
        fixed = self.looked & ~self.flagged("no_perforation")
        if np.count_nonzero(sides > 0) < FEW_SHARE * np.count_nonzero(fixed):
            blur = np.where(fixed & (sides == 0), 0.0, blur)
        sharp = self["sharpness"]
        detail = sharp[fixed & np.isfinite(sharp)]
        if detail.size >= LEAST_LOOKS:
            lost = self.looked & ~fixed & (sharp < DETAIL_LOST * float(np.median(detail)))
            blur = np.where(lost, np.inf, blur)
        return blur

    def comparable(self) -> "SeenColumns":
        """The same, where soft frames tell nothing of their neighbours: grain that is out of focus matches nothing."""
        blur = self.blur_px
        soft = blur > _soft_from(_usual_blur(blur))
        soft[2:] |= soft[1:-1] | soft[:-2]
        values = self.values.copy()
        for name in NEIGHBOURS:
            values[soft, KEPT.index(name)] = np.nan
        return replace(self, values=values)

    @property
    def without_fix(self) -> Marks:
        """Frames whose place was not measured, though they are not out of focus."""
        lost = self.flagged("no_perforation") | self.flagged("perforation_cut_off")
        marks: Marks = lost & ~np.isposinf(self.blur_px)
        return marks


def find_soft_run(columns: SeenColumns) -> tuple[int, int, float, float] | None:
    """The longest run of frames out of focus against the capture's own: first, stop, blur before, blur in it.

    What is sharp is read off the sharpest quarter; a run is judged by medians of twelve looks, so that single
    frames with a torn perforation say nothing.
    """
    blur = columns.blur_px
    at = np.flatnonzero(~np.isnan(blur))
    if at.size < 2 * LEAST_LOOKS or not np.isfinite(blur[at]).any():
        return None
    usual = _usual_blur(blur)
    windows = np.lib.stride_tricks.sliding_window_view(blur[at], LEAST_LOOKS)
    level = np.median(windows, axis=1)
    soft = level > _soft_from(usual)
    runs = [(a, b) for a, b in _runs(soft) if at[b - 1 + LEAST_LOOKS - 1] - at[a] + 1 >= LEAST_RUN]
    if not runs:
        return None
    a, b = max(runs, key=lambda run: at[run[1] - 1] - at[run[0]])
    inside = blur[at[a : b + LEAST_LOOKS - 1]]
    first = at[a : b + LEAST_LOOKS - 1][inside > _soft_from(usual)]
    return int(first[0]), int(first[-1]) + 1, usual, float(np.median(inside))


def _runs(marks: Marks) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marks.astype(np.int8), [0]])))
    return [(first, stop) for first, stop in edges.reshape(-1, 2).tolist()]


def find_without_fix(columns: SeenColumns) -> tuple[int, int, int]:
    """Frames without a fix among those looked at, and the longest run of captured frames without one: count, first, stop."""
    lost = columns.without_fix
    at = np.flatnonzero(columns.looked)
    longest = (0, 0)
    for a, b in _runs(lost[at]):
        if at[b - 1] + 1 - at[a] > longest[1] - longest[0]:
            longest = int(at[a]), int(at[b - 1]) + 1
    return int(np.count_nonzero(lost)), *longest


def look_at_all(columns: SeenColumns, *, px_per_mm: float, by_perforation: bool) -> tuple[Finding, ...]:
    """What keeps the reel on, as far as the frames' own pictures say."""
    found = []
    looked = int(np.count_nonzero(columns.looked))
    blur = columns.blur_px
    sharpest = _usual_blur(blur)
    if _is_out_of_focus(sharpest, px_per_mm):
        found.append(Finding(code="reel out of focus", values=_blur_values(sharpest, px_per_mm)))
    soft = find_soft_run(columns)
    if soft is not None:
        first, stop, before, now = soft
        values: dict[str, object] = {"first": first, "frames": stop - first}
        if math.isfinite(now) and before > 0:
            values |= {"before_px": round(before, 2), "now_px": round(now, 2)}
        found.append(Finding(code="reel focus lost", values=values))
    if by_perforation:
        count, first, stop = find_without_fix(columns)
        if count > NO_FIX_SHARE * looked or stop - first >= LEAST_RUN:
            values = {"frames": count, "of": looked, "first": first, "run": stop - first}
            found.append(Finding(code="reel frames without a fix", values=values))
    clipped = int(np.count_nonzero(columns.flagged("clipped")))
    if looked >= LEAST_LOOKS and clipped > CLIPPED_SHARE * looked:
        found.append(Finding(code="reel highlights clipped", values={"frames": clipped, "of": looked}))
    return tuple(found)


def look_at_focus(columns: SeenColumns) -> tuple[Finding, ...]:
    """Where the sides of the perforations lost contrast, and not so much that the reel stays on for it."""
    if find_soft_run(columns) is not None:
        return ()
    return tuple(
        Finding(code="follow focus drifted", values=_loss_values(loss) | {"frames": loss.stop - loss.first})
        for loss in _losses(columns)
    )


def _losses(columns: SeenColumns) -> tuple[FocusLoss, ...]:
    return find_focus_losses(columns["perforation_blur_left_px"], columns["perforation_blur_right_px"])


def _loss_values(loss: FocusLoss) -> dict[str, object]:
    return {"frame": loss.first, "lost_percent": round(100 * loss.lost)}


def look_at_recent(columns: SeenColumns, *, px_per_mm: float, by_perforation: bool) -> tuple[Finding, ...]:
    """What is worth a call to the operator while the scanner runs, as far as the last looks say."""
    at = np.flatnonzero(columns.looked)
    if at.size < LEAST_LOOKS:
        return ()
    last = at[-LEAST_LOOKS:]
    found = []
    blur = columns.blur_px
    known = blur[last][~np.isnan(blur[last])]
    now = float(np.median(known)) if known.size >= LEAST_LOOKS // 2 else math.nan
    limit = _soft_from(_usual_blur(blur))
    if now > limit or _is_out_of_focus(now, px_per_mm):
        soft = last[blur[last] > limit] if now > limit else last
        values = _blur_values(now, px_per_mm) | {"frame": int(soft[0])}
        found.append(Finding(code="now out of focus", values=values))
    elif (losses := _losses(columns)) and losses[-1].stop == columns.looked.size:
        found.append(Finding(code="now focus drifting", values=_loss_values(losses[-1])))
    if np.mean(columns.flagged("clipped")[last]) >= RECENT_SHARE:
        found.append(Finding(code="now highlights clipped", values={"frame": int(last[0])}))
    if by_perforation:
        lost = columns.without_fix
        margins = columns.margin_px[last][np.isfinite(columns.margin_px[last])]
        near = margins.size >= LEAST_LOOKS // 2 and float(np.median(margins)) < LEAST_MARGIN_PX
        if near or np.mean(lost[last]) >= RECENT_SHARE:
            values = {"frame": int(last[0])}
            if margins.size:
                values["margin_px"] = round(float(np.median(margins)), 1)
            found.append(Finding(code="now perforation leaving", values=values))
    return tuple(found)


def _usual_blur(blur: Floats) -> float:
    """Blur of the sharpest quarter; NaN where none was measured."""
    known = blur[np.isfinite(blur)]
    return float(np.percentile(known, 25)) if known.size else math.nan


def _soft_from(usual: float) -> float:
    return max(SOFTER * usual, usual + SOFTER_PX)


def _is_out_of_focus(blur_px: float, px_per_mm: float) -> bool:
    """Softer than a line-up may be; without a scale, nothing is said."""
    return blur_px > SOFT_PX and (math.isinf(blur_px) or 1000 * blur_px / px_per_mm > WORST_BLUR_UM)


def _blur_values(blur_px: float, px_per_mm: float) -> dict[str, object]:
    if not math.isfinite(blur_px):
        return {}
    values: dict[str, object] = {"blur_px": round(blur_px, 2)}
    if math.isfinite(px_per_mm):
        values["blur_um"] = round(1000 * blur_px / px_per_mm, 1)
    return values
