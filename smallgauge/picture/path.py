"""The frame's path: one place a frame and axis from several kinds of evidence, by robust least squares.

solve_path   evidence, scenes, steps from frame to frame  ->  Path   (called by solve_registration)

Every kind of evidence says where the frame lies, each with a bias of its own, constant within a scene, and a
scatter of its own: what its measuring error does not tell (the punch's scatter, the camera's unsteadiness,
the subject at the gate's edge) is found by comparing the kinds with one another over the reel. Then, scene by
scene, places and biases minimise

    sum rho((z_jt - x_t - b_j) / s_jt) + sum rho((x_t - x_t-1 - d_t) / s_d) + sum ((x_t - m_t) / (3 jitter))^2

with Tukey's biweight for rho, by iterated weights and one banded system a turn (`scipy.linalg.solveh_banded`).
What it needs to work (picture science, section a): it starts from the best kind of evidence, not from a mean;
Tukey's scale shrinks from 30 to 1 over twelve turns (graduated non-convexity); evidence that lies far from
its neighbours while other evidence of the same frame does not is left out beforehand; a weak pull m_t to the
local median keeps a frame that has nothing from flying off.

A sprocketless transport jitters from frame to frame, so at the end a place that was measured is taken as it
was measured, a weighted mean of its frame's own evidence; steps and neighbours serve only frames without.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.scatter import measure_scatter

Series = NDArray[np.float64]

TUKEY = 4.685  # SOURCES["tukey biweight"]
SCALES = (*np.geomspace(30.0, 1.0, 12).tolist(), 1.0, 1.0, 1.0)  # picture science a
MEDIAN_FRAMES = 21  # of the local median; picture science a
FAR = 6.0  # of the jitter: further from its neighbours is no measurement where better is at hand
NEAR = 4.0
STEP_FRAMES = 3  # frames on either side whose steps are added up; common practice, no source
LONGEST_STEPPED = 20  # frames of a gap that steps are carried through; picture science a
LEAST_JITTER_PX = 0.5
WEAK = 3.0  # times the jitter: how loosely the local median holds a place; common practice, no source
SEEN_WEIGHT = (
    0.05  # of Tukey's 1: from here on a piece of evidence counts as agreeing; common practice, no source
)
PRIOR_COUNT = (
    6.0  # frames that the usual scatter of a kind of evidence counts for; common practice, no source
)
LEAST_SIGMA_PX = 0.02  # nothing on film is known better than this; common practice, no source
GAP_NEIGHBOURS = 10  # frames on either side that a filled place rests on; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """One kind of evidence along one axis: what it says the place is, NaN where it says nothing.

    `usual_scatter_px` is what separates it from the picture besides its measuring error, as far as one
    knows beforehand; `bias_spread_px` is how far its bias may differ from one scene to the next.
    """

    name: str  # "gate left"
    kind: str  # "gate", "perforation", "film edge"
    place_px: Series
    sigma_px: Series
    usual_scatter_px: float
    bias_spread_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path:
    """One place a frame. `best` is the index of the evidence that weighs most; -1 picture, -2 neighbours.

    `doubtful` marks frames whose evidence contradicts itself and nothing decides; their sigma says by how much.
    """

    place_px: Series
    sigma_px: Series
    best: NDArray[np.int64]
    doubtful: NDArray[np.bool_]
    scatter_px: Series  # of each kind of evidence, besides its measuring error, found over the reel
    bias_px: NDArray[np.float64]  # (kinds, frames): of each kind of evidence in the frame's scene


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scene:
    """What is solved together: places and sigmas (kinds, frames), steps into each frame, priors."""

    z: NDArray[np.float64]
    s: NDArray[np.float64]
    step: Series  # from the frame before; NaN: not known
    step_sigma: Series
    bias: Series  # of the reel, to start from
    bias_spread: Series


def solve_path(
    evidence: Sequence[Evidence],
    scene: NDArray[np.int32],
    *,
    step_px: Series | None = None,
    step_sigma_px: Series | None = None,
    gap_neighbours: int = GAP_NEIGHBOURS,
) -> Path:
    """The path of all frames along one axis.

    Parameters
    ----------
    evidence : sequence of Evidence
        In the order of preference among equals; series of one length, px, NaN where nothing was measured.
    scene : array of int, shape (frames,)
        Scene of each frame, never decreasing: nothing is carried from one scene to the next but the
        usual bias and scatter of each kind.
    step_px, step_sigma_px : arrays, shape (frames,), optional
        How far the place moved from the frame before, and its standard deviation; NaN where not known.
        Used only to tell wrong evidence from right, and in frames without any.
    gap_neighbours : int
        Measured frames on either side that a gap is filled from.

    Returns
    -------
    Path
        Never NaN unless a scene has no evidence at all: then the place is that of the reel's median.
        The bias is told from an anchor, the best kind in each scene; only differences mean anything.

    Raises
    ------
    CallerError
        If there is no evidence, or series differ in length.

    Notes
    -----
    Source: "robust path"; biweight "tukey biweight"; scatter of each kind "three-cornered hat".

    Examples
    --------
    >>> import numpy as np
    >>> x = np.array([10.0, 11.0, 9.5, 10.2, 10.4, 9.9])
    >>> seen = np.array([0, 1, 3, 4, 5])
    >>> gate = np.full(6, np.nan); gate[seen] = x[seen] + 50
    >>> one = Evidence(name="gate left", kind="gate", place_px=gate, sigma_px=np.full(6, 0.1),
    ...                usual_scatter_px=0.1, bias_spread_px=1.0)
    >>> hole = Evidence(name="perforation", kind="perforation", place_px=x, sigma_px=np.full(6, 0.05),
    ...                usual_scatter_px=0.9, bias_spread_px=5.0)
    >>> path = solve_path([one, hole], np.zeros(6, np.int32))
    >>> (path.place_px - path.place_px[0]).round(1).tolist(), path.best.tolist()
    ([0.0, 1.0, -0.5, 0.2, 0.4, -0.1], [0, 0, 1, 0, 0, 0])
    """
    if not evidence:
        raise CallerError("solve_path needs at least one kind of evidence; none was given.")
    count = scene.size
    steps = np.full(count, np.nan) if step_px is None else step_px
    doubt = np.full(count, np.nan) if step_sigma_px is None else step_sigma_px
    if any(e.place_px.shape != (count,) or e.sigma_px.shape != (count,) for e in evidence) or not (
        steps.shape == doubt.shape == (count,)
    ):
        raise CallerError(
            f"solve_path needs series of {count} frames each, as many as there are scene numbers; got "
            f"{[e.place_px.shape[0] for e in evidence]}."
        )
    z = np.stack([np.where(np.isfinite(e.sigma_px), e.place_px, np.nan) for e in evidence])
    sigma = np.stack([np.maximum(np.nan_to_num(e.sigma_px, nan=1.0), LEAST_SIGMA_PX) for e in evidence])
    starts = [0, *(np.flatnonzero(np.diff(scene)) + 1).tolist(), count]
    runs = [slice(a, b) for a, b in pairwise(starts) if b > a]
    scatter = measure_scatter(z, sigma, runs, np.array([e.usual_scatter_px for e in evidence]))
    s = np.hypot(sigma, scatter[:, None])
    usual_bias, _ = _first_biases(z, s, np.zeros(len(z)))
    out = _empty(count, z.shape, scatter)
    for run in runs:
        part = _Scene(
            z=z[:, run],
            s=s[:, run],
            step=steps[run],
            step_sigma=doubt[run],
            bias=usual_bias,
            bias_spread=np.array([max(e.bias_spread_px, 1e-3) for e in evidence]),
        )
        _solve_scene(part, gap_neighbours, out, run)
    places = out.place_px
    lost = ~np.isfinite(places)
    if lost.any():
        out.place_px[lost] = float(np.median(places[~lost])) if (~lost).any() else 0.0
    return out


def _empty(count: int, shape: tuple[int, ...], scatter: Series) -> Path:
    return Path(
        place_px=np.full(count, np.nan),
        sigma_px=np.full(count, np.inf),
        best=np.full(count, -2, np.int64),
        doubtful=np.zeros(count, bool),
        scatter_px=scatter,
        bias_px=np.full(shape, np.nan),
    )


def _first_biases(z: NDArray[np.float64], s: NDArray[np.float64], usual: Series) -> tuple[Series, Series]:
    """Bias of each kind against the best one, and each frame's best place (NaN where there is none).

    Kinds join one after the other, the one next that shares the most frames with those that have joined;
    one that shares none keeps its usual bias.
    """
    seen = np.isfinite(z)
    kinds, count = z.shape
    best = np.full(count, np.nan)
    best_s = np.full(count, np.inf)
    bias = usual.copy()
    left = [j for j in range(kinds) if seen[j].any()]
    anchor: int | None = None
    while left:
        if anchor is None:
            enough = [j for j in left if seen[j].sum() >= min(3, count)] or left
            often = [j for j in enough if seen[j].sum() >= 0.2 * seen.any(axis=0).sum()] or enough
            j = min(often, key=lambda k: (float(np.median(s[k][seen[k]])), k))
            anchor = j
            offset = 0.0
        else:
            shared = {k: int((seen[k] & np.isfinite(best)).sum()) for k in left}
            j = max(left, key=lambda k: (shared[k], -k))
            offset = usual[j] - usual[anchor]
            if shared[j]:
                offset = float(np.median((z[j] - best)[seen[j] & np.isfinite(best)]))
        left.remove(j)
        bias[j] = offset
        better = seen[j] & (s[j] < best_s)
        best = np.where(better, z[j] - offset, best)
        best_s = np.where(better, s[j], best_s)
    if anchor is not None:
        for k in range(kinds):
            if not seen[k].any():
                bias[k] = usual[k] - usual[anchor]
    return bias, best


def _local(series: Series, good: NDArray[np.bool_]) -> tuple[Series, float]:
    """Local median of the good frames at every frame, and the jitter about it."""
    from scipy.ndimage import median_filter

    at = np.flatnonzero(good)
    middle = median_filter(series[at], size=MEDIAN_FRAMES, mode="mirror")
    jitter = 1.4826 * float(np.median(np.abs(series[at] - middle)))
    return np.interp(np.arange(series.size), at, middle), max(jitter, LEAST_JITTER_PX)


def _leave_out(scene: _Scene, bias: Series, best: Series) -> tuple[NDArray[np.float64], Series]:
    """Evidence without what lies far from its neighbours, and the local median.

    Far: from the local median by the jitter, where other evidence of the frame is near or there is none; or, to
    the same side, from what both the frames before and those after say once the steps between are added.
    A wrong step speaks on one side only, and the subject's own movement on the two sides oppositely. Steps say
    nothing against two kinds of evidence that agree.
    """
    middle, jitter = _local(best, np.isfinite(best))
    rest = np.abs(scene.z - bias[:, None] - middle) / jitter
    near = (rest < NEAR).any(axis=0)
    out = (rest > FAR) & (near | (np.isfinite(scene.z).sum(axis=0) == 1))
    before, after = _told_by_steps(scene, best)
    most = FAR * np.hypot(scene.s, np.nan_to_num(scene.step_sigma))
    one, other = (scene.z - bias[:, None] - told for told in (before, after))
    with np.errstate(invalid="ignore"):
        against = (one * other > 0.0) & (np.minimum(np.abs(one), np.abs(other)) > most)
        # at either end of a scene there is one side only, and the local median has to agree
        alone = np.where(np.isnan(one), np.abs(other), np.where(np.isnan(other), np.abs(one), 0.0))
        against |= (alone > most) & (rest > NEAR)
    return np.where(out | (against & ~_supported(scene, bias)), np.nan, scene.z), middle


def _supported(scene: _Scene, bias: Series) -> NDArray[np.bool_]:
    """Evidence that another kind agrees with in the same frame."""
    place = scene.z - bias[:, None]
    out = np.zeros(place.shape, bool)
    for i, j in combinations(range(len(place)), 2):
        with np.errstate(invalid="ignore"):
            agree = np.abs(place[i] - place[j]) < NEAR * np.hypot(scene.s[i], scene.s[j])
        out[i] |= agree
        out[j] |= agree
    return out


def _told_by_steps(scene: _Scene, best: Series) -> tuple[Series, Series]:
    """Median of what up to three frames before say, steps added, and of those after; NaN where fewer than two do."""
    count = best.size
    said = np.full((2, STEP_FRAMES, count), np.nan)
    total, back = np.zeros(count), np.zeros(count)
    for turn in range(1, min(STEP_FRAMES, count - 1) + 1):
        # steps from frame t - turn to t, and from t to t + turn
        total[turn:] += scene.step[1 : count - turn + 1]
        back[: count - turn] += scene.step[turn:]
        said[0, turn - 1, turn:] = best[:-turn] + total[turn:]
        said[1, turn - 1, : count - turn] = best[turn:] - back[: count - turn]
    told = np.full((2, count), np.nan)
    enough = np.isfinite(said).sum(axis=1) >= 2
    for side in (0, 1):
        if enough[side].any():
            told[side, enough[side]] = np.nanmedian(said[side][:, enough[side]], axis=0)
    return told[0], told[1]


def _weights(residual: NDArray[np.float64], s: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    """Tukey's weight over variance; 0 where there is nothing."""
    with np.errstate(invalid="ignore"):
        reach = residual / (TUKEY * scale * s)
        return np.where(np.abs(reach) < 1.0, np.square(1.0 - np.square(reach)), 0.0) / np.square(s)


