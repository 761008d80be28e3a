"""Registration: what holds the film still, and from that one place a frame.

frame_evidence        columns of the frame table                 -> FrameEvidence
propose_registration  evidence                                   -> RegistrationDecision   (treat)
solve_registration    evidence, decision                         -> Places, one a frame    (render, plan)

The camera's gate was exposed with the picture and moves with it; perforations were punched before and need not
be where the camera's claw pulled. So the gate comes first, the perforation second, the film's edge third (it says
nothing along the film), the picture itself last, and then only in frames that have nothing else. A decision
names the best kind that may be used; kinds after it serve frames without, kinds before it are not used.

A claw pulls at a perforation some frames away from the gate. Where two neighbouring perforations are in view
their steps add up along the reel, so the place of that other perforation is known in every frame: the one
is taken that the gate's sides follow best (picture science, section a, own idea).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.path import GAP_NEIGHBOURS, Evidence, Path, solve_path
from smallgauge.picture.scatter import measure_scatter

Series = NDArray[np.float64]
Words = NDArray[np.object_]

WEAKEST_CONFIDENCE = 0.2  # below this nothing counts as a measurement
KINDS = ("gate", "perforation", "film edge", "picture", "nothing")  # the best first
GATE_SIDES = ("left", "top", "right", "bottom")
STEPS = tuple(range(-4, 5))  # perforations from the one in view that a claw may pull at; picture science a
LEAST_STEP_FRAMES = 30  # before another perforation is believed in; common practice, no source
BETTER = 0.7  # its variance, of that of the one in view, or it is not taken; common practice, no source
LEAST_SHARE = 0.2  # of the frames that must show what is to hold the film; common practice, no source
# What separates each kind from the picture besides measuring, before a reel has told it; mm; common practice.
GATE_SCATTER_MM, PERFORATION_SCATTER_MM, EDGE_SCATTER_MM = 0.002, 0.010, 0.015
# How far its bias may differ from one scene to the next, mm; common practice, no source.
GATE_SPREAD_MM, PERFORATION_SPREAD_MM, EDGE_SPREAD_MM = 0.02, 0.06, 0.06
SUBJECT_SHARE = 0.005  # of the picture's size: what a subject may have moved of itself from frame to frame


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistrationDecision:
    """Hold the film still by this kind of evidence, and by those after it where it is missing.

    `perforation_step` is the perforation that the picture follows, counted along the film from the one
    in view. Frames without any evidence are filled from `gap_neighbours` on either side.
    """

    by: str  # "gate", "perforation", "film edge", "picture" or "nothing"
    perforation_step: int = 0
    gap_neighbours: int = GAP_NEIGHBOURS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameEvidence:
    """What the frame table says of where each frame lies, px in the capture; NaN where not measured.

    `area` is the gate's usual rectangle from the film reference: left, top, right, bottom.
    """

    scene: NDArray[np.int32]
    film_position: NDArray[np.int32]
    perforation_px: NDArray[np.float64]  # (2, frames): x, y of the film reference
    perforation_sigma_px: Series
    next_px: NDArray[np.float64]  # (2, frames): step to the next perforation
    gate_px: NDArray[np.float64]  # (4, frames): left, top, right, bottom
    gate_sigma_px: NDArray[np.float64]
    edge_px: NDArray[np.float64]  # (2, frames): left, right edge of the film
    edge_sigma_px: Series
    shift_px: NDArray[np.float64]  # (2, frames): of the picture from the frame before
    shift_sigma_px: Series
    area: tuple[float, float, float, float]
    px_per_mm: float
    holes_on_frame_line: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """One place a frame: x and y of the film reference in the capture, px, and how it came about.

    `x_from` and `y_from` name what told it: a kind of evidence, or "neighbours". `filled` marks frames that lack
    a measurement across or along, `doubtful` those whose evidence contradicts itself with nothing to decide.
    """

    x_px: Series
    y_px: Series
    sigma_x_px: Series
    sigma_y_px: Series
    x_from: Words
    y_from: Words
    filled: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]


def frame_evidence(
    columns: Mapping[str, NDArray[Any]],
    *,
    area: tuple[float, float, float, float],
    px_per_mm: float,
    perforations: bool,
    holes_on_frame_line: bool,
) -> FrameEvidence:
    """The evidence in the frame table's columns.

    Parameters
    ----------
    columns : mapping of arrays, shape (frames,)
        The frame table.
    area : (left, top, right, bottom)
        The gate's usual rectangle from the film reference, px.
    px_per_mm : float
        The capture's scale, for what is expected beforehand only.
    perforations : bool
        Whether `perforation_x_px` and `perforation_y_px` were measured on perforations.
    holes_on_frame_line : bool
        Whether the film reference lies midway between two perforations.

    Returns
    -------
    FrameEvidence

    Notes
    -----
    A place with confidence below 0.2 is no measurement. Source: definition.
    """
    good = np.nan_to_num(columns["perforation_confidence"]) >= WEAKEST_CONFIDENCE
    good &= bool(perforations)
    side = columns["film_edge_side"]

    def kept(name: str, where: NDArray[np.bool_]) -> Series:
        return np.where(where, columns[name], np.nan)

    every = np.ones(good.shape, bool)
    return FrameEvidence(
        scene=columns["scene"],
        film_position=columns["film_position"],
        perforation_px=np.stack([kept("perforation_x_px", good), kept("perforation_y_px", good)]),
        perforation_sigma_px=kept("perforation_sigma_px", good),
        next_px=np.stack([kept(f"next_perforation_{axis}_px", good) for axis in "xy"]),
        gate_px=np.stack([kept(f"gate_{each}_px", every) for each in GATE_SIDES]),
        gate_sigma_px=np.stack([kept(f"gate_{each}_sigma_px", every) for each in GATE_SIDES]),
        edge_px=np.stack([kept("film_edge_x_px", side == each) for each in ("left", "right")]),
        edge_sigma_px=kept("film_edge_sigma_px", every),
        shift_px=np.stack([kept(f"picture_shift_{axis}_px", every) for axis in "xy"]),
        shift_sigma_px=kept("picture_shift_sigma_px", every),
        area=area,
        px_per_mm=px_per_mm,
        holes_on_frame_line=holes_on_frame_line,
    )


def chained_perforation(evidence: FrameEvidence, step: int) -> Series:
    """y at which the film reference would lie by the perforation `step` further along the film.

    The steps between neighbouring perforations, each measured in the one frame that shows both, are added up;
    the reel's usual step is taken out, so that only the punch's own errors are left. NaN where a step is
    missing, out of the ordinary, or a film frame is.

    Examples
    --------
    >>> import numpy as np
    >>> nan = np.full(5, np.nan)
    >>> evidence = FrameEvidence(
    ...     scene=np.zeros(5, np.int32), film_position=np.arange(5, dtype=np.int32),
    ...     perforation_px=np.stack([np.zeros(5), np.zeros(5)]), perforation_sigma_px=np.full(5, 0.1),
    ...     next_px=np.stack([np.zeros(5), np.array([100.0, 100.0, 100.4, 99.6, 100.0])]),
    ...     gate_px=np.full((4, 5), np.nan), gate_sigma_px=np.full((4, 5), np.nan), edge_px=np.stack([nan, nan]),
    ...     edge_sigma_px=nan, shift_px=np.stack([nan, nan]), shift_sigma_px=nan, area=(0, 0, 1, 1), px_per_mm=90.0,
    ...     holes_on_frame_line=False)
    >>> chained_perforation(evidence, 1).round(3).tolist()
    [0.0, 0.0, 0.4, -0.4, 0.0]
    """
    own = evidence.next_px[1]
    usual = np.nanmedian(own) if np.isfinite(own).any() else np.nan
    excess = own - usual
    spread = np.nanmedian(np.abs(excess)) if np.isfinite(own).any() else np.nan
    with np.errstate(invalid="ignore"):
        excess = np.where(np.abs(excess) <= max(6.0 * 1.4826 * spread, 0.5), excess, np.nan)
    follows = np.diff(evidence.film_position, append=evidence.film_position[-1:] - 1) == 1
    along = np.where(follows, excess, np.nan)  # from this frame's perforation to the next frame's
    total = evidence.perforation_px[1] - (excess / 2 if evidence.holes_on_frame_line else 0.0)
    for turn in range(abs(step)):
        moved = np.full(own.size, np.nan)
        if step > 0:  # the last step need not lead to a captured frame
            moved[: max(own.size - turn, 0)] = (excess if turn == step - 1 else along)[turn:]
        else:
            moved[turn + 1 :] = -along[: max(own.size - turn - 1, 0)]
        total = total + moved
    return np.asarray(total)


def _perforation(evidence: FrameEvidence, axis: int, step: int) -> Evidence:
    """The perforation as evidence; along the film by the one that the claw pulled, where it is known."""
    place, sigma = evidence.perforation_px[axis], evidence.perforation_sigma_px
    if axis == 1 and step:
        chained = chained_perforation(evidence, step)
        apart = chained - place
        known = np.isfinite(apart)
        if known.any():
            middle = float(np.median(apart[known]))
            extra = 1.4826 * float(np.median(np.abs(apart[known] - middle)))
            place = np.where(known, chained, place + middle)
            sigma = np.where(known, sigma * np.sqrt(1.0 + 2.0 * abs(step)), np.hypot(sigma, extra))
    return Evidence(
        name="perforation",
        kind="perforation",
        place_px=place,
        sigma_px=sigma,
        usual_scatter_px=PERFORATION_SCATTER_MM * evidence.px_per_mm,
        bias_spread_px=PERFORATION_SPREAD_MM * evidence.px_per_mm,
    )


def _axis_evidence(evidence: FrameEvidence, decision: RegistrationDecision, axis: int) -> list[Evidence]:
    """Everything that may be used along one axis, as places of the film reference."""
    allowed = KINDS[KINDS.index(decision.by) :]
    scale = evidence.px_per_mm
    found = []
    if "gate" in allowed:
        found += [
            Evidence(
                name=f"gate {GATE_SIDES[side]}",
                kind="gate",
                place_px=evidence.gate_px[side] - evidence.area[side],
                sigma_px=evidence.gate_sigma_px[side],
                usual_scatter_px=GATE_SCATTER_MM * scale,
                bias_spread_px=GATE_SPREAD_MM * scale,
            )
            for side in (axis, axis + 2)
        ]
    if "perforation" in allowed:
        found.append(_perforation(evidence, axis, decision.perforation_step))
    if "film edge" in allowed and axis == 0:
        found += [
            Evidence(
                name=f"film edge {name}",
                kind="film edge",
                place_px=place,
                sigma_px=evidence.edge_sigma_px,
                usual_scatter_px=EDGE_SCATTER_MM * scale,
                bias_spread_px=EDGE_SPREAD_MM * scale,
            )
            for name, place in zip(("left", "right"), evidence.edge_px)
        ]
    return [each for each in found if np.isfinite(each.place_px).any()]


def propose_registration(evidence: FrameEvidence) -> tuple[RegistrationDecision, str]:
    """Choose what holds the film still, with the reason in words and numbers.

    Parameters
    ----------
    evidence : FrameEvidence

    Returns
    -------
    (RegistrationDecision, str)
        The best kind that one frame in five shows; the gate only where its sides keep together better
        than the perforation keeps to them. "nothing" when no kind is seen that often: then no frame is moved.

    Notes
    -----
    Source: picture science, section a; limits "common practice, no source".
    """
    count = evidence.scene.size
    gate = np.isfinite(evidence.gate_px)
    across, along = (gate[0] | gate[2]), (gate[1] | gate[3])
    holes = int(np.isfinite(evidence.perforation_px).all(axis=0).sum())
    least = LEAST_SHARE * count
    step = _followed_step(evidence)
    scatter = _scatters(evidence, step)
    told = []
    both = int((across & along).sum())
    if both:
        told.append(
            f"the camera gate's sides are seen in {both} of {count} frames, and keep to each other within "
            f"{_micrometres(scatter['gate'], evidence)} micrometres"
        )
    if holes:
        told.append(f"perforations are measured in {holes} of {count}")
        if both:
            told[-1] += f", which the picture leaves by {_micrometres(scatter['perforation'], evidence)}"
    if step:
        told.append(
            f"the picture keeps best to the perforation {abs(step)} {'after' if step > 0 else 'before'}"
        )
    by = "nothing"
    if both >= max(least, 1) and (not holes or scatter["gate"] <= scatter["perforation"]):
        by = "gate"
    elif holes >= max(least, 1):
        by = "perforation"
    elif int(np.isfinite(evidence.edge_px).any(axis=0).sum()) >= max(least, 1):
        by = "film edge"
        told.append("the film's edge is seen, which tells nothing along the film")
    elif int(np.isfinite(evidence.shift_px).all(axis=0).sum()) >= max(least, 1):
        by = "picture"
        told.append("only the picture itself can be followed")
    if by == "nothing":
        told.append("too few to hold the film by")
    return RegistrationDecision(by=by, perforation_step=step), "; ".join(told)


def _micrometres(scatter_px: float, evidence: FrameEvidence) -> str:
    return f"{1000 * scatter_px / evidence.px_per_mm:.1f}"


def _runs(scene: NDArray[np.int32]) -> list[slice]:
    starts = [0, *(np.flatnonzero(np.diff(scene)) + 1).tolist(), scene.size]
    return [slice(a, b) for a, b in pairwise(starts) if b > a]


def _scatters(evidence: FrameEvidence, step: int) -> dict[str, float]:
    """Scatter of the gate (its surest sides) and of the perforation, the larger of both axes, px."""
    out = {"gate": 0.0, "perforation": 0.0}
    best = RegistrationDecision(by="gate", perforation_step=step)
    for axis in (0, 1):
        kinds = _axis_evidence(evidence, best, axis)
        if not kinds:
            continue
        z = np.stack([each.place_px for each in kinds])
        sigma = np.stack([np.nan_to_num(each.sigma_px, nan=1.0) for each in kinds])
        usual = np.array([each.usual_scatter_px for each in kinds])
        found = measure_scatter(z, sigma, _runs(evidence.scene), usual)
        for kind in out:
            each = [float(v) for v, e in zip(found, kinds) if e.kind == kind]
            out[kind] = max(out[kind], min(each)) if each else out[kind]
    return out


def _followed_step(evidence: FrameEvidence) -> int:
    """The perforation whose distance from the gate's top and bottom varies least; 0 unless another is surely better."""
    chains = {step: chained_perforation(evidence, step) for step in STEPS}
    common = np.all([np.isfinite(chain) for chain in chains.values()], axis=0)
    total = dict.fromkeys((None, *STEPS), 0.0)
    frames = 0
    for side in (1, 3):
        here = common & np.isfinite(evidence.gate_px[side])
        for run in _runs(evidence.scene):
            seen = here[run]
            if seen.sum() < 5:
                continue
            frames += int(seen.sum())
            for step in total:
                place = evidence.perforation_px[1] if step is None else chains[step]
                rest = (evidence.gate_px[side] - place)[run][seen]
                total[step] += float(seen.sum()) * _robust_variance(rest)
    if frames < LEAST_STEP_FRAMES:
        return 0
    best = min(STEPS, key=lambda step: (total[step], abs(step)))
    return best if total[best] < BETTER * min(total[0], total[None]) else 0


