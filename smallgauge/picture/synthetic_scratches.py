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
    lies in the emulsion. `spans` (lines, 2): the share of the frame's height at which each begins and ends.
    """

    places: Floats
    widths: Floats
    gains: Floats
    emulsion: NDArray[np.bool_]
    spans: Floats


def draw_scratches(
    random: np.random.Generator,
    width: int,
    frames: int,
    count: int,
    *,
    scale: float = 1.0,
    broken: float = 0.0,
) -> Scratches:
    """Scratches of a run of frames, at random places more than 14 px (times `scale`) apart.

    A share `broken` of them covers only 0.65 to 0.95 of the frame's height, and another one only 0.6 to 0.9 of the frames.

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
    places, spans = first + wander, np.tile(np.array([0.0, 1.0]), (count, 1))
    if broken:
        cut = random.random(count) < broken
        length, start = random.uniform(0.65, 0.95, count), random.random(count)
        spans[cut] = np.stack([start * (1 - length), start * (1 - length) + length], axis=1)[cut]
        late, share, begins = (
            random.random(count) < broken,
            random.uniform(0.6, 0.9, count),
            random.random(count),
        )
        for line in np.flatnonzero(late):
            begin = round(begins[line] * (1 - share[line]) * frames)
            places[:begin, line] = places[begin + round(share[line] * frames) :, line] = np.nan
    return Scratches(
        places=places.astype(np.float32),
        widths=(random.uniform(1.0, 3.0, count) * scale).astype(np.float32),
        gains=gains.astype(np.float32),
        emulsion=emulsion,
        spans=spans.astype(np.float32),
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
    lines = zip(scratches.places[frame], scratches.widths, scratches.gains, scratches.spans, strict=True)
    for place, width, gain, (begin, stop) in lines:
        if np.isfinite(place):
            cover = np.exp(-0.5 * ((column - place) / (0.5 * width)) ** 2)
            part = slice(round(float(begin) * len(light)), round(float(stop) * len(light)))
            out[part] *= np.exp(cover[:, None] * np.log(gain)[None, :])[None].astype(np.float32)
    return out
