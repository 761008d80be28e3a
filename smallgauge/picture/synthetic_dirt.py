"""Drawn dirt with known truth: specks, fibres and holes in the emulsion, each on one frame only.

draw_specks     a random generator and a shape  ->  Specks: cover, labels
draw_dirty      light and specks                ->  light behind them

Dirt that lies on the film is dark in a positive: it takes light away. Where emulsion is missing, light is added. Edges are soft by
what a scanner does to them. Sizes, shapes and opacities are common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Specks:
    """What lies on one frame.

    `cover` (height, width) from -1 to 1: above 0 the share of light that is taken away, below 0 the share of the way to clear
    film. `labels` (height, width): number of the speck from 1 where it covers more than a tenth, else 0.
    """

    cover: Floats
    labels: NDArray[np.int32]

    @property
    def count(self) -> int:
        """Specks drawn."""
        return int(self.labels.max(initial=0))


def draw_specks(
    random: np.random.Generator,
    shape: tuple[int, int],
    count: int,
    *,
    scale: float = 1.0,
    light_share: float = 0.2,
    fibre_share: float = 0.15,
    soft_px: float = 0.8,
    faintest: float = 0.35,
) -> Specks:
    """Specks of one frame at random places.

    `scale` multiplies sizes: 1 draws specks of 2 to 9 px across and fibres of 12 to 50 px. `light_share` of them are
    holes in the emulsion, `fibre_share` fibres.

    Examples
    --------
    >>> specks = draw_specks(np.random.default_rng(1), (60, 80), 3)
    >>> specks.count, specks.cover.shape, bool(np.abs(specks.cover).max() <= 1)
    (3, (60, 80), True)
    """
    import cv2

    cover = np.zeros(shape, np.float32)
    labels = np.zeros(shape, np.int32)
    for number in range(1, count + 1):
        y, x = random.uniform(2, shape[0] - 2), random.uniform(2, shape[1] - 2)
        one = np.zeros(shape, np.uint8)
        if random.uniform() < fibre_share:
            _fibre(one, random, x, y, scale)
        else:
            _speck(one, random, x, y, scale)
        soft = cv2.GaussianBlur(one.astype(np.float32) / 255, (0, 0), soft_px)
        strength = random.uniform(faintest, 1.0)
        sign = -1.0 if random.uniform() < light_share else 1.0
        free = labels == 0
        seen = (soft * strength > 0.1) & free
        if not seen.any():
            soft[:] = 0.0
            at = min(shape[0] - 1, int(y)), min(shape[1] - 1, int(x))
            soft[at] = 1.0
            seen[at] = True
        labels[seen] = number
        cover = np.where(
            soft * strength > np.abs(cover), np.float32(sign) * soft * np.float32(strength), cover
        )
    return Specks(cover=np.asarray(cover, np.float32), labels=labels)


def _speck(one: NDArray[np.uint8], random: np.random.Generator, x: float, y: float, scale: float) -> None:
    """An uneven polygon around a place."""
    import cv2

    radius = scale * (1.0 + 3.5 * random.uniform() ** 2)
    angles = np.sort(random.uniform(0, 2 * np.pi, 9))
    far = radius * random.uniform(0.6, 1.25, 9)
    stretch = random.uniform(0.5, 1.0)
    points = np.stack([x + far * np.cos(angles), y + stretch * far * np.sin(angles)], axis=1)
    cv2.fillPoly(one, [np.round(points * 16).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=4)


def _fibre(one: NDArray[np.uint8], random: np.random.Generator, x: float, y: float, scale: float) -> None:
    """A bent thread from a place."""
    import cv2

    angle, bend = random.uniform(0, 2 * np.pi), random.uniform(-0.3, 0.3)
    step = scale * random.uniform(1.2, 5.0)
    points = [(x, y)]
    for _ in range(10):
        x, y = x + step * np.cos(angle), y + step * np.sin(angle)
        angle += bend
        points.append((x, y))
    thick = max(1, round(1.2 * scale))
    line = np.round(np.array(points) * 16).astype(np.int32)
    cv2.polylines(one, [line], isClosed=False, color=255, thickness=thick, lineType=cv2.LINE_AA, shift=4)


def draw_dirty(light: Floats, specks: Specks, *, clear: float = 0.9) -> Floats:
    """Light (height, width) or (height, width, 3) as it comes through a frame with specks.

    Examples
    --------
    >>> bare = Specks(cover=np.array([[0.0, 0.5, -1.0]], np.float32), labels=np.array([[0, 1, 2]], np.int32))
    >>> draw_dirty(np.full((1, 3), 0.4, np.float32), bare).round(2).tolist()
    [[0.4000000059604645, 0.20000000298023224, 0.8999999761581421]]
    """
    cover = specks.cover if light.ndim == 2 else specks.cover[..., None]
    dark = light * (1.0 - np.maximum(cover, 0.0))
    return np.asarray(dark + (np.float32(clear) - dark) * np.maximum(-cover, 0.0), np.float32)
