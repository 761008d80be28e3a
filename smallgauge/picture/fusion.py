"""One photograph from several frames: what they agree on is averaged, what moved stays as the base frame has it.

solve_sharpest    sharpness of frames in a row    ->  the frame to take, and the frames to help it   (render, plan)
solve_kept_grain  deviation of a frame's grain    ->  share of it that stays
apply_fusion      finished frames of one scene    ->  Fused: the photograph, and the share of each frame

Each partner is carried to the base frame by dense flow, found on denoised copies; what is carried is the frame itself.
A partner's pixel counts by how well its copy agrees with the base's, in deviations of the copies' own difference at that
lightness: fully within them, not at all where something else stands. Where no partner agrees the base frame alone stays.
Noise that is left is smoothed within the photograph, more where fewer frames agree: its spectrum is that of half the
difference of two halves of the frames, so that coarse grain is known as what it is. A share of the base frame's own
grain is kept.

Why this is long: one photograph from end to end, and the scale on which its noise is even is used by every step.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flow import dense_flow

KEPT_GRAIN = 0.2  # of the base frame's grain that stays; the reference names it (picture science, section h)
# ... and no more than this deviation of it, of 255: docs/decisions/0222.
MOST_KEPT = 0.6
PARTNERS = 4  # frames either side that may help; the reference names it (picture science, section h)
BLURRED = 0.9  # of the usual sharpness: a frame with less does not help; the reference names it (the same)
SHARPER = 1.05  # times as sharp as the frame asked for, or that one is taken; common practice, no source
LEAST_PX = 64  # a side of a frame
# A partner's pixel counts a quarter where its copy is this far off, and not at all from APART on, in deviations.
AGREES = 2.5  # the reference names it (picture science, section h)
APART = 6.0  # common practice, no source
# A frame of which more than this share doesn't come home, there and back, is another scene: of frames of one scene at most
# 0.38 did not, of others at least 0.78 (measured on the benchmark's pictures, 140 px high).
HOME_PX, STRANGE_SHARE = 1.0, 0.5
ALONE = 1.05  # frames that agree, or fewer: the base frame alone; common practice, no source
_DIFFERENCE_PX = 1.2  # over which the difference of two copies is taken; common practice, no source
_COPY_PATCH_PX, _COPY_SEARCH_PX = 7, 15  # of the copies' non-local means; common practice, no source
# Searches: the coarse one is not led astray by grain, the fine one sees copies without it (benchmarks/stills.py).
_COARSE = {"finest": 2, "patch_px": 12, "stride_px": 4, "refined": 10}
_HALF = {
    "finest": 1,
    "patch_px": 12,
    "stride_px": 4,
    "refined": 5,
}  # there and back, for a quarter of the work
_FINE = {"finest": 0, "patch_px": 16, "stride_px": 4, "refined": 5}
_AROUND_PX = 2.5  # over which a frame is blurred to see what stands out of it; common practice, no source
_CALM_SHARE = 0.1  # of the places of a lightness that are calm; common practice, no source
_SPREAD = 3.0  # times the noise of the lightness with the least; common practice, no source
_MOST_NOISE = 1.4  # times what calm places show: they are the lowest of many, and grain may be soft; measured in the tests
_LEVELS = 16  # of lightness for each of which noise is measured
_CENTRES = (np.arange(_LEVELS) + 0.5) * 256 / _LEVELS
_LEAST_PIXELS = 300  # of a level, or its neighbours speak for it; common practice, no source
_LEAST_NOISE = 0.35  # of 255: rounding to eight bits
_LEAST_APART = 0.25  # of 255: as small as a difference of two rounded copies is told
_QUARTER = 0.31864  # of a normal deviation: a quarter of all absolute differences lie below; textbook
_MEDIAN_SQUARE = 0.45494  # of a normal variance: half of all squares lie below; textbook
# Difference of two frames, one of them carried between pixels, over the noise of one: carrying smooths. Measured on
# white noise carried to forty places spread evenly between pixels: 1.353.
_PAIR = 1.35
_SIDE, _STEP = (
    8,
    2,
)  # of the blocks of the last smoothing, and the steps between them, px; common practice, no source
_KEPT = 2.7  # deviations that a coefficient has at least to stay in the first estimate; common practice, no source
_LEAST_VARIANCE = 1e-4  # of a coefficient
_GREY = np.array([[1.0, 1.0, 1.0], [1.0, 0.0, -1.0], [0.5, -1.0, 0.5]])
_OPPONENT = (_GREY / np.linalg.norm(_GREY, axis=1)[:, None]).astype(
    np.float32
)  # grey and two colours; orthonormal

Floats = NDArray[np.float32]
Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """Places in a row of frames: the one to take, and the ones that may help it, in order."""

    base: int
    partners: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fused:
    """A photograph made of several frames.

    `picture` has the frames' shape and code values. `shares` are the mean weights of the frames, in their order, together
    1. `alone_share` is the share of pixels where no partner agreed, 0 to 1. `noise` is the deviation of the base frame's
    grain, of 255, at its usual level; NaN where there was one frame only, which is then the photograph. `kept_grain` is the
    share of that grain that stayed.
    """

    picture: Codes
    shares: tuple[float, ...]
    alone_share: float
    noise: float
    kept_grain: float


def solve_sharpest(sharpness: ArrayLike, *, asked: int, reach: int = PARTNERS) -> Chosen:
    """The sharpest frame near the one asked for, and its neighbours that are sharp enough to help it.

    Parameters
    ----------
    sharpness : array, shape (frames,)
        Of the frames of one scene in film order, as `measure_sharpness` reads them. NaN is "can't tell".
    asked : int
        Place of the frame asked for.
    reach : int
        Frames either side that may be taken instead of it; 0 takes the frame itself.

    Returns
    -------
    Chosen
        The frame asked for where none near it is sharper by 5 %. Partners lie within four frames either side, and have
        nine tenths of their usual sharpness or more; a frame whose sharpness is not known is no partner, and is taken only
        where it was asked for.

    Raises
    ------
    CallerError
        A place outside the row, or a reach below 0.

    Notes
    -----
    Source: stills sharpness.

    Examples
    --------
    >>> solve_sharpest([5.0, 5.1, 4.9, 5.9, 2.0, 5.2], asked=1, reach=2)
    Chosen(base=3, partners=(0, 1, 2, 5))
    >>> solve_sharpest([5.0, 5.1, 4.9, 5.9, 2.0, 5.2], asked=1, reach=0).base
    1
    """
    sharp = np.asarray(sharpness, np.float64)
    if sharp.ndim != 1 or not 0 <= asked < len(sharp) or reach < 0:
        raise CallerError(
            f"The frame asked for is one of a row and the reach 0 or more, got {asked} of {sharp.shape} and {reach}."
        )
    first, stop = max(0, asked - reach), min(len(sharp), asked + reach + 1)
    near = np.where(np.isfinite(sharp[first:stop]), sharp[first:stop], -np.inf)
    best = first + int(np.argmax(near))
    known = np.isfinite(sharp[best]) and (
        not np.isfinite(sharp[asked]) or sharp[best] > SHARPER * sharp[asked]
    )
    base = best if known else asked
    beside = [n for n in range(max(0, base - PARTNERS), min(len(sharp), base + PARTNERS + 1)) if n != base]
    there = [n for n in beside if np.isfinite(sharp[n])]
    if not there:
        return Chosen(base=base, partners=())
    usual = float(np.median([sharp[n] for n in (*there, base) if np.isfinite(sharp[n])]))
    return Chosen(base=base, partners=tuple(n for n in there if sharp[n] >= BLURRED * usual))


def solve_kept_grain(noise: float) -> float:
    """Share of the base frame's grain that stays in a photograph.

    Parameters
    ----------
    noise : float
        Deviation of the base frame's grain, of 255.

    Returns
    -------
    float
        A fifth, and of coarse grain less: no more than a deviation of 0.6 of it.

    Notes
    -----
    A fifth is the reference's figure for grain of 8; how much less, our own: docs/decisions/0222.

    Examples
    --------
    >>> solve_kept_grain(2.0), round(solve_kept_grain(10.0), 3)
    (0.2, 0.06)
    """
    return min(KEPT_GRAIN, MOST_KEPT / noise) if noise > 0 else KEPT_GRAIN


def apply_fusion(frames: Sequence[Codes], *, base: int, bits: int, kept_grain: float | None = None) -> Fused:
    """One photograph from frames of one scene.

    Parameters
    ----------
    frames : sequence of uint16 array, shape (height, width, 3)
        Finished frames of one size, in film order, at display encoding. Not altered.
    base : int
        Place of the frame that the photograph shows.
    bits : int
        Of the code values, 8 to 16.
    kept_grain : float, optional
        Share of the base frame's grain that stays, 0 to 1; without it `solve_kept_grain` says how much.

    Raises
    ------
    CallerError
        Frames of different or too small sizes, or a number out of its range.

    Notes
    -----
    Source: robust burst merge, DCT denoising, DIS flow. The same frames give the same photograph.

    Examples
    --------
    >>> random = np.random.default_rng(2)
    >>> view = 120 + 40 * np.sin(np.arange(96) / 9)[None, :, None] * np.cos(np.arange(72) / 7)[:, None, None]
    >>> frames = [np.asarray(16 * (view + random.normal(0, 6, (72, 96, 3))), np.uint16) for _ in range(5)]
    >>> fused = apply_fusion(frames, base=2, bits=12, kept_grain=0.0)
    >>> rms = [float(np.std(each / 16 - view)) for each in (frames[2], fused.picture)]
    >>> rms[1] < 0.35 * rms[0], 4 < fused.noise < 8, [round(share, 1) for share in fused.shares]
    (True, True, [0.2, 0.2, 0.2, 0.2, 0.2])
    """
    shapes = {each.shape for each in frames}
    if (
        len(shapes) != 1
        or not 0 <= base < len(frames)
        or not 8 <= bits <= 16
        or not 0 <= (kept_grain or 0) <= 1
    ):
        raise CallerError(
            "A photograph needs frames of one size, one of them its base, 8 to 16 bits and a kept share of grain of 0 to 1, got "
            f"{sorted(shapes)}, {base}, {bits} and {kept_grain}."
        )
    shape = frames[base].shape
    if len(shape) != 3 or shape[2] != 3 or min(shape[:2]) < LEAST_PX:
        raise CallerError(
            f"A photograph needs frames of three channels and {LEAST_PX} px a side, got {shape}."
        )
    if len(frames) == 1:
        return Fused(
            picture=frames[base].copy(), shares=(1.0,), alone_share=1.0, noise=float("nan"), kept_grain=1.0
        )
    top = np.float32((1 << bits) - 1)
    seen = [np.asarray(each, np.float32) * (np.float32(255) / top) for each in frames]
    grid = _grid(shape)
    even = _even(_noise(seen, base))
    copies = [_copy(each, even) for each in seen]
    places = [grid if n == base else _place(copies[base], copies[n], grid) for n in range(len(seen))]
    if any(place is None for place in places):
        return _without_strangers(frames, places, base=base, bits=bits, kept_grain=kept_grain)
    stack = _stacked(seen, copies, [place for place in places if place is not None], base, even)
    smooth = _smoothed(stack, even)
    kept = solve_kept_grain(even.noise) if kept_grain is None else kept_grain
    out = smooth + np.float32(kept) * (seen[base] - smooth)
    return Fused(
        picture=np.asarray(np.clip(np.rint(out * (top / np.float32(255))), 0, top), np.uint16),
        shares=tuple(float(np.mean(weight / stack.total)) for weight in stack.weights),
        alone_share=float(np.mean(stack.total < ALONE)),
        noise=even.noise,
        kept_grain=kept,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Even:
    """A scale on which noise is as large at every lightness: `to` has 256 entries for each of three channels.

    On it a noise is `unit`; `noise` is the usual one on the picture's own scale.
    """

    to: NDArray[np.float64]
    unit: float
    noise: float

    def of(self, picture: Floats) -> Floats:
        """The picture on the even scale."""
        x = np.arange(256)
        return np.stack([np.interp(picture[..., c], x, self.to[:, c]) for c in range(3)], 2).astype(
            np.float32
        )

    def back(self, even: Floats) -> Floats:
        """The picture from the even scale."""
        x = np.arange(256)
        return np.stack([np.interp(even[..., c], self.to[:, c], x) for c in range(3)], 2).astype(np.float32)

    def difference(self, difference: Floats, at: Floats) -> Floats:
        """A small difference on the even scale, at the picture's lightness."""
        slope, x = np.gradient(self.to, axis=0), np.arange(256)
        return difference * np.stack(
            [np.interp(at[..., c], x, slope[:, c]) for c in range(3)], axis=2
        ).astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Stack:
    """Frames on the base frame, averaged by weight.

    `left` is the noise that is left over that of one frame, `half` half the difference of two halves of the frames, `both`
    where either half has about its full weight.
    """

    mean: Floats
    left: Floats
    half: Floats
    both: NDArray[np.bool_]
    total: Floats
    weights: tuple[Floats, ...]