def _solve_scene(scene: _Scene, neighbours: int, out: Path, run: slice) -> None:
    """Solve one scene into its part of `out`."""
    bias, best = _first_biases(scene.z, scene.s, scene.bias)
    if not np.isfinite(best).any():
        return
    z, middle = _leave_out(scene, bias, best)
    bias, best = _first_biases(z, scene.s, bias)
    if not np.isfinite(best).any():
        z = scene.z
        bias, best = _first_biases(z, scene.s, scene.bias)
    anchor = _anchor(z, scene.s)
    x = np.where(np.isfinite(best), best, middle)
    for scale in SCALES:
        weight = _weights(z - x - bias[:, None], scene.s, scale)
        step_weight = np.nan_to_num(_weights(_step_rest(x, scene.step), scene.step_sigma, scale))
        good = weight.sum(axis=0) > 0.0
        prior = _local(x, good) if good.any() else (middle, LEAST_JITTER_PX)
        x, bias = _solve_once(scene, z, weight, step_weight, prior, anchor)
    _settle(scene, z, x, bias, neighbours, out, run)


def _anchor(z: NDArray[np.float64], s: NDArray[np.float64]) -> int:
    """The kind of evidence that biases are told from: seen often, and the surest."""
    seen = np.isfinite(z)
    often = seen.sum(axis=1) >= max(1.0, 0.5 * seen.sum(axis=1).max())
    middle = [float(np.median(s[j][seen[j]])) if often[j] else np.inf for j in range(len(z))]
    return int(np.argmin(middle))


