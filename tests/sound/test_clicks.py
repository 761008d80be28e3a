"""Clicks: their extents to the sample, repair near that of a known place, and speech that is left alone."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hearing import decibels, spoken

from smallgauge.errors import CallerError
from smallgauge.sound.clicks import Click, apply_click_repair, find_clicks
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track

RATE = 48_000
SECONDS = 10


def with_clicks(milliseconds, seed=1):
    """Speech over noise 40 dB down, and 20 bursts of white noise: the sound reference's case."""
    random = np.random.Generator(np.random.SFC64(seed + 50))
    speech = spoken(SECONDS, RATE, seed=seed)
    speech += 0.001 * random.standard_normal(len(speech))
    samples, places = speech.copy(), []
    length = round(milliseconds * RATE / 1000)
    for number in range(20):
        first = round((0.3 + number * 0.47) * RATE) + int(random.integers(RATE // 20))
        samples[first : first + length] += 0.18 * random.standard_normal(length)
        places.append((first, first + length))
    return speech, samples, places


def found_in(samples, **more):
    return find_clicks(read_array(samples), in_samples=len(samples), sound_rate=RATE, **more)


def mended(samples, clicks):
    return apply_click_repair(read_array(samples), clicks, sound_rate=RATE)(0, len(samples))[:, 0]


def click(first, stop):
    return Click(track=0, first=first, stop=stop, strength=20.0, expected=False)


@pytest.mark.parametrize(("milliseconds", "least"), [(1, 18), (3, 18), (6, 16)])
def test_repair_is_within_3_db_of_a_known_place(milliseconds, least):
    speech, samples, places = with_clicks(milliseconds)
    clicks = found_in(samples)
    hit = [(a, b) for a, b in places if any(c.first < b and c.stop > a for c in clicks)]
    assert len(hit) >= least
    assert len(clicks) == len(hit)  # nothing else was called a click

    def in_gaps(heard):
        return np.mean(
            [decibels(np.sum(speech[a:b] ** 2) / np.sum((heard - speech)[a:b] ** 2)) for a, b in hit]
        )

    known, automatic = (
        in_gaps(mended(samples, [click(a, b) for a, b in places])),
        in_gaps(mended(samples, clicks)),
    )
    assert automatic > known - 3.0
    assert automatic > in_gaps(samples) + 10.0
    inside = np.zeros(len(samples), dtype=bool)
    for c in clicks:
        inside[c.first : c.stop] = True
    assert np.array_equal(mended(samples, clicks)[~inside], samples[~inside])


def test_speech_holds_no_clicks():
    for seed in (2, 3):
        speech = with_clicks(1, seed)[0]
        assert found_in(speech) == ()


def test_a_clap_is_no_click_and_less_is_asked_of_one_at_a_splice():
    at_s = 29.5 / 18
    truth = TrackTruth(
        camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, clicks=((at_s, 0.001),), click_level=0.006,
        clap_frames=(100,), content="speech and tune",
    )  # fmt: skip
    samples = draw_track(truth, lambda t: 18 * t, start_s=0.0, samples=6 * RATE)[:, 0]
    assert found_in(samples) == ()
    (knock,) = found_in(samples, expected=(at_s * RATE,))
    assert (
        knock.expected
        and abs(knock.first - at_s * RATE) < 20
        and abs(knock.stop - (at_s + 0.001) * RATE) < 20
    )


def test_what_is_found_does_not_depend_on_the_cutting():
    samples = with_clicks(3)[1][: 4 * RATE]
    edges = [0, 30_000, 30_001, 100_000, len(samples)]
    cut = [c for a, b in pairwise(edges) for c in found_in(samples, first=a, stop=b)]
    assert tuple(cut) == found_in(samples)
    clicks = found_in(samples)
    reader = apply_click_repair(read_array(samples), clicks, sound_rate=RATE)
    edges = [0, clicks[0].first + 3, clicks[2].stop - 1, len(samples)]
    assert np.array_equal(
        np.concatenate([reader(a, b)[:, 0] for a, b in pairwise(edges)]), mended(samples, clicks)
    )


def test_each_track_has_its_own_and_edges_and_silence_are_survived():
    speech, samples, places = with_clicks(1)
    both = np.stack([speech, samples], axis=1)[: 2 * RATE]
    assert {c.track for c in found_in(both)} == {1}
    assert found_in(np.zeros(RATE)) == ()
    broken = samples[places[0][0] + 10 : RATE]  # begins in the middle of a click
    mended(broken, found_in(broken))
    reader = read_array(samples)
    assert apply_click_repair(reader, (), sound_rate=RATE) is reader
    two = [click(2000, 2050), click(2100, 2150)]  # one in the other's context
    assert np.abs(mended(samples, two)[2000:2150]).max() < 1.0
    with pytest.raises(CallerError, match="8000 samples"):
        find_clicks(reader, in_samples=1, sound_rate=4000)
