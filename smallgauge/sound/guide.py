"""A guide in the picture's time, whatever the scan did, and the sound found on it.

find_guide_on_film   sound, guide, frames' times -> GuideReading, its guide in nominal seconds of film   (analyse)
"""

from collections.abc import Sequence
from fractions import Fraction
from math import ceil

import numpy as np
from numpy.typing import ArrayLike

from smallgauge.errors import CallerError, MaterialError
from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound, apply_sound_map, solve_film_time, solve_sound_map
from smallgauge.sound.wild import GUIDE_RATE, GuideReading, find_guide


def find_guide_on_film(
    read_tape: ReadSound,
    read_guide: ReadSound,
    *,
    tape_samples: int,
    tape_rate: int,
    guide_rate: int,
    frame_times_s: ArrayLike | None,
    film_positions: ArrayLike,
    scan_rate: Fraction | None,
    run_rate: Fraction,
    shift_frames: float = 0.0,
    start_s: float = 0.0,
    breaks: Sequence[float] = (),
) -> GuideReading:
    """Find sound on a guide that was heard while the film passed at a speed that may wander.

    Parameters
    ----------
    read_tape, read_guide, tape_samples, tape_rate, guide_rate
        As for `find_guide`.
    frame_times_s, film_positions, scan_rate
        When each frame was in the gate, by the guide's clock, as for `smallgauge.sound.hum.find_hum`.
    run_rate : Fraction
        Nominal frames a second of the sound's run.
    shift_frames : float
        By how many frames the guide's sound belongs further on than the frame in the gate.
    start_s : float
        Time of the guide's first sample on the clock of the frames' times.
    breaks : sequence of float
        Film positions at which the sound may jump.

    Returns
    -------
    GuideReading
        `guide_s` is film position over `run_rate`. Refused with "no film time" where neither stamps nor a rate say
        when each frame was in the gate.

    Raises
    ------
    CallerError
        A rate that is not above 0.

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> from smallgauge.sound.speed import read_array
    >>> short = read_array(np.zeros(8000))
    >>> find_guide_on_film(
    ...     short, short, tape_samples=8000, tape_rate=8000, guide_rate=8000, frame_times_s=None,
    ...     film_positions=range(18), scan_rate=None, run_rate=Fraction(18),
    ... ).refusal
    'no film time'
    """
    if run_rate <= 0 or guide_rate <= 0:
        raise CallerError(f"Rates above 0 are needed to hear a guide; found {run_rate} and {guide_rate}.")
    positions = np.asarray(film_positions, dtype=np.float64)
    times = None if frame_times_s is None else np.asarray(frame_times_s, dtype=np.float64)
    stamped = times is not None and np.count_nonzero(np.isfinite(times)) >= 2
    try:
        film_time = solve_film_time(times if stamped else None, positions, scan_rate=scan_rate)
    except MaterialError:  # neither usable stamps nor a rate
        return GuideReading(refusal="no film time")
    count = ceil((int(positions.max()) + 1) * GUIDE_RATE / run_rate)
    even = solve_sound_map(
        film_time,
        camera_rate=run_rate,
        shift_frames=shift_frames,
        sound_rate=guide_rate,
        out_rate=GUIDE_RATE,
        out_samples=count,
        sound_start_s=start_s,
    )

    def in_picture_time(first: int, stop: int) -> Floats:
        low, high = max(0, first), max(0, first, min(count, stop))
        inside = apply_sound_map(read_guide, even, first=low, stop=high)
        return np.pad(inside, ((low - first, stop - high), (0, 0)))

    return find_guide(
        read_tape,
        in_picture_time,
        tape_samples=tape_samples,
        tape_rate=tape_rate,
        guide_samples=count,
        guide_rate=GUIDE_RATE,
        breaks_s=tuple(at / float(run_rate) for at in breaks),
    )
