"""The archive's sound as Broadcast Wave: the captured sample bytes behind what is known of them."""

from pathlib import Path

from smallgauge.media.broadcast_wave import (
    BroadcastExtension,
    read_extension,
    wave_format,
    write_broadcast_wave,
)
from smallgauge.media.sound_in import open_sound
from smallgauge.record.capture import Capture
from smallgauge.record.journal import Journal, key_of
from smallgauge.sound.loudness import LoudnessMeter, LoudnessReading

ARCHIVE_SOUND, BROADCAST_SOUND = "archive.wav", "archive-broadcast.wav"
BROADCASTING = 1  # raised when the same sound would give other bytes
_LOWEST_RATE = 8000  # below it the loudness is not measured
_MODES = {1: "mono", 2: "stereo"}


def make_broadcast_sound(folder: Path, capture: Capture, journal: Journal) -> bool:
    """Write `archive-broadcast.wav` where it does not stand; False where the captured sound is no WAV file."""
    source = folder / ARCHIVE_SOUND
    if capture.sound is None or not wave_format(source):
        return False
    notes = capture.notes
    words = (notes.reel or capture.name, notes.captured_on, notes.machine, notes.sound_start_s)
    key = key_of("broadcast", BROADCASTING, capture.sound, capture.gauge, words)
    if not journal.holds(BROADCAST_SOUND, key):
        write_broadcast_wave(source, folder / BROADCAST_SOUND, _said(source, capture))
        journal.add_file("render", BROADCAST_SOUND, key=key, stop=capture.sound.samples)
    return True


def _said(source: Path, capture: Capture) -> BroadcastExtension:
    """What is known: the capture's papers, the loudness, and what the capture program itself wrote."""
    sound, notes = capture.sound, capture.notes
    assert sound is not None  # the caller has one
    came = read_extension(source) or BroadcastExtension()
    heard = _heard(source)
    start = max(0, round((notes.sound_start_s or 0.0) * sound.rate))
    mode = _MODES.get(sound.channels, "multitrack")
    history = came.coding_history or (
        f"A=ANALOGUE,M={mode},T=film {capture.gauge}\n"
        f"A=PCM,F={sound.rate},W={sound.bits},M={mode},T={notes.machine or 'film scanner'}\n"
    )
    number = notes.reel or capture.name
    return BroadcastExtension(
        description=f"Sound of film reel {number} as captured; {sound.name}, SHA-256 {sound.sha256}",
        originator=came.originator or capture.program,
        originator_reference=came.originator_reference or number,
        origination_date=notes.captured_on or came.origination_date,
        origination_time=came.origination_time,
        time_reference=came.time_reference or start,
        loudness_lufs=heard.integrated_lufs,
        loudness_range_lu=heard.range_lu,
        true_peak_dbtp=heard.true_peak_dbtp,
        momentary_max_lufs=heard.momentary_max_lufs,
        short_term_max_lufs=heard.short_term_max_lufs,
        coding_history=history,
    )


def _heard(source: Path) -> LoudnessReading:
    """Loudness of the captured samples as they are: at the scan's speed, without any gain."""
    with open_sound(source) as reader:
        if reader.rate < _LOWEST_RATE:
            nan = float("nan")
            return LoudnessReading(
                integrated_lufs=nan,
                range_lu=nan,
                momentary_max_lufs=nan,
                short_term_max_lufs=nan,
                true_peak_dbtp=nan,
                noise_floor_lufs=nan,
            )
        meter = LoudnessMeter(rate=reader.rate, channels=reader.channels)
        for first in range(0, reader.samples, reader.rate):
            meter.add(reader.read(first, first + reader.rate))
    return meter.reading()
