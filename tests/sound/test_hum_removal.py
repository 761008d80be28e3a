"""Hum taken out: 30 dB down, the speech nearer to its truth than before, and nothing of it in what was taken."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hearing import decibels, si_sdr, spoken, stoi

from smallgauge.sound.comb import find_comb
from smallgauge.sound.hum_removal import apply_hum_removal, find_chain_hum
from smallgauge.sound.speed import read_array

RATE = 16_000
SECONDS = 24
T = np.arange(SECONDS * RATE) / RATE
INNER = slice(RATE, -RATE)


def drifting_hum():
    """Eight harmonics about 51.8 Hz that wanders by 0.15 Hz: the sound reference's case; rms 0.1."""
    turns = np.cumsum(51.8 + 0.15 * np.sin(2 * np.pi * T / 17)) / RATE
    hum = sum(np.cos(2 * np.pi * k * turns + k * k) / k for k in range(1, 9))
    return 0.1 * hum / np.std(hum)


def hiss(seed=3):
    return 0.001 * np.random.Generator(np.random.SFC64(seed)).standard_normal(len(T))


def without(samples, comb):
    return apply_hum_removal(
        read_array(samples), sound_rate=RATE, in_sample=comb.in_sample, turns=comb.turns,
        line_sample=comb.line_sample, lines=comb.lines,
    )  # fmt: skip


def chain(samples, hz=51.8):
    return find_chain_hum(read_array(samples), in_samples=len(samples), sound_rate=RATE, hz=hz)


def envelopes_alike(null, speech):
    """Largest correlation, over octave bands, of 20 ms envelopes: of speech that is still in the null."""
    best = 0.0
    for low in (150, 300, 600, 1200, 2400):
        rows = []
        for x in (null, speech):
            spectra = np.fft.rfft(x[: len(x) // 320 * 320].reshape(-1, 320) * np.hanning(320), axis=1)
            hz = np.fft.rfftfreq(320, 1 / RATE)
            rows.append(
                np.log10(np.sum(np.abs(spectra[:, (hz >= low) & (hz < 2 * low)]) ** 2, axis=1) + 1e-12)
            )
        best = max(best, float(np.corrcoef(rows)[0, 1]))
    return best


@pytest.mark.parametrize(("level_db", "down_db"), [(0, 40), (-10, 38), (-20, 29)])
def test_hum_goes_down_and_the_speech_stays(level_db, down_db):
    speech, hum = spoken(SECONDS, RATE), drifting_hum() * 10 ** (level_db / 20)
    samples = speech + hum + hiss()
    heard = without(samples, chain(samples))(0, len(samples))[:, 0]
    null = samples - heard
    assert decibels(np.sum((null - hum)[INNER] ** 2) / np.sum(hum[INNER] ** 2)) < -down_db
    assert si_sdr(heard[INNER], speech[INNER]) > si_sdr(samples[INNER], speech[INNER]) + 4
    assert stoi(heard, speech, RATE) > stoi(samples, speech, RATE)
    # Nothing of the speech is in what was taken: it is no more like speech than the hum itself is.
    assert envelopes_alike(null + hiss(9), speech) < 0.25
    assert stoi(null + hiss(9), speech, RATE) < stoi(hum + hiss(9), speech, RATE) + 0.03


def test_hum_in_a_quiet_passage_goes_down_by_50_db():
    samples = drifting_hum() + hiss()
    left = without(samples, chain(samples))(0, len(samples))[:, 0] - hiss()
    assert decibels(np.mean(left[INNER] ** 2) / 0.01) < -50


@pytest.mark.parametrize("seed", [1, 2])
def test_sound_without_hum_passes_bit_for_bit(seed):
    samples = spoken(12, RATE, seed=seed) + hiss()[: 12 * RATE]
    reader = read_array(samples)
    comb = chain(samples, 50.0)
    assert not comb.lines.any()
    assert apply_hum_removal(
        reader, sound_rate=RATE, in_sample=comb.in_sample, turns=comb.turns, line_sample=comb.line_sample,
        lines=comb.lines,
    ) is reader  # fmt: skip


def test_hum_of_the_film_is_followed_through_scan_and_flutter():
    seconds = 20
    t = np.arange(seconds * RATE) / RATE
    x = 14.0 * t + 0.6 * np.sin(0.5 * t)
    recorded_s = x / 18 - 0.004 * np.cos(2 * np.pi * 3 * x / 18) / (2 * np.pi * 3)
    hum = 0.03 * sum(np.cos(2 * np.pi * 50 * k * recorded_s + k) / k for k in (1, 2, 3, 5))
    samples = spoken(seconds, RATE, seed=4) + hum + hiss(5)[: len(t)]
    positions = np.arange(int(x[-1]))
    comb = find_comb(
        read_array(samples), in_samples=len(samples), sound_rate=RATE, frame_times_s=np.interp(positions, x, t),
        film_positions=positions, cycles_a_frame=50 / 18, scan_rate=Fraction(14),
    )  # fmt: skip
    assert comb.followed
    null = samples - without(samples, comb)(0, len(samples))[:, 0]
    assert decibels(np.sum((null - hum)[INNER] ** 2) / np.sum(hum[INNER] ** 2)) < -22


def test_the_bytes_do_not_depend_on_the_blocks():
    samples = 0.02 * drifting_hum()[: 8 * RATE] + hiss()[: 8 * RATE]
    comb = chain(samples)
    whole = without(samples, comb)(0, len(samples))
    again = without(samples, comb)
    edges = [0, 1, 777, 40_000, 40_001, 100_000, len(samples)]
    assert np.array_equal(np.concatenate([again(a, b) for a, b in pairwise(edges)]), whole)


def test_two_tracks_have_their_own_strengths():
    hum = drifting_hum()[: 10 * RATE]
    samples = np.stack([hum, 0.3 * hum], axis=1) + hiss()[: 10 * RATE, None]
    left = without(samples, chain(samples))(2 * RATE, 8 * RATE)
    assert np.std(left, axis=0) == pytest.approx([0.001, 0.001], rel=0.2)
