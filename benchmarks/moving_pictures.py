"""Scenes that move over real photographs, with everything that a careless program takes for dirt.

The photographs come with scikit-image (coffee, chelsea, rocket, gravel; its data folder names their
owners and licences). Light of a white in the sun is 1. Moves are drawn, so that what is true is known.
"""

from collections.abc import Iterator
from functools import lru_cache
from math import cos, pi, sin

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
PHOTOGRAPHS = ("coffee", "chelsea", "rocket", "gravel")
# Softness of lens and emulsion at 360 rows: half the contrast at 30 cycles a millimetre of a 4.5 mm picture; from memory.
SOFT_PX = 0.6
SHARPEST_PX = 0.7  # of a scanner, however small its picture; common practice, no source
CLEAN_KINDS = ("snow", "rain", "confetti", "sparkler", "glitter", "ball", "birds", "flag")


@lru_cache(maxsize=8)
def photograph(name: str) -> Floats:
    """Linear light of a photograph, shape (height, width, 3)."""
    from skimage import data

    picture = getattr(data, name)()
    picture = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
    return np.asarray((picture[..., :3].astype(np.float32) / 255) ** 2.2 * 0.85 + 0.004, np.float32)


def moving_scene(kind: str, frames: int, *, height: int, seed: int) -> Iterator[Floats]:
    """Frames (height, 4/3 height, 3) of a scene in linear light, without grain.

    `kind` is "pan" or "still" (a photograph), "fast" (a pan with a fast ball, a spinning bar and a waving arm), or one of
    CLEAN_KINDS.
    """
    random = np.random.default_rng([seed, sum(map(ord, kind))])
    width, scale = height * 4 // 3, height / 360
    name = PHOTOGRAPHS[int(random.integers(len(PHOTOGRAPHS)))]
    picture = photograph(name)
    speed = {"still": 0.0, "snow": 0.4, "glitter": 0.0, "sparkler": 0.2}.get(
        kind, random.uniform(1.0, 2.5)
    ) * scale
    angle = random.uniform(0, 2 * pi)
    zoom = 1.25 * max(width / picture.shape[1], height / picture.shape[0])
    actors = _Actors(kind, random, height, width)
    for t in range(frames):
        s = zoom * (1 + (0.0015 * t if kind in ("pan", "fast") else 0.0))
        travel = speed * (t - frames / 2)
        shake = (random.normal(0, 0.35 * scale), random.normal(0, 0.35 * scale))
        x = picture.shape[1] * s / 2 - width / 2 + travel * cos(angle) + shake[0]
        y = picture.shape[0] * s / 2 - height / 2 + travel * sin(angle) + shake[1]
        matrix = np.array([[s, 0, -x], [0, s, -y]], np.float64)
        seen = cv2.warpAffine(
            picture, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        drawn = cv2.GaussianBlur(actors.draw(seen, t), (0, 0), max(SHARPEST_PX, SOFT_PX * scale))
        yield np.asarray(np.clip(drawn, 0, 0.95), np.float32)


class _Actors:
    """What moves in front of the photograph."""

    def __init__(self, kind: str, random: np.random.Generator, height: int, width: int) -> None:
        self.kind, self.random, self.height, self.width = kind, random, height, width
        self.scale = height / 360
        count = {"snow": 140, "rain": 90, "confetti": 90, "birds": 7}.get(kind, 0)
        self.place = random.uniform(0, 1, (count, 2)) * (width, height)
        self.size = random.uniform(0.7, 2.2, count) * self.scale
        self.pace = random.uniform(0.7, 1.3, count)
        self.colours = random.uniform(0.05, 0.9, (count, 3))
        self.phase = random.uniform(0, 2 * pi, count)
        self.spots = random.uniform(0, 1, (900, 2))

    def draw(self, seen: Floats, t: int) -> Floats:
        """The frame at `t`, drawn four times as fine in place."""
        draw = getattr(self, f"_{self.kind}", None)
        return draw(seen, t) if draw is not None else seen

    def _lay(self, seen: Floats, cover: NDArray[np.uint8], colour: object, soft: float = 0.8) -> Floats:
        share = cv2.GaussianBlur(cover.astype(np.float32) / 255, (0, 0), soft * self.scale)[..., None]
        return np.asarray(seen * (1 - share) + share * np.asarray(colour, np.float32), np.float32)

    def _sheet(self) -> NDArray[np.uint8]:
        return np.zeros((self.height, self.width), np.uint8)

    def _disc(self, sheet: NDArray[np.uint8], x: float, y: float, radius: float) -> None:
        cv2.circle(sheet, (round(x * 16), round(y * 16)), max(8, round(radius * 16)), 255, -1, cv2.LINE_AA, 4)

    def _line(self, sheet: NDArray[np.uint8], ends: object, thick: float) -> None:
        points = np.round(np.asarray(ends, np.float64) * 16).astype(np.int32)
        cv2.polylines(sheet, [points], False, 255, max(1, round(thick)), cv2.LINE_AA, 4)

    def _fast(self, seen: Floats, t: int) -> Floats:
        s, sheet = self.scale, self._sheet()
        x = (40 + 19 * t) % 520 - 20
        y = 300 - abs(((t * 0.11 + 0.3) % 2) - 1) ** 2 * 0 - 180 * abs(sin(0.21 * t))
        self._disc(sheet, x * s, y * s, 7 * s)
        seen = self._lay(seen, sheet, (0.7, 0.12, 0.08))
        sheet = self._sheet()
        for turn in (0.0, pi / 2):
            a = 0.7 * t + turn
            centre = np.array([360, 90]) * s
            arm = np.array([cos(a), sin(a)]) * 42 * s
            self._line(sheet, [centre - arm, centre + arm], 5 * s)
        seen = self._lay(seen, sheet, (0.05, 0.06, 0.1))
        sheet = self._sheet()
        elbow = np.array([120, 250]) * s
        hand = elbow + np.array([cos(-1.2 + 0.9 * sin(0.9 * t)), sin(-1.2 + 0.9 * sin(0.9 * t))]) * 70 * s
        self._line(sheet, [np.array([110, 340]) * s, elbow, hand], 13 * s)
        self._disc(sheet, hand[0], hand[1], 10 * s)
        for finger in range(4):
            a = -1.2 + 0.9 * sin(0.9 * t) + 0.28 * (finger - 1.5)
            self._line(sheet, [hand, hand + np.array([cos(a), sin(a)]) * 20 * s], 4 * s)
        return self._lay(seen, sheet, (0.5, 0.3, 0.2))

    _ball = _fast

    def _snow(self, seen: Floats, t: int) -> Floats:
        sheet = self._sheet()
        for n, (x, y) in enumerate(self.place):
            fall = y + self.pace[n] * 9 * self.scale * t
            drift = x + 6 * self.scale * sin(0.4 * t + self.phase[n]) + 2 * self.scale * t
            self._disc(sheet, drift % self.width, fall % self.height, self.size[n])
        return self._lay(seen, sheet, (0.85, 0.87, 0.9))

    def _rain(self, seen: Floats, t: int) -> Floats:
        sheet = self._sheet()
        for n in range(len(self.place)):
            x, y = self.random.uniform(0, self.width), self.random.uniform(0, self.height)
            self._line(sheet, [(x, y), (x - 3 * self.scale, y + 22 * self.scale * self.pace[n])], self.scale)
        return self._lay(seen, (sheet * 0.6).astype(np.uint8), (0.7, 0.72, 0.75))

    def _confetti(self, seen: Floats, t: int) -> Floats:
        for n, (x, y) in enumerate(self.place):
            sheet_x = (x + 14 * self.scale * sin(0.35 * t + self.phase[n])) % self.width
            sheet_y = (y + self.pace[n] * 12 * self.scale * t) % self.height
            turn = 0.9 * t * self.pace[n] + self.phase[n]
            half = np.array([[cos(turn), sin(turn)], [-sin(turn) * 0.5, cos(turn) * 0.5]]) * 3.2 * self.scale
            corners = np.array([half[0] + half[1], half[0] - half[1], -half[0] - half[1], -half[0] + half[1]])
            points = np.round((corners + np.array([sheet_x, sheet_y])) * 16).astype(np.int32)
            cv2.fillPoly(seen, [points], tuple(float(c) for c in self.colours[n]), cv2.LINE_AA, 4)
        return np.asarray(seen, np.float32)

    def _sparkler(self, seen: Floats, t: int) -> Floats:
        sheet, s = self._sheet(), self.scale
        centre = np.array([240 + 30 * sin(0.25 * t), 180 + 15 * cos(0.3 * t)]) * s
        for _ in range(60):
            a, near, far = (
                self.random.uniform(0, 2 * pi),
                self.random.uniform(4, 60),
                self.random.uniform(3, 14),
            )
            way = np.array([cos(a), sin(a)]) * s
            self._line(sheet, [centre + way * near, centre + way * (near + far)], s)
        self._disc(sheet, centre[0], centre[1], 6 * s)
        return self._lay(seen * 0.35, sheet, (0.95, 0.85, 0.6), soft=0.6)

    def _glitter(self, seen: Floats, t: int) -> Floats:
        sheet, s = self._sheet(), self.scale
        water = np.sin(self.spots[:, 0] * 91 + t * (0.9 + self.spots[:, 1])) + np.sin(
            self.spots[:, 1] * 57 - 1.3 * t
        )
        for n in np.flatnonzero(water > 1.75):
            x, y = self.spots[n] * (self.width, 0.45 * self.height) + (0, 0.55 * self.height)
            self._line(sheet, [(x - 2 * s, y), (x + 2 * s, y)], 1.3 * s)
        return self._lay(seen, sheet, (0.95, 0.95, 0.9))

    def _birds(self, seen: Floats, t: int) -> Floats:
        sheet, s = self._sheet(), self.scale
        for n, (x, y) in enumerate(self.place):
            at = np.array(
                [(x + 8 * s * t * self.pace[n]) % self.width, 0.6 * y + 5 * s * sin(0.3 * t + self.phase[n])]
            )
            wing = 6 * s * sin(1.9 * t + self.phase[n])
            self._line(sheet, [at + np.array([-7 * s, wing]), at, at + np.array([7 * s, wing])], 2 * s)
        return self._lay(seen, sheet, (0.04, 0.04, 0.05))

    def _flag(self, seen: Floats, t: int) -> Floats:
        s = self.scale
        high, wide = round(110 * s), round(170 * s)
        y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
        wave = (x / wide) * 14 * s * np.sin(x / (16 * s) - 1.1 * t) + (x / wide) * 5 * s * np.sin(
            y / (23 * s) + 0.7 * t
        )
        source = (y + wave) / high
        inside = ((source > 0) & (source < 1))[..., None]
        bands = (source * 9).astype(np.int32) % 2
        checks = ((x / (20 * s)).astype(np.int32) + bands) % 3
        colours = np.array([[0.7, 0.05, 0.06], [0.8, 0.8, 0.78], [0.05, 0.1, 0.5]], np.float32)
        shade = (1 + 0.35 * np.cos(x / (16 * s) - 1.1 * t))[..., None]
        top, left = round(70 * s), round(160 * s)
        part = seen[top : top + high, left : left + wide]
        part[:] = np.where(inside, colours[checks] * shade, part)
        return seen


def with_grain(
    light: Floats, random: np.random.Generator, *, sigma: float = 6 / 255, soft_px: float = 0.6
) -> Floats:
    """Light with grain of the given deviation in display value (power 1/2.4) in the mid-tones, less in black and white."""
    white = random.standard_normal(light.shape[:2], dtype=np.float32)
    grain = cv2.GaussianBlur(white, (0, 0), soft_px) if soft_px else white
    grain = (grain / grain.std())[..., None] * np.float32(0.8)
    own = random.standard_normal(light.shape, dtype=np.float32)
    own = cv2.GaussianBlur(own, (0, 0), soft_px) if soft_px else own
    grain = grain + np.float32(0.6) * own / own.std()
    display = np.clip(light, 0, 1) ** np.float32(1 / 2.4)
    depth = np.float32(sigma) * (0.35 + 2.6 * display * (1 - display))
    return np.asarray(np.clip(display + depth * grain, 0, 1) ** np.float32(2.4), np.float32)
