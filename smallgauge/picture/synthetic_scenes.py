"""Drawn scenes that look like an invented family's home movies, in linear light (1: a white in the sun).

Each scene is a still background, drawn once and kept, moved with the camera by an exact sub-pixel amount,
with what lives in front of it drawn afresh at its own place for every instant. Time is seconds at the
camera, so the same film looks right at one speed only: people walk two steps a second, waves and candles
move as they do. Colours, sizes and movements are common practice, no source.

Why this is long: it is four drawings, each a list of what is in it.
"""

from collections.abc import Callable
from functools import lru_cache
from math import cos, pi, sin
from typing import Literal

import numpy as np

from smallgauge.picture.synthetic_shapes import (
    Colour,
    Planes,
    View,
    draw_capsule,
    draw_disc,
    draw_polygon,
    draw_shifted,
)

SceneKind = Literal["garden", "sea", "birthday", "road"]
SCENE_KINDS: tuple[SceneKind, ...] = ("garden", "sea", "birthday", "road")

_PAN: dict[SceneKind, float] = {"garden": 0.34, "sea": 0.0, "birthday": 0.0, "road": 0.55}
_MARGIN = 0.06  # gate heights of background beyond the gate, for an unsteady hand
_SKIN: Colour = (0.50, 0.30, 0.20)

__all__ = ["SCENE_KINDS", "SceneKind", "camera_place", "draw_scene"]


def camera_place(kind: SceneKind, time_s: float) -> tuple[float, float]:
    """Where the camera looks, gate heights from its first view: the pan of the scene and an unsteady hand.

    Examples
    --------
    >>> u, v = camera_place("road", 5.0)
    >>> 0.5 < u < 0.6, abs(v) < 0.01
    (True, True)
    """
    start = {"garden": 0.7, "sea": 2.1, "birthday": 4.0, "road": 5.5}[kind]
    u = 0.006 * sin(2 * pi * 0.43 * time_s + start) + 0.003 * sin(2 * pi * 1.31 * time_s + 2 * start)
    v = 0.005 * sin(2 * pi * 0.37 * time_s + 3 * start) + 0.0025 * sin(2 * pi * 1.57 * time_s + start)
    begins, lasts = {"garden": (1.0, 4.5), "road": (0.4, 4.0)}.get(kind, (0.0, 1.0))
    return u + _PAN[kind] * _ease((time_s - begins) / lasts), v


