"""Drawn stripe sound: the captured sample at capture time t is the camera's sound at the mapped instant."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.sound.synthetic import TrackTruth, camera_time_s, draw_track, film_hum, heard_at_camera

CLEAN = {"film_hum_level": 0.0, "chain_hum_level": 0.0, "hiss_level": 0.0}
TRUTH = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18.0, head_offset_frames=12.0, clap_frames=(40,), **CLEAN
)


def wandering(time_s):
    """Film position in the gate of a scanner whose speed wanders about 15 frames a second."""
    return 15 * (time_s - 2) + 2.0 * np.sin(1.3 * time_s)


def test_separation_moves_by_frames_of_film():
    # sound.md a: n = x - D + A; with D = 0 and 18 frames at 18 a second the sound lies 1.000 s ahead.
    at_gate = replace(TRUTH, head_offset_frames=0.0)
    assert camera_time_s(at_gate, np.array([0.0])) == pytest.approx(1.0)
    assert camera_time_s(TRUTH, np.array([0.0])) == pytest.approx(6 / 18)


def test_the_clap_is_heard_where_its_frame_says():
    truth = replace(TRUTH, content="none")
    samples = draw_track(truth, wandering, start_s=0.0, samples=6 * 48_000)[:, 0]
    peak_s = np.argmax(np.abs(samples)) / 48_000
    # Its frame is 40: the head is 12 behind the gate, the sound 18 ahead, so position 34 is in the gate.
    assert wandering(peak_s) == pytest.approx(34, abs=0.001)
    assert samples.max() == pytest.approx(truth.clap_level, rel=0.01)


def test_sound_played_at_the_camera_rate_is_what_was_heard():
    # A resampling that shares nothing with the drawing: SciPy's spline through the captured samples.
    from scipy.interpolate import CubicSpline

    truth = replace(TRUTH, content="tone", clap_frames=(), tone_hz=440.0, sample_rate=96_000)
    samples = draw_track(truth, wandering, start_s=0.0, samples=4 * 96_000)[:, 0]
    captured_s = np.arange(samples.size) / truth.sample_rate
    heard_s = camera_time_s(truth, wandering(captured_s))
    playing_s = np.arange(heard_s[10], heard_s[-10], 1 / 48_000)
    played = CubicSpline(heard_s, samples)(playing_s)
    assert np.abs(played - truth.content_level * np.sin(2 * np.pi * 440 * playing_s)).max() < 1e-6


def test_content_is_band_limited():
    # At the worst speed-up of 25 over 18 all content must stay far below half of 48 kHz.
    truth = replace(TRUTH, content="speech and tune", clap_frames=(18, 60))
    sound = heard_at_camera(truth, np.arange(10 * 48_000) / 48_000)
    power = np.abs(np.fft.rfft(sound * np.hanning(sound.size))) ** 2
    hz = np.fft.rfftfreq(sound.size, 1 / 48_000)
    assert power[hz > 6000].sum() < 1e-7 * power.sum()
    assert 0.3 < np.abs(sound).max() < 1.0


def test_hum_of_the_film_and_of_the_chain_lie_at_their_own_frequencies():
    truth = replace(
        TRUTH, content="none", clap_frames=(), film_hum_level=0.01, chain_hum_level=0.01, chain_hum_hz=60.0
    )
    samples = draw_track(truth, lambda t: 9 * t, start_s=0.0, samples=4 * 48_000)[:, 0]
    power = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    hz = np.fft.rfftfreq(samples.size, 1 / 48_000)
    for wanted in (25.0, 60.0):  # the film ran at half speed; the chain's clock did not
        near = np.abs(hz - wanted) < 1
        assert power[near].max() > 100 * np.median(power[(hz > 20) & (hz < 70)])
    assert hz[np.argmax(power * (hz < 30))] == 25.0
    assert film_hum(truth, np.zeros(1)).shape == (1,)


def test_a_splice_knocks_when_it_passes_the_head():
    truth = replace(TRUTH, content="none", clap_frames=(), splices=(30,))
    samples = draw_track(truth, wandering, start_s=0.0, samples=6 * 48_000)[:, 0]
    knock_s = np.argmax(np.abs(samples)) / 48_000
    assert wandering(knock_s) - truth.head_offset_frames == pytest.approx(29.5, abs=0.01)


def test_second_track_lags_and_noise_is_its_own():
    truth = replace(TRUTH, second_track=True, second_delay_s=0.0005, hiss_level=0.0)
    samples = draw_track(truth, wandering, start_s=1.0, samples=48_000)
    assert np.allclose(samples[24:, 1], truth.second_gain * samples[:-24, 0], atol=1e-9)
    noisy = replace(truth, hiss_level=0.01, content="none", clap_frames=())
    samples = draw_track(noisy, wandering, start_s=1.0, samples=48_000)
    assert samples.std(axis=0) == pytest.approx([0.01, 0.01], rel=0.02)
    assert abs(np.corrcoef(samples.T)[0, 1]) < 0.02
    assert np.array_equal(samples, draw_track(noisy, wandering, start_s=1.0, samples=48_000))
