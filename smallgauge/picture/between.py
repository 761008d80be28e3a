"""Pictures between two finished frames, for a copy whose makers asked for smooth movement.

solve_between_places  runs of frames and their rates   -> place on the film of each shown frame   (render, plan)
apply_between         two finished frames, shares of time -> pictures that no camera took          (render)

A finished film and an archive copy never hold such a picture. A frame that is made here was never on the film: whoever
shows it says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flow import dense_flow

# Forwards and back again must come home within this; the reference names it (picture science, section g).
HOME_PX = 1.0
# Where more of the picture than this does not come home, the pair is not trusted. common practice, no source
UNMATCHED_SHARE = 0.1
# The search: a quarter of the resolution, wide patches, a soft picture. Finer steps follow grain, and hardly a pixel of
# grainy film comes home (measured on drawn scenes, benchmarks/between.py). common practice, no source
_SOFT_PX, _FINEST, _PATCH_PX, _STRIDE_PX, _REFINED = 1.0, 2, 12, 4, 10
_ROUNDS = 3  # of solving for the motion at a moment between: the rest is below 0.1 px where motion is smooth

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Between:
    """Pictures between two frames, and the share of the first one that does not come home (0 to 1).

    `pictures` is empty where that share is above `UNMATCHED_SHARE`: then the frame before is to be repeated.
    """

    pictures: tuple[NDArray[np.uint16], ...]
    unmatched_share: float


def solve_between_places(
    runs: Sequence[tuple[int, Fraction]], *, copy_rate: Fraction
) -> tuple[NDArray[np.int32], tuple[Fraction, ...]]:
    """Where on the film each frame of a smooth copy lies: the frame before it, and the share of the way to the next.

    Parameters
    ----------
    runs : sequence of (int, Fraction)
        Frames of each scene in film order, and the frames a second at which they are to be seen.
    copy_rate : Fraction
        Frames a second of the copy.

    Returns
    -------
    frame : int32 array, shape (shown frames,)
        As `solve_scene_repeat` gives it.
    share : tuple of Fraction
        0 or more, below 1; exact. 0 for every shown frame behind the last frame of its scene: there is nothing
        of the same scene to go to.

    Raises
    ------
    CallerError
        If a rate is not positive, or a scene runs as fast as the copy or faster: nothing lies between.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> frame, share = solve_between_places([(3, Fraction(16))], copy_rate=Fraction(24))
    >>> frame.tolist(), [str(each) for each in share]
    ([0, 0, 1, 2, 2], ['0', '2/3', '1/3', '0', '0'])
    """
    fastest = max((rate for _, rate in runs), default=Fraction(1))
    if copy_rate <= 0 or any(rate <= 0 for _, rate in runs):
        raise CallerError(
            f"solve_between_places needs positive rates, got {copy_rate} and {[str(r) for _, r in runs]}."
        )
    if fastest >= copy_rate:
        raise CallerError(
            f"A smooth copy needs a rate above the film's, {fastest} frames a second, found {copy_rate}; decide on "
            "smooth_copy 50 or 60, or take it back."
        )
    frames: list[int] = []
    shares: list[Fraction] = []
    first, begin = 0, Fraction(0)
    for count, rate in runs:
        end = begin + count / rate
        for j in range(ceil(begin * copy_rate), ceil(end * copy_rate)):
            place = (j / copy_rate - begin) * rate
            whole = int(place)
            frames.append(first + whole)
            shares.append(place - whole if whole + 1 < count else Fraction(0))
        first, begin = first + count, end
    return np.array(frames, np.int32), tuple(shares)


def apply_between(
    first: NDArray[np.uint16], second: NDArray[np.uint16], *, bits: int, shares: Sequence[float]
) -> Between:
    """Pictures between two frames, by what moved: dense flow both ways, with a test of what is hidden in one of them.

    Parameters
    ----------
    first, second : uint16 array, shape (height, width, 3)
        Finished frames, one after the other. Not altered.
    bits : int
        Of the code values.
    shares : sequence of float
        Of the way from the first to the second, above 0 and below 1.

    Returns
    -------
    Between
        One picture a share, code values like the frames; none where the pair is not trusted.

    Raises
    ------
    CallerError
        Frames of different sizes, or a share out of its range.

    Notes
    -----
    Flow by dense inverse search (source: DIS flow) at both frames; the motion at a moment between is the one that
    passes there (three rounds of substitution, from either frame, the one that comes home better). What is seen in
    both frames is their mean by time, what is hidden in one comes from the other. Code values are mixed as they
    stand, encoded for a display. One thread, so that the same frames give the same picture.

    Examples
    --------
    >>> ramp = np.repeat(np.arange(64, dtype=np.uint16)[None, :, None] * 60, 48, axis=0).repeat(3, axis=2)
    >>> still = apply_between(ramp, ramp, bits=12, shares=[0.5])
    >>> still.unmatched_share, bool(np.array_equal(still.pictures[0], ramp))
    (0.0, True)
    """
    if first.shape != second.shape or first.ndim != 3:
        raise CallerError(
            f"A picture between needs two frames of one size, got {first.shape} and {second.shape}."
        )
    if not all(0.0 < share < 1.0 for share in shares):
        raise CallerError(
            f"A picture lies between two frames at a share above 0 and below 1, got {list(shares)}."
        )
    forward, back = _flows(first, second, bits)
    grid = np.stack(np.meshgrid(*(np.arange(n, dtype=np.float32) for n in first.shape[1::-1])), axis=2)
    off_first, inside = _not_home(forward, back, grid)
    unmatched = float(np.mean(off_first[inside] > HOME_PX)) if inside.any() else 1.0
    if unmatched > UNMATCHED_SHARE:
        return Between(pictures=(), unmatched_share=unmatched)
    off_second, _ = _not_home(back, forward, grid)
    ends = (first.astype(np.float32), second.astype(np.float32))
    pictures = tuple(
        _picture(ends, (forward, back), (off_first, off_second), grid, np.float32(share), (1 << bits) - 1)
        for share in shares
    )
    return Between(pictures=pictures, unmatched_share=unmatched)


def _flows(first: NDArray[np.uint16], second: NDArray[np.uint16], bits: int) -> tuple[Floats, Floats]:
    """Where each pixel of either frame lies in the other, less its own place."""
    import cv2

    eight = [(frame >> (bits - 8)).astype(np.uint8) for frame in (first, second)]
    grey = [cv2.GaussianBlur(cv2.cvtColor(each, cv2.COLOR_RGB2GRAY), (0, 0), _SOFT_PX) for each in eight]
    forward, back = (
        dense_flow(one, other, finest=_FINEST, patch_px=_PATCH_PX, stride_px=_STRIDE_PX, refined=_REFINED)
        for one, other in (grey, grey[::-1])
    )
    return forward, back


def _at(values: Floats, places: Floats, *, smooth: bool = False) -> Floats:
    """Values at places between pixels; beyond the edge the edge's own."""
    import cv2

    kind = cv2.INTER_CUBIC if smooth else cv2.INTER_LINEAR
    got = cv2.remap(values, places[..., 0], places[..., 1], kind, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(got, np.float32)


def _within(places: Floats) -> NDArray[np.bool_]:
    height, width = places.shape[:2]
    x, y = places[..., 0], places[..., 1]
    inside: NDArray[np.bool_] = (x >= -0.5) & (y >= -0.5) & (x <= width - 0.5) & (y <= height - 0.5)
    return inside


def _not_home(there: Floats, back: Floats, grid: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """How far from its own place each pixel lands, there and back, px; and which ones land inside the other frame."""
    other = grid + there
    off = there + _at(back, other)
    return np.hypot(off[..., 0], off[..., 1]).astype(np.float32), _within(other)


def _picture(
    ends: tuple[Floats, Floats],
    flows: tuple[Floats, Floats],
    off: tuple[Floats, Floats],
    grid: Floats,
    share: np.float32,
    most: int,
) -> NDArray[np.uint16]:
    """The picture at one moment: each pixel by the motion that passes there."""
    import cv2

    left = np.float32(1.0) - share
    passing, passed = flows[0], -flows[1]
    for _ in range(_ROUNDS):
        passing = _at(flows[0], grid - share * passing)
        passed = -_at(flows[1], grid + left * passed)
    home_first = _at(off[0], grid - share * passing)
    home_second = _at(off[1], grid + left * passed)
    from_first = home_first <= home_second
    motion = np.where(from_first[..., None], passing, passed)
    before = np.asarray(grid - share * motion, np.float32)
    after = np.asarray(grid + left * motion, np.float32)
    hidden = np.minimum(home_first, home_second) > HOME_PX
    weight = np.full(hidden.shape, share, np.float32)
    weight[hidden] = np.float32(share >= 0.5)  # of the second frame: the nearer one alone
    weight[~_within(after)] = 0.0
    weight[~_within(before)] = 1.0
    weight = np.asarray(cv2.blur(weight, (3, 3))[..., None], np.float32)
    one, two = _at(ends[0], before, smooth=True), _at(ends[1], after, smooth=True)
    return np.asarray(np.clip(np.rint(one + weight * (two - one)), 0, most), np.uint16)
