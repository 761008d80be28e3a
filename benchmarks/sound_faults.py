"""Faults of the sound beside general-purpose baselines, on drawn sound with known truth, in one run.

Hum: eight lines about 51.8 Hz that wander by 0.15 Hz, in drawn speech; ours, and combs of notch filters at the mean
frequency (scipy.signal.iirnotch, forwards and backwards). Flutter: 0.5 % weighted at the camera, told by hum in speech or a
pilot; nothing general takes it out. Clicks: twenty bursts of white noise; ours, our filling at the known places, and a
median filter (scipy.signal.medfilt) over the whole sound. Thumps of splices, in speech: ours, and a high-pass at 120 Hz.
Run: `python -m benchmarks.sound_faults [hum | flutter | clicks | thumps]`.
"""

import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, filtfilt, iirnotch, medfilt, sosfiltfilt

from smallgauge.sound.clicks import Click, apply_click_repair, find_clicks
from smallgauge.sound.comb import find_comb
from smallgauge.sound.flutter import measure_flutter, solve_flutter_map
from smallgauge.sound.hum_removal import find_chain_hum, without_hum
from smallgauge.sound.speed import SoundMap, apply_sound_map, read_array, solve_film_time, solve_sound_map
from smallgauge.sound.synthetic import TrackTruth, draw_track, heard_at_camera
from smallgauge.sound.thumps import apply_thump_repair, find_thumps

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "sound"))
from hearing import decibels, si_sdr, spoken, stoi

Floats = NDArray[np.float64]
RATE, SECONDS = 16_000, 24
T = np.arange(SECONDS * RATE) / RATE
INNER = slice(RATE, -RATE)
SEEDS = (1, 2, 3)


def table(head: tuple[str, ...], rows: Iterable[tuple[object, ...]]) -> None:
    """A Markdown table to the screen, a row as soon as it is there."""
    print("| " + " | ".join(head) + " |\n|" + " --- |" * len(head))
    for row in rows:
        print("| " + " | ".join(str(cell) for cell in row) + " |", flush=True)
    print()


