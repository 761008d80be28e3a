"""Repair of dirt: what a speck hides is taken from the frames before and after it, with grain as deep as around it.

apply_dirt_repair   a captured frame, the two beside it, what is to be repaired  ->  the frame with it repaired    (render)

Only pixels under a speck, and a soft edge of two pixels, are touched; every other sample keeps its code value. The mean of
both neighbours, carried by the blob's own moves and brought to the level of its surroundings, has less grain than the
picture; half their difference is nothing but grain, and as much of it is added as makes the deviation that of the surroundings.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GROWN_PX = 3  # a speck's edge is soft: so far beyond its found pixels it is repaired fully
FEATHER_PX = 2.0  # over which the repair ends; the reference names it (picture science, section e)
LEAST_RING = 30  # pixels; fewer say nothing of grain
RING_PX = 7  # of the surroundings that say level and grain; common practice, no source
MOST_GRAIN = 2.5  # times half the difference that is added; common practice, no source
POWER = 2.4  # lightness is light to the power of 1/2.4: ITU-R BT.1886

Affine = tuple[float, float, float, float, float, float]
Codes = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]
Floats = NDArray[np.float32]
Run = tuple[int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtRepair:
    """One blob to repair: (row, first, stop) of its pixels in the captured frame, and where it lies in the frames beside it."""

    runs: tuple[Run, ...]
    before: Affine
    after: Affine


def apply_dirt_repair(
    samples: Codes,
    before: Codes,
    after: Codes,
    repairs: Sequence[DirtRepair],
    *,
    table: Floats | None,
    hidden: tuple[Sequence[Run], Sequence[Run]] = ((), ()),
) -> Codes:
    """A frame with its dirt repaired.

    Parameters
    ----------
    samples, before, after : array, shape (height, width) or (height, width, 3)
        Captured code values of the frame and those beside it; floating point is light already. Not altered.
    repairs : sequence of DirtRepair
        In the order in which they are to be made.
    table : float32 array or None
        Light of each code value, rising; None for floating point.
    hidden : two sequences of (row, first, stop)
        What dirt hides of the frame before and of that after: there the other one alone is taken.

    Returns
    -------
    array
        Of the samples' type; every sample further than 5 px from all runs is the same.

    Notes
    -----
    Source: Kokaram repair; the way grain is put back is our own.

    Examples
    --------
    >>> clean = np.full((40, 40), 900, np.uint16)
    >>> dirty = clean.copy()
    >>> dirty[18:22, 18:22] = 100
    >>> still = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
    >>> runs = tuple((y, 18, 22) for y in range(18, 22))
    >>> table = np.linspace(0, 1, 1024, dtype=np.float32)
    >>> whole = apply_dirt_repair(dirty, clean, clean, [DirtRepair(runs=runs, before=still, after=still)], table=table)
    >>> bool((whole == clean).all())
    True
    """
    out = samples.copy()
    beside = [
        _Beside(codes=codes, under=_hidden_mask(codes.shape[:2], runs))
        for codes, runs in zip((before, after), hidden, strict=True)
    ]
    middles = None if table is None else np.asarray((table[1:] + table[:-1]) / 2, np.float32)
    for repair in repairs:
        _mend(out, (beside[0], beside[1]), repair, table, middles)
    return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Beside:
    """A frame beside the one that is repaired; `under` is 1 where dirt hides it, None where nothing does."""

    codes: Codes
    under: NDArray[np.uint8] | None


def _hidden_mask(shape: tuple[int, ...], runs: Sequence[Run]) -> NDArray[np.uint8] | None:
    """What dirt hides of a frame, with its soft edge."""
    import cv2

    if not runs:
        return None
    under = np.zeros(shape, np.uint8)
    for row, first, stop in runs:
        under[row, first:stop] = 1
    return np.asarray(cv2.dilate(under, np.ones((2 * GROWN_PX + 1, 2 * GROWN_PX + 1), np.uint8)), np.uint8)


def _mend(
    out: Codes,
    beside: tuple[_Beside, _Beside],
    repair: DirtRepair,
    table: Floats | None,
    middles: Floats | None,
) -> None:
    """One repair, into `out`; `middles` lie between the lights of codes in a row."""
    import cv2

    height, width = out.shape[:2]
    far = round(GROWN_PX + FEATHER_PX) + RING_PX + 2
    y0 = max(0, min(run[0] for run in repair.runs) - far)
    y1 = min(height, max(run[0] for run in repair.runs) + 1 + far)
    x0 = max(0, min(run[1] for run in repair.runs) - far)
    x1 = min(width, max(run[2] for run in repair.runs) + far)
    own = np.zeros((y1 - y0, x1 - x0), np.uint8)
    for y, first, stop in repair.runs:
        own[y - y0, first - x0 : stop - x0] = 1
    distance = (
        cv2.distanceTransform(1 - own, cv2.DIST_L2, 5) if not own.all() else np.zeros(own.shape, np.float32)
    )
    share = np.clip(1 - (distance - GROWN_PX) / FEATHER_PX, 0, 1).astype(np.float32)
    ring = (distance > GROWN_PX + FEATHER_PX) & (distance <= GROWN_PX + FEATHER_PX + RING_PX)
    now = _lightness(out[y0:y1, x0:x1], table)
    box = (y0, y1, x0, x1)
    p, under_p = _carried(beside[0], repair.before, box, table)
    n, under_n = _carried(beside[1], repair.after, box, table)
    clear = ring & ~under_p & ~under_n
    ring = clear if clear.sum() >= LEAST_RING else ring
    only_p, only_n = under_n & ~under_p, under_p & ~under_n
    touched = share > 0
    mended = np.empty_like(now)
    for c in range(now.shape[2]):
        one, two, here = p[:, :, c], n[:, :, c], now[:, :, c]
        if ring.any():
            one = np.asarray(one + np.median((here - one)[ring]), np.float32)
            two = np.asarray(two + np.median((here - two)[ring]), np.float32)
        mean = np.asarray((one + two) / 2, np.float32)
        half = np.asarray((one - two) / 2, np.float32)
        grainy = mean + _grain_share(here, mean, half, ring) * half
        mended[:, :, c] = np.where(only_p, one, np.where(only_n, two, grainy))
    weight = share[:, :, None]
    light = np.maximum(now + weight * (mended - now), 0) ** np.float32(POWER)
    part = out[y0:y1, x0:x1]
    codes = _codes(light, middles, part.dtype)
    shaped = codes if part.ndim == 3 else codes[:, :, 0]
    part[touched] = shaped[touched]


def _grain_share(here: Floats, mean: Floats, half: Floats, ring: NDArray[np.bool_]) -> np.float32:
    """How much of half the difference makes the mean as grainy as the surroundings are."""
    if ring.sum() < LEAST_RING:
        return np.float32(0.0)
    own, left = _variance((here - mean)[ring]), _variance(half[ring])
    if left <= 0:
        return np.float32(0.0)
    return np.float32(min(MOST_GRAIN, max(0.0, own - 2 * left) ** 0.5 / left**0.5))


def _variance(values: Floats) -> float:
    """Of the middle of the values, as for a normal deviation."""
    return (1.4826 * float(np.median(np.abs(values - np.median(values))))) ** 2


def _lightness(codes: Codes, table: Floats | None) -> Floats:
    light = np.nan_to_num(np.asarray(codes, np.float32)) if table is None else table[codes]
    light = light[:, :, None] if light.ndim == 2 else light
    return np.asarray(np.maximum(light, 0) ** np.float32(1 / POWER), np.float32)


def _codes(light: Floats, middles: Floats | None, kind: np.dtype) -> NDArray:
    """The nearest code values of a light."""
    if middles is None:
        return light.astype(kind)
    return np.searchsorted(middles, light).astype(kind)


def _carried(
    beside: _Beside, move: Affine, box: tuple[int, int, int, int], table: Floats | None
) -> tuple[Floats, NDArray[np.bool_]]:
    """Lightness of a frame beside it where the box's pixels lie there, and what dirt hides of that."""
    import cv2

    y0, y1, x0, x1 = box
    x, y = np.meshgrid(np.arange(x0, x1, dtype=np.float32), np.arange(y0, y1, dtype=np.float32))
    a, b, c, d, e, f = (np.float32(v) for v in move)
    u, v = a * x + b * y + c, d * x + e * y + f
    height, width = beside.codes.shape[:2]
    left, top = int(np.clip(u.min() - 3, 0, width - 1)), int(np.clip(v.min() - 3, 0, height - 1))
    right, low = int(np.clip(u.max() + 4, left + 1, width)), int(np.clip(v.max() + 4, top + 1, height))
    part = _lightness(beside.codes[top:low, left:right], table)
    got = cv2.remap(part, u - left, v - top, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    got = np.asarray(got[:, :, None] if got.ndim == 2 else got, np.float32)
    if beside.under is None:
        return got, np.zeros(x.shape, np.bool_)
    under = beside.under[top:low, left:right].astype(np.float32)
    seen = cv2.remap(under, u - left, v - top, cv2.INTER_LINEAR)
    return got, np.asarray(seen > 0.05)
