"""Wow and flutter: the meter against the published curve, and what is left once a comb has told the map."""

from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.comb import find_comb
from smallgauge.sound.flutter import (
    WEIGHTING,
    flutter_weighting,
    measure_comb_flutter,
    measure_flutter,
    solve_flutter_map,
)
from smallgauge.sound.speed import apply_sound_map, in_sample_at, read_array, solve_film_time, solve_sound_map
from smallgauge.sound.synthetic import TrackTruth, draw_track, heard_at_camera

RATE = 16_000
HUM_RMS = float(np.sqrt((1 + 0.25 + 0.09 + 0.01) / 2))  # of the drawn hum at level 1
FLUTTER = ((0.9, 0.0022), (4.0, 0.0037), (9.0, 0.0011), (18.0, 0.0011))  # weighted peak 0.5 %
TRUTH = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18.0, head_offset_frames=0.0, sample_rate=RATE, chain_hum_level=0.0,
    film_hum_level=0.0, hiss_level=0.001, content="speech", flutter=FLUTTER,
)  # fmt: skip


@cache
def speech_rms() -> float:
    """Of what was heard at the camera, without hum."""
    return float(np.sqrt(np.mean(heard_at_camera(TRUTH, np.arange(20 * RATE) / RATE) ** 2)))


def scan(time_s):
    """Film position in the gate: about 14 frames a second, wandering a little."""
    return 14.0 * time_s + 0.6 * np.sin(0.5 * time_s)


def modulated(hz, share, *, rate=RATE, seconds=12.0, speed=1.0):
    t = np.arange(round(rate * seconds)) / rate
    return np.sin(2 * np.pi * 3150 * speed * (t + share * np.sin(2 * np.pi * hz * t) / (2 * np.pi * hz)))


def read_off(tone, rate=RATE):
    return measure_flutter(read_array(tone), sound_rate=rate, first=0, stop=len(tone))


def test_the_curve_is_the_published_one():
    # AES6-2008 as quoted in public source code; tolerances of the standard not seen.
    hz, table = np.array(WEIGHTING).T
    assert np.abs(20 * np.log10(np.abs(flutter_weighting(hz))) - table).max() < 0.29


@pytest.mark.parametrize(
    ("hz", "share"), [(0.4, 0.01), (1.0, 0.01), (4.0, 0.01), (4.0, 0.001), (10.0, 0.01), (40.0, 0.005), (200.0, 0.01)]
)  # fmt: skip
def test_check_signals_read_as_the_curve_says(hz, share):
    # Two sigma of a sine is its peak times sin(0.9545 pi / 2) = 0.99745.
    # A hair beside the round figure, so that samples fall on all parts of its cycle.
    found = read_off(modulated(hz * 1.0007, share, seconds=22.0 if hz < 1 else 12.0))
    wanted = share * 0.99745 * 10 ** (dict(WEIGHTING)[hz] / 20)
    assert abs(20 * np.log10(found.weighted_peak / wanted)) < 0.3
    assert found.peak == pytest.approx(share * 0.99745, rel=0.03)
    assert found.rms == pytest.approx(share / np.sqrt(2), rel=0.03)


def test_speed_error_and_the_meter_s_own_floor():
    assert read_off(modulated(4.0, 0.0, speed=1.02)).speed_error == pytest.approx(0.02, abs=1e-6)
    noise = np.random.Generator(np.random.SFC64(5)).standard_normal(12 * 48_000)
    noisy = modulated(4.0, 0.0, rate=48_000) + noise * 10 ** (-40 / 20) / np.sqrt(2)
    assert read_off(noisy, 48_000).weighted_peak < 2e-5  # sound reference: 0.001 % at 40 dB
    with_48 = modulated(4.0, 0.01, rate=48_000)
    assert read_off(with_48, 48_000).weighted_peak == pytest.approx(0.01, rel=0.005)


def test_what_holds_no_tone_is_not_read():
    speech = heard_at_camera(TRUTH, np.arange(8 * RATE) / RATE)
    assert np.isnan(read_off(speech).weighted_peak)
    assert np.isnan(read_off(np.zeros(8 * RATE)).weighted_peak)
    with pytest.raises(CallerError, match=r"7 to 120 s"):
        read_off(np.zeros(RATE))
    with pytest.raises(CallerError, match="16000 samples"):
        measure_flutter(read_array(np.zeros(80_000)), sound_rate=8000, first=0, stop=80_000)


def captured(truth, seconds=30):
    return draw_track(truth, scan, start_s=0.0, samples=seconds * RATE)


def film(seconds=30):
    positions = np.arange(int(scan(np.array(seconds))) - 1)
    times = np.interp(positions, scan(np.arange(0, seconds + 1, 0.001)), np.arange(0, seconds + 1, 0.001))
    return times, positions


def followed(samples, cycles, **more):
    times, positions = film()
    return find_comb(
        read_array(samples), in_samples=len(samples), sound_rate=RATE, frame_times_s=times,
        film_positions=positions, cycles_a_frame=cycles, **more,
    )  # fmt: skip


