"""A recording, a bare stripe and a capture that failed: told apart on drawn tracks, refused where they can't be."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.sound.recording import find_recording
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track

RATE = 24_000
NOISE = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18.0, head_offset_frames=0.0, sample_rate=RATE, content="none",
    film_hum_level=0.0, hiss_level=0.0005,
)  # fmt: skip


def heard(truth, *, seconds=20, swing=0.2, bits=24):
    def position(t):
        return 15 * (t + swing * np.sin(2 * np.pi * t / 7.3) * 7.3 / (2 * np.pi))

    samples = draw_track(truth, position, start_s=0.0, samples=seconds * RATE)
    samples = np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1)
    fine = np.linspace(0, seconds, 20001)
    frames = np.arange(int(position(np.array([float(seconds)]))[0]))
    return find_recording(
        read_array(samples), in_samples=len(samples), sound_rate=RATE,
        frame_times_s=np.interp(frames, position(fine), fine), film_positions=frames,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_hiss_of_the_stripe_moves_with_the_scan(seed):
    assert heard(replace(NOISE, stripe_hiss_level=0.003, seed=seed)).state == "stripe without a recording"


@pytest.mark.parametrize("seed", range(4))
def test_noise_of_the_chain_does_not(seed):
    assert heard(replace(NOISE, hiss_level=0.0015, seed=seed)).state == "failed capture"


@pytest.mark.parametrize("content", ["speech", "tune", "speech and tune"])
@pytest.mark.parametrize("swing", [0.0, 0.2])
def test_a_recording_is_one_whatever_the_scan_did(content, swing):
    assert heard(replace(NOISE, content=content, content_level=0.03), swing=swing).state == "recorded"


def test_an_even_scan_does_not_tell():
    for noise in (replace(NOISE, stripe_hiss_level=0.003), NOISE):
        assert heard(noise, swing=0.0).state == "no recording, cause not told"


def test_a_dead_line_is_a_failed_capture():
    dead = replace(NOISE, hiss_level=0.0, chain_hum_level=0.0)
    assert heard(dead).state == "failed capture"


def test_too_little_sound_says_nothing():
    assert heard(NOISE, seconds=1).state == "not told"
    nothing = find_recording(
        read_array(np.zeros(0)), in_samples=0, sound_rate=RATE, frame_times_s=None, film_positions=range(9)
    )
    assert nothing.state == "not told"
