"""The captured sound to its readings: a row a second and channel, and what it says as a whole."""

from dataclasses import asdict, replace
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
from smallgauge.record.soundfaults import SoundFaults
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.sound.clicks import Click, find_clicks
from smallgauge.sound.comb import CombTrack
from smallgauge.sound.cuts import find_cuts
from smallgauge.sound.dropouts import find_dropouts
from smallgauge.sound.flutter import NOT_READ, FlutterReading, measure_comb_flutter
from smallgauge.sound.hum import HumReading, find_hum
from smallgauge.sound.hum_removal import find_hum_combs, measure_hum_lines
from smallgauge.sound.jumps import find_hum_jumps
from smallgauge.sound.knocks import find_head_distance, find_head_passes, find_knocks
from smallgauge.sound.levels import measure_levels
from smallgauge.sound.recording import find_recording
from smallgauge.sound.runs import RunReading, find_recorded, find_run
from smallgauge.sound.thumps import find_thumps
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


def hear_track(
    path: Path, *, frames: Table, notes: CaptureNotes, gauge: Gauge
) -> tuple[TrackPaper, SoundFaults]:
    """Is the captured sound a recording, what hums in it, which splices of the picture are heard in it, and its faults.

    Of the gauge the separation is taken, and the usual rates: they are tried where the sound ran apart and nobody
    stated at what rate. Why this is long: one call a subject, each with the same times.
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
        film, chain = find_hum_combs(
            reader.read_padded,
            hum,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
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
        distance = head.frames if not head.refusal else notes.sound_head_offset_frames
        expected = (
            find_head_passes(
                splices,
                distance,
                sound_rate=reader.rate,
                **passing,
            )
            if distance is not None
            else []
        )
    paper = TrackPaper(
        capture_digest=frames.capture_digest,
        recording=recording,
        hum=hum,
        head=head,
        cuts=cuts,
        tracks=_compare(path),
        flutter=_flutter(film, hum, notes),
        dropouts=dropouts,
    )
    return _with_faults(path, paper, film, chain, expected)


def _flutter(film: CombTrack | None, hum: HumReading, notes: CaptureNotes) -> FlutterReading:
    """Flutter of the recording, where hum of the film tells it; the scan's own is in the frames' time stamps."""
    if film is None:
        return NOT_READ
    # Where it was 60 Hz and nobody said so, the reading takes flutter for a sixth slower than it was.
    mains_hz = notes.mains_hz or MAINS_HZ[0]
    return measure_comb_flutter(film, camera_rate=Fraction(mains_hz / hum.cycles_a_frame))


def _with_faults(
    path: Path, paper: TrackPaper, film: CombTrack | None, chain: CombTrack | None, expected: list[float]
) -> tuple[TrackPaper, SoundFaults]:
    """The paper with its faults counted, and the faults; clicks are looked for in recordings only.

    `expected` are captured samples at which a splice passes the head.
    """
    clicks: tuple[Click, ...] = ()
    thumps: tuple[Click, ...] = ()
    with open_sound(path) as reader:
        if paper.recorded and reader.rate >= 8000:
            clicks = find_clicks(
                reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate, expected=expected
            )
            thumps = find_thumps(
                reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate, expected=expected
            )
    told = replace(
        paper,
        film_hum=measure_hum_lines(film),
        chain_hum=measure_hum_lines(chain),
        clicks=len(clicks),
        thumps=len(thumps),
    )
    return told, SoundFaults(film=film, chain=chain, clicks=clicks + thumps)


def _compare(path: Path) -> TracksReading | None:
    """What two tracks are to one another; None where there are not two."""
    with open_sound(path) as reader:
        if reader.channels != 2:
            return None
        return find_tracks(reader.read_padded, in_samples=reader.samples, sound_rate=reader.rate)


def _hear_apart(
    path: Path, frames: Table, notes: CaptureNotes, gauge: Gauge
) -> tuple[TrackPaper, SoundFaults]:
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
        film, chain = find_hum_combs(
            reader.read_padded,
            hum,
            in_samples=reader.samples,
            sound_rate=reader.rate,
            **passing,
        )
        run = _run(reader, frames, notes, gauge) if own else None
    paper = TrackPaper(
        capture_digest=frames.capture_digest, recording=recording, hum=hum, run=run, tracks=_compare(path)
    )
    # Its flutter is not offered: laid by fixes, the film's own time is known to some milliseconds only.
    expected = [splice.sound_s * reader.rate for splice in run.heard] if run is not None else []
    return _with_faults(path, paper, film, chain, expected)


def _run(reader: SoundReader, frames: Table, notes: CaptureNotes, gauge: Gauge) -> RunReading:
    """Where the splices that are seen are heard in a run of the film's own sound."""
    splices, sure = _splices(frames)
    stated = notes.sound_run_rate or notes.camera_speed
    sound = {"in_samples": reader.samples, "sound_rate": reader.rate}
    knocks = find_knocks(reader.read_padded, **sound)
    return find_run(
        knocks,
        splices=splices,
        confidence=sure,
        rates=(stated,) if stated else gauge.usual_rates,
        seconds=reader.samples / reader.rate,
        frames=int(frames["film_position"].max()) + 1,
        ahead_frames=gauge.tracks[0].ahead_frames.value if gauge.tracks else None,
        recorded_s=find_recorded(reader.read_padded, **sound),
        jump_odds=find_hum_jumps(reader.read_padded, knocks=knocks, **sound),
    )


def _splices(frames: Table) -> tuple[list[int], list[float]]:
    """Film positions of the frames that follow a splice, and how sure each is."""
    at = np.flatnonzero(frames["splice"])
    return frames["film_position"][at].tolist(), frames["splice_confidence"][at].tolist()
