"""What stands still before the sensor while the film runs: dirt, dead and hot pixels, and Newton's rings of a gate glass.

make_standing_sheet  light of a frame, as captured                   ->  StandingSheet: what stands out of its surroundings
add_sheet            a sheet                                         ->  sums of a group of frames
clear_group          sums                                            ->  the same without what one group held
find_standing        sums of groups, picture area                    ->  Standing: spots, and rings          (analyse, follow)

Frames are laid over one another as they were captured, not registered. Film moves, by scenes and by the transport's
unsteadiness; what belongs to the machine does not. Frames are summed in groups that follow one another; what is the machine's
stands in every group. Groups that show the same picture (a camera on a tripod, a title) count as one: what the film shows for
so long seems to stand still too.

Rings lie where light is thrown back between two surfaces that nearly touch; their radii grow as the square root of their
number, so that their phase grows as the square of the radius. Multiplied with the opposite phase such a pattern is a plane
wave, and its Fourier transform one peak, wherever the middle lies.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.sensor import MARGIN_PX, SensorSpot

AROUND_PX = 15  # over which the light around is taken; larger things are the light field's; common practice, no source
MOST_OUT = 0.5  # of the light around: what stands out further counts as so much
STEPS = 1024  # to the light around: what is summed are whole numbers, so that the order of frames is nothing
DARKEST = 0.02  # light around, below which nothing is told; common practice, no source
GROUPS = 6
GROUP_FRAMES = 16  # of a group at most: its sums fit into 16 bits
LEAST_GROUPS = 3  # that show different pictures
LEAST_FRAMES = 8  # of a group
SAME, SAME_CONTRAST = (
    0.5,
    0.03,
)  # likeness of two groups that show the same picture, and how much of it they show at least
OUTLYING = 6.0  # robust deviations: the reference names it (picture science, section j)
LEAST_DEPTH = 0.04  # of the light around; common practice, no source
EVERY_SHARE = 0.5  # of its depth that a spot has in every group, at least; common practice, no source
STRIP_ROWS = 256
MOST_SPOTS = 200  # that are told one by one
WIDE_PX = 160  # width of the small picture in which rings are looked for
RING_AROUND = 0.2  # of that width, over which the light around is taken
MOST_RING = 0.1  # of the light around: rings are faint
LEAST_RINGS, LEAST_FRINGE_PX = (
    6.0,
    3.0,
)  # rings to the picture's half width; px from one to the next at its corners
PEAK = 25.0  # times the power around, for a peak to be rings: by chance one in several thousand reels; measured in the tests
PEAK_AROUND = 15  # waves over which the power around is taken
AGREE = 0.5  # cosine of the angle by which a group's rings may lie elsewhere than the others'

Floats = NDArray[np.float32]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandingSheet:
    """A frame's light over that around it, less 1, in whole steps of 1/1024: by pixel, and in a small picture.

    `seen` is 1 where there is light enough.
    """

    fine: NDArray[np.int16]
    seen: NDArray[np.uint8]
    small: NDArray[np.int16]


@dataclass(slots=True, kw_only=True, eq=False)
class StandingSums:
    """Sums over groups of frames in a row; None where a group has none yet."""

    fine: list[NDArray[np.int16]] = field(default_factory=list)
    seen: list[NDArray[np.uint8]] = field(default_factory=list)
    small: list[NDArray[np.int32]] = field(default_factory=list)
    frames: list[int] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rings:
    """Rings about a middle, px of the capture, which may lie outside it. `first_px` is the radius of the first of them."""

    x_px: float
    y_px: float
    first_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What stands still: spots, the deepest first, and rings; `groups` is how many different groups told it, 0 for "can't tell"."""

    spots: tuple[SensorSpot, ...]
    rings: Rings | None
    groups: int


