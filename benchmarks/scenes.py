"""Cuts found on drawn sequences and moving pictures: our rule at its fixed threshold against three plain ones at their best.

Run `python -m benchmarks.scenes`. It prints F1 for flicker of 0, 0.1 and 0.2 (standard deviation of ln
light), false cuts and missed cuts. *drawn*: pans, hand shake, a fast disc, an object that comes and goes
within one frame, one frame in a hundred flashed, over-exposed first frames, dark scenes, grain. *moving*:
photographs and an invented family's films with snow, rain, confetti, sparklers, birds, a ball, a flag, pans,
with the same flashes, starts, darkness and grain, and fades out and in. *splices*: drawn film, whole
reels, each with two splices and three cuts made in camera; whatever says "splice" at a cut is wrong.

FFmpeg's `scdet` sees the same frames as 8-bit display values; its score for each frame is kept, so that one
threshold can be chosen with the truth in hand, and its own default of 10 is shown too.
"""

import re
import subprocess
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchmarks.moving_pictures import CLEAN_KINDS, PHOTOGRAPHS, moving_scene
from smallgauge.picture.loading import measure_picture_light
from smallgauge.picture.scene_marks import SHORTEST, find_bright_ends, find_faded
from smallgauge.picture.scenes import find_scenes, make_proxy, measure_change
from smallgauge.picture.synthetic_scenes import SCENE_KINDS, draw_scene
from smallgauge.picture.synthetic_shapes import View

SIZE = (144, 192)  # rows, columns of a drawn frame
FADE_FRAMES = 12  # of a fade out, and of the fade in that follows
BLACKEST = 0.003  # of a scene's light, at the bottom of a fade: density 2.5
FADED = 0.1  # of a scene's light: a cut anywhere below it is the same cut, for every method


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
    _expose(random, frames, starts, kind)
    return frames, starts


def _expose(
    random: np.random.Generator, frames: list[NDArray[np.float32]], starts: list[int], kind: Kind
) -> None:
    """Flicker, flashes and grain upon every frame, in place."""
    for index in range(len(frames)):
        gain = float(np.exp(random.normal(0.0, kind.flicker))) if kind.flicker else 1.0
        if index not in starts and random.random() < kind.flash_share:
            gain *= 3.0
        grain = random.normal(0.0, 0.06, frames[index].shape)
        frames[index] = np.clip(gain * frames[index] * np.exp(grain), 0.0, 1.0).astype(np.float32)


def draw_moving(
    kind: Kind, *, seed: int
) -> tuple[list[NDArray[np.float32]], list[int], dict[int, tuple[int, int]]]:
    """Frames (rows, columns) of photographs and drawn films that move; first frames; and the dark of each fade.

    Neighbours never show the same photograph or film. The third answer gives, for a scene that begins in a fade, the
    frames [first, stop) darker than a tenth of their scene.
    """
    random = np.random.default_rng(1000 + seed)
    frames: list[NDArray[np.float32]] = []
    starts: list[int] = []
    dark: dict[int, tuple[int, int]] = {}
    shown, faded_out = "", False
    for number in range(kind.scenes):
        starts.append(len(frames))
        length = int(random.integers(*kind.lengths))
        shown, scene = _moving_scene(random, length, shown)
        level = float(np.exp(random.uniform(np.log(0.06), np.log(1.0))))
        gains = np.full(length, level)
        if kind.run_up and number % 3 == 2:
            gains[:2] *= (4.0, 1.6)
        falls = number % 7 == 3 and length > 2 * FADE_FRAMES
        ramp = np.geomspace(1.0, BLACKEST, FADE_FRAMES)
        if faded_out:
            gains[: min(FADE_FRAMES, length)] = level * ramp[::-1][:length]
            reach = int(np.count_nonzero(ramp < FADED))
            dark[starts[-1]] = (starts[-1] - reach, starts[-1] + min(reach, length))
        if falls:
            gains[-FADE_FRAMES:] *= ramp
        frames += [np.asarray(gain * frame, np.float32) for gain, frame in zip(gains, scene, strict=True)]
        faded_out = falls
    _expose(random, frames, starts, kind)
    return frames, starts, dark


