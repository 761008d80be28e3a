"""Nine frames in a row of a photograph that is panned by parts of a pixel, a subject moving before it, with film's grain.

The photographs come with scikit-image (its data folder names their owners and licences); the others are drawn. Truth
is known: every frame is sampled from a picture at one and a half times the resolution, softened to what the frame can
hold, so that a frame at any place between pixels is as sharp as any other.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
FRAMES, BASE = 9, 4
SOFT_PX = 0.7  # of lens, emulsion and scanner in the frame; common practice, no source
OVER = 1.5  # pixels of the source to one of the frame
EDGE_SLOPE = 0.12  # of the edges on the drawn card against the pixel columns
CARD = 0.13  # half a side of the card, of the source's height


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One row of the benchmark: what is seen, how it moves, and how grainy it is (deviation at mid grey, of 255)."""

    name: str
    picture: str
    grain: float
    grain_px: float = 0.0  # softness of the grain; 0 is noise that differs from pixel to pixel
    pan: tuple[float, float] = (1.3, 0.4)  # px a frame
    jitter: float = 0.3  # px, deviation
    subject_px: float = 12.0  # a frame; 0 for none
    blurred: tuple[int, ...] = ()  # frames that are out of focus
    by_density: bool = False  # grain that grows towards mid grey, as film's does
    turning: float = 0.0  # degrees a frame


CASES = (
    Case(name="astronaut", picture="astronaut", grain=8.0),
    Case(name="astronaut, fine", picture="astronaut", grain=4.0, pan=(0.37, -0.61)),
    Case(name="coffee", picture="coffee", grain=6.0, by_density=True, grain_px=0.5),
    Case(name="chelsea", picture="chelsea", grain=8.0, grain_px=0.7, by_density=True),
    Case(name="rocket", picture="rocket", grain=10.0, pan=(2.3, 0.9), blurred=(2, 5)),
    Case(name="retina", picture="retina", grain=5.0, jitter=0.8),
    Case(name="immunohistochemistry", picture="immunohistochemistry", grain=8.0, by_density=True),
    Case(name="camera", picture="camera", grain=12.0, grain_px=0.5),
    Case(name="coins", picture="coins", grain=8.0, subject_px=7.3, turning=0.15),
    Case(name="moon", picture="moon", grain=5.0, pan=(0.2, 0.1)),
    Case(name="motorcycle", picture="motorcycle", grain=7.0, subject_px=19.0, pan=(4.7, -1.2)),
    Case(name="gravel", picture="gravel", grain=8.0, subject_px=5.1),
    Case(name="drawn garden", picture="drawn garden", grain=8.0, grain_px=0.6, by_density=True),
    Case(name="drawn sea", picture="drawn sea", grain=12.0, grain_px=0.9, by_density=True, blurred=(3,)),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moved:
    """Frames and truth, values 0 to 255; the places that the subject crosses in another frame than the base."""

    frames: tuple[Floats, ...]
    truth: Floats
    grain: Floats  # its deviation in the base frame, by pixel
    crossed: NDArray[np.bool_]
    card: tuple[float, float, float]  # x and y of the card's middle in the base frame, and half its side, px


@lru_cache(maxsize=4)
def source_picture(name: str) -> Floats:
    """A picture at one and a half times the frame's resolution, display values 0 to 255, shape (height, width, 3)."""
    if name.startswith("drawn "):
        from smallgauge.picture.synthetic_scenes import draw_scene
        from smallgauge.picture.synthetic_shapes import View

        high, wide = 640, 860
        view = View(x_px=(wide - 1) / 2, y_px=(high - 1) / 2, scale_px=float(high))
        planes = draw_scene(name[6:], 1.0, view, (high, wide), half_width=wide / high / 2, seed=1)  # type: ignore[arg-type]
        light = np.moveaxis(np.asarray(planes, np.float32), 0, 2)
        return np.asarray(255 * np.clip(light, 0, 1) ** (1 / 2.4), np.float32)
    from skimage import data

    if name == "motorcycle":
        picture = data.stereo_motorcycle()[0]
    else:
        picture = getattr(data, name)()
    picture = picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)
    picture = picture[..., :3].astype(np.float32)
    while min(picture.shape[:2]) > 900:
        picture = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return np.asarray(np.clip(picture, 6, 249), np.float32)


def _place(t: int, case: Case, shake: NDArray[np.float64]) -> tuple[float, float, float]:
    step = t - BASE
    return case.pan[0] * step + shake[t, 0], case.pan[1] * step + shake[t, 1], case.turning * step


