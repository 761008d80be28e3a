"""The film of a drawn reel: where holes and pictures lie on it, and what light passes beside the picture.

Places on the film are (across, along) in millimetres of new film: across from the left edge as the picture
is seen upright, along downwards from the picture centre of the film frame that the capture stands on.

Why this is long: every kind of damage and of splice is drawn here, beside the geometry that it is drawn in.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil, cos, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge
from smallgauge.picture.synthetic_shapes import (
    cover_of_distance,
    draw_shifted,
    rounded_rectangle_distance,
)

Plane = NDArray[np.float32]
DamageKind = Literal["torn", "claw", "elongated", "crack", "tape", "specks", "chipped", "running", "missing"]

__all__ = [
    "Aperture",
    "DamageKind",
    "FilmGeometry",
    "PerforationDamage",
    "Pose",
    "draw_cement_splice",
    "draw_edge_print",
    "draw_film_edges",
    "draw_perforation",
    "draw_rounded_gate",
    "draw_splice",
    "draw_stripes",
    "film_geometry",
    "is_below",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationDamage:
    """One damaged perforation: which one, what happened to it, and how much of it (mm).

    torn: the film between hole and edge is gone. claw: the claw struck a notch into the lower edge.
    elongated: the lower edge is pulled down. crack: a slit runs from a corner. tape: splicing tape covers
    the upper half. specks: dirt in the hole. chipped: one corner has broken off. running: a tear runs from
    the hole into the picture. missing: film where the hole should be.
    """

    film_perforation: int
    kind: DamageKind
    row: int = 0
    amount_mm: float = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Aperture:
    """One picture across the film: centre across, size, and whether it stands on its head."""

    across_mm: float
    width_mm: float
    height_mm: float
    reversed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmGeometry:
    """A gauge's dimensions as numbers, rows and pictures from left to right as drawn."""

    width_mm: float
    pitch_mm: float
    hole_width_mm: float
    hole_height_mm: float
    hole_radius_mm: float
    rows_mm: tuple[float, ...]  # centre of each row of perforations, across
    hole_along_pitch: float  # place of perforation n along, in pitches from frame n's centre
    apertures: tuple[Aperture, ...]
    stripes_mm: tuple[tuple[float, float], ...]  # first and last edge of each stripe, across


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """How film lies in one captured frame: film point (across_mm, 0) falls on pixel (x_px, y_px)."""

    across_mm: float
    x_px: float
    y_px: float
    scale_px_per_mm: float
    tilt_rad: float

    def place(self, across_mm: float, along_mm: float) -> tuple[float, float]:
        """Pixel place (x, y) of a place on the film."""
        c, s, k = cos(self.tilt_rad), sin(self.tilt_rad), self.scale_px_per_mm
        u, v = (across_mm - self.across_mm) * k, along_mm * k
        return self.x_px + c * u - s * v, self.y_px + s * u + c * v


