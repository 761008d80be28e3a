"""Dirt on one frame: what stands out of the frames before and after it, and has calm surroundings.

make_dirt_sheet   light of a frame's picture                 ->  DirtSheet
find_dirt_moves   sheets of two frames in a row             ->  DirtMoves: flow there and back
find_dirt         sheets of three frames in a row            ->  blobs that may be dirt                 (analyse)

A speck lies on one frame only. Both neighbours are carried to the frame by dense flow and brought to its level; a pixel
counts where it is lighter than all, or darker than all, of three pixels of either by more than the grain explains
(rank-ordered differences, the largest). The flow under a speck is filled from around it, so that the speck does not steer
its own prediction. What is round about tells dirt from movement: where a hand moves, the neighbours don't fit beside the
blob either. Blobs that wander from frame to frame are told apart later, from the whole table (`find_dirt_kinds`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt_blobs import GRAIN_LEVELS, SOFT_PX, STEP, Blob, Searched, measure_blobs
from smallgauge.picture.flow import back_flow, dense_flow

THRESHOLD = 3.7  # deviations of the grain; the reference names it (picture science, section e)
DETAIL = 0.2  # of the spread of nine pixels that is added to the limit; common practice, no source
SOFTER_PX = 1.7  # softness at which is looked as well, on top of `SOFT_PX`: together 2 px
REFINED = 5  # rounds of flow's refinement
FLOW = {"finest": 1, "patch_px": 8, "stride_px": 4, "refined": REFINED}
FILLED_AT = 4  # how much smaller flow is filled
FILLED_FROM_PX = (4.0, 10.0, 24.0)  # how far around, wider where nothing is known; common practice, no source
# Of lightness between neighbours, as at a slow start of the camera: beyond it nothing is told. common practice, no source
MOST_STEP = 10.0
GRAIN_BINS, GRAIN_PIXELS = 16, 200  # levels of lightness, and pixels of one from which its grain is told
LEAST_GRAIN = 0.3  # lightness; flat drawings have none; common practice, no source

Floats = NDArray[np.float32]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DirtSheet:
    """A frame's picture as dirt is looked for: display lightness 0 to 255, and a small one for its motion."""

    lightness: Floats
    small: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DirtMoves:
    """Where each pixel of a small picture lies in the next one, less its own place, and the other way; px of small pictures.

    Arrays lie where they were found: on the processor, or on a card.
    """

    there: Floats
    back: Floats


