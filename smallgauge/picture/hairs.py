"""Hairs in a gate: thin, bent, dark threads that reach in from a side of the picture and stay while it changes.

make_hair_sheet   lightness of a frame's picture                 ->  HairSheet: the picture, reduced, and where it lay
find_hairs        sheets of frames in a row, how the scene moved ->  Hair: place, shape, what speaks for it   (analyse)

A hair in the scanner's gate stands still in the captured frame, while film moves a little under it from frame to frame. A hair in
the camera's gate was photographed: it stands still on the film, and is part of the picture. A branch before a camera on a stand
stands still on the film too, so a thread is a hair only where the scene moves behind it, or changes (`picture/hair_kinds.py`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

ROWS = 360  # of a reduced picture
# Shares of the picture's height. 9 micrometres are 0.0025 of it on 8 mm. Common practice, no source.
WIDEST = 0.028
AROUND = 0.09  # over which the light around is taken
SHORTEST = 0.045  # along the thread
LEAST_REACH = 0.03  # away from the side, margin not counted
MOST_REACH = 0.6
MARGIN = 0.014  # at the sides: shadow and ragged edge of the camera's gate
ROUND = 0.16  # of a gate's rounded corners
SLENDER = 3.0  # length over width, at least
DARK = 24.0  # lightness below which a difference counts less than its share; common practice, no source
DEEP = 0.22  # of the lightness around that a hair takes, at least; common practice, no source
GROUP = 6  # frames; a hair is there on all of a group but two
ALIKE = 0.3  # of the smaller one's pixels that two groups' threads share, to be one
LIKE = 0.5  # likeness to itself, of a thread and what is beside it, where it is there
SEEN = 0.5  # of its usual depth that a hair has where it is there
RUN, BRIDGED = 5, 2  # frames in a row on which it is seen, and between which it may be missed
STAYS = 0.5  # likeness of what lies beside a hair at two times, from which the scene has not moved
CUT, CUT_CONTRAST = (
    0.5,
    3.0,
)  # likeness of two pictures on either side of a cut, and the lightness by which they vary
LEAST_STEPS = 4  # from frame to frame that tell that
SOFT = 2.0  # px, over which what lies beside a hair is looked at
SMALL = (24, 18)  # px of the picture whose change is a cut

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]
Marks = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HairSheet:
    """A frame's picture in `grey`, reduced by `scale`; its first pixel lies at `corner` (column, row) of the captured frame."""

    grey: Bytes
    scale: float
    corner: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hair:
    """A hair on some frames in a row. Places are px of the picture; `boxes` (left, top, width, height) has one a frame.

    `side` is the one that it reaches in from, `at` where on it. `present` has a value a frame. `length`, `thick` px. `depth` is
    the share of lightness that it takes. `with_film` is 1 where it goes with the film and 0 where it stands in the capture, with
    its deviation `doubt`; NaN where nothing tells. `moved` is how far the scene moved behind it, as a share of the height, `cuts`
    how often the picture changed altogether.
    """

    side: str
    at: float
    boxes: tuple[tuple[int, int, int, int], ...]
    present: tuple[bool, ...]
    length: float
    thick: float
    depth: float
    with_film: float
    doubt: float
    moved: float
    cuts: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Thread:
    """A thread on a group of frames, or on several that follow one another."""

    first: int
    stop: int
    mask: Marks
    side: str
    votes: Bytes  # of the groups, in how many each pixel is part of it
    groups: int = 1

    def with_more(self, stop: int, mask: Marks) -> "_Thread":
        """The same with one more group of frames; its pixels are those of more than half of all."""
        votes, groups = self.votes + mask, self.groups + 1
        most = 2 * votes > groups
        own = most if most.any() else mask
        return _Thread(first=self.first, stop=stop, mask=own, side=self.side, votes=votes, groups=groups)


