"""Overlap: where two captures show the same film, found from the frames themselves.

make_overlap_layout  size and scale of the common picture    -> GrainLayout of it
make_overlap_sheet   light of one frame, its picture area    -> OverlapSheet: small picture and grain       (analyse)
find_overlap         sheets of two captures                  -> Overlap, or why it can't be told            (analyse)
measure_joint        light of one film frame in two captures -> the move from the one to the other          (analyse)
solve_joint          such moves, moves of both captures      -> what brings the later one in line           (plan)

A film frame that was captured twice shows the same picture with the same grain; the capture's own noise, exposure,
scale and place are new. The picture says which offsets are worth a look, the grain which of them is right: on a tripod
shot every offset has the same picture and one has the same grain. What "not the same film" gives is measured at the
neighbouring offsets of the same frames, so no level of correlation is fixed beforehand. An offset is believed only
where it is better than its neighbours on *both* sides: two captures with a few frames lost between them look the more
alike the nearer their ends are laid together, and that is no overlap.

Why this is long: what is compared, how it is searched and what is believed are read together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.alignment import LEAST_SIDE_PX, measure_displacement
from smallgauge.picture.repetition import (
    GrainLayout,
    GrainSheet,
    find_grain_layout,
    make_grain,
    measure_repetition,
)
from smallgauge.picture.resample import Move, compose_moves, invert_move
from smallgauge.picture.scenes import make_proxy

Plane = NDArray[np.float32]
Box = tuple[float, float, float, float]

# Chosen here on drawn reels (docs/decisions/0092), common practice, no source, unless another is named.
SMALL_PX = 48  # width of the small picture
LEAST_DEVIATION = 0.05  # of ln light: a frame without a picture tells nothing
LEAST_PAIRS = 4  # film frames that both must show at an offset
TRIED = 3  # pairs of each offset worth a look, for its grain
LOOKED_AT = 24  # pairs of the best offsets
CONTROLS = 6  # other offsets at which "not the same film" is measured, at least
ALIKE = 0.10  # 1 - correlation of small pictures: more is another picture
LEAST_GRAIN = 0.25  # correlation of grain below which it tells nothing
LEAST_MARGIN = 0.12  # of the grain's correlation over that of every other offset
LEAST_WINS = 0.9  # of the pairs that must be better at the offset than at every other
PICTURE_MARGIN = 0.5  # what is left of the picture's difference, of that at the neighbouring offsets
PICTURE_PAIRS = 8  # where only the picture tells
HOLDS = 0.8  # of the common frames that must fit

COLUMNS: tuple[Column, ...] = (
    Column(name="film_position", unit="1", type="int32", source="definition",
           meaning="Frame of the film that two captures show, from 0 in running order."),
    Column(name="capture", unit="1", type="int32", source="definition", meaning="Earlier capture of the two."),
    Column(name="frame", unit="1", type="int32", source="definition", meaning="Its captured frame."),
    Column(name="later_capture", unit="1", type="int32", source="definition", meaning="Later capture of the two."),
    Column(name="later_frame", unit="1", type="int32", source="definition", meaning="Its captured frame."),
    Column(name="kept", unit="1", type="int32", source="definition",
           meaning="Capture whose frame the reel shows; the other one stays in its archive copy."),
    Column(name="grain", unit="1", type="float64", source="grain correlation", tolerance=1e-3,
           meaning="Correlation of the film's grain in both, -1 to 1; NaN where it was not looked at."),
    *(
        Column(name=f"{letter}", unit="px" if letter in "cf" else "1", type="float64", source="Lucas and Kanade 1981",
               tolerance=0.05, meaning="Move from the earlier capture's pixel to the later one's: "
               f"{'x' if letter in 'abc' else 'y'}_later = {'a x + b y + c' if letter in 'abc' else 'd x + e y + f'}; "
               "NaN where it was not measured.")
        for letter in "abcdef"
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OverlapSheet:
    """What is compared of one frame: its film position in its own capture, small picture, grain.

    `small` is log light at zero mean and unit length, None where there is no picture to compare. `grain` is the
    tiles of a GrainSheet in half precision, None where they are out of view.
    """

    position: int
    small: Plane | None
    grain: NDArray[np.float16] | None

    def grain_sheet(self) -> GrainSheet:
        """The grain as `measure_repetition` takes it."""
        tiles = None if self.grain is None else self.grain.astype(np.float32)
        return GrainSheet(tiles=tiles, above=None, below=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One film frame in both: film position in the earlier and in the later capture, and its grain's correlation."""

    position: int
    later_position: int
    grain: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """Where the later capture lies on the earlier one: its film position p is the earlier one's `offset` + p.

    `state` is "found", "none" (nothing alike) or "not sure"; without "found" the offset is None and `reason` says
    why. `common` counts the film frames that both show. `grain` is the correlation at the offset, `beside` the
    highest at any other one.
    """

    state: Literal["found", "none", "not sure"]
    offset: int | None
    common: int
    grain: float
    beside: float
    reason: str
    matches: tuple[Match, ...]


