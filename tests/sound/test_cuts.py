"""Hum through splices: sound recorded before the film was cut, or after."""

from fractions import Fraction

import numpy as np
import pytest

from smallgauge.sound.cuts import find_cuts
from smallgauge.sound.hum import HumReading, find_hum
from smallgauge.sound.knocks import find_head_distance, find_knocks
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track

SPLICES, FRAMES, RATE = (90, 300, 610, 700), 760, 8000


@pytest.mark.parametrize(
    ("cut_frames", "hum_level", "recorded"),
    [(0.0, 0.004, "after cutting"), (37.0, 0.004, "before cutting"), (37.0, 0.0, "not sure")],
)
def test_hum_that_jumps_at_the_splices_was_recorded_before_they_were_made(cut_frames, hum_level, recorded):
    """The scan moves between 11 and 13 frames a second; hum 35 dB below the talk; none: not sure."""
    truth = TrackTruth(
        camera_rate=Fraction(18),
        ahead_frames=18,
        head_offset_frames=2.0,
        sample_rate=RATE,
        splices=SPLICES,
        seed=2,
        film_hum_level=hum_level,
        cut_frames=cut_frames,
        stripe_hiss_level=0.002,
    )
    times = np.linspace(0, 80, 4000)
    stamps = np.interp(np.arange(FRAMES), 12 * times + 3 * np.sin(times / 3), times)
    samples = draw_track(
        truth, lambda t: 12 * t + 3 * np.sin(t / 3), start_s=0.0, samples=int(RATE * stamps[-1])
    )
    beside = {"frame_times_s": stamps, "film_positions": range(FRAMES)}
    size = {"in_samples": len(samples), "sound_rate": RATE}
    read = read_array(samples)
    head = find_head_distance(
        find_knocks(read, **size), splices=SPLICES, confidence=[0.8] * len(SPLICES), **beside
    )
    assert len(head.heard) >= 3 and abs(head.frames - 2.0) < 0.2
    hum = find_hum(read, **size, **beside)
    order = {"sound_rate": RATE, "heard": head.heard, "splices": SPLICES, **beside}
    found = find_cuts(read, hum=hum, ahead_frames=18.0, **order)
    assert found.recorded == recorded
    foreign = tuple((s, s + 18) for s in SPLICES) if recorded == "before cutting" else ()
    assert found.foreign == foreign
    assert find_cuts(read, hum=hum, ahead_frames=None, **order).foreign == ()
    assert find_cuts(read, hum=HumReading(refusal="weak"), ahead_frames=18.0, **order).recorded == "not sure"
