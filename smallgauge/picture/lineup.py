"""Line-up figures: what a technician looks at before the run, and after it, of any capture.

measure_lineup    survey and readings of some frames  ->  LineUp: figures, each with a plain word

Every figure has its limits beside it. Hardly any limit is published: where one is, its source is
named, the others are common practice and may be argued with at the bench.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError

Word = Literal["good", "look", "bad"]
WORDS: tuple[Word, ...] = ("good", "look", "bad")

_WITHOUT = "common practice"
_INF = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """From where to where a figure is good, and where it still is worth no more than a look."""

    name: str
    unit: str
    good: tuple[float, float]
    look: tuple[float, float]
    meaning: str
    source: str  # key in SOURCES

    def word_for(self, value: float) -> Word:
        """The plain word; a figure that could not be measured is worth a look.

        Examples
        --------
        >>> [LIMITS["film tilt"].word_for(tilt) for tilt in (0.1, -0.5, 2.0, math.nan)]
        ['good', 'look', 'bad', 'look']
        """
        if math.isnan(value):
            return "look"
        if self.good[0] <= value <= self.good[1]:
            return "good"
        return "look" if self.look[0] <= value <= self.look[1] else "bad"


def _limit(
    name: str,
    unit: str,
    good: tuple[float, float],
    look: tuple[float, float],
    meaning: str,
    source: str = _WITHOUT,
) -> Limit:
    return Limit(name=name, unit=unit, good=good, look=look, meaning=meaning, source=source)


LIMITS: dict[str, Limit] = {
    each.name: each
    for each in (
        _limit("film tilt", "degrees", (-0.3, 0.3), (-1.0, 1.0), "turn of the film against the sensor"),
        _limit("scale across", "um/px", (0.0, 10.0), (0.0, 20.0), "film that one pixel shows, across"),
        _limit("scale along", "um/px", (0.0, 10.0), (0.0, 20.0), "film that one pixel shows, along"),
        _limit(
            "scale ratio", "", (0.995, 1.005), (0.98, 1.02), "scale across over scale along: square pixels"
        ),
        _limit("edge blur left", "um", (0.0, 10.0), (0.0, 20.0), "blur of the perforation's left side"),
        _limit("edge blur right", "um", (0.0, 10.0), (0.0, 20.0), "blur of the perforation's right side"),
        _limit(
            "edge blur ratio",
            "",
            (0.85, 1.18),
            (0.7, 1.43),
            "left over right: the film lies flat and square to the lens",
        ),
        _limit("sharpness left", "1/px2", (0.0, _INF), (0.0, _INF), "picture, left half; depends on subject"),
        _limit(
            "sharpness right", "1/px2", (0.0, _INF), (0.0, _INF), "picture, right half; depends on subject"
        ),
        _limit(
            "sharpness ratio",
            "",
            (0.5, 2.0),
            (0.25, 4.0),
            "left over right, median of frames; subjects differ, so only a large difference counts",
        ),
        _limit(
            "perforation light", "", (0.8, 0.97), (0.5, 1.0), "light of the open perforation; 1 is open gate"
        ),
        _limit(
            "perforation at full scale",
            "",
            (0.0, 0.01),
            (0.0, 1.0),
            "share of its samples; usual where exposure is set for the film's base, but then lamp flicker "
            "can't be measured",
        ),
        _limit(
            "light evenness", "", (0.97, 1.0), (0.9, 1.0), "darkest over brightest part of the perforation"
        ),
        _limit(
            "picture clipped high",
            "",
            (0.0, 0.001),
            (0.0, 0.05),
            "share of the picture at the highest code, worst frame in twenty",
        ),
        _limit(
            "picture clipped low",
            "",
            (0.0, 0.01),
            (0.0, 0.1),
            "share of the picture at the lowest code, worst frame in twenty",
        ),
        _limit(
            "perforation whole in view",
            "",
            (1.0, 1.0),
            (0.98, 1.0),
            "share of frames that show one whole perforation",
        ),
        _limit(
            "margin beside perforation", "px", (16.0, _INF), (6.0, _INF), "to the capture's nearer side edge"
        ),
        _limit(
            "margin along perforation", "px", (16.0, _INF), (6.0, _INF), "to its top or bottom edge, least"
        ),
        _limit(
            "margin beside picture",
            "px",
            (8.0, _INF),
            (0.0, _INF),
            "picture area to the capture's side edges",
        ),
        _limit(
            "margin along picture", "px", (8.0, _INF), (0.0, _INF), "picture area to top and bottom, least"
        ),
        _limit("height shown", "pitches", (1.3, _INF), (1.1, _INF), "film shown along, in perforation steps"),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One line-up figure: value (NaN: not measured), unit, plain word, and its limits' source."""

    name: str  # key in LIMITS
    value: float
    unit: str
    word: Word
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUp:
    """All line-up figures of a capture, in the order they are printed in."""

    figures: tuple[Figure, ...]
    frames: int  # that they were measured on

    @property
    def word(self) -> Word:
        """The worst word among the figures."""
        return WORDS[max(WORDS.index(figure.word) for figure in self.figures)]

    def value(self, name: str) -> float:
        """The value of one figure by its name."""
        return next(figure.value for figure in self.figures if figure.name == name)


