"""The own position-driven sinc beside general resamplers, in one run on one machine.

Two tables. *Map*: a tone read along a map that drifts and wows (0.9 + 2 % + 0.4 % at 1.1 Hz, 48 kHz); error
against the tone itself, known analytically at every position. *Constant ratio*: the same tones at 8/9, and
what is left of a captured tone that lies above half the finished rate when the sound is sped up by 1.5.
Run: `python benchmarks/sound.py [--json]`.
"""

import argparse
import json
import time
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.sound import speed
from smallgauge.sound.speed import SoundMap, apply_sound_map, in_sample_at, read_array

Floats = NDArray[np.float64]
RATE = 48000
SECONDS = 6.0
TONES_HZ = (1000, 5000, 10000, 15000, 18000)
SPEED_UP = 1.5
BLOCK = 48  # captured samples after which libsamplerate is given another ratio


def tone(hz: float, samples: int) -> Floats:
    return np.asarray(0.5 * np.sin(2 * np.pi * hz / RATE * np.arange(samples)))


def wandering_map(samples: int) -> SoundMap:
    """0.9 captured samples a finished sample, drifting by 2 %, with 0.4 % wow at 1.1 Hz."""
    m = np.linspace(0.0, samples, 2000)
    s = m / RATE
    length = samples / RATE
    slope = 0.9 + 0.02 * s / length + 0.004 * np.sin(2 * np.pi * 1.1 * s)
    place = 0.9 * s + 0.01 * s**2 / length - 0.004 / (2 * np.pi * 1.1) * np.cos(2 * np.pi * 1.1 * s)
    return SoundMap(
        out_sample=m,
        in_sample=(place - place[0]) * RATE + 500.0,
        slope=slope,
        gain=np.ones(2000),
        out_samples=samples,
    )


def steady_map(slope: float, samples: int) -> SoundMap:
    ends = np.array([0.0, float(samples)])
    return SoundMap(
        out_sample=ends, in_sample=slope * ends, slope=np.full(2, slope), gain=np.ones(2), out_samples=samples
    )


def own(x: Floats, knots: SoundMap) -> Floats:
    return np.asarray(apply_sound_map(read_array(x), knots, first=0, stop=knots.out_samples)[:, 0])


def linear(x: Floats, knots: SoundMap) -> Floats:
    q = in_sample_at(knots, np.arange(knots.out_samples))[0]
    return np.asarray(np.interp(q, np.arange(len(x)), x))


def cubic_spline(x: Floats, knots: SoundMap) -> Floats:
    from scipy.interpolate import CubicSpline

    q = in_sample_at(knots, np.arange(knots.out_samples))[0]
    return np.asarray(CubicSpline(np.arange(len(x)), x)(q))


def soxr_quality(quality: str) -> Callable[[Floats, SoundMap], Floats]:
    import soxr

    def resample(x: Floats, knots: SoundMap) -> Floats:  # constant ratio only
        ratio = Fraction(float(knots.slope[0])).limit_denominator(1000)
        got = soxr.resample(x, ratio.numerator, ratio.denominator, quality=quality)
        return np.asarray(got)[: knots.out_samples]

    return resample


def libsamplerate(converter: str) -> Callable[[Floats, SoundMap], Floats]:
    """libsamplerate, driven by its ratio: once for a steady map, else anew every 48 captured samples (1 ms).

    It follows no map, only a speed, so the wanted speed at the middle of each block is what it is given. It begins at
    the map's first place, as a whole sample, and no delay is taken out.
    """
    import samplerate

    def resample(x: Floats, knots: SoundMap) -> Floats:
        slope = knots.slope
        if np.ptp(slope) == 0.0:
            return np.asarray(samplerate.resample(x, 1.0 / float(slope[0]), converter))[: knots.out_samples]
        first = int(knots.in_sample[0])
        machine = samplerate.Resampler(converter)
        parts = []
        for begin in range(first, len(x), BLOCK):
            middle = begin + BLOCK / 2
            ratio = 1.0 / float(np.interp(middle, knots.in_sample, slope))
            parts.append(
                machine.process(x[begin : begin + BLOCK], ratio, end_of_input=begin + BLOCK >= len(x))
            )
        return np.concatenate(parts)[: knots.out_samples]

    return resample


