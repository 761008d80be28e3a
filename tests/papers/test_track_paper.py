"""What the captured sound says as a whole: flutter and dropouts reach the paper and the findings."""

from fractions import Fraction

import numpy as np
import pytest
import soundfile

from smallgauge.analyse.track import hear_track
from smallgauge.gauge.gauges import gauge_named
from smallgauge.record.files import read_json, write_json
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.track import TrackPaper, track_findings
from smallgauge.sound.synthetic import TrackTruth, draw_track

RATE = 32_000
SECONDS = 22


class Frames(dict):
    """Columns of a frame table."""

    capture_digest = "d"


def scan(time_s):
    return 14.0 * time_s + 0.6 * np.sin(0.5 * time_s)


@pytest.fixture(scope="module")
def paper(tmp_path_factory):
    path = tmp_path_factory.mktemp("heard") / "sound.wav"
    truth = TrackTruth(
        camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, sample_rate=RATE, content="speech",
        film_hum_level=0.03, chain_hum_level=0.002, stripe_hiss_level=0.003, hiss_level=0.0002,
        flutter=((4.0, 0.004), (0.9, 0.002)), dropouts=((9.0, 0.1, 0.06),),
    )  # fmt: skip
    soundfile.write(
        path, draw_track(truth, scan, start_s=0.0, samples=SECONDS * RATE), RATE, subtype="PCM_24"
    )
    positions = np.arange(int(scan(np.array(float(SECONDS)))) - 1)
    t = np.arange(0, SECONDS + 1, 0.001)
    frames = Frames(
        time_s=np.interp(positions, scan(t), t), film_position=positions.astype(np.int32),
        splice=np.zeros(len(positions), bool), splice_confidence=np.zeros(len(positions)),
    )  # fmt: skip
    return hear_track(path, frames=frames, notes=CaptureNotes(), gauge=gauge_named("super-8"))[0]


def test_flutter_and_dropouts_are_read(paper):
    # Weighted by hand: 0.4 % at 4 Hz counts whole, 0.2 % at 0.9 Hz about half; two sigma of their sum.
    t = np.arange(0, 100, 0.001)
    both = 0.004 * np.sin(2 * np.pi * 4 * t) + 0.002 * 10 ** (-5.0 / 20) * np.sin(2 * np.pi * 0.9 * t)
    assert paper.flutter.weighted_peak == pytest.approx(np.percentile(np.abs(both), 95.45), rel=0.1)
    (drop,) = paper.dropouts
    assert drop.first_s == pytest.approx(9.0, abs=0.01) and drop.stop_s == pytest.approx(9.1, abs=0.01)


def test_both_are_said(paper):
    found = {finding.code: finding.values for finding in track_findings(paper)}
    assert found["flutter told by hum"]["percent"] == pytest.approx(0.48, abs=0.06)
    assert found["sound drops out"] == {"places": 1, "longest_ms": pytest.approx(100, abs=15), "at_s": 9.0}


def test_the_paper_comes_back_as_it_was_written(paper, tmp_path):
    write_json(tmp_path / "track.json", paper)
    assert repr(read_json(tmp_path / "track.json", TrackPaper)) == repr(paper)  # NaN is not itself