def film_geometry(
    gauge: Gauge,
    *,
    perforation_side: Literal["left", "right"] = "left",
    pitch: Literal["long", "short"] = "long",
    striped: bool = False,
) -> FilmGeometry:
    """Dimensions of one gauge as a drawing needs them.

    Parameters
    ----------
    gauge : Gauge
    perforation_side : "left" or "right"
        Side of a single edge row; the other gauges are symmetrical.
    pitch : "long" or "short"
    striped : bool
        Lay the magnetic stripes where the gauge has them.

    Returns
    -------
    FilmGeometry
        Millimetres, new film.

    Raises
    ------
    CallerError
        If short pitch or a stripe is asked of a gauge that has none.

    Notes
    -----
    Source: the gauge's own facts; the outer edge of a stripe at the film edge is common practice, no source.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> geometry = film_geometry(SUPER_8)
    >>> [round(row, 3) for row in geometry.rows_mm], geometry.hole_along_pitch
    ([0.967], 0.0)
    """
    width = gauge.film_width_mm.value
    hole = gauge.perforation
    if hole.edge_distance_mm is None:
        centres = {"centre": width / 2}
    else:
        first = hole.edge_distance_mm.value + hole.width_mm.value / 2
        apart = gauge.rows_apart_mm.value + hole.width_mm.value if gauge.rows_apart_mm else width - 2 * first
        centres = {"left": first, "right": first + apart}
    chosen = gauge.pitch_long_mm if pitch == "long" else gauge.pitch_short_mm
    if chosen is None:
        raise CallerError(f"A short pitch was asked for and {gauge.name} has none; ask for the long pitch.")
    size = (gauge.camera_image_width_mm.value, gauge.camera_image_height_mm.value)
    middle = gauge.picture_centre_from_edge_mm.value
    apertures: tuple[Aperture, ...] = (Aperture(across_mm=middle, width_mm=size[0], height_mm=size[1]),)
    if gauge.key == "unslit-double-8":
        apertures += (replace(apertures[0], across_mm=width - middle, reversed=True),)
    geometry = FilmGeometry(
        width_mm=width,
        pitch_mm=chosen.value,
        hole_width_mm=hole.width_mm.value,
        hole_height_mm=hole.height_mm.value,
        hole_radius_mm=hole.corner_radius_mm.value,
        rows_mm=tuple(centres[row] for row in gauge.rows),
        hole_along_pitch=0.0 if gauge.holes_at == "mid-frame" else -0.5,
        apertures=apertures,
        stripes_mm=_stripes(gauge) if striped else (),
    )
    if perforation_side == "right" and gauge.rows == ("left",):
        geometry = replace(
            geometry,
            rows_mm=tuple(width - row for row in geometry.rows_mm),
            apertures=tuple(replace(each, across_mm=width - each.across_mm) for each in apertures),
            stripes_mm=tuple((width - b, width - a) for a, b in geometry.stripes_mm),
        )
    return geometry


def _stripes(gauge: Gauge) -> tuple[tuple[float, float], ...]:
    """Main stripe, and balance stripe where the gauge has one, holes on the left."""
    width = gauge.film_width_mm.value
    track = next((each for each in gauge.tracks if each.kind == "magnetic" and each.width_mm), None)
    if track is None or track.width_mm is None:
        raise CallerError(
            f"A magnetic stripe was asked for and none is known for {gauge.name}; leave it out."
        )
    at_holes = "perforation" in track.place.split(",")[0] and "opposite" not in track.place
    main = track.width_mm.value
    stripes = [(0.0, main) if at_holes else (width - main, width)]
    if track.balance_width_mm is not None:
        balance = track.balance_width_mm.value
        stripes.append((width - balance, width) if at_holes else (0.0, balance))
    return tuple(stripes)


def _grid(
    shape: tuple[int, int], x: float, y: float, reach: tuple[float, float]
) -> tuple[slice, slice, Plane, Plane] | None:
    """Rows, columns and places relative to (x, y) of the pixels within `reach`, or None."""
    top, bottom = max(0, int(y - reach[1])), min(shape[0], ceil(y + reach[1]) + 1)
    left, right = max(0, int(x - reach[0])), min(shape[1], ceil(x + reach[0]) + 1)
    if top >= bottom or left >= right:
        return None
    dy = np.arange(top, bottom, dtype=np.float32)[:, None] - np.float32(y)
    dx = np.arange(left, right, dtype=np.float32)[None, :] - np.float32(x)
    return slice(top, bottom), slice(left, right), dx, dy