def measure_lineup(
    *,
    frame_size_px: tuple[int, int],
    tilt: float,
    across_px_per_mm: float,
    along_px_per_mm: float,
    pitch_px: float,
    holes: ArrayLike,
    reference: ArrayLike,
    picture_area: tuple[float, float, float, float],
    blur_left_px: ArrayLike,
    blur_right_px: ArrayLike,
    sharpness_left: ArrayLike,
    sharpness_right: ArrayLike,
    light: ArrayLike,
    light_evenness: ArrayLike,
    perforation_full_scale: ArrayLike,
    clipped_high: ArrayLike,
    clipped_low: ArrayLike,
) -> LineUp:
    """Line-up figures from the survey's numbers and the readings of some frames.

    Parameters
    ----------
    frame_size_px : (width, height)
        Of the capture.
    tilt : float
        Of the film, radians.
    across_px_per_mm, along_px_per_mm, pitch_px : float
        From the survey; NaN where not known.
    holes : array, shape (frames, 4)
        Centre x, centre y, width, height of a frame's best perforation, px; NaN where none.
    reference : array, shape (frames, 2)
        Film reference (x, y) of each frame, px; NaN where none.
    picture_area : (left, top, right, bottom)
        Relative to the film reference, px.
    blur_left_px ... clipped_low : array, shape (frames,)
        Columns of `focus` and `exposure`; NaN where not measured.

    Returns
    -------
    LineUp
        Medians over the frames; of clipping the 95th percentile; of margins the least.

    Raises
    ------
    CallerError
        If the arrays are not of one number of frames.

    Notes
    -----
    0.85 to 1.18 for the blur's ratio and 80 to 97 % for the perforation's light are this project's own
    limits, as are all others ("common practice"). Sharpness and light have no absolute limit: they are
    printed to be compared from run to run.

    Examples
    --------
    >>> import numpy as np
    >>> n = np.full(3, 0.5)
    >>> line_up = measure_lineup(
    ...     frame_size_px=(1440, 1080), tilt=0.002, across_px_per_mm=170, along_px_per_mm=170, pitch_px=720,
    ...     holes=[[180, 540, 155, 194]] * 3, reference=[[180, 540]] * 3, picture_area=(90, -350, 1050, 350),
    ...     blur_left_px=2 * n, blur_right_px=2 * n, sharpness_left=n, sharpness_right=n, light=1.8 * n,
    ...     light_evenness=2 * n, perforation_full_scale=0 * n, clipped_high=0 * n, clipped_low=0 * n)
    >>> line_up.word, round(line_up.value("height shown"), 2), round(line_up.value("film tilt"), 2)
    ('good', 1.5, 0.11)
    """
    places = np.asarray(holes, np.float64).reshape(-1, 4)
    references = np.asarray(reference, np.float64).reshape(-1, 2)
    columns = _of_one_length(
        len(places),
        len(references),
        blur_left_px,
        blur_right_px,
        sharpness_left,
        sharpness_right,
        light,
        light_evenness,
        perforation_full_scale,
        clipped_high,
        clipped_low,
    )
    medians = [_median(column) for column in columns]
    um_across = 1000.0 / across_px_per_mm if across_px_per_mm > 0 else math.nan
    um_along = 1000.0 / along_px_per_mm if along_px_per_mm > 0 else math.nan
    whole, beside, along = _hole_margins(places, frame_size_px)
    picture_beside, picture_along = _picture_margins(references, picture_area, frame_size_px)
    values = {
        "film tilt": math.degrees(tilt),
        "scale across": um_across,
        "scale along": um_along,
        "scale ratio": um_across / um_along,
        "edge blur left": medians[0] * um_across,
        "edge blur right": medians[1] * um_across,
        "edge blur ratio": _ratio(medians[0], medians[1]),
        "sharpness left": medians[2],
        "sharpness right": medians[3],
        "sharpness ratio": _ratio(medians[2], medians[3]),
        "perforation light": medians[4],
        "perforation at full scale": medians[6],
        "light evenness": medians[5],
        "picture clipped high": _high(columns[7]),
        "picture clipped low": _high(columns[8]),
        "perforation whole in view": whole,
        "margin beside perforation": beside,
        "margin along perforation": along,
        "margin beside picture": picture_beside,
        "margin along picture": picture_along,
        "height shown": frame_size_px[1] / pitch_px if pitch_px > 0 else math.nan,
    }
    return LineUp(
        figures=tuple(
            Figure(
                name=name,
                value=values[name],
                unit=limit.unit,
                word=limit.word_for(values[name]),
                source=limit.source,
            )
            for name, limit in LIMITS.items()
        ),
        frames=len(places),
    )