def make_overlap_layout(size: tuple[int, int], *, px_per_mm: float) -> GrainLayout:
    """Where grain is compared in the common picture of two captures.

    Parameters
    ----------
    size : (int, int)
        Width and height of the common picture, 64 px or more.
    px_per_mm : float
        Its scale at the film; NaN counts as 100.

    Returns
    -------
    GrainLayout

    Examples
    --------
    >>> len(make_overlap_layout((400, 300), px_per_mm=70.0).tiles)
    6
    """
    width, height = size
    return find_grain_layout(
        frame_px=size,
        reference_px=(0.0, 0.0),
        area_px=(0.0, 0.0, float(width), float(height)),
        pitch_px=math.nan,
        px_per_mm=px_per_mm,
    )


def make_overlap_sheet(
    light: NDArray[np.float32], *, position: int, box: Box, size: tuple[int, int], layout: GrainLayout
) -> OverlapSheet:
    """What is compared of one frame.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3), float32
        Linear light, 0 to 1. Not altered.
    position : int
        The frame's film position in its own capture.
    box : (left, top, right, bottom)
        Where its picture lies, px; NaN gives an empty sheet.
    size : (int, int)
        Width and height of the common picture: the same for both captures, whatever their scales.
    layout : GrainLayout
        From `make_overlap_layout`, of the same size.

    Returns
    -------
    OverlapSheet

    Examples
    --------
    >>> light = np.random.default_rng(1).random((120, 160), np.float32)
    >>> layout = make_overlap_layout((120, 90), px_per_mm=100.0)
    >>> sheet = make_overlap_sheet(light, position=7, box=(20, 15, 140, 105), size=(120, 90), layout=layout)
    >>> sheet.small.shape, round(float((sheet.small**2).sum()), 3), sheet.grain.shape[0]
    ((36, 48), 1.0, 6)
    """
    if not all(math.isfinite(side) for side in box):
        return OverlapSheet(position=position, small=None, grain=None)
    plane = make_overlap_plane(light, box=box, size=size)
    proxy = make_proxy(plane, box=(0.0, 0.0, float(size[0]), float(size[1])), width=SMALL_PX)
    centred = proxy - np.float32(np.mean(proxy, dtype=np.float64))
    length = float(np.sqrt(np.square(centred, dtype=np.float64).sum()))
    tells = math.isfinite(length) and length > LEAST_DEVIATION * math.sqrt(centred.size)
    grain = make_grain(plane, reference_px=(0.0, 0.0), layout=layout)
    half = (
        None if grain.tiles is None else grain.tiles.astype(np.float16)
    )  # hundreds of frames are held at once
    return OverlapSheet(
        position=position,
        small=centred / np.float32(length) if tells else None,
        grain=half,
    )


