"""Lengths of one stock: the stretches of a reel inside which the film is the same, so that its colour is treated alike."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.border_length import LengthBorder, border_of_length, stray_share
from smallgauge.record.table import Table

AGREE = (
    0.06  # density within which borders, and clear films, are the same stock's; common practice, no source
)
LEAST_FRAMES = 12  # a shorter piece goes with its neighbour: too short to be read; common practice, no source
PREFIX = "length@"

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """Film positions [first, stop) of one stock in running order; `number` counts the lengths from 0.

    `first_captured` and `stop_captured` are the same as the reel was captured: from the other end of the film where it
    ran tail first.
    """

    first: int
    stop: int
    number: int
    first_captured: int
    stop_captured: int

    @property
    def anchor(self) -> str:
        """How decisions on it are addressed."""
        return f"{PREFIX}{self.first}"

    def __contains__(self, position: int) -> bool:
        return self.first <= position < self.stop


def lengths_of(frames: Table, *, backwards: bool = False) -> tuple[Length, ...]:
    """The lengths of one stock of a reel, in running order, without gaps between them.

    The film is cut at every splice that the table shows, and joined again where the borders, and the clear film, on both
    sides agree: there the same roll goes on. A side whose border is no evidence stays by itself.

    Examples
    --------
    >>> from smallgauge.record.frametable import FRAME_COLUMNS
    >>> from smallgauge.record.table import table_of
    >>> rows = [{"frame": n, "film_position": n, "splice": n == 20, "duplicate_of": -1} for n in range(40)]
    >>> table = table_of("frames", FRAME_COLUMNS, rows)
    >>> [(each.first, each.stop, each.anchor) for each in lengths_of(table)]
    [(0, 20, 'length@0'), (20, 40, 'length@20')]
    """
    position = np.asarray(frames["film_position"], np.int64)
    if not position.size or position.max() < 0:
        return ()
    end = int(position.max()) + 1
    cuts = sorted({int(p) for p in position[np.asarray(frames["splice"], np.bool_)] if 0 < p < end})
    parts = _without_scraps(list(zip([0, *cuts], [*cuts, end], strict=True)))
    flare, sigma = flare_of(frames, parts)
    joined: list[tuple[int, int, LengthBorder]] = []
    for first, stop in parts:
        read = border_of_rows(frames, first, stop, flare=flare, flare_sigma=sigma)
        if joined and _same(joined[-1][2], read):
            first = joined.pop()[0]
            read = border_of_rows(frames, first, stop, flare=flare, flare_sigma=sigma)
        joined.append((first, stop, read))
    spans = [(a, b) for a, b, _ in joined]
    running = (
        [(end - b, end - a, a, b) for a, b in reversed(spans)]
        if backwards
        else [(a, b, a, b) for a, b in spans]
    )
    return tuple(
        Length(first=a, stop=b, number=n, first_captured=c, stop_captured=d)
        for n, (a, b, c, d) in enumerate(running)
    )


def _without_scraps(parts: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pieces too short to be read go with the film before them, at the head with that after."""
    kept: list[tuple[int, int]] = []
    for first, stop in parts:
        if kept and (stop - first < LEAST_FRAMES or kept[-1][1] - kept[-1][0] < LEAST_FRAMES):
            kept[-1] = kept[-1][0], stop
        else:
            kept.append((first, stop))
    return kept


def rows_of(frames: Table, first: int, stop: int) -> NDArray[np.int64]:
    """Rows of the film positions [first, stop) that are not doubles."""
    position = np.asarray(frames["film_position"], np.int64)
    single = np.asarray(frames["duplicate_of"], np.int64) < 0
    return np.flatnonzero((position >= first) & (position < stop) & single)


def flare_of(frames: Table, parts: Sequence[tuple[int, int]]) -> tuple[Triple, Triple]:
    """Share of the view's light that strays, and its standard error, from all lengths of a reel together."""
    rows = [rows_of(frames, first, stop) for first, stop in parts]
    order = np.concatenate(rows) if rows else np.zeros(0, np.int64)
    ends = np.cumsum([0, *(len(each) for each in rows)]).tolist()
    columns = {name: frames[name][order] for name in frames.values if name.startswith(("border_", "view_"))}
    return stray_share(columns, lengths=list(pairwise(ends)))


def border_of_rows(
    frames: Table,
    first: int,
    stop: int,
    *,
    flare: Triple,
    flare_sigma: Triple,
    density_limit: float | None = None,
) -> LengthBorder:
    """Border and clear film of the film positions [first, stop)."""
    rows = rows_of(frames, first, stop)
    wanted = ("border_", "clear_", "picture_", "view_")
    columns = {name: frames[name][rows] for name in frames.values if name.startswith(wanted)}
    return border_of_length(columns, flare=flare, flare_sigma=flare_sigma, density_limit=density_limit)


def _same(one: LengthBorder, other: LengthBorder) -> bool:
    """Whether two lengths are one stock, equally old, as far as their ends of the scale say."""
    if one.state != "measured" or other.state != "measured":
        return False
    for a, b, s, t in zip(one.density, other.density, one.sigma, other.sigma, strict=True):
        if abs(a - b) > AGREE + 2.0 * math.hypot(min(s, 0.03), min(t, 0.03)):
            return False
    if one.clear_seen and other.clear_seen:
        return all(abs(a - b) <= AGREE for a, b in zip(one.clear, other.clear, strict=True))
    return True
