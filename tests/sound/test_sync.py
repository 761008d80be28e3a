"""How far stripe sound moves: from the gauge and the machine, from a mark, or not at all."""

import json
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import SIXTEEN, STANDARD_8, SUPER_8
from smallgauge.sound.speed import SoundMap, position_at, solve_film_time
from smallgauge.sound.sync import SyncMark, measured_coverage, propose_sync, solve_sync_shift


def magnetic(gauge):
    return next(track for track in gauge.tracks if track.kind == "magnetic")


@pytest.mark.parametrize(
    ("gauge", "ahead", "rate", "seconds"),
    [
        # Encyclopaedia article "Bild-Ton-Abstand", listing ISO 1201, 490 and 3027: 56, 18 and 28 frames;
        # the seconds are its frames over the rate.
        (STANDARD_8, 56, 16, 3.5),
        (STANDARD_8, 56, 18, 3.11),
        (SUPER_8, 18, 18, 1.0),
        (SUPER_8, 18, 24, 0.75),
        (SIXTEEN, 28, 24, 1.167),
    ],
)
def test_separation_less_head_distance(gauge, ahead, rate, seconds):
    decision = propose_sync(track=magnetic(gauge), head_offset_frames=0.0)
    assert decision.set and decision.shift_frames == ahead
    assert decision.shift_frames / rate == pytest.approx(seconds, abs=0.005)
    assert propose_sync(track=magnetic(gauge), head_offset_frames=ahead + 4.5).shift_frames == -4.5
    assert f"lies {ahead} frames" in decision.evidence and "second-hand" in decision.evidence


def test_an_unknown_head_distance_is_not_assumed():
    decision = propose_sync(track=magnetic(SUPER_8), head_offset_frames=None)
    assert not decision.set and decision.shift_frames == 0.0
    assert decision.evidence.startswith("sync not set") and "head of the machine" in decision.evidence
    assert decision.head_offset_frames is None
    unknown = propose_sync(track=None, head_offset_frames=0.0)
    assert not unknown.set and unknown.shift_frames == 0.0 and "on this film" in unknown.evidence


def test_one_mark_sets_it():
    film_time = solve_film_time(np.arange(100) / 9, np.arange(100))
    mark = SyncMark(film_position=40.0, sound_s=2.0)
    decision = propose_sync(track=magnetic(SUPER_8), head_offset_frames=None, mark=mark)
    assert decision.set and decision.evidence.startswith("one mark")
    found = solve_sync_shift(mark, film_time, separation_frames=18.0)
    assert found.shift_frames == pytest.approx(22.0, abs=1e-6)
    assert found.head_offset_frames == pytest.approx(-4.0, abs=1e-6)
    assert found.disagrees_frames is None and not found.worth_a_look
    late = solve_sync_shift(mark, film_time, sound_start_s=0.5, sound_clock_ppm=1e6)
    assert late.shift_frames == pytest.approx(40 - 9 * 1.5, abs=1e-6)


def test_a_mark_that_disagrees_wins_and_is_worth_a_look():
    film_time = solve_film_time(None, range(100), scan_rate=Fraction(9))
    mark = SyncMark(film_position=37.0, sound_s=2.0)
    found = solve_sync_shift(mark, film_time, separation_frames=18.0, head_offset_frames=0.0)
    assert (found.shift_frames, found.disagrees_frames, found.worth_a_look) == (19.0, 1.0, True)


def test_numbers_that_lead_nowhere_are_refused():
    with pytest.raises(CallerError, match="Finite"):
        propose_sync(track=None, head_offset_frames=float("nan"))
    with pytest.raises(CallerError, match="Finite"):
        propose_sync(
            track=None, head_offset_frames=None, mark=SyncMark(film_position=1.0, sound_s=float("inf"))
        )


@pytest.mark.parametrize(
    ("start", "slope", "in_samples", "want"),
    [
        (0.0, 1.0, 96000, (0, 0, 0, 0)),
        (-24000.0, 1.0, 96000, (0.5, 0, 0, 0.5)),  # picture first, and sound left over
        (24000.0, 1.0, 96000, (0, 0.5, 0.5, 0)),
        (0.0, 2.0, 96000, (0, 1.0, 0, 0)),
        (200000.0, 1.0, 96000, (0, 2.0, 2.0, 0)),  # nothing meets: all picture silent, all sound unused
        (-200000.0, 1.0, 96000, (2.0, 0, 0, 2.0)),
    ],
)
def test_coverage(start, slope, in_samples, want):
    ends = np.array([0.0, 96000.0])
    knots = SoundMap(
        out_sample=ends,
        in_sample=start + slope * ends,
        slope=np.full(2, slope),
        gain=np.ones(2),
        out_samples=96000,
    )
    got = measured_coverage(knots, in_samples=in_samples, sound_rate=48000, out_rate=48000)
    values = (got.silent_head_s, got.silent_tail_s, got.unused_head_s, got.unused_tail_s)
    np.testing.assert_allclose(values, want, atol=1e-9)


@pytest.mark.parametrize(
    ("start", "want"),
    [
        (96000.0, (0, 0, 0, 0)),
        (120000.0, (0.5, 0, 0, 0.5)),  # the film's head lies after the captured sound's end
        (72000.0, (0, 0.5, 0.5, 0)),
    ],
)
def test_coverage_of_a_map_that_runs_back(start, want):
    ends = np.array([0.0, 96000.0])
    knots = SoundMap(
        out_sample=ends, in_sample=start - ends, slope=np.full(2, -1.0), gain=np.ones(2), out_samples=96000
    )
    got = measured_coverage(knots, in_samples=96000, sound_rate=48000, out_rate=48000)
    values = (got.silent_head_s, got.silent_tail_s, got.unused_head_s, got.unused_tail_s)
    np.testing.assert_allclose(values, want, atol=1e-9)


def test_tail_first_the_head_reads_what_lies_nearer_the_tail():
    """18 frames ahead on the film, head 12 frames after the gate: 18 - 12 head first, 18 + 12 tail first."""
    track = SUPER_8.tracks[0]
    shifts = [
        propose_sync(track=track, head_offset_frames=12.0, backwards=backwards).shift_frames
        for backwards in (False, True)
    ]
    assert shifts == [6.0, 30.0]


def test_specimen_mark(specimens):
    """Clap seen at frame 26; heard where the independent renderer's own map puts its camera time."""
    folder = specimens / "super8-striped-18fps"
    stamps = np.loadtxt(folder / "capture" / "frames.csv", delimiter=",", skiprows=1)
    film_time = solve_film_time(stamps[:, 1], stamps[:, 0])
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    sound = truth["sound_map"]
    heard_s = float(np.interp(26 / 18, sound["camera_s"], sound["capture_s"]))
    mark = SyncMark(film_position=float(truth["clap_frames"][0]), sound_s=heard_s)
    found = solve_sync_shift(mark, film_time, separation_frames=18.0, head_offset_frames=0.0)
    assert abs(found.shift_frames - 18.0) < 0.25 and not found.worth_a_look
    off_s = (position_at(film_time, sound["capture_s"]) + found.shift_frames) / 18 - np.array(
        sound["camera_s"]
    )
    assert np.abs(off_s).max() < 0.005  # with one mark the whole map is within 5 ms