def _grid(shape: tuple[int, ...]) -> Floats:
    return np.stack(np.meshgrid(*(np.arange(n, dtype=np.float32) for n in shape[1::-1])), axis=2)


def _carried(picture: Floats, place: Floats, *, fine: bool) -> Floats:
    """A picture at places between its pixels; beyond its edge the edge's own."""
    import cv2

    kind = cv2.INTER_LANCZOS4 if fine else cv2.INTER_LINEAR
    got = cv2.remap(picture, place[..., 0], place[..., 1], kind, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(got, np.float32)


def _levelled(picture: Floats, to: Floats) -> Floats:
    """The picture with the other's level, channel by channel."""
    off = np.median((to - picture)[::2, ::2].reshape(-1, 3), axis=0)
    return np.asarray(picture + off, np.float32)


def _deviations(at: Floats, difference: Floats) -> NDArray[np.float64]:
    """Deviation of a difference by lightness and channel, from its smaller half: what moves is not noise."""
    out = np.empty((_LEVELS, 3))
    for c in range(3):
        level = np.clip(at[..., c], 0, 255).astype(np.int32).ravel() * _LEVELS // 256
        size = np.abs(difference[..., c]).ravel()
        order = np.argsort(level, kind="stable")
        edges = np.searchsorted(level[order], np.arange(_LEVELS + 1))
        many = [k for k in range(_LEVELS) if edges[k + 1] - edges[k] >= _LEAST_PIXELS]
        parts = [size[order[edges[k] : edges[k + 1]]] for k in many] or [size]
        values = [float(np.quantile(part, 0.25)) / _QUARTER for part in parts]
        out[:, c] = np.interp(_CENTRES, _CENTRES[many] if many else [128.0], values)
    return out


def _noise(seen: list[Floats], base: int) -> NDArray[np.float64]:
    """Noise of one frame by lightness and channel, from the base and the frames next to it."""
    import cv2

    def soft(picture: Floats) -> NDArray[np.uint8]:
        grey = cv2.cvtColor(np.clip(picture, 0, 255).astype(np.uint8), cv2.COLOR_RGB2GRAY)
        return np.asarray(cv2.GaussianBlur(grey, (0, 0), 1.0), np.uint8)

    own, grid = seen[base], _grid(seen[base].shape)
    nearest = sorted((n for n in range(len(seen)) if n != base), key=lambda n: (abs(n - base), n))[:2]
    curves = []
    for n in nearest:
        flow = dense_flow(soft(own), soft(seen[n]), **_COARSE)
        moved = _levelled(_carried(seen[n], flow + grid, fine=True), own)
        curves.append(_deviations(own, own - moved) / _PAIR)
    # Where nothing agrees the difference is no noise: what the frame's own calm places show bounds it.
    curves.append(_calm(own))
    return np.asarray(np.min(curves, axis=0))


def _calm(picture: Floats) -> NDArray[np.float64]:
    """The most that noise may be, by lightness and channel: what stands out of the calmest places of a frame."""
    import cv2

    out = picture - cv2.GaussianBlur(picture, (0, 0), _AROUND_PX)
    local = np.sqrt(cv2.blur(out * out, (_SIDE, _SIDE)))
    most = np.empty((_LEVELS, 3))
    for c in range(3):
        level = np.clip(picture[..., c], 0, 255).astype(np.int32).ravel() * _LEVELS // 256
        parts = [local[..., c].ravel()[level == k] for k in range(_LEVELS)]
        found = [float(np.quantile(p, _CALM_SHARE)) if len(p) >= _LEAST_PIXELS else np.inf for p in parts]
        bound = np.minimum(found, _SPREAD * min(found))
        most[:, c] = np.where(np.isfinite(bound), bound, np.inf)
    return np.asarray(_MOST_NOISE * most)


def _even(curve: NDArray[np.float64]) -> _Even:
    """The scale on which noise of these deviations is even: the integral of one over the deviation."""
    x, columns = np.arange(256), []
    for c in range(3):
        inverse = 1.0 / np.maximum(np.interp(x, _CENTRES, curve[:, c]), _LEAST_NOISE)
        columns.append(np.concatenate([[0.0], np.cumsum((inverse[1:] + inverse[:-1]) / 2)]))
    unit = 255.0 / max(float(column[-1]) for column in columns)
    return _Even(to=np.stack(columns, axis=1) * unit, unit=unit, noise=float(np.median(curve)))


def _copy(picture: Floats, even: _Even) -> NDArray[np.uint8]:
    """The frame on the even scale without grain and fine detail."""
    import cv2

    codes = np.rint(np.clip(even.of(picture), 0, 255)).astype(np.uint8)
    return np.asarray(
        cv2.fastNlMeansDenoising(codes, None, float(even.unit), _COPY_PATCH_PX, _COPY_SEARCH_PX), np.uint8
    )


def _place(here: NDArray[np.uint8], there: NDArray[np.uint8], grid: Floats) -> Floats | None:
    """Where each pixel of a copy lies in another; None where hardly any comes home from there: another scene."""
    import cv2

    one, two = (np.asarray(cv2.cvtColor(each, cv2.COLOR_RGB2GRAY), np.uint8) for each in (here, there))
    there_flow, back = dense_flow(one, two, **_HALF), dense_flow(two, one, **_HALF)
    off = there_flow + _carried(back, there_flow + grid, fine=False)
    strange = float(np.mean(np.hypot(off[..., 0], off[..., 1]) > HOME_PX))
    return None if strange > STRANGE_SHARE else dense_flow(one, two, **_FINE) + grid


def _without_strangers(
    frames: Sequence[Codes],
    places: Sequence[Floats | None],
    *,
    base: int,
    bits: int,
    kept_grain: float | None,
) -> Fused:
    """The photograph from the frames that show the same scene; the others have no share in it."""
    same = [n for n, place in enumerate(places) if place is not None]
    fused = apply_fusion([frames[n] for n in same], base=same.index(base), bits=bits, kept_grain=kept_grain)
    by_place = dict(zip(same, fused.shares, strict=True))
    return replace(fused, shares=tuple(by_place.get(n, 0.0) for n in range(len(frames))))


def _stacked(
    seen: list[Floats], copies: list[NDArray[np.uint8]], places: list[Floats], base: int, even: _Even
) -> _Stack:
    """The base frame and what agrees with it."""
    own = seen[base]
    ones = np.ones(own.shape[:2], np.float32)
    sums, totals = [own.copy(), np.zeros_like(own)], [ones.copy(), np.zeros_like(ones)]
    square, weights = ones.copy(), [ones] * len(seen)
    here = copies[base].astype(np.float32)
    for count, n in enumerate(n for n in range(len(seen)) if n != base):
        place = places[n]
        weight = _agreement(here, _carried(copies[n].astype(np.float32), place, fine=False), place, even.unit)
        moved = _levelled(_carried(seen[n], place, fine=True), own)
        half = (count + 1) % 2
        sums[half] += weight[..., None] * moved
        totals[half] += weight
        square += weight * weight
        weights[n] = weight
    total = totals[0] + totals[1]
    other = np.maximum(totals[1], np.float32(1e-3))
    return _Stack(
        mean=(sums[0] + sums[1]) / total[..., None],
        left=np.sqrt(square) / total,
        half=np.asarray((sums[0] / totals[0][..., None] - sums[1] / other[..., None]) / 2, np.float32),
        both=(totals[1] > totals[1].max() / 2) & (totals[0] > totals[0].max() / 2),
        total=total,
        weights=tuple(weights),
    )


def _agreement(here: Floats, there: Floats, place: Floats, most: float) -> Floats:
    """Weight of a partner by pixel, 0 to 1: how well its carried copy agrees with the base frame's.

    `most` is the largest deviation that noise can explain on the copies' scale.
    """
    import cv2

    off = np.asarray(cv2.GaussianBlur(here - there, (0, 0), _DIFFERENCE_PX), np.float32)
    off = off - np.median(off[::2, ::2].reshape(-1, 3), axis=0).astype(np.float32)
    usual = np.clip(_deviations(here, off), _LEAST_APART, most)
    own = np.stack([np.interp(here[..., c], _CENTRES, usual[:, c]) for c in range(3)], axis=2)
    squared = np.mean((off / own) ** 2, axis=2)
    weight = 1.0 / (1.0 + np.maximum(squared - 1.0, 0.0) / AGREES**2) ** 2
    far = cv2.dilate((squared > APART**2).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    height, width = here.shape[:2]
    x, y = place[..., 0], place[..., 1]
    outside = (x < 0) | (y < 0) | (x > width - 1) | (y > height - 1)
    return np.asarray(np.where(far | outside, 0.0, weight), np.float32)


def _cosines() -> Floats:
    """The orthonormal discrete cosine transform of a row of `_SIDE`."""
    k = np.arange(_SIDE)
    rows = np.cos(np.pi * (k[None, :] + 0.5) * k[:, None] / _SIDE) * np.sqrt(2 / _SIDE)
    rows[0] /= np.sqrt(2)
    return np.asarray(rows, np.float32)


def _blocks(plane: Floats, y: int, x: int) -> Floats:
    """Blocks that begin at a place, shape (down, across, side, side)."""
    down, across = plane.shape[0] // _SIDE - 1, plane.shape[1] // _SIDE - 1
    part = plane[y : y + down * _SIDE, x : x + across * _SIDE]
    return np.asarray(part.reshape(down, _SIDE, across, _SIDE).transpose(0, 2, 1, 3), np.float32)


def _framed(picture: Floats) -> Floats:
    """The picture with a block of its mirror around it, and as much more as makes whole blocks."""
    more = [(_SIDE, _SIDE + -n % _SIDE) for n in picture.shape[:2]]
    return np.asarray(np.pad(picture, more + [(0, 0)] * (picture.ndim - 2), mode="symmetric"), np.float32)


def _spectrum(half: Floats, left: Floats, both: NDArray[np.bool_]) -> Floats:
    """Variance of the coefficients of one frame's noise, shape (channels, side, side)."""
    cosines = _cosines()
    use = _blocks(_framed(both.astype(np.float32)), 0, 0).min(axis=(2, 3)) > 0
    if not use.any():
        use[:] = True
    share = _blocks(left, 0, 0).mean(axis=(2, 3))[use][:, None, None]
    found = [cosines @ _blocks(half[..., c], 0, 0)[use] @ cosines.T for c in range(3)]
    middles = [np.median(each * each / share, axis=0) / _MEDIAN_SQUARE for each in found]
    return np.asarray(np.maximum(np.stack(middles), _LEAST_VARIANCE), np.float32)


def _smoothed(stack: _Stack, even: _Even) -> Floats:
    """The mean without the noise that is left in it: blocks of cosines, kept or not, then weighed by what was kept."""
    mean = _framed(even.of(stack.mean) @ _OPPONENT.T)
    left = _framed(stack.left * stack.left)
    half = _framed(even.difference(stack.half, stack.mean) @ _OPPONENT.T)
    spectrum = _spectrum(half, left, stack.both)
    first = _pass(mean, None, left, spectrum)
    second = _pass(mean, first, left, spectrum)
    height, width = stack.mean.shape[:2]
    return even.back((second @ _OPPONENT)[_SIDE : _SIDE + height, _SIDE : _SIDE + width])


def _pass(mean: Floats, pilot: Floats | None, left: Floats, spectrum: Floats) -> Floats:
    """One smoothing: with a pilot each coefficient is weighed by it, without one small coefficients go."""
    cosines = _cosines()
    summed, weights = np.zeros_like(mean), np.zeros_like(mean)
    for y in range(0, _SIDE, _STEP):
        for x in range(0, _SIDE, _STEP):
            share = _blocks(left, y, x).mean(axis=(2, 3))[..., None, None]
            down, across = share.shape[0] * _SIDE, share.shape[1] * _SIDE
            for c in range(3):
                found = cosines @ _blocks(mean[..., c], y, x) @ cosines.T
                variance = spectrum[c] * share
                if pilot is None:
                    keep = (found * found > np.float32(_KEPT**2) * variance).astype(np.float32)
                else:
                    power = (cosines @ _blocks(pilot[..., c], y, x) @ cosines.T) ** 2
                    keep = power / (power + variance)
                keep[..., 0, 0] = 1.0
                sure = 1.0 / np.sum(keep * keep * variance, axis=(2, 3))
                back = (cosines.T @ (keep * found) @ cosines) * sure[..., None, None]
                summed[y : y + down, x : x + across, c] += back.transpose(0, 2, 1, 3).reshape(down, across)
                weights[y : y + down, x : x + across, c] += sure.repeat(_SIDE, 0).repeat(_SIDE, 1)
    return np.asarray(
        np.where(weights > 0, summed / np.maximum(weights, np.float32(1e-12)), mean), np.float32
    )
