"""How far stripe sound is moved so that it belongs to its picture, and what is said where that is not known.

The sound lies A frames ahead of its picture on the film (`gauge/tracks.py`); the machine's sound head stands
D frames after its gate. At the moment at which film position x is in the gate, the head reads sound that
belongs to picture position x - D + A [derived]: the move is A - D frames, applied in film position. Of film that
runs tail first the head reads what passed the gate before, nearer the tail: x + D + A, and the move is A + D.

D is a fact about one machine and one gauge. Where it is neither stated nor stored it is not assumed: not 0,
not the standard separation. The sound is laid unmoved and the decision says that sync is not set, until the
operator marks one event that is seen and heard.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.gauge.tracks import StripeTrack
from smallgauge.sound.curves import hermite_inverse
from smallgauge.sound.knocks import HeadReading
from smallgauge.sound.speed import FilmTime, SoundMap, in_sample_at, position_at

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

    `shift_frames` is A - D, 0 where one of them is not known. With a `mark` the shift is that of
    `solve_sync_shift`. `set` is False where neither the two numbers nor a mark are there. `evidence` says in
    words what the decision rests on; `from_splices` says that splices seen and heard are among it.
    """

    separation_frames: float | None  # A: sound ahead of picture on the film; None: not known for this gauge
    head_offset_frames: float | None  # D: head after gate; None: neither stated nor stored
    mark: SyncMark | None
    shift_frames: float
    set: bool
    evidence: str
    from_splices: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedShift:
    """What one event, seen and heard, says of the sync."""

    shift_frames: float  # by which the sound moves
    head_offset_frames: float | None  # D as it follows from the mark; None where A is not known
    disagrees_frames: float | None  # |shift - (A - D)|; None where A or D is not known
    worth_a_look: bool  # they disagree by more than `DISAGREES_FRAMES`


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
    backwards: bool = False,
    head: HeadReading | None = None,
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
    backwards : bool
        The film ran tail first.
    head : HeadReading, optional
        The head distance as splices show it. Taken where none is stated or stored; otherwise it is only held
        against that, in the evidence.

    Returns
    -------
    SyncDecision

    Raises
    ------
    CallerError
        A number that is not finite.

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
    _need_finite(head_offset_frames, mark)
    separation = None if track is None else track.ahead_frames.value
    words: list[str] = []
    if track is not None:
        fact = track.ahead_frames
        give = f" (plus or minus {fact.tolerance:g})" if fact.tolerance is not None else ""
        words.append(
            f"{track.kind} sound lies {fact.value:g} frames{give} ahead of its picture ({fact.source}: "
            f"{fact.confidence})"
        )
    if head_offset_frames is not None:
        ran = ", film tail first" if backwards else ""
        words.append(f"sound head {head_offset_frames:g} frames after the gate of this machine{ran}")
    from_splices = False
    if head is not None and not head.refusal:
        words.append(
            f"{len(head.heard)} of {head.splices} splices that are seen are heard {head.frames:.2f} frames after the gate, "
            f"give or take {2 * head.sigma:.2f}"
        )
        from_splices = head_offset_frames is None and separation is not None and mark is None
        head_offset_frames = head.frames if head_offset_frames is None else head_offset_frames
    elif head is not None and head.splices and head_offset_frames is None:
        words.append(f"{head.splices} splices seen say nothing of the head: {head.refusal}")
    shift = 0.0
    known = separation is not None and head_offset_frames is not None
    if separation is not None and head_offset_frames is not None:
        shift = separation + (head_offset_frames if backwards else -head_offset_frames)
    if mark is not None:
        words.insert(
            0,
            f"one mark: seen at film position {mark.film_position:g}, heard {mark.sound_s:.3f} s into the "
            "captured sound",
        )
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
            f"{NOT_SET}: {' and '.join(missing)} not known, none is assumed and the sound is laid unmoved; "
            "one mark sets it",
        )
    return SyncDecision(
        separation_frames=separation,
        head_offset_frames=head_offset_frames,
        mark=mark,
        shift_frames=shift,
        set=known or mark is not None,
        evidence="; ".join(words),
        from_splices=from_splices,
    )


def solve_sync_shift(
    mark: SyncMark,
    film_time: FilmTime,
    *,
    separation_frames: float | None = None,
    head_offset_frames: float | None = None,
    sound_start_s: float = 0.0,
    sound_clock_ppm: float = 0.0,
) -> MarkedShift:
    """By how much one mark moves the sound, and whether it agrees with what was known.

    The sound heard at capture time t belongs to picture position x(t) + shift; the mark says that this is its
    film position, so shift = film position - x(t) [derived].

    Parameters
    ----------
    mark : SyncMark
        One event seen and heard.
    film_time : FilmTime
        Film position in the gate against capture time.
    separation_frames, head_offset_frames : float or None
        A and D where they are known, to compare.
    sound_start_s, sound_clock_ppm : float
        As for `solve_sound_map`.

    Returns
    -------
    MarkedShift

    Raises
    ------
    CallerError
        A number that is not finite.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from smallgauge.sound.speed import solve_film_time
    >>> film_time = solve_film_time(None, range(100), scan_rate=Fraction(9))
    >>> mark = SyncMark(film_position=26.0, sound_s=1.0)
    >>> found = solve_sync_shift(mark, film_time, separation_frames=18.0)
    >>> found.shift_frames, found.head_offset_frames, found.disagrees_frames
    (17.0, 1.0, None)
    """
    _need_finite(head_offset_frames, mark)
    heard_s = sound_start_s + mark.sound_s / (1.0 + sound_clock_ppm * 1e-6)
    shift = mark.film_position - float(position_at(film_time, [heard_s])[0])
    disagrees = None
    if separation_frames is not None and head_offset_frames is not None:
        disagrees = abs(shift - (separation_frames - head_offset_frames))
    return MarkedShift(
        shift_frames=shift,
        head_offset_frames=None if separation_frames is None else separation_frames - shift,
        disagrees_frames=disagrees,
        worth_a_look=disagrees is not None and disagrees > DISAGREES_FRAMES,
    )


def _need_finite(head_offset_frames: float | None, mark: SyncMark | None) -> None:
    """Refuse numbers that would put the sound nowhere."""
    if not all(number is None or math.isfinite(number) for number in (head_offset_frames, *(mark or ()))):
        raise CallerError(
            f"Finite numbers are needed to set the sync; found head offset {head_offset_frames}, "
            f"mark {mark}: leave out what is not known."
        )


def measured_coverage(knots: SoundMap, *, in_samples: int, sound_rate: int, out_rate: int) -> Coverage:
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
    >>> found = measured_coverage(knots, in_samples=96000, sound_rate=48000, out_rate=48000)
    >>> found.silent_head_s, found.silent_tail_s, found.unused_head_s, found.unused_tail_s
    (1.0, 0.0, 0.0, 1.0)
    """
    if (
        knots.in_sample[-1] < knots.in_sample[0]
    ):  # the map runs back: the same, seen from the sound's other end
        knots = replace(knots, in_sample=in_samples - knots.in_sample, slope=-knots.slope)
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
