"""Steadiness: how far the picture moves before and after it is held still, by evidence that did not steer it.

solve_steadiness   evidence, places, decision  -> movement before and after, across and along   (render, plan)

A picture that is held by its perforations can always be shown to stand still by its perforations. So what
is measured is something else: the camera's gate where perforations steered; where the gate steered, one
of its sides left out in turn and the path solved again without it; and the still background in the finished
frames, after decoding. Before is the same evidence where it lay in the capture: what a viewer would see if
nothing were done. After is what is left of it once each frame's place is taken out.

Two figures. *Movement* is the root mean square about the scene's middle place; it needs evidence that a
camera's own movement is not in. *Jump* is how far a frame lies off the middle of its two neighbours, scaled
so that white jitter of one micrometre gives one micrometre: a pan is not in it, and it is what the eye sees.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.geometry import FilmScale
from smallgauge.picture.registration import (
    KINDS,
    FrameEvidence,
    Places,
    RegistrationDecision,
    solve_registration,
)

Series = NDArray[np.float64]
Marks = NDArray[np.bool_]

AXES = ("across", "along")
GATE, GATE_LEFT_OUT, PERFORATION, BACKGROUND = "gate", "gate side left out", "perforation", "still background"
NOTHING = "nothing"

LEAST_FRAMES = 12  # that must tell, or nothing is told; common practice, no source
STANDING_OUT = (
    6.0  # robust standard deviations: evidence and place contradict each other; common practice, no source
)
LEAST_SPREAD_PX = 0.02  # nothing on film is known better than this; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """Movement along one axis before and after, by one kind of evidence; NaN where it can't be told.

    `before_um` and `after_um` are movement, `before_jump_um` and `after_jump_um` jump (root mean square,
    micrometres of film); the shares are jump over the picture's height along, its width across. `after_99_um`
    is what 99 of 100 frames stay within. `sigma_um` is the evidence's own error of reading in the jump: it is in both
    figures. Frames that stand out, where evidence and place contradict each other, are counted and not in the
    figures but for `after_99_um`.
    """

    evidence: str  # "gate", "gate side left out", "perforation", "still background" or "nothing"
    axis: str  # "across", "along"
    frames: int  # that tell
    of: int
    standing_out: int
    before_um: float
    after_um: float
    after_99_um: float
    before_jump_um: float
    after_jump_um: float
    before_share: float
    after_share: float
    sigma_um: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SteadinessSeries:
    """A figure and the series behind it: the evidence's place about its scene's middle, micrometres of film."""

    figure: Steadiness
    before_um: Series
    after_um: Series


def untold(axis: str, of: int) -> Steadiness:
    """The figure of an axis along which no evidence tells.

    Examples
    --------
    >>> untold("along", 40).evidence
    'nothing'
    """
    nan = float("nan")
    return Steadiness(
        evidence=NOTHING, axis=axis, frames=0, of=of, standing_out=0, before_um=nan, after_um=nan, after_99_um=nan,
        before_jump_um=nan, after_jump_um=nan, before_share=nan, after_share=nan, sigma_um=nan,
    )  # fmt: skip


def solve_steadiness(
    evidence: FrameEvidence,
    places: Places,
    *,
    decision: RegistrationDecision,
    scale: FilmScale,
    picture_px: tuple[float, float],
) -> tuple[SteadinessSeries, SteadinessSeries]:
    """Movement before and after, across and along, by evidence that did not steer.

    Parameters
    ----------
    evidence : FrameEvidence
    places : Places
        As `solve_registration` gave them for this evidence and decision.
    decision : RegistrationDecision
    scale : FilmScale
        Of the capture: pixels to a millimetre.
    picture_px : (width, height)
        Of the picture shown, in captured pixels.

    Returns
    -------
    (across, along) : SteadinessSeries
        Series of shape (frames,), NaN where the evidence says nothing. Where the gate steered, the series is that of
        the side seen more often; the figure is of both sides, and an upper bound: what is left over holds the
        scatter of the side that was left out and that of those that stood in for it.

    Raises
    ------
    CallerError
        If the picture has no size.

    Notes
    -----
    Jump and weave as in "RP105", told apart as along and across. Source: picture science, section a; "derived".

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> film, nan = random.normal(0, 3, 200), np.full(200, np.nan)
    >>> gate = film + 80 + random.normal(0, 0.2, 200)
    >>> evidence = FrameEvidence(
    ...     scene=np.zeros(200, np.int32), film_position=np.arange(200, dtype=np.int32),
    ...     perforation_px=np.stack([film, film]), perforation_sigma_px=np.full(200, 0.05), next_px=np.stack([nan, nan]),
    ...     gate_px=np.stack([gate, gate, nan, nan]), gate_sigma_px=np.full((4, 200), 0.1),
    ...     edge_px=np.stack([nan, nan]), edge_sigma_px=nan, shift_px=np.stack([nan, nan]), shift_sigma_px=nan,
    ...     area=(80, 80, 480, 380), px_per_mm=100.0, holes_on_frame_line=False)
    >>> by = RegistrationDecision(by="perforation")
    >>> places = solve_registration(evidence, decision=by)
    >>> scale = FilmScale(across_px_per_mm=100.0, along_px_per_mm=100.0)
    >>> across, along = solve_steadiness(evidence, places, decision=by, scale=scale, picture_px=(400, 300))
    >>> along.figure.evidence, round(along.figure.before_um), round(along.figure.after_um, 1)
    ('gate', 28, 1.8)
    """
    if not min(picture_px) > 0:
        raise CallerError(
            f"solve_steadiness needs the size of the picture shown, in pixels; got {picture_px}."
        )
    told = []
    left_out = _solve_without_sides(evidence, decision) if decision.by == "gate" else None
    per_mm = (scale.across_px_per_mm, scale.along_px_per_mm)
    for axis in (0, 1):
        if left_out is not None:
            name, witnesses = GATE_LEFT_OUT, _sides_left_out(evidence, places, left_out, axis)
        else:
            name, witnesses = _unused(evidence, places, decision, axis)
        told.append(_told(name, witnesses, evidence, axis, 1000 / per_mm[axis], picture_px[axis]))
    return told[0], told[1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Witness:
    """One piece of evidence along one axis: where it lay, what is left once the frame's place is out, its error; px."""

    before: Series
    after: Series
    sigma: Series


