"""Hum of the film and of the chain: drawn tracks with known truth, six speeds, and what is refused."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.sound.hum import LEAST_MARGIN, find_hum
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track, heard_at_camera

RATE = 8000
TRUTH = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18.0, head_offset_frames=5.0, sample_rate=RATE, film_hum_level=0.0
)
HUM_RMS = np.sqrt((1 + 0.25 + 0.09 + 0.01) / 2)  # of the drawn hum at level 1


def wandering(mean, share=0.06):
    """Film position of a scan that wanders by a share of its speed, every 7.3 s."""
    return lambda t: mean * (t + share * np.sin(2 * np.pi * t / 7.3) * 7.3 / (2 * np.pi))


def drawn(truth, position, seconds, *, wander_hz=0.0, level=0.0, mains=50.0):
    """Samples, times and positions; film hum of a grid that wanders is added here, its mean cycles a frame too."""
    samples = draw_track(truth, position, start_s=0.0, samples=int(seconds * RATE))
    t = np.arange(len(samples)) / RATE
    camera_s = position(t) / float(truth.camera_rate)
    phase = 2 * np.pi * mains * camera_s + wander_hz * 40 * np.sin(2 * np.pi * camera_s / 40)
    for order, share, start in ((1, 1.0, 0.0), (2, 0.5, 0.4), (3, 0.3, 1.1), (5, 0.1, 2.0)):
        samples[:, 0] += level * share * np.sin(order * phase + start)
    fine = np.linspace(0, seconds, 40001)
    frames = int(position(np.array([seconds]))[0])
    jitter = np.random.Generator(np.random.SFC64(5)).normal(0, 0.0003, frames)
    times = np.interp(np.arange(frames), position(fine), fine) + jitter
    true = (phase[-1] - phase[0]) / (2 * np.pi) / (position(t[-1]) - position(t[0]))
    return samples, times, np.arange(frames), true


def found(samples, times, positions, **more):
    return find_hum(
        read_array(samples), in_samples=len(samples), sound_rate=RATE, frame_times_s=times,
        film_positions=positions, **more,
    )  # fmt: skip


# The speeds of scan over camera at which the estimator was tried before: 0.75 to 1.2 (sound reference, section b);
# the hum of the chain stands at the same mains frequency, the grid wanders by 0.05 Hz.
SPEEDS = (0.75, 0.85, 0.95, 1.0, 1.1, 1.2)


@pytest.mark.parametrize(
    "speed", [pytest.param(s, marks=() if s in (0.75, 1.0, 1.2) else pytest.mark.campaign) for s in SPEEDS]
)
def test_film_hum_at_30_db_below_the_programme(speed):
    programme = np.sqrt(np.mean(heard_at_camera(TRUTH, np.arange(20 * RATE) / RATE) ** 2))
    level = programme * 10 ** (-30 / 20) / HUM_RMS
    reading = drawn(TRUTH, wandering(18 * speed), 60 / speed, wander_hz=0.05, level=level)
    hum = found(*reading[:3])
    assert hum.refusal == "" and hum.margin > LEAST_MARGIN
    assert hum.cycles_a_frame == pytest.approx(reading[3], rel=5e-4)
    assert hum.sigma < 5e-4
    assert 50 / hum.cycles_a_frame == pytest.approx(18, rel=0.002)
    assert hum.chain_hz == pytest.approx(50, rel=1e-3)
    assert hum.film_level == pytest.approx(level * HUM_RMS, rel=0.4)


@pytest.mark.parametrize("share", [0.0, 0.06])
@pytest.mark.parametrize("content", ["speech and tune", "none"])
def test_without_film_hum_none_is_spoken_of(content, share):
    truth = replace(TRUTH, content=content)
    hum = found(*drawn(truth, wandering(15.3, share), 20)[:3])
    assert np.isnan(hum.cycles_a_frame) and hum.refusal in ("weak", "not told from the chain")
    silent = replace(truth, chain_hum_level=0.0)
    hum = found(*drawn(silent, wandering(18, share), 20)[:3])
    assert np.isnan(hum.cycles_a_frame) and hum.refusal == "weak" and np.isnan(hum.chain_hz)


def test_film_hum_far_down_is_refused():
    truth = replace(TRUTH, chain_hum_level=0.0, hiss_level=0.02)
    hum = found(*drawn(truth, wandering(18), 20, level=0.0001)[:3])
    assert hum.refusal == "weak" and hum.margin < LEAST_MARGIN and np.isnan(hum.cycles_a_frame)


def test_an_even_scan_at_the_camera_s_speed_tells_nothing():
    """50 Hz of the film at the camera's speed and 50 Hz of the chain are one and the same line."""
    reading = drawn(TRUTH, wandering(18, 0.0), 30, level=0.01)
    assert found(*reading[:3]).refusal == "not told from the chain"
    chain = replace(TRUTH, chain_hum_level=0.01)
    assert found(*drawn(chain, wandering(18, 0.0), 30)[:3]).refusal == "not told from the chain"


