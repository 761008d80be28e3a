"""Drawn scenes that look like an invented family's home movies, in linear light (1: a white in the sun).

Each scene is a still background, drawn once and kept, moved with the camera by an exact sub-pixel amount,
with what lives in front of it drawn afresh at its own place for every instant. Time is seconds at the
camera, so the same film looks right at one speed only: people walk two steps a second, waves and candles
move as they do. Colours, sizes and movements are common practice, no source.
"""

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

_MARGIN = 0.06  # gate heights of background beyond the gate, for an unsteady hand
_SKIN: Colour = (0.50, 0.30, 0.20)

__all__ = ["SCENE_KINDS", "SceneKind", "camera_place", "draw_scene"]


def camera_place(kind: SceneKind, time_s: float) -> tuple[float, float]:
    """Where the camera looks, gate heights from its first view: the pan of the scene and an unsteady hand.

    Examples
    --------
    >>> camera_place("birthday", 0.0)[0] == camera_place("birthday", 0.0)[0]
    True
    """
    start = {"garden": 0.7, "sea": 2.1, "birthday": 4.0, "road": 5.5}[kind]
    u = 0.006 * sin(2 * pi * 0.43 * time_s + start) + 0.003 * sin(2 * pi * 1.31 * time_s + 2 * start)
    v = 0.005 * sin(2 * pi * 0.37 * time_s + 3 * start) + 0.0025 * sin(2 * pi * 1.57 * time_s + start)
    if kind == "garden":
        u += 0.34 * _ease((time_s - 1.0) / 4.5)
    if kind == "road":
        u += 0.55 * _ease((time_s - 0.4) / 4.0)
    return u, v


def _ease(t: float) -> float:
    t = min(1.0, max(0.0, t))
    return t * t * (3 - 2 * t)


def _pan(kind: SceneKind) -> float:
    return {"garden": 0.34, "sea": 0.0, "birthday": 0.0, "road": 0.55}[kind]


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


@lru_cache(maxsize=6)
def _still(
    kind: SceneKind, scale_px: float, half_width: float, tilt_rad: float, seed: int
) -> tuple[Planes, View]:
    """The background of a scene, kept; and its view."""
    left, right = half_width + _MARGIN, half_width + _MARGIN + _pan(kind)
    size = (int(scale_px * (1 + 2 * _MARGIN)) + 3, int(scale_px * (left + right)) + 3)
    planes = np.zeros((3, *size), dtype=np.float32)
    view = View(
        x_px=float(int(scale_px * left) + 1),
        y_px=float(size[0] // 2),
        scale_px=scale_px,
        tilt_rad=tilt_rad,
        soft_px=0.8,
    )
    {"garden": _garden_still}[kind](planes, view, seed)
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
        Linear light R G B, 0 to about 1.

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
    layer, base = _still(kind, round(view.scale_px, 6), half_width, view.tilt_rad, seed)
    camera = camera_place(kind, time_s)
    moved = view.moved(-camera[0], -camera[1])
    planes = draw_shifted(layer, base.x_px - moved.x_px, base.y_px - moved.y_px, shape, sigma_px=view.soft_px)
    {"garden": _garden_live}[kind](planes, moved, time_s)
    return planes