def _sampled(source: Floats, move: tuple[float, float, float], height: int, width: int) -> Floats:
    """A frame: the source, softened to what a frame can hold, at a place between pixels."""
    x, y, turn = move
    a = turn * pi / 180
    centre_x, centre_y = (source.shape[1] - 1) / 2, (source.shape[0] - 1) / 2
    matrix = np.array(
        [
            [OVER * cos(a), -OVER * sin(a), 0.0],
            [OVER * sin(a), OVER * cos(a), 0.0],
        ]
    )
    middle = np.array([(width - 1) / 2 - x, (height - 1) / 2 - y])
    matrix[:, 2] = np.array([centre_x, centre_y]) - matrix[:, :2] @ middle
    return np.asarray(
        cv2.warpAffine(
            source,
            matrix,
            (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT_101,
        ),
        np.float32,
    )


def _card(source: Floats) -> tuple[Floats, tuple[float, float]]:
    """The source with a card of four bands, whose three borders are slanted edges; and its middle, px of the source."""
    high, wide = source.shape[:2]
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    cx, cy = 0.72 * wide, 0.3 * high
    half = CARD * high
    side = (x - cx) + EDGE_SLOPE * (y - cy)
    on = (np.abs(y - cy) < half) & (np.abs(side) < half)
    band = np.floor(2 * side / half).astype(int) % 2
    out = source.copy()
    out[on] = np.where(band[on] == 0, 70.0, 190.0)[:, None]
    return out, (cx, cy)


def draw_moved(case: Case, *, seed: int = 9, height: int | None = None) -> Moved:
    """The frames of a case, the same for the same seed; of a smaller picture where a height is given, px."""
    random = np.random.default_rng([seed, *case.name.encode()])
    margin = 14
    picture = source_picture(case.picture)
    if height is not None:
        share = (height + 2 * margin) * OVER / picture.shape[0]
        picture = np.asarray(
            cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.float32
        )
    source, (cx, cy) = _card(picture)
    soft = cv2.GaussianBlur(source, (0, 0), OVER * SOFT_PX)
    softer = cv2.GaussianBlur(source, (0, 0), OVER * 2.2)
    high = int(source.shape[0] / OVER) - 2 * margin
    wide = min(int(source.shape[1] / OVER) - 2 * margin, high * 4 // 3)
    shake = random.normal(0, case.jitter, (FRAMES, 2))
    shake[BASE] = 0
    radius = 0.09 * high
    places = [
        (
            wide * 0.36 + case.subject_px * (t - BASE),
            high * 0.6 + 0.3 * case.subject_px * sin(1.3 * (t - BASE)),
        )
        for t in range(FRAMES)
    ]
    frames, truth, noise = [], None, None
    cover = []
    for t in range(FRAMES):
        clean = _sampled(softer if t in case.blurred else soft, _place(t, case, shake), high, wide)
        if case.subject_px:
            clean, alpha = _with_subject(clean, places[t], radius)
            cover.append(alpha > 0.003)
        deviation = _deviation(clean, case)
        if t == BASE:
            truth, noise = clean, deviation
        frames.append(
            np.asarray(
                np.clip(clean + deviation * _grain(random, clean.shape, case.grain_px), 0, 255), np.float32
            )
        )
    assert truth is not None and noise is not None
    crossed = np.zeros(truth.shape[:2], bool)
    for t, each in enumerate(cover):
        if t != BASE:
            crossed |= each
    left = (cx - (source.shape[1] - 1) / 2) / OVER + (wide - 1) / 2
    top = (cy - (source.shape[0] - 1) / 2) / OVER + (high - 1) / 2
    half = CARD * source.shape[0] / OVER
    return Moved(frames=tuple(frames), truth=truth, grain=noise, crossed=crossed, card=(left, top, half))


def _deviation(clean: Floats, case: Case) -> Floats:
    if not case.by_density:
        return np.full(clean.shape, case.grain, np.float32)
    level = clean / 255
    return np.asarray(case.grain * (0.35 + 2.6 * level * (1 - level)), np.float32)


def _grain(random: np.random.Generator, shape: tuple[int, ...], soft_px: float) -> Floats:
    grain = random.normal(0, 1, shape).astype(np.float32)
    if soft_px:
        grain = cv2.GaussianBlur(grain, (0, 0), soft_px)
        grain /= grain.std()
    return np.asarray(grain, np.float32)


def _with_subject(clean: Floats, place: tuple[float, float], radius: float) -> tuple[Floats, Floats]:
    """A ball with rings before the scene, its rim as soft as the scene."""
    y, x = np.mgrid[0 : clean.shape[0], 0 : clean.shape[1]].astype(np.float32)
    off = np.hypot(x - place[0], y - place[1])
    alpha = np.clip((radius - off) / (1.8 * SOFT_PX) + 0.5, 0, 1).astype(np.float32)
    shade = (150 + 55 * np.cos(off * 0.5) + 25 * np.cos((x - place[0]) * 0.35)).astype(np.float32)
    colour = np.stack([shade, 0.8 * shade, 0.55 * shade], axis=2)
    return np.asarray(clean + alpha[..., None] * (colour - clean), np.float32), alpha
