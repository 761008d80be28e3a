"""Scratches: lines along the film, over many frames at one place of the film, whatever the scene does.

make_scratch_sheet   lightness of a frame's picture      ->  ScratchSheet: medians along the film, band by band
find_scratch_lines   a sheet and those before it         ->  ScratchLines: what may be a line on this frame     (analyse)
find_scratches       lines of all frames of a capture    ->  track, kind and side of each line                  (analyse)

A frame is cut across into bands, and the median is taken along each; the mean over a few frames, at the same place of the film,
leaves a scratch as it is and smears what moves. In a picture without lines a column is lighter than what lies on both sides of it
in one band of three. How unlikely it is that so many bands agree, over all frames of a track, times all places,
widths and stretches that were asked, is the number of false lines to be expected: kept below `FALSE_ALARMS`.
A post or a door frame is as straight as a scratch. It moves with the scene, were it only by the unsteadiness of the camera; a
scratch stays where it is on the film. Where the scene does not move at all, neither can be told, and the line is left.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BANDS = 32
LEAST_ROWS = 12  # of a band that its median is taken of, where it has as many; common practice, no source
WIDTHS_AT_360 = (
    1.0,
    2.0,
    4.0,
    7.0,
)  # px of a picture of 360 rows: 12 to 90 micrometres on 8 mm; common practice, no source
BESIDE_AT_360 = (
    10.0  # px within which a fainter line is the edge of a stronger one; common practice, no source
)
AGREE = 20  # bands that agree on a frame for a line to be listed; common practice, no source
MOST_LINES = 120  # of a frame that are kept; common practice, no source
FALSE_ALARMS = (
    0.01  # lines expected in a reel where there are none; the reference asks for control, not for this figure
)
SHARE = 0.7  # of the bands of all frames of a track that agree; common practice, no source
LEAST_FRAMES = 8  # of a track; common practice, no source
MEMORY = 6  # frames before that the mean is taken over; common practice, no source
GAP = 6  # frames over which a track goes on; common practice, no source
FOLLOWS = 0.4  # of the scene's movement that a scratch may follow; common practice, no source
PLACE_PX = 0.05  # how well a place is known at best; measured here on drawn lines
LEAST_RESPONSE = 0.08  # of the correlation by which the scene's movement is found; common practice, no source
COLOURED = 0.3  # difference of the colours' depths, of the deepest, from which a line is coloured; common practice, no source
PARTS = 6  # of the picture's width in which the scene's movement is found
KINDS = {
    "scratch": "a line that stays on the film while the scene moves or changes",
    "scene": "a line that moves with the scene, such as a post",
    "unsure": "a line in a scene that does not move, or one that moves by itself",
    "chance": "too short or too broken to be told from chance",
}
SIDES = {
    "base side": "alike in all colours",
    "emulsion side": "coloured, since layers are gone",
    "not told": "the film or the scan has no colours to tell by",
}

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScratchSheet:
    """Medians along the film, (bands, width, colours), lightness 0 to 255; the picture's rows; a small picture for its motion."""

    bands: Floats
    rows: int
    small: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScratchLine:
    """What may be a line on one frame. Places are px of the sheet, `depth` lightness, below 0 darker, `colours` per cent of the
    light behind (logarithmic; first to last colour of the sheet).

    `scene_px` is how far the scene moved across the film since the frame before, at the line; NaN where it was not found.
    """

    x: float
    width: float
    agree: int
    depth: float
    colours: tuple[float, float, float]
    scene_px: float


