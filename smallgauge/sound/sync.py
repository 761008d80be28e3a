"""How far stripe sound is moved so that it belongs to its picture, and what is said where that is not known.

The sound lies A frames ahead of its picture on the film (`gauge/tracks.py`); the machine's sound head stands
D frames after its gate. At the moment at which film position x is in the gate, the head reads sound that
belongs to picture position x - D + A [derived]: the move is A - D frames, applied in film position.

D is a fact about one machine and one gauge. Where it is neither stated nor stored it is not assumed: not 0,
not the standard separation. The sound is laid unmoved and the decision says that sync is not set, until the
operator marks one event that is seen and heard.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.gauge.tracks import StripeTrack
from smallgauge.sound.speed import FilmTime, SoundMap, hermite_inverse, in_sample_at, position_at

NOT_SET = "sync not set"

# A mark that disagrees with the stated head distance by more than this is worth a second look.
# common practice, no source.
DISAGREES_FRAMES = 0.5


class SyncMark(NamedTuple):
    """One event that is seen at a film position and heard at a time of the captured sound."""

    film_position: float  # frames; the frame in which it is first seen
    sound_s: float  # seconds from sample 0 of the captured sound, by the sound's own clock


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncDecision:
    """What moves the sound against the picture: the proposal, or the operator's word.

    `shift_frames` is A - D; it is 0 and means nothing while `set` is False. `evidence` says in words what the
    decision rests on, and `warnings` what an operator should look at.
    """

    separation_frames: float | None  # A: sound ahead of picture on the film; None: not known for this gauge
    head_offset_frames: float | None  # D: head after gate; None: neither stated nor stored
    mark: SyncMark | None
    shift_frames: float
    set: bool
    evidence: str
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Where picture and sound do not cover one another; seconds, each 0 or more.

    What is silent is counted in playing time, what is unused in capture time.
    """

    silent_head_s: float  # picture before the first captured sound: silence
    silent_tail_s: float  # picture after the last captured sound: silence
    unused_head_s: float  # captured sound that belongs before the first picture: not in the finished film
    unused_tail_s: float  # captured sound that belongs after the last picture


def propose_sync(
    *,
    track: StripeTrack | None,
    head_offset_frames: float | None,
    mark: SyncMark | None = None,
    film_time: FilmTime | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> SyncDecision:
    """How far the sound is moved, from the gauge's separation and the machine's head, or from one mark.

    Parameters
    ----------
    track : StripeTrack or None
        The kind of track on the film; None where the gauge or the track is not known.
    head_offset_frames : float or None
        D, frames from gate to sound head, positive with the head after the gate; None where it is neither
        stated nor stored.
    mark : SyncMark, optional
        One event seen and heard. It sets the sync by itself, and wins over the two numbers.
    film_time : FilmTime, optional
        Needed with a mark.
    sound_start_s, sound_clock_ppm : float
        As for `solve_sound_map`.

    Returns
    -------
    SyncDecision

    Raises
    ------
    CallerError
        A mark without `film_time`, or a number that is not finite.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> decision = propose_sync(track=SUPER_8.tracks[0], head_offset_frames=0.0)
    >>> decision.set, decision.shift_frames
    (True, 18.0)
    >>> decision = propose_sync(track=SUPER_8.tracks[0], head_offset_frames=None)
    >>> decision.set, decision.shift_frames, decision.evidence[:12]
    (False, 0.0, 'sync not set')
    """
    separation = None if track is None else track.ahead_frames.value
    numbers = (head_offset_frames, *(mark or ()), sound_start_s, sound_clock_ppm)
    if not all(number is None or math.isfinite(number) for number in numbers):
        raise CallerError(
            f"Finite numbers are needed to set the sync; found head offset {head_offset_frames}, mark {mark}"
            ": leave out what is not known."
        )
    words: list[str] = []
    warnings: list[str] = []
    if track is not None:
        fact = track.ahead_frames
        give = f" (plus or minus {fact.tolerance:g})" if fact.tolerance is not None else ""
        words.append(
            f"{track.kind} sound lies {fact.value:g} frames{give} ahead of its picture [{fact.source}, "
            f"{fact.confidence}]"
        )
    if head_offset_frames is not None:
        words.append(f"sound head {head_offset_frames:g} frames after the gate, as stated for this machine")
    known = separation is not None and head_offset_frames is not None
    shift = (
        separation - head_offset_frames if separation is not None and head_offset_frames is not None else 0.0
    )
    if mark is not None:
        if film_time is None:
            raise CallerError("To use a sync mark, the film time of the capture is needed; found none.")
        heard_s = sound_start_s + mark.sound_s / (1.0 + sound_clock_ppm * 1e-6)
        in_gate = float(position_at(film_time, [heard_s])[0])
        marked = mark.film_position - in_gate
        words.insert(
            0,
            f"one mark: seen at film position {mark.film_position:g}, heard {mark.sound_s:.3f} s into the "
            f"captured sound with film position {in_gate:.2f} in the gate, so the sound moves "
            f"{marked:+.2f} frames",
        )
        if separation is not None:
            words.append(f"the mark puts the sound head {separation - marked:.2f} frames after the gate")
        if known and abs(marked - shift) > DISAGREES_FRAMES:
            warnings.append(
                f"the mark and the stated head distance differ by {abs(marked - shift):.2f} frames: "
                "look at both"
            )
        shift = marked
    elif not known:
        missing = [
            text
            for text, value in (
                ("the separation of sound and picture on this film", separation),
                ("the distance from gate to sound head of the machine", head_offset_frames),
            )
            if value is None
        ]
        words.insert(
            0,
            f"{NOT_SET}: {' and '.join(missing)} not known, none is assumed and the sound is laid "
            "unmoved; one mark sets it",
        )
    return SyncDecision(
        separation_frames=separation,
        head_offset_frames=head_offset_frames,
        mark=mark,
        shift_frames=shift,
        set=known or mark is not None,
        evidence="; ".join(words),
        warnings=tuple(warnings),
    )


def measure_coverage(knots: SoundMap, *, in_samples: int, sound_rate: int, out_rate: int) -> Coverage:
    """How much picture has no sound, and how much captured sound has no picture.

    Parameters
    ----------
    knots : SoundMap
        The map of the track.
    in_samples : int
        Length of the captured sound.
    sound_rate, out_rate : int
        Samples a second of captured and finished sound.

    Returns
    -------
    Coverage

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 96000.0]), in_sample=np.array([-48000.0, 48000.0]),
    ...                  slope=np.ones(2), gain=np.ones(2), out_samples=96000)
    >>> found = measure_coverage(knots, in_samples=96000, sound_rate=48000, out_rate=48000)
    >>> found.silent_head_s, found.silent_tail_s, found.unused_head_s, found.unused_tail_s
    (1.0, 0.0, 0.0, 1.0)
    """
    ends = [0.0, float(in_samples)]
    begins, ceases = hermite_inverse(ends, knots.out_sample, knots.in_sample, knots.slope)[0]
    first, last = in_sample_at(knots, [0.0, float(knots.out_samples)])[0]
    length = float(knots.out_samples)
    return Coverage(
        silent_head_s=float(np.clip(begins, 0.0, length)) / out_rate,
        silent_tail_s=float(np.clip(length - ceases, 0.0, length)) / out_rate,
        unused_head_s=float(np.clip(first, 0.0, in_samples)) / sound_rate,
        unused_tail_s=float(np.clip(in_samples - last, 0.0, in_samples)) / sound_rate,
    )
