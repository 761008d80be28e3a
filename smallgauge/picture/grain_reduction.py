"""Less grain, by the operator's word: from the frames before and after, at most half of it, and never an edge.

apply_less_grain   a captured frame, the two beside it, how much  ->  LessGrain: the frame, and what was taken   (render)

Both neighbours are carried to the frame by dense flow. Where they agree with it within the grain, the frame is drawn
towards their mean, by a share that can take no more than was asked for; where they don't, it stays. What was taken is looked
at: where it is larger along edges, edges were in it. Then less is taken there, and if that doesn't help the frame stays as it is.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flow import dense_flow

MOST = 0.5  # of the grain's deviation that may be taken; the reference names it (picture science, section e)
USUAL = 0.3  # where the operator names no share; common practice, no source
# Likeness of what was taken with the picture's edges, from which edges are in it: the reference names it (section e).
MOST_LIKENESS = 0.05
# Power of carried grain over the frame's own: carrying between pixels smooths. That of white grain half-way between four
# pixels, by the cubic that carries, which is the least there is: so no more goes than was asked for. By arithmetic.
CARRIED = 0.522
AROUND_PX = (7, 15)  # over which agreement is judged; common practice, no source
TILE_PX = 128  # of the parts of the picture in which what is taken is looked at; common practice, no source
CHANCE = 4.0  # deviations of a likeness by chance, within a part, from which edges are in it; common practice, no source
# Pixels of which one says something of its own, once edges are softened by EDGE_PX: 4 pi of its square. By arithmetic.
ALIKE_PX = 18.0
FITS, APART = 2.0, 3.5  # deviations of that mean: within them a neighbour counts fully, beyond not at all
EDGE_PX = 1.2  # over which the picture is softened to see its edges; common practice, no source
LEAST_SIDE_PX = 64
POWER = 2.4  # lightness is light to the power of 1/2.4: ITU-R BT.1886
LEVELS = 16  # of lightness for each of which grain is measured
LEAST_PIXELS = 200
LEAST_GRAIN = 0.05  # of 255

Codes = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainDecision:
    """How much of the grain's deviation is taken at most, 0 to 0.5; 0 leaves the grain."""

    reduce: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LessGrain:
    """A frame with less grain.

    `samples` are of the captured frame's type. `taken` is the share of the grain's deviation that was taken, mean over the picture,
    0 where the frame stayed as it is. `likeness` is that of what was taken with the picture's edges, -1 to 1, of what was
    kept of it or, where the frame stayed, of what was refused; NaN where no neighbour was given.
    """

    samples: Codes
    taken: float
    likeness: float


def apply_less_grain(
    samples: Codes,
    beside: tuple[Codes | None, Codes | None],
    *,
    table: Floats | None,
    reduce: float,
    box: tuple[int, int, int, int],
    flow: Callable[..., Floats] = dense_flow,
) -> LessGrain:
    """A frame with less grain.

    Parameters
    ----------
    samples : array, shape (height, width) or (height, width, 3)
        Captured code values; floating point is light already. Not altered.
    beside : two arrays or None
        The frames before and after, alike; None where the scene has none.
    table : float32 array or None
        Light of each code value, rising; None for floating point.
    reduce : float
        Share of the grain's deviation that may be taken, 0 to 0.5.
    box : (left, top, right, bottom)
        The picture in the captured frame, px, right and bottom not in it; samples outside are never changed.
    flow : function
        `dense_flow`, or its namesake on a card.

    Returns
    -------
    LessGrain

    Raises
    ------
    CallerError
        A share out of its range, or a box that is not in the frame or smaller than 64 px.

    Notes
    -----
    Source: less grain, DIS flow. The same frames give the same bytes.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> frames = [(0.3 + random.normal(0, 0.01, (96, 128))).astype(np.float32) for _ in range(3)]
    >>> less = apply_less_grain(frames[1], (frames[0], frames[2]), table=None, reduce=0.4, box=(0, 0, 128, 96))
    >>> 0.55 < float(less.samples.std() / frames[1].std()) < 0.7, 0.3 < less.taken <= 0.4
    (True, True)
    """
    left, top, right, bottom = box
    inside = 0 <= left < right <= samples.shape[1] and 0 <= top < bottom <= samples.shape[0]
    if not 0 <= reduce <= MOST or not inside or min(right - left, bottom - top) < LEAST_SIDE_PX:
        raise CallerError(
            f"Less grain takes a share of 0 to {MOST} and a box of {LEAST_SIDE_PX} px a side or more inside the frame, got "
            f"{reduce} and {box}."
        )
    where = np.s_[top:bottom, left:right]
    own = _lightness(samples[where], table)
    towards = _towards([_lightness(each[where], table) for each in beside if each is not None], own, flow)
    if towards is None or reduce == 0:
        return LessGrain(samples=samples.copy(), taken=0.0, likeness=math.nan)
    # As much of the frame as of each neighbour: the grain of that mean has nothing in common with that of what is taken.
    count = sum(each is not None for each in beside)
    edges = _edges(own + np.float32(count / (count + 1)) * towards.mean)
    share = np.float32(_share(reduce))
    taken = share * towards.weight[..., None] * towards.mean
    weight = towards.weight * _without_edges(taken / towards.grain, edges)
    taken = share * weight[..., None] * towards.mean
    likeness = _likeness(taken / towards.grain, edges)
    if likeness >= _limit(edges):
        return LessGrain(samples=samples.copy(), taken=0.0, likeness=likeness)
    out = samples.copy()
    codes = _codes(own + taken, table, samples.dtype)
    out[where] = codes if samples.ndim == 3 else codes[:, :, 0]
    return LessGrain(samples=out, taken=float(reduce * np.mean(weight, dtype=np.float64)), likeness=likeness)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Towards:
    """Where the neighbours lie from a frame: their mean less it, shape (h, w, c), how far it counts, 0 to 1, and the grain's
    deviation of that, by pixel.
    """

    mean: Floats
    weight: Floats
    grain: Floats