def _ease(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return t * t * (3 - 2 * t)


def _noise(shape: tuple[int, int], seed: int, across: float, along: float) -> Planes:
    """Smooth noise of unit deviation with the given correlation (px), one plane."""
    import cv2

    random = np.random.Generator(np.random.SFC64(seed))
    white = random.standard_normal(shape, dtype=np.float32)
    smooth = cv2.GaussianBlur(white, (0, 0), sigmaX=across, sigmaY=along, borderType=cv2.BORDER_REFLECT)
    return np.asarray(smooth / np.float32(smooth.std()), dtype=np.float32)


def _foliage(
    planes: Planes, view: View, box: tuple[float, float, float, float], colour: Colour, count: int, seed: int
) -> None:
    """A mass of leaves: many small light and dark discs in an ellipse that fills `box` (u0, v0, u1, v1)."""
    random = np.random.Generator(np.random.SFC64(seed))
    cu, cv = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    ru, rv = (box[2] - box[0]) / 2, (box[3] - box[1]) / 2
    dark: Colour = (colour[0] * 0.35, colour[1] * 0.35, colour[2] * 0.35)
    draw_disc(planes, view, (cu, cv), (ru, rv), dark)
    for _ in range(count):
        angle, far = random.uniform(0, 2 * pi), random.uniform(0, 1) ** 0.5
        du, dv = far * cos(angle), far * sin(angle)
        lit = (0.45 + 0.55 * random.uniform()) * (1.05 - 0.55 * (dv * 0.8 + du * 0.4 + 0.5))
        size = 0.012 + 0.02 * random.uniform()
        draw_disc(
            planes,
            view,
            (cu + du * ru, cv + dv * rv),
            (size, size * 0.8),
            (colour[0] * lit, colour[1] * lit, colour[2] * lit),
            turn=random.uniform(0, pi),
        )


def _sky(planes: Planes, view: View, horizon: float, *, clouds: int, seed: int) -> None:
    """A summer sky down to the horizon, with soft clouds."""
    height, width = planes.shape[1:]
    _, top = view.place(0.0, -0.5)
    _, low = view.place(0.0, horizon)
    ramp = np.clip((np.arange(height, dtype=np.float32) - top) / max(low - top, 1.0), 0, 1)[:, None]
    for plane, high, near in zip(planes, (0.22, 0.36, 0.66), (0.62, 0.72, 0.82)):
        plane[:] = np.float32(high) + np.float32(near - high) * ramp
    size = view.scale_px
    cloud = _noise((height, width), seed, 0.09 * size, 0.03 * size)
    cloud += np.float32(0.5) * _noise((height, width), seed + 1, 0.03 * size, 0.014 * size)
    cover = np.clip((cloud - np.float32(1.7 - 0.4 * clouds)) * np.float32(0.7), 0, 1) * (1 - ramp * 0.5)
    for plane, value in zip(planes, (0.95, 0.95, 0.93)):
        plane += cover * (np.float32(value) - plane)


def _ground(
    planes: Planes, view: View, horizon: float, far: Colour, near: Colour, *, seed: int, rough: float
) -> None:
    """Grass, sand or tarmac from the horizon to the lower edge, coarser as it comes nearer."""
    height, width = planes.shape[1:]
    _, top = view.place(0.0, horizon)
    _, low = view.place(0.0, 0.56)
    ramp = np.clip((np.arange(height, dtype=np.float32) - top) / max(low - top, 1.0), 0, 1)[:, None]
    cover = np.clip(
        (np.arange(height, dtype=np.float32)[:, None] - np.float32(top)) * np.float32(0.4) + 0.5, 0, 1
    )
    fine = _noise((height, width), seed, max(1.3, 0.004 * view.scale_px), max(1.0, 0.002 * view.scale_px))
    coarse = _noise((height, width), seed + 1, 0.05 * view.scale_px, 0.012 * view.scale_px)
    light = np.clip(1 + np.float32(rough) * (fine * (0.35 + ramp) + np.float32(0.6) * coarse), 0.15, 2.0)
    for plane, distant, close in zip(planes, far, near):
        plane += cover * ((np.float32(distant) + np.float32(close - distant) * ramp) * light - plane)
    for plane in planes[3:]:
        plane += cover * (1 - plane)


def _figure(
    planes: Planes,
    view: View,
    foot: tuple[float, float],
    tall: float,
    time_s: float,
    *,
    walking: bool,
    waving: bool,
    coat: Colour,
    legs: Colour,
    hair: Colour,
    facing: float = 1.0,
) -> None:
    """A person of height `tall`, feet at `foot`; two steps a second when walking, three waves in two."""
    u, v = foot
    stride = 2 * pi * 1.0 * time_s
    swing = sin(stride) if walking else 0.0
    bob = -0.018 * tall * abs(cos(stride)) if walking else 0.0
    hip, neck = (u, v - 0.50 * tall + bob), (u + 0.01 * facing * tall, v - 0.82 * tall + bob)
    draw_disc(
        planes, view, (u + 0.12 * tall, v), (0.24 * tall, 0.035 * tall), (0.02, 0.03, 0.02), strength=0.55
    )
    for sign in (-1.0, 1.0):
        knee = (hip[0] + facing * sign * swing * 0.10 * tall, hip[1] + 0.25 * tall)
        ankle = (
            hip[0] + facing * (sign * swing * 0.19 - 0.03 * max(0.0, -sign * cos(stride))) * tall,
            v - 0.012 * tall - 0.05 * tall * max(0.0, sign * cos(stride)) * float(walking),
        )
        draw_capsule(planes, view, hip, knee, 0.050 * tall, legs, last_radius=0.038 * tall)
        draw_capsule(planes, view, knee, ankle, 0.036 * tall, legs, last_radius=0.026 * tall)
        toe = (ankle[0] + 0.06 * facing * tall, ankle[1] + 0.005 * tall)
        draw_capsule(planes, view, ankle, toe, 0.022 * tall, (0.05, 0.03, 0.02))
    shoulder = (neck[0], neck[1] + 0.05 * tall)
    _arm(planes, view, shoulder, tall, -swing * 0.5 * facing, 0.2, coat)
    draw_capsule(
        planes, view, (hip[0], hip[1] - 0.02 * tall), shoulder, 0.085 * tall, coat, last_radius=0.075 * tall
    )
    lit: Colour = (coat[0] * 1.35, coat[1] * 1.35, coat[2] * 1.35)
    draw_capsule(
        planes,
        view,
        (hip[0] - 0.03 * tall, hip[1] - 0.03 * tall),
        (shoulder[0] - 0.025 * tall, shoulder[1]),
        0.03 * tall,
        lit,
    )
    head = (neck[0] + 0.012 * facing * tall, neck[1] - 0.075 * tall)
    draw_capsule(planes, view, neck, head, 0.03 * tall, (0.40, 0.24, 0.16))
    draw_disc(planes, view, head, (0.058 * tall, 0.072 * tall), _SKIN, shade=0.35)
    draw_disc(
        planes,
        view,
        (head[0] - 0.014 * facing * tall, head[1] - 0.032 * tall),
        (0.062 * tall, 0.05 * tall),
        hair,
    )
    draw_disc(
        planes,
        view,
        (head[0] + 0.022 * facing * tall, head[1] + 0.012 * tall),
        (0.042 * tall, 0.05 * tall),
        _SKIN,
        shade=0.3,
    )
    if waving:
        lift = 2.35 + 0.32 * sin(2 * pi * 1.5 * time_s)
        _arm(planes, view, shoulder, tall, facing * lift, 0.5 * sin(2 * pi * 1.5 * time_s) + 0.25, coat)
    else:
        _arm(planes, view, shoulder, tall, swing * 0.5 * facing, 0.25, coat)


def _arm(
    planes: Planes,
    view: View,
    shoulder: tuple[float, float],
    tall: float,
    angle: float,
    bend: float,
    coat: Colour,
) -> None:
    """An arm hanging at `angle` from straight down (radians), bent by `bend` at the elbow."""
    elbow = (shoulder[0] + 0.17 * tall * sin(angle), shoulder[1] + 0.17 * tall * cos(angle))
    hand = (elbow[0] + 0.16 * tall * sin(angle + bend), elbow[1] + 0.16 * tall * cos(angle + bend))
    draw_capsule(planes, view, shoulder, elbow, 0.034 * tall, coat, last_radius=0.028 * tall)
    draw_capsule(planes, view, elbow, hand, 0.024 * tall, coat, last_radius=0.02 * tall)
    draw_disc(planes, view, hand, (0.03 * tall, 0.03 * tall), _SKIN)


def _garden_still(planes: Planes, view: View, seed: int) -> None:
    _sky(planes, view, -0.08, clouds=1, seed=seed)
    draw_polygon(planes, view, ((-1.2, -0.10), (2.0, -0.10), (2.0, 0.08), (-1.2, 0.08)), (0.04, 0.07, 0.03))
    for number in range(9):
        u = -0.85 + 0.26 * number
        _foliage(
            planes,
            view,
            (u - 0.2, -0.26 - 0.05 * (number % 3), u + 0.2, 0.0),
            (0.14, 0.24, 0.09),
            130,
            seed + number,
        )
    draw_polygon(
        planes, view, ((-0.72, -0.30), (-0.16, -0.30), (-0.16, 0.06), (-0.72, 0.06)), (0.62, 0.54, 0.42)
    )
    draw_polygon(
        planes, view, ((-0.78, -0.29), (-0.62, -0.44), (-0.26, -0.44), (-0.10, -0.29)), (0.36, 0.12, 0.07)
    )
    for row in range(5):
        v = -0.315 - 0.026 * row
        draw_capsule(
            planes, view, (-0.74 + 0.025 * row, v), (-0.14 - 0.025 * row, v), 0.003, (0.22, 0.07, 0.04)
        )
    draw_polygon(
        planes, view, ((-0.33, -0.46), (-0.27, -0.46), (-0.27, -0.38), (-0.33, -0.38)), (0.40, 0.16, 0.10)
    )
    for u in (-0.66, -0.50, -0.30):
        draw_polygon(
            planes,
            view,
            ((u - 0.01, -0.23), (u + 0.11, -0.23), (u + 0.11, -0.08), (u - 0.01, -0.08)),
            (0.85, 0.84, 0.80),
        )
        draw_polygon(
            planes, view, ((u, -0.22), (u + 0.10, -0.22), (u + 0.10, -0.09), (u, -0.09)), (0.06, 0.09, 0.13)
        )
        draw_capsule(planes, view, (u + 0.05, -0.22), (u + 0.05, -0.09), 0.004, (0.8, 0.8, 0.76))
    draw_polygon(
        planes, view, ((-0.385, -0.12), (-0.315, -0.12), (-0.315, 0.06), (-0.385, 0.06)), (0.05, 0.16, 0.12)
    )
    _ground(planes, view, 0.05, (0.17, 0.25, 0.07), (0.11, 0.20, 0.045), seed=seed + 30, rough=0.22)
    draw_polygon(
        planes, view, ((-0.38, 0.05), (-0.31, 0.05), (-0.05, 0.60), (-0.42, 0.60)), (0.42, 0.38, 0.31)
    )
    random = np.random.Generator(np.random.SFC64(seed + 40))
    _foliage(planes, view, (0.62, -0.20, 1.30, 0.16), (0.10, 0.19, 0.07), 420, seed + 50)
    for _ in range(130):
        place = (random.uniform(0.62, 1.25), random.uniform(0.02, 0.15))
        colour = ((0.75, 0.08, 0.10), (0.85, 0.65, 0.06), (0.80, 0.76, 0.78), (0.50, 0.16, 0.45))[
            int(random.integers(4))
        ]
        draw_disc(planes, view, place, (0.011, 0.011), colour)
    _washing_line(planes, view)


def _washing_line(planes: Planes, view: View) -> None:
    """Two posts, a line, four things hung out to dry."""
    for u in (0.08, 0.58):
        draw_capsule(planes, view, (u, -0.22), (u, 0.14), 0.008, (0.62, 0.60, 0.55))
    draw_capsule(planes, view, (0.08, -0.20), (0.58, -0.20), 0.003, (0.7, 0.7, 0.66))
    washing: tuple[Colour, ...] = (
        (0.85, 0.84, 0.82),
        (0.20, 0.35, 0.65),
        (0.78, 0.20, 0.18),
        (0.86, 0.80, 0.55),
    )
    for number, colour in enumerate(washing):
        u = 0.13 + 0.11 * number
        draw_polygon(
            planes, view, ((u, -0.20), (u + 0.085, -0.20), (u + 0.08, -0.05), (u + 0.006, -0.06)), colour
        )


def _garden_live(planes: Planes, view: View, time_s: float) -> None:
    ball = 0.55 + 0.25 * sin(0.9 * time_s)
    hop = abs(sin(2 * pi * 0.9 * time_s))
    draw_disc(planes, view, (ball, 0.31), (0.03, 0.008), (0.03, 0.05, 0.02), strength=0.6)
    draw_disc(planes, view, (ball, 0.29 - 0.13 * hop), (0.028, 0.028), (0.80, 0.10, 0.07), shade=0.6)
    _figure(
        planes,
        view,
        (-0.50 + 0.17 * time_s, 0.37),
        0.62,
        time_s,
        walking=time_s < 4.6,
        waving=True,
        coat=(0.66, 0.07, 0.08),
        legs=(0.08, 0.11, 0.25),
        hair=(0.10, 0.05, 0.02),
    )
    _figure(
        planes,
        view,
        (0.50, 0.22),
        0.34,
        time_s + 0.4,
        walking=False,
        waving=time_s > 1.2,
        coat=(0.80, 0.68, 0.15),
        legs=(0.30, 0.32, 0.36),
        hair=(0.42, 0.27, 0.08),
        facing=-1.0,
    )


def _sea_still(planes: Planes, view: View, seed: int) -> None:
    _sky(planes, view, -0.10, clouds=2, seed=seed)
    for place, wide, tall in ((-0.75, 0.50, 0.10), (-0.30, 0.42, 0.055), (0.9, 0.35, 0.04)):
        draw_disc(planes, view, (place, -0.10), (wide, tall), (0.17, 0.22, 0.22))
    _ground(planes, view, 0.16, (0.58, 0.48, 0.33), (0.50, 0.40, 0.26), seed=seed + 3, rough=0.13)
    draw_polygon(planes, view, ((0.50, 0.40), (0.78, 0.37), (0.84, 0.43), (0.54, 0.47)), (0.16, 0.42, 0.40))
    draw_polygon(
        planes, view, ((-0.13, 0.34), (-0.05, 0.34), (-0.03, 0.42), (-0.15, 0.42)), (0.42, 0.33, 0.20)
    )
    draw_disc(planes, view, (-0.09, 0.33), (0.03, 0.03), (0.44, 0.35, 0.22))


def _water(planes: Planes, view: View, time_s: float) -> None:
    """Waves in perspective from the horizon to a shore line that comes and goes; foam along it."""
    height, width = planes.shape[1:]
    k, c, s = view.scale_px, cos(view.tilt_rad), sin(view.tilt_rad)
    top = max(0, int(view.place(0.0, -0.10)[1] - 0.02 * k))
    bottom = min(height, int(view.place(0.0, 0.30)[1]))
    if top >= bottom:
        return
    dx = (np.arange(width, dtype=np.float32)[None, :] - np.float32(view.x_px)) / np.float32(k)
    dy = (np.arange(top, bottom, dtype=np.float32)[:, None] - np.float32(view.y_px)) / np.float32(k)
    u, v = dx * np.float32(c) + dy * np.float32(s), dy * np.float32(c) - dx * np.float32(s)
    deep = np.maximum(v + np.float32(0.10), np.float32(0.004))
    far = np.float32(1) / (deep + np.float32(0.05))
    swell = np.sin(u * far * np.float32(1.7) + far * np.float32(5.1) + np.float32(2.2 * time_s))
    swell += np.float32(0.7) * np.sin(
        u * far * np.float32(-3.1) + far * np.float32(7.7) + np.float32(3.1 * time_s)
    )
    swell += np.float32(0.45) * np.sin(
        u * far * np.float32(7.3) + far * np.float32(3.3) - np.float32(4.3 * time_s)
    )
    swell *= np.minimum(deep * np.float32(9), np.float32(1))
    shore = (
        np.float32(0.20 + 0.018 * sin(0.9 * time_s))
        + np.float32(0.012) * np.sin(u * np.float32(9) + np.float32(0.5 * time_s))
        + np.float32(0.05) * u
    )
    soft = np.float32(view.soft_px / k)
    cover = np.clip((shore - v) / (soft * 3) + np.float32(0.5), 0, 1)
    cover *= np.clip((v + np.float32(0.10)) / (soft * 3) + np.float32(0.5), 0, 1)
    foam = np.exp(-(((shore - v - np.float32(0.012)) / np.float32(0.010)) ** 2)) * np.float32(0.8)
    foam += np.clip(swell - np.float32(1.45), 0, 1) * np.float32(1.1)
    shade = np.minimum(deep * np.float32(3.2), np.float32(1))
    for plane, distant, near, lift in zip(
        planes, (0.20, 0.33, 0.46), (0.06, 0.20, 0.26), (0.035, 0.05, 0.05)
    ):
        part = plane[top:bottom]
        water = np.float32(distant) + np.float32(near - distant) * shade + np.float32(lift) * swell
        water += foam * (np.float32(0.85) - water)
        part += cover * (np.maximum(water, np.float32(0.02)) - part)


def _parasols(planes: Planes, view: View) -> None:
    """Two striped parasols in front of the water."""
    for u, colour in ((-0.34, (0.70, 0.10, 0.10)), (0.36, (0.10, 0.28, 0.60))):
        lit: Colour = (0.86, 0.83, 0.76)
        draw_disc(planes, view, (u + 0.05, 0.345), (0.16, 0.018), (0.12, 0.09, 0.06), strength=0.7)
        draw_capsule(planes, view, (u, 0.36), (u - 0.02, 0.10), 0.006, (0.75, 0.72, 0.66))
        for number in range(6):
            left = u - 0.16 + 0.047 * number
            fall = 0.045 * cos((number - 3.0) * 0.45)
            fall_next = 0.045 * cos((number - 2.0) * 0.45)
            corners = ((u - 0.022, 0.075), (left + 0.047, 0.13 + fall_next), (left, 0.13 + fall))
            draw_polygon(planes, view, corners, colour if number % 2 else lit)


def _sea_live(planes: Planes, view: View, time_s: float) -> None:
    _water(planes, view, time_s)
    _parasols(planes, view)
    roll = 0.05 * sin(1.7 * time_s)
    u, v = -0.45 + 0.055 * time_s, -0.035 + 0.006 * sin(1.9 * time_s)
    mast = (u + 0.30 * sin(roll), v - 0.30 * cos(roll))
    draw_polygon(
        planes,
        view,
        ((u - 0.09, v), (u + 0.12, v - 0.008), (u + 0.085, v + 0.035), (u - 0.07, v + 0.035)),
        (0.55, 0.12, 0.08),
    )
    draw_capsule(planes, view, (u, v), mast, 0.004, (0.25, 0.16, 0.09))
    draw_polygon(planes, view, (mast, (u + 0.008, v - 0.03), (u - 0.15, v - 0.035)), (0.90, 0.88, 0.82))
    draw_polygon(
        planes,
        view,
        ((mast[0] + 0.004, mast[1] + 0.03), (u + 0.13, v - 0.02), (u + 0.015, v - 0.03)),
        (0.88, 0.84, 0.74),
    )
    for number in range(2):
        x, y = -0.5 + 0.16 * time_s - 0.15 * number, -0.33 + 0.03 * sin(1.1 * time_s + number)
        beat = 0.03 * sin(2 * pi * 1.4 * time_s + number)
        draw_capsule(planes, view, (x, y), (x - 0.035, y - 0.012 - beat), 0.005, (0.9, 0.9, 0.88))
        draw_capsule(planes, view, (x, y), (x + 0.035, y - 0.012 - beat), 0.005, (0.9, 0.9, 0.88))
    _figure(
        planes,
        view,
        (0.34 - 0.13 * time_s, 0.33),
        0.36,
        time_s,
        walking=True,
        waving=False,
        coat=(0.10, 0.30, 0.52),
        legs=_SKIN,
        hair=(0.06, 0.04, 0.03),
        facing=-1.0,
    )
    _figure(
        planes,
        view,
        (-0.20, 0.45),
        0.25,
        time_s + 0.2,
        walking=False,
        waving=True,
        coat=(0.80, 0.34, 0.10),
        legs=_SKIN,
        hair=(0.45, 0.30, 0.10),
        facing=1.0,
    )


def _birthday_still(planes: Planes, view: View, seed: int) -> None:
    height, width = planes.shape[1:]
    wall = _noise((height, width), seed, 3.0, 3.0) * np.float32(0.02)
    column = (np.arange(width, dtype=np.float32)[None, :] - np.float32(view.x_px)) / np.float32(view.scale_px)
    stripe = np.float32(1) + np.float32(0.10) * np.sin(column * np.float32(2 * pi / 0.085))
    light = np.clip(np.float32(1.05) - np.float32(0.45) * (column - np.float32(0.5)) ** 2, 0.3, 1.2)
    for plane, value in zip(planes, (0.40, 0.27, 0.14)):
        plane[:] = np.float32(value) * stripe * light * (1 + wall)
    for row in range(7):
        for line in range(17):
            place = (-0.80 + 0.1 * line + 0.05 * (row % 2), -0.46 + 0.1 * row)
            draw_disc(planes, view, place, (0.013, 0.018), (0.36, 0.12, 0.07), strength=0.7)
    draw_polygon(
        planes, view, ((0.22, -0.47), (0.62, -0.47), (0.62, -0.02), (0.22, -0.02)), (0.50, 0.42, 0.30)
    )
    draw_polygon(
        planes, view, ((0.245, -0.45), (0.595, -0.45), (0.595, -0.045), (0.245, -0.045)), (0.95, 1.05, 1.15)
    )
    draw_disc(planes, view, (0.36, -0.12), (0.10, 0.09), (0.42, 0.60, 0.38))
    draw_disc(planes, view, (0.52, -0.09), (0.09, 0.07), (0.36, 0.54, 0.34))
    for bar in (((0.42, -0.45), (0.42, -0.04)), ((0.245, -0.25), (0.595, -0.25))):
        draw_capsule(planes, view, *bar, 0.009, (0.55, 0.46, 0.33))
    for number in range(5):
        for side, start in ((-1, 0.25), (1, 0.59)):
            u = start + side * 0.022 * number
            tint = 0.75 + 0.25 * (number % 2)
            draw_capsule(
                planes,
                view,
                (u, -0.47),
                (u + side * 0.012, -0.02),
                0.016,
                (0.52 * tint, 0.16 * tint, 0.08 * tint),
            )
    draw_polygon(
        planes, view, ((-0.52, -0.40), (-0.28, -0.40), (-0.28, -0.22), (-0.52, -0.22)), (0.22, 0.12, 0.05)
    )
    draw_polygon(
        planes, view, ((-0.50, -0.38), (-0.30, -0.38), (-0.30, -0.24), (-0.50, -0.24)), (0.30, 0.34, 0.32)
    )
    draw_disc(planes, view, (-0.42, -0.27), (0.07, 0.04), (0.16, 0.22, 0.12))


def _birthday_live(planes: Planes, view: View, time_s: float) -> None:
    for number, colour in enumerate(((0.70, 0.08, 0.06), (0.12, 0.26, 0.55), (0.75, 0.55, 0.08))):
        u = -0.62 + 0.13 * number + 0.010 * sin(1.1 * time_s + 2 * number)
        v = -0.10 - 0.07 * (number % 2) + 0.008 * sin(1.6 * time_s + number)
        draw_capsule(planes, view, (u, v + 0.08), (-0.52, 0.28), 0.0025, (0.5, 0.42, 0.3))
        draw_disc(planes, view, (u, v), (0.062, 0.076), colour, shade=0.5)
        draw_disc(planes, view, (u - 0.02, v - 0.028), (0.012, 0.016), (0.85, 0.75, 0.6), strength=0.8)
    sway = 0.012 * sin(1.9 * time_s)
    people: tuple[tuple[float, float, float, Colour, Colour], ...] = (
        (-0.24, -0.02, 0.85, (0.16, 0.34, 0.20), (0.08, 0.04, 0.02)),
        (0.04, 0.03, 0.70, (0.60, 0.52, 0.46), (0.40, 0.24, 0.07)),
        (0.33, 0.00, 0.78, (0.34, 0.12, 0.26), (0.15, 0.07, 0.03)),
    )
    for number, (u, v, size, coat, hair) in enumerate(people):
        lean = sway * (1 if number != 1 else -1.4)
        head = (u + lean, v - 0.005 * abs(sin(3.1 * time_s + number)))
        draw_capsule(
            planes,
            view,
            (u, v + 0.40),
            (u + 0.5 * lean, v + 0.17 * size),
            0.13 * size,
            coat,
            last_radius=0.09 * size,
        )
        draw_capsule(planes, view, (u + 0.6 * lean, v + 0.14 * size), head, 0.03 * size, (0.38, 0.22, 0.13))
        draw_disc(planes, view, (head[0], head[1] - 0.025 * size), (0.088 * size, 0.095 * size), hair)
        draw_disc(
            planes,
            view,
            (head[0], head[1] + 0.012 * size),
            (0.070 * size, 0.088 * size),
            (0.54, 0.31, 0.18),
            shade=0.3,
        )
        for side in (-1, 1):
            draw_disc(
                planes,
                view,
                (head[0] + side * 0.028 * size, head[1]),
                (0.010 * size, 0.008 * size),
                (0.05, 0.03, 0.02),
            )
        draw_capsule(
            planes,
            view,
            (head[0] - 0.022 * size, head[1] + 0.048 * size),
            (head[0] + 0.022 * size, head[1] + 0.048 * size),
            0.006 * size,
            (0.45, 0.10, 0.08),
        )
    apart = 0.045 * (1 + sin(2 * pi * 1.6 * time_s))
    for side in (-1, 1):
        elbow, hand = (-0.24 + side * 0.12, 0.24), (-0.24 + side * (0.012 + apart), 0.155)
        draw_capsule(planes, view, elbow, hand, 0.026, (0.16, 0.34, 0.20))
        draw_disc(planes, view, hand, (0.024, 0.034), (0.54, 0.31, 0.18))
    draw_polygon(planes, view, ((-0.80, 0.27), (0.80, 0.27), (1.1, 0.60), (-1.1, 0.60)), (0.78, 0.66, 0.48))
    draw_polygon(
        planes, view, ((-0.80, 0.265), (0.80, 0.265), (0.80, 0.285), (-0.80, 0.285)), (0.86, 0.74, 0.54)
    )
    _cake(planes, view, time_s)


def _cake(planes: Planes, view: View, time_s: float) -> None:
    """Plates, glasses and a cake whose candles flicker."""
    draw_disc(planes, view, (0.04, 0.395), (0.25, 0.040), (0.62, 0.50, 0.36))
    draw_polygon(planes, view, ((-0.14, 0.26), (0.22, 0.26), (0.22, 0.38), (-0.14, 0.38)), (0.62, 0.36, 0.28))
    draw_disc(planes, view, (0.04, 0.38), (0.18, 0.030), (0.58, 0.33, 0.26))
    draw_disc(planes, view, (0.04, 0.26), (0.18, 0.030), (0.90, 0.76, 0.62))
    for number in range(9):
        u = -0.13 + 0.0425 * number
        draw_disc(planes, view, (u, 0.285 + 0.016 * sin(pi * number / 8)), (0.020, 0.022), (0.90, 0.76, 0.62))
    for number in range(7):
        u, v = -0.09 + 0.043 * number, 0.255 + 0.012 * (number % 2)
        draw_capsule(
            planes, view, (u, v), (u, v - 0.065), 0.006, ((0.20, 0.30, 0.6), (0.75, 0.2, 0.2))[number % 2]
        )
        lean = 0.006 * sin(7.3 * time_s + 1.7 * number) + 0.003 * sin(17.1 * time_s + number)
        tall = 0.020 + 0.004 * sin(11.0 * time_s + 2.3 * number)
        draw_disc(planes, view, (u + lean, v - 0.085), (0.030, 0.040), (1.0, 0.65, 0.25), strength=0.25)
        draw_disc(planes, view, (u + 0.6 * lean, v - 0.085), (0.008, tall), (2.2, 1.7, 0.9), turn=3 * lean)
    for u, colour in ((-0.40, (0.62, 0.30, 0.08)), (0.44, (0.55, 0.10, 0.10))):
        draw_polygon(
            planes,
            view,
            ((u - 0.035, 0.30), (u + 0.035, 0.30), (u + 0.028, 0.42), (u - 0.028, 0.42)),
            (0.70, 0.62, 0.50),
        )
        draw_polygon(
            planes, view, ((u - 0.030, 0.34), (u + 0.030, 0.34), (u + 0.025, 0.41), (u - 0.025, 0.41)), colour
        )


def _road_far(planes: Planes, view: View, seed: int) -> None:
    _sky(planes, view, 0.02, clouds=2, seed=seed)
    for number in range(7):
        place = (-0.8 + 0.38 * number, 0.06)
        green = 0.20 + 0.02 * (number % 3)
        draw_disc(
            planes, view, place, (0.42, 0.12 + 0.05 * (number % 2)), (0.17, green, 0.19 - 0.02 * (number % 2))
        )


def _road_near(planes: Planes, view: View, seed: int) -> None:
    _ground(planes, view, 0.02, (0.30, 0.33, 0.10), (0.17, 0.24, 0.06), seed=seed + 5, rough=0.2)
    for number in range(8):
        u = -0.75 + 0.31 * number + 0.05 * (number % 3)
        draw_capsule(planes, view, (u, 0.02), (u, 0.14), 0.011, (0.14, 0.09, 0.05))
        size = 0.085 + 0.02 * (number % 3)
        _foliage(
            planes,
            view,
            (u - size, -0.20 - 0.03 * (number % 2), u + size, 0.06),
            (0.13, 0.23, 0.06),
            90,
            seed + number,
        )
    draw_polygon(planes, view, ((-1.2, 0.175), (2.2, 0.175), (2.2, 0.385), (-1.2, 0.385)), (0.26, 0.25, 0.24))
    draw_polygon(planes, view, ((-1.2, 0.170), (2.2, 0.170), (2.2, 0.182), (-1.2, 0.182)), (0.55, 0.52, 0.46))
    draw_polygon(planes, view, ((-1.2, 0.380), (2.2, 0.380), (2.2, 0.395), (-1.2, 0.395)), (0.55, 0.52, 0.46))
    for number in range(14):
        u = -1.0 + 0.2 * number
        draw_polygon(
            planes, view, ((u, 0.272), (u + 0.1, 0.272), (u + 0.1, 0.281), (u, 0.281)), (0.80, 0.78, 0.70)
        )


def _road_live(planes: Planes, view: View, time_s: float) -> None:
    _car(
        planes,
        view,
        (-0.45 + 0.24 * time_s, 0.335 + 0.002 * sin(9 * time_s)),
        0.40,
        time_s,
        (0.62, 0.66, 0.20),
        1.0,
    )
    _car(planes, view, (1.5 - 0.34 * time_s, 0.232), 0.33, time_s, (0.58, 0.09, 0.07), -1.0)
    _figure(
        planes,
        view,
        (0.78, 0.44),
        0.36,
        time_s,
        walking=False,
        waving=True,
        coat=(0.45, 0.42, 0.38),
        legs=(0.12, 0.10, 0.09),
        hair=(0.5, 0.5, 0.48),
        facing=-1.0,
    )


def _road_front(planes: Planes, view: View) -> None:
    """Fence in front, nearer than the road and so moving faster."""
    for number in range(9):
        u = -1.0 + 0.32 * number
        draw_capsule(planes, view, (u, 0.40), (u, 0.60), 0.016, (0.30, 0.22, 0.14))
    for v in (0.44, 0.49):
        draw_capsule(planes, view, (-1.2, v), (2.4, v), 0.007, (0.34, 0.26, 0.17))


def _car(
    planes: Planes,
    view: View,
    place: tuple[float, float],
    long: float,
    time_s: float,
    paint: Colour,
    way: float,
) -> None:
    """A saloon car; `place` is the road under its middle."""
    u, v = place

    def at(x: float, y: float) -> tuple[float, float]:
        return u + way * x * long, v - y * long

    def face(*corners: tuple[float, float], colour: Colour) -> None:
        draw_polygon(planes, view, tuple(at(*corner) for corner in corners), colour)

    draw_disc(
        planes, view, (u, v + 0.01 * long), (0.52 * long, 0.045 * long), (0.03, 0.03, 0.03), strength=0.75
    )
    face((-0.24, 0.44), (0.12, 0.44), (0.26, 0.27), (-0.36, 0.27), colour=paint)
    face((-0.21, 0.415), (-0.06, 0.415), (-0.06, 0.29), (-0.30, 0.29), colour=(0.08, 0.12, 0.15))
    face((-0.04, 0.415), (0.10, 0.415), (0.21, 0.29), (-0.04, 0.29), colour=(0.10, 0.14, 0.17))
    draw_capsule(planes, view, at(-0.42, 0.20), at(0.42, 0.19), 0.085 * long, paint)
    draw_capsule(planes, view, at(-0.46, 0.125), at(0.47, 0.12), 0.018 * long, (0.55, 0.55, 0.53))
    draw_capsule(planes, view, at(-0.40, 0.25), at(0.40, 0.245), 0.008 * long, (0.85, 0.85, 0.8))
    draw_disc(planes, view, at(0.48, 0.21), (0.025 * long, 0.032 * long), (0.9, 0.88, 0.75))
    draw_disc(planes, view, at(0.0, 0.34), (0.035 * long, 0.045 * long), _SKIN)
    for x in (-0.27, 0.27):
        hub = at(x, 0.09)
        draw_disc(planes, view, hub, (0.095 * long, 0.095 * long), (0.03, 0.03, 0.03))
        draw_disc(planes, view, hub, (0.055 * long, 0.055 * long), (0.45, 0.45, 0.44))
        turn = 2 * pi * 1.6 * time_s * way
        for spoke in range(3):
            angle = turn + spoke * 2 * pi / 3
            rim = hub[0] + 0.045 * long * cos(angle), hub[1] + 0.045 * long * sin(angle)
            draw_capsule(planes, view, hub, rim, 0.008 * long, (0.12, 0.12, 0.12))


def _clapper(planes: Planes, view: View, until_s: float) -> None:
    """A clapper board in front of the lens: shut, and its lamp lit, where `until_s` is 0."""
    if not -1.1 < until_s < 1.4:
        return
    rise = 0.5 * _ease((until_s - 1.1) / 0.3) + 0.5 * _ease((-until_s - 0.8) / 0.3)
    u, v = 0.34, 0.14 + rise
    arm_from, arm_to = (u + 0.26, v + 0.50), (u + 0.13, v + 0.20)
    draw_capsule(planes, view, arm_from, arm_to, 0.055, (0.22, 0.18, 0.26), last_radius=0.042)
    draw_polygon(
        planes,
        view,
        ((u - 0.20, v), (u + 0.16, v), (u + 0.16, v + 0.24), (u - 0.20, v + 0.24)),
        (0.035, 0.035, 0.04),
    )
    for row, long in enumerate((0.26, 0.20, 0.23)):
        draw_capsule(
            planes,
            view,
            (u - 0.16, v + 0.07 + 0.055 * row),
            (u - 0.16 + long, v + 0.07 + 0.055 * row),
            0.006,
            (0.7, 0.7, 0.66),
        )
    angle = 0.42 * min(1.0, max(0.0, until_s / 0.16))
    c, s = cos(angle), sin(angle)

    def on_stick(along: float, up: float) -> tuple[float, float]:
        return u - 0.20 + along * c - up * s, v - along * s - up * c

    for number in range(6):
        colour: Colour = (0.80, 0.80, 0.76) if number % 2 else (0.03, 0.03, 0.03)
        x0, x1, lean = 0.06 * number, 0.06 * (number + 1), 0.012
        left, right = u - 0.20 + x0, u - 0.20 + x1
        draw_polygon(planes, view, ((left, v), (right, v), (right, v + 0.04), (left, v + 0.04)), colour)
        stick = (
            on_stick(x0 + lean, 0.042),
            on_stick(x1 + lean, 0.042),
            on_stick(x1, 0.0),
            on_stick(x0, 0.0),
        )
        draw_polygon(planes, view, stick, colour)
    draw_disc(planes, view, arm_to, (0.05, 0.04), _SKIN, shade=0.3)
    lit = abs(until_s) < 0.015
    lamp: Colour = (2.6, 2.4, 1.9) if lit else (0.10, 0.08, 0.06)
    if lit:
        draw_disc(planes, view, (u + 0.10, v + 0.17), (0.11, 0.11), (1.2, 1.1, 0.8), strength=0.35)
    draw_disc(planes, view, (u + 0.10, v + 0.17), (0.032, 0.032), lamp)


_STILL: dict[tuple[SceneKind, int], Callable[[Planes, View, int], None]] = {
    ("garden", 0): _garden_still,
    ("sea", 0): _sea_still,
    ("birthday", 0): _birthday_still,
    ("road", 0): _road_far,
    ("road", 1): _road_near,
}
_LIVE: dict[SceneKind, Callable[[Planes, View, float], None]] = {
    "garden": _garden_live,
    "sea": _sea_live,
    "birthday": _birthday_live,
    "road": _road_live,
}
_FAR_SHARE = 0.35  # how much of the camera's move the far hills show
_FRONT_SHARE = 1.5  # and the fence in front


@lru_cache(maxsize=8)
def _still(
    kind: SceneKind, layer: int, scale_px: float, half_width: float, tilt_rad: float, seed: int
) -> tuple[Planes, View]:
    """One layer of a scene's background, kept, and its view; layers after the first carry their cover."""
    left, right = half_width + _MARGIN, half_width + _MARGIN + _PAN[kind]
    size = (int(scale_px * (1 + 2 * _MARGIN)) + 3, int(scale_px * (left + right)) + 3)
    planes = np.zeros((3 if layer == 0 else 4, *size), dtype=np.float32)
    view = View(
        x_px=float(int(scale_px * left) + 1),
        y_px=float(size[0] // 2),
        scale_px=scale_px,
        tilt_rad=tilt_rad,
        soft_px=0.8,
    )
    _STILL[kind, layer](planes, view, seed)
    planes.setflags(write=False)
    return planes, view


def draw_scene(
    kind: SceneKind,
    time_s: float,
    view: View,
    shape: tuple[int, int],
    *,
    half_width: float,
    seed: int,
    clap_s: float | None = None,
) -> Planes:
    """One instant of a scene.

    Parameters
    ----------
    kind : one of SCENE_KINDS
    time_s : float
        Seconds at the camera since the scene began.
    view : View
        Where the gate's middle lies in the result, pixels of one gate height, tilt, blur.
    shape : (int, int)
        Height and width of the result, pixels.
    half_width : float
        Half the gate's width in gate heights.
    seed : int
        Leaves, clouds and grass.
    clap_s : float or None
        Instant at which the clapper closes and its lamp lights.

    Returns
    -------
    array, shape (3, *shape), float32
        Linear light R G B, 0 to about 1; lamps and flames go above.

    Notes
    -----
    Source: definition (drawn; resembles nothing in particular).

    Examples
    --------
    >>> view = View(x_px=40.0, y_px=30.0, scale_px=60.0)
    >>> picture = draw_scene("garden", 0.5, view, (60, 80), half_width=0.68, seed=1)
    >>> picture.shape, bool(picture.min() >= 0)
    ((3, 60, 80), True)
    """
    camera = camera_place(kind, time_s)
    moved = view.moved(-camera[0], -camera[1])
    layers = [number for name, number in _STILL if name == kind]
    planes = np.zeros((3, *shape), dtype=np.float32)
    for layer in layers:
        share = _FAR_SHARE if layer < layers[-1] else 1.0
        place = view.moved(-share * camera[0], -camera[1])
        still, base = _still(kind, layer, round(view.scale_px, 6), round(half_width, 9), view.tilt_rad, seed)
        part = draw_shifted(
            still, base.x_px - place.x_px, base.y_px - place.y_px, shape, sigma_px=view.soft_px
        )
        if layer == 0:
            planes = part
            continue
        planes *= np.float32(1) - part[3]
        planes += part[:3]
    _LIVE[kind](planes, moved, time_s)
    if kind == "road":
        _road_front(planes, view.moved(-_FRONT_SHARE * camera[0], -camera[1]))
    if clap_s is not None:
        _clapper(planes, view, clap_s - time_s)
    return planes
