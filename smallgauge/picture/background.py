"""Still background: how far it moves from one finished frame to the next, after decoding.

make_background_picture  a finished picture           -> its reduced plane
measure_background       two of them                  -> how far the background moved            (prove)
measure_unsteadiness     steps and the frames' moves  -> jump before and after, along the reel   (prove)

The steadiness of what is handed out, measured on it: nothing of it steered the registration. How far the same
background had moved in the capture follows from the move that each frame was rendered with. A camera's own
movement is in it: so it is only told from frame to frame (the jump of `steadiness`), where it passes slowly, and
where something stands still at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.geometry import FilmScale
from smallgauge.picture.alignment import (
    BIWEIGHT,
    COARSE_BLUR_PX,
    FINE_BLUR_PX,
    LEAST_CONFIDENCE,
    LEAST_SIDE_PX,
    METHOD_SIGMA_PX,
    REACH_PX,
    STEPS,
    TILE_PX,
    Displacement,
    find_best_peak,
    make_spectrum,
)
from smallgauge.picture.source_fit import make_box_means
from smallgauge.picture.steadiness import (
    AXES,
    BACKGROUND,
    LEAST_FRAMES,
    Steadiness,
    rms_of,
    standing_out,
    untold,
)

Marks = NDArray[np.bool_]

STILL_SHARE = 0.003  # of the picture's height a frame: faster is a pan; common practice, no source
STILL_FRAMES = 9  # over which a pan's speed is told; common practice, no source
REST_PX, COARSE_REST_PX = (
    4e-3,
    0.05,
)  # reduced pixels: a fifth of what a step is sure to; chosen here by trial
_MARGIN_PX = 7  # kept clear of the edge: what the taps of the interpolator reach
_ROUNDS, _EVERY = (
    2,
    2,
)  # rounds of weights, and pixels between those that their median is taken of; chosen here by trial
BACKGROUND_PX = 160  # width of the reduced picture, about: the proxy's of scene change
# A step less sure than this (reduced pixels) means that nothing in the picture stands still; chosen here by trial on
# drawn pictures (tests/picture/test_steadiness.py): still ones stay below 0.05, boiling ones above 0.1.
MOST_STEP_SIGMA_PX = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class BackgroundRun:
    """Jump along and across in finished frames [first, stop), by the still background, micrometres; NaN: not told."""

    first: int
    stop: int
    before_across_um: float
    after_across_um: float
    before_along_um: float
    after_along_um: float


def make_background_picture(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    *,
    box: tuple[int, int, int, int],
) -> NDArray[np.float32]:
    """A finished picture's part, reduced for following its background.

    Parameters
    ----------
    samples : array, shape (height, width, 3) or (height, width)
    box : (left, top, right, bottom)
        Part of it that shows the camera's picture, px, half open.

    Returns
    -------
    array, shape (rows, columns), float32
        Mean of the channels over square blocks, in the samples' own unit.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_background_picture(np.ones((240, 330, 3), np.uint16), box=(2, 0, 322, 240)).shape
    (120, 160)
    """
    left, top, right, bottom = box
    block = reduction(box)
    edges = (
        np.arange((end - start) // block + 1) * block + start for start, end in ((top, bottom), (left, right))
    )
    means = make_box_means(samples, *edges)
    # One channel after the other: a mean over so short an axis takes ten times as long, and is the same.
    total = sum((means[:, :, channel] for channel in range(1, means.shape[2])), means[:, :, 0])
    return total / np.float32(means.shape[2])


def reduction(box: tuple[int, int, int, int]) -> int:
    """How many finished pixels one pixel of the reduced picture stands for, either way.

    Examples
    --------
    >>> reduction((0, 0, 1280, 960)), reduction((0, 0, 200, 150))
    (8, 1)
    """
    return max(1, round((box[2] - box[0]) / BACKGROUND_PX))


def measure_background(
    before: NDArray[np.floating] | None,
    now: NDArray[np.floating],
    *,
    box: tuple[int, int, int, int],
    kept: "PreparedPictures | None" = None,
) -> tuple[float, float, float]:
    """How far the still background moved from one finished picture to the next.

    Parameters
    ----------
    before, now : arrays, shape (rows, columns), or None
        From `make_background_picture`; None where there is no picture before.
    box : (left, top, right, bottom)
        As given to `make_background_picture`.
    kept : PreparedPictures, optional
        Of the pair before, whose second picture is this one's first; gets those of this pair.

    Returns
    -------
    (x, y, sigma) : float
        Finished pixels; NaN where nothing common to both pictures stands still, or they are too small.

    Notes
    -----
    As `measure_displacement` of alignment.py does it, by compiled loops in single precision; weights in two rounds, from
    a quarter of the pixels. Parts that move on their own lose their weight; where most of the picture does, the tiles
    contradict one another, sigma grows, and nothing is told. Source: "Lucas and Kanade 1981".

    Examples
    --------
    >>> from scipy import ndimage
    >>> scene = ndimage.gaussian_filter(np.random.default_rng(2).random((140, 180)), 3)
    >>> box = (0, 0, 160, 120)
    >>> x, y, sigma = measure_background(scene[10:130, 10:170], scene[9:129, 12:172], box=box)
    >>> round(x, 2), round(y, 2)
    (-2.0, 1.0)
    """
    nothing = (float("nan"), float("nan"), float("nan"))
    if before is None or min(now.shape) < LEAST_SIDE_PX or before.shape != now.shape:
        return nothing
    prepared = PreparedPictures() if kept is None else kept
    found = _followed(prepared.of(before), prepared.of(now))
    if found is None or not found.sigma_px < MOST_STEP_SIGMA_PX:
        return nothing
    block = reduction(box)
    return found.x_px * block, found.y_px * block, found.sigma_px * block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Prepared:
    """A reduced picture as it is compared: how far its values spread, how high they reach, two blurs, its spectrum."""

    spread: float
    level: float
    coarse: NDArray[np.float32]
    fine: NDArray[np.float32]
    spectrum: NDArray[np.complex64]


class PreparedPictures:
    """The two pictures of the pair before, as they were prepared for comparing: one of them is in the next pair too."""

    def __init__(self) -> None:
        self._kept: list[tuple[NDArray[np.floating], _Prepared]] = []

    def of(self, picture: NDArray[np.floating]) -> _Prepared:
        """A picture prepared: once, if it is the very same."""
        for known, prepared in self._kept:
            if known is picture:
                return prepared
        made = _prepared(np.asarray(picture, np.float32))
        self._kept = [*self._kept[-1:], (picture, made)]
        return made


def _prepared(plane: NDArray[np.float32]) -> _Prepared:
    import cv2

    coarse, fine = (
        cv2.GaussianBlur(plane, (0, 0), blur, borderType=cv2.BORDER_REPLICATE)
        for blur in (COARSE_BLUR_PX, FINE_BLUR_PX)
    )
    return _Prepared(
        spread=float(plane.std()),
        level=float(plane.max()),
        coarse=coarse,
        fine=fine,
        spectrum=make_spectrum(plane),
    )


def _followed(first: _Prepared, second: _Prepared) -> Displacement | None:
    """How far the picture moved, reduced pixels; None where it can't be told."""
    spread, level = min(first.spread, second.spread), max(first.level, second.level)
    if not np.isfinite(spread) or not spread > 1e-6 * level:
        return None
    reach = int(min(REACH_PX, min(first.coarse.shape) / 3))
    spectra = first.spectrum, second.spectrum
    start = find_best_peak(spectra, (first.coarse, second.coarse), reach=reach)
    near = _refined(first.coarse, second.coarse, start, rest_px=COARSE_REST_PX)
    found = (
        _refined(first.fine, second.fine, (near.x_px, near.y_px), rest_px=REST_PX)
        if near is not None
        else None
    )
    if found is None or found.confidence < LEAST_CONFIDENCE:
        return None
    return found if max(abs(found.x_px), abs(found.y_px)) <= reach + 1 else None