def _moving_scene(
    random: np.random.Generator, length: int, before: str
) -> tuple[str, list[NDArray[np.float32]]]:
    """What is shown (never what was shown before), and its frames as one plane of light."""
    while True:
        if random.random() < 0.35:
            film = SCENE_KINDS[int(random.integers(len(SCENE_KINDS)))]
            if film == before:
                continue
            begins, stock = random.uniform(0.0, 6.0), int(random.integers(4))
            view = View(x_px=SIZE[1] / 2 - 0.5, y_px=SIZE[0] / 2 - 0.5, scale_px=float(SIZE[0]))
            return film, [
                draw_scene(film, begins + t / 18, view, SIZE, half_width=0.68, seed=stock).mean(axis=0)
                for t in range(length)
            ]
        name = ("pan", "still", "fast", *CLEAN_KINDS)[int(random.integers(3 + len(CLEAN_KINDS)))]
        seed = int(random.integers(1 << 30))
        first_choice = np.random.default_rng([seed, sum(map(ord, name))])  # as moving_scene chooses
        photograph = PHOTOGRAPHS[int(first_choice.integers(len(PHOTOGRAPHS)))]
        if photograph != before:
            return photograph, [
                frame.mean(axis=2) for frame in moving_scene(name, length, height=SIZE[0], seed=seed)
            ]


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


