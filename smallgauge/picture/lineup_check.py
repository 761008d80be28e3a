"""Go or no-go of a machine: figures that only a line-up capture can give, and which of all figures speak against it.

measure_weave          places of frames in a row         -> scatter across and along, micrometres
measure_light_field    picture of clear film or open gate -> darkest over brightest part of the picture area
find_no_go             words of figures                   -> subjects that speak against the machine, each once
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.lineup import Limit, Word

_INF = math.inf


def _limit(name: str, unit: str, good: tuple[float, float], look: tuple[float, float], meaning: str) -> Limit:
    return Limit(name=name, unit=unit, good=good, look=look, meaning=meaning, source="common practice")


# Contrast: what the limits of the blur, 10 and 20 micrometres, leave: MTF50 = sqrt(ln 2/2)/(pi sigma).
CHECK_LIMITS: dict[str, Limit] = {
    each.name: each
    for each in (
        _limit(
            "fine contrast left",
            "cycles/mm",
            (18.7, _INF),
            (9.4, _INF),
            "MTF50 of the perforation's left side",
        ),
        _limit(
            "fine contrast right",
            "cycles/mm",
            (18.7, _INF),
            (9.4, _INF),
            "MTF50 of the perforation's right side",
        ),
        _limit(
            "fine contrast ratio",
            "",
            (0.85, 1.18),
            (0.7, 1.43),
            "left over right: square to the lens, and flat",
        ),
        _limit("light field", "", (0.9, 1.0), (0.75, 1.0), "darkest over brightest part of the picture area"),
        _limit("sensor spots", "", (0.0, 0.0), (0.0, 3.0), "spots that stand still while the film runs"),
        _limit("weave across", "um", (0.0, 30.0), (0.0, 80.0), "scatter from frame to frame"),
        _limit("weave along", "um", (0.0, 40.0), (0.0, 100.0), "scatter from frame to frame"),
        _limit(
            "head distance off",
            "frames",
            (-0.5, 0.5),
            (-1.0, 1.0),
            "measured less what is kept for the machine",
        ),
    )
}

# Which figures speak for which subject. Sharpness of the picture depends on what is in it and speaks for none.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "tilt": ("film tilt",),
    "scale": ("scale across", "scale along", "scale ratio"),
    "focus": ("edge blur left", "edge blur right", "fine contrast left", "fine contrast right"),
    "focus of the sides": ("edge blur ratio", "fine contrast ratio"),
    "light level": ("perforation light",),
    "light field": ("light evenness", "light field"),
    "clipping": ("picture clipped high", "picture clipped low"),
    "sensor": ("sensor spots",),
    "perforations": ("perforation whole in view", "margin beside perforation", "margin along perforation"),
    "picture": ("margin beside picture", "margin along picture", "height shown"),
    "weave": ("weave across", "weave along"),
    "head distance": ("head distance off",),
}
_LEFT_AND_RIGHT = (
    ("edge blur left", "edge blur right"),
    ("fine contrast left", "fine contrast right"),
)
PARTS = (6, 8)  # rows and columns into which the light field is cut; common practice, no source


def measure_weave(reference_px: ArrayLike, *, um_across: float, um_along: float) -> tuple[float, float]:
    """Scatter of the film's place from frame to frame, micrometres, across and along.

    Parameters
    ----------
    reference_px : array, shape (frames, 2)
        Film reference (x, y) of frames in a row; NaN where none.
    um_across, um_along : float
        Micrometres a pixel.

    Returns
    -------
    (across, along)
        Standard deviation, without slow drift; NaN with under eight steps.

    Notes
    -----
    1.4826 times the median of steps from one frame to the next, over the square root of 2 ("median error"): a step holds the
    scatter of two frames.

    Examples
    --------
    >>> import numpy as np
    >>> places = np.random.default_rng(1).normal(0, (2.0, 4.0), (4000, 2)) + np.linspace(0, 50, 4000)[:, None]
    >>> [round(um) for um in measure_weave(places, um_across=10.0, um_along=10.0)]
    [20, 40]
    """
    places = np.asarray(reference_px, np.float64).reshape(-1, 2)
    out = []
    for axis, um in ((0, um_across), (1, um_along)):
        steps = np.diff(places[:, axis])
        steps = steps[np.isfinite(steps)]
        known = steps.size >= 8
        scatter = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) if known else math.nan
        out.append(um * scatter / math.sqrt(2.0))
    return out[0], out[1]


def measure_light_field(light: NDArray[np.float32], *, area: tuple[float, float, float, float]) -> float:
    """How evenly the light falls over the picture area of clear film or an open gate.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3), float32
        Linear light; the mean of several frames, so that dust says little. Nothing may be in the picture.
    area : (left, top, right, bottom)
        Picture area, px.

    Returns
    -------
    float
        Median of the darkest of 6 x 8 parts over that of the brightest, 1 is even; NaN where the area is not in view.

    Raises
    ------
    CallerError
        If `light` is neither one plane nor three.

    Examples
    --------
    >>> import numpy as np
    >>> field = np.tile(np.linspace(0.8, 1.0, 160, dtype=np.float32), (120, 1))
    >>> round(measure_light_field(field, area=(0, 0, 159, 119)), 2)
    0.82
    """
    if light.ndim not in (2, 3):
        raise CallerError(f"measure_light_field needs one plane or three, got shape {light.shape}.")
    if not all(math.isfinite(side) for side in area):
        return math.nan
    left, top, right, bottom = area
    part = light[
        max(math.ceil(top), 0) : math.floor(bottom) + 1, max(math.ceil(left), 0) : math.floor(right) + 1
    ]
    plane = part if part.ndim == 2 else part.mean(axis=2)
    if plane.shape[0] < 2 * PARTS[0] or plane.shape[1] < 2 * PARTS[1]:
        return math.nan
    levels = [
        float(np.median(block))
        for rows in np.array_split(plane, PARTS[0], axis=0)
        for block in np.array_split(rows, PARTS[1], axis=1)
    ]
    return min(levels) / max(levels) if max(levels) > 0 else math.nan


def find_no_go(words: Mapping[str, Word]) -> dict[str, tuple[str, ...]]:
    """Subjects that speak against the machine, in order, each with the figures that are bad.

    Focus that is bad on one side alone is a matter of the sides (film or lens not square), not of focus as well.

    Examples
    --------
    >>> find_no_go({"film tilt": "bad", "edge blur left": "look", "scale along": "good"})
    {'tilt': ('film tilt',)}
    >>> find_no_go({"edge blur left": "good", "edge blur right": "bad", "edge blur ratio": "bad"})
    {'focus of the sides': ('edge blur ratio',)}
    """
    found = {
        subject: tuple(name for name in names if words.get(name) == "bad")
        for subject, names in SUBJECTS.items()
    }
    one_side = all(
        not (words.get(left) == "bad" and words.get(right) == "bad") for left, right in _LEFT_AND_RIGHT
    )
    if found["focus of the sides"] and one_side:
        found["focus"] = ()
    return {subject: names for subject, names in found.items() if names}
