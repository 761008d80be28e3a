"""Scratches: lines that lie still on the film while the scene moves.

make_scratch_sheet   lightness of a frame's picture         ->  ScratchSheet: the picture, reduced
measure_scratch_step sheets of two frames in a row          ->  ScratchStep: what differs once the scene's movement is undone
find_scratches       lines of all frames of a capture       ->  track, kind and side of each line      (analyse, whole table)

(`picture/scratch_lines.py` finds the lines of some frames from their sheets and steps.)

Where the scene has moved, it is carried back and cancels; a scratch, which has not moved, stays, lighter at its own place and
darker where the scene takes it. Nothing upright has a say in the movement: it is found in pictures less the mean of each of
their columns, and smooth over the frame, so that no post and no scratch steers it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BANDS = 16  # of a frame's height: each says by itself what it sees
ROWS = 180  # of a reduced picture; common practice, no source
COLUMNS_AT = 480  # rows of a picture from which its columns are halved; common practice, no source
FLOW_ROWS = 180  # of the picture in which the scene's movement is found; common practice, no source
CELLS = (4, 6)  # of the frame, each with one movement; common practice, no source
DARK = 24.0  # lightness below which a difference counts less than its share; common practice, no source
BROAD_PX = 60  # columns of the reduced picture over which light may differ without being a line; common practice, no source
CALM = 0.15  # of a cell's pixels with texture, from which its own movement is believed; common practice, no source
TEXTURE = (
    3.0  # lightness from one pixel to the next from which movement across is seen; common practice, no source
)
GAP = 26  # frames over which a track goes on; common practice, no source
DISPUTED = (
    0.2  # of a track's told frames that say the contrary, from which it is left; common practice, no source
)
COLOURED = 0.3  # difference of the colours' depths, of the deepest, from which a line is coloured; common practice, no source
KINDS = {
    "scratch": "a line that stays on the film while the scene moves",
    "scene": "a line that moves with the scene, such as a post",
    "unsure": "a line in a scene that does not move enough to tell, or one that moves by itself",
    "disputed": "a scratch on some frames and the scene's own on others: it is left",
    "chance": "too short or too broken to be told from chance; only tables of older programs list such lines",
}
SIDES = {
    "base side": "alike in all colours",
    "emulsion side": "coloured, since layers are gone",
    "not told": "the film or the scan has no colours to tell by",
}

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScratchSheet:
    """A frame's picture as lines are looked for.

    `strip` (rows, columns, colours): lightness 0 to 255, reduced by `across` and `along`. `small`: for the scene's movement,
    reduced by `coarse`. `off_px`: the film's place less the sheet's, px of the frame, since a sheet begins at a whole pixel.
    """

    strip: Floats
    small: NDArray[np.uint8]
    across: int
    along: float
    coarse: float
    off_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScratchStep:
    """What two frames in a row differ by, in shares of the light's lightness, once the scene's movement is undone.

    `difference`, `worth` (1 over its variance), `moved` (bands, columns; columns that the scene moved, from the frame to the one
    before); `tint` (2, bands, columns): the difference of the first and the last colour less that of all light; `off`
    (2): film columns less the frame's own, now and before; `scene_px`: how far the scene as a whole moved since the frame before,
    right and down, px of the frame.
    """

    difference: Floats
    worth: Floats
    moved: Floats
    tint: Floats
    off: tuple[float, float]
    scene_px: tuple[float, float]


def make_scratch_sheet(lightness: Floats, *, off_px: float = 0.0) -> ScratchSheet:
    """The sheet of a picture.

    Parameters
    ----------
    lightness : float32 array, shape (height, width) or (height, width, 3)
        Display lightness, 0 to 255. Finite. 64 px or more either way.
    off_px : float
        Where the picture's first column lies on the film, less the whole pixel it was cut at.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_scratch_sheet(np.full((96, 128), 90.0, np.float32)).strip.shape
    (96, 128, 1)
    """
    import cv2

    values = lightness if lightness.ndim == 3 else lightness[..., None]
    high, wide = values.shape[:2]
    across = max(1, high // COLUMNS_AT)
    rows = min(high, ROWS) // BANDS * BANDS
    strip = cv2.resize(values, (wide // across, rows), interpolation=cv2.INTER_AREA)
    strip = strip.reshape(rows, wide // across, -1)
    size = (max(32, round(wide * FLOW_ROWS / high)), FLOW_ROWS) if high > FLOW_ROWS else (wide, high)
    grey = strip.mean(axis=2)
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small - small.mean(axis=0), (0, 0), 0.8) + 128
    return ScratchSheet(
        strip=np.ascontiguousarray(strip, np.float32),
        small=np.clip(small, 0, 255).astype(np.uint8),
        across=across,
        along=high / rows,
        coarse=wide / size[0],
        off_px=off_px,
    )


def measure_scratch_step(before: ScratchSheet, now: ScratchSheet) -> ScratchStep:
    """What is left of two frames in a row once the scene's movement is undone.

    Parameters
    ----------
    before, now : ScratchSheet
        Of pictures of one size.

    Notes
    -----
    Source: DIS flow; the rest is our own.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> view = 90 + 30 * np.sin(np.arange(140) / 5)[None, :] * np.cos(np.arange(96) / 7)[:, None]
    >>> pair = [np.array(view[:, n : n + 128] + random.normal(0, 1, (96, 128)), np.float32) for n in (0, 3)]
    >>> for picture in pair:
    ...     picture[:, 60] *= 1.2
    >>> step = measure_scratch_step(*(make_scratch_sheet(picture) for picture in pair))
    >>> int(sum(step.difference[:, 60] > 0.1)), int(sum(step.difference[:, 57] < -0.1)), round(float(np.median(step.moved)))
    (16, 16, 3)
    """
    import cv2

    rows, columns = now.strip.shape[:2]
    flow = _movement(before, now)
    at_x = flow[..., 0] + np.arange(columns, dtype=np.float32)
    at_y = flow[..., 1] + np.arange(rows, dtype=np.float32)[:, None]
    carried = cv2.remap(before.strip, at_x, at_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    carried = np.asarray(carried.reshape(now.strip.shape), np.float32)
    share = (now.strip - carried) / np.maximum((now.strip + carried) / 2, np.float32(DARK))
    share -= cv2.blur(share, (BROAD_PX + 1, 1)).reshape(share.shape)
    grey = np.ascontiguousarray(share.mean(axis=2))
    deep = rows // BANDS
    bands = grey.reshape(BANDS, deep, columns)
    difference = np.median(bands, axis=1)
    spread = cv2.blur(np.abs(bands - difference[:, None]).mean(axis=1), (15, 1))
    # A median's deviation is 1.25 times a mean's, a normal one 1.25 times its mean size.
    worth = 1 / ((1.5625 / np.float32(deep) ** 0.5) * spread + np.float32(1e-3)) ** 2
    moved = flow[..., 0].reshape(BANDS, deep, columns).mean(axis=1)
    place = moved + np.arange(columns, dtype=np.float32)
    worth = np.where((place < 1) | (place > columns - 2), np.float32(0), worth)
    tint = np.clip(share[..., [0, -1]] - grey[..., None], -0.3, 0.3)
    tint = tint.reshape(BANDS, deep, columns, 2).mean(axis=1).transpose(2, 0, 1)
    return ScratchStep(
        difference=np.asarray(difference, np.float32),
        worth=np.asarray(worth, np.float32),
        moved=np.asarray(moved, np.float32),
        tint=np.ascontiguousarray(tint, np.float32),
        off=(now.off_px / now.across, before.off_px / now.across),
        scene_px=_whole(flow, now),
    )


def _whole(flow: Floats, sheet: ScratchSheet) -> tuple[float, float]:
    """The scene's movement since the frame before, right and down, px of the frame."""
    right, down = (-float(v) for v in np.median(flow[::4, ::4].reshape(-1, 2), axis=0))
    return right * sheet.across, down * sheet.along