def spread(values: list[float], decimals: int = 1) -> str:
    """Least, middle and most of some values."""
    told = sorted(values)
    return " / ".join(f"{told[n]:.{decimals}f}" for n in (0, len(told) // 2, -1))


def drawn_hum() -> Floats:
    turns = np.cumsum(51.8 + 0.15 * np.sin(2 * np.pi * T / 17)) / RATE
    wave = sum(np.cos(2 * np.pi * k * turns + k * k) / k for k in range(1, 9))
    return np.asarray(0.1 * wave / np.std(wave))


def notched(samples: Floats, quality: float) -> Floats:
    for k in range(1, 9):
        samples = np.asarray(filtfilt(*iirnotch(51.8 * k, quality, RATE), samples))
    return samples


def followed(samples: Floats) -> Floats:
    comb = find_chain_hum(read_array(samples), in_samples=len(samples), sound_rate=RATE, hz=51.8)
    return without_hum(read_array(samples), comb, sound_rate=RATE)(0, len(samples))[:, 0]


def hum_rows() -> Iterable[tuple[object, ...]]:
    hiss = 0.001 * np.random.Generator(np.random.SFC64(3)).standard_normal(len(T))
    ways: dict[str, Callable[[Floats], Floats]] = {
        "followed lines (ours)": followed,
        "notch comb, Q 30": lambda x: notched(x, 30.0),
        "notch comb, Q 100": lambda x: notched(x, 100.0),
        "left": lambda x: x,
    }
    for level in (0, -10, -20, -30):
        hum = drawn_hum() * 10 ** (level / 20)
        for name, way in ways.items():
            down, near, plain = [], [], []
            for seed in SEEDS:
                speech = spoken(SECONDS, RATE, seed=seed)
                heard = way(speech + hum + hiss)
                # what a linear filter leaves of the hum alone; ours is not linear: hum less what was taken
                left = way(hum) if name.startswith("notch") else heard - speech - hiss
                down.append(-float(decibels(np.sum(left[INNER] ** 2) / np.sum(hum[INNER] ** 2))))
                near.append(float(si_sdr(heard[INNER], speech[INNER])))
                plain.append(stoi(heard, speech, RATE))
            yield level, name, spread(down), spread(near), spread(plain, 4)


HUM_RMS = float(np.sqrt((1 + 0.25 + 0.09 + 0.01) / 2))  # of the drawn hum at level 1
TRUTH = TrackTruth(
    camera_rate=Fraction(18),
    ahead_frames=18.0,
    head_offset_frames=0.0,
    sample_rate=RATE,
    chain_hum_level=0.0,
    film_hum_level=0.0,
    hiss_level=0.001,
    content="speech",
    flutter=((0.9, 0.0022), (4.0, 0.0037), (9.0, 0.0011), (18.0, 0.0011)),
)
WIDE = tuple(
    (hz, 0.00103) for hz in (0.69, 0.70, 0.71, 1.26, 1.48, 2.0, 2.2, 2.4, 3.0, 4.7, 7.6, 7.7, 8.6, 10.1, 12.9)
)


def scan(time_s: Floats) -> Floats:
    return np.asarray(14.0 * time_s + 0.6 * np.sin(0.5 * time_s))


def flutter_rows() -> Iterable[tuple[object, ...]]:
    fine = np.arange(0, 31, 0.001)
    positions = np.arange(int(scan(np.array(30.0))) - 1)
    times = np.interp(positions, scan(fine), fine)
    knots = solve_sound_map(
        solve_film_time(times, positions),
        camera_rate=Fraction(18),
        shift_frames=18.0,
        sound_rate=RATE,
        out_rate=RATE,
        out_samples=20 * RATE,
    )

    def captured(truth: TrackTruth) -> Floats:
        return draw_track(truth, scan, start_s=0.0, samples=30 * RATE)

    def heard(truth: TrackTruth, which: SoundMap) -> float:
        tone = replace(
            truth, content="tone", tone_hz=3150.0, hiss_level=0.0, film_hum_level=0.0, pilot_level=0.0
        )
        sound = apply_sound_map(read_array(captured(tone)[:, :1]), which, first=0, stop=which.out_samples)
        found = measure_flutter(read_array(sound), sound_rate=RATE, first=2 * RATE, stop=19 * RATE)
        return 100 * found.weighted_peak

    speech = float(np.sqrt(np.mean(heard_at_camera(TRUTH, np.arange(20 * RATE) / RATE) ** 2)))
    cases = [(f"hum {level} dB", replace(TRUTH, film_hum_level=speech / HUM_RMS * 10 ** (level / 20)), 50 / 18, 10)
             for level in (-10, -15, -20, -25, -30)]  # fmt: skip
    pilot = replace(TRUTH, second_track=True, second_gain=0.02, pilot_hz=60.0, pilot_level=0.1)
    for kind, flutter in (("four tones", TRUTH.flutter), ("fifteen tones", WIDE)):
        for name, truth, cycles, orders in [*cases, ("pilot 60 Hz", pilot, 60 / 18, 1)]:
            before, after, told = [], [], []
            for seed in SEEDS[:2]:
                own = replace(truth, seed=seed, flutter=flutter)
                comb = find_comb(
                    read_array(captured(own)[:, -1:]),
                    in_samples=30 * RATE,
                    sound_rate=RATE,
                    frame_times_s=times,
                    film_positions=positions,
                    cycles_a_frame=cycles,
                    orders=orders,
                )
                assert comb is not None
                moved = solve_flutter_map(
                    knots,
                    in_sample=comb.in_sample,
                    displacement=comb.displacement,
                    speed=comb.speed,
                    camera_rate=Fraction(18),
                    out_rate=RATE,
                )
                before.append(heard(own, knots))
                after.append(heard(own, moved))
                told.append(comb.followed)
            yield (
                kind,
                name,
                f"{np.mean(before):.2f}",
                f"{min(after):.3f} to {max(after):.3f}",
                "yes" if all(told) else "no",
            )


def click_rows() -> Iterable[tuple[object, ...]]:
    rate, seconds = 48_000, 10
    for milliseconds in (1, 3, 6):
        found, false = 0, 0
        gaps: dict[str, list[float]] = {"ours": [], "known place": [], "median": [], "left": []}
        whole: dict[str, list[float]] = {name: [] for name in gaps}
        for seed in (1, 2, 3, 4, 5):
            random = np.random.Generator(np.random.SFC64(seed + 50))
            speech = spoken(seconds, rate, seed=seed)
            speech += 0.001 * random.standard_normal(len(speech))
            samples, places = speech.copy(), []
            length = round(milliseconds * rate / 1000)
            for number in range(20):
                first = round((0.3 + number * 0.47) * rate) + int(random.integers(rate // 20))
                samples[first : first + length] += 0.18 * random.standard_normal(length)
                places.append((first, first + length))
            clicks = find_clicks(read_array(samples), in_samples=len(samples), sound_rate=rate)
            hit = [(a, b) for a, b in places if any(c.first < b and c.stop > a for c in clicks)]
            found += len(hit)
            false += sum(not any(c.first < b and c.stop > a for a, b in places) for c in clicks)
            known = [Click(track=0, first=a, stop=b, strength=20.0, expected=False) for a, b in places]
            for name, heard in (
                ("ours", apply_click_repair(read_array(samples), clicks, sound_rate=rate)(0, len(samples))[:, 0]),
                ("known place", apply_click_repair(read_array(samples), known, sound_rate=rate)(0, len(samples))[:, 0]),
                ("median", medfilt(samples, 2 * length + 1)),
                ("left", samples),
            ):  # fmt: skip
                off = heard - speech
                gaps[name] += [
                    float(decibels(np.sum(speech[a:b] ** 2) / np.sum(off[a:b] ** 2))) for a, b in hit
                ]
                whole[name].append(float(si_sdr(heard, speech)))
        told = [f"{np.mean(gaps[name]):.1f} ({np.mean(whole[name]):.1f})" for name in gaps]
        yield (f"{milliseconds} ms", f"{found} of 100", false, *told)


def thump_rows() -> Iterable[tuple[object, ...]]:
    rate, seconds = 32_000, 12
    t = np.arange(seconds * rate) / rate
    places = np.array([0.9, 2.35, 3.9, 5.2, 6.75, 8.1, 9.6, 10.9])
    high = butter(4, 120, "highpass", fs=rate, output="sos")
    for level in (0.15, 0.3, 0.6):
        found, false, worse = 0, 0, 0
        ours, passed = [], []
        for seed in range(1, 7):
            clean = spoken(seconds, rate, seed=seed) + 0.01 * np.sin(2 * np.pi * 50 * t)
            samples = clean.copy()
            for place in places:
                y = np.maximum(t - place, 0)
                rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(y / 0.004, 0, 1))
                samples += level * rise * np.exp(-y / 0.009) * np.sin(2 * np.pi * 95 * y)
            thumps = find_thumps(
                read_array(samples), in_samples=len(t), sound_rate=rate, expected=(places * rate).tolist()
            )
            elsewhere = (np.arange(0.8, 11.2, 0.13) * rate).tolist()
            false += len(
                find_thumps(read_array(clean), in_samples=len(t), sound_rate=rate, expected=elsewhere)
            )
            heard = apply_thump_repair(read_array(samples), thumps, sound_rate=rate)(0, len(t))[:, 0]
            filtered = sosfiltfilt(high, samples)
            for place in places:
                if not any(c.first / rate < place + 0.03 and c.stop / rate > place for c in thumps):
                    continue
                found += 1
                part = slice(round((place - 0.05) * rate), round((place + 0.15) * rate))
                before = np.sum((samples - clean)[part] ** 2)
                ours.append(float(decibels(np.sum((heard - clean)[part] ** 2) / before)))
                passed.append(float(decibels(np.sum((filtered - clean)[part] ** 2) / before)))
                worse += ours[-1] > 0
        yield level, f"{found} of 48", f"{false} of 480", spread(ours), spread(passed), worse


def main(names: list[str]) -> None:
    """Print the tables named, or all."""
    if not names or "hum" in names:
        head = ("hum to speech, dB", "way", "hum down, dB", "SI-SDR of the speech, dB", "STOI of the speech")
        table(head, hum_rows())
    if not names or "flutter" in names:
        table(("flutter", "told by", "weighted in, %", "left, %", "told"), flutter_rows())
    if not names or "clicks" in names:
        head = (
            "clicks",
            "found",
            "false",
            "ours, dB in the gaps (SI-SDR of all)",
            "known place",
            "median filter",
            "left",
        )
        table(head, click_rows())
    if not names or "thumps" in names:
        head = ("peak of the thump", "found", "false", "ours, dB", "high-pass 120 Hz, dB", "made worse")
        table(head, thump_rows())


if __name__ == "__main__":
    main([name for name in sys.argv[1:] if not name.startswith("-")])
