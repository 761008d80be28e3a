"""Frames at the ends of scenes and rolls that are what they are: too light while the motor started, faded, fogged.

find_bright_ends  column of the picture's light, scenes      ->  frames lighter than their scene, at its first or last frames
find_faded        the same                                   ->  frames of fades out and in
find_fogged       column of the border's density, roll ends  ->  frames that light reached past the camera

All from whole columns (analyse, join). Nothing is done about them: a mark says why a frame looks as it does. Which end of a scene
came first in the camera is not known yet, so both are looked at: a film that ran tail first has its bright starts at the ends.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.scenes import (
    BLACK,
    FADE_DEPTH,
    FADE_FRAMES,
    find_fades,
    find_way_out,
    without_flashes,
)

# All of these: common practice, no source.
RISE = 0.25  # ln of light by which the first frame is lighter than its scene
LEAST_RISE = 0.1  # ... and the ones after it
MOST_BRIGHT = 4  # frames: more is the scene's own light
CALM = (4, 10)  # frames from a scene's end that give its own light
SHORTEST = 10  # frames of a scene
STRAY = 4.0  # deviations of the calm frames' light that a rise must be
FOG_DENSITY = 0.15  # that the border lost (a negative's gained)
FOG_INSIDE = 24  # frames further in that say what the border is without fog
MOST_FOGGED = 160  # frames from a roll's end
FOG_STEP = 0.6  # of the fog's depth in one step: then it is another film or its leader, and no fog

Marks = NDArray[np.bool_]
Doubles = NDArray[np.float64]


def find_bright_ends(picture_light: ArrayLike, scene: ArrayLike) -> Marks:
    """Frames lighter than their scene, at its first or last frames: the motor was starting, or stopping.

    Parameters
    ----------
    picture_light : array, shape (frames,)
        Mean ln light of each picture of positive film, in the order of the capture; NaN where it was not measured.
    scene : array, shape (frames,)
        Number of each frame's scene.

    Returns
    -------
    bool array, shape (frames,)
        At most four frames at either end of a scene of ten frames or more; the first by ln 0.25 and more than four deviations of
        the calm frames, those that follow by 0.1 and each no lighter than the one before.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    Source: scene change (limits common practice).

    Examples
    --------
    >>> light = np.full(24, -2.0)
    >>> light[:3] += np.log([2.8, 1.7, 1.25])
    >>> find_bright_ends(light, np.zeros(24, int)).nonzero()[0].tolist()
    [0, 1, 2]
    """
    light, scenes = _columns(picture_light, scene)
    marks = np.zeros(light.size, np.bool_)
    for first, stop in _runs(scenes):
        if stop - first < SHORTEST:
            continue
        inward = light[first:stop]
        marks[first : first + _bright(inward)] = True
        marks[stop - _bright(inward[::-1]) : stop] = True
    return marks


def _bright(inward: Doubles) -> int:
    """How many frames from the end inwards are lighter than the frames further in."""
    calm = inward[CALM[0] : CALM[1]]
    calm = calm[np.isfinite(calm)]
    if calm.size < 4:
        return 0
    level = float(np.median(calm))
    scatter = 1.4826 * float(np.median(np.abs(calm - level)))
    rise = inward[: MOST_BRIGHT + 1] - level
    if not rise[0] >= max(RISE, STRAY * scatter):
        return 0
    count = 1
    while (
        count <= MOST_BRIGHT
        and rise[count] >= max(LEAST_RISE, STRAY * scatter)
        and rise[count] <= rise[count - 1]
    ):
        count += 1
    return count if count <= MOST_BRIGHT else 0


def find_faded(picture_light: ArrayLike, scene: ArrayLike) -> Marks:
    """Frames of fades: out and in again, and at a scene's end from black or to black.

    Parameters
    ----------
    picture_light, scene : array, shape (frames,)
        As for `find_bright_ends`.

    Returns
    -------
    bool array, shape (frames,)
        From the first frame that is darker to the last one that is not light again. A fade that nothing follows must reach black
        and fall by a seventh of the light in 4 to 48 frames; one between two pictures is as `find_fades` tells it.

    Examples
    --------
    >>> light = np.concatenate([np.full(30, -1.5), np.linspace(-1.5, -6.2, 16), np.full(6, -6.2)])
    >>> marked = find_faded(light, np.zeros(52, int)).nonzero()[0]
    >>> int(marked[0]), int(marked[-1])
    (33, 51)
    """
    light, scenes = _columns(picture_light, scene)
    marks = np.zeros(light.size, np.bool_)
    if np.count_nonzero(np.isfinite(light)) < 3:
        return marks
    for first, _, stop in find_fades(light):
        marks[first:stop] = True
    level = without_flashes(light)
    least, most = FADE_FRAMES
    for first, stop in _runs(scenes):
        for inward, side in ((level[first:stop], 1), (level[first:stop][::-1], -1)):
            black = int(
                np.argmin(np.append(inward <= BLACK, False))
            )  # frames that are black, from the end inwards
            if not black or black == inward.size:
                continue
            way = find_way_out(inward[black - 1 :], FADE_DEPTH)
            if least <= way <= most:
                inside = black - 1 + way
                marks[first : first + inside] |= side > 0
                marks[stop - inside : stop] |= side < 0
    return marks


def find_fogged(border_density: ArrayLike, *, ends: ArrayLike, negative: bool) -> Marks:
    """Frames at the ends of a roll that light reached past the camera.

    Parameters
    ----------
    border_density : array, shape (frames,)
        Density of film beside the picture that no camera exposed; NaN where it was not measured.
    ends : array of int
        Places before which a roll may end and another begin: splices. The reel's own ends are among them always.
    negative : bool
        Whether fog adds density instead of taking it.

    Returns
    -------
    bool array, shape (frames,)
        Unbroken stretches from an end inwards whose border differs by 0.15 and more from that of the frames further in, and comes
        to it without a sudden step. A border that is alike to its end has no fog; one that jumps is leader or another stock.

    Notes
    -----
    Source: common practice.

    Examples
    --------
    >>> density = np.full(80, 2.4)
    >>> density[-12:] -= np.linspace(0.1, 2.0, 12)
    >>> marked = find_fogged(density, ends=(), negative=False).nonzero()[0]
    >>> int(marked[0]), int(marked[-1])
    (69, 79)
    """
    density = np.asarray(border_density, np.float64)
    places = sorted({0, density.size, *np.asarray(ends, np.int64).ravel().tolist()})
    marks = np.zeros(density.size, np.bool_)
    for first, stop in pairwise(places):
        fogged = _fogged(density[first:stop], negative), _fogged(density[first:stop][::-1], negative)
        if sum(fogged) < stop - first:
            marks[first : first + fogged[0]] = True
            marks[stop - fogged[1] : stop] = True
    return marks


def _fogged(inward: Doubles, negative: bool) -> int:
    """How many frames from the end inwards are fogged."""
    known = np.flatnonzero(np.isfinite(inward))
    if known.size < 2 * FOG_INSIDE:
        return 0
    filled = np.interp(np.arange(inward.size), known, inward[known])
    reach = filled[: MOST_FOGGED + FOG_INSIDE]
    usual = float(np.median(reach[-FOG_INSIDE:] if reach.size > 2 * FOG_INSIDE else filled))
    lost = (reach - usual) if negative else (usual - reach)
    count = int(np.argmin(np.append(lost >= FOG_DENSITY, False)))
    if not count or count > MOST_FOGGED:
        return 0
    steps = -np.diff(lost[: count + 1])
    return (
        count
        if float(steps.max(initial=0.0)) <= max(FOG_STEP * float(lost[:count].max()), FOG_DENSITY)
        else 0
    )


def _columns(picture_light: ArrayLike, scene: ArrayLike) -> tuple[Doubles, NDArray[np.int64]]:
    light, scenes = np.asarray(picture_light, np.float64), np.asarray(scene, np.int64)
    if light.ndim != 1 or light.shape != scenes.shape:
        raise CallerError(
            f"Marks of scenes need two columns of one length, got {light.shape} and {scenes.shape}."
        )
    return light, scenes


def _runs(scenes: NDArray[np.int64]) -> list[tuple[int, int]]:
    """First frame and stop of each scene."""
    edges = np.flatnonzero(np.diff(scenes)) + 1
    bounds = [0, *edges.tolist(), scenes.size]
    return [(a, b) for a, b in pairwise(bounds) if b > a]