def _share(reduce: float) -> float:
    """How far a frame is drawn towards the mean of two so that its deviation falls to 1 - reduce at the most.

    The frame keeps 1 - a of its own grain, and has a times that of a mean of two carried ones.
    """
    square = 1 + CARRIED / 2
    return (1 - math.sqrt(1 - square * (1 - (1 - reduce) ** 2))) / square


def _lightness(codes: Codes, table: Floats | None) -> Floats:
    """Display lightness, 0 to 255, shape (h, w, channels)."""
    light = np.nan_to_num(np.asarray(codes, np.float32)) if table is None else table[codes]
    light = light[:, :, None] if light.ndim == 2 else light
    return np.asarray(255 * np.clip(light, 0, None) ** np.float32(1 / POWER), np.float32)


def _codes(lightness: Floats, table: Floats | None, kind: np.dtype) -> NDArray:
    """The nearest code values."""
    light = (np.maximum(lightness, 0) / np.float32(255)) ** np.float32(POWER)
    if table is None:
        return light.astype(kind)
    return np.searchsorted(np.asarray((table[1:] + table[:-1]) / 2, np.float32), light).astype(kind)


def _towards(beside: list[Floats], own: Floats, flow_of: Callable[..., Floats]) -> _Towards | None:
    """The neighbours carried to the frame; None without one."""
    import cv2

    if not beside:
        return None
    small = _small(own)
    total, weights = np.zeros_like(own), np.zeros(own.shape[:2], np.float32)
    grain = np.zeros_like(own)
    for other in beside:
        flow = flow_of(small, _small(other), finest=0, patch_px=12, stride_px=4, refined=5)
        flow = 2 * cv2.resize(flow, own.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        grid = np.stack(np.meshgrid(*(np.arange(n, dtype=np.float32) for n in own.shape[1::-1])), axis=2)
        there = flow + grid
        got = cv2.remap(other, there[..., 0], there[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        off = np.asarray(got.reshape(own.shape) - own, np.float32)
        off -= np.median(off[::4, ::4], axis=(0, 1))
        deviation = _deviation(off, own)
        counts = _agrees(off, deviation)
        total += counts[..., None] * off
        weights += counts
        grain += deviation / len(beside)
    # Half of each: where one alone counts, the frame is drawn half as far.
    mean = total / np.maximum(weights, 1e-6)[..., None]
    return _Towards(
        mean=np.asarray(mean, np.float32), weight=np.asarray(weights / 2, np.float32), grain=grain
    )


def _small(lightness: Floats) -> NDArray[np.uint8]:
    import cv2

    half = cv2.resize(lightness.mean(axis=2), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return np.asarray(np.clip(cv2.GaussianBlur(half, (0, 0), 1.2), 0, 255), np.uint8)


def _deviation(off: Floats, at: Floats) -> Floats:
    """The deviation of a difference at each pixel, by its lightness and channel, from its smaller half: what moves is no grain."""
    out = np.empty_like(off)
    centres = (np.arange(LEVELS) + 0.5) * 256 / LEVELS
    for c in range(off.shape[2]):
        size, level = np.abs(off[::3, ::3, c]).ravel(), at[::3, ::3, c].ravel()
        band = np.clip(level * LEVELS / 256, 0, LEVELS - 1).astype(np.int64)
        parts = [size[band == k] for k in range(LEVELS)]
        many = [k for k in range(LEVELS) if len(parts[k]) >= LEAST_PIXELS]
        values = [1.4826 * float(np.median(parts[k])) for k in many] or [1.4826 * float(np.median(size))]
        curve = np.maximum(np.interp(np.arange(256), centres[many] if many else [128.0], values), LEAST_GRAIN)
        out[:, :, c] = curve.astype(np.float32)[np.clip(at[:, :, c], 0, 255).astype(np.uint8)]
    return out


def _agrees(off: Floats, deviation: Floats) -> Floats:
    """How far a neighbour counts, 0 to 1: by the mean and by the size of its difference around each pixel."""
    import cv2

    even = off / deviation
    means = [np.abs(cv2.blur(even.mean(axis=2), (side, side))) for side in AROUND_PX]
    size = cv2.blur(np.square(even).mean(axis=2), (AROUND_PX[0], AROUND_PX[0]))
    counts = np.ones(off.shape[:2], np.float32)
    # Coarse grain is uneven over a few pixels too: its own scatter says how uneven.
    for value, least in (*((mean, 0.0) for mean in means), (size, float(np.median(size[::4, ::4])))):
        scatter = 1.4826 * float(np.median(np.abs(value[::4, ::4] - least)))
        far = (value - least) / max(scatter, 1e-6)
        counts *= np.clip((APART - far) / (APART - FITS), 0, 1)
    return np.asarray(cv2.blur(counts, (3, 3)), np.float32)


def _edges(lightness: Floats) -> Floats:
    """How steep the picture is at each pixel, grain softened away."""
    import cv2

    soft = cv2.GaussianBlur(lightness.mean(axis=2), (0, 0), EDGE_PX)
    across, down = (cv2.Sobel(soft, cv2.CV_32F, *way, ksize=3, scale=0.125) for way in ((1, 0), (0, 1)))
    return np.asarray(np.hypot(across, down), np.float32)


def _without_edges(even: Floats, edges: Floats) -> Floats:
    """1 where what is to be taken, over the grain, has nothing of the picture's edges; 0 in parts of the picture where it has."""
    import cv2

    high, wide = edges.shape
    rows, columns = (max(1, round(side / TILE_PX)) for side in (high, wide))
    free = np.ones((rows, columns), np.float32)
    ys, xs = (np.linspace(0, side, count + 1).astype(int) for side, count in ((high, rows), (wide, columns)))
    for y in range(rows):
        for x in range(columns):
            part = np.s_[ys[y] : ys[y + 1], xs[x] : xs[x + 1]]
            free[y, x] = _likeness(even[part], edges[part]) < _limit(edges[part])
    # The parts beside go down with it smoothly: a seam would be an edge.
    nearest, smooth = (
        np.asarray(cv2.resize(free, (wide, high), interpolation=kind), np.float32)
        for kind in (cv2.INTER_NEAREST, cv2.INTER_LINEAR)
    )
    return np.minimum(nearest, smooth)


def _limit(edges: Floats) -> float:
    """The likeness from which edges are in it: the reference's, and in a small part what chance gives."""
    return max(MOST_LIKENESS, CHANCE / math.sqrt(edges.size / ALIKE_PX))


def _likeness(even: Floats, edges: Floats) -> float:
    """Correlation of what was taken, over the grain, with the picture's edges: of its size or its own edges, the larger."""
    size = np.abs(even).mean(axis=2)
    return max(_correlation(each[::2, ::2], edges[::2, ::2]) for each in (size, _edges(even)))


def _correlation(one: Floats, other: Floats) -> float:
    a, b = (each.astype(np.float64) - each.mean(dtype=np.float64) for each in (one, other))
    power = math.sqrt(float(np.mean(a**2)) * float(np.mean(b**2)))
    return float(np.mean(a * b)) / power if power > 0 else 0.0
