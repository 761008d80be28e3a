"""The guide of sound with a clock of its own: heard in the picture's time, the sound found on it."""

from fractions import Fraction
from pathlib import Path

import numpy as np

from smallgauge.gauge.gauges import Gauge
from smallgauge.media.sound_in import SoundReader, open_sound
from smallgauge.record.journal import key_of
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.table import Table
from smallgauge.record.track import GuideHeard
from smallgauge.sound.guide import find_guide_on_film

ARCHIVE_GUIDE = "archive-guide.wav"


def guide_key(notes: CaptureNotes) -> str:
    """The operator's words that the guide is heard with, besides those that the measuring depends on."""
    return key_of(
        "guide",
        notes.guide_rate,
        notes.guide_start_s,
        notes.guide_shift_frames,
        notes.sound_breaks,
        notes.camera_speed,
    )


def hear_guide(tape: Path, guide: Path, *, frames: Table, notes: CaptureNotes, gauge: Gauge) -> GuideHeard:
    """Find the captured sound on its guide, at the stated rate of its run or at each usual one."""
    stated = notes.sound_run_rate or notes.camera_speed
    with open_sound(tape) as sound, open_sound(guide) as reader:
        tries = [
            _heard_at(sound, reader, rate, frames, notes)
            for rate in ((stated,) if stated else gauge.usual_rates)
        ]
    return max(tries, key=lambda heard: float(np.nan_to_num(heard.kept, nan=-1.0)))


def _heard_at(
    sound: SoundReader, guide: SoundReader, rate: Fraction, frames: Table, notes: CaptureNotes
) -> GuideHeard:
    places = frames["film_position"]
    found = find_guide_on_film(
        sound.read_padded,
        guide.read_padded,
        tape_samples=sound.samples,
        tape_rate=sound.rate,
        guide_rate=guide.rate,
        frame_times_s=None if notes.guide_rate else frames["time_s"],
        film_positions=places,
        scan_rate=notes.guide_rate or notes.scan_rate,
        run_rate=rate,
        shift_frames=notes.guide_shift_frames or 0.0,
        start_s=notes.guide_start_s or 0.0,
        breaks=[float(places[n]) - 0.5 for n in notes.sound_breaks if 0 < n < len(places)],
    )

    def film(pairs: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        return tuple((round(a * float(rate), 2), round(b * float(rate), 2)) for a, b in pairs)

    return GuideHeard(
        refusal=found.refusal,
        rate=rate,
        speed=found.speed,
        kept=found.kept,
        sigma_s=found.sigma_s,
        film_positions=tuple(round(at * float(rate), 5) for at in found.guide_s),
        sound_s=found.tape_s,
        not_found=film(found.not_found),
        jumps=film(found.jumps),
    )