def polyphase(window: Any) -> Callable[[Floats, SoundMap], Floats]:
    from scipy.signal import resample_poly

    def resample(x: Floats, knots: SoundMap) -> Floats:  # constant ratio only
        ratio = Fraction(float(knots.slope[0])).limit_denominator(1000)
        return np.asarray(resample_poly(x, ratio.denominator, ratio.numerator, window=window))

    return resample


def snr_db(got: Floats, hz: float, knots: SoundMap) -> float:
    """Tone over error against the tone itself, gain included, 0.1 s away from both ends."""
    edge = RATE // 10
    q = in_sample_at(knots, np.arange(len(got)))[0][edge:-edge]
    want = 0.5 * np.sin(2 * np.pi * hz / RATE * q)
    rest = got[edge:-edge]
    return float(10 * np.log10((want @ want) / ((rest - want) @ (rest - want))))


def timed(method: Callable[[Floats, SoundMap], Floats], x: Floats, knots: SoundMap) -> tuple[Floats, float]:
    method(x[:4800], steady_map(float(knots.slope[0]), 1000))  # compile and plan first
    began = time.perf_counter()
    got = method(x, knots)
    return got, knots.out_samples / RATE / (time.perf_counter() - began)


def alias_db(method: Callable[[Floats, SoundMap], Floats], hz: float) -> float:
    """What a captured tone above half the finished rate leaves, against the tone."""
    x = tone(hz, int(SECONDS * RATE))
    got = method(x, steady_map(SPEED_UP, int(SECONDS * RATE / SPEED_UP) - 10))
    edge = RATE // 10
    return float(10 * np.log10(np.mean(got[edge:-edge] ** 2) / 0.125))


def measure() -> list[dict[str, Any]]:
    samples = int(SECONDS * RATE)
    # The map begins at a whole captured sample, so that a method that follows ratios alone may begin there too.
    wandering, steady = wandering_map(samples), steady_map(8 / 9, samples)
    mapped: dict[str, Callable[[Floats, SoundMap], Floats]] = {
        "own sinc": own,
        "np.interp": linear,
        "scipy CubicSpline": cubic_spline,
        "libsamplerate, best": libsamplerate("sinc_best"),
    }
    constant = mapped | {
        "libsamplerate, medium": libsamplerate("sinc_medium"),
        "soxr HQ": soxr_quality("HQ"),
        "soxr VHQ": soxr_quality("VHQ"),
        "scipy resample_poly, default window": polyphase(("kaiser", 5.0)),
        "scipy resample_poly, Kaiser 12": polyphase(("kaiser", 12.0)),
    }
    rows = []
    for kind, methods, knots in (("map", mapped, wandering), ("constant 8/9", constant, steady)):
        for name, method in methods.items():
            row: dict[str, Any] = {"table": kind, "method": name}
            speeds = []
            for hz in TONES_HZ:
                got, times = timed(method, tone(hz, samples + 1000), knots)
                row[f"{hz} Hz"] = round(snr_db(got, hz, knots), 1)
                speeds.append(times)
            if kind != "map":
                folding = [RATE / 2 / SPEED_UP * share for share in (1.07, 1.2, 1.4)]
                row["alias dB"] = round(max(alias_db(method, hz) for hz in folding), 1)
            row["x real time"] = round(max(speeds))
            rows.append(row)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    rows = measure()
    if parser.parse_args().json:
        print(json.dumps(rows, indent=1))
        return
    print(f"own sinc: {speed.HALF_WIDTH=} {speed.BETA=} {speed.BAND_EDGE=} {speed.TABLE_STEPS=}")
    for row in rows:
        print(
            "  ".join(
                f"{key} {value}" if key not in ("table", "method") else f"{value:14}"
                for key, value in row.items()
            )
        )


if __name__ == "__main__":
    main()
