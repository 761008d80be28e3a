"""For tests of sound: something like speech with all that makes speech hard, and measures of what is left of it."""

import numpy as np

# First four resonances of vowels, Hz: rounded from memory, not checked; only their look matters.
VOWELS = ((730, 1090, 2440, 3500), (530, 1840, 2480, 3600), (270, 2290, 3010, 3700), (570, 840, 2410, 3400),
          (300, 870, 2240, 3300))  # fmt: skip


def spoken(seconds, rate, *, seed=1):
    """Syllables of glottal pulses through resonances, fricatives and plosive bursts, with pauses; rms 0.1 about."""
    from scipy.signal import butter, lfilter, sosfilt

    random = np.random.Generator(np.random.SFC64(seed))
    out = np.zeros(round(seconds * rate))
    at, number = 0.15, 0
    while at < seconds - 0.5:
        length = random.uniform(0.12, 0.3)
        n = round(length * rate)
        t = np.arange(n) / rate
        pitch = (
            random.uniform(95, 190)
            * (1 + random.uniform(-0.2, 0.15) * t / length)
            * (1 + 0.01 * np.sin(30 * t))
        )
        turns = np.cumsum(pitch) / rate
        pulses = np.zeros(n)
        pulses[1:][np.diff(np.floor(turns)) > 0] = 1.0
        voice = lfilter([1.0], [1.0, -1.6, 0.64], pulses)  # a glottis falls 12 dB an octave
        voice = np.diff(voice + 0.02 * random.standard_normal(n), prepend=0.0)
        for hz, width in zip(VOWELS[random.integers(len(VOWELS))], (60, 90, 120, 180), strict=True):
            r = np.exp(-np.pi * width / rate)
            voice = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * hz / rate), r * r], voice)
        voice *= np.minimum(1, np.minimum(t, length - t) / 0.03)
        place = round(at * rate)
        out[place : place + n] += voice * random.uniform(0.5, 1.0) / (np.std(voice) + 1e-12)
        kind = random.integers(3)
        if kind == 0:  # a fricative before the next syllable
            m = round(0.09 * rate)
            band = butter(2, [2500, min(7000, 0.45 * rate)], "bandpass", fs=rate, output="sos")
            noise = sosfilt(band, random.standard_normal(m)) * np.hanning(m)
            out[place + n : place + n + m] += 0.5 * noise / np.std(noise)
            at += 0.09
        elif kind == 1:  # a plosive: silence, a burst that dies away in 10 ms
            m = round(0.03 * rate)
            burst = (
                random.standard_normal(m)
                * np.exp(-np.arange(m) / (0.006 * rate))
                * np.minimum(1, np.arange(m) / (0.001 * rate))
            )
            out[place + n + m : place + n + 2 * m] += 0.6 * burst
            at += 0.07
        at += length + (random.uniform(0.4, 0.9) if number % 6 == 5 else random.uniform(0.0, 0.05))
        number += 1
    return 0.1 * out / np.std(out)


def decibels(power):
    return 10 * np.log10(power + 1e-30)


def si_sdr(heard, true):
    """Scale-invariant ratio of signal to distortion, decibels (Le Roux et al. 2019)."""
    scaled = true * (heard @ true) / (true @ true)
    return decibels(np.sum(scaled**2) / np.sum((heard - scaled) ** 2))


def stoi(heard, true, rate):
    """Short-time objective intelligibility after Taal et al. 2011; from memory, not checked against another one."""
    from scipy.signal import resample_poly

    x, y = (resample_poly(s, 10_000, rate, window=("kaiser", 10.0)) for s in (true, heard))
    frames_x, frames_y = (
        np.lib.stride_tricks.sliding_window_view(s, 256)[::128] * np.hanning(258)[1:-1] for s in (x, y)
    )
    energy = decibels(np.sum(frames_x**2, axis=1))
    loud = energy > energy.max() - 40
    power_x, power_y = (np.abs(np.fft.rfft(f[loud], 512)) ** 2 for f in (frames_x, frames_y))
    hz = np.fft.rfftfreq(512, 1e-4)
    centres = 150 * 2 ** (np.arange(15) / 3)
    bands = np.array([(hz >= c / 2 ** (1 / 6)) & (hz < c * 2 ** (1 / 6)) for c in centres], dtype=float)
    x, y = np.sqrt(power_x @ bands.T), np.sqrt(power_y @ bands.T)
    scores = []
    for last in range(30, len(x) + 1):
        a, b = x[last - 30 : last], y[last - 30 : last]
        b = np.minimum(
            b * np.sqrt(np.sum(a**2, axis=0) / (np.sum(b**2, axis=0) + 1e-30)), a * (1 + 10 ** (15 / 20))
        )
        a, b = a - a.mean(axis=0), b - b.mean(axis=0)
        scores.append(np.sum(a * b, axis=0) / (np.linalg.norm(a, axis=0) * np.linalg.norm(b, axis=0) + 1e-30))
    return float(np.mean(scores))