def draw_film_edges(opening: Plane, pose: Pose, width_mm: float, sigma_px: float) -> None:
    """Open the gate outside the film's two edges: `opening` (height, width) rises to 1 there."""
    height, width = opening.shape
    rows = np.arange(height, dtype=np.float32)[:, None]
    slope = np.float32(-np.tan(pose.tilt_rad))
    for across, outward in ((0.0, -1.0), (width_mm, 1.0)):
        x, y = pose.place(across, 0.0)
        line = np.float32(x) + (rows - np.float32(y)) * slope
        low = int(np.clip(line.min() - 5 * sigma_px, 0, width))
        high = int(np.clip(np.ceil(line.max() + 5 * sigma_px), 0, width))
        if outward < 0:
            opening[:, :low] = 1
        else:
            opening[:, high:] = 1
        columns = np.arange(low, high, dtype=np.float32)[None, :]
        inside = (columns - line) * np.float32(-outward * cos(pose.tilt_rad))
        np.maximum(opening[:, low:high], cover_of_distance(inside, sigma_px), out=opening[:, low:high])


def draw_stripes(
    density: NDArray[np.float32], pose: Pose, stripes_mm: tuple[tuple[float, float], ...]
) -> None:
    """Lay the magnetic stripes: brown oxide, a little lighter than unexposed reversal film, on `density`.

    Room light from the front shows it: source: common practice, no source. A stripe at the film edge is
    drawn past it, since what lies outside the film is open anyway.
    """
    height, width = density.shape[1:]
    rows = np.arange(height, dtype=np.float32)[:, None]
    slope = np.float32(-np.tan(pose.tilt_rad))
    for first, last in stripes_mm:
        x0, y0 = pose.place(first, 0.0)
        x1, _ = pose.place(last, 0.0)
        shift = (rows - np.float32(y0)) * slope
        low = int(np.clip(x0 + shift.min() - 4, 0, width))
        high = int(np.clip(ceil(x1 + shift.max() + 4), 0, width))
        x = np.arange(low, high, dtype=np.float32)[None, :] - shift
        cover = cover_of_distance(np.maximum(np.float32(x0) - x, x - np.float32(x1)), 0.9)
        for plane, value in zip(density, (1.62, 1.78, 1.92)):
            part = plane[:, low:high]
            part += cover * (np.float32(value) + np.float32(0.04) * (part - np.float32(2.5)) - part)


def draw_splice(
    density: NDArray[np.float32], opening: Plane, pose: Pose, along_mm: float, sigma_px: float
) -> None:
    """A tape splice: a crack of light across the film at the cut, tape over both ends, its edges dusty."""
    height, width = opening.shape
    k = pose.scale_px_per_mm
    x, y = pose.place(pose.across_mm, along_mm)
    reach = 2.6 * k
    slack = abs(sin(pose.tilt_rad)) * width
    top, bottom = int(np.clip(y - reach - slack, 0, height)), int(np.clip(y + reach + slack, 0, height))
    if top >= bottom:
        return
    dy = np.arange(top, bottom, dtype=np.float32)[:, None] - np.float32(y)
    dx = np.arange(width, dtype=np.float32)[None, :] - np.float32(x)
    off = np.abs(dy * np.float32(cos(pose.tilt_rad)) - dx * np.float32(sin(pose.tilt_rad)))
    tape = np.float32(0.06) * cover_of_distance(off - np.float32(2.2 * k), sigma_px)
    tape += np.float32(0.22) * np.exp(-(((off - np.float32(2.2 * k)) / np.float32(1.6 * sigma_px)) ** 2))
    for plane in density:
        plane[top:bottom] += tape
    slit = cover_of_distance(off - np.float32(0.012 * k), sigma_px)
    slit -= cover_of_distance(off + np.float32(0.012 * k), sigma_px)
    part = opening[top:bottom]
    np.maximum(part, slit, out=part)


CEMENT_OVERLAP_MM = 1.8  # from memory, not checked: picture note f says 1.8 to 2.5


def draw_cement_splice(
    density: NDArray[np.float32], opening: Plane, pose: Pose, along_mm: float, sigma_px: float
) -> None:
    """A cement splice: from the cut downwards two films lie on each other, with a shadow at the upper end.

    At the lower end a thread of emulsion was scraped off too far, and light comes through it. `opening` is
    left as it is. Look and amounts: common practice, no source.
    """
    k = pose.scale_px_per_mm
    below = _rows_below(opening.shape, pose, along_mm)
    end = np.float32(CEMENT_OVERLAP_MM * k)
    band = cover_of_distance(np.maximum(-below, below - end), sigma_px)
    added = np.float32(0.14) * band
    added += np.float32(0.25) * np.exp(-((below / np.float32(1.5 * sigma_px)) ** 2))
    thread = cover_of_distance(np.abs(below - end) - np.float32(0.015 * k), sigma_px)
    for plane in density:
        plane += added
        plane -= thread * (plane - np.float32(0.22))