def _robust_variance(values: Series) -> float:
    return (1.4826 * float(np.median(np.abs(values - np.median(values))))) ** 2


def solve_registration(evidence: FrameEvidence, *, decision: RegistrationDecision) -> Places:
    """One place for every frame: measured where it was, filled from picture and neighbours where it was not.

    Parameters
    ----------
    evidence : FrameEvidence
    decision : RegistrationDecision
        With `by="nothing"` every frame gets the same place, so nothing is moved.

    Returns
    -------
    Places
        Never NaN; all 0 where no frame at all was measured. In each scene the places are those of the film
        reference but for one constant that the perforations leave open to within their scatter.

    Raises
    ------
    CallerError
        If the decision names no kind of evidence.

    Notes
    -----
    Source: "robust path" (`picture.path`).
    """
    if decision.by not in KINDS:
        raise CallerError(
            f"Registration needs a kind of evidence of {', '.join(KINDS)}; found '{decision.by}'. Decide by one of them."
        )
    count = evidence.scene.size
    solved = [_solve_axis(evidence, decision, axis) for axis in (0, 1)]
    places, sigmas, names, doubtful = zip(*solved)
    told = [np.isin(each, ("gate", "perforation", "film edge")) for each in names]
    nothing = decision.by == "nothing"
    return Places(
        x_px=places[0],
        y_px=places[1],
        sigma_x_px=sigmas[0],
        sigma_y_px=sigmas[1],
        x_from=names[0],
        y_from=names[1],
        filled=np.ones(count, bool) if nothing else ~(told[0] & told[1]),
        doubtful=doubtful[0] | doubtful[1],
    )


