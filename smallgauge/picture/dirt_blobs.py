"""What each blob on a frame is like: where it lies, what is around it, where it lies on the frames beside it.

measure_blobs   a frame with what stands out of it  ->  blobs

Where the surroundings do not fit what dense flow says, and do fit the frames beside it when moved as one piece, the piece is
believed: flow is spoilt by a hand that passes near, or by dirt on a frame beside it.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_piece import Piece, carry_piece, measure_piece

SOFT_PX = 1.0  # softness at which is looked too; common practice, no source
STEP = 2  # flow is found on a picture reduced by this
GRAIN_LEVELS = 256
SEED = 4.5  # deviations that a blob's deepest pixel has at least to be listed; common practice, no source
GROWN = 2.0  # from which a pixel beside a seed belongs to the same blob; common practice, no source
SHAPE_SHARE = 0.2  # of a blob's strongest pixel that its weakest one has; common practice, no source
LEAST_PX = 3  # pixels of a blob; fewer are grain
LEAST_AFFINE = 60  # pixels of a blob that turn and stretch with what is behind; common practice, no source
MOST_BLOBS = 400  # of a frame that are kept: more is no dirt; common practice, no source
FITS = 3.5  # deviations within which a pixel around a blob fits a neighbour; common practice, no source
RING_PX = 6  # width of what is looked at around a blob; common practice, no source

ASKED = (
    5.0  # deviations from which a blob's surroundings are moved as one piece: what is fainter is left anyhow
)
ASKED_SHARE = 0.01  # of the picture, up to which that is done
PIECE_PX = (5, 12)  # how far from a blob its surroundings are taken for that; common practice, no source
# Where flow is asked how a blob may have moved, shares of the picture's height from it; common practice, no source
NEAR = (0.03, 0.06, 0.09, 0.14)
DIRECTIONS = 8
STIFF = 1.25  # how far surroundings may differ that are believed as one piece; chosen on seeds 1 to 7 of benchmarks/dirt.py
DOUBT = 0.1, 2.0  # restless, apart: from where on flow is doubted; common practice, no source

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]
Places = NDArray[np.integer]
Affine = tuple[float, float, float, float, float, float]
Part = tuple[slice, slice]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blob:
    """One thing on one frame. Places are pixels of the sheet.

    `runs` are (row, first, stop) of its pixels. `before` and `after` say where it lies in the frames beside it: six numbers of
    an affine move, x' = a x + b y + c, y' = d x + e y + f. `depth` is its mean difference in lightness, below 0 for
    dark. `restless` is the share of its surroundings that do not fit either neighbour, `apart` how far the two
    predictions differ under it, in deviations of the grain. `torn` is how far its surroundings differ from the worse of
    both neighbours when moved as one piece (`measure_piece`); NaN where the blob is too faint or too large to be asked.
    """

    left: int
    top: int
    width: int
    height: int
    area_px: int
    depth: float
    peak: float
    lightness: float
    restless: float
    apart: float
    torn: float
    turn_deg: float
    long: float
    runs: tuple[tuple[int, int, int], ...]
    before: Affine
    after: Affine


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Searched:
    """A frame with all that was found out about it.

    `now` and `beside`, the frames before and after it, as they are; `sides` these two as flow carries them here; `soft` the
    first and the last two at `SOFT_PX`. `sigma` and `soft_sigma`: deviation of their grain by level. `far`: how far each pixel
    stands out, in deviations. `flows`, and `offsets` of level, are reduced by `STEP`.
    """

    now: Floats
    beside: tuple[Floats, Floats]
    sides: tuple[Floats, Floats]
    sigma: Floats
    soft: tuple[Floats, Floats, Floats]
    soft_sigma: Floats
    far: Floats
    flows: tuple[Floats, Floats]
    offsets: tuple[Floats, Floats]


def measure_blobs(searched: Searched) -> tuple[Blob, ...]:
    """Connected pixels that stand out one way, with what is around them; the deepest first.

    Notes
    -----
    Source: definition. `find_dirt` shows it.
    """
    from smallgauge.picture.kernels_dirt import grow

    now, width = searched.now, searched.now.shape[1]
    places, strengths = np.empty(2 * now.size, np.int32), np.empty(2 * now.size, np.float32)
    stops, peaks = np.zeros(10 * MOST_BLOBS, np.int64), np.zeros(10 * MOST_BLOBS, np.float32)
    count = grow(
        (now, searched.sides[0], searched.sides[1]),
        searched.soft,
        (searched.sigma, searched.soft_sigma),
        searched.far,
        (np.float32(SEED), np.float32(GROWN)),
        places,
        strengths,
        stops,
        peaks,
    )
    areas = np.diff(stops[:count], prepend=0)
    kept = np.flatnonzero(areas >= LEAST_PX)
    found: list[Blob] = []
    for n in kept[np.argsort(-peaks[kept], kind="stable")][:MOST_BLOBS]:
        own = slice(stops[n] - areas[n], stops[n])
        y, x = np.divmod(places[own], width)
        found.append(_blob(searched, y, x, strengths[own], float(peaks[n])))
    found.sort(key=lambda blob: (-blob.peak, blob.top, blob.left))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """A part of a frame with one blob: all pixels that stand out, and those of them that are more than its soft edge."""

    part: Part
    reached: NDArray[np.uint8]
    own: Mask


def _blob(searched: Searched, y: Places, x: Places, strengths: Floats, peak: float) -> Blob:
    """One blob of pixels that stand out."""
    far = PIECE_PX[1] + 1
    y0, x0 = max(0, int(y.min()) - far), max(0, int(x.min()) - far)
    high, wide = searched.now.shape
    part = (slice(y0, min(high, int(y.max()) + 1 + far)), slice(x0, min(wide, int(x.max()) + 1 + far)))
    reached = np.zeros((part[0].stop - y0, part[1].stop - x0), np.uint8)
    reached[y - y0, x - x0] = 1
    own = np.zeros(reached.shape, np.bool_)
    strong = strengths >= SHAPE_SHARE * strengths.max()
    own[y[strong] - y0, x[strong] - x0] = True
    window = _Window(part=part, reached=reached, own=own)
    moves = _move(searched.flows[0], y[strong], x[strong]), _move(searched.flows[1], y[strong], x[strong])
    before, after = (side[part] for side in searched.sides)
    blob = _described(searched, window, before, after, moves, peak)
    if peak < ASKED or blob.area_px > ASKED_SHARE * searched.now.size:
        return blob
    levels, pieces = _pieces(searched, window)
    blob = replace(blob, torn=min(6.0, max(piece.differ for piece in pieces)))
    if blob.torn > STIFF or (blob.restless <= DOUBT[0] and blob.apart <= DOUBT[1]):
        return blob
    return _as_pieces(searched, window, blob, pieces, levels)


def _described(
    searched: Searched,
    window: _Window,
    before: Floats,
    after: Floats,
    moves: tuple[Affine, Affine],
    peak: float,
) -> Blob:
    """A blob whose part of the frames beside it is `before` and `after`."""
    import cv2

    own, now = window.own, searched.now[window.part]
    y0, x0 = window.part[0].start, window.part[1].start
    wider = cv2.dilate(window.reached, np.ones((5, 5), np.uint8))
    side = 2 * RING_PX - 1
    around = (cv2.dilate(wider, np.ones((side, side), np.uint8)) > 0) & (wider == 0)
    middle = (before + after) / 2
    grain = searched.sigma[np.clip(middle, 0, GRAIN_LEVELS - 1).astype(np.int32)]
    off = np.maximum(np.abs(now - before), np.abs(now - after)) > FITS * grain
    differ, level = (before - after)[own], float(grain[own].mean())
    y, x = np.nonzero(own)
    return Blob(
        left=x0 + int(x.min()),
        top=y0 + int(y.min()),
        width=int(np.ptp(x)) + 1,
        height=int(np.ptp(y)) + 1,
        area_px=len(x),
        depth=float(np.mean((now - middle)[own])),
        peak=peak,
        lightness=float(now[own].mean()),
        restless=float(off[around].mean()) if around.any() else 1.0,
        apart=max(abs(float(differ.mean())), float(np.sqrt(np.mean(differ**2))) / 2.0) / level,
        torn=float("nan"),
        **_shape(y, x),
        runs=_runs(own, x0, y0),
        before=moves[0],
        after=moves[1],
    )


def _pieces(searched: Searched, window: _Window) -> tuple[list[float], list[Piece]]:
    """How the surroundings of a blob lie in the frames beside it when moved as one piece, and the levels there."""
    import cv2

    wide, narrow = (np.ones((2 * px + 1, 2 * px + 1), np.uint8) for px in (PIECE_PX[1], PIECE_PX[0] - 1))
    ring = cv2.dilate(window.reached, wide) > cv2.dilate(window.reached, narrow)
    y, x = np.nonzero(ring)
    if not len(y):  # it fills the picture
        return [0.0, 0.0], [Piece(across_px=0.0, down_px=0.0, differ=np.inf)] * 2
    around = y + window.part[0].start, x + window.part[1].start
    high = searched.now.shape[0]
    places = np.array([[around[0].mean(), around[1].mean()]])
    turns = np.arange(DIRECTIONS) * (2 * np.pi / DIRECTIONS)
    ways = np.stack([np.sin(turns), np.cos(turns)], axis=1)
    places = np.concatenate([places, *(places + far * high * ways for far in NEAR)])
    j, i = (np.clip(places / STEP, 0, np.array(searched.flows[0].shape[:2]) - 1)).astype(int).T
    levels, pieces = [], []
    for beside, flow, offset in zip(searched.beside, searched.flows, searched.offsets, strict=True):
        moves = np.round(flow[j, i] * STEP).astype(np.int64)
        levels.append(float(offset[j[0], i[0]]))
        pieces.append(measure_piece(searched.now, beside, levels[-1], around, moves, searched.sigma))
    return levels, pieces


def _as_pieces(
    searched: Searched, window: _Window, blob: Blob, pieces: list[Piece], levels: list[float]
) -> Blob:
    """The blob as its surroundings show it when they are moved as one piece; as it was, where it stands out less then."""
    import cv2

    now = searched.now[window.part]
    before, after = (
        carry_piece(beside, piece, level, window.part)
        for beside, piece, level in zip(searched.beside, pieces, levels, strict=True)
    )
    sign = np.float32(1.0 if blob.depth > 0 else -1.0)
    grain = searched.sigma[np.clip((before + after) / 2, 0, GRAIN_LEVELS - 1).astype(np.int32)]
    own = window.own & (np.minimum(sign * (now - before), sign * (now - after)) >= GROWN * grain)
    if np.count_nonzero(own) < LEAST_PX:
        return blob
    peak = 0.0
    for soft_px, sigma in ((0.0, searched.sigma), (SOFT_PX, searched.soft_sigma)):
        here, *beside = (
            each if soft_px == 0 else cv2.GaussianBlur(each, (0, 0), soft_px) for each in (now, before, after)
        )
        most = np.maximum(*(cv2.dilate(sign * each, np.ones((3, 3), np.uint8)) for each in beside))
        level = sigma[np.clip((beside[0] + beside[1]) / 2, 0, GRAIN_LEVELS - 1).astype(np.int32)]
        peak = max(peak, float(((sign * here - most) / level)[own].max()))
    if peak < SEED:
        return blob
    moves = [(1.0, 0.0, piece.across_px, 0.0, 1.0, piece.down_px) for piece in pieces]
    seen = _described(searched, replace(window, own=own), before, after, (moves[0], moves[1]), peak)
    return replace(seen, torn=blob.torn) if seen.restless <= blob.restless else blob


def _shape(y: Places, x: Places) -> dict[str, float]:
    """Direction of a blob, degrees, and how many times longer than wide it is."""
    sxx, syy, sxy = _spread(y, x)
    middle, half = (sxx + syy) / 2 + 1 / 12, float(np.hypot((sxx - syy) / 2, sxy))  # a pixel's own is 1/12
    turn = 0.5 * float(np.degrees(np.arctan2(2 * sxy, sxx - syy)))
    return {"turn_deg": turn % 180.0, "long": float(np.sqrt((middle + half) / (middle - half)))}


def _spread(y: Places, x: Places) -> tuple[float, float, float]:
    """Second moments of places about their middle: across, along, both."""
    dx, dy = x - x.mean(), y - y.mean()
    return float(np.mean(dx * dx)), float(np.mean(dy * dy)), float(np.mean(dx * dy))


def _runs(own: Mask, x0: int, y0: int) -> tuple[tuple[int, int, int], ...]:
    """(row, first, stop) of each unbroken line of pixels."""
    edges = np.diff(np.pad(own.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    y, first = np.nonzero(edges > 0)
    stop = np.nonzero(edges < 0)[1]
    return tuple(zip((y + y0).tolist(), (first + x0).tolist(), (stop + x0).tolist(), strict=True))


def _move(flow: Floats, y: Places, x: Places) -> Affine:
    """The affine move of a blob's pixels into a frame beside it, least squares over its flow."""
    high, wide = flow.shape[:2]
    i = np.clip((x + 0.5) / STEP - 0.5, 0, wide - 1).round().astype(int)
    j = np.clip((y + 0.5) / STEP - 0.5, 0, high - 1).round().astype(int)
    u, v = (flow[j, i, k].astype(np.float64) * STEP for k in (0, 1))
    mean_u, mean_v = float(u.mean()), float(v.mean())
    sxx, syy, sxy = _spread(y, x)
    free = sxx * syy - sxy * sxy
    if len(x) < LEAST_AFFINE or free < 1e-6:
        return (1.0, 0.0, mean_u, 0.0, 1.0, mean_v)
    mx, my = float(x.mean()), float(y.mean())
    rows: list[float] = []
    for each, mean in ((u, mean_u), (v, mean_v)):
        cx, cy = float(np.mean((x - mx) * each)), float(np.mean((y - my) * each))
        a, b = (cx * syy - cy * sxy) / free, (cy * sxx - cx * sxy) / free
        rows += [a, b, mean - a * mx - b * my]
    a, b, c, d, e, f = rows
    return (1.0 + a, b, c, d, 1.0 + e, f)