def _rows_below(shape: tuple[int, int], pose: Pose, along_mm: float) -> Plane:
    """How far each pixel lies below a line across the film, px."""
    x, y = pose.place(pose.across_mm, along_mm)
    dy = np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(y)
    dx = np.arange(shape[1], dtype=np.float32)[None, :] - np.float32(x)
    return np.asarray(dy * np.float32(cos(pose.tilt_rad)) - dx * np.float32(sin(pose.tilt_rad)))


def is_below(shape: tuple[int, int], pose: Pose, along_mm: float) -> NDArray[np.bool_]:
    """Pixels, `shape`, that lie below a line across the film.

    Examples
    --------
    >>> pose = Pose(across_mm=4.0, x_px=2.0, y_px=2.0, scale_px_per_mm=1.0, tilt_rad=0.0)
    >>> is_below((5, 1), pose, 0.5)[:, 0].tolist()
    [False, False, False, True, True]
    """
    return np.asarray(_rows_below(shape, pose, along_mm) > 0)


@lru_cache(maxsize=4)
def _letters(text: str, tall_px: float) -> NDArray[np.float32]:
    """Edge print as exposure 0 to 1, reading down the film, smooth enough to be moved by parts of a pixel."""
    import cv2

    big = 4
    size = big * tall_px / 21  # the plain stroke font is 21 units tall
    thick = max(1, round(size * 2))
    (wide, high), low = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, thick)
    pad = 8 * big
    page = np.zeros((high + low + 2 * pad, wide + 2 * pad), dtype=np.uint8)
    cv2.putText(page, text, (pad, pad + high), cv2.FONT_HERSHEY_SIMPLEX, size, 255, thick, cv2.LINE_AA)
    page = np.rot90(page, 3)
    smooth = cv2.GaussianBlur(page.astype(np.float32) / 255, (0, 0), 0.7 * big)
    small = cv2.resize(smooth, (page.shape[1] // big, page.shape[0] // big), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)[None]


def draw_edge_print(
    exposure: NDArray[np.float32], pose: Pose, geometry: FilmGeometry, text: str, along_mm: float
) -> None:
    """Print the maker's words into the margin beside the first row, starting at `along_mm`."""
    first = geometry.rows_mm[0]
    left_margin = first < geometry.width_mm / 2 + 0.1
    edge = min(abs(first - side) for side in (0.0, geometry.width_mm)) - geometry.hole_width_mm / 2
    margin = edge if edge < 2 else (geometry.width_mm - geometry.apertures[0].width_mm) / 2
    letters = _letters(text, round(0.42 * margin * pose.scale_px_per_mm, 3))
    x, y = pose.place(margin / 2 if left_margin else geometry.width_mm - margin / 2, along_mm)
    x -= (letters.shape[2] - 1) / 2
    height, width = exposure.shape[1:]
    left, right = max(0, int(x) - 2), min(width, int(x) + letters.shape[2] + 3)
    top, bottom = max(0, int(y) - 2), min(height, int(y) + letters.shape[1] + 3)
    if top >= bottom or left >= right:
        return
    light = draw_shifted(letters, left - x, top - y, (bottom - top, right - left), sigma_px=0.7)[0]
    for plane, value in zip(exposure, (0.9, 0.55, 0.10)):
        plane[top:bottom, left:right] += np.float32(value) * light


def draw_perforation(
    opening: Plane,
    veil: Plane,
    pose: Pose,
    geometry: FilmGeometry,
    place_px: tuple[float, float],
    *,
    sigma_px: float,
    outward: float,
    damage: PerforationDamage | None,
    random: np.random.Generator,
) -> None:
    """Open one perforation; damage changes the outline, or lays something (`veil`, density) over it.

    `place_px` is its centre as punched; `outward` is -1 where the near film edge lies to the left, 1 to the
    right, 0 for a row in the middle.
    """
    if damage is not None and damage.kind == "missing":
        return
    k = pose.scale_px_per_mm
    half = (geometry.hole_width_mm / 2 * k, geometry.hole_height_mm / 2 * k)
    more = damage.amount_mm * k if damage else 0.0
    wide = 2.2 * half[0] + geometry.hole_width_mm * k if damage and damage.kind == "torn" else half[0]
    found = _grid(
        opening.shape,
        *place_px,
        (wide + 2 * more + 6 * sigma_px + 4, half[1] + 2 * more + 6 * sigma_px + 4),
    )
    if found is None:
        return
    rows, columns, dx, dy = found
    c, s = np.float32(cos(pose.tilt_rad)), np.float32(sin(pose.tilt_rad))
    x, y = dx * c + dy * s, dy * c - dx * s
    distance = rounded_rectangle_distance(x, y, half, geometry.hole_radius_mm * k)
    if damage is not None:
        distance = _damaged(
            distance, x, y, half, geometry.hole_radius_mm * k, damage.kind, more, outward, random
        )
    part = opening[rows, columns]
    np.maximum(part, cover_of_distance(distance, sigma_px), out=part)
    if damage is not None and damage.kind in ("tape", "specks"):
        _lay_over(veil[rows, columns], x, y, half, damage.kind, more, sigma_px, random)


def _ragged(along: Plane, random: np.random.Generator, size_px: float) -> Plane:
    """A torn line: how far the edge strays (px) at each place along it."""
    out = np.zeros_like(along)
    for order in range(1, 6):
        length = np.float32(2 * np.pi * order / (3.1 * size_px))
        out += np.float32(size_px * 0.12 * random.normal() / order) * np.sin(
            along * length + np.float32(random.uniform(0, 6.28))
        )
    return out


def _damaged(
    distance: Plane,
    x: Plane,
    y: Plane,
    half: tuple[float, float],
    radius: float,
    kind: DamageKind,
    more: float,
    outward: float,
    random: np.random.Generator,
) -> Plane:
    """The outline of a damaged hole as a signed distance, from that of the whole hole."""
    side = np.float32(outward or 1.0)
    if kind == "torn":
        wobble = _ragged(x, random, half[1])
        band = np.abs(y + np.float32(0.1 * half[1]) + wobble * 0.5) - np.float32(0.72 * half[1]) + wobble
        return np.asarray(np.minimum(distance, np.maximum(band, -side * x)))
    if kind == "running":
        wobble = _ragged(x, random, 0.5 * half[1])
        tip = np.float32(half[0] + more)
        narrow = np.float32(0.3 * half[1]) * (1 - np.maximum(-side * x, 0) / np.float32(1.4 * tip))
        band = np.abs(y + np.float32(0.2 * half[1]) + wobble) - narrow
        return np.asarray(np.minimum(distance, np.maximum(np.maximum(band, side * x), -side * x - tip)))
    if kind == "claw":
        notch = np.sqrt((x - side * np.float32(0.2 * half[0])) ** 2 + (y - np.float32(half[1])) ** 2)
        return np.asarray(np.minimum(distance, notch - np.float32(more) + _ragged(x + y, random, more)))
    if kind == "elongated":
        longer = rounded_rectangle_distance(
            x, y - np.float32(more / 2), (half[0], half[1] + more / 2), radius
        )
        return np.asarray(np.minimum(distance, longer))
    if kind == "crack":
        corner = np.float32(0.25 * radius)
        px, py = side * x - np.float32(half[0]) + corner, y - np.float32(half[1]) + corner
        direction = np.float32(0.6), np.float32(0.8)
        along = np.clip(px * direction[0] + py * direction[1], 0, np.float32(2 * more))
        strayed = _ragged(along, random, max(2 * more, 6.0)) * np.float32(0.25)
        off = np.sqrt((px - along * direction[0] + strayed) ** 2 + (py - along * direction[1]) ** 2)
        return np.asarray(
            np.minimum(distance, off - np.float32(0.05 * more) * (1 - along / np.float32(2.2 * more)))
        )
    if kind == "chipped":
        chip = np.sqrt((side * x - np.float32(half[0])) ** 2 + (y + np.float32(half[1])) ** 2)
        return np.asarray(np.minimum(distance, chip - np.float32(more) + _ragged(x - y, random, more)))
    return distance


def _lay_over(
    veil: Plane,
    x: Plane,
    y: Plane,
    half: tuple[float, float],
    kind: DamageKind,
    more: float,
    sigma_px: float,
    random: np.random.Generator,
) -> None:
    """Splicing tape over the upper half, or specks of dirt, as density over whatever is there."""
    if kind == "tape":
        line = y + np.float32(0.05 * half[1]) + np.float32(0.06) * x
        edge = np.maximum(
            line, np.maximum(np.abs(x) - np.float32(half[0] + more), -y - np.float32(half[1] + more))
        )
        veil += np.float32(0.14) * cover_of_distance(edge, sigma_px)
        veil += np.float32(0.35) * np.exp(-(edge**2) / np.float32(2 * max(1.2, sigma_px) ** 2))
        return
    for _ in range(7):
        at = random.uniform(-1, 1) * half[0], random.uniform(-1, 1) * half[1]
        radius = half[1] * random.uniform(0.02, 0.1)
        off = np.sqrt((x - np.float32(at[0])) ** 2 + (y - np.float32(at[1])) ** 2 * np.float32(1.6))
        veil += np.float32(1.6) * cover_of_distance(off - np.float32(radius), sigma_px)


def draw_rounded_gate(
    shape: tuple[int, int],
    centre_px: tuple[float, float],
    half_px: tuple[float, float],
    radius_px: float,
    tilt_rad: float,
    sigma_px: float,
) -> Plane:
    """Light that the camera's gate let through, 0 to 1, on a grid of `shape` with the centre at `centre_px`.

    Only the strips near the edge are worked out; inside them it is 1.

    Examples
    --------
    >>> gate = draw_rounded_gate((40, 60), (30.0, 20.0), (24.0, 16.0), 4.0, 0.0, 1.0)
    >>> float(gate[20, 30]), round(float(gate[20, 6]), 3)
    (1.0, 0.5)
    """
    height, width = shape
    out = np.ones(shape, dtype=np.float32)
    c, s = np.float32(cos(tilt_rad)), np.float32(sin(tilt_rad))
    slack = radius_px + 4 * sigma_px + abs(sin(tilt_rad)) * max(half_px) + 2
    y0, y1 = centre_px[1] - half_px[1] + slack, centre_px[1] + half_px[1] - slack
    x0, x1 = centre_px[0] - half_px[0] + slack, centre_px[0] + half_px[0] - slack
    top, bottom = int(np.clip(y0, 0, height)), int(np.clip(np.ceil(y1), 0, height))
    left, right = int(np.clip(x0, 0, width)), int(np.clip(np.ceil(x1), 0, width))
    bottom, right = max(top, bottom), max(left, right)
    for rows, columns in (
        (slice(0, top), slice(0, width)),
        (slice(bottom, height), slice(0, width)),
        (slice(top, bottom), slice(0, left)),
        (slice(top, bottom), slice(right, width)),
    ):
        dy = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - np.float32(centre_px[1])
        dx = np.arange(columns.start, columns.stop, dtype=np.float32)[None, :] - np.float32(centre_px[0])
        if dy.size and dx.size:
            distance = rounded_rectangle_distance(dx * c + dy * s, dy * c - dx * s, half_px, radius_px)
            out[rows, columns] = cover_of_distance(distance, sigma_px)
    return out