def _step_rest(x: Series, step: Series) -> Series:
    rest = np.full(x.size, np.nan)
    rest[1:] = np.diff(x) - step[1:]
    return rest


def _solve_once(
    scene: _Scene,
    z: NDArray[np.float64],
    weight: NDArray[np.float64],
    step_weight: Series,
    prior: tuple[Series, float],
    anchor: int,
) -> tuple[Series, Series]:
    """One weighted least-squares solution of places and biases: banded, the biases as its border."""
    from scipy.linalg import solveh_banded

    middle, jitter = prior
    values = np.nan_to_num(z)
    hold = 1.0 / (WEAK * jitter) ** 2
    known = np.nan_to_num(scene.step)
    banded = np.zeros((2, middle.size))
    banded[1] = weight.sum(axis=0) + hold
    banded[1] += step_weight
    banded[1, :-1] += step_weight[1:]
    banded[0, 1:] = -step_weight[1:]
    right = (weight * values).sum(axis=0) + hold * middle
    right += step_weight * known
    right[:-1] -= step_weight[1:] * known[1:]
    spread = 1.0 / np.square(scene.bias_spread)
    spread[anchor] = 1e9
    start = scene.bias - scene.bias[anchor]
    solved = solveh_banded(banded, np.column_stack([right, weight.T]))
    border = np.diag(weight.sum(axis=1) + spread) - weight @ solved[:, 1:]
    against = (weight * values).sum(axis=1) + spread * start - weight @ solved[:, 0]
    bias = np.linalg.solve(border, against)
    return np.asarray(solved[:, 0] - solved[:, 1:] @ bias), np.asarray(bias)


