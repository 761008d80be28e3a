"""What the blobs of a reel are: dirt, or something that a careless program would eat.

find_dirt_kinds   blobs of all frames, the scene of each frame  ->  the kind of each blob        (analyse, whole table)
propose_dirt      kinds of a scene's blobs                      ->  DirtDecision, why            (treat)
solve_dirt        kinds, decisions                              ->  which blobs are repaired     (render, plan)
solve_lines       kinds of lines along the film, decisions      ->  which of them are repaired   (render, plan)

Dirt lies on one frame only. A ball, a bird or a snowflake stands out of the frames beside it too, but is found on those
somewhere near, as large and as deep. Around a waving hand nothing fits its neighbours. Rain and glitter give so many such finds,
all over the picture, that no single one is to be believed: then the scene is left whole. Whatever is in doubt is left.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_blobs import Blob
from smallgauge.picture.scratch_repair import DEEPEST

# Limits of what is repaired, in deviations of the grain or as shares; chosen on drawn dirt over photographs that move
# (benchmarks/dirt.py, seeds 1 to 7), checked on others. common practice, no source
# A blob's deepest pixel, less the deepest of eighteen beside it. Light ones are holes in the emulsion and are seldom faint; what is
# faint and light is grain, as a rule.
SEED, SEED_LIGHT = 5.0, 5.6
SEED_PIXELS = (
    172_800  # ... in a picture of so many pixels: the more there are, the further the grain of one strays
)
RESTLESS = 0.15  # of the surroundings that fit neither neighbour
APART = 3.0  # between the two predictions
# Between the surroundings and a frame beside it, moved as one piece; and so many others beside it that move or are torn
TORN, TORN_BESIDE = 1.25, 2
# Of the picture. The reference (picture science, section e) allows 0.04; a flash of one frame, such as a clapper's, is smaller than
# that, and no dirt. common practice, no source
LARGE, LARGE_LIGHT = 0.005, 0.001
EDGE_PX = 3  # of the picture, where neighbours can't be carried
REACH = 0.1  # of the picture's height: where a thing that moves is looked for on the frames beside it
FAR_REACH = 0.25  # of its width: the same on a straight path through three frames
CHANCE = (
    0.3  # that a speck lies so near another by chance; the reference names it (picture science, section e)
)
LIKE_AREA, LIKE_DEPTH, LIKE_LIGHTNESS = 2.2, 1.7, 15.0
ALIKE_AREA, ALIKE_DEPTH = 1.5, 1.3  # the same of what is sure to lie on what moves as one (SMALL, CALM)
SAME_PX = 30  # pixels from which a blob is known again by its own lightness, whatever lies behind it
AROUND, AROUND_FRAMES = 0.06, 3  # of the height, frames: what counts as beside a blob
BUSY = 0.5  # things that move beside it, for each blob that may be dirt; of light ones, such as glitter
BUSY_DARK = 1.0  # the same of dark ones
# A small blob whose surroundings move as one is dirt whatever moves beside it, and others must be more like it to be the same
# thing: so much of the picture, and so far (as TORN).
SMALL, CALM = 1.5e-4, 1.2
WINDOW = 48  # frames that are judged together
COLUMNS_ROWS = (4, 3)  # parts of the picture ...
SPREAD = 0.35  # ... and the share of them with things that move, from which the scene is left whole
MANY = 0.5  # things that move, one a frame or more, for each blob that may be dirt: then as well
STREAK, STREAKS, ALIKE = 3.0, 2.0, 0.7  # longer than wide; so many a frame; so much of one direction

DIRT = "dirt"
KINDS = {
    DIRT: "lies on one frame only, and its surroundings are calm",
    "faint": "hardly deeper than grain",
    "edge": "at the picture's edge",
    "restless": "the surroundings move",
    "apart": "the frames before and after differ there",
    "torn": "its surroundings do not move as one, and others beside it move",
    "large": "too large to be taken from neighbours",
    "end": "first or last frame of a scene, with a neighbour on one side only",
    "moves": "found near on the frames before and after",
    "path": "one of three on a straight path",
    "busy": "among things that move",
    "weather": "more of these than dirt explains, all over the picture",
}
_MOVING = ("restless", "apart", "torn", "moves", "path")

# What is told of a blob, as `picture.dirt.Blob` names it.
TOLD = (
    "left",
    "top",
    "width",
    "height",
    "area_px",
    "depth",
    "peak",
    "lightness",
    "restless",
    "apart",
    "torn",
    "turn_deg",
    "long",
)

Ints = NDArray[np.int64]
Columns = Mapping[str, NDArray[Any]]
SORTS: dict[str, Callable[[Columns], NDArray[np.bool_]]] = {
    "dark": lambda blobs: np.asarray(blobs["depth"] < 0, np.bool_),
    "light": lambda blobs: np.asarray(blobs["depth"] > 0, np.bool_),
    "long": lambda blobs: np.asarray(blobs["long"] > STREAK, np.bool_),
}

LINES = "lines"  # the sort of all scratches


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtDecision:
    """Whether the dirt of a scene, and its scratches, are repaired.

    `but` names what is left: single blobs as "frame:blob", a key of SORTS, single lines as "line:track", or `LINES`, all of them.
    """

    repair: bool = True
    but: tuple[str, ...] = ()


def blob_columns(found: Sequence[tuple[int, Blob]]) -> dict[str, NDArray[Any]]:
    """Blobs with their frames, as columns.

    Examples
    --------
    >>> columns = blob_columns([])
    >>> sorted(columns)[:3], len(columns["frame"])
    (['apart', 'area_px', 'depth'], 0)
    """
    columns = {name: np.array([getattr(blob, name) for _, blob in found]) for name in TOLD}
    return columns | {"frame": np.array([frame for frame, _ in found], np.int64)}


def find_dirt_kinds(blobs: Columns, *, scene: NDArray[Any], size: tuple[int, int]) -> NDArray[np.object_]:
    """The kind of each blob: a key of KINDS.

    Parameters
    ----------
    blobs : mapping of column to array
        `frame` (rising) and what `TOLD` names, places in px of the picture: as `find_dirt` gives them.
    scene : int array, shape (frames,)
        Scene of each frame of the capture.
    size : (int, int)
        Width and height of the picture, px.

    Returns
    -------
    array of str, one a blob

    Notes
    -----
    Source: SROD (the one-off test is the reference's); the rest is our own.

    Examples
    --------
    >>> one = {"frame": [1], "left": [40], "top": [30], "width": [4], "height": [4], "area_px": [14], "depth": [-40.0]}
    >>> one |= {"peak": [9.0], "lightness": [60.0], "restless": [0.0], "apart": [0.4], "torn": [1.0]}
    >>> one |= {"turn_deg": [0.0], "long": [1.2]}
    >>> arrays = {name: np.array(values) for name, values in one.items()}
    >>> find_dirt_kinds(arrays, scene=np.zeros(3, int), size=(160, 120)).tolist()
    ['dirt']
    """
    count = len(blobs["frame"])
    kind = np.full(count, DIRT, dtype=object)
    if not count:
        return kind
    _by_itself(kind, blobs, scene, size)
    _by_neighbours(kind, blobs, size)
    _by_surroundings(kind, blobs, size)
    _by_scene(kind, blobs, scene, size)
    return kind


def _by_itself(kind: NDArray[np.object_], blobs: Columns, scene: NDArray[Any], size: tuple[int, int]) -> None:
    width, height = size
    right, low = blobs["left"] + blobs["width"], blobs["top"] + blobs["height"]
    margin = np.minimum(np.minimum(blobs["left"], blobs["top"]), np.minimum(width - right, height - low))
    frame = blobs["frame"]
    before, after = np.maximum(frame - 1, 0), np.minimum(frame + 1, len(scene) - 1)
    alone = (before == frame) | (after == frame)
    alone |= (scene[before] != scene[frame]) | (scene[after] != scene[frame])
    more = 2 * np.log(max(1.0, width * height / SEED_PIXELS))
    least = np.sqrt(np.where(blobs["depth"] < 0, SEED, SEED_LIGHT) ** 2 + more)
    for name, found in (
        ("end", alone),
        ("large", blobs["area_px"] > np.where(blobs["depth"] > 0, LARGE_LIGHT, LARGE) * width * height),
        ("restless", blobs["restless"] > RESTLESS),
        ("apart", blobs["apart"] > APART),
        ("edge", margin < EDGE_PX),
        ("faint", blobs["peak"] < least),
    ):
        kind[(kind == DIRT) & found] = name


def _middles(blobs: Columns) -> NDArray[np.float64]:
    x, y = blobs["left"] + blobs["width"] / 2, blobs["top"] + blobs["height"] / 2
    return np.stack([x, y], axis=1).astype(np.float64)


def _by_neighbours(kind: NDArray[np.object_], blobs: Columns, size: tuple[int, int]) -> None:
    """Things that are on the frames before and after as well, near or on a straight path."""
    width, height = size
    frame, middle = blobs["frame"], _middles(blobs)
    area, depth, lightness = (blobs[name].astype(np.float64) for name in ("area_px", "depth", "lightness"))
    first, stop = np.searchsorted(frame, frame), np.searchsorted(frame, frame, side="right")
    numbers, sure = np.arange(len(frame)), _sure(blobs, size)
    for n in numbers[kind == DIRT]:
        near = np.sqrt(-np.log(1 - CHANCE) / (np.pi * (stop[n] - first[n]) / (width * height)))
        reach = min(REACH * height, near)
        most_area, most_depth = (ALIKE_AREA, ALIKE_DEPTH) if sure[n] else (LIKE_AREA, LIKE_DEPTH)
        sides = []
        for step in (-1, 1):
            low, high = np.searchsorted(frame, (frame[n] + step, frame[n] + step + 1))
            ratio, deep = area[low:high] / area[n], depth[low:high] / depth[n]
            like = (deep >= 1 / most_depth) & (deep <= most_depth)
            if area[n] > SAME_PX:
                like |= np.abs(lightness[low:high] - lightness[n]) < LIKE_LIGHTNESS
            like &= (ratio >= 1 / most_area) & (ratio <= most_area)
            sides.append(middle[low:high][like] - middle[n])
        far = [np.hypot(side[:, 0], side[:, 1]) for side in sides]
        if not len(far[0]) or not len(far[1]):
            continue
        if (far[0] < reach).any() and (far[1] < reach).any():
            kind[n] = "moves"
            continue
        bend = np.hypot(*(sides[0][:, None] + sides[1][None]).transpose(2, 0, 1))
        longer, shorter = np.maximum(far[0][:, None], far[1][None]), np.minimum(far[0][:, None], far[1][None])
        straight = (
            (longer < FAR_REACH * width) & (bend < 0.2 * longer + 0.006 * height) & (shorter > 0.5 * longer)
        )
        if straight.any():
            kind[n] = "path"


def _by_surroundings(kind: NDArray[np.object_], blobs: Columns, size: tuple[int, int]) -> None:
    """Blobs that are torn among others, and those, less sure ones, beside which more moves than may be dirt."""
    frame, middle, sign = blobs["frame"], _middles(blobs), np.sign(blobs["depth"])
    may_be = np.flatnonzero(kind == DIRT)
    first = np.searchsorted(frame, frame[may_be] - AROUND_FRAMES)
    stop = np.searchsorted(frame, frame[may_be] + AROUND_FRAMES, side="right")
    beside: dict[Any, Ints] = {
        n: low + np.flatnonzero(np.hypot(*(middle[low:high] - middle[n]).T) < AROUND * size[1])
        for n, low, high in zip(may_be.tolist(), first.tolist(), stop.tolist(), strict=True)
    }
    torn = (blobs["torn"] > TORN) & (kind == DIRT)
    strange = torn | np.isin(kind.astype(str), _MOVING)
    for n in np.flatnonzero(torn):
        if np.count_nonzero(strange[beside[n]]) > TORN_BESIDE:  # itself is one
            kind[n] = "torn"
    moving, may = np.isin(kind.astype(str), _MOVING), kind == DIRT
    for n in np.flatnonzero(may & ~_sure(blobs, size)):
        alike = beside[n][sign[beside[n]] == sign[n]]
        most = BUSY_DARK if sign[n] < 0 else BUSY
        if np.count_nonzero(moving[alike]) > most * np.count_nonzero(may[alike]):
            kind[n] = "busy"


def _sure(blobs: Columns, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Small blobs whose surroundings move as one."""
    return np.asarray((blobs["torn"] <= CALM) & (blobs["area_px"] <= SMALL * size[0] * size[1]), np.bool_)


def _by_scene(kind: NDArray[np.object_], blobs: Columns, scene: NDArray[Any], size: tuple[int, int]) -> None:
    """Stretches of a scene where things move all over the picture, or lie all one way."""
    width, height = size
    middle = _middles(blobs)
    columns, rows = COLUMNS_ROWS
    cell = np.clip(middle[:, 1] / height * rows, 0, rows - 1).astype(int) * columns
    cell += np.clip(middle[:, 0] / width * columns, 0, columns - 1).astype(int)
    for first, stop in _windows(scene):
        low, high = np.searchsorted(blobs["frame"], (first, stop))
        here = kind[low:high].astype(str)
        moves = np.bincount(cell[low:high][np.isin(here, ("moves", "path"))], minlength=columns * rows)
        counted = np.isin(here, (DIRT, "busy"))
        dirt = np.bincount(cell[low:high][counted], minlength=columns * rows)
        used = (moves + dirt) > 0
        many = moves.sum() >= max(stop - first, MANY * dirt.sum())
        spread = used.any() and float((moves >= np.maximum(1, BUSY * dirt))[used].mean()) > SPREAD
        if many or spread or _streaks(blobs, np.flatnonzero(counted) + low, stop - first):
            kind[low:high][here == DIRT] = "weather"


def _streaks(blobs: Columns, numbers: Ints, frames: int) -> bool:
    """Whether many long blobs lie all one way."""
    drawn_out = numbers[blobs["long"][numbers] > STREAK]
    if len(drawn_out) < STREAKS * frames:
        return False
    turn = np.deg2rad(2 * blobs["turn_deg"][drawn_out])
    return bool(np.hypot(np.cos(turn).mean(), np.sin(turn).mean()) > ALIKE)


def _windows(scene: NDArray[Any]) -> list[tuple[int, int]]:
    """Frames that are judged together: scenes, long ones in equal parts."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(scene)) + 1, [len(scene)]])
    windows = []
    for first, stop in pairwise(starts.tolist()):
        parts = max(1, round((stop - first) / WINDOW))
        edges = np.linspace(first, stop, parts + 1).round().astype(int).tolist()
        windows += list(pairwise(edges))
    return windows


def propose_dirt(kind: Sequence[str], *, frames: int) -> tuple[DirtDecision, str]:
    """Whether a scene's dirt is to be repaired, and why.

    Examples
    --------
    >>> propose_dirt(["dirt"] * 9 + ["moves"], frames=30)
    (DirtDecision(repair=True, but=()), '9 specks lie on one frame only, on 30 frames together')
    >>> propose_dirt(["weather"] * 40, frames=30)
    (DirtDecision(repair=False, but=()), 'more is found than dirt explains: 40 on 30 frames together')
    """
    counted = [list(kind).count(name) for name in (DIRT, "weather")]
    if counted[1] > counted[0]:
        why = f"more is found than dirt explains: {counted[1]} on {frames} frames together"
        return DirtDecision(repair=False), why
    return DirtDecision(), f"{counted[0]} specks lie on one frame only, on {frames} frames together"


def solve_dirt(
    blobs: Columns, scene: NDArray[Any], decisions: Mapping[int, DirtDecision], others: DirtDecision
) -> NDArray[np.bool_]:
    """Which blobs are repaired: dirt, in scenes where that was decided, less what is to be left.

    `blobs` has `kind`, `frame`, `blob`, `depth` and `long`; `scene` is that of each blob; `decisions` those of scenes that have one
    of their own, `others` that of the rest.

    Examples
    --------
    >>> one = {"kind": np.array(["dirt", "moves", "dirt"], object), "frame": np.array([1, 1, 7]), "blob": np.array([0, 1, 0])}
    >>> one |= {"depth": np.array([-30.0, -30.0, 20.0]), "long": np.array([1.0, 1.0, 4.0])}
    >>> solve_dirt(one, np.array([0, 0, 1]), {1: DirtDecision(repair=False)}, DirtDecision()).tolist()
    [True, False, False]
    >>> solve_dirt(one, np.array([0, 0, 1]), {1: DirtDecision(but=("light",))}, DirtDecision(but=("1:0",))).tolist()
    [False, False, False]
    """
    wanted = blobs["kind"] == DIRT
    for each in np.unique(scene):
        own = scene == each
        decision = decisions.get(int(each), others)
        wanted &= ~own | decision.repair
        for name in decision.but:
            if name == LINES or name.startswith("line:"):
                continue
            frame, _, blob = name.partition(":")
            here = (
                SORTS[name](blobs)
                if name in SORTS
                else (blobs["frame"] == int(frame)) & (blobs["blob"] == int(blob))
            )
            wanted &= ~(own & here)
    return np.asarray(wanted, np.bool_)


def solve_lines(
    lines: Columns, scene: NDArray[Any], decisions: Mapping[int, DirtDecision], others: DirtDecision
) -> NDArray[np.bool_]:
    """Which lines along the film are repaired, on which frames: scratches, in scenes where that was decided, less what is left.

    `lines` has `kind`, `track`, and `red`, `green`, `blue` (per cent of the light behind); `scene`, `decisions`, `others` as in
    `solve_dirt`. What hides nearly all is left.

    Examples
    --------
    >>> lines = {"kind": np.array(["scratch", "scene", "scratch"], object), "track": np.array([0, 1, 2])}
    >>> lines |= {name: np.array([-20.0, -20.0, -20.0]) for name in ("red", "green", "blue")}
    >>> solve_lines(lines, np.zeros(3, int), {}, DirtDecision()).tolist()
    [True, False, True]
    >>> solve_lines(lines, np.zeros(3, int), {}, DirtDecision(but=("line:2",))).tolist()
    [True, False, False]
    >>> solve_lines(lines, np.zeros(3, int), {0: DirtDecision(but=("lines",))}, DirtDecision()).any()
    np.False_
    """
    deepest = np.max([np.abs(lines[name]) for name in ("red", "green", "blue")], axis=0)
    wanted = (lines["kind"] == "scratch") & (deepest <= DEEPEST)
    for each in np.unique(scene):
        own = scene == each
        decision = decisions.get(int(each), others)
        wanted &= ~own | (decision.repair and LINES not in decision.but)
        left = [int(name.partition(":")[2]) for name in decision.but if name.startswith("line:")]
        wanted &= ~(own & np.isin(lines["track"], left))
    return np.asarray(wanted, np.bool_)