def _refined(
    first: NDArray[np.float32], second: NDArray[np.float32], start: tuple[float, float], *, rest_px: float
) -> Displacement | None:
    """Steps of least squares from a start that is a pixel or two off; None where they find no rest."""
    from smallgauge.picture.kernels_follow import follow_shift

    numbers = np.array([rest_px, BIWEIGHT, _ROUNDS, _EVERY, _MARGIN_PX, STEPS, TILE_PX], np.float64)
    x, y, variance, confidence = follow_shift(first, second, *start, numbers)
    if not np.isfinite(x):
        return None
    sigma = float(np.hypot(np.sqrt(variance), METHOD_SIGMA_PX))
    return Displacement(x_px=x, y_px=y, sigma_px=sigma, confidence=max(confidence, 0.0))


def measure_unsteadiness(
    steps: NDArray[np.float64],
    moves: NDArray[np.float64],
    *,
    follows: Marks,
    scale: FilmScale,
    picture_px: tuple[float, float],
    run_frames: int,
) -> tuple[tuple[Steadiness, Steadiness], tuple[BackgroundRun, ...]]:
    """Jump before and after by the still background of the finished frames.

    Parameters
    ----------
    steps : array, shape (frames, 3)
        Step of the background from the frame before: x, y, sigma, finished pixels; NaN where not told.
    moves : array, shape (frames, 6)
        a b c d e f of each finished frame.
    follows : array of bool, shape (frames,)
        Frames that follow on the one before: same scene, next film position, a picture of their own.
    scale : FilmScale
        Of the capture.
    picture_px : (width, height)
        Of the finished picture.
    run_frames : int
        Frames of one run, for a plot along the reel.

    Returns
    -------
    ((across, along), runs)
        `before_um`, `after_um` are NaN: a camera's own movement is in them. Figures are NaN, and the evidence
        "nothing", where fewer than twelve frames have a background that stands still.

    Raises
    ------
    CallerError
        If the arrays are not of one number of frames.

    Notes
    -----
    What a hand shook from frame to frame is counted in, so that the figure is at most too large. A background that
    goes by faster than 0.3 % of the picture's height a frame is a pan, and left out. Source: "derived".

    Examples
    --------
    >>> place = np.random.default_rng(4).normal(0, 0.5, 60)
    >>> steps = np.stack([np.diff(place, prepend=0), np.diff(place, prepend=0), np.full(60, 0.02)], axis=1)
    >>> moves = np.tile([1.0, 0, 0, 0, 1.0, 0], (60, 1)); moves[:, 5] = np.random.default_rng(5).normal(0, 4, 60)
    >>> scale = FilmScale(across_px_per_mm=100.0, along_px_per_mm=100.0)
    >>> (across, along), runs = measure_unsteadiness(
    ...     steps, moves, follows=np.arange(60) > 0, scale=scale, picture_px=(400, 300), run_frames=30)
    >>> round(along.before_jump_um), round(along.after_jump_um, 1), len(runs)
    (37, 6.0, 2)
    """
    count = len(steps)
    if steps.shape != (count, 3) or moves.shape != (count, 6) or follows.shape != (count,):
        raise CallerError(
            f"measure_unsteadiness needs steps, moves and marks of one number of frames, got {steps.shape}, "
            f"{moves.shape} and {follows.shape}."
        )
    after = np.where(follows[:, None], steps[:, :2], np.nan)
    still = _still(after, STILL_SHARE * picture_px[1])
    after = np.where(still[:, None], after, np.nan)
    turned = np.stack(
        [
            moves[:, 0] * after[:, 0] + moves[:, 1] * after[:, 1],
            moves[:, 3] * after[:, 0] + moves[:, 4] * after[:, 1],
        ]
    ).T
    moved = np.diff(moves[:, [2, 5]], axis=0, prepend=np.nan)
    stretch = np.abs(np.stack([moves[:, 0], moves[:, 4]], axis=1))  # captured pixels in a finished one
    before = turned + moved
    um = 1000 * np.array([1 / scale.across_px_per_mm, 1 / scale.along_px_per_mm])
    jumps = [_step_jumps(each) * um for each in (before, after * stretch)]
    out = np.stack([standing_out(jumps[1][:, axis] / um[axis]) for axis in (0, 1)]).any(axis=0)
    told = np.isfinite(jumps[1]).all(axis=1) & ~out
    kept = [np.where(told[:, None], each, np.nan) for each in jumps]
    figures = []
    for axis in (0, 1):
        if told.sum() < LEAST_FRAMES:
            figures.append(untold(AXES[axis], count))
            continue
        size_um = picture_px[axis] * float(np.median(stretch[:, axis])) * um[axis]
        rms = [rms_of(each[:, axis]) for each in kept]
        known = np.isfinite(jumps[1][:, axis])
        figures.append(
            replace(
                untold(AXES[axis], count),
                evidence=BACKGROUND,
                frames=int(told.sum()),
                standing_out=int(out.sum()),
                after_99_um=float(np.quantile(np.abs(jumps[1][known, axis]), 0.99)),
                before_jump_um=rms[0],
                after_jump_um=rms[1],
                before_share=rms[0] / size_um,
                after_share=rms[1] / size_um,
                sigma_um=rms_of(np.where(told, steps[:, 2], np.nan)) * um[axis] / np.sqrt(3.0),
            )
        )
    return (figures[0], figures[1]), _runs_of(kept, run_frames)


