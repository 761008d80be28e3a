"""The captured sound to its readings: a row a second and channel, and what it says as a whole."""

from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import Gauge
from smallgauge.gauge.mains import MAINS_HZ
from smallgauge.media.sound_in import SoundReader, open_sound
from smallgauge.record.frametable import TRACK_COLUMNS
from smallgauge.record.notes import APART, WITH_PICTURE, CaptureNotes
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.sound.comb import find_comb
from smallgauge.sound.cuts import find_cuts
from smallgauge.sound.dropouts import find_dropouts
from smallgauge.sound.flutter import NOT_READ, FlutterReading, measure_comb_flutter
from smallgauge.sound.hum import HumReading, find_hum
from smallgauge.sound.knocks import find_head_distance, find_knocks
from smallgauge.sound.levels import measure_levels
from smallgauge.sound.recording import find_recording
from smallgauge.sound.runs import RunReading, find_recorded, find_run
from smallgauge.sound.tracks import TracksReading, find_tracks

Doubles = NDArray[np.float64]


class Passing(TypedDict):
    """How the film passed the gate while the sound was captured: what every reading of the sound is told."""

    frame_times_s: Doubles | None  # of each captured frame; None where they say nothing of this sound
    film_positions: Doubles | NDArray[np.int32]
    scan_rate: Fraction | None
    sound_start_s: float
    sound_clock_ppm: float


def _passing(frames: Table, notes: CaptureNotes) -> Passing:
    """Of sound that was captured with the picture."""
    return Passing(
        frame_times_s=frames["time_s"],
        film_positions=frames["film_position"],
        scan_rate=notes.scan_rate,
        sound_start_s=notes.sound_start_s or 0.0,
        sound_clock_ppm=notes.sound_clock_ppm or 0.0,
    )


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


def hear_track(path: Path, *, frames: Table, notes: CaptureNotes, gauge: Gauge) -> TrackPaper:
    """Is the captured sound a recording, what hums in it, and which splices of the picture are heard in it.

    Of the gauge the separation is taken, and the usual rates: they are tried where the sound ran apart and nobody
    stated at what rate.
    """
    if (notes.sound_run or WITH_PICTURE) != WITH_PICTURE:
        return _hear_apart(path, frames, notes, gauge)
    passing = _passing(frames, notes)
    with open_sound(path) as reader:
        recording = find_recording(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
        hum = find_hum(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
        knocks = find_knocks(reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate)
        flutter = _flutter(reader, hum, passing, notes)
        dropouts = find_dropouts(reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate)
        splices, sure = _splices(frames)
        head = find_head_distance(
            knocks,
            splices=splices,
            confidence=sure,
            **passing,
        )
        cuts = find_cuts(
            reader.read_padded,
            sound_rate=reader.rate,
            hum=hum,
            heard=head.heard,
            splices=splices,
            ahead_frames=gauge.tracks[0].ahead_frames.value if gauge.tracks else None,
            **passing,
        )
    return TrackPaper(
        capture_digest=frames.capture_digest,
        recording=recording,
        hum=hum,
        head=head,
        cuts=cuts,
        tracks=_compare(path),
        flutter=flutter,
        dropouts=dropouts,
    )


def _flutter(reader: SoundReader, hum: HumReading, passing: Passing, notes: CaptureNotes) -> FlutterReading:
    """Flutter of the recording, where hum of the film tells it; the scan's own is in the frames' time stamps."""
    if hum.refusal:
        return NOT_READ
    comb = find_comb(
        reader.read_padded,
        in_samples=reader.samples,
        sound_rate=reader.rate,
        cycles_a_frame=hum.cycles_a_frame,
        **passing,
    )
    # Where it was 60 Hz and nobody said so, the reading takes flutter for a sixth slower than it was.
    mains_hz = notes.mains_hz or MAINS_HZ[0]
    return measure_comb_flutter(comb, camera_rate=Fraction(mains_hz / hum.cycles_a_frame))


def _compare(path: Path) -> TracksReading | None:
    """What two tracks are to one another; None where there are not two."""
    with open_sound(path) as reader:
        if reader.channels != 2:
            return None
        return find_tracks(reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate)


def _hear_apart(path: Path, frames: Table, notes: CaptureNotes, gauge: Gauge) -> TrackPaper:
    """Sound with a clock of its own: no frame's time stamp says anything of it."""
    own = notes.sound_run == APART
    with open_sound(path) as reader:
        seconds = reader.samples / reader.rate
        rate = notes.sound_run_rate if own else None
        passed = np.arange(max(2, int(seconds * float(rate or 1))), dtype=np.float64)
        passing = Passing(
            frame_times_s=None, film_positions=passed, scan_rate=rate, sound_start_s=0.0, sound_clock_ppm=0.0
        )
        recording = find_recording(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
        hum = find_hum(
            reader.read_padded,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
        run = _run(reader, frames, notes, gauge) if own else None
    return TrackPaper(
        capture_digest=frames.capture_digest, recording=recording, hum=hum, run=run, tracks=_compare(path)
    )


def _run(reader: SoundReader, frames: Table, notes: CaptureNotes, gauge: Gauge) -> RunReading:
    """Where the splices that are seen are heard in a run of the film's own sound."""
    splices, sure = _splices(frames)
    stated = notes.sound_run_rate or notes.camera_speed
    sound = {"in_samples": reader.samples, "sound_rate": reader.rate}
    return find_run(
        find_knocks(reader.read_padded, **sound),
        splices=splices,
        confidence=sure,
        rates=(stated,) if stated else gauge.usual_rates,
        seconds=reader.samples / reader.rate,
        frames=int(frames["film_position"].max()) + 1,
        ahead_frames=gauge.tracks[0].ahead_frames.value if gauge.tracks else None,
        recorded_s=find_recorded(reader.read_padded, **sound),
    )


def _splices(frames: Table) -> tuple[list[int], list[float]]:
    """Film positions of the frames that follow a splice, and how sure each is."""
    at = np.flatnonzero(frames["splice"])
    return frames["film_position"][at].tolist(), frames["splice_confidence"][at].tolist()