def make_overlap_plane(light: NDArray[np.float32], *, box: Box, size: tuple[int, int]) -> Plane:
    """The picture of one frame at the size that two captures share: mean of the channels, for measuring only.

    Examples
    --------
    >>> make_overlap_plane(np.full((60, 80), 0.5, np.float32), box=(10, 10, 70, 50), size=(30, 20)).shape
    (20, 30)
    """
    import cv2

    plane = (
        light
        if light.ndim == 2
        else cv2.transform(light, np.full((1, light.shape[2]), 1 / light.shape[2], np.float32))
    )
    left, top, right, bottom = box
    across, along = (right - left) / size[0], (bottom - top) / size[1]
    if max(across, along) > 1.5:  # what the common picture can't hold is taken out first
        plane = cv2.GaussianBlur(plane, (0, 0), 0.5 * max(across, along))
    way = np.array([[across, 0, left + (across - 1) / 2], [0, along, top + (along - 1) / 2]], np.float64)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out: Plane = cv2.warpAffine(plane, way, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(out, np.float32(0.0))


def find_overlap(
    earlier: Sequence[OverlapSheet], later: Sequence[OverlapSheet], *, layout: GrainLayout
) -> Overlap:
    """Find where the later capture begins on the earlier one.

    Parameters
    ----------
    earlier, later : sequence of OverlapSheet
        In running order: the tail of the one capture and the head of the other, or all of both.
    layout : GrainLayout
        That of the sheets.

    Returns
    -------
    Overlap
        Found only where one offset is better than all others and than its neighbours on both sides, by grain or,
        on pictures that move, by what they show, and where it holds for four of five common frames.

    Raises
    ------
    CallerError
        If one of the captures has no frame.

    Notes
    -----
    Sources: grain correlation; correlation of pictures, definition. Limits: common practice, no source.

    Examples
    --------
    >>> random = np.random.default_rng(3)
    >>> film = [np.exp(random.normal(size=(90, 120))).astype(np.float32) / 9 for _ in range(14)]
    >>> layout = make_overlap_layout((120, 90), px_per_mm=100.0)
    >>> def sheets(first, stop):
    ...     return [make_overlap_sheet(film[n], position=n - first, box=(0, 0, 120, 90), size=(120, 90), layout=layout)
    ...             for n in range(first, stop)]
    >>> found = find_overlap(sheets(0, 10), sheets(4, 14), layout=layout)
    >>> found.state, found.offset, found.common
    ('found', 4, 6)
    """
    if not earlier or not later:
        raise CallerError(f"find_overlap needs frames of two captures, got {len(earlier)} and {len(later)}.")
    search = _Search(earlier, later, layout)
    if not search.apart:
        return _not_told("none", "no frame of both shows a picture that can be compared")
    nearest = min(search.apart.values())
    worth = [d for d, apart in search.apart.items() if apart <= 3 * nearest + 0.01]
    tried = {d: search.grain_at(d, TRIED) for d in worth}
    best = max(tried, key=lambda d: (tried[d], -search.apart[d]))
    controls = search.controls(best, tried)
    return search.judge(best, controls, nearest)


def _not_told(
    state: Literal["none", "not sure"], reason: str, grain: float = math.nan, beside: float = math.nan
) -> Overlap:
    return Overlap(state=state, offset=None, common=0, grain=grain, beside=beside, reason=reason, matches=())


class _Search:
    """Two captures, and what is known of each offset; grain is looked up once a pair."""

    def __init__(
        self, earlier: Sequence[OverlapSheet], later: Sequence[OverlapSheet], layout: GrainLayout
    ) -> None:
        self.earlier, self.later, self.layout = earlier, later, layout
        self.known: dict[tuple[int, int], float] = {}
        one, two = (_stack(sheets) for sheets in (earlier, later))
        alike = one @ two.T
        alike[~np.isfinite(one[:, :1]).ravel(), :] = np.nan
        alike[:, ~np.isfinite(two[:, :1]).ravel()] = np.nan
        self.alike = alike
        places = np.array([s.position for s in earlier]), np.array([s.position for s in later])
        offset = places[0][:, None] - places[1][None, :]
        self.pairs: dict[int, list[tuple[int, int]]] = {}
        self.apart: dict[int, float] = {}
        seen = np.isfinite(alike)
        for d in range(int(offset.min()), int(offset.max()) + 1):
            rows, columns = np.nonzero((offset == d) & seen)
            if rows.size >= LEAST_PAIRS:
                self.pairs[d] = list(zip(rows.tolist(), columns.tolist(), strict=True))
                self.apart[d] = float(np.median(1.0 - alike[rows, columns]))

    def grain_of(self, pair: tuple[int, int]) -> float:
        """Correlation of the grain of two frames; NaN where either shows none."""
        if pair not in self.known:
            i, j = pair
            sheets = self.later[j].grain_sheet(), self.earlier[i].grain_sheet()
            reading = measure_repetition(*sheets, None, layout=self.layout)
            self.known[pair] = reading.grain_match
        return self.known[pair]

    def some(self, d: int, most: int) -> list[tuple[int, int]]:
        """At most so many pairs of an offset, spread evenly."""
        pairs = self.pairs[d]
        chosen = np.linspace(0, len(pairs) - 1, min(most, len(pairs))).round().astype(int)
        return [pairs[n] for n in sorted(set(chosen.tolist()))]

    def grain_at(self, d: int, most: int) -> float:
        """Median correlation of the grain at an offset; -1 where none shows any."""
        told = [g for pair in self.some(d, most) if math.isfinite(g := self.grain_of(pair))]
        return float(np.median(told)) if told else -1.0

    def controls(self, best: int, tried: dict[int, float]) -> list[int]:
        """Other offsets to hold the best one against: its neighbours, and the next best."""
        near = [best + step for step in (-1, 1, -2, 2, -3, 3)]
        next_best = sorted((d for d in tried if d != best), key=lambda d: -tried[d])[:CONTROLS]
        return [d for d in dict.fromkeys([*near, *next_best]) if d in self.pairs]

    def judge(self, best: int, controls: list[int], nearest: float) -> Overlap:
        """What is believed of the best offset."""
        pairs = self.some(best, LOOKED_AT)
        values = {d: [self.grain_of(pair) for pair in self.some(d, LOOKED_AT)] for d in controls}
        grain = _median([self.grain_of(pair) for pair in pairs])
        beside = max((_median(v) for v in values.values()), default=math.nan)
        apart, around = self.apart[best], [self.apart[d] for d in (best - 1, best + 1) if d in self.apart]
        inside = best - 1 in self.pairs and best + 1 in self.pairs
        by_grain = grain >= LEAST_GRAIN and grain - beside >= LEAST_MARGIN and self._wins(pairs, controls)
        by_picture = (
            self.apart[best] == nearest
            and len(around) == 2
            and len(self.pairs[best]) >= PICTURE_PAIRS
            and apart <= PICTURE_MARGIN * min(around)
            and apart < ALIKE
        )
        said = f"grain {grain:.2f} at the best offset, {beside:.2f} at the next"
        if not (by_grain or by_picture):
            if nearest > ALIKE and not grain >= LEAST_GRAIN:
                return _not_told("none", f"no frames of the two are alike ({said})", grain, beside)
            return _not_told(
                "not sure", f"several offsets fit as well as one another ({said})", grain, beside
            )
        if not inside:
            reason = f"the frames are the more alike the nearer the two ends are laid together, which is no proof ({said})"
            return _not_told("not sure", reason, grain, beside)
        return self._confirm(best, by_grain, grain, beside, said)

    def _wins(self, pairs: list[tuple[int, int]], controls: list[int]) -> bool:
        """Whether nearly every frame's grain fits better at this offset than at any other."""
        where = {d: dict(self.pairs[d]) for d in controls}
        won = told = 0
        for i, j in pairs:
            own = self.grain_of((i, j))
            others = [self.grain_of((i, where[d][i])) for d in controls if i in where[d]]
            others = [g for g in others if math.isfinite(g)]
            if math.isfinite(own) and others:
                told += 1
                won += own > max(others)
        return told >= LEAST_PAIRS and won >= LEAST_WINS * told

    def _confirm(self, best: int, by_grain: bool, grain: float, beside: float, said: str) -> Overlap:
        """Does the offset hold for all the frames that both show?"""
        matches, fits, told = [], 0, 0
        least = (grain + beside) / 2
        limit = max(2 * self.apart[best], 0.005)
        for i, j in self.pairs[best]:
            value = self.grain_of((i, j)) if by_grain else math.nan
            matches.append(
                Match(position=self.earlier[i].position, later_position=self.later[j].position, grain=value)
            )
            if by_grain and not math.isfinite(value):
                continue
            told += 1
            fits += value > least if by_grain else 1.0 - float(self.alike[i, j]) <= limit
        common = _common(self.earlier, self.later, best)
        if fits < HOLDS * told:
            reason = f"the best offset holds for {fits} of {told} common frames only: a frame may be missing or doubled in one"
            return _not_told("not sure", reason, grain, beside)
        by = "by the film's grain" if by_grain else "by what moves in the picture"
        return Overlap(
            state="found",
            offset=best,
            common=common,
            grain=grain,
            beside=beside,
            reason=f"{common} film frames in common, {by}: {fits} of {told} fit ({said})",
            matches=tuple(matches),
        )


def _stack(sheets: Sequence[OverlapSheet]) -> NDArray[np.float64]:
    """Small pictures as rows; a row of NaN where there is none."""
    size = next((s.small.size for s in sheets if s.small is not None), 1)
    blank = np.full(size, np.nan)
    return np.stack([blank if s.small is None else s.small.ravel().astype(np.float64) for s in sheets])


def _median(values: Sequence[float]) -> float:
    told = [v for v in values if math.isfinite(v)]
    return float(np.median(told)) if told else math.nan


def _common(earlier: Sequence[OverlapSheet], later: Sequence[OverlapSheet], offset: int) -> int:
    return len({s.position for s in earlier} & {s.position + offset for s in later})


def measure_joint(
    earlier: NDArray[np.float32],
    later: NDArray[np.float32],
    *,
    box: Box,
    later_box: Box,
    size: tuple[int, int],
) -> Move | None:
    """The move from the earlier capture's pixels to the later one's, from one film frame that both show.

    Parameters
    ----------
    earlier, later : array, shape (height, width) or (height, width, 3), float32
        Linear light of the frame in each capture; sizes may differ. Not altered.
    box, later_box : (left, top, right, bottom)
        Where its picture lies in each, to a few pixels.
    size : (int, int)
        Width and height of the common picture.

    Returns
    -------
    Move or None
        x_later = a x + b y + c and so on. None where fewer than three parts of the picture could be aligned.

    Notes
    -----
    The common picture is cut in four; the displacement of each part gives place, scale and turn by least squares.
    Sources: Lucas and Kanade 1981 (`picture.alignment`); least squares, definition.

    Examples
    --------
    >>> from scipy import ndimage
    >>> light = ndimage.gaussian_filter(np.random.default_rng(0).random((200, 240)), 2).astype(np.float32)
    >>> move = measure_joint(light[10:190, 10:230], light[14:194, 7:227], box=(10, 10, 210, 170),
    ...                      later_box=(10, 10, 210, 170), size=(200, 160))
    >>> x, y = move.place(100.0, 80.0)
    >>> print(round(x, 1), round(y, 1))
    103.0 76.0
    """
    one, two = (
        make_overlap_plane(earlier, box=box, size=size),
        make_overlap_plane(later, box=later_box, size=size),
    )
    width, height = size
    if min(width, height) < 2 * LEAST_SIDE_PX:
        return None
    middles, shifts = [], []
    for top in (0, height - height // 2):
        for left in (0, width - width // 2):
            part = slice(top, top + height // 2), slice(left, left + width // 2)
            found = measure_displacement(np.sqrt(one[part]), np.sqrt(two[part]), reach_px=12.0)
            if math.isfinite(found.x_px):
                middles.append((left + width / 4 - 0.5, top + height / 4 - 0.5, 1.0))
                shifts.append((found.x_px, found.y_px))
    if len(middles) < 3:
        return None
    fitted, *_ = np.linalg.lstsq(np.array(middles), np.array(shifts), rcond=None)
    (ax, ay), (bx, by), (cx, cy) = fitted.tolist()
    between = Move(a=1 + ax, b=bx, c=cx, d=ay, e=1 + by, f=cy)
    into = invert_move(_box_move(box, size))
    return compose_moves(into, compose_moves(between, _box_move(later_box, size)))


def _box_move(box: Box, size: tuple[int, int]) -> Move:
    """From the common picture's pixel to the capture's."""
    left, top, right, bottom = box
    across, along = (right - left) / size[0], (bottom - top) / size[1]
    return Move(a=across, c=left + (across - 1) / 2, e=along, f=top + (along - 1) / 2)


def solve_joint(
    joints: Sequence[Move], earlier: Sequence[Move], later: Sequence[Move], *, size: tuple[int, int]
) -> Move:
    """What a finished pixel must be moved by before the later capture's moves, so that no joint is seen.

    Parameters
    ----------
    joints : sequence of Move
        Earlier capture's pixel to the later one's, for each film frame where it was measured.
    earlier, later : sequence of Move
        Finished pixel to pixel of the earlier and of the later capture, for the same film frames.
    size : (int, int)
        Width and height of the finished picture.

    Returns
    -------
    Move
        Finished pixel to the finished pixel of the later capture's own framing: compose it with each of the later
        capture's moves. Median over the frames, at the picture's four corners.

    Raises
    ------
    CallerError
        If there is no joint, or the three lists differ in length.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> move = solve_joint([Move(c=3.0)], [Move(c=10.0)], [Move(c=12.0)], size=(200, 100))
    >>> move.place(0.0, 0.0)
    (1.0, 0.0)
    """
    if not joints or not len(joints) == len(earlier) == len(later):
        raise CallerError(
            f"solve_joint needs moves of the same frames, at least one, got {len(joints)}, {len(earlier)} and {len(later)}."
        )
    width, height = size
    corners = [(0.0, 0.0), (width - 1.0, 0.0), (0.0, height - 1.0), (width - 1.0, height - 1.0)]
    places = np.array(
        [
            [compose_moves(compose_moves(before, joint), invert_move(after)).place(x, y) for x, y in corners]
            for joint, before, after in zip(joints, earlier, later, strict=True)
        ]
    )
    seen = np.median(places, axis=0)
    known = np.array([(x, y, 1.0) for x, y in corners])
    fitted, *_ = np.linalg.lstsq(known, seen, rcond=None)
    (a, d), (b, e), (c, f) = fitted.round(9).tolist()
    return Move(a=a, b=b, c=c, d=d, e=e, f=f)
