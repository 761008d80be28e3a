"""Leader: stretches of film without a picture, at which a spool of several rolls may be divided.

find_leader   columns of the frame table -> stretches of leader, each sure or not     (analyse)

Film that ran through a camera has the camera's gate on it, and outside the gate the border that saw no light. Leader
has neither: no gate's edge, and a border of another density than that of the film. What is dark may be leader, or film
that a covered lens saw; what grows light over several frames may be film that daylight struck. Those are shown, and never
called sure.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Floats = NDArray[np.float64]

# Common practice, no source, all of them; tried on drawn spools (tests/picture/test_leader.py).
LEAST_FRAMES = 8  # a shorter blank is a splice's, a flash's or a camera start's
OTHER_DENSITY = 0.25  # of the border, from that of the film with pictures
SHARE_AT_ONCE = 0.6  # of that difference that comes from one frame to the next where leader is spliced on
LEAST_WITH_GATE = 0.5  # of the other frames that must show a gate's edge, or its absence says nothing
DARK = 1.5  # density from which the sharpness of a picture, or its lack, says little
PICTURELESS = 0.1  # of the film's usual sharpness: less is no picture
BRIDGED = 1  # frames between two blanks that are no end of the stretch: a splice or a mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Leader:
    """A stretch without a picture, captured frames [first, stop).

    `kind` is "leader" (light, its border of another density than the film's, nothing in focus) or "dark". `density` is
    that of its border. `reason` says why it is sure or not.
    """

    first: int
    stop: int
    kind: Literal["leader", "dark"]
    density: float
    sure: bool
    reason: str


def find_leader(
    gate_sides: NDArray[np.integer], border_density: Floats, sharpness: Floats, splice: NDArray[np.bool_]
) -> tuple[Leader, ...]:
    """Stretches of at least 8 frames that show no picture, in order.

    Parameters
    ----------
    gate_sides : array of int, shape (frames,)
        How many sides of the camera's gate were seen in each captured frame, 0 to 4. Where two and more are usual, one
        alone is none: the edge of a stripe looks like one.
    border_density : array, shape (frames,)
        Density of the film's borders beside the picture; NaN where they are not in view.
    sharpness : array, shape (frames,)
        Of the picture area; NaN where it was not measured.
    splice : array of bool, shape (frames,)
        A physical splice before this frame.

    Returns
    -------
    tuple of Leader
        Empty where fewer than half of the frames show a gate's edge, and where no border is in view: then nothing
        tells leader from film. Never sure: what is dark, what comes on over several frames, what lies at an end
        that no splice and no step of density marks.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> gate, border = np.full(40, 2), np.full(40, 2.8)
    >>> gate[15:25], border[15:25] = 0, 0.2
    >>> sharpness = np.where(gate > 0, 0.005, 0.0)
    >>> found, = find_leader(gate, border, sharpness, np.zeros(40, bool))
    >>> found.first, found.stop, found.kind, found.sure
    (15, 25, 'leader', True)
    """
    shapes = {each.shape for each in (gate_sides, border_density, sharpness, splice)}
    if len(shapes) > 1 or gate_sides.ndim != 1:
        raise CallerError(f"find_leader needs four columns of one length, got shapes {sorted(shapes)}.")
    shown = gate_sides[gate_sides > 0]
    least_sides = 1 if not shown.size else int(min(2, np.median(shown)))
    seen = gate_sides >= least_sides
    film = border_density[seen & np.isfinite(border_density)]
    if not film.size:
        return ()
    usual = float(np.median(film))
    sharp = sharpness[seen & np.isfinite(sharpness)]
    least = PICTURELESS * float(np.median(sharp)) if sharp.size else 0.0
    with np.errstate(invalid="ignore"):
        other = ~seen & (np.abs(border_density - usual) > OTHER_DENSITY) & (border_density < DARK)
    blank = ~seen & np.isfinite(border_density) & ~other
    if np.count_nonzero(seen) < LEAST_WITH_GATE * np.count_nonzero(~other):
        return ()
    found = [
        _leader(run, border_density, splice, usual)
        for run in _runs(other)
        if np.median(np.nan_to_num(sharpness[slice(*run)])) <= least
    ]
    found += [
        Leader(
            first=first,
            stop=stop,
            kind="dark",
            density=round(float(np.median(border_density[first:stop])), 3),
            sure=False,
            reason="dark, and no gate's edge: dark leader, or film that saw little light or none",
        )
        for first, stop in _runs(blank)
    ]
    return tuple(sorted(found, key=lambda each: each.first))


def _runs(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of marked frames, single gaps bridged, of the least length or more."""
    places = np.flatnonzero(marks)
    if not places.size:
        return []
    ends = np.flatnonzero(np.diff(places) > 1 + BRIDGED)
    firsts = [int(places[0]), *(int(places[n + 1]) for n in ends)]
    stops = [*(int(places[n]) + 1 for n in ends), int(places[-1]) + 1]
    return [(a, b) for a, b in zip(firsts, stops, strict=True) if b - a >= LEAST_FRAMES]


def _leader(run: tuple[int, int], border: Floats, splice: NDArray[np.bool_], usual: float) -> Leader:
    """A stretch whose border is of another density: sure where both its ends come at once."""
    first, stop = run
    density = float(np.nanmedian(border[first:stop]))
    soft = [
        at
        for at in (first, stop)
        if 0 < at < border.size and not (_spliced(splice, at) or _at_once(border, at, density, usual))
    ]
    whole = first > 0 or stop < border.size
    sure = not soft and whole
    reason = f"no gate's edge, and a border of density {density:.2f} where the film's is {usual:.2f}"
    if soft:
        reason += f"; but it comes on slowly at frame {soft[0]}, as film does that daylight struck"
    return Leader(first=first, stop=stop, kind="leader", density=round(density, 3), sure=sure, reason=reason)


def _spliced(splice: NDArray[np.bool_], at: int) -> bool:
    return bool(splice[max(0, at - 1) : at + 2].any())


def _at_once(border: Floats, at: int, density: float, usual: float) -> bool:
    """Whether most of the difference comes within the two frames about an end."""
    near = border[max(0, at - 2) : at + 2]
    steps = np.abs(np.diff(near))
    return bool(np.isfinite(steps).any() and np.nanmax(steps) >= SHARE_AT_ONCE * abs(density - usual))