def make_standing_sheet(light: Floats) -> StandingSheet:
    """What stands out of its surroundings in a frame as it was captured.

    Parameters
    ----------
    light : float32 array, shape (height, width) or (height, width, 3)
        Linear light, not registered. Not altered.

    Examples
    --------
    >>> light = np.full((90, 120), 0.5, np.float32)
    >>> light[40, 60] = 0.25
    >>> sheet = make_standing_sheet(light)
    >>> round(float(sheet.fine[40, 60]) / 1024, 2), int(sheet.fine[10, 10])
    (-0.5, 0)
    """
    import cv2

    from smallgauge.picture.kernels_standing import green_of, stand_out

    high, wide = light.shape[:2]
    plane = np.empty((high, wide), np.float32)
    green_of(light if light.ndim == 2 else light[:, :, 1], plane)
    around = cv2.blur(plane, (AROUND_PX, AROUND_PX), borderType=cv2.BORDER_REFLECT)
    fine, seen = np.empty((high, wide), np.int16), np.empty((high, wide), np.uint8)
    darkest, most, steps = (np.float32(each) for each in (DARKEST, MOST_OUT, STEPS))
    stand_out(plane, around, darkest, most, steps, fine, seen)
    size = (min(WIDE_PX, wide), max(1, round(high * min(WIDE_PX, wide) / wide)))
    # By quarters first where they come out even: OpenCV then takes a fifth of the time.
    even = wide % 4 == 0 and high % 4 == 0 and wide >= 8 * size[0]
    quarter = cv2.resize(plane, (wide // 4, high // 4), interpolation=cv2.INTER_AREA) if even else plane
    small = cv2.resize(quarter, size, interpolation=cv2.INTER_AREA)
    side = 2 * round(RING_AROUND * size[0] / 2) + 1
    wider = np.maximum(cv2.blur(small, (side, side), borderType=cv2.BORDER_REFLECT), np.float32(DARKEST))
    ring = np.clip(small / wider - 1, -MOST_RING, MOST_RING)
    return StandingSheet(
        fine=fine,
        seen=seen,
        small=np.rint(ring * STEPS / MOST_RING).astype(np.int16),
    )


def add_sheet(sums: StandingSums, sheet: StandingSheet, *, group: int) -> None:
    """Add a frame to a group; what is more than sixteen frames in it is left out.

    Examples
    --------
    >>> sums = StandingSums()
    >>> add_sheet(sums, make_standing_sheet(np.full((90, 120), 0.5, np.float32)), group=0)
    >>> sums.frames
    [1]
    """
    while len(sums.frames) <= group:
        sums.fine.append(np.zeros_like(sheet.fine))
        sums.seen.append(np.zeros_like(sheet.seen))
        sums.small.append(np.zeros(sheet.small.shape, np.int32))
        sums.frames.append(0)
    if sums.frames[group] < GROUP_FRAMES:
        sums.fine[group] += sheet.fine
        sums.seen[group] += sheet.seen
        sums.small[group] += sheet.small
        sums.frames[group] += 1


def join_sums(parts: Sequence[StandingSums]) -> StandingSums:
    """The groups of several sums, one behind the other.

    Examples
    --------
    >>> sums = StandingSums()
    >>> add_sheet(sums, make_standing_sheet(np.full((90, 120), 0.5, np.float32)), group=0)
    >>> join_sums([sums, StandingSums(), sums]).frames
    [1, 1]
    """
    return StandingSums(
        fine=[each for part in parts for each in part.fine],
        seen=[each for part in parts for each in part.seen],
        small=[each for part in parts for each in part.small],
        frames=[each for part in parts for each in part.frames],
    )


def clear_group(sums: StandingSums, *, group: int) -> None:
    """Make room for other frames in a group.

    Examples
    --------
    >>> sums = StandingSums()
    >>> add_sheet(sums, make_standing_sheet(np.full((90, 120), 0.5, np.float32)), group=0)
    >>> clear_group(sums, group=0)
    >>> sums.frames, int(sums.seen[0].max())
    ([0], 0)
    """
    for planes in (sums.fine, sums.seen, sums.small):
        planes[group][:] = 0
    sums.frames[group] = 0


def find_standing(sums: StandingSums, *, area: Box) -> Standing:
    """What stands still in the picture.

    Parameters
    ----------
    sums : StandingSums
        Of three groups or more that show different pictures, eight frames or more each.
    area : (left, top, right, bottom)
        Picture area at its usual place, px of the capture.

    Returns
    -------
    Standing
        Nothing, and no groups, where fewer than three groups show different pictures.

    Notes
    -----
    Source: the reference (picture science, section j) names six robust deviations; the rest is our own, measured in the tests.

    Examples
    --------
    >>> random, sums = np.random.default_rng(1), StandingSums()
    >>> for n in range(24):
    ...     light = 0.4 + random.normal(0, 0.01, (120, 160)).astype(np.float32)
    ...     light[60:63, 80:83] *= 0.7
    ...     add_sheet(sums, make_standing_sheet(light), group=n // 8)
    >>> found = find_standing(sums, area=(0, 0, 159, 119))
    >>> [(round(spot.x_px), round(spot.y_px), spot.pixels) for spot in found.spots], found.rings
    ([(81, 61, 9)], None)
    """
    nothing = Standing(spots=(), rings=None, groups=0)
    if not all(math.isfinite(side) for side in area):
        return nothing
    groups = _different(sums)
    if len(groups) < LEAST_GROUPS:
        return nothing
    return Standing(
        spots=_spots(sums, groups, area),
        rings=_rings([_small(sums, n) for n in groups], area, sums.fine[0].shape[1]),
        groups=len(groups),
    )


def _mean(sums: StandingSums, n: int, part: tuple[slice, slice]) -> Floats:
    """A group's mean by pixel, over the light around; 0 where fewer than half of its frames had light."""
    seen = sums.seen[n][part].astype(np.float32)
    mean = sums.fine[n][part] / np.maximum(seen, 1) / np.float32(STEPS)
    return np.asarray(np.where(2 * seen >= sums.frames[n], mean, 0), np.float32)


def _small(sums: StandingSums, n: int) -> Floats:
    return np.asarray(sums.small[n] * np.float32(MOST_RING / STEPS / sums.frames[n]), np.float32)


def _different(sums: StandingSums) -> list[int]:
    """Groups that show different pictures, in order."""
    kept: list[int] = []
    for n in (n for n, frames in enumerate(sums.frames) if frames >= LEAST_FRAMES):
        own = _small(sums, n)
        if all(_likeness(own, _small(sums, other)) < SAME for other in kept):
            kept.append(n)
    return kept


def _likeness(one: Floats, other: Floats) -> float:
    """Correlation of two small pictures; 0 where they show hardly anything."""
    a, b = one - one.mean(), other - other.mean()
    sizes = [float(np.sqrt(np.mean(np.square(each)))) for each in (a, b)]
    return float(np.mean(a * b)) / (sizes[0] * sizes[1]) if min(sizes) > SAME_CONTRAST else 0.0


def _spots(sums: StandingSums, groups: Sequence[int], area: Box) -> tuple[SensorSpot, ...]:
    """Pixels that stand out alike in every group, those that touch as one."""
    import cv2

    left, top, right, bottom = (round(side) for side in area)
    part = np.s_[
        max(0, top + MARGIN_PX) : max(0, bottom + 1 - MARGIN_PX),
        max(0, left + MARGIN_PX) : max(0, right + 1 - MARGIN_PX),
    ]
    high, wide = sums.fine[0][part].shape
    if min(high, wide) < AROUND_PX:
        return ()
    middle, everywhere = np.empty((high, wide), np.float32), np.empty((high, wide), np.bool_)
    for first in range(0, high, STRIP_ROWS):  # so that a large capture takes little memory
        rows = slice(first, min(first + STRIP_ROWS, high))
        stack = np.stack(
            [
                _mean(sums, n, (slice(part[0].start + rows.start, part[0].start + rows.stop), part[1]))
                for n in groups
            ]
        )
        middle[rows] = np.median(stack, axis=0)
        everywhere[rows] = (stack * np.sign(middle[rows]) >= EVERY_SHARE * np.abs(middle[rows])).all(axis=0)
    off = middle - np.median(middle)
    scatter = 1.4826 * float(np.median(np.abs(off)))
    least = max(OUTLYING * scatter, LEAST_DEPTH)
    marked = ((np.abs(off) > least) & everywhere).astype(np.uint8)
    count, _, stats, centres = cv2.connectedComponentsWithStats(marked, connectivity=8)
    spots = []
    for n in range(1, count):
        x, y, wide, high, pixels = (int(each) for each in stats[n])
        here = middle[y : y + high, x : x + wide] * marked[y : y + high, x : x + wide]
        spots.append(
            SensorSpot(
                x_px=float(centres[n][0]) + part[1].start,
                y_px=float(centres[n][1]) + part[0].start,
                pixels=pixels,
                depth=float(here.flat[int(np.abs(here).argmax())]),
            )
        )
    spots.sort(key=lambda spot: (-abs(spot.depth), spot.y_px, spot.x_px))
    return tuple(replace(spot, depth=round(spot.depth, 4)) for spot in spots[:MOST_SPOTS])


def _rings(smalls: Sequence[Floats], area: Box, width: int) -> Rings | None:
    """Rings that stand alike in every group."""
    scale = smalls[0].shape[1] / width
    left, top, right, bottom = (side * scale for side in area)
    part = np.s_[
        max(0, math.ceil(top)) : math.floor(bottom) + 1, max(0, math.ceil(left)) : math.floor(right) + 1
    ]
    stack = np.stack([small[part] for small in smalls])
    if min(stack.shape[1:]) < 32:
        return None
    high, wide = stack.shape[1:]
    stack = stack - stack.mean(axis=(1, 2), keepdims=True)
    stack = stack * (np.hanning(high + 2)[1:-1, None] * np.hanning(wide + 2)[None, 1:-1])
    y, x = (np.arange(side) - (side - 1) / 2 for side in (high, wide))
    square = y[:, None] ** 2 + x[None, :] ** 2
    half, corner = wide / 2, math.hypot(wide, high) / 2
    best = (0.0, 0.0, 0, 0)
    for rate in np.arange(
        2 * math.pi * LEAST_RINGS / half**2, math.pi / (LEAST_FRINGE_PX * corner) * 2, math.pi / 2 / corner**2
    ):
        waves = np.fft.fft2(stack * np.exp(-1j * rate * square))
        # Pictures of groups add up by chance, rings all the same way; and a picture's waves are as strong beside a peak.
        own = np.square(np.abs(waves)).sum(axis=0)
        power = np.square(np.abs(waves.sum(axis=0))) / _around(own)
        at = int(np.argmax(power))
        told = float(power.flat[at])
        if told > best[0]:
            best = told, float(rate), at // wide, at % wide
    told, rate, v, u = best
    if told < PEAK:
        return None
    answers = np.fft.fft2(stack * np.exp(-1j * rate * square))[:, v, u].tolist()
    usual = complex(np.sum(answers))
    if any((each * usual.conjugate()).real < AGREE * abs(each) * abs(usual) for each in answers):
        return None
    # exp(i k |p - c|^2) times exp(-i k |p|^2) is exp(-2 i k p c), a wave of frequency -k c / pi.
    fy, fx = np.fft.fftfreq(high)[v], np.fft.fftfreq(wide)[u]
    cx, cy = -math.pi * fx / rate, -math.pi * fy / rate
    return Rings(
        x_px=round(float((wide - 1) / 2 + cx + part[1].start) / scale, 1),
        y_px=round(float((high - 1) / 2 + cy + part[0].start) / scale, 1),
        first_px=round(math.sqrt(2 * math.pi / rate) / scale, 1),
    )


def _around(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean power of the waves around each; waves go round."""
    import cv2

    reach = PEAK_AROUND // 2
    wrapped = np.pad(power, reach, mode="wrap")
    mean = cv2.blur(wrapped, (PEAK_AROUND, PEAK_AROUND))[reach:-reach, reach:-reach]
    return np.maximum(np.asarray(mean, np.float64), 1e-30)
