"""Drawn scratches with known truth: lines along the film that wander slowly and do not follow the scene.

draw_scratches   a random generator, a width, frames   ->  Scratches
draw_scratched   light of a frame and its scratches    ->  the light behind them

A scratch of the base bends light away: darker, or lighter, in all colours alike. One of the emulsion takes layers away: the light
goes up, in each colour differently. Widths, depths and wander are common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scratches:
    """Lines of a reel.

    `places` (frames, lines): column of each line's middle, px; NaN where it is not on that frame. `widths` (lines), px, a normal
    deviation times two. `gains` (lines, 3): what the light behind the middle is multiplied by. `emulsion` (lines): whether it
    lies in the emulsion.
    """

    places: Floats
    widths: Floats
    gains: Floats
    emulsion: NDArray[np.bool_]


def draw_scratches(
    random: np.random.Generator, width: int, frames: int, count: int, *, scale: float = 1.0
) -> Scratches:
    """Scratches of a run of frames, at random places more than 14 px (times `scale`) apart.

    Examples
    --------
    >>> lines = draw_scratches(np.random.default_rng(1), 480, 6, 3)
    >>> lines.places.shape, bool(np.isfinite(lines.places).all()), lines.gains.shape
    ((6, 3), True, (3, 3))
    """
    steps = np.arange(int((width - 30 * scale) // (14 * scale)))
    first = 15 * scale + 14 * scale * random.choice(steps, count, replace=False) + random.uniform(0, 1, count)
    wander = np.cumsum(random.normal(0, 0.08 * scale, (frames, count)), axis=0)
    emulsion = random.random(count) < 0.4
    sign = np.where(random.random(count) < 0.5, 1.0, -1.0)
    depth = random.uniform(0.12, 0.45, count)
    gains = np.repeat(np.exp(sign * depth)[:, None], 3, axis=1)
    layers = np.array([0.35, 1.0, 0.55]) * random.uniform(0.3, 0.9, count)[:, None]
    gains = np.where(emulsion[:, None], np.exp(layers), gains)
    return Scratches(
        places=(first + wander).astype(np.float32),
        widths=(random.uniform(1.0, 3.0, count) * scale).astype(np.float32),
        gains=gains.astype(np.float32),
        emulsion=emulsion,
    )


def draw_scratched(light: Floats, scratches: Scratches, frame: int) -> Floats:
    """Light (height, width, 3) behind the scratches of one frame.

    Examples
    --------
    >>> lines = draw_scratches(np.random.default_rng(1), 480, 6, 3)
    >>> seen = draw_scratched(np.full((8, 480, 3), 0.2, np.float32), lines, 2)
    >>> seen.shape, int((abs(seen[0, :, 1] - 0.2) > 0.01).sum()) > 5
    ((8, 480, 3), True)
    """
    column = np.arange(light.shape[1], dtype=np.float32)
    out = light.copy()
    for place, width, gain in zip(scratches.places[frame], scratches.widths, scratches.gains, strict=True):
        if np.isfinite(place):
            cover = np.exp(-0.5 * ((column - place) / (0.5 * width)) ** 2)
            out *= np.exp(cover[:, None] * np.log(gain)[None, :])[None].astype(np.float32)
    return out
