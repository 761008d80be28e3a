"""The captured sound to its readings: a row a second and channel, and what it says as a whole."""

from dataclasses import asdict
from pathlib import Path

from smallgauge.media.sound_in import open_sound
from smallgauge.record.frametable import TRACK_COLUMNS
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.sound.hum import find_hum
from smallgauge.sound.levels import measure_levels
from smallgauge.sound.recording import find_recording


def analyse_track(path: Path, *, capture_digest: str) -> Table:
    """Read the sound once, second by second, and give its readings."""
    with open_sound(path) as reader:
        seconds = -(-reader.samples // reader.rate)
        levels = measure_levels(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            first_second=0,
            stop_second=seconds,
            full_scale=1.0 - 2.0 ** (1 - reader.bits) if reader.bits < 32 else 1.0,
        )
    return Table(name="track", columns=TRACK_COLUMNS, values=asdict(levels), capture_digest=capture_digest)


def hear_track(path: Path, *, frames: Table, notes: CaptureNotes) -> TrackPaper:
    """Is the captured sound a recording, and what hums in it: on the film, or in the capture chain."""
    with open_sound(path) as reader:
        recording = find_recording(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            frame_times_s=frames["time_s"],
            film_positions=frames["film_position"],
            scan_rate=notes.scan_rate,
            sound_start_s=notes.sound_start_s or 0.0,
        )
        hum = find_hum(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            frame_times_s=frames["time_s"],
            film_positions=frames["film_position"],
            scan_rate=notes.scan_rate,
            sound_start_s=notes.sound_start_s or 0.0,
            sound_clock_ppm=notes.sound_clock_ppm or 0.0,
        )
    return TrackPaper(capture_digest=frames.capture_digest, recording=recording, hum=hum)