def _place(places: Places, axis: int) -> Series:
    return (places.x_px, places.y_px)[axis]


def _solve_without_sides(evidence: FrameEvidence, decision: RegistrationDecision) -> tuple[Places, Places]:
    """The path without the gate's left and top sides, and without its right and bottom ones."""
    solved = []
    for dropped in ((0, 1), (2, 3)):
        gate = evidence.gate_px.copy()
        gate[list(dropped)] = np.nan
        solved.append(solve_registration(replace(evidence, gate_px=gate), decision=decision))
    return solved[0], solved[1]


def _sides_left_out(
    evidence: FrameEvidence, places: Places, solved: tuple[Places, Places], axis: int
) -> list[_Witness]:
    """Each side of the gate against the path without it, in frames that the gate holds in both solutions."""
    out = []
    for side, without in zip((axis, axis + 2), solved, strict=True):
        held = [(each.x_from, each.y_from)[axis] == "gate" for each in (places, without)]
        before = np.where(held[0] & held[1], evidence.gate_px[side], np.nan)
        out.append(
            _Witness(before=before, after=before - _place(without, axis), sigma=evidence.gate_sigma_px[side])
        )
    return out


def _unused(
    evidence: FrameEvidence, places: Places, decision: RegistrationDecision, axis: int
) -> tuple[str, list[_Witness]]:
    """The best kind of evidence that the decision does not use: the gate's sides together, else the perforation."""
    nothing_moved = decision.by == "nothing"
    used = () if nothing_moved else KINDS[KINDS.index(decision.by) :]
    place = np.zeros(evidence.scene.size) if nothing_moved else _place(places, axis)
    if "gate" not in used:
        sides = [evidence.gate_px[side] for side in (axis, axis + 2)]
        both = np.stack([_from_middle(side, evidence.scene) for side in sides])
        seen = np.isfinite(both)
        count = seen.sum(axis=0)
        mean = np.where(count > 0, np.nansum(both, axis=0) / np.maximum(count, 1), np.nan)
        sigmas = np.where(seen, evidence.gate_sigma_px[[axis, axis + 2]], 0.0)
        sigma = np.sqrt(np.square(sigmas).sum(axis=0)) / np.maximum(count, 1)
        if np.isfinite(mean).sum() >= LEAST_FRAMES:
            return GATE, [_Witness(before=mean, after=mean - place, sigma=sigma)]
    if "perforation" not in used:
        hole = evidence.perforation_px[axis]
        return PERFORATION, [_Witness(before=hole, after=hole - place, sigma=evidence.perforation_sigma_px)]
    return NOTHING, []


