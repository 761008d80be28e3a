"""Perforations drawn for tests of the finder: an independent truth, sharing no code with the package.

Rounded-rectangle signed distance, error-function edges, noise that grows with light, damage. The film may
be tilted. Damage is put on in film space, before the blur.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

# gauge key: pitch, hole width, hole height, corner radius, film width, hole centres from the left edge; mm
# (SMPTE ST 149-2004, ST 239-2004, ASA Z22.5-1947; 9.5 mm from memory)
FILM = {
    "super-8": (4.234, 0.914, 1.143, 0.13, 7.976, (0.51 + 0.457,)),
    "standard-8": (3.810, 1.83, 1.27, 0.25, 7.976, (0.91 + 0.915,)),
    "16mm": (7.620, 1.83, 1.27, 0.25, 15.98, (0.91 + 0.915,)),
    "16mm-two-rows": (7.620, 1.83, 1.27, 0.25, 15.98, (0.91 + 0.915, 15.98 - 0.91 - 0.915)),
    "unslit-double-8": (3.810, 1.83, 1.27, 0.25, 15.98, (0.91 + 0.915, 15.98 - 0.91 - 0.915)),
    "9.5mm": (7.54, 2.4, 1.0, 0.2, 9.525, (4.7625,)),
}
MID_FRAME = {"super-8"}
PICTURE = {  # left, right of the image, mm from the left edge (rough; only something to look at)
    "super-8": (1.52, 7.2), "standard-8": (2.8, 7.6), "16mm": (2.9, 13.1), "16mm-two-rows": (2.9, 13.1),
    "unslit-double-8": (2.8, 7.6), "9.5mm": (0.5, 9.0),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Drawn:
    plane: np.ndarray
    centres: list  # (row, x, y) of every perforation whose middle is in view
    reference: tuple


def smooth_noise(rng, shape, sigma):
    picture = gaussian_filter(rng.standard_normal(shape), sigma, mode="wrap")
    return picture / picture.std()


def rounded(x, y, w, h, r):
    """Signed distance to a rounded rectangle, negative inside."""
    qx, qy = np.abs(x) - (w / 2 - r), np.abs(y) - (h / 2 - r)
    return np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0) - r


def draw(
    gauge, *, shape, px_per_mm, blur=1.2, x_mm=0.3, reference_y=None, tilt=0.0, base=0.01, hole=0.9, noise=0.005,
    grain=0.15, damage=(), seed=0, shrink=0.0, shrink_across=None, picture=True, clip=None, dark=False, missing=(),
    open_outside=True,
):  # fmt: skip
    """One captured plane. `x_mm` is the left film edge from the picture's left. Returns `Drawn`.

    Why this is long: a renderer that shares no code with the package is read from top to bottom, once.
    """
    rng = np.random.default_rng(seed)
    height, width = shape
    pitch, w, h, r, film_width, holes = FILM[gauge]
    across = px_per_mm * (1 - (shrink if shrink_across is None else shrink_across))
    along = px_per_mm * (1 - shrink)
    reference_y = (height - 1) / 2 if reference_y is None else reference_y
    ys, xs = np.mgrid[0:height, 0:width].astype(np.float64)
    cx, cy = (width - 1) / 2, reference_y
    c, s = np.cos(tilt), np.sin(tilt)
    # film coordinates in px: u across from the film's left edge, v along from the reference
    left = x_mm * px_per_mm
    u = c * (xs - cx) - s * (ys - cy) + cx - left
    v = s * (xs - cx) + c * (ys - cy)
    phase = 0.0 if gauge in MID_FRAME else 0.5
    film = np.minimum(u, film_width * across - u)  # positive on the film
    light = _film_light(
        rng,
        gauge,
        u / across,
        v / (pitch * along),
        px_per_mm,
        base,
        hole,
        grain * (0.4 if dark else 1),
        picture,
    )
    opening = np.full(shape, 1e9)
    extra = np.zeros(shape)  # coverage of damage that was painted, 0 to 1
    tape = np.ones(shape)
    centres = []
    for row, x_hole in enumerate(holes):
        for k in range(-4, 5):
            if k in missing:
                continue
            hu, hv = x_hole * across, (k + phase) * pitch * along
            px = cx + c * (hu + left - cx) + s * hv
            py = cy - s * (hu + left - cx) + c * hv
            if not (-0.4 * h * along < py < height + 0.4 * h * along):
                continue
            du, dv = u - hu, v - hv
            d = rounded(du, dv, w * across, h * along, r * px_per_mm)
            centres.append((row, px, py))
            if abs(k + phase) <= 0.5 or "all" in damage:
                d, extra, tape = _damage(
                    d, extra, tape, du, dv, w * across, h * along, px_per_mm, damage, rng
                )
            opening = np.minimum(opening, d)
    cover = ndtr(-opening / blur)
    # dark: film seen in reflected light on a dark backing, which shows through the opening and outside
    plane = light * (1 - cover) + hole * cover
    if dark:  # tape returns some light, dirt some of what falls on it
        plane = plane * tape + 0.3 * (1 - tape)
        plane = plane * (1 - extra) + (hole + 0.6 * (base - hole)) * extra
    else:
        plane = np.where(tape < 1, plane * tape, plane)
        plane = plane * (1 - extra) + base * extra
    if open_outside:
        edge = ndtr(film / blur)
        plane = plane * edge + hole * (1 - edge)
    plane = plane + noise * np.sqrt(np.maximum(plane, 0.02)) * rng.standard_normal(shape)
    if clip is not None:
        plane = np.minimum(plane, clip)
    return Drawn(
        plane=np.clip(plane, 0, 1).astype(np.float32), centres=centres, reference=(None, reference_y)
    )


def _film_light(rng, gauge, across_mm, along_frames, px_per_mm, base, hole, grain, picture):
    """The film without perforations: border and, if wanted, pictures of a random scene."""
    light = np.full(across_mm.shape, base)
    if picture:
        lo, hi = PICTURE[gauge]
        inside = (across_mm > lo) & (across_mm < hi) & (np.abs((along_frames + 0.5) % 1 - 0.5) < 0.46)
        scene = (
            smooth_noise(rng, light.shape, 0.12 * px_per_mm) * 0.9 + smooth_noise(rng, light.shape, 2.0) * 0.3
        )
        light = np.where(inside, np.exp(-1.2 + 0.7 * scene).clip(base, max(0.8 * hole, base)), light)
    return light * np.exp(grain * smooth_noise(rng, light.shape, 0.8))


def _damage(d, extra, tape, du, dv, w, h, scale, damage, rng):
    """Damage named in `damage`, one perforation."""
    ragged = np.interp(du, np.linspace(-w, w, 41), rng.standard_normal(41)) * 0.02 * scale
    if "claw" in damage:  # claw tear through the lower edge
        tear = np.maximum(np.abs(du + 0.1 * w) - 0.28 * w, np.abs(dv - h * 0.62) - 0.25 * h + ragged)
        d = np.minimum(d, tear)
    if "chip" in damage:
        d = np.minimum(d, np.hypot(du - w / 2, dv - 0.2 * h) - 0.09 * h)
        d = np.minimum(d, np.hypot(du + 0.2 * w, dv + h / 2) - 0.07 * h)
    if "elongated" in damage:  # worn along the film by 0.06 mm at the lower edge
        grow = 0.06 * scale
        d = np.minimum(d, rounded(du, dv - grow / 2, w, h + grow, 0.13 * scale))
    if "torn" in damage:  # torn out to the film's left edge
        d = np.minimum(d, np.maximum(du, np.abs(dv + 0.1 * h) - 0.3 * h + 2 * ragged))
    if "crack" in damage:
        for sx, sy in ((1, 1), (-1, -1)):
            line = (
                np.abs((du - sx * w * 0.48) * 0.6 - (dv - sy * h * 0.48) * sx * sy + 3 * ragged)
                - 0.012 * scale
            )
            along = np.maximum(sx * (w * 0.42 - sx * du), sx * du - w * 0.9)
            d = np.minimum(d, np.maximum(line, np.maximum(along, 0.42 * h - sy * dv)))
    if "specks" in damage:
        for _ in range(6):
            side = rng.integers(4)
            t = rng.uniform(-0.45, 0.45)
            at = [(-w / 2, t * h), (w / 2, t * h), (t * w, -h / 2), (t * w, h / 2)][side]
            radius = rng.uniform(0.03, 0.09) * scale
            distance = np.hypot(du - at[0], dv - at[1]) - radius
            extra = np.maximum(extra, ndtr(-distance / 1.2))
    return _damage_by_chance(d, extra, tape, du, dv, w, h, scale, damage, rng)


def _damage_by_chance(d, extra, tape, du, dv, w, h, scale, damage, rng):
    """Damage whose side, place and size are drawn by chance: what `_damage` draws at fixed places, and more."""
    side = rng.integers(4) if {"tear", "nick", "worn", "covered"} & set(damage) else 0
    # o outward of that side, a along it; half and long its distance and half its length
    o, a = ((-du, dv), (du, dv), (-dv, du), (dv, du))[side]
    half, long = ((w / 2, h / 2), (h / 2, w / 2))[int(side > 1)]
    if "tear" in damage:  # part or all of one side gone, as far as 0.4 mm
        at, wide = rng.uniform(-0.6, 0.6) * long, rng.uniform(0.3, 1.1) * long
        rough = np.interp(a, np.linspace(-2 * long, 2 * long, 61), rng.standard_normal(61)) * 0.02 * scale
        deep = rng.uniform(0.03, 0.4) * scale
        gap = np.maximum(np.abs(a - at) - wide, np.maximum(o - half - deep + rough, -o))
        d = np.minimum(d, gap)
    if "nick" in damage:
        for _ in range(rng.integers(1, 4)):
            at = rng.uniform(-0.9, 0.9) * long
            d = np.minimum(d, np.hypot(o - half, a - at) - rng.uniform(0.02, 0.1) * scale)
    if "worn" in damage:  # one side moved outward, straight, over all of it or its middle
        grow, part = rng.uniform(0.01, 0.1) * scale, rng.choice([0.7, 1.0])
        straight = np.maximum(np.abs(a) - part * (long - 0.05 * scale), np.maximum(o - half - grow, -o))
        d = np.minimum(d, straight)
    if "covered" in damage:  # an opaque straight-edged cover lies over part of it
        turn = rng.choice([0.0, rng.uniform(-0.6, 0.6)])
        distance = half * rng.uniform(-0.2, 0.98) - (o * np.cos(turn) + a * np.sin(turn))
        extra = np.maximum(extra, ndtr(-distance / 1.2) * (np.hypot(du, dv) < 1.2 * np.hypot(w, h)))
    if "blocked" in damage:
        extra = np.maximum(extra, (np.hypot(du, dv) < 1.2 * np.hypot(w, h)) * 1.0)
    if "dirt" in damage:
        for _ in range(rng.integers(2, 7)):
            x, y = rng.uniform(-0.7, 0.7) * w, rng.uniform(-0.7, 0.7) * h
            long_axis, turn = rng.uniform(0.04, 0.25) * scale, rng.uniform(0, np.pi)
            u, v = du - x, dv - y
            u, v = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
            distance = np.hypot(u, v * rng.uniform(1, 4)) - long_axis
            extra = np.maximum(extra, ndtr(-distance / 1.2) * rng.uniform(0.5, 1.0))
    if "tape" in damage:  # half covered, density 0.15
        distance = -(dv - 0.05 * h)
        tape = np.where(np.abs(dv) < h, np.minimum(tape, 1 - (1 - 10**-0.15) * ndtr(-distance / 1.2)), tape)
    return d, extra, tape
