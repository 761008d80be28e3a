"""Lamp level of each frame, from the light of its open perforation, and what is taken where that was not measured.

solve_lamp   light of the perforation, frame by frame -> what each frame's light is divided by   (render, plan)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

NEIGHBOURS = (
    15  # frames on either side that a level is compared with, and filled in from; common practice, no source
)
# A level further than this from its neighbours', natural logarithm, is tape or dirt on the perforation, not the lamp.
# common practice, no source
STRAY = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LampLevels:
    """`levels`, shape (frames, 3), NaN where nothing of the capture tells; `filled` where neighbours tell."""

    levels: NDArray[np.float64]
    filled: NDArray[np.bool_]


def solve_lamp(light: NDArray[np.floating]) -> LampLevels:
    """What each frame's light is divided by.

    Parameters
    ----------
    light : floating array, shape (frames, 3)
        Light of each frame's open perforation, red, green, blue, in the order of the capture; NaN where it was not
        measured, or its code values had run out. Not altered.

    Returns
    -------
    LampLevels
        A frame's own level where it has one; the median of its neighbours' where it has none or strays by more than a
        tenth from them; the median of all where they have none.

    Notes
    -----
    Source: definition (an open perforation holds no film, so it shows the lamp).

    Examples
    --------
    >>> seen = np.repeat([[0.9], [0.91], [np.nan], [0.9], [0.5]], 3, axis=1)
    >>> solved = solve_lamp(seen)
    >>> print(solved.levels[:, 0], solved.filled)
    [0.9  0.91 0.9  0.9  0.9 ] [False False  True False  True]
    """
    levels = np.asarray(light, np.float64).copy()
    known: NDArray[np.bool_] = np.all(np.isfinite(levels) & (levels > 0.0), axis=1)
    if not known.any():
        return LampLevels(levels=np.full_like(levels, np.nan), filled=np.zeros(len(levels), np.bool_))
    usual = np.empty_like(levels)
    of_all = np.median(levels[known], axis=0)
    for n in range(len(levels)):
        near = slice(max(0, n - NEIGHBOURS), n + NEIGHBOURS + 1)
        mine = levels[near][known[near]]
        usual[n] = np.median(mine, axis=0) if len(mine) else of_all
    stray: NDArray[np.bool_] = np.logical_not(known)
    stray[known] = (np.abs(np.log(levels[known] / usual[known])) > STRAY).any(axis=1)
    levels[stray] = usual[stray]
    return LampLevels(levels=np.round(levels, 6), filled=stray)