def make_dirt_sheet(lightness: Floats) -> DirtSheet:
    """The sheet of a picture.

    Parameters
    ----------
    lightness : float32 array, shape (height, width)
        Display lightness, 0 to 255: light of an open gate to the power of 1/2.4, all channels together. Finite.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_dirt_sheet(np.full((60, 80), 90.0, np.float32)).small.shape
    (30, 40)
    """
    import cv2

    size = (lightness.shape[1] // STEP, lightness.shape[0] // STEP)
    small = cv2.resize(lightness, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 0.8)
    return DirtSheet(lightness=lightness, small=np.clip(small, 0, 255).astype(np.uint8))


def find_dirt_moves(first: DirtSheet, second: DirtSheet) -> DirtMoves:
    """How two frames in a row lie in each other. Each pair of frames is asked once, for the dirt of either.

    Notes
    -----
    Source: DIS flow.

    Examples
    --------
    >>> view = 120 + 30 * np.sin(np.arange(128) / 9)[None, :] * np.cos(np.arange(96) / 7)[:, None]
    >>> sheets = [make_dirt_sheet(np.roll(view, 4 * n, axis=1).astype(np.float32)) for n in range(2)]
    >>> moves = find_dirt_moves(*sheets)
    >>> [float(np.median(each[12:-12, 12:-12, 0]).round()) for each in (moves.there, moves.back)]
    [2.0, -2.0]
    """
    there = dense_flow(first.small, second.small, **FLOW)
    return DirtMoves(there=there, back=back_flow(first.small, second.small, there, refined=REFINED))


def find_dirt(
    before: DirtSheet, now: DirtSheet, after: DirtSheet, *, moves: tuple[DirtMoves, DirtMoves] | None = None
) -> tuple[Blob, ...]:
    """Blobs on the middle one of three frames in a row.

    Parameters
    ----------
    before, now, after : DirtSheet
        Of one size, 64 px or more either way, the picture at the same place within some tens of pixels.
    moves : two DirtMoves, optional
        Of the first pair and of the second; found here where they are not given.

    Returns
    -------
    tuple of Blob
        The deepest first. Blobs of three pixels or more whose deepest one stands out of all of nine pixels of either
        neighbour by `SEED` deviations of the grain, at one of three degrees of softness. Not all of them are dirt. None
        where a neighbour is lighter or darker by more than `MOST_STEP`.

    Notes
    -----
    Source: SROD (nine references a side instead of three, and a share of their spread added to the limit: neighbours are
    never carried exactly), DIS flow. One thread, so that the same frames give the same blobs.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> view = 120 + 30 * np.sin(np.arange(128) / 9)[None, :] * np.cos(np.arange(96) / 7)[:, None]
    >>> frames = [np.asarray(view + random.normal(0, 2, view.shape), np.float32) for _ in range(3)]
    >>> frames[1][40:45, 60:66] = 10.0
    >>> blob = find_dirt(*(make_dirt_sheet(frame) for frame in frames))[0]
    >>> (blob.left, blob.top, blob.width, blob.height, blob.depth < -50)
    (58, 38, 10, 8, True)
    """
    first, second = moves or (find_dirt_moves(before, now), find_dirt_moves(now, after))
    flows = [first.back, second.there]
    offsets = [_level(now.small, other.small, flow) for other, flow in zip((before, after), flows)]
    if max(abs(float(np.median(offset))) for offset in offsets) > MOST_STEP:
        return ()
    pairs = list(zip((before.lightness, after.lightness), flows, offsets, strict=True))
    sides = [_carried(*pair) for pair in pairs]
    far = _spikes(now.lightness, sides, _grain(now.lightness, sides))
    # The flow under what stands out is filled from around it, and the question asked again.
    under = _under(far != 0, flows[0].shape[:2])
    filled = [_filled(flow, under) for flow in flows]
    for (beside, _, offset), flow, side in zip(pairs, filled, sides, strict=True):
        _carry_again(beside, flow, offset, under, side)
    sigma = _grain(now.lightness, sides)
    far, soft, soft_sigma = _at_scales(now.lightness, sides, sigma)
    return measure_blobs(
        Searched(
            now=now.lightness,
            beside=(before.lightness, after.lightness),
            sides=(sides[0], sides[1]),
            sigma=sigma,
            soft=soft,
            soft_sigma=soft_sigma,
            far=far,
            flows=(filled[0], filled[1]),
            offsets=(offsets[0], offsets[1]),
        )
    )


def _at_scales(
    now: Floats, sides: list[Floats], sigma: Floats
) -> tuple[Floats, tuple[Floats, Floats, Floats], Floats]:
    """What stands out of both sides at some softness, the farthest from 0; the frame and both sides softened, and their grain."""
    import cv2

    from smallgauge.picture.kernels_dirt import spread

    far = _spikes(now, sides, sigma)
    soft, *beside = (cv2.GaussianBlur(each, (0, 0), SOFT_PX) for each in (now, *sides))
    soft_sigma = _grain(soft, beside)
    _spikes(soft, beside, soft_sigma, into=far)
    # The softest is looked at in copies reduced to half: softened so far, nothing is lost.
    size = (now.shape[1] // 2, now.shape[0] // 2)
    softer, *about = (
        cv2.GaussianBlur(cv2.resize(each, size, interpolation=cv2.INTER_AREA), (0, 0), SOFTER_PX / 2)
        for each in (soft, *beside)
    )
    spread(_spikes(softer, about, _grain(softer, about, every=2)), far)
    return far, (soft, beside[0], beside[1]), soft_sigma


def _level(now: NDArray[np.uint8], other: NDArray[np.uint8], flow: Floats) -> Floats:
    """What the other frame needs to be as light as this one, smooth over the picture: flicker, as far as it matters here."""
    import cv2

    grid = np.stack(np.meshgrid(*(np.arange(n, dtype=np.float32) for n in now.shape[::-1])), axis=2)
    carried = cv2.remap(other, flow + grid, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    off = now.astype(np.float32) - carried.astype(np.float32)
    middle = np.float32(np.median(off[::4, ::4]))
    limit = np.float32(8.0) + np.float32(2.0) * np.float32(np.median(np.abs(off[::4, ::4] - middle)))
    counts = (np.abs(off - middle) < limit).astype(np.float32)
    small = (max(8, now.shape[1] // 8), max(8, now.shape[0] // 8))
    weight = cv2.GaussianBlur(cv2.resize(counts, small, interpolation=cv2.INTER_AREA), (0, 0), 4.0)
    total = cv2.GaussianBlur(
        cv2.resize(counts * (off - middle), small, interpolation=cv2.INTER_AREA), (0, 0), 4.0
    )
    smooth = total / (weight + np.float32(0.05)) + middle
    return np.asarray(cv2.resize(smooth, now.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _carried(lightness: Floats, flow: Floats, offset: Floats) -> Floats:
    """The whole picture carried by its flow and brought to level."""
    import cv2

    high, wide = flow.shape[:2]
    x, y = (np.arange(n, dtype=np.float32) * STEP + np.float32((STEP - 1) / 2) for n in (wide, high))
    places = flow * np.float32(STEP)
    places[..., 0] += x
    places[..., 1] += y[:, None]
    size = lightness.shape[::-1]
    places = cv2.resize(places, size, interpolation=cv2.INTER_LINEAR)
    out = cv2.remap(lightness, places, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    out += cv2.resize(offset, size, interpolation=cv2.INTER_NEAREST)
    return np.asarray(out, np.float32)


def _carry_again(lightness: Floats, flow: Floats, offset: Floats, under: Mask, out: Floats) -> None:
    """What the flow carries, anew where it has changed, into `out`."""
    import cv2

    from smallgauge.picture.kernels_dirt import predict

    where = cv2.dilate(under.astype(np.uint8), np.ones((3, 3), np.uint8))
    predict(lightness, flow, offset, STEP, where, out)


def _grain(now: Floats, sides: list[Floats], *, every: int = 4) -> Floats:
    """The grain's deviation by lightness, from calm pixels: 256 values."""
    p, n, value = (each[::every, ::every].ravel() for each in (*sides, now))
    middle = 0.5 * (p + n)
    off = value - middle
    bins = np.clip(middle, 0, 255).astype(np.uint8) // 16  # 16 bits or fewer are sorted by counting
    order = np.argsort(bins, kind="stable")
    edges = np.searchsorted(bins[order], np.arange(GRAIN_BINS + 1))
    parts = [np.abs(off[order[edges[k] : edges[k + 1]]]) for k in range(GRAIN_BINS)]
    medians = [float(np.median(part)) if len(part) >= GRAIN_PIXELS else np.nan for part in parts]
    if np.isnan(medians).all():
        return np.full(GRAIN_LEVELS, max(1.0, float(np.median(np.abs(off))) * 1.25), np.float32)
    return grain_levels(medians)


def grain_levels(medians: Sequence[float]) -> Floats:
    """The grain's deviation by lightness from sixteen medians, NaN where a level has too few pixels: 256 values.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> grain_levels([2.0] * 15 + [float("nan")])[::100].astype(float).round(2).tolist()
    [2.51, 2.51, 2.51]
    """
    centres = [16 * k + 8.0 for k in range(GRAIN_BINS) if np.isfinite(medians[k])]
    # A normal deviation by its median; the mean of two frames adds half their grain, less what carrying smooths.
    deviations = [median * 1.4826 / np.sqrt(1.4) for median in medians if np.isfinite(median)]
    levels = np.interp(np.arange(GRAIN_LEVELS), centres, deviations)
    return np.asarray(np.maximum(levels, LEAST_GRAIN), np.float32)


def _spikes(now: Floats, sides: list[Floats], sigma: Floats, into: Floats | None = None) -> Floats:
    """What stands out of both sides; where `into` holds what stands out farther, that is kept."""
    from smallgauge.picture.kernels_dirt import spikes

    far = into if into is not None else np.zeros_like(now)
    spikes(now, sides[0], sides[1], sigma, np.float32(THRESHOLD), np.float32(DETAIL), far)
    return far


def _under(seeds: Mask, shape: tuple[int, int]) -> Mask:
    """What stands out and what is around it, in a field of flow."""
    import cv2

    coarse = cv2.resize(seeds.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA) > 0
    return np.asarray(cv2.dilate(coarse.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0)


def _filled(flow: Floats, under: Mask) -> Floats:
    """Flow with what is `under` replaced from around it: normalised convolution, wider where there is less."""
    import cv2

    size = (max(8, flow.shape[1] // FILLED_AT), max(8, flow.shape[0] // FILLED_AT))
    free = (~under).astype(np.float32)
    small = cv2.resize(free, size, interpolation=cv2.INTER_AREA)
    known = cv2.resize(flow * free[..., None], size, interpolation=cv2.INTER_AREA)
    filled = np.zeros_like(known)
    left = np.ones(small.shape, bool)
    for width in FILLED_FROM_PX:
        weight = cv2.GaussianBlur(small, (0, 0), width / FILLED_AT)
        sure = left & (weight > 0.05)
        carried = cv2.GaussianBlur(known, (0, 0), width / FILLED_AT)
        filled[sure] = carried[sure] / weight[sure][:, None]
        left &= ~sure
        if not left.any():
            break
    out = flow.copy()
    wide = cv2.resize(filled, flow.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    sure = cv2.resize((~left).astype(np.uint8), flow.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
    out[under & sure] = wide[under & sure]
    return out
