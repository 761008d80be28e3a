"""Cuts found on drawn sequences: our rule at its fixed threshold against two plain ones at their best.

Run `python benchmarks/scenes.py`. It prints F1 for flicker of 0, 0.1 and 0.2 (standard deviation of ln
light), false cuts and missed cuts. Sequences: pans, hand shake, a fast disc, an object that comes and goes
within one frame, one frame in a hundred flashed, over-exposed first frames, dark scenes, grain.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.scenes import find_scenes, make_proxy, measure_change

SIZE = (144, 192)  # rows, columns of a drawn frame


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """What a drawn sequence holds."""

    flicker: float = 0.0  # standard deviation of ln light from frame to frame
    flash_share: float = 0.01  # single frames three times too bright
    run_up: bool = True  # every third scene begins over-exposed
    objects: bool = True  # an object over a quarter of the picture comes and goes at once
    scenes: int = 21
    lengths: tuple[int, int] = (8, 50)


def draw_shots(kind: Kind, *, seed: int) -> tuple[list[NDArray[np.float32]], list[int]]:
    """Frames of linear light (rows, columns), and the first frame of each scene."""
    random = np.random.default_rng(seed)
    frames: list[NDArray[np.float32]] = []
    starts: list[int] = []
    for number in range(kind.scenes):
        starts.append(len(frames))
        length = int(random.integers(*kind.lengths))
        frames += _draw_scene(random, length, kind, over_exposed=kind.run_up and number % 3 == 2)
    for index in range(len(frames)):
        gain = float(np.exp(random.normal(0.0, kind.flicker))) if kind.flicker else 1.0
        if index not in starts and random.random() < kind.flash_share:
            gain *= 3.0
        grain = random.normal(0.0, 0.06, frames[index].shape)
        frames[index] = np.clip(gain * frames[index] * np.exp(grain), 0.0, 1.0).astype(np.float32)
    return frames, starts


def _draw_scene(
    random: np.random.Generator, length: int, kind: Kind, *, over_exposed: bool
) -> list[NDArray[np.float32]]:
    rows, columns = SIZE
    place = _draw_place(random, rows * 2, columns * 4)
    level = float(np.exp(random.uniform(np.log(0.02), np.log(0.35))))
    velocity = random.uniform(-3, 3) if random.random() < 0.5 else 0.0
    x0 = random.uniform(columns, 2 * columns) - (velocity * length / 2)
    y0 = random.uniform(20, rows - 40)
    shake = np.cumsum(random.normal(0, 0.35, (length, 2)), axis=0)
    radius, speed = random.uniform(8, 18), random.uniform(4, 10) * random.choice([-1, 1])
    disc_y, disc_x = random.uniform(20, rows - 20), random.uniform(0, columns)
    has_disc, disc_light = random.random() < 0.6, level * random.choice([0.15, 3.0])
    patch = range(0)
    if kind.objects and random.random() < 0.3 and length > 24:
        first = int(random.integers(6, length - 14))
        patch = range(first, first + int(random.integers(3, 8)))
    y, x = np.indices(SIZE)
    result = []
    for t in range(length):
        x_first = int(np.clip(round(x0 + velocity * t + shake[t, 0]), 0, place.shape[1] - columns))
        y_first = int(np.clip(round(y0 + shake[t, 1]), 0, place.shape[0] - rows))
        frame = level * place[y_first : y_first + rows, x_first : x_first + columns]
        if has_disc:
            centre = (disc_x + speed * t) % (columns + 60) - 30
            frame = np.where(np.hypot(x - centre, y - disc_y) < radius, disc_light, frame)
        if t in patch:
            frame = frame.copy()
            frame[rows // 2 :, columns // 4 : 3 * columns // 4] = 0.3 * level
        if over_exposed and t < 2:
            frame = frame * (4.0, 1.6)[t]
        result.append(np.asarray(frame, np.float32))
    return result


def _draw_place(random: np.random.Generator, rows: int, columns: int) -> NDArray[np.float64]:
    """A wide view: 1/f texture with a few hard-edged shapes, mean about 1."""
    fy, fx = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
    frequency = np.hypot(fy, fx)
    frequency[0, 0] = 1.0
    spectrum = (random.normal(size=frequency.shape) + 1j * random.normal(size=frequency.shape)) / (
        frequency ** random.uniform(1.2, 1.8)
    )
    spectrum[0, 0] = 0.0
    view = np.fft.irfft2(spectrum, s=(rows, columns))
    view = view / view.std() * random.uniform(0.25, 0.6)
    y, x = np.indices((rows, columns))
    for _ in range(24):
        cy, cx = random.uniform(0, rows), random.uniform(0, columns)
        h, w = random.uniform(8, 60), random.uniform(8, 60)
        view[(np.abs(y - cy) < h) & (np.abs(x - cx) < w)] += random.normal(0, 0.5)
    return np.exp(view - 0.2)


def measure_columns(
    frames: list[NDArray[np.float32]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both columns of change of a drawn sequence."""
    box = (0.0, 0.0, float(SIZE[1]), float(SIZE[0]))
    proxies = [make_proxy(frame, box=box) for frame in frames]
    readings = [
        measure_change(proxy, proxies[t - 1] if t else None, proxies[t - 2] if t > 1 else None)
        for t, proxy in enumerate(proxies)
    ]
    return np.array([r.change for r in readings]), np.array([r.change_skip for r in readings])


