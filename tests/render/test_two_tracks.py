"""Two tracks through the render: aligned for a sum by the one resampling, untouched otherwise, both kept."""

from types import SimpleNamespace

import av
import numpy as np
import pytest
import soundfile

from smallgauge.record.track import TrackPaper, track_findings
from smallgauge.record.treatment import decide, propose, treatment_of
from smallgauge.render.plan_sound import SoundPlan, with_tracks
from smallgauge.render.track import render_track, render_viewing_track
from smallgauge.sound.hum import HumReading
from smallgauge.sound.loudness import LoudnessDecision
from smallgauge.sound.recording import RecordingReading
from smallgauge.sound.speed import SoundMap, read_array
from smallgauge.sound.sync import Coverage
from smallgauge.sound.tracks import find_tracks

RATE, LATE = 48000, 19.2  # samples: 400 microseconds


@pytest.fixture(scope="module")
def captured(tmp_path_factory):
    """Two tracks with one programme, the second late and upside down, and what was found of them."""
    rng = np.random.default_rng(4)
    n = 10 * RATE
    first = 0.1 * rng.standard_normal(n) * np.repeat(rng.choice([0.05, 1.0], 50), n // 50)
    spectrum = np.fft.rfft(first)
    spectrum[np.fft.rfftfreq(n) > 0.25] = 0.0
    first = np.fft.irfft(spectrum, n)
    second = -np.fft.irfft(spectrum * np.exp(-2j * np.pi * np.fft.rfftfreq(n) * LATE), n)
    path = tmp_path_factory.mktemp("tracks") / "archive.wav"
    soundfile.write(path, np.stack([first, second], axis=1), RATE, subtype="PCM_24")
    x = soundfile.read(path)[0]
    nan = float("nan")
    return path, TrackPaper(
        capture_digest="",
        recording=RecordingReading(state="recorded", rises_db=9.0, slope=nan, slope_sigma=nan),
        hum=HumReading(refusal="too short"),
        tracks=find_tracks(read_array(x), in_samples=n, sound_rate=RATE),
    )


def planned(paper, view):
    n = 10 * RATE
    ends = np.array([0.0, float(n)])
    plan = SoundPlan(
        map=SoundMap(out_sample=ends, in_sample=ends, slope=np.ones(2), gain=np.ones(2), out_samples=n),
        shift_frames=0.0,
        set=True,
        coverage=Coverage(silent_head_s=0.0, silent_tail_s=0.0, unused_head_s=0.0, unused_tail_s=0.0),
        time_base_guessed=False,
        jitter_ms=0.0,
        set_aside=0,
        loudness=LoudnessDecision(gain_db=0.0),
    )
    log = propose((), subject="tracks", value={"view": "sum"}, at="2026-01-17T10:00:00Z", why="measured")
    if view != "sum":
        log = decide(
            log, subject="tracks", value={"view": view}, by="mk", at="2026-01-17T10:05:00Z", why="asked"
        )
    capture = SimpleNamespace(sound=SimpleNamespace(rate=RATE, channels=2))
    return with_tracks(plan, capture, treatment_of(log), paper)


def heard(path):
    with av.open(str(path)) as container:
        blocks = [frame.to_ndarray() for frame in container.decode(audio=0)]
    both = np.concatenate(blocks, axis=1)
    return both.reshape(-1, 2).astype(float) / 2.0**31 if both.shape[0] == 1 else both.T.astype(float)


@pytest.mark.parametrize("view", ["sum", "both", "second"])
def test_only_a_sum_moves_the_second_track(captured, tmp_path, view):
    path, paper = captured
    plan = planned(paper, view)
    flac, aac = tmp_path / "a.mka", tmp_path / "a.m4a"
    noted = render_track(path, plan, flac=flac, watch=lambda done: None)
    render_viewing_track(path, plan, gain_db=0.0, aac=aac)
    original, finished, copy = soundfile.read(path)[0], heard(flac), heard(aac)[: 10 * RATE]
    inside = slice(RATE, -RATE)
    first, second = finished[inside].T
    assert np.abs(first - original[inside, 0]).max() < 1e-3  # each track is there by itself
    if view == "sum":
        assert plan.second is not None and np.std(first - second) < 0.01 * np.std(first)
        assert np.std(copy[:, 0]) == pytest.approx(np.std(original[:, 0]), rel=0.02)
    else:
        assert plan.second is None and np.abs(second - original[inside, 1]).max() < 1e-3
    if view == "both":
        assert np.corrcoef(copy[inside].T)[0, 1] < 0.9
    else:
        assert np.abs(copy[inside, 0] - copy[inside, 1]).max() < 1e-3
    assert noted.loudness.integrated_lufs < 0.0


def test_what_was_found_is_said(captured):
    _, paper = captured
    assert paper.tracks.state == "same programme" and track_findings(paper) == ()
