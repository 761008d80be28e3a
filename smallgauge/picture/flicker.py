"""Flicker: exposure that varied from one frame of the camera to the next.

propose_flicker    evidence of one scene            ->  FlickerDecision                (treat)
solve_flicker      evidence, decisions of scenes    ->  FlickerCorrection of frames    (render, plan)
apply_flicker      density, the frame's correction  ->  density                        (render)

Exposure happens before the film is developed. What varies there adds to the logarithm of the exposure, and on the film to
its density: smoothly over the picture, and in proportion to the contrast. From frame to frame it is measured
(`flicker_pairs.py`) and summed up to a path, within a scene and never across a cut. What of the path is intended (a fade, a cloud,
a lamp that is lit) is told by how smooth it is against the flicker that was measured: where there is none, nothing changes.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.flicker_path import BEND, WINDOW, find_path_steps, flicker_level, smooth_path

Floats = NDArray[np.float64]

TERMS = ("1", "x", "y", "xx", "xy", "yy", "contrast")
LIMIT_LN = 0.35  # half a stop; flicker
LEAST_LN = 0.008  # rms; less is hardly seen and close to what the measuring itself leaves: common practice, no source
LEAST_TERM_LN = 0.005  # rms of a surface, of contrast, of a channel's own path, at the picture's corner or a factor e of tone
PAIR_NOISE = 3.0  # error of a pair over its stated standard error, see docs/benchmarks.md
SURE = 2.0  # flicker's power over that of its noise from which it is one; common practice, no source
LEAST_FRAMES = 16  # of a scene, about a second; fewer don't tell flicker from a camera's start: common practice, no source
SHORT_FRAMES = 6  # of a scene of a camera that is known to flicker; common practice, no source
PIVOT_FRAMES = 8  # either way, over which the middle tone is taken
BEND_OF_TERMS = BEND / 2  # surface and contrast are hardly ever meant to change; common practice, no source
NOTICED = math.log(1.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerDecision:
    """What is done about a scene's flicker.

    `surface` and `contrast` say whether these are taken out besides the level, `channels` whether each channel has its own
    path; `limit_ln` is the most that a frame is changed by, natural logarithm.
    """

    on: bool
    surface: bool = False
    contrast: bool = False
    channels: bool = False
    limit_ln: float = LIMIT_LN

    def __post_init__(self) -> None:
        if not 0 < self.limit_ln <= 2:
            raise CallerError(
                f"flicker needs a limit over 0 and up to 2, natural logarithm, found {self.limit_ln:g}."
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlickerEvidence:
    """What was measured of flicker, a row a frame, in running order of the capture.

    Changes against the row before, natural logarithm of light: `level`, `contrast`, `middle` shape (frames, 3), `surface`
    (frames, 5), each with its standard error; NaN where it was not told or where the row before is not the frame before. `scene`
    (frames,) is the scene that a frame belongs to. `lamp` (frames, 3) is the logarithm of the scanner's lamp that
    rendering takes out of that very frame; zeros where it takes out none.
    """

    level: Floats
    level_sigma: Floats
    contrast: Floats
    contrast_sigma: Floats
    surface: Floats
    surface_sigma: Floats
    middle: Floats
    scene: NDArray[np.int64]
    lamp: Floats

    def __post_init__(self) -> None:
        frames = self.scene.size
        shapes = (self.level.shape, self.contrast.shape, self.middle.shape, self.lamp.shape)
        if set(shapes) != {(frames, 3)} or self.surface.shape != (frames, 5):
            raise CallerError(
                f"FlickerEvidence needs {frames} rows in all its columns, as scene has; found shapes {shapes} and "
                f"{self.surface.shape}."
            )

    def level_without_lamp(self) -> Floats:
        """Change of level of each channel once the scanner's lamp is taken out."""
        steps = np.diff(self.lamp, axis=0, prepend=self.lamp[:1])
        return self.level - np.where(np.isfinite(steps), steps, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerFigure:
    """Flicker of one scene, rows [first, stop): rms natural logarithm of light before and after, NaN where not told.

    As white flicker of that rms would show itself, from second differences of the level's path; `after` is worked out from
    the path and the corrections. `share` is the part of the frames whose level is changed by more than 10 per cent.
    """

    first: int
    stop: int
    on: bool
    before_ln: float
    after_ln: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlickerSolution:
    """A correction for each row, None where nothing is changed; and the figures of each scene."""

    corrections: tuple["FlickerCorrection | None", ...]
    figures: tuple[FlickerFigure, ...]
    before_ln: Floats  # path of the level, natural logarithm of light, from 0 at each scene's first frame
    after_ln: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerCorrection:
    """What is added to one frame's density, channel by channel, to take its flicker out.

    `terms` holds, for red, green and blue, seven numbers in density: those of 1, x, y, xx, xy and yy, with x and y from -1 at
    the finished picture's left and top edge to 1 at its right and bottom edge, and that of the contrast, which multiplies how
    far a density lies from the channel's `middle`.
    """

    terms: tuple[tuple[float, ...], ...]
    middle: tuple[float, float, float]

    def __post_init__(self) -> None:
        shape = np.shape(self.terms)
        if shape != (3, len(TERMS)) or len(self.middle) != 3:
            raise CallerError(
                f"FlickerCorrection needs 3 x {len(TERMS)} terms and 3 middles, got {shape} and {len(self.middle)}."
            )


def scenes_of(scene: NDArray[np.int64]) -> tuple[tuple[int, int], ...]:
    """Rows [first, stop) of each scene, in order.

    Examples
    --------
    >>> scenes_of(np.array([0, 0, 1, 1, 1]))
    ((0, 2), (2, 5))
    """
    if not scene.size:
        return ()
    edges = [0, *(np.flatnonzero(np.diff(scene)) + 1).tolist(), scene.size]
    return tuple(pairwise(edges))


def propose_flicker(
    evidence: FlickerEvidence, *, first: int, stop: int, least_frames: int = LEAST_FRAMES
) -> tuple[FlickerDecision, str]:
    """Whether a scene's flicker is taken out, and which of its parts; with the reason.

    Parameters
    ----------
    evidence : FlickerEvidence
        Of the whole reel.
    first, stop : int
        Rows of the scene.
    least_frames : int
        A shorter scene is left alone: the bright frames of a camera's start, or a cut that nobody saw, look like flicker
        there. `SHORT_FRAMES` where the rest of the reel shows that its camera flickers.

    Returns
    -------
    FlickerDecision, str
        On where the level flickers by 0.008 rms or more (natural logarithm) and by more than its own noise. Surface,
        contrast and channels' own paths only where they, too, flicker by more than their noise and by 0.005.

    Raises
    ------
    CallerError
        If the rows are not of the evidence.

    Notes
    -----
    Source: flicker. Power of the second differences of the path, less that of the errors of two pairs.

    Examples
    --------
    >>> calm = FlickerEvidence(scene=np.zeros(30, int), **{name: np.full((30, 5 if "surface" in name else 3), 1e-4) for name in (
    ...     "level", "level_sigma", "contrast", "contrast_sigma", "surface", "surface_sigma", "middle", "lamp")})
    >>> propose_flicker(calm, first=0, stop=30)[0].on
    False
    """
    if not 0 <= first < stop <= evidence.scene.size:
        raise CallerError(f"Rows of a scene among {evidence.scene.size} were needed, got {first} to {stop}.")
    rows = slice(first + 1, stop)
    level = _common(evidence.level_without_lamp()[rows])
    told = int(np.count_nonzero(np.isfinite(level)))
    if stop - first < least_frames or told < least_frames - 1:
        return FlickerDecision(on=False), f"{told} pairs of frames tell too little"
    found, sure = _beyond_noise(level, _common(evidence.level_sigma[rows]))
    if not (sure and found >= LEAST_LN):
        return FlickerDecision(on=False), f"level flickers by {found:.4f}, natural logarithm, rms: left alone"
    surface = [
        _beyond_noise(evidence.surface[rows, k], evidence.surface_sigma[rows, k])
        for k in range(evidence.surface.shape[1])
    ]
    contrast = _beyond_noise(_common(evidence.contrast[rows]), _common(evidence.contrast_sigma[rows]))
    own = evidence.level_without_lamp()[rows] - level[:, None]
    channels = [_beyond_noise(own[:, c], evidence.level_sigma[rows, c]) for c in range(3)]
    decision = FlickerDecision(
        on=True,
        surface=any(sure and value >= LEAST_TERM_LN for value, sure in surface),
        contrast=contrast[1] and contrast[0] >= LEAST_TERM_LN,
        channels=any(sure and value >= LEAST_TERM_LN for value, sure in channels),
    )
    why = f"level flickers by {found:.3f}, natural logarithm, rms"
    why += f"; surface by {max(value for value, _ in surface):.3f}, contrast by {contrast[0]:.3f}"
    return decision, f"{why}, a channel against the others by {max(value for value, _ in channels):.3f}"


def solve_flicker(
    evidence: FlickerEvidence,
    decisions: tuple[FlickerDecision, ...],
    *,
    places: tuple[tuple[float, float, float, float, float, float], ...] | None = None,
) -> FlickerSolution:
    """The correction of every frame.

    Parameters
    ----------
    evidence : FlickerEvidence
        Of the whole reel.
    decisions : tuple of FlickerDecision
        One for each scene, in the order of `scenes_of`.
    places : tuple of six numbers, optional
        For each row, where the picture area lies in the finished picture: u = a x + b y + c, v = d x + e y + f lead from
        x, y (-1 to 1 over the finished picture) to u, v (-1 to 1 over the picture area). The same where not given.

    Returns
    -------
    FlickerSolution
        None for a frame of a scene that is left alone, and for one that no neighbour of its scene tells anything of.

    Raises
    ------
    CallerError
        If there is not one decision for each scene, or not one place for each row.

    Notes
    -----
    Source: flicker. Two frames' change of contrast turns about the middle tone of its own moment, so errors of a long path
    don't add up into the contrast's pivot. The level is held at the limit, and so is the surface, as a whole, where it is
    largest; contrast at a factor of as much.
    """
    scenes = scenes_of(evidence.scene)
    if len(decisions) != len(scenes):
        raise CallerError(
            f"solve_flicker needs a decision for each of {len(scenes)} scenes, got {len(decisions)}."
        )
    frames = evidence.scene.size
    if places is not None and len(places) != frames:
        raise CallerError(f"solve_flicker needs a place for each of {frames} rows, got {len(places)}.")
    corrections: list[FlickerCorrection | None] = [None] * frames
    before, after = np.zeros(frames), np.zeros(frames)
    figures = []
    level = evidence.level_without_lamp()
    for (first, stop), decision in zip(scenes, decisions, strict=True):
        for start, end in _runs(_common(level), first, stop):
            before[start:end] = after[start:end] = _path(_common(level)[start:end])
            if not decision.on or end - start < 3:
                continue
            steps = _Steps.of(evidence, level, decision, slice(start, end))
            found, changes = _corrections(steps, decision.limit_ln)
            after[start:end] += changes
            for n, (terms, middle) in enumerate(found):
                place = places[start + n] if places is not None else None
                corrections[start + n] = _in_density(terms, middle, place)
        figures.append(_figure(before, after, corrections, first, stop, decision.on))
    return FlickerSolution(
        corrections=tuple(corrections), figures=tuple(figures), before_ln=before, after_ln=after
    )


def apply_flicker(density: NDArray[np.floating], correction: FlickerCorrection) -> NDArray[np.floating]:
    """A frame's density with its flicker taken out.

    Parameters
    ----------
    density : floating array, shape (height, width, 3)
        Density of the finished picture's pixels, 0 is the open gate. Not altered. Must be finite: no light at all is held at
        the light floor before it becomes a density. NaN stays NaN.
    correction : FlickerCorrection
        The frame's correction.

    Returns
    -------
    array of the same shape and type
        ``D + t0 + t1 x + t2 y + t3 x^2 + t4 x y + t5 y^2 + c (D - middle)``, at a pixel's centre.

    Raises
    ------
    CallerError
        If `density` is not of three channels.

    Notes
    -----
    Source: flicker.

    Examples
    --------
    >>> brighter = FlickerCorrection(terms=((-0.04,) + (0.0,) * 6,) * 3, middle=(1.0, 1.0, 1.0))
    >>> apply_flicker(np.full((2, 2, 3), 0.8, np.float32), brighter)[0, 0].round(3).tolist()
    [0.7599999904632568, 0.7599999904632568, 0.7599999904632568]
    """
    if density.ndim != 3 or density.shape[2] != 3:
        raise CallerError(
            f"apply_flicker needs density of shape (height, width, 3), got {density.shape}; repeat a single channel."
        )
    height, width = density.shape[:2]
    x = ((2 * np.arange(width, dtype=np.float64) + 1) / width - 1)[None, :]
    y = ((2 * np.arange(height, dtype=np.float64) + 1) / height - 1)[:, None]
    out = np.empty_like(density)
    for channel, (t, middle) in enumerate(zip(correction.terms, correction.middle, strict=True)):
        surface = (t[0] + t[1] * x + t[3] * x * x) + (t[2] * y + t[5] * y * y) + t[4] * (x * y)
        plane = density[:, :, channel].astype(np.float64)
        out[:, :, channel] = plane + surface + t[6] * (plane - middle)
    return out


def _common(values: Floats) -> Floats:
    """Mean of the channels that tell something, one value a row."""
    told = np.isfinite(values)
    count = told.sum(axis=1)
    total = np.where(told, values, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _path(changes: Floats) -> Floats:
    """Sum of changes, from 0 at the first row, whose own change leads out of the run."""
    return np.concatenate([[0.0], np.cumsum(changes[1:])])


def _beyond_noise(changes: Floats, sigma: Floats) -> tuple[float, bool]:
    """Flicker in a column of changes, rms, its noise taken off; and whether it is sure that there is any."""
    told = changes[np.isfinite(changes)]
    if told.size < SHORT_FRAMES - 1:
        return 0.0, False
    known = sigma[np.isfinite(sigma)]
    noise = PAIR_NOISE * float(np.median(known)) if known.size else math.inf
    power = 6.0 * flicker_level(_path(np.concatenate([[0.0], told]))) ** 2
    return math.sqrt(max(0.0, (power - 2 * noise**2) / 6.0)), power >= SURE * 2 * noise**2


def _runs(level: Floats, first: int, stop: int) -> list[tuple[int, int]]:
    """Rows of a scene between which every change was told."""
    breaks = [n for n in range(first + 1, stop) if not math.isfinite(level[n])]
    return list(pairwise([first, *breaks, stop]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Steps:
    """Changes of a run of n frames, as the decision takes them: level, contrast, middle (n, 3), surface (n, 5)."""

    level: Floats
    contrast: Floats
    middle: Floats
    surface: Floats

    @classmethod
    def of(cls, evidence: FlickerEvidence, level: Floats, decision: FlickerDecision, rows: slice) -> "_Steps":
        common = np.repeat(_common(level[rows])[:, None], 3, axis=1)
        shared = np.repeat(_common(evidence.contrast[rows])[:, None], 3, axis=1)
        contrast = shared
        if decision.channels:
            common = np.where(np.isfinite(level[rows]), level[rows], common)
            contrast = np.where(np.isfinite(evidence.contrast[rows]), evidence.contrast[rows], shared)
        middle = evidence.middle[rows] - evidence.lamp[rows]  # as rendering sees it, the lamp taken out
        middle = np.where(np.isfinite(middle), middle, _common(middle)[:, None])
        contrast = np.nan_to_num(contrast) if decision.contrast else np.zeros_like(contrast)
        surface = np.nan_to_num(evidence.surface[rows])
        return cls(
            level=common,
            contrast=np.clip(contrast, -1.0, 1.0),
            middle=middle,
            surface=surface if decision.surface else np.zeros_like(surface),
        )


def _corrections(steps: _Steps, limit: float) -> tuple[list[tuple[Floats, Floats]], Floats]:
    """For each frame its terms (3, 7) and middle (3,), in natural logarithms of light; and the change of its level."""
    frames = steps.level.shape[0]
    terms, pivots = np.zeros((frames, 3, len(TERMS))), np.zeros((frames, 3))
    breaks = _breaks(steps)
    for channel in range(3):
        middle = steps.middle[:, channel].copy()
        middle[0] = middle[1]
        pivot = _running_median(middle)
        half = 1.0 - steps.contrast[:, channel] / 2
        change = (steps.level[:, channel] + steps.contrast[:, channel] * (pivot - middle)) / half
        contrast = np.log((2.0 - half) / half)
        turn = np.expm1(contrast)
        factor = np.exp(np.clip(-_fast(_path(contrast), breaks, BEND_OF_TERMS), -limit, limit))
        terms[:, channel, 0] = -factor * _turned(change, turn, breaks, BEND)
        for k in range(steps.surface.shape[1]):
            terms[:, channel, 1 + k] = -factor * _turned(
                steps.surface[:, k] / half, turn, breaks, BEND_OF_TERMS
            )
        terms[:, channel, 6] = factor - 1.0
        pivots[:, channel] = pivot
    terms[:, :, 0] = np.clip(terms[:, :, 0], -limit, limit)
    x, y = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
    spots = np.stack([x, y, x * x, x * y, y * y], axis=-1).reshape(-1, 5)
    most = np.abs(terms[:, :, 1:6] @ spots.T).max(axis=(1, 2))
    terms[:, :, 1:6] *= np.minimum(1.0, limit / np.maximum(most, 1e-12))[:, None, None]
    return list(zip(terms, pivots, strict=True)), terms[:, :, 0].mean(axis=1)


def _breaks(steps: _Steps) -> tuple[int, ...]:
    """Frames at which level, contrast or surface jumps and stays: a lamp that is lit, or a cut that nobody saw."""
    found: list[int] = []
    for changes in (steps.level.mean(axis=1), steps.contrast.mean(axis=1), *steps.surface.T):
        for frame in find_path_steps(_path(changes)) if changes.any() else ():
            if all(abs(frame - known) >= WINDOW // 2 for known in found):
                found.append(frame)
    return tuple(sorted(found))


def _turned(change: Floats, turn: Floats, breaks: tuple[int, ...], bend: float) -> Floats:
    """Flicker of a path of changes, each of which also turns what flicker there is by its change of contrast.

    Not what is slow in the path: the contrast's pivot goes along with that.
    """
    if not change.any():
        return change
    fast = _fast(_path(change), breaks, bend)
    if not turn.any():
        return fast
    turned = change.copy()
    turned[1:] += turn[1:] * fast[:-1]
    return _fast(_path(turned), breaks, bend)


def _fast(path: Floats, breaks: tuple[int, ...], bend: float) -> Floats:
    """What of a path is flicker: the rest when its smooth part, from one break to the next, is taken off."""
    smooth = [smooth_path(path[a:b], bend=bend) for a, b in pairwise([0, *breaks, path.size])]
    return path - np.concatenate(smooth)


def _running_median(values: Floats) -> Floats:
    padded = np.pad(values, PIVOT_FRAMES, mode="reflect" if values.size > PIVOT_FRAMES else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * PIVOT_FRAMES + 1)
    return np.asarray(np.median(windows, axis=1), np.float64)


def _in_density(
    terms: Floats, middle: Floats, place: tuple[float, float, float, float, float, float] | None
) -> FlickerCorrection:
    """Terms in light's logarithm over the picture area as a correction in density over the finished picture."""
    told = terms if place is None else _placed(terms, place)
    density = told.copy()
    density[:, :6] = -told[:, :6] / math.log(10)
    return FlickerCorrection(
        terms=tuple(tuple(row) for row in density.tolist()),
        middle=(*(-middle / math.log(10)).tolist(),),
    )


def _placed(terms: Floats, place: tuple[float, float, float, float, float, float]) -> Floats:
    """The same surface in the finished picture's x, y."""
    a, b, c, d, e, f = place
    one, u, v, uu, uv, vv = terms[:, :6].T
    out = terms.copy()
    out[:, 0] = one + u * c + v * f + uu * c * c + uv * c * f + vv * f * f
    out[:, 1] = u * a + v * d + 2 * uu * a * c + uv * (a * f + c * d) + 2 * vv * d * f
    out[:, 2] = u * b + v * e + 2 * uu * b * c + uv * (b * f + c * e) + 2 * vv * e * f
    out[:, 3] = uu * a * a + uv * a * d + vv * d * d
    out[:, 4] = 2 * uu * a * b + uv * (a * e + b * d) + 2 * vv * d * e
    out[:, 5] = uu * b * b + uv * b * e + vv * e * e
    return out


def _figure(
    before: Floats,
    after: Floats,
    corrections: list[FlickerCorrection | None],
    first: int,
    stop: int,
    on: bool,
) -> FlickerFigure:
    rows = slice(first, stop)
    short = stop - first < SHORT_FRAMES
    changed = np.abs(after[rows] - before[rows]) > NOTICED
    return FlickerFigure(
        first=first,
        stop=stop,
        on=on and any(each is not None for each in corrections[rows]),
        before_ln=math.nan if short else flicker_level(before[rows]),
        after_ln=math.nan if short else flicker_level(after[rows]),
        share=float(np.mean(changed)),
    )
