"""The path of a scene's exposure: what of it is flicker, and what was meant.

flicker_level       path  ->  flicker, rms
find_path_steps     path  ->  frames at which the level jumps and stays
smooth_path         path  ->  what was meant: straight or slowly bent, with corners where they are plain

A fade, a cloud and a lamp that is lit are meant; flicker goes up and down from frame to frame. The smooth part bends little: how
little is measured against the flicker itself, so that a path without flicker is its own smooth part.
"""

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BEND = 0.002  # natural logarithm a frame a frame: bend that a path may have for nothing; common practice, no source
CORNER = 5.0  # standard deviations of the bend that flicker leaves in the smooth part, from which a bend is a corner
TUKEY = 4.685  # 95 % efficiency, Tukey biweight
ROUNDS = 15
LEAST_LEVEL = 1e-4  # keeps the smoothing defined where a path has no flicker at all
WINDOW = 8  # frames on either side that tell a step
STEP_SIGMAS = 6.0
LEAST_STEP = 0.1  # natural logarithm: smaller steps are smoothed; common practice, no source
SHARE_AT_ONCE = 0.6  # of a step that must come within two frames, beyond what the path does there anyway


def flicker_level(path: Floats) -> float:
    """Flicker of a path, as the rms that white flicker would have.

    Parameters
    ----------
    path : array, shape (frames,)
        Natural logarithm of exposure, finite.

    Returns
    -------
    float
        1.4826 times the median absolute second difference, over the square root of 6: steady slopes and single frames that
        stand out don't count. 0 for fewer than three frames.

    Notes
    -----
    Source: flicker. The second difference of white noise has six times its power.

    Examples
    --------
    >>> flicker_level(0.05 * np.arange(30)) < 1e-12
    True
    """
    if path.size < 3:
        return 0.0
    return 1.4826 * float(np.median(np.abs(np.diff(path, 2)))) / math.sqrt(6.0)


def find_path_steps(path: Floats) -> tuple[int, ...]:
    """Frames at which a path jumps and stays: a lamp that is lit, a shutter that is opened.

    Parameters
    ----------
    path : array, shape (frames,)
        Natural logarithm of exposure, finite.

    Returns
    -------
    tuple of int
        First frame after each step, in order; none where a step is under 0.1 or under six times the flicker, nor within four
        frames of either end.

    Notes
    -----
    Source: flicker. Straight lines through eight frames on either side, by the median of slopes (Theil and Sen), must miss
    each other, and most of that must come within two frames; so a fade is no step, however steep.

    Examples
    --------
    >>> find_path_steps(np.where(np.arange(40) < 20, 0.0, 0.7))
    (20,)
    >>> find_path_steps(np.interp(np.arange(60), [20, 40], [0.0, -0.7]))
    ()
    """
    half = WINDOW // 2
    if path.size < 2 * half:
        return ()
    least = max(LEAST_STEP, STEP_SIGMAS * flicker_level(path))
    found: list[tuple[int, float]] = []
    # Only where two frames differ by that much can there be a step.
    two = np.abs(path[2:] - path[:-2])
    near = np.flatnonzero(two > SHARE_AT_ONCE * least) + 1
    for frame in sorted({int(n) for centre in near for n in (centre, centre + 1)}):
        if not half <= frame <= path.size - half:
            continue
        left, right = path[max(0, frame - WINDOW) : frame], path[frame : frame + WINDOW]
        slope_left, end = _line(left)
        slope_right, begin = _line(right[::-1])
        gap = begin - end
        if abs(gap) < least:
            continue
        way = float(np.sign(gap))
        steepest = max(0.0, way * slope_left, -way * slope_right)  # the right line was read backwards
        around = [path[min(frame + k, path.size - 1)] - path[frame + k - 2] for k in (0, 1)]
        if max(way * each - 2 * steepest for each in around) > SHARE_AT_ONCE * abs(gap):
            found.append((frame, way * float(path[frame] - path[frame - 1])))
    steps: list[tuple[int, float]] = []
    for frame, jump in found:  # of neighbours the one that jumps most
        if steps and frame - steps[-1][0] < half:
            if jump > steps[-1][1]:
                steps[-1] = (frame, jump)
        else:
            steps.append((frame, jump))
    return tuple(frame for frame, _ in steps)


def _line(values: Floats) -> tuple[float, float]:
    """Slope by the median of all pairs, and the line's value half a frame beyond the last one."""
    places = np.arange(values.size)
    one, two = np.triu_indices(values.size, 1)
    slope = float(np.median((values[two] - values[one]) / (two - one)))
    return slope, float(np.median(values - slope * places)) + slope * (values.size - 0.5)


def smooth_path(path: Floats, *, bend: float = BEND) -> Floats:
    """What was meant of a path: the rest is flicker.

    Parameters
    ----------
    path : array, shape (frames,)
        Natural logarithm of exposure, finite, without steps.
    bend : float
        Second difference that the smooth part may have for nothing, natural logarithm a frame a frame.

    Returns
    -------
    array, shape (frames,)
        Equal to the path where it has fewer than three frames.

    Notes
    -----
    Source: flicker. Penalised least squares on second differences (Whittaker's smoother), the penalty being the
    square of the measured flicker over `bend`: for flicker of 0.1 it leaves as much as a local-linear kernel of 7.5
    frames, for flicker of 0.001 not even to the next frame. It has no bias on a straight path, nor at the ends.
    Frames that stand out are weighed down by Tukey's biweight. Where the smooth part bends by more than five times what the
    flicker explains, the penalty gives way: the corners of a fade stay corners.

    Examples
    --------
    >>> fade = np.interp(np.arange(60), [20, 40], [0.0, np.log(0.5)])
    >>> bool(np.abs(smooth_path(fade) - fade).max() < 1e-3)
    True
    """
    if path.size < 3:
        return path.copy()
    level = max(flicker_level(path), LEAST_LEVEL)
    penalty = (level / bend) ** 2
    weight, stiff = np.ones(path.size), np.full(path.size - 2, penalty)
    smooth = _penalised(path, weight, stiff)
    corner = CORNER * level * _bend_left(penalty)
    for _ in range(ROUNDS):
        rest = (path - smooth) / (TUKEY * level)
        weight = np.square(np.maximum(0.0, 1.0 - rest * rest)) + 1e-6
        stiff = penalty / (1.0 + np.square(np.diff(smooth, 2) / corner))
        smooth = _penalised(path, weight, stiff)
    return smooth


def _bend_left(penalty: float) -> float:
    """Standard deviation of the smooth part's second difference for white flicker of 1: the filter's, from its response."""
    response = (2.0 * np.sin(np.linspace(0.0, np.pi, 2001)[1:] / 2.0)) ** 4
    return float(np.sqrt(np.mean(response / np.square(1.0 + penalty * response))))


def _penalised(path: Floats, weight: Floats, stiff: Floats) -> Floats:
    """Least of the weighted squares of path - z, and of the second differences of z by their stiffness."""
    from scipy.linalg import solveh_banded

    bands = np.zeros((3, path.size))
    bands[0] = weight
    bands[0, :-2] += stiff
    bands[0, 1:-1] += 4.0 * stiff
    bands[0, 2:] += stiff
    bands[1, :-2] -= 2.0 * stiff
    bands[1, 1:-1] -= 2.0 * stiff
    bands[2, :-2] += stiff
    return np.asarray(solveh_banded(bands, weight * path, lower=True), np.float64)
