"""The perforations of a whole reel: which is which, the state of each, grades and runs with footage.

find_perforation_numbers    columns           -> which perforation of the film each reading is of
find_perforation_states     columns           -> one state for each perforation of the film
find_damage_grades          states, gauge     -> grade 0 to 5, runs, footage              (analyse, join)
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge
from smallgauge.gauge.rates import feet_from_frames
from smallgauge.picture.damage import DAMAGE_WORDS, Damage
from smallgauge.picture.perforation_fix import PerforationSurvey


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationState:
    """One perforation of the film, from every frame that shows it."""

    perforation: int  # number along the film
    row: int
    damage: Damage
    side: str
    depth_mm: float
    into_picture: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageRun:
    """Damaged perforations that follow one another, [first, stop); `grade` is that of the worst."""

    first: int
    stop: int
    grade: int
    first_feet: Fraction
    counts: tuple[tuple[Damage, int], ...]  # of each word that occurs, mildest first

    @property
    def length(self) -> int:
        """How many perforations along the film."""
        return self.stop - self.first


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageRecord:
    """What a reel's perforations are like: the grade of the whole, the runs, and the grade of each number."""

    grade: int  # of the worst run; 0: none
    runs: tuple[DamageRun, ...]
    longest: int  # perforations of the longest run
    counts: tuple[tuple[Damage, int], ...]  # perforations of each word
    grades: tuple[tuple[int, int], ...]  # (perforation, grade) of each that is not 0


def find_perforation_numbers(
    film_position: ArrayLike,
    y_px: ArrayLike,
    reference_y_px: ArrayLike,
    *,
    survey: PerforationSurvey,
    downwards: bool = True,
) -> NDArray[np.int64]:
    """Which perforation of the film each reading is of.

    Perforation n stands beside the middle of frame n, or on the frame line before it.

    Parameters
    ----------
    film_position : array of int, shape (readings,)
        Frame of the film that the reading's frame shows.
    y_px, reference_y_px : arrays, shape (readings,)
        The perforation's y, and that of the frame's film reference (NaN: the usual place is taken).
    survey : PerforationSurvey
    downwards : bool
        Film position grows downwards in the capture; False for film that ran through the other way.

    Returns
    -------
    array of int64, shape (readings,)
        -1 where `y_px` is NaN.

    Notes
    -----
    Source: "derived"; hole positions as `Gauge.holes_at` cites them.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> survey = SimpleNamespace(pitch_px=300.0, usual_y_px=200.0, holes_at="frame line")
    >>> find_perforation_numbers([7, 7], [52.0, 348.0], [201.0, 201.0], survey=survey).tolist()
    [7, 8]
    """
    place, centre = np.asarray(y_px, np.float64), np.asarray(reference_y_px, np.float64)
    centre = np.where(np.isfinite(centre), centre, survey.usual_y_px)
    steps = (place - centre) / survey.pitch_px * (1.0 if downwards else -1.0)
    after = 0.0 if survey.holes_at == "mid-frame" else 0.5
    number = np.asarray(film_position, np.int64) + np.rint(np.nan_to_num(steps + after)).astype(np.int64)
    return np.where(np.isfinite(place), number, -1)


def find_perforation_states(
    perforation: ArrayLike,
    row: ArrayLike,
    damage: Sequence[str],
    *,
    side: Sequence[str] = (),
    depth_mm: ArrayLike = (),
    into_picture: ArrayLike = (),
) -> tuple[PerforationState, ...]:
    """One state for each perforation, from all readings of it: the worst.

    Light where film should be is evidence that it is gone; that another frame, with less of the
    surroundings in view, shows none is no evidence that it is there.

    Parameters
    ----------
    perforation, row : arrays of int, shape (readings,)
        Readings with a negative number are left out.
    damage : sequence of str, shape (readings,)
    side, depth_mm, into_picture : optional, shape (readings,)
        From the same readings.

    Returns
    -------
    tuple of PerforationState
        Along the film, row by row.

    Raises
    ------
    CallerError
        If the columns are not of one length, or a word is none of DAMAGE_WORDS or "".

    Notes
    -----
    Source: "definition".

    Examples
    --------
    >>> states = find_perforation_states([4, 4, 5], [0, 0, 0], ["whole", "torn", ""])
    >>> [(each.perforation, each.damage) for each in states]
    [(4, 'torn'), (5, '')]
    """
    numbers, rows = np.asarray(perforation, np.int64), np.asarray(row, np.int64)
    count = len(numbers)
    sides = list(side) or [""] * count
    depths = np.asarray(depth_mm, np.float64) if np.size(depth_mm) else np.zeros(count)
    inside = np.asarray(into_picture, np.bool_) if np.size(into_picture) else np.zeros(count, np.bool_)
    lengths = {len(rows), len(damage), len(sides), len(depths), len(inside), count}
    unknown = sorted(set(damage) - {*DAMAGE_WORDS, ""})
    if len(lengths) > 1 or unknown:
        raise CallerError(
            f"find_perforation_states needs columns of one length with the words {', '.join(DAMAGE_WORDS)}; "
            f"got lengths {sorted(lengths)} and other words {unknown}."
        )
    kept: dict[tuple[int, int], PerforationState] = {}
    for k in range(count):
        key = int(numbers[k]), int(rows[k])
        if key[0] < 0:
            continue
        word = _WORD_NAMED[damage[k]]
        new = PerforationState(
            perforation=key[0],
            row=key[1],
            damage=word,
            side=sides[k],
            depth_mm=float(depths[k]),
            into_picture=bool(inside[k]),
        )
        old = kept.get(key)
        if old is None or _rank(word) > _rank(old.damage):
            kept[key] = replace(new, into_picture=new.into_picture or (old is not None and old.into_picture))
        elif new.into_picture:
            kept[key] = replace(old, into_picture=True)
    return tuple(kept[key] for key in sorted(kept))


