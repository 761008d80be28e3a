"""What each hair in a gate is, from all frames of a capture: in the scanner, in the camera, or not to be told.

find_hair_kinds   hairs of all frames of a capture  ->  track and kind of each             (analyse, whole table)
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

# Shares of the picture's height; common practice, no source.
MOVED = 0.08  # that the scene moves behind a hair
NEAR = 0.03  # between the places of one hair at two times
LEAST_FRAMES = 8  # of a hair; the reference asks for so many
# How far a hair goes with the film, 1 wholly and 0 not at all: what it must be for one gate and for the other, how sure, and
# from which doubt on nothing is told.
WITH_FILM, AGAINST_FILM = 0.65, 0.2
SURE_WITH, SURE_AGAINST, UNTOLD = 0.15, 0.1, 0.3
LEAST_DOUBT = 0.02  # of one time
GAP = 500  # frames over which a hair is the same one
KINDS = {
    "scanner": "a hair in the scanner's gate: it stands still while the film moves",
    "camera": "a hair in the camera's gate: it is on the film, and part of the picture",
    "hair": "a hair that stands still while the scene moves; the film ran too steadily to tell in which gate",
    "unsure": "a thread that stands still as its scene does; it may be the scene's own",
}


def find_hair_kinds(
    hairs: Mapping[str, Any], *, size: tuple[int, int]
) -> tuple[NDArray[np.int64], NDArray[Any]]:
    """Which threads of a capture's frames are one, and what each is.

    Parameters
    ----------
    hairs : mapping
        Arrays of one length, a row for each thread on each frame: `frame`, `side`, `at` (px along the side), `with_film`, `doubt`,
        `moved`, `cuts`, and `found`, which is one number for all rows that were found together.
    size : (int, int)
        Width and height of the picture, px.

    Returns
    -------
    track, kind : arrays
        Number of the hair; a key of `KINDS`, one for all its rows, or "" where it is on fewer than eight frames.

    Notes
    -----
    Source: our own, measured in the tests.

    Examples
    --------
    >>> hairs = {"frame": np.arange(15, 35), "side": np.array(["top"] * 20, object), "found": np.repeat([0, 1], 10)}
    >>> hairs |= {"at": np.repeat([90.0, 91.0], 10), "with_film": np.repeat([1.02, 0.9], 10), "doubt": np.repeat([0.1, 0.2], 10)}
    >>> track, kind = find_hair_kinds(hairs | {"moved": np.full(20, 0.1), "cuts": np.zeros(20, int)}, size=(480, 360))
    >>> set(track.tolist()), set(kind.tolist())
    ({0}, {'camera'})
    """
    rows = {int(number): np.flatnonzero(hairs["found"] == number) for number in np.unique(hairs["found"])}
    track, kind = np.zeros(len(hairs["frame"]), np.int64), np.full(len(hairs["frame"]), "", dtype=object)
    last: list[tuple[str, float, int]] = []  # side, place and last frame of each track
    members: list[list[int]] = []
    for number in sorted(rows, key=lambda each: int(hairs["frame"][rows[each][0]])):
        own = rows[number]
        side, at, first = str(hairs["side"][own[0]]), float(hairs["at"][own[0]]), int(hairs["frame"][own[0]])
        near = [
            (abs(at - place), n)
            for n, (far_side, place, stop) in enumerate(last)
            if far_side == side and stop < first <= stop + GAP and abs(at - place) <= NEAR * size[1]
        ]
        n = min(near)[1] if near else len(last)
        if n == len(last):
            last.append((side, at, first))
            members.append([])
        last[n] = side, at, int(hairs["frame"][own].max())
        members[n].append(number)
        track[own] = n
    for n, numbers in enumerate(members):
        kind[track == n] = _kind(hairs, [rows[number] for number in numbers])
    return track, kind


def _kind(hairs: Mapping[str, Any], found: Sequence[NDArray[np.int64]]) -> str:
    """What a hair is; "" on fewer than eight frames. `found`: the rows of each time at which it was found."""
    if sum(len(each) for each in found) < LEAST_FRAMES:
        return ""
    rows = np.array([each[0] for each in found])
    long = np.array([len(each) >= LEAST_FRAMES for each in found])
    doubt = np.asarray(hairs["doubt"], np.float64)[rows]
    told = np.isfinite(doubt)
    worth = 1 / np.maximum(doubt[told], LEAST_DOUBT) ** 2
    sigma = float(1 / np.sqrt(worth.sum())) if told.any() else float("inf")
    with_film = (
        float((worth * np.asarray(hairs["with_film"])[rows][told]).sum() / worth.sum()) if told.any() else 1.0
    )
    if with_film < AGAINST_FILM and sigma <= SURE_AGAINST:
        return "scanner"
    if float(np.sum(hairs["moved"][rows], where=long)) < MOVED and not any(hairs["cuts"][rows]):
        return "unsure"
    if sigma <= SURE_WITH:
        return "camera" if with_film > WITH_FILM else "unsure"
    # What goes half with the film is in neither gate.
    return "hair" if sigma > UNTOLD or not AGAINST_FILM <= with_film <= WITH_FILM else "unsure"