def test_an_even_scan_at_another_speed_tells():
    reading = drawn(TRUTH, wandering(12, 0.0), 30, level=0.003, mains=60.0)
    hum = found(*reading[:3])
    assert 60 / hum.cycles_a_frame == pytest.approx(18, rel=2e-3)
    by_rate = found(reading[0], None, reading[2], scan_rate=Fraction(12))
    assert by_rate.cycles_a_frame == pytest.approx(hum.cycles_a_frame, rel=1e-4)


def test_something_that_happens_once_a_frame_is_no_hum():
    """A flashing light that breaks into the sound: a comb at every whole cycle a frame, 2 and 3 among them."""
    samples, times, positions, _ = drawn(TRUTH, wandering(12), 30)
    x = wandering(12)(np.arange(len(samples)) / RATE)
    flash = sum(np.cos(2 * np.pi * order * x) for order in range(1, 30)) * 0.002
    assert found(samples + flash[:, None], times, positions).refusal == "weak"


def test_stretches_of_two_camera_speeds_are_seen_apart():
    """A stretch at 18, one at 24: each piece says its own."""
    slow, fast = (wandering(14, 0.05), wandering(14, 0.03))
    first = drawn(TRUTH, slow, 78, level=0.004)
    second = drawn(replace(TRUTH, camera_rate=Fraction(24)), fast, 78, level=0.004)
    samples = np.concatenate([first[0], second[0]])
    times = np.concatenate([first[1], second[1] + 78])
    positions = np.concatenate([first[2], second[2] + len(first[2])])
    hum = found(samples, times, positions)
    said = [50 / piece.cycles_a_frame for piece in hum.pieces]
    assert said[0] == pytest.approx(18, rel=0.002) and said[-1] == pytest.approx(24, rel=0.002)


def test_what_cannot_be_looked_at_is_refused():
    samples, times, positions, _ = drawn(TRUTH, wandering(18), 5, level=0.01)
    assert found(samples, None, positions).refusal == "no film time"
    assert found(samples, np.full(len(positions), np.nan), positions).refusal == "no film time"
    assert found(samples, times[:40], positions[:40]).refusal == "too short"
    assert found(samples[:0], times, positions).refusal == "too short"
    assert found(samples, times + 1000, positions).refusal == "too short"
    assert found(np.zeros_like(samples), times, positions).refusal == "weak"
    with pytest.raises(CallerError, match="rate above 0"):
        find_hum(
            read_array(samples), in_samples=1, sound_rate=0, frame_times_s=times, film_positions=positions
        )


def test_two_tracks_are_heard_together():
    samples, times, positions, true = drawn(replace(TRUTH, second_track=True), wandering(14), 20, level=0.006)
    samples[:, 1] += samples[:, 0]
    hum = found(samples, times, positions)
    assert hum.cycles_a_frame == pytest.approx(true, rel=5e-4)