def _step_jumps(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """The jump of each frame from the steps into it and out of it; NaN where one is missing."""
    out = np.full(steps.shape, np.nan)
    out[:-1] = (steps[:-1] - steps[1:]) / np.sqrt(6.0)  # half the difference, over the root of 1.5
    return out


def _still(steps: NDArray[np.float64], most_px: float) -> Marks:
    """Frames about which the background goes by slowly, by the median of nine steps."""
    half = STILL_FRAMES // 2
    padded = np.pad(steps, ((half, half), (0, 0)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, STILL_FRAMES, axis=0)
    known = np.isfinite(windows).any(axis=2).all(axis=-1)
    speed = np.full(steps.shape, np.inf)
    if known.any():
        speed[known] = np.abs(np.nanmedian(windows[known], axis=2))
    return np.asarray(speed.max(axis=1) <= most_px)


def _runs_of(jumps: Sequence[NDArray[np.float64]], run_frames: int) -> tuple[BackgroundRun, ...]:
    """Jump before and after in runs of so many frames."""
    count = len(jumps[0])
    out = []
    for first in range(0, count, run_frames):
        stop = min(first + run_frames, count)
        values = [[rms_of(each[first:stop, axis]) for each in jumps] for axis in (0, 1)]
        out.append(
            BackgroundRun(
                first=first,
                stop=stop,
                before_across_um=values[0][0],
                after_across_um=values[0][1],
                before_along_um=values[1][0],
                after_along_um=values[1][1],
            )
        )
    return tuple(out)
