"""A wild tape with a guide: heard in the picture's time, laid by the plan, kept and refused in plain words."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import soundfile

from smallgauge.analyse.guide import guide_key, hear_guide
from smallgauge.analyse.source import open_source
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.record.capture import digest_capture
from smallgauge.record.notes import CaptureNotes
from smallgauge.sound.fixes import TAPE_RUN, Fix
from smallgauge.sound.separate import solve_sound_run
from smallgauge.sound.speed import in_sample_at
from smallgauge.sound.synthetic import TapeTruth, draw_tape, tape_time_s

TRUTH = TapeTruth(seconds=40.0, speed=1.018, start_s=2.5, guide_noise_db=3.0, seed=31)
FRAMES = 720  # at 18 a second


class Frames(dict):
    """Columns of a frame table."""

    capture_digest = "d"


def scan(time_s):
    """Film position in the gate: 13 frames a second, more or less."""
    return 13.0 * time_s + 4.0 * np.sin(0.3 * time_s)


@pytest.fixture(scope="module")
def heard(tmp_path_factory):
    """A guide captured with the picture while the scan wanders, from a stripe 18 frames ahead and the head at the gate."""
    folder = tmp_path_factory.mktemp("guide")
    tape, guide = draw_tape(TRUTH)
    t = np.arange(0, 56.0, 1 / 8000)
    at_head = np.interp((scan(t) + 18.0) / 18.0, np.arange(len(guide)) / 8000, guide[:, 0], right=0.0)
    soundfile.write(folder / "sound.wav", 0.5 * tape, 8000, subtype="PCM_24")
    soundfile.write(folder / "guide.wav", 0.3 * at_head, 8000, subtype="PCM_16")
    frames = Frames(
        time_s=np.interp(np.arange(FRAMES), scan(t), t), film_position=np.arange(FRAMES, dtype=np.int32)
    )
    notes = CaptureNotes(sound_run="wild tape", sound_run_rate=Fraction(18), guide_shift_frames=18.0)
    found = hear_guide(
        folder / "sound.wav", folder / "guide.wav", frames=frames, notes=notes, gauge=gauge_named("super-8")
    )
    return found, notes


def test_a_guide_from_a_wandering_scan_lays_the_tape(heard):
    """At the finished film's own rate, ends with it; the first second of the film has no guide: its head came later."""
    found, _ = heard
    assert found.refusal == "" and found.rate == 18 and found.kept > 0.8
    fixes = [Fix(n, s, found.sigma_s) for n, s in zip(found.film_positions, found.sound_s, strict=True)]
    laid = solve_sound_run(
        fixes, transport=TAPE_RUN, run_rate=Fraction(18), camera_rate=Fraction(16), sound_rate=8000,
        out_rate=48000, out_samples=FRAMES * 3000,
    )  # fmt: skip
    n = np.arange(0.0, FRAMES, 4.0)
    off = in_sample_at(laid.map, n * 3000)[0] / 8000 - tape_time_s(TRUTH, n / 18)
    assert np.quantile(np.abs(off), 0.95) <= 0.003 and np.abs(off).max() <= 0.010
    assert np.abs(off).max() <= laid.worst_s


def test_words_on_the_guide_alone_hear_it_again(heard):
    _, notes = heard
    assert guide_key(notes) == guide_key(replace(notes, sync_marks=()))
    assert guide_key(notes) != guide_key(replace(notes, sound_breaks=(300,)))
    assert guide_key(notes) != guide_key(replace(notes, guide_shift_frames=0.0))


def test_the_digest_of_a_capture_knows_its_guide():
    assert digest_capture((), None) == digest_capture((), None, None)


@pytest.mark.parametrize("toml", ["", 'sound_run = "with the picture"\n'])
def test_a_guide_beside_sound_that_needs_none_is_refused(tmp_path, toml):
    (tmp_path / "capture.toml").write_text(toml)
    for name in ("sound.wav", "guide.wav"):
        soundfile.write(tmp_path / name, np.zeros((800, 1)), 8000)
    with pytest.raises(MaterialError, match=r"A guide \(guide.wav\) lays sound"):
        open_source(tmp_path)
