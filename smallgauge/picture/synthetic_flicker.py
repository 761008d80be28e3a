"""Drawn scenes in light, and flicker laid over them, with the truth known.

draw_plain_scene  what is in view, length     ->  natural logarithm of light of each frame, without flicker
draw_flicker      how much of each kind       ->  terms of each frame
draw_flickered    clean frames, terms         ->  light of each frame, with grain, clipped; and without either

Pictures are textures with hard-edged shapes, panned, shaken, with a disc that crosses. Whole reels of film flicker through
`synthetic.ReelTruth`, where exposure goes through the film's own curve.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Planes = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainScene:
    """What a drawn scene holds; speeds in px a frame, None draws one by chance."""

    frames: int = 45
    size: tuple[int, int] = (144, 192)  # rows, columns
    pan: float | None = None
    shake: float = 0.35  # rms of a step, px
    disc: bool = True
    light: float | None = None  # of the middle tone


def draw_plain_scene(random: np.random.Generator, scene: PlainScene) -> list[Planes]:
    """Natural logarithm of light, (rows, columns, 3), of each frame.

    Examples
    --------
    >>> frames = draw_plain_scene(np.random.default_rng(1), PlainScene(frames=2, size=(48, 64)))
    >>> len(frames), frames[0].shape
    (2, (48, 64, 3))
    """
    import cv2

    rows, columns = scene.size
    view = _draw_view(random, rows * 2, columns * 4)
    light = float(np.exp(random.uniform(np.log(0.03), np.log(0.2)))) if scene.light is None else scene.light
    pan = float(random.uniform(-3, 3)) if scene.pan is None else scene.pan
    start = 1.5 * columns - pan * scene.frames / 2
    shake = np.cumsum(random.normal(0, scene.shake, (scene.frames, 2)), axis=0) if scene.shake else None
    y, x = np.indices(scene.size).astype(np.float32)
    radius, speed = random.uniform(0.07, 0.15) * rows, random.uniform(3, 7) * random.choice([-1, 1])
    disc_y, disc_x = random.uniform(0.2, 0.8) * rows, random.uniform(0, columns)
    disc = random.choice([-1.5, 1.0])
    frames = []
    for t in range(scene.frames):
        dx, dy = (0.0, 0.0) if shake is None else shake[t]
        place = np.array([[1, 0, start + pan * t + dx], [0, 1, 0.5 * rows + dy]], np.float32)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        seen = cv2.warpAffine(view, place, (columns, rows), flags=flags, borderMode=cv2.BORDER_REFLECT)
        if scene.disc:
            centre = (disc_x + speed * t) % (columns + 60) - 30
            cover = np.clip(radius - np.hypot(x - centre, y - disc_y) + 0.5, 0, 1)[..., None]
            seen = seen * (1 - cover) + disc * cover
        frames.append(np.asarray(seen + np.log(light), np.float32))
    return frames


def _draw_view(random: np.random.Generator, rows: int, columns: int) -> Planes:
    """A wide view, three channels that mostly agree, mean 0: 1/f texture with hard-edged shapes."""
    fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
    frequency = np.hypot(fy, fx)
    frequency[0, 0] = 1.0
    power = random.uniform(1.2, 1.8)
    textures = []
    for _ in range(4):
        spectrum = random.normal(size=frequency.shape) + 1j * random.normal(size=frequency.shape)
        spectrum /= frequency**power
        spectrum[0, 0] = 0.0
        texture = np.fft.irfft2(spectrum, s=(rows, columns))
        textures.append(texture / texture.std())
    strength = random.uniform(0.35, 0.7)
    view = np.stack([strength * (0.9 * textures[0] + 0.4 * own) for own in textures[1:]], axis=2)
    y, x = np.indices((rows, columns))
    for _ in range(30):
        cy, cx = random.uniform(0, rows), random.uniform(0, columns)
        h, w = random.uniform(0.05, 0.4) * rows / 2, random.uniform(0.05, 0.4) * rows / 2
        inside = (np.abs(y - cy) < h) & (np.abs(x - cx) < w)
        view[inside] += random.normal(0, 0.6) + random.normal(0, 0.2, 3)
    return view.astype(np.float32)


def draw_flicker(
    random: np.random.Generator,
    frames: int,
    *,
    level: float = 0.1,
    surface: float = 0.0,
    contrast: float = 0.0,
) -> Floats:
    """White flicker: terms (frames, 7) of 1, x, y, xx, xy, yy and contrast, natural logarithm, rms as given.

    Examples
    --------
    >>> draw_flicker(np.random.default_rng(1), 5).shape
    (5, 7)
    """
    scale = np.array([level, *(surface,) * 5, contrast])
    return np.asarray(random.normal(0, 1, (frames, 7)) * scale, np.float64)


def draw_flickered(
    random: np.random.Generator,
    frames: list[Planes],
    terms: Floats,
    *,
    middle: float = -2.0,
    grain: float = 0.06,
    most: float = 0.9,
) -> tuple[list[Planes], list[Planes]]:
    """Frames with flicker: light as scanned, with grain and clipped at `most`; and its logarithm without either.

    `middle` is the logarithm of light about which contrast turns.

    Examples
    --------
    >>> clean = [np.full((4, 6, 3), -1.0, np.float32)]
    >>> scanned, flickered = draw_flickered(np.random.default_rng(1), clean, np.array([[0.1] + [0.0] * 6]), grain=0.0)
    >>> round(float(flickered[0][0, 0, 0]), 3)
    -0.9
    """
    scanned, flickered = [], []
    for clean, term in zip(frames, terms, strict=True):
        rows, columns = clean.shape[:2]
        x = ((2 * np.arange(columns) + 1) / columns - 1)[None, :]
        y = ((2 * np.arange(rows) + 1) / rows - 1)[:, None]
        spatial = term[0] + term[1] * x + term[2] * y + term[3] * x * x + term[4] * x * y + term[5] * y * y
        now = (clean + spatial[..., None] + term[6] * (clean - middle)).astype(np.float32)
        flickered.append(now)
        seen = now + random.normal(0, grain, now.shape) if grain else now
        scanned.append(np.clip(np.exp(seen), 0, most).astype(np.float32))
    return scanned, flickered