def _told(
    name: str,
    witnesses: list[_Witness],
    evidence: FrameEvidence,
    axis: int,
    um_per_px: float,
    picture_px: float,
) -> SteadinessSeries:
    """The figure of all witnesses together, and the series of the one seen most often."""
    count = evidence.scene.size
    follows = (np.diff(evidence.film_position, prepend=-9) == 1) & (np.diff(evidence.scene, prepend=-9) == 0)
    series = [
        (_from_middle(w.before, evidence.scene), _from_middle(w.after, evidence.scene), w.sigma)
        for w in witnesses
    ]
    series = [each for each in series if np.isfinite(each[1]).sum() >= LEAST_FRAMES]
    nothing = np.full(count, np.nan)
    if not series:
        return SteadinessSeries(figure=untold(AXES[axis], count), before_um=nothing, after_um=nothing)
    before, after, sigma = (np.stack(each) for each in zip(*series, strict=True))
    out = np.stack([standing_out(each) for each in after])
    kept_before, kept_after = np.where(out, np.nan, before), np.where(out, np.nan, after)
    jumps = [np.concatenate([_jumps(each, follows) for each in kept]) for kept in (kept_before, kept_after)]
    told = np.isfinite(after)
    figure = Steadiness(
        evidence=name,
        axis=AXES[axis],
        frames=int(told.any(axis=0).sum()),
        of=count,
        standing_out=int(out.any(axis=0).sum()),
        before_um=rms_of(kept_before) * um_per_px,
        after_um=rms_of(kept_after) * um_per_px,
        after_99_um=float(np.quantile(np.abs(after[told]), 0.99)) * um_per_px,
        before_jump_um=rms_of(jumps[0]) * um_per_px,
        after_jump_um=rms_of(jumps[1]) * um_per_px,
        before_share=rms_of(jumps[0]) / picture_px,
        after_share=rms_of(jumps[1]) / picture_px,
        sigma_um=rms_of(np.where(told, sigma, np.nan)) * um_per_px,
    )
    often = int(np.argmax(told.sum(axis=1)))
    return SteadinessSeries(
        figure=figure, before_um=before[often] * um_per_px, after_um=after[often] * um_per_px
    )


def _from_middle(series: Series, scene: NDArray[np.int32]) -> Series:
    """A series less its median in each scene; NaN stays NaN."""
    out = np.full(series.size, np.nan)
    starts = [0, *(np.flatnonzero(np.diff(scene)) + 1).tolist(), scene.size]
    for first, stop in pairwise(starts):
        known = np.isfinite(series[first:stop])
        if known.any():
            out[first:stop] = series[first:stop] - np.median(series[first:stop][known])
    return out


def standing_out(after: Series) -> Marks:
    """Values beyond six robust standard deviations; none where too few are known."""
    known = np.isfinite(after)
    if known.sum() < LEAST_FRAMES:
        return np.zeros(after.size, bool)
    spread = 1.4826 * float(np.median(np.abs(after[known] - np.median(after[known]))))
    return np.nan_to_num(np.abs(after)) > STANDING_OUT * max(spread, LEAST_SPREAD_PX)


def _jumps(place: Series, follows: Marks) -> Series:
    """How far each place lies off the middle of its neighbours, over the root of 1.5; NaN at ends and gaps."""
    out = np.full(place.size, np.nan)
    inner = follows[1:-1] & follows[2:]
    out[1:-1] = np.where(inner, (place[1:-1] - (place[:-2] + place[2:]) / 2) / np.sqrt(1.5), np.nan)
    return out


def rms_of(values: Series) -> float:
    """Root mean square of what is known; NaN where too little is."""
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(np.square(known)))) if known.size >= LEAST_FRAMES else float("nan")