def score(found: list[int], truth: list[int]) -> tuple[float, int, int]:
    """F1, false cuts and missed cuts; a cut counts when it is at its very frame."""
    right = len(set(found[1:]) & set(truth[1:]))
    false, missed = len(found) - 1 - right, len(truth) - 1 - right
    return 2 * right / max(2 * right + false + missed, 1), false, missed


def best_by_threshold(series: NDArray[np.float64], truth: list[int]) -> float:
    """Best F1 that any one threshold reaches, chosen with the truth in hand."""
    levels = np.unique(np.quantile(series, np.linspace(0.5, 1.0, 400)))
    return max(score([0, *(np.flatnonzero(series > level)).tolist()], truth)[0] for level in levels)


def mean_difference(frames: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    """Plain mean absolute difference of display values from the frame before."""
    shown = [frame ** (1 / 2.4) for frame in frames]
    return np.array([0.0, *(float(np.abs(b - a).mean()) for a, b in pairwise(shown))])


def histogram_difference(frames: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    """Chi-square distance of 64-bin histograms of display values."""
    bins = [np.histogram(f ** (1 / 2.4), 64, (0, 1))[0].astype(float) for f in frames]
    return np.array(
        [0.0, *(float((np.square(b - a) / np.maximum(a + b, 1)).sum()) for a, b in pairwise(bins))]
    )


def main() -> None:
    """Print the table."""
    print("flicker  frames cuts   ours F1 false missed   mean difference  histogram chi-square (best F1)")
    for flicker in (0.0, 0.1, 0.2):
        totals, plain, histogram, count, cuts = [], [], [], 0, 0
        for seed in range(4):
            frames, truth = draw_shots(Kind(flicker=flicker), seed=seed)
            change, skip = measure_columns(frames)
            totals.append(score(find_scenes(change, skip).tolist(), truth))
            plain.append(best_by_threshold(mean_difference(frames), truth))
            histogram.append(best_by_threshold(histogram_difference(frames), truth))
            count, cuts = count + len(frames), cuts + len(truth) - 1
        false, missed = sum(t[1] for t in totals), sum(t[2] for t in totals)
        right = cuts - missed
        print(
            f"{flicker:7.1f} {count:7d} {cuts:4d} {2 * right / (2 * right + false + missed):9.3f} "
            f"{false:5d} {missed:6d} {np.mean(plain):17.2f} {np.mean(histogram):21.2f}"
        )


if __name__ == "__main__":
    main()