_WORD_NAMED: dict[str, Damage] = {word: word for word in (*DAMAGE_WORDS, "")}  # type: ignore[misc]
_MILD: dict[str, int] = {"elongated": 1, "nicked": 1, "cracked": 2}


def _rank(word: str) -> int:
    return DAMAGE_WORDS.index(word) if word else -1  # type: ignore[arg-type]


def find_damage_grades(states: Sequence[PerforationState], *, gauge: Gauge) -> DamageRecord:
    """Grade 0 to 5 of the perforations along the film, with runs and footage.

    0 none; 1 nicked or strained (elongated), holes whole; 2 cracked; 3 torn or missing, up to two together;
    4 torn or missing, three or more together; 5 a tear runs into the picture. Covered is no damage of the
    film and counts 0; so does a perforation that could not be seen, which also ends a run.

    Parameters
    ----------
    states : sequence of PerforationState
        From `find_perforation_states`.
    gauge : Gauge
        For the footage.

    Returns
    -------
    DamageRecord

    Notes
    -----
    "No published *numeric* grade for perforation damage was found": the scale is the house's, common
    practice, no source; the words are FIAFMAN's D.16. Frames to a foot: the gauge's own fact.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> states = find_perforation_states([70, 71, 72, 73, 144], [0] * 5, ["torn", "torn", "torn", "nicked", "cracked"])
    >>> record = find_damage_grades(states, gauge=SUPER_8)
    >>> record.grade, [(run.first, run.stop, run.grade, float(run.first_feet)) for run in record.runs][1:]
    (4, [(144, 145, 2, 2.0)])
    """
    grade: dict[int, int] = {}
    gone = {(each.row, each.perforation) for each in states if each.damage in ("torn", "missing")}
    for each in states:
        mark = _MILD.get(each.damage, 0)
        if (each.row, each.perforation) in gone:
            together = 1
            for step in (-1, 1):
                at = each.perforation + step
                while (each.row, at) in gone:
                    together, at = together + 1, at + step
            mark = 5 if each.into_picture else 4 if together >= 3 else 3
        grade[each.perforation] = max(grade.get(each.perforation, 0), mark)
    bad = sorted(number for number, mark in grade.items() if mark > 0)
    starts = [number for number in bad if grade.get(number - 1, 0) == 0]
    runs = []
    for first in starts:
        stop = first
        while grade.get(stop, 0) > 0:
            stop += 1
        runs.append(
            DamageRun(
                first=first,
                stop=stop,
                grade=max(grade[number] for number in range(first, stop)),
                first_feet=feet_from_frames(gauge, first),
                counts=_counts([each for each in states if first <= each.perforation < stop]),
            )
        )
    return DamageRecord(
        grade=max((run.grade for run in runs), default=0),
        runs=tuple(runs),
        longest=max((run.length for run in runs), default=0),
        counts=_counts(states),
        grades=tuple((number, grade[number]) for number in bad),
    )


def _counts(states: Sequence[PerforationState]) -> tuple[tuple[Damage, int], ...]:
    words = [each.damage for each in states]
    return tuple((word, words.count(word)) for word in (*DAMAGE_WORDS, _WORD_NAMED[""]) if word in words)
