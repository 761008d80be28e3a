"""Sound of a separate run: picture scanned by itself, stripe played by itself, each with its own clock.

propose_run_sync  what was found -> whether the sound is laid by it             (treat)
propose_guide_sync  what was found on its guide -> the sound is laid by it      (treat)
solve_sound_run   fixes and what the transport may do -> LaidRun: the sound's map, with its error   (render/plan)

Nothing ties such sound to the picture but what is seen in one and heard in the other. Splices do it by
themselves where enough of them are heard in the same rhythm; the operator's marks do it anywhere. With one fix
the start is set and the drift is not known; with two or more the line through them is known, and how far the
run may have strayed from it between them is stated as an error band (`fixes.py`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.gauge.tracks import StripeTrack
from smallgauge.sound.curves import Floats
from smallgauge.sound.fixes import BAND_SIGMAS, Fix, FixedMap, Transport, solve_fixes
from smallgauge.sound.knocks import SPLICE_SIGMA_FRAMES, SpliceHeard
from smallgauge.sound.runs import RunReading
from smallgauge.sound.speed import SoundMap
from smallgauge.sound.sync import NOT_SET, Coverage, SyncDecision

# Sound against picture that viewers begin to notice, and that they accept: sound early, sound late.
DETECTED_S = (0.045, 0.125)  # BT1359
ACCEPTED_S = (0.090, 0.185)

KNOT_S = 0.5  # between knots of the map
STRAIGHT = 0.1  # a map whose speed leaves the nominal one by more is no map of one run


def propose_run_sync(*, track: StripeTrack | None, run: RunReading | None, wild: bool) -> SyncDecision:
    """Whether sound that was not captured with the picture is laid to it by what was found in it.

    Parameters
    ----------
    track : StripeTrack or None
        The kind of track on the film; None where it is not known: then splices lay nothing.
    run : RunReading or None
        Where the splices are heard; None for a wild tape, which holds none.
    wild : bool
        A tape that ran beside camera or projector.

    Returns
    -------
    SyncDecision
        Set where splices lay it; otherwise the operator's marks are asked for.

    Examples
    --------
    >>> decision = propose_run_sync(track=None, run=None, wild=True)
    >>> decision.set, decision.evidence
    (False, 'sync not set: a wild tape has its own start, clock and drift, nothing is assumed; marks set it')
    """
    what = "a wild tape" if wild else "sound captured apart"
    ahead = None if track is None else track.ahead_frames
    evidence = f"{NOT_SET}: {what} has its own start, clock and drift, nothing is assumed; marks set it"
    laid = run is not None and bool(run.heard) and ahead is not None
    if run is not None and ahead is not None and run.heard:
        give = f", plus or minus {ahead.tolerance:g}" if ahead.tolerance is not None else ""
        evidence = (
            f"{len(run.heard)} of {run.splices} splices that are seen are heard in the sound's own rhythm, at {run.speed:.4f} "
            f"of {run.rate} frames a second; sound {ahead.value:g} frames{give} ahead of its picture ({ahead.source})"
        )
    elif run is not None and run.splices:
        evidence += f"; {run.splices} splices seen do not lay it: {run.refusal or 'the separation on this film is not known'}"
    return SyncDecision(
        separation_frames=None if ahead is None else ahead.value,
        head_offset_frames=None,
        mark=None,
        shift_frames=0.0,
        set=laid,
        evidence=evidence,
        from_splices=laid,
    )


def propose_guide_sync(*, windows: int, kept: float, speed: float) -> SyncDecision:
    """Sound that was found on its guide is laid by it.

    Examples
    --------
    >>> propose_guide_sync(windows=200, kept=0.97, speed=1.0213).evidence
    'found on its guide: 200 windows agree (97 % of all), at 1.0213 of its nominal speed'
    """
    return SyncDecision(
        separation_frames=None,
        head_offset_frames=None,
        mark=None,
        shift_frames=0.0,
        set=True,
        evidence=f"found on its guide: {windows} windows agree ({kept:.0%} of all), at {speed:.4f} of its nominal speed".replace(
            "%", " %"
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidRun:
    """Sound with its own clock, laid to the picture.

    `map` may jump where two knots share an `out_sample`. `error_s` is one standard error of the place at each
    knot; `worst_s` the largest of them beside the picture, times three: the stated band. `fixed` holds the fixes and
    what is left at each when it is left out.
    """

    map: SoundMap
    error_s: Floats
    worst_s: float
    fixed: FixedMap


def solve_sound_run(
    fixes: Sequence[Fix],
    *,
    transport: Transport,
    run_rate: Fraction,
    camera_rate: Fraction,
    sound_rate: int,
    out_rate: int,
    out_samples: int,
    breaks: tuple[float, ...] = (),
    shared_sigma_frames: float = 0.0,
    spare_strays: bool = True,
) -> LaidRun:
    """The map of sound with its own clock: one resampling, pitch follows speed, jumps at breaks alone.

    Parameters
    ----------
    fixes : sequence of Fix
        One or more, at film positions of the picture.
    transport : Transport
        What the run's speed may do.
    run_rate : Fraction
        Nominal frames a second of the run.
    camera_rate : Fraction
        Frames a second at which the finished film plays.
    sound_rate, out_rate, out_samples : int
        As for `solve_sound_map`.
    breaks : tuple of float
        Film positions at which the sound may jump.
    shared_sigma_frames : float
        Standard error that all shared fixes have in common, frames.
    spare_strays : bool
        As for `solve_fixes`.

    Returns
    -------
    LaidRun

    Raises
    ------
    CallerError
        No fix; or fixes that want the sound to run more than 10 % off its nominal speed, which no run does.

    Notes
    -----
    Source: derived; the limits for sound against picture that are held beside the band: BT1359.

    Examples
    --------
    >>> from smallgauge.sound.fixes import FILM_RUN
    >>> laid = solve_sound_run(
    ...     [Fix(0.0, 5.0, 0.01), Fix(180.0, 15.01, 0.01)], transport=FILM_RUN, run_rate=Fraction(18),
    ...     camera_rate=Fraction(18), sound_rate=48000, out_rate=48000, out_samples=480000,
    ... )
    >>> round(float(laid.map.in_sample[0]) / 48000, 3), float(laid.map.slope[0].round(3)), laid.worst_s < 0.1
    (5.0, 1.001, True)
    """
    shared_s = shared_sigma_frames / float(run_rate)
    fixed = solve_fixes(
        list(fixes),
        rate=float(run_rate),
        transport=transport,
        breaks=breaks,
        shared_sigma_s=shared_s,
        spare_strays=spare_strays,
    )
    frames_a_sample = float(camera_rate / out_rate)
    edges = [0.0, *(b / frames_a_sample for b in breaks if 0 < b < out_samples * frames_a_sample)]
    edges.append(float(out_samples))
    parts, lean = [], 1e-9
    for first, last in pairwise(edges):
        count = max(2, int(np.ceil((last - first) / out_rate / KNOT_S)) + 1)
        m = np.linspace(first, last, count)
        n = m * frames_a_sample
        n[0], n[-1] = n[0] + lean, n[-1] - lean  # each piece on its own side of its breaks
        second, pace, sigma = fixed.at(n)
        parts.append((m, second * sound_rate, pace * frames_a_sample * sound_rate, sigma))
    m, q, slope, sigma = (np.concatenate(column) for column in zip(*parts, strict=True))
    nominal = float(camera_rate / run_rate) * sound_rate / out_rate
    off = np.abs(slope / nominal - 1.0)
    if off.max() > STRAIGHT:
        place = float(m[int(np.argmax(off))] * frames_a_sample)
        raise CallerError(
            f"Sound of one run keeps its speed within {STRAIGHT:.0%}, but its marks want it {off.max():.0%} off near film "
            f"position {place:.0f}; correct the mark there, or state a break where the recorder stopped."
        )
    laid = SoundMap(out_sample=m, in_sample=q, slope=slope, gain=np.ones(len(m)), out_samples=out_samples)
    return LaidRun(map=laid, error_s=sigma, worst_s=BAND_SIGMAS * float(sigma.max()), fixed=fixed)


def splice_fixes(heard: Sequence[SpliceHeard], *, ahead_frames: float, rate: float) -> list[Fix]:
    """Fixes from splices that are heard: the cut's sound belongs to the picture `ahead_frames` further on.

    Examples
    --------
    >>> heard = SpliceHeard(film_position=100, sound_s=7.0, sigma_s=0.001)
    >>> fix = splice_fixes([heard], ahead_frames=18.0, rate=18.0)[0]
    >>> fix.film_position, fix.sound_s, round(fix.sigma_s, 4), fix.shared
    (117.5, 7.0, 0.0084, True)
    """
    place = SPLICE_SIGMA_FRAMES / rate
    return [
        Fix(
            film_position=splice.film_position - 0.5 + ahead_frames,
            sound_s=splice.sound_s,
            sigma_s=float(np.hypot(place, splice.sigma_s)),
            shared=True,
        )
        for splice in heard
    ]


def run_coverage(knots: SoundMap, *, in_samples: int, sound_rate: int, out_rate: int) -> Coverage:
    """How much picture has no sound and how much sound no picture, for a map that may jump.

    Examples
    --------
    >>> knots = SoundMap(out_sample=np.array([0.0, 96000.0]), in_sample=np.array([-48000.0, 48000.0]),
    ...                  slope=np.ones(2), gain=np.ones(2), out_samples=96000)
    >>> found = run_coverage(knots, in_samples=96000, sound_rate=48000, out_rate=48000)
    >>> round(found.silent_head_s, 2), found.silent_tail_s, round(found.unused_tail_s, 2)
    (1.0, 0.0, 1.0)
    """
    m = np.arange(0, knots.out_samples, max(1, out_rate // 100), dtype=np.float64)
    from smallgauge.sound.speed import in_sample_at

    q = in_sample_at(knots, m)[0]
    there = (q >= 0) & (q < in_samples)
    if not there.any():
        whole = knots.out_samples / out_rate
        return Coverage(
            silent_head_s=whole, silent_tail_s=0.0, unused_head_s=in_samples / sound_rate, unused_tail_s=0.0
        )
    first, last = int(np.argmax(there)), len(m) - 1 - int(np.argmax(there[::-1]))
    step = 1.0 / 100.0
    return Coverage(
        silent_head_s=first * step,
        silent_tail_s=max(0.0, knots.out_samples / out_rate - (last + 1) * step),
        unused_head_s=float(np.clip(q[there].min(), 0, None)) / sound_rate,
        unused_tail_s=float(np.clip(in_samples - q[there].max() - sound_rate * step, 0, None)) / sound_rate,
    )
