"""Loudness against the published test signals, against an independent meter, and the gain of the viewing copies."""

from dataclasses import replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from math import inf, nan

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.sound.loudness import (
    IntegratedMeter,
    LoudnessDecision,
    LoudnessMeter,
    LoudnessReading,
    apply_gain,
    measure_loudness,
    propose_loudness,
    solve_gain,
    weighting,
)

RATE = 48000


def sine(level_db, seconds, *, hz=1000.0, rate=RATE):
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def stereo(*parts):
    both = np.concatenate([sine(level, seconds) for level, seconds in parts])
    return np.stack([both, both], axis=1)


def heard(x, *, rate=RATE, weights=None):
    return measure_loudness([x], rate=rate, channels=x.shape[1], weights=weights)


def ffmpeg(x, *, rate=RATE):
    """What FFmpeg's ebur128 filter reads: integrated, range, largest S and M, true peak in dB."""
    graph = av.filter.Graph()
    source = graph.add_abuffer(format="dbl", sample_rate=rate, layout="stereo", time_base=Fraction(1, rate))
    meter, sink = graph.add("ebur128", "metadata=1:peak=true"), graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    largest = {"S": -inf, "M": -inf}
    for first in range(0, len(x), rate // 10):
        block = np.ascontiguousarray(x[first : first + rate // 10]).reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(block, format="dbl", layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = rate, first, Fraction(1, rate)
        graph.push(frame)
        while True:
            try:
                said = graph.pull().metadata
            except (av.error.BlockingIOError, av.error.EOFError):
                break
            for key in largest:
                largest[key] = max(largest[key], float(said[f"lavfi.r128.{key}"]))
    peak = max(float(said[f"lavfi.r128.true_peaks_ch{channel}"]) for channel in (0, 1))
    return {
        "I": float(said["lavfi.r128.I"]),
        "LRA": float(said["lavfi.r128.LRA"]),
        **largest,
        "peak": 20 * np.log10(peak),
    }


@pytest.mark.parametrize(
    "parts",
    [
        [(-23, 20)],
        [(-33, 20)],
        [(-36, 10), (-23, 60), (-36, 10)],
        [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
        [(-26, 20), (-20, 20.1), (-26, 20)],
    ],
)
def test_integrated_loudness_of_the_published_signals(parts):
    # EBU Tech 3341 table 1, cases 1 to 5 (as transcribed in public test suites): within 0.1 LU.
    x = stereo(*parts)
    wanted = -33.0 if parts == [(-33, 20)] else -23.0
    found = heard(x)
    assert found.integrated_lufs == pytest.approx(wanted, abs=0.1)
    if len(parts) == 1:  # cases 1 and 2 ask the same of the other two scales
        assert found.momentary_max_lufs == pytest.approx(wanted, abs=0.1)
        assert found.short_term_max_lufs == pytest.approx(wanted, abs=0.1)


def test_five_channels_by_their_weights():
    # EBU Tech 3341 table 1, case 6; surrounds weigh 1.41 (BS.1770 table 3, from memory).
    tones = [sine(level, 20) for level in (-28, -28, -24, -30, -30)]
    found = heard(np.stack(tones, axis=1), weights=(1.0, 1.0, 1.0, 1.41, 1.41))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_short_term_and_momentary_of_the_published_signals():
    # EBU Tech 3341 table 1, cases 9 and 12.
    short = heard(stereo(*[(-20, 1.34), (-30, 1.66)] * 5))
    assert short.short_term_max_lufs == pytest.approx(-23.0, abs=0.1)
    quick = heard(stereo(*[(-20, 0.18), (-30, 0.22)] * 25))
    assert quick.momentary_max_lufs == pytest.approx(-23.0, abs=0.1)


def after_silence(level_db, seconds, silence_s):
    """A tone behind so much silence, and a second of silence behind it."""
    tone = np.concatenate([np.zeros(round(silence_s * RATE)), sine(level_db, seconds), np.zeros(RATE)])
    return np.stack([tone, tone], axis=1)


# EBU Tech 3341 table 1, cases 10 and 13 (one level, 20 files) and 11 and 14 (20 levels in one file: here each segment by
# itself, which asks the same of a largest value): within 0.1 LU. Levels and readings as transcribed in public test
# suites; tones of 3 s and 400 ms, beginnings 150 and 20 ms apart from memory, not checked. Cases 7 and 8 are authentic
# programmes, as are cases 5 and 6 of Tech 3342: they can't be made from their description and are not tested.
@pytest.mark.parametrize("segment", range(20))
def test_largest_values_wherever_the_tone_begins(segment):
    for level in (-23.0, segment - 38.0):  # cases 10 and 13, then 11 and 14
        short = heard(after_silence(level, 3.0, 0.150 * segment))
        assert short.short_term_max_lufs == pytest.approx(level, abs=0.1)
        quick = heard(after_silence(level, 0.4, 0.020 * segment))
        assert quick.momentary_max_lufs == pytest.approx(level, abs=0.1)


@pytest.mark.parametrize(
    "parts",
    [
        [(-23, 20)],
        [(-33, 20)],
        pytest.param([(-36, 10), (-23, 60), (-36, 10)], marks=pytest.mark.campaign),
        [(-26, 20), (-20, 20.1), (-26, 20)],
        [(-20, 20), (-30, 20)],
        pytest.param([(-50, 20), (-35, 20), (-20, 20), (-35, 20), (-50, 20)], marks=pytest.mark.campaign),
    ],
)
def test_agrees_with_two_independent_meters_on_the_published_signals(parts):
    # pyloudnorm makes its own filters and reads 0.035 LU low on every one of these signals (measured here: 0.03 to
    # 0.04), FFmpeg's ebur128 is the closer one; each of its own library, at its own precision.
    import pyloudnorm

    x = stereo(*parts)
    found, theirs, meter = heard(x), ffmpeg(x), pyloudnorm.Meter(RATE)
    assert found.integrated_lufs == pytest.approx(theirs["I"], abs=0.05)
    assert found.integrated_lufs == pytest.approx(meter.integrated_loudness(x), abs=0.05)
    assert found.range_lu == pytest.approx(theirs["LRA"], abs=0.1)
    assert found.range_lu == pytest.approx(meter.loudness_range(x), abs=0.1)


@pytest.mark.parametrize("rate", [44100, 48000])
def test_agrees_with_pyloudnorm_on_bursts_of_noise(rate):
    import pyloudnorm

    x = speech_like(rate)
    assert heard(x, rate=rate).integrated_lufs == pytest.approx(
        pyloudnorm.Meter(rate).integrated_loudness(x), abs=0.1
    )


@pytest.mark.parametrize(
    ("levels", "wanted"),
    [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)],
)
def test_loudness_range_of_the_published_signals(levels, wanted):
    # EBU Tech 3342, cases 1 to 4: within 1 LU; the house target is 0.1.
    x = stereo(*[(level, 20) for level in levels])
    found = heard(x).range_lu
    assert found == pytest.approx(wanted, abs=0.1)
    if wanted == 10:
        assert found == pytest.approx(ffmpeg(x)["LRA"], abs=0.1)


@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "wanted"),
    [(4, 0.5, 0, -6.0), (4, 0.5, 45, -6.0), (6, 0.5, 60, -6.0), (8, 0.5, 67.5, -6.0), (4, 1.41, 45, 3.0)],
)
def test_true_peak_of_the_published_signals(divisor, amplitude, degrees, wanted):
    # EBU Tech 3341 table 1, cases 15 to 19: +0.2, -0.4 dB. Faded in and out over 10 ms.
    tone = amplitude * np.sin(2 * np.pi * np.arange(RATE) / divisor + np.radians(degrees))
    tone[:480] *= np.linspace(0, 1, 480)
    tone[-480:] *= np.linspace(1, 0, 480)
    assert -0.4 <= heard(np.stack([tone, tone], axis=1)).true_peak_dbtp - wanted <= 0.2


@pytest.mark.parametrize("offset", range(4))
def test_true_peak_between_the_samples_of_a_burst(offset):
    # EBU Tech 3341 table 1, cases 20 to 23: made at four times the rate, one period at full scale, taken at an offset.
    from scipy.signal import resample_poly

    fine = 0.5 * np.sin(2 * np.pi * np.arange(4 * 9600) / 24)  # fs / 6 at four times fs
    at = 4 * 4800
    fine[at : at + 16] = np.sin(2 * np.pi * np.arange(16) / 16)  # one period of fs / 4
    fine[:1920] *= np.linspace(0, 1, 1920)
    fine[-1920:] *= np.linspace(1, 0, 1920)
    x = resample_poly(np.roll(fine, -offset), 1, 4, window=("kaiser", 10.0))
    assert -0.4 <= heard(np.stack([x, x], axis=1)).true_peak_dbtp - 0.0 <= 0.2


@pytest.mark.parametrize("shift", range(14, 20))
def test_true_peak_is_the_same_wherever_a_second_ends(shift):
    # Two equal samples, between which lies the peak, come 14 to 20 samples before a second's end: in what reaches over it.
    x = np.zeros((2 * RATE, 1))
    x[RATE - shift : RATE - shift + 2] = 0.7
    assert heard(x).true_peak_dbtp == pytest.approx(heard(np.roll(x, -1000, axis=0)).true_peak_dbtp, abs=1e-9)


def speech_like(rate, seconds=12, seed=3):
    """Bursts of noise with pauses, two channels that differ."""
    rng = np.random.default_rng(seed)
    n = seconds * rate
    level = np.repeat(rng.choice([0.0, 0.02, 0.2, 0.5], size=n // (rate // 4)), rate // 4)[:n]
    x = level[:, None] * rng.standard_normal((n, 2)) * 0.3 + 1e-4 * rng.standard_normal((n, 2))
    return x - 0.6 * np.roll(x, 1, axis=0)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_agrees_with_an_independent_meter(rate):
    # FFmpeg's ebur128 filter: loudness within 0.05 LU. Its range counts 3 s windows that are not full yet, which
    # matters in a sound this short (0.2 LU here); on the longer signals of Tech 3342 it is held to 0.1 LU below.
    x = speech_like(rate)
    ours, theirs = heard(x, rate=rate), ffmpeg(x, rate=rate)
    assert ours.integrated_lufs == pytest.approx(theirs["I"], abs=0.05)
    assert ours.range_lu == pytest.approx(theirs["LRA"], abs=0.3)
    # Its largest M and S are those of every 100 ms; ours of every 10 ms: it is asked at ten beginnings.
    late = [ffmpeg(np.concatenate([np.zeros((rate * n // 100, 2)), x]), rate=rate) for n in range(10)]
    assert ours.momentary_max_lufs == pytest.approx(max(each["M"] for each in late), abs=0.05)
    assert ours.short_term_max_lufs == pytest.approx(max(each["S"] for each in late), abs=0.05)
    assert -0.15 <= ours.true_peak_dbtp - theirs["peak"] <= 0.15


def test_filters_of_other_rates_are_those_of_48_khz():
    # The derived filters come to the standard's numbers as the rate comes to 48 kHz.
    assert np.abs(weighting(48001) - weighting(48000)).max() < 2e-5


@cache
def spoken():
    """Samples, and their reading in one piece."""
    x = speech_like(RATE, seconds=4)[:180_001] * 0.7
    return x, heard(x)


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, 100_000), max_size=6))
def test_the_reading_does_not_depend_on_the_cuts(cuts):
    x, uncut = spoken()
    edges = [0, *sorted(min(cut, len(x)) for cut in cuts), len(x)]
    pieces = [x[a:b] for a, b in pairwise(edges)]
    assert measure_loudness(pieces, rate=RATE, channels=2) == uncut
    alone = IntegratedMeter(rate=RATE, channels=2)
    for piece in pieces:
        alone.add(piece)
    assert alone.integrated() == uncut.integrated_lufs


def test_what_is_too_short_or_silent_is_not_known():
    brief = heard(stereo((-20, 0.3)))
    assert np.isnan([brief.integrated_lufs, brief.range_lu, brief.short_term_max_lufs]).all()
    assert brief.true_peak_dbtp == pytest.approx(-20, abs=0.1)
    silent = heard(np.zeros((RATE * 4, 2)))
    assert all(value != value for value in vars_of(silent))
    for wrong in ({"rate": 4000, "channels": 1}, {"rate": RATE, "channels": 2, "weights": (1.0,)}):
        with pytest.raises(CallerError):
            LoudnessMeter(**wrong)
    for bad in (np.zeros((3, 3)), np.full((3, 2), nan)):
        with pytest.raises(CallerError):
            LoudnessMeter(rate=RATE, channels=2).add(bad)


def vars_of(reading):
    return [getattr(reading, name) for name in LoudnessReading.__slots__]


def test_noise_floor_is_that_of_the_pauses():
    rng = np.random.default_rng(1)
    hiss = 10 ** (-60 / 20) * rng.standard_normal((RATE * 20, 1))
    x = np.concatenate([np.zeros((RATE * 3, 1)), hiss])  # picture before the first sound does not count
    x[RATE * 5 : RATE * 15, 0] += sine(-30, 10)
    alone = heard(hiss).integrated_lufs
    assert (
        alone - 1.5 < heard(x).noise_floor_lufs < alone + 0.2
    )  # the quietest twentieth: a little below the mean


READING = LoudnessReading(
    integrated_lufs=-30.0,
    range_lu=8.0,
    momentary_max_lufs=-20.0,
    short_term_max_lufs=-24.0,
    true_peak_dbtp=-20.0,
    noise_floor_lufs=-70.0,
)
EIGHTEEN = LoudnessDecision(target_lufs=-18.0)


def test_the_target_is_reached_by_gain_alone():
    gain = solve_gain(READING, EIGHTEEN)
    assert (gain.gain_db, gain.limit) == (12.0, "target")
    assert solve_gain(READING, LoudnessDecision(target_lufs=-33.0)).gain_db == -3.0
    x = speech_like(RATE, seconds=6) * 0.02
    found = heard(x)
    gain = solve_gain(found, LoudnessDecision(target_lufs=-28.0))
    assert gain.limit == "target"
    assert heard(apply_gain(x, gain.gain_db)).integrated_lufs == pytest.approx(-28.0, abs=0.02)


def test_the_peaks_lower_the_gain():
    gain = solve_gain(replace(READING, true_peak_dbtp=-9.0), EIGHTEEN)
    assert (gain.gain_db, gain.wanted_db, gain.limit) == (8.0, 12.0, "true peak")
    hot = solve_gain(replace(READING, true_peak_dbtp=1.5), LoudnessDecision(gain_db=3.0))
    assert (hot.gain_db, hot.limit) == (-2.5, "true peak")
    for peak in np.random.default_rng(2).uniform(-30, 3, 50):
        assert solve_gain(replace(READING, true_peak_dbtp=peak), EIGHTEEN).gain_db + peak <= -1.0 + 1e-6


def test_hiss_alone_is_not_raised():
    hiss = heard(10 ** (-42 / 20) * np.random.default_rng(4).standard_normal((RATE * 10, 2)))
    assert hiss.noise_floor_lufs > -50
    gain = solve_gain(hiss, EIGHTEEN)
    assert (gain.gain_db, gain.limit) == (0.0, "noise floor")
    part = solve_gain(replace(READING, noise_floor_lufs=-55.0), EIGHTEEN)
    assert (part.gain_db, part.limit) == (5.0, "noise floor")
    assert solve_gain(replace(READING, noise_floor_lufs=-55.0), LoudnessDecision(gain_db=9.0)).gain_db == 9.0
    lower = solve_gain(replace(READING, noise_floor_lufs=-35.0), LoudnessDecision(target_lufs=-33.0))
    assert (lower.gain_db, lower.limit) == (-3.0, "target")
    assert propose_loudness(-18.0, source="common practice", recorded=False)[0].gain_db == 0.0


def test_what_gives_no_gain():
    short = replace(READING, integrated_lufs=nan, true_peak_dbtp=nan)
    gain = solve_gain(short, EIGHTEEN)
    assert (gain.gain_db, gain.limit) == (0.0, "nothing measured")
    with pytest.raises(CallerError, match="target or a gain"):
        solve_gain(READING, LoudnessDecision())
    with pytest.raises(CallerError, match="-40"):
        propose_loudness(-3.0, source="shop.toml")


def test_music_without_a_pause_is_not_taken_for_noise():
    # Chords that change every 0.4 s and never pause, over hiss 40 dB below them.
    rng = np.random.default_rng(6)
    chords = [
        sum(sine(-30, 0.4, hz=hz) for hz in 110 * 2 ** (rng.integers(0, 48, 4) / 12.0)) for _ in range(30)
    ]
    music = np.concatenate(chords)[:, None]
    hiss = 10 ** (-70 / 20) * rng.standard_normal((len(music), 1))
    found, noise = heard(music + hiss), heard(hiss).integrated_lufs
    assert noise - 1.5 < found.noise_floor_lufs < noise + 6.0
    assert found.integrated_lufs - found.noise_floor_lufs > 30.0