def _solve_axis(
    evidence: FrameEvidence, decision: RegistrationDecision, axis: int
) -> tuple[Series, Series, Words, NDArray[np.bool_]]:
    """Place, sigma, what told it, and doubt along one axis."""
    count = evidence.scene.size
    unmoved = RegistrationDecision(by="gate") if decision.by == "nothing" else decision
    kinds = _axis_evidence(evidence, unmoved, axis)
    names = np.full(count, "neighbours" if decision.by != "nothing" else "nothing", object)
    no_doubt = np.zeros(count, bool)
    if not kinds:
        return np.zeros(count), np.full(count, np.inf), names, no_doubt
    size = (evidence.area[2] - evidence.area[0], evidence.area[3] - evidence.area[1])[axis]
    path = solve_path(
        kinds,
        evidence.scene,
        step_px=evidence.shift_px[axis],
        step_sigma_px=np.hypot(evidence.shift_sigma_px, SUBJECT_SHARE * size),
        gap_neighbours=decision.gap_neighbours,
    )
    place = path.place_px + _as_film_reference(path, kinds)
    if decision.by == "nothing":
        return np.full(count, float(np.median(place))), np.full(count, np.inf), names, no_doubt
    for index, each in enumerate(kinds):
        names[path.best == index] = each.kind
    names[path.best == -1] = "picture"
    return place, path.sigma_px, names, path.doubtful


def _as_film_reference(path: Path, kinds: list[Evidence]) -> Series:
    """What turns the path, told from each scene's best evidence, into places of the film reference."""
    holes = [n for n, each in enumerate(kinds) if each.kind == "perforation"]
    if holes:
        return np.asarray(np.nan_to_num(path.bias_px[holes[0]]), np.float64)
    gates = [n for n, each in enumerate(kinds) if each.kind == "gate"]
    return np.asarray(np.nan_to_num(path.bias_px[gates or [0]].mean(axis=0)), np.float64)