def measure_light(frames: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    """Mean ln light of each frame, as the frame table has it."""
    box = (0.0, 0.0, float(SIZE[1]), float(SIZE[0]))
    return np.array([measure_picture_light(make_proxy(frame, box=box)).picture_light for frame in frames])


def score(
    found: list[int], truth: list[int], dark: dict[int, tuple[int, int]] | None = None
) -> tuple[float, int, int]:
    """F1, false cuts and missed cuts; a cut counts when it is at its very frame, or within the dark of its fade."""
    right, left = 0, set(found[1:])
    for start in truth[1:]:
        first, stop = (dark or {}).get(start, (start, start + 1))
        hit = next((frame for frame in sorted(left) if first <= frame < stop), None)
        if hit is not None:
            left.discard(hit)
            right += 1
    false, missed = len(left), len(truth) - 1 - right
    return 2 * right / max(2 * right + false + missed, 1), false, missed


def best_by_threshold(
    series: NDArray[np.float64], truth: list[int], dark: dict[int, tuple[int, int]] | None = None
) -> float:
    """Best F1 that any one threshold reaches, chosen with the truth in hand."""
    levels = np.unique(np.quantile(series, np.linspace(0.5, 1.0, 400)))
    return max(score([0, *(np.flatnonzero(series > level)).tolist()], truth, dark)[0] for level in levels)


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


def scdet_scores(frames: list[NDArray[np.float32]]) -> NDArray[np.float64]:
    """FFmpeg's scene change score (0 to 100) of each frame, of 8-bit display values."""
    shown = b"".join(np.rint(255 * frame ** (1 / 2.4)).astype(np.uint8).tobytes() for frame in frames)
    answer = subprocess.run(
        ["ffmpeg", "-hide_banner", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "gray",
         "-s", f"{SIZE[1]}x{SIZE[0]}", "-r", "18", "-i", "pipe:0",
         "-vf", "scdet=threshold=0,metadata=print:key=lavfi.scd.score:file=-", "-f", "null", "-"],
        input=shown, stdout=subprocess.PIPE, check=True,
    ).stdout.decode()  # fmt: skip
    scores = np.zeros(len(frames))
    for number, value in re.findall(r"frame:(\d+)[^\n]*\nlavfi\.scd\.score=([\d.]+)", answer):
        scores[int(number)] = float(value)
    return scores


@dataclass(slots=True)
class _Total:
    frames: int = 0
    cuts: int = 0
    false: int = 0
    missed: int = 0

    def f1(self) -> float:
        right = self.cuts - self.missed
        return 2 * right / max(2 * right + self.false + self.missed, 1)


def compare_scenes(source: str, flicker: float, seeds: range) -> str:
    """One row of the table."""
    ours = _Total()
    plain: dict[str, list[float]] = {"scdet": [], "scdet at 10": [], "difference": [], "histogram": []}
    for seed in seeds:
        dark: dict[int, tuple[int, int]] = {}
        if source == "drawn":
            frames, truth = draw_shots(Kind(flicker=flicker), seed=seed)
        else:
            frames, truth, dark = draw_moving(Kind(flicker=flicker), seed=seed)
        found = find_scenes(*measure_columns(frames), picture_light=measure_light(frames))
        _, false, missed = score(found.tolist(), truth, dark)
        ours.frames, ours.cuts = ours.frames + len(frames), ours.cuts + len(truth) - 1
        ours.false, ours.missed = ours.false + false, ours.missed + missed
        scores = scdet_scores(frames)
        plain["scdet"].append(best_by_threshold(scores, truth, dark))
        plain["scdet at 10"].append(score([0, *np.flatnonzero(scores >= 10).tolist()], truth, dark)[0])
        plain["difference"].append(best_by_threshold(mean_difference(frames), truth, dark))
        plain["histogram"].append(best_by_threshold(histogram_difference(frames), truth, dark))
    others = " | ".join(f"{np.mean(values):.2f}" for values in plain.values())
    return (
        f"| {source} | {flicker:.1f} | {ours.frames:,} | {ours.cuts} | {ours.f1():.3f} | {ours.false} "
        f"| {ours.missed} | {others} |"
    )


def mark_scenes(source: str, flicker: float, seeds: range) -> str:
    """One row of the table of marks: bright starts of scenes of ten frames or more, and frames of fades, against what was drawn."""
    starts, wrong, drawn, fades, outside = 0, 0, 0, [0, 0], 0
    for seed in seeds:
        dark: dict[int, tuple[int, int]] = {}
        if source == "drawn":
            frames, truth = draw_shots(Kind(flicker=flicker), seed=seed)
        else:
            frames, truth, dark = draw_moving(Kind(flicker=flicker), seed=seed)
        light = measure_light(frames)
        found = find_scenes(*measure_columns(frames), picture_light=light)
        scene = np.searchsorted(found, np.arange(len(frames)), side="right")
        bright, faded = find_bright_ends(light, scene), find_faded(light, scene)
        ends = [*truth[1:], len(frames)]
        run_up = [
            a for n, (a, b) in enumerate(zip(truth, ends, strict=True)) if n % 3 == 2 and b - a >= SHORTEST
        ]
        drawn += len(run_up)
        starts += sum(bool(bright[a]) for a in run_up)
        allowed = {a + k for a in truth[2::3] for k in range(4)} | {
            t for a, b in dark.values() for t in range(a - 12, b + 12)
        }
        wrong += sum(int(t) not in allowed for t in np.flatnonzero(bright))
        in_fade = np.zeros(len(frames), bool)
        for first, stop in dark.values():
            in_fade[first:stop] = True
            fades[0] += bool(faded[first:stop].all())
            fades[1] += 1
        near = np.convolve(in_fade, np.ones(2 * FADE_FRAMES + 1), "same") > 0
        outside += int(np.count_nonzero(faded & ~near))
    return (
        f"| {source} | {flicker:.1f} | {starts} of {drawn} | {wrong} | {fades[0]} of {fades[1]} | {outside} |"
    )


def main() -> None:
    """Print both tables."""
    print(
        "| pictures | flicker | frames | cuts | F1 ours | false | missed | scdet, best | scdet at 10 | mean ",
        end="",
    )
    print(
        "difference, best | histogram, best |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"
    )
    for source in ("drawn", "moving"):
        for flicker in (0.0, 0.1, 0.2):
            print(compare_scenes(source, flicker, range(4)), flush=True)
    print(
        "\n| pictures | flicker | bright starts marked | frames marked wrongly | fades marked | frames outside fades |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for source in ("drawn", "moving"):
        for flicker in (0.0, 0.1, 0.2):
            print(mark_scenes(source, flicker, range(4)), flush=True)


if __name__ == "__main__":
    main()