def make_scratch_sheet(lightness: Floats) -> ScratchSheet:
    """The sheet of a picture.

    Parameters
    ----------
    lightness : float32 array, shape (height, width) or (height, width, 3)
        Display lightness, 0 to 255. Finite. 64 px or more either way.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_scratch_sheet(np.full((96, 128), 90.0, np.float32)).bands.shape
    (32, 128, 1)
    """
    import cv2

    values = lightness if lightness.ndim == 3 else lightness[..., None]
    high, wide, colours = values.shape
    deep = high // BANDS
    part = values[: deep * BANDS].reshape(BANDS, deep, wide, colours)[:, :: max(1, deep // LEAST_ROWS)]
    middle = part.shape[1] // 2
    bands = np.partition(part, middle, axis=1)[:, middle]
    size = (min(wide, 384), min(high, 288))
    small = cv2.resize(values.mean(axis=2), size, interpolation=cv2.INTER_AREA)
    return ScratchSheet(bands=np.ascontiguousarray(bands, np.float32), rows=high, small=small)


def find_scratch_lines(before: Sequence[ScratchSheet], now: ScratchSheet) -> tuple[ScratchLine, ...]:
    """What may be a line on a frame, from left to right; chance and the scene's own lines are among them.

    Parameters
    ----------
    before : sequence of ScratchSheet
        Up to `MEMORY` frames before, the latest last, of the same size; where there is none, the scene's movement is NaN.
    now : ScratchSheet

    Notes
    -----
    Source: a contrario lines, Kuglin and Hines 1975.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> view = random.normal(90, 4, (96, 128)).astype(np.float32)
    >>> view[:, 60:62] += 15
    >>> lines = find_scratch_lines((), make_scratch_sheet(view))
    >>> best = max(lines, key=lambda line: line.agree)
    >>> round(best.x), best.agree >= 30
    (60, True)
    """
    recent = [sheet.bands.mean(axis=2) for sheet in (*before[-MEMORY:], now)]
    grey = np.asarray(np.mean(recent, axis=0), np.float32)
    count, core, sign, mean = _agreeing(grey, now.rows)
    score = count + 0.5 * np.tanh(np.abs(mean) / 20.0)
    order = np.argsort(-score, kind="stable")
    taken = np.zeros(grey.shape[1], bool)
    shifts = _shifts(before[-1] if len(before) else None, now)
    lines: list[ScratchLine] = []
    for x in order[:400].tolist():
        if count[x] < AGREE or len(lines) >= MOST_LINES:
            break
        reach = max(2, round(core[x]))
        if taken[max(0, x - 1) : x + 2].any():
            continue
        taken[max(0, x - reach) : x + reach + 1] = True
        lines.append(_line(now, x, float(core[x]), int(sign[x]), int(count[x]), shifts))
    reach = BESIDE_AT_360 * now.rows / 360
    return tuple(
        line
        for line in sorted(lines, key=lambda line: line.x)
        if not any(abs(line.x - far.x) < reach and abs(far.depth) > 1.5 * abs(line.depth) for far in lines)
    )


def _agreeing(grey: Floats, rows: int) -> tuple[NDArray[np.int64], Floats, NDArray[np.int64], Floats]:
    """Of each column: bands that agree at the best width and sign, that width, that sign, and the mean difference."""
    wide = grey.shape[1]
    padded = np.cumsum(np.pad(grey, ((0, 0), (1, 0))), axis=1, dtype=np.float64)

    def mean(first: NDArray[np.int64], size: int) -> NDArray[np.float64]:
        begin, stop = np.clip(first, 0, wide), np.clip(first + size, 0, wide)
        size_in = np.maximum(stop - begin, 1)
        out = (padded[:, stop] - padded[:, begin]) / size_in
        out[:, stop - begin < size] = np.nan
        return np.asarray(out)

    column = np.arange(wide)
    count, sign = np.zeros(wide, np.int64), np.ones(wide, np.int64)
    core, middle = np.ones(wide, np.float32), np.zeros(wide, np.float32)
    for at_360 in WIDTHS_AT_360:
        size = max(1, round(at_360 * rows / 360))
        gap = 1 + size // 2
        left = column - size // 2
        inner = mean(left, size)
        sides = mean(left - gap - size - 1, size + 1), mean(left + size + gap, size + 1)
        above = inner - np.maximum(*sides)
        below = np.minimum(*sides) - inner
        for way, off in ((1, above), (-1, below)):
            agree = np.count_nonzero(off > 0, axis=0)
            average = np.nan_to_num(off.mean(axis=0)).astype(np.float32)
            better = (agree > count) | ((agree == count) & (average > np.abs(middle)))
            count[better], sign[better], core[better] = agree[better], way, size
            middle[better] = average[better]
    return count, core, sign, middle


def _line(
    now: ScratchSheet, x: int, core: float, sign: int, agree: int, shifts: NDArray[np.float64]
) -> ScratchLine:
    """A line's place between pixels, width and depth, from the mean of all bands less a straight line between both sides."""
    reach = round(1.5 * core) + 3
    first, stop = max(0, x - reach), min(now.bands.shape[1], x + reach + 1)
    profile = now.bands[:, first:stop].mean(axis=0)
    n = len(profile)
    ends = max(1, n // 5)
    low, high = profile[:ends].mean(axis=0), profile[-ends:].mean(axis=0)
    slope = np.linspace(0, 1, n)[:, None]
    raised = profile - (low * (1 - slope) + high * slope)
    weight = np.clip(sign * raised.mean(axis=1), 0, None)
    weight[:ends] = weight[-ends:] = 0
    total = float(weight.sum())
    place = float((weight * np.arange(first, stop)).sum() / total) if total > 0 else float(x)
    peak = int(np.argmax(weight))
    depths = raised[peak]
    # Shares of the light behind, so that the colours of the scene have no say in them.
    shares = np.log(np.maximum(profile, 4.0) / np.maximum(profile - raised, 4.0))[peak] * 240
    colours = [float(v) for v in (shares if len(shares) == 3 else np.repeat(shares, 3))]
    wide = now.bands.shape[1]
    part = min(len(shifts) - 1, int(x * (len(shifts) - 1) / wide))
    own, whole = shifts[part], shifts[-1]
    scene = float(np.sign(own) * min(abs(own), abs(whole))) if own * whole > 0 else 0.0 * (own + whole)
    return ScratchLine(
        x=place,
        width=float(total / max(float(weight.max()), 1e-6)),
        agree=agree,
        depth=float(np.mean(depths)),
        colours=(colours[0], colours[1], colours[2]),
        scene_px=scene,
    )


def _shifts(before: ScratchSheet | None, now: ScratchSheet) -> NDArray[np.float64]:
    """How far the scene moved across the film since the frame before, px of the sheet: in `PARTS` parts of it, and as a whole."""
    import cv2

    if before is None or before.small.shape != now.small.shape:
        return np.full(PARTS + 1, np.nan)
    high, wide = now.small.shape
    # Each column less its mean: whatever stands upright over the whole height, scratch or post, has no say in the movement.
    pair = [cv2.GaussianBlur(sheet.small - sheet.small.mean(axis=0), (0, 0), 1.0) for sheet in (before, now)]
    out = []
    half = max(32, wide // PARTS)
    scale = now.bands.shape[1] / wide
    for k in range(PARTS + 1):
        middle = (k + 0.5) * wide / PARTS
        first = 0 if k == PARTS else int(np.clip(middle - half, 0, max(0, wide - 2 * half)))
        stop = wide if k == PARTS else min(wide, first + 2 * half)
        a, b = (np.ascontiguousarray(each[:, first:stop]) for each in pair)
        window = cv2.createHanningWindow((stop - first, high), cv2.CV_32F)
        (dx, _), response = cv2.phaseCorrelate(a, b, window)
        out.append(dx * scale if response >= LEAST_RESPONSE else np.nan)
    return np.array(out)


def find_scratches(
    lines: Mapping[str, Any], *, scene: NDArray[np.int64], size: tuple[int, int], colours: bool = True
) -> tuple[NDArray[np.int64], NDArray[Any], NDArray[Any]]:
    """Which lines of a capture's frames belong together, and what each is.

    Parameters
    ----------
    lines : mapping
        Arrays of one length by the names of `ScratchLine`'s fields, with `blue`, `green`, `red` for its colours, and `frame`.
    scene : int array, shape (frames,)
        Scene of each frame.
    size : (int, int)
        Width and height of the picture, px.
    colours : bool
        Whether film and scan have colours to tell the side by.

    Returns
    -------
    track, kind, side : arrays
        Number of the track; a key of `KINDS`; a key of `SIDES`.

    Notes
    -----
    Source: a contrario lines.

    Examples
    --------
    >>> frames = np.arange(8)
    >>> move = np.array([np.nan, 2, 2, 2, 2, 2, 2, 2.0])
    >>> lines = {"frame": frames, "x": np.full(8, 40.0), "width": np.full(8, 2.0), "agree": np.full(8, 30),
    ...     "depth": np.full(8, 9.0), "blue": np.full(8, 9.0), "green": np.full(8, 9.0), "red": np.full(8, 9.5),
    ...     "scene_px": move}
    >>> track, kind, side = find_scratches(lines, scene=np.zeros(8, int), size=(128, 96))
    >>> set(kind.tolist()), set(side.tolist())
    ({'scratch'}, {'base side'})
    >>> lines["x"] = 40.0 + 2 * frames
    >>> set(find_scratches(lines, scene=np.zeros(8, int), size=(128, 96))[1].tolist())
    {'scene'}
    """
    track = _tracks(lines, size)
    kind = np.full(len(track), "chance", dtype=object)
    side = np.full(len(track), "not told", dtype=object)
    order = np.argsort(track, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(track[order])) + 1):
        if len(rows):
            rows = rows[np.argsort(lines["frame"][rows], kind="stable")]
            kind[rows] = _kind(lines, rows, scene, size)
            side[rows] = _side(lines, rows) if colours else "not told"
    return track, kind, side


def _tracks(lines: Mapping[str, Any], size: tuple[int, int]) -> NDArray[np.int64]:
    """Lines linked from frame to frame: the nearest of the same sign, at most `GAP` frames on."""
    frame, x, depth = (np.asarray(lines[name]) for name in ("frame", "x", "depth"))
    track = np.full(len(frame), -1, np.int64)
    open_tracks: list[int] = []  # last row of each
    slack = 1.0 + size[1] / 720
    pace = 8 * size[1] / 360
    count = 0
    for number in np.unique(frame).tolist():
        rows = np.flatnonzero(frame == number).tolist()
        open_tracks = [row for row in open_tracks if number - frame[row] <= GAP]
        last_rows, these = np.array(open_tracks, np.int64), np.array(rows, np.int64)
        away = x[these][None] - x[last_rows][:, None]
        moved = np.asarray(lines["scene_px"])[these]
        moved = np.where(np.abs(moved) < pace, moved, 0.0)  # 0 too where it was not found
        nearest = np.minimum(np.abs(away), np.abs(away - moved[None]))
        alike = (depth[last_rows] > 0)[:, None] == (depth[these] > 0)[None]
        pairs = [
            (float(nearest[m, n]), open_tracks[m], rows[n])
            for m, n in np.argwhere(alike & (nearest <= slack)).tolist()
        ]
        used: set[int] = set()
        for _, last, row in sorted(pairs):
            if last in used or track[row] >= 0:
                continue
            used.add(last)
            track[row] = track[last]
        for row in rows:
            if track[row] < 0:
                track[row] = count
                count += 1
        open_tracks = [last for last in open_tracks if last not in used] + rows
    return track


def _kind(
    lines: Mapping[str, Any], rows: NDArray[np.int64], scene: NDArray[np.int64], size: tuple[int, int]
) -> str:
    from scipy.stats import binom

    frame, x, agree = (np.asarray(lines[name])[rows] for name in ("frame", "x", "agree"))
    covered, asked = len(rows), int(frame[-1] - frame[0] + 1)
    if covered < LEAST_FRAMES or covered < 0.6 * asked or agree.sum() < SHARE * BANDS * covered:
        return "chance"
    # The means of frames in a row share frames: only one in `MEMORY` + 1 counts as a look of its own.
    looks = -(-covered // (MEMORY + 1))
    agreed = round(float(agree.mean()) * looks)
    tests = size[0] * len(WIDTHS_AT_360) * 2 * float(len(scene)) ** 2
    chance = binom.logsf(agreed - 1, BANDS * looks, 1 / 3)
    if np.log(tests) + chance > np.log(FALSE_ALARMS):
        return "chance"
    beside = np.diff(frame) == 1
    same = scene[frame[1:]] == scene[frame[:-1]]
    off, moved = np.diff(x), np.asarray(lines["scene_px"])[rows][1:]
    cut = ~same
    scale = size[1] / 360
    if any(n >= 2 and len(rows) - n - 1 >= 3 and abs(off[n]) < 0.75 * scale for n in np.flatnonzero(cut)):
        return "scratch"
    counts = beside & same & np.isfinite(moved)
    off, moved = off[counts], moved[counts]
    if len(off) < LEAST_FRAMES - 1:
        return "unsure"
    energy = float((moved**2).sum())
    if energy < 1e-6:
        return "unsure"
    follows = float((off * moved).sum()) / energy
    spread = max(PLACE_PX * scale, float(np.sqrt(((off - follows * moved) ** 2).mean())))
    doubt = 2 * spread / np.sqrt(energy)
    if abs(follows) + doubt < FOLLOWS:
        return "scratch"
    return "scene" if follows - doubt > FOLLOWS else "unsure"


def _side(lines: Mapping[str, Any], rows: NDArray[np.int64]) -> str:
    colours = np.array([np.median(np.asarray(lines[name])[rows]) for name in ("blue", "green", "red")])
    if np.ptp(colours) == 0:
        return "not told"
    return "emulsion side" if np.ptp(colours) > COLOURED * np.abs(colours).max() else "base side"