def _movement(before: ScratchSheet, now: ScratchSheet) -> Floats:
    """Where each pixel of a strip lies in the one before, less its own place, px of the strip: smooth over the frame."""
    import cv2

    from smallgauge.picture.flow import dense_flow

    flow = dense_flow(now.small, before.small, finest=1, patch_px=8, stride_px=4, refined=0)
    high, wide = flow.shape[:2]
    texture = np.abs(np.diff(now.small.astype(np.int16), axis=1, prepend=now.small[:, :1])) > TEXTURE
    whole = np.median(flow[::2, ::2][texture[::2, ::2]], axis=0) if texture[::2, ::2].any() else np.zeros(2)
    down, right = CELLS
    cells = np.empty((down, right, 2), np.float32)
    for j in range(down):
        for i in range(right):
            part = (
                slice(j * high // down, (j + 1) * high // down),
                slice(i * wide // right, (i + 1) * wide // right),
            )
            seen = texture[part]
            trust = min(1.0, float(seen.mean()) / CALM)
            own = np.median(flow[part][seen], axis=0) if seen.any() else whole
            cells[j, i] = trust * own + (1 - trust) * whole
    rows, columns = now.strip.shape[:2]
    smooth = cv2.resize(cells, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(
        smooth * np.array([now.coarse / now.across, now.coarse / now.along], np.float32), np.float32
    )


def find_scratches(
    lines: Mapping[str, Any], *, size: tuple[int, int], colours: bool = True
) -> tuple[NDArray[np.int64], NDArray[Any], NDArray[Any]]:
    """Which lines of a capture's frames belong together, and what each is.

    Parameters
    ----------
    lines : mapping
        Arrays of one length, a row for each line on each frame: `frame`, `x` (px), `depth` (below 0 darker), `kind` (as
        `find_scratch_lines` took it for), `red`, `green`, `blue` (per cent of the light behind).
    size : (int, int)
        Width and height of the picture, px.
    colours : bool
        Whether film and scan have colours to tell the side by.

    Returns
    -------
    track, kind, side : arrays
        Number of the track; a key of `KINDS`, of a track that was a scratch on some of its frames and unsure on others
        `scratch` throughout, of one that was a scratch on some and the scene's own on a fifth or more `disputed`; a key of `SIDES`.

    Notes
    -----
    Source: a contrario lines.

    Examples
    --------
    >>> lines = {"frame": np.array([24, 25]), "x": np.array([40.0, 40.2]), "depth": np.array([9.0, 8.0])}
    >>> lines |= {"red": np.array([9.0, 9.0]), "green": np.array([9.1, 9.1]), "blue": np.array([9.0, 9.0])}
    >>> lines["kind"] = np.array(["unsure", "scratch"], object)
    >>> track, kind, side = find_scratches(lines, size=(128, 96))
    >>> track.tolist(), kind.tolist(), side.tolist()
    ([0, 0], ['scratch', 'scratch'], ['base side', 'base side'])
    """
    track = _tracks(lines, size)
    kind = np.array(lines["kind"], dtype=object)
    side = np.full(len(track), "not told", dtype=object)
    order = np.argsort(track, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(track[order])) + 1):
        if not len(rows):
            continue
        counted = rows[kind[rows] == "scratch"]
        against = int(np.count_nonzero(kind[rows] == "scene"))
        if len(counted) and not against:
            kind[rows] = "scratch"
        elif len(counted) and against >= DISPUTED * (against + len(counted)):
            kind[rows] = "disputed"
        if colours:
            side[rows] = _side(lines, counted if len(counted) else rows)
    return track, kind, side


def _tracks(lines: Mapping[str, Any], size: tuple[int, int]) -> NDArray[np.int64]:
    """Lines linked from frame to frame: the nearest of the same sign, at most `GAP` frames on."""
    frame, x, depth = (np.asarray(lines[name]) for name in ("frame", "x", "depth"))
    track = np.full(len(frame), -1, np.int64)
    open_tracks: list[int] = []  # last row of each
    slack = 1.0 + size[1] / 360
    count = 0
    for number in np.unique(frame).tolist():
        rows = np.flatnonzero(frame == number).tolist()
        open_tracks = [row for row in open_tracks if number - frame[row] <= GAP]
        last_rows, these = np.array(open_tracks, np.int64), np.array(rows, np.int64)
        away = np.abs(x[these][None] - x[last_rows][:, None])
        alike = (depth[last_rows] > 0)[:, None] == (depth[these] > 0)[None]
        pairs = [
            (float(away[m, n]), open_tracks[m], rows[n])
            for m, n in np.argwhere(alike & (away <= slack)).tolist()
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


def _side(lines: Mapping[str, Any], rows: NDArray[np.int64]) -> str:
    colours = np.array([np.median(np.asarray(lines[name])[rows]) for name in ("blue", "green", "red")])
    if np.ptp(colours) == 0:
        return "not told"
    return "emulsion side" if np.ptp(colours) > COLOURED * np.abs(colours).max() else "base side"