def make_hair_sheet(lightness: Floats, *, corner: tuple[int, int], light: bool = False) -> HairSheet:
    """The sheet of a picture.

    Parameters
    ----------
    lightness : float32 array, shape (height, width) or (height, width, 3)
        Display lightness, 0 to 255. Finite.
    corner : (int, int)
        Column and row of the picture's first pixel in the captured frame.
    light : bool
        Whether hairs that are light are looked for: those of the camera's gate on a negative.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> sheet = make_hair_sheet(np.full((720, 960), 90.0, np.float32), corner=(12, 7))
    >>> sheet.grey.shape, sheet.scale
    ((360, 480), 2.0)
    """
    import cv2

    high, wide = lightness.shape[:2]
    plane = lightness if lightness.ndim == 2 else lightness[..., 1]
    scale = max(1.0, high / ROWS)
    size = (round(wide / scale), round(high / scale))
    small = cv2.resize(np.ascontiguousarray(plane), size, interpolation=cv2.INTER_AREA)
    small = np.clip(np.rint(small), 0, 255).astype(np.uint8)
    return HairSheet(grey=255 - small if light else small, scale=scale, corner=corner)


def find_hairs(sheets: Sequence[HairSheet], moves: Sequence[tuple[float, float] | None]) -> tuple[Hair, ...]:
    """The threads of some frames in a row that reach in from a side and stay.

    Parameters
    ----------
    sheets : sequence of HairSheet
        Of one size.
    moves : sequence of (float, float) or None
        How far the scene has moved since the frame before, px of the picture, right and down; None where nothing tells.

    Notes
    -----
    Source: the reference (picture science, section e) asks for a structure that is joined to the border and stays over eight
    frames or more; the rest is our own, measured in the tests.

    Examples
    --------
    >>> from smallgauge.picture.synthetic_hairs import draw_hair, draw_haired
    >>> random = np.random.default_rng(3)
    >>> view = random.normal(0, 25, (180, 400)).astype(np.float32) + 120
    >>> cover = draw_hair(np.random.default_rng(1), (180, 240), "bottom", length_px=60, thick_px=2.5)
    >>> frames = [draw_haired(view[:, 5 * n : 5 * n + 240], cover) for n in range(12)]
    >>> hairs = find_hairs([make_hair_sheet(each, corner=(9, 9)) for each in frames], [None, *([(-5.0, 0.0)] * 11)])
    >>> [(hair.side, sum(hair.present), round(hair.moved, 2), hair.with_film) for hair in hairs]
    [('bottom', 12, 0.3, nan)]
    """
    if len(sheets) < GROUP:
        return ()
    window = _Window(sheets, moves)
    hairs = [
        (window.hair(thread, captured=captured), thread.mask)
        for captured in (False, True)[: 1 + bool(window.away.any())]
        for thread in _threads(window.stack(captured=captured), window.by(captured=captured))
    ]
    # What is found on the film and in the capture is one: the deeper of them shows where it stands still.
    kept: list[tuple[Hair, Marks]] = []
    for hair, mask in sorted(hairs, key=lambda each: -each[0].depth * sum(each[0].present)):
        near = _near(mask)
        if any(hair.present) and not any(_overlap(near, far) > ALIKE for _, far in kept):
            kept.append((hair, near))
    return tuple(sorted((hair for hair, _ in kept), key=lambda hair: (hair.side, hair.at)))


