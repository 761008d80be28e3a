"""Dropouts: told by the stripe's hiss, which a pause leaves and a lifted film takes along."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.sound.dropouts import find_dropouts
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track

RATE = 48_000
PLACES = ((2.0, 0.02, 0.08), (5.0, 0.1, 0.05), (8.0, 0.3, 0.1))
TRUTH = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, content="speech", stripe_hiss_level=0.003,
    hiss_level=0.0002, dropouts=PLACES,
)  # fmt: skip


def found_in(truth, seconds=11, scan=18.0):
    samples = draw_track(truth, lambda t: scan * t, start_s=0.0, samples=seconds * RATE)
    return find_dropouts(read_array(samples), in_samples=len(samples), sound_rate=RATE)


@pytest.mark.parametrize("content", ["speech", "speech and tune", "none"])
def test_dropouts_are_marked_where_they_are(content):
    found = found_in(replace(TRUTH, content=content))
    assert len(found) == len(PLACES)
    for mark, (at_s, length_s, _) in zip(found, PLACES, strict=True):
        assert mark.first_s == pytest.approx(at_s, abs=0.008)
        assert mark.stop_s == pytest.approx(at_s + length_s, abs=0.008)
        assert mark.depth_db > 6


def test_pauses_are_none_and_noise_of_the_chain_hides_all():
    assert found_in(replace(TRUTH, dropouts=())) == ()
    assert found_in(replace(TRUTH, dropouts=(), content="speech and tune", stripe_hiss_level=0.0005)) == ()
    assert found_in(replace(TRUTH, hiss_level=0.01)) == ()


def test_nothing_is_said_of_what_cannot_be_heard():
    dead = read_array(np.zeros(3 * RATE))
    assert find_dropouts(dead, in_samples=3 * RATE, sound_rate=RATE) == ()
    assert find_dropouts(dead, in_samples=3 * RATE, sound_rate=8000) == ()
    with pytest.raises(CallerError, match="above 0"):
        find_dropouts(dead, in_samples=1, sound_rate=0)