def sound_map():
    times, positions = film()
    return solve_sound_map(
        solve_film_time(times, positions), camera_rate=Fraction(18), shift_frames=18.0, sound_rate=RATE,
        out_rate=RATE, out_samples=20 * RATE,
    )  # fmt: skip


def taken_out(comb):
    return solve_flutter_map(
        sound_map(), in_sample=comb.in_sample, displacement=comb.displacement, speed=comb.speed,
        camera_rate=Fraction(18), out_rate=RATE,
    )  # fmt: skip


def flutter_heard(knots):
    """The standard's reading of a tone that was recorded with the same flutter, laid out by a map."""
    tone = captured(replace(TRUTH, content="tone", tone_hz=3150.0, hiss_level=0.0))
    heard = apply_sound_map(read_array(tone), knots, first=0, stop=knots.out_samples)
    return measure_flutter(read_array(heard), sound_rate=RATE, first=2 * RATE, stop=19 * RATE).weighted_peak


def test_flutter_told_by_hum_is_taken_out():
    """Speech with hum 10 dB below it: 0.5 % weighted in, at most 0.08 % left."""
    before = flutter_heard(sound_map())
    assert before == pytest.approx(0.005, rel=0.05)
    comb = followed(captured(replace(TRUTH, film_hum_level=speech_rms() / HUM_RMS * 10**-0.5)), 50 / 18)
    assert comb.followed
    after = flutter_heard(taken_out(comb))
    assert after < 0.0008
    reading = measure_comb_flutter(comb, camera_rate=Fraction(18))
    assert reading.weighted_peak == pytest.approx(before, rel=0.1)
    assert reading.left < 0.0006


def test_flutter_told_by_a_pilot_is_taken_out():
    """A pilot of 60 Hz alone on the balance stripe."""
    samples = captured(replace(TRUTH, second_track=True, second_gain=0.02, pilot_hz=60.0, pilot_level=0.1))
    comb = followed(samples[:, 1:], 60 / 18, orders=1)
    assert flutter_heard(taken_out(comb)) < 0.0004


@pytest.mark.parametrize("level_db", [-10, -30])
def test_without_flutter_nothing_is_moved(level_db):
    level = speech_rms() / HUM_RMS * 10 ** (level_db / 20)
    comb = followed(captured(replace(TRUTH, flutter=(), film_hum_level=level)), 50 / 18)
    assert not comb.followed and not comb.displacement.any()
    assert np.isnan(measure_comb_flutter(comb, camera_rate=Fraction(18)).weighted_peak)


def test_hum_too_weak_tells_nothing_and_never_makes_it_worse():
    before = flutter_heard(sound_map())
    for level_db in (-20, -40):
        level = speech_rms() / HUM_RMS * 10 ** (level_db / 20)
        comb = followed(captured(replace(TRUTH, film_hum_level=level)), 50 / 18)
        assert flutter_heard(taken_out(comb)) <= before * 1.001
    assert not comb.followed


def test_the_map_keeps_its_ends_and_rises():
    comb = followed(captured(replace(TRUTH, film_hum_level=0.05)), 50 / 18)
    still, moved = sound_map(), taken_out(comb)
    assert moved.out_sample[0] == 0 and moved.out_sample[-1] == still.out_samples == moved.out_samples
    assert np.all(np.diff(moved.out_sample) > 0) and np.all(np.diff(moved.in_sample) > 0)
    m = np.arange(0.0, still.out_samples, 100.0)
    off_s = (in_sample_at(moved, m)[0] - in_sample_at(still, m)[0]) / RATE
    assert np.abs(off_s).max() < 0.002  # sound and picture stay together


def test_too_little_and_nonsense_are_refused():
    times, positions = film()
    short = find_comb(
        read_array(np.zeros(RATE)), in_samples=RATE, sound_rate=RATE, frame_times_s=times,
        film_positions=positions, cycles_a_frame=2.78,
    )  # fmt: skip
    assert short is None
    silent = followed(np.zeros(30 * RATE), 50 / 18)
    assert not silent.followed and not silent.lines.any()
    nothing = find_comb(
        read_array(np.zeros(RATE)), in_samples=RATE, sound_rate=RATE, frame_times_s=None,
        film_positions=positions, cycles_a_frame=2.78,
    )  # fmt: skip
    assert nothing is None
    with pytest.raises(CallerError, match="cycles a frame"):
        followed(np.zeros(RATE), 6000 / 18)
    wild = np.array([0.0, 1.0, 2.0])
    with pytest.raises(MaterialError, match="at most 20 %"):
        solve_flutter_map(
            sound_map(), in_sample=wild, displacement=wild, speed=wild, camera_rate=Fraction(18),
            out_rate=RATE,
        )  # fmt: skip
    with pytest.raises(CallerError, match="same length"):
        solve_flutter_map(
            sound_map(), in_sample=wild, displacement=wild, speed=wild[:2], camera_rate=Fraction(18),
            out_rate=RATE,
        )  # fmt: skip