def _settle(
    scene: _Scene, z: NDArray[np.float64], x: Series, bias: Series, neighbours: int, out: Path, run: slice
) -> None:
    """Measured places as measured, gaps from steps and neighbours, and how sure each is."""
    rest = scene.z - x - bias[:, None]
    weight = _weights(z - x - bias[:, None], scene.s, 1.0)
    weight = np.where(weight * np.square(scene.s) >= SEEN_WEIGHT, weight, 0.0)
    total = weight.sum(axis=0)
    measured = total > 0.0
    place, sigma = x.copy(), np.full(x.size, np.inf)
    shifted = np.nan_to_num(z) - bias[:, None]
    place[measured] = ((weight * shifted).sum(axis=0) / np.where(measured, total, 1.0))[measured]
    sigma[measured] = 1.0 / np.sqrt(total[measured])
    best = np.where(measured, weight.argmax(axis=0), -2)
    with np.errstate(invalid="ignore"):
        against = np.where((np.abs(rest) > TUKEY * scene.s) & (weight == 0.0), np.abs(rest), 0.0)
    alone = measured & ((weight > 0.0).sum(axis=0) == 1) & (against.max(axis=0) > 0.0)
    sigma[alone] = np.maximum(sigma[alone], against.max(axis=0)[alone] / 2)
    if not measured.all() and measured.any():
        place, gap_sigma, by_picture = _fill(place, measured, scene, neighbours)
        sigma = np.where(measured, sigma, gap_sigma)
        best = np.where(~measured & by_picture, -1, best)
    out.place_px[run] = place
    out.sigma_px[run] = sigma
    out.best[run] = best
    out.doubtful[run] = alone
    out.bias_px[:, run] = bias[:, None]