def _of_one_length(frames: int, references: int, *columns: ArrayLike) -> list[NDArray[np.float64]]:
    arrays = [np.asarray(column, np.float64) for column in columns]
    if references != frames or any(array.shape != (frames,) for array in arrays):
        raise CallerError(
            f"measure_lineup needs every column of one length, got {frames} holes, {references} references and "
            f"columns of {sorted({array.shape for array in arrays})}. Give each frame one value, NaN where unknown."
        )
    return arrays


def _known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return values[np.isfinite(values)]


def _median(values: NDArray[np.float64]) -> float:
    known = _known(values)
    return float(np.median(known)) if known.size else math.nan


def _high(values: NDArray[np.float64]) -> float:
    known = _known(values)
    return float(np.quantile(known, 0.95, method="higher")) if known.size else math.nan


def _ratio(left: float, right: float) -> float:
    return left / right if right > 0 else math.nan


def _hole_margins(holes: NDArray[np.float64], size: tuple[int, int]) -> tuple[float, float, float]:
    """Share of frames with a whole perforation, and the least margins beside and along it, px."""
    known = holes[np.isfinite(holes).all(axis=1)]
    if not len(holes) or not len(known):
        return (0.0 if len(holes) else math.nan), math.nan, math.nan
    x, y, width, height = known.T
    # Pixel 0 reaches from -0.5 to 0.5.
    beside = np.minimum(x - width / 2 + 0.5, size[0] - 0.5 - (x + width / 2))
    along = np.minimum(y - height / 2 + 0.5, size[1] - 0.5 - (y + height / 2))
    whole = float(np.count_nonzero((beside >= 0) & (along >= 0))) / len(holes)
    return whole, float(beside.min()), float(along.min())


def _picture_margins(
    reference: NDArray[np.float64], area: tuple[float, float, float, float], size: tuple[int, int]
) -> tuple[float, float]:
    known = reference[np.isfinite(reference).all(axis=1)]
    if not len(known) or not all(math.isfinite(side) for side in area):
        return math.nan, math.nan
    x, y = known.T
    left, top, right, bottom = area
    beside = np.minimum(x + left + 0.5, size[0] - 0.5 - (x + right))
    along = np.minimum(y + top + 0.5, size[1] - 0.5 - (y + bottom))
    return float(beside.min()), float(along.min())