class _Window:
    """The frames that are looked at together: what is dark in them, as it lies on the film and as it was captured."""

    def __init__(self, sheets: Sequence[HairSheet], moves: Sequence[tuple[float, float] | None]) -> None:
        self.scale = sheets[0].scale
        self.changed = _changed(sheets)
        self._greys = [sheet.grey for sheet in sheets]
        # At a cut nothing has moved, whatever was found there.
        steps = [
            (0.0, 0.0) if move is None or cut else move
            for move, cut in zip(moves, self.changed.tolist(), strict=True)
        ]
        self.path = np.cumsum(np.array(steps, np.float64), axis=0)
        self.corners = np.array([sheet.corner for sheet in sheets], np.float64) / self.scale
        self.away = np.rint(self.corners - self.corners[0]).astype(np.int64)
        self._shares = np.stack([_dark_share(sheet.grey) for sheet in sheets])
        self._captured: Bytes | None = None

    def by(self, *, captured: bool) -> NDArray[np.int64]:
        """How far the planes of a stack were moved, px right and down."""
        return self.away if captured else np.zeros_like(self.away)

    def stack(self, *, captured: bool) -> Bytes:
        """The planes."""
        if not captured:
            return self._shares
        if self._captured is None:
            self._captured = np.stack([_moved(*each) for each in zip(self._shares, *self.away.T.tolist())])
        return self._captured

    def hair(self, thread: _Thread, *, captured: bool) -> Hair:
        """What a thread is, on the frames on which it is seen."""
        stack, by = self.stack(captured=captured), self.by(captured=captured)
        depths = stack[:, thread.mask].mean(axis=1) / 255
        usual = float(np.median(depths[thread.first : thread.stop]))
        runs = _runs((depths > SEEN * usual) & (_likeness(stack, thread) > LIKE))
        seen = np.zeros(len(depths), bool)
        seen[[n for run in runs for n in run]] = True
        y, x = np.nonzero(thread.mask)
        left, top = x.min() - by[:, 0], y.min() - by[:, 1]
        boxes = np.stack([left, top, *(np.full(len(by), np.ptp(each) + 1) for each in (x, y))], axis=1)
        length, thick = _measure(thread.mask[y.min() : y.max() + 1, x.min() : x.max() + 1])
        depth = _inside(thread.mask.shape, by)[y, x]
        rim = depth <= max(2, int(depth.min()))
        along = (x if thread.side in ("top", "bottom") else y)[rim]
        with_film, doubt = self._with_film(stack, thread.mask, seen, by)
        return Hair(
            side=thread.side,
            at=float(np.median(along)) * self.scale,
            boxes=tuple(tuple(box) for box in np.rint(boxes * self.scale).astype(int).tolist()),
            present=tuple(seen.tolist()),
            length=length * self.scale,
            thick=thick * self.scale,
            depth=usual,
            with_film=with_film,
            doubt=doubt,
            moved=max((self._moved(thread.mask, run) for run in runs), default=0.0),
            cuts=int(np.count_nonzero(self.changed[1:] & seen[1:] & seen[:-1])),
        )

    def _moved(self, mask: Marks, run: Sequence[int]) -> float:
        """How far the scene moved behind a thread on frames in a row, as a share of the height; 0 where it looks as it did."""
        import cv2

        reach = 2 * round(AROUND * mask.shape[0]) + 1
        beside = (cv2.dilate(mask.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0) & ~_near(mask)
        first, last = (
            cv2.GaussianBlur(self._greys[n], (0, 0), SOFT).astype(np.float32)[beside]
            for n in (run[0], run[-1])
        )
        sizes = float(first.std()), float(last.std())
        like = float(np.mean((first - first.mean()) * (last - last.mean()))) / max(sizes[0] * sizes[1], 1e-6)
        if min(sizes) > CUT_CONTRAST and like > STAYS:
            return 0.0
        # Along itself a wire of the scene may move and look as it did.
        y, x = np.nonzero(mask)
        across = np.linalg.svd(np.stack([x - x.mean(), y - y.mean()]), full_matrices=False)[0][:, 1]
        went = float(np.ptp(self.path[run] @ across))
        return went / float(mask.shape[0] * self.scale)

    def _with_film(
        self, stack: Bytes, mask: Marks, seen: Marks, by: NDArray[np.int64]
    ) -> tuple[float, float]:
        """How far a hair goes with the film from frame to frame, 1 wholly and 0 not at all, and the deviation of that.

        From one frame to the next the film moves by a little, always another; a hair's edges show how far it went along.
        """
        after = np.flatnonzero(seen[1:] & seen[:-1]) + 1
        if len(after) < LEAST_STEPS:
            return float("nan"), float("nan")
        near = _near(mask)
        y, x = np.nonzero(near)
        part = np.s_[y.min() : y.max() + 1, x.min() : x.max() + 1]
        planes = stack[(slice(None), *part)].astype(np.float32)
        slope = np.stack(np.gradient(planes[seen].mean(axis=0))[::-1], axis=-1)[near[part]]
        differs = np.diff(planes, axis=0)[:, near[part]] + np.diff(by, axis=0) @ slope.T
        expected = (
            np.diff(self.corners, axis=0) @ slope.T
        )  # of one that stands in the capture, where planes lie on the film
        product, square = ((expected * each).sum(axis=1)[after - 1] for each in (differs, expected))
        if square.sum() <= 0:
            return float("nan"), float("nan")
        against = product.sum() / square.sum()
        scatter = float(((product - against * square) ** 2).sum()) * len(after) / (len(after) - 1)
        return float(1 - against), float(np.sqrt(scatter) / square.sum())


def _dark_share(grey: Bytes) -> Bytes:
    """How much darker each pixel is than what lies around it, in shares of that, 0 to 255."""
    import cv2

    plane = grey.astype(np.float32)
    side = 2 * round(AROUND * grey.shape[0] / 2) + 1
    around = np.maximum(cv2.blur(plane, (side, side), borderType=cv2.BORDER_REFLECT), np.float32(DARK))
    return np.asarray(np.rint(255 * np.clip(1 - plane / around, 0, 1)), np.uint8)


def _steady(group: Bytes) -> Marks:
    """Where a group's frames are dark, all but two, in something thin."""
    import cv2

    dark = np.partition(group, 2, axis=0)[2] > DEEP * 255
    mean = group.mean(axis=0, dtype=np.float32)
    side = 2 * round(WIDEST * group.shape[1] * 0.75) + 1
    opened = cv2.morphologyEx(mean, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    return np.asarray(dark & (mean - opened > DEEP * 255), np.bool_)


def _moved(share: Bytes, x: int, y: int) -> Bytes:
    """A plane moved right and down; what comes in is 0."""
    out = np.zeros_like(share)
    high, wide = share.shape
    out[max(0, y) : high + min(0, y), max(0, x) : wide + min(0, x)] = share[
        max(0, -y) : high + min(0, -y), max(0, -x) : wide + min(0, -x)
    ]
    return out


def _inside(shape: tuple[int, int], away: NDArray[np.int64]) -> NDArray[np.int64]:
    """How deep inside the picture each pixel lies, px, wherever it moves; rounded corners are outside. 0 and less: outside."""
    high, wide = shape
    low, far = away.min(axis=0), away.max(axis=0)
    margin = round(MARGIN * high)
    x = (
        np.arange(wide) - max(0, int(far[0])) - margin + 1,
        wide - 1 + min(0, int(low[0])) - np.arange(wide) - margin + 1,
    )
    y = (
        np.arange(high) - max(0, int(far[1])) - margin + 1,
        high - 1 + min(0, int(low[1])) - np.arange(high) - margin + 1,
    )
    from_x, from_y = np.minimum(*x)[None, :], np.minimum(*y)[:, None]
    radius = ROUND * high
    corner = radius - np.hypot(np.maximum(radius - from_x, 0), np.maximum(radius - from_y, 0))
    return np.asarray(np.floor(np.minimum(np.minimum(from_x, from_y), corner)), np.int64)


def _threads(stack: Bytes, away: NDArray[np.int64]) -> list[_Thread]:
    """Threads of all groups, those that follow one another and share their place as one."""
    count = len(stack)
    edges = [*range(0, count - GROUP + 1, GROUP), count]
    edges = [0, *edges[1:-1], count] if len(edges) > 1 else [0, count]
    done: list[_Thread] = []
    running: list[_Thread] = []
    for first, stop in pairwise(edges):
        inside = _inside(stack.shape[1:], away[first:stop])
        going: list[_Thread] = []
        for mask, side in _slender(_steady(stack[first:stop]) & (inside > 0), inside):
            last = next((each for each in running if _overlap(each.mask, mask) > ALIKE), None)
            if last is None:
                going.append(
                    _Thread(first=first, stop=stop, mask=mask, side=side, votes=mask.astype(np.uint8))
                )
            else:
                running.remove(last)
                going.append(last.with_more(stop, mask))
        done, running = done + running, going
    return done + running


def _overlap(one: Marks, other: Marks) -> float:
    return float(np.count_nonzero(one & other)) / max(1, min(int(one.sum()), int(other.sum())))


def _slender(marked: Marks, inside: NDArray[np.int64]) -> list[tuple[Marks, str]]:
    """Parts of what is marked that are slender and reach in from one side, with that side."""
    import cv2

    high = marked.shape[0]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(marked.astype(np.uint8), connectivity=8)
    parts = []
    for n in range(1, count):
        left, top, wide, tall, area = (int(each) for each in stats[n])
        if max(wide, tall) < LEAST_REACH * high or area > SHORTEST * high * high:
            continue
        window = np.s_[top : top + tall, left : left + wide]
        own, depth = labels[window] == n, inside[window]
        reach = int(depth[own].max())
        length, thick = _measure(own)
        if not (
            LEAST_REACH * high <= reach <= MOST_REACH * high
            and length >= max(SHORTEST * high, SLENDER * thick)
            and thick <= WIDEST * high
        ):
            continue
        root = own & (depth <= 2)
        side = _side(root, window, marked.shape)
        if side is not None:
            mask = np.zeros(marked.shape, bool)
            mask[window] = own
            parts.append((mask, side))
    return parts


def _measure(own: Marks) -> tuple[float, float]:
    """Length along a thread and how thick it is, px: what is as long around and as large."""
    import cv2

    outlines, _ = cv2.findContours(np.pad(own, 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    around = sum(cv2.arcLength(outline, True) for outline in outlines) / 2 + 1
    area = float(own.sum())
    length = (around + np.sqrt(max(around**2 - 4 * area, 0.0))) / 2
    return float(length), float(area / length)


def _side(root: Marks, window: tuple[slice, slice], shape: tuple[int, int]) -> str | None:
    """The side that a thread's root lies on; None where it has none, or one on opposite sides."""
    if not root.any():
        return None
    y, x = np.nonzero(root)
    y, x = y + window[0].start, x + window[1].start
    high, wide = shape
    nearest = np.argmin(np.stack([x, y, wide - 1 - x, high - 1 - y]), axis=0)
    names = ("left", "top", "right", "bottom")
    sides = set(nearest.tolist())
    if {0, 2} <= sides or {1, 3} <= sides:
        return None
    return names[int(np.bincount(nearest).argmax())]


def _runs(seen: Marks) -> list[list[int]]:
    """Frames on which a thread is seen, run by run."""
    runs: list[list[int]] = []
    for n in np.flatnonzero(seen).tolist():
        if runs and n - runs[-1][-1] <= BRIDGED + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    return [run for run in runs if len(run) >= RUN]


def _likeness(stack: Bytes, thread: _Thread) -> Floats:
    """How like each plane is, at a thread and beside it, to the frames on which it was found: a correlation."""
    near = _near(thread.mask)
    planes = stack[:, near].astype(np.float32)
    own = planes[thread.first : thread.stop].mean(axis=0)
    own, planes = own - own.mean(), planes - planes.mean(axis=1, keepdims=True)
    sizes = np.sqrt(np.square(own).sum() * np.square(planes).sum(axis=1))
    return np.asarray(planes @ own / np.maximum(sizes, np.float32(1e-6)), np.float32)


def _near(mask: Marks) -> Marks:
    """A thread's pixels and those beside it."""
    import cv2

    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0, np.bool_)


def _changed(sheets: Sequence[HairSheet]) -> Marks:
    """Frames whose picture is another than that of the frame before."""
    import cv2

    small = [
        cv2.resize(sheet.grey, SMALL, interpolation=cv2.INTER_AREA).astype(np.float32) for sheet in sheets
    ]
    off = np.stack([each - each.mean() for each in small])
    size = np.sqrt(np.square(off).mean(axis=(1, 2)))
    like = (off[1:] * off[:-1]).mean(axis=(1, 2))
    least = np.minimum(size[1:], size[:-1])
    return np.concatenate([[False], (least > CUT_CONTRAST) & (like < CUT * size[1:] * size[:-1])])