def _fill(
    place: Series, measured: NDArray[np.bool_], scene: _Scene, neighbours: int
) -> tuple[Series, Series, NDArray[np.bool_]]:
    """Frames without evidence: steps from measured frames where there are any, a line through neighbours else.

    A line (median of pairwise slopes, after Theil 1950 and Sen 1968, from memory) follows a slow drift. Measured
    frames are held; a steady movement of the subject between two of them cancels.
    """
    from scipy.linalg import solveh_banded

    expected = fill_gaps(place, measured, neighbours)
    _, jitter = _local(place, measured)
    usable = ~measured | np.r_[False, ~measured[:-1]]
    usable[0] = False
    step = np.where(usable, scene.step, np.nan)
    step = step + _steady_movement(place, measured, step)
    hold = np.where(measured, 1e9, 1.0 / jitter**2)
    x = np.where(measured, place, expected)
    banded = np.zeros((2, place.size))
    for scale in SCALES:
        step_weight = np.nan_to_num(_weights(_step_rest(x, step), scene.step_sigma, scale))
        known = np.nan_to_num(step)
        banded = np.zeros((2, place.size))
        banded[1] = hold + step_weight
        banded[1, :-1] += step_weight[1:]
        banded[0, 1:] = -step_weight[1:]
        right = hold * np.where(measured, place, expected) + step_weight * known
        right[:-1] -= step_weight[1:] * known[1:]
        x = np.asarray(solveh_banded(banded, right))
    lost = ~measured & (np.abs(x - expected) > NEAR * jitter)  # steps that lead there are wrong
    x[lost] = expected[lost]
    sigma = np.where(lost, jitter, np.sqrt(_inverse_diagonal(banded[1], banded[0, 1:])))
    return np.where(measured, place, x), sigma, sigma < 0.9 * jitter


def _steady_movement(place: Series, measured: NDArray[np.bool_], step: Series) -> Series:
    """What the steps through each gap have too little, evenly: the subject's own movement, turned round.

    NaN through gaps that are too long to be followed.
    """
    out = np.zeros(place.size)
    ends = np.flatnonzero(measured)
    for a, b in pairwise(ends):
        if b - a < 2:
            continue
        through = slice(a + 1, b + 1)
        if b - a > LONGEST_STEPPED:
            out[through] = np.nan
        elif np.isfinite(step[through]).all():
            out[through] = (place[b] - place[a] - float(step[through].sum())) / (b - a)
    return out


def _inverse_diagonal(middle: Series, beside: Series) -> Series:
    """Diagonal of the inverse of a symmetric three-diagonal matrix, by elimination from both ends."""
    down, up = middle.copy(), middle.copy()
    for k in range(1, middle.size):
        down[k] -= beside[k - 1] ** 2 / down[k - 1]
        up[-1 - k] -= beside[-k] ** 2 / up[-k]
    return 1.0 / (down + up - middle)


def fill_gaps(series: Series, good: NDArray[np.bool_], neighbours: int) -> Series:
    """A series with a straight line through its good neighbours in place of what is not good.

    Beyond the first and last good frame the line is level.

    Examples
    --------
    >>> import numpy as np
    >>> fill_gaps(np.array([1.0, 2.0, np.nan, 4.0]), np.array([True, True, False, True]), 10)
    array([1., 2., 3., 4.])
    """
    out = np.where(good, series, 0.0)
    places = np.flatnonzero(good)
    for frame in np.flatnonzero(~good):
        split = int(np.searchsorted(places, frame))
        near = places[max(0, split - neighbours) : split + neighbours]
        values = series[near]
        if near.size < 3:
            out[frame] = float(np.interp(frame, near, values))
            continue
        first, second = np.triu_indices(near.size, 1)
        slope = float(np.median((values[second] - values[first]) / (near[second] - near[first])))
        inside = near[0] < frame < near[-1]
        if not inside:
            slope = 0.0
        out[frame] = float(np.median(values - slope * near)) + slope * float(frame)
    return out
