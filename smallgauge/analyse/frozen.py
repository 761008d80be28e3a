"""A survey that was frozen while the scanner was still writing: kept with what it was made from, and checked.

FollowedSurvey   what `follow` froze, and the captured files that it looked at
take_followed    the frozen survey of a capture, where it is this capture's
why_not_kept     whether it serves the whole capture as well as a survey of the whole: "" or the reason why not

Rows depend on the survey. A survey of the beginning is another one than a survey of the whole, so its rows may be
kept only together with it: the whole reel is then measured by the survey of the beginning, if that is good enough.
"""

import math
from dataclasses import dataclass
from itertools import count

import numpy as np

from smallgauge.analyse.meter import GATE_REACH_SHARE, WHOLE_CONFIDENCE
from smallgauge.analyse.source import Source
from smallgauge.analyse.survey import (
    AT_ONCE,
    SurveyFound,
    both_ways,
    survey_light,
    survey_numbers,
)
from smallgauge.errors import MaterialError
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.record.files import read_json
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.work import Progress

FOLLOWED = "work/followed.json"
LEAST_FRAMES = 96  # of a survey that is frozen: as many as a survey of a whole capture takes
MOST_APART_PX = 0.05  # scatter of places by both surveys; common practice, no source
LEAST_AS_SURE = (
    0.95  # of the frames that are sure by the one are sure by the other; common practice, no source
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowedSurvey:
    """A survey of the first frames of a capture; `files` gives name and bytes of each frame that was there."""

    version: int = 1
    files: tuple[tuple[str, int], ...]
    found: SurveyFound


def followed_key(source: Source, measuring: int) -> str:
    """What a frozen survey depends on besides its frames."""
    return key_of("followed", measuring, source.words)


def good_enough(found: SurveyFound, frames: int) -> bool:
    """Whether a survey of so many frames may be frozen: gauge beyond doubt, camera's gate seen both ways.

    A survey of leader alone shows no gate and is not frozen.
    """
    return (
        frames >= LEAST_FRAMES
        and found.reading.survey is not None
        and found.reading.sure
        and both_ways(found.area)
    )


def take_followed(source: Source, *, folder_journal: Journal, measuring: int) -> FollowedSurvey | None:
    """The survey that was frozen while this capture was followed; None where there is none of it."""
    if not folder_journal.holds(FOLLOWED, followed_key(source, measuring)):
        return None
    try:
        followed = read_json(folder_journal.folder / FOLLOWED, FollowedSurvey)
    except MaterialError:  # as an earlier version of the program wrote it
        return None
    here = set(source.listing.files)
    for name, size in followed.files:
        if name not in here or (source.listing.root / name).stat().st_size != size:
            return None
    return followed


def why_not_kept(source: Source, frozen: SurveyFound, whole: SurveyFound, *, progress: Progress) -> str:
    """Why a frozen survey does not serve the whole capture; "" where it does.

    Both surveys measure the place of frames spread over the whole capture. The frozen one serves where it is as
    sure of them and puts them, but for a common shift, into the same place.
    """
    one, other = frozen.reading.survey, whole.reading.survey
    if frozen.gauge != whole.gauge or one is None or other is None:
        return "the gauge read off the whole capture is another"
    kind = (one.channel, one.picture_side, one.polarity)
    if kind != (other.channel, other.picture_side, other.polarity):
        return "the perforations of the whole capture look otherwise"
    apart = _area_apart(frozen, whole)
    if apart:
        return apart
    places: list[tuple[float, float]] = []
    sure = lost = 0
    numbers = survey_numbers(source.listing.count, AT_ONCE)
    what, done = "survey of the beginning checked", count(1)
    for _, light in survey_light(source, numbers, lambda _: progress(what, next(done), len(numbers))):
        plane = light if light.ndim == 2 else np.ascontiguousarray(light[:, :, one.channel])
        by_frozen = measure_reference(find_perforations(plane, survey=one), survey=one)
        by_whole = measure_reference(find_perforations(plane, survey=other), survey=other)
        if not by_whole.confidence >= WHOLE_CONFIDENCE:
            continue
        sure += 1
        if by_frozen.confidence >= WHOLE_CONFIDENCE:
            places.append((by_frozen.x_px - by_whole.x_px, by_frozen.y_px - by_whole.y_px))
        else:
            lost += 1
    if lost > (1 - LEAST_AS_SURE) * sure:
        return f"it is not sure of the place of {lost} of {sure} frames spread over the capture"
    off = np.array(places).reshape(-1, 2)
    scatter = float(np.sqrt(np.mean((off - np.median(off, axis=0)) ** 2))) if len(off) else math.nan
    if scatter > MOST_APART_PX:
        return f"it puts frames spread over the capture {scatter:.2f} px apart from where they are"
    return ""


def _area_apart(frozen: SurveyFound, whole: SurveyFound) -> str:
    """Whether the camera's picture lies elsewhere than a frame's gate is looked for."""
    one, other = frozen.area, whole.area
    reach_x = GATE_REACH_SHARE / 2 * (other.right - other.left)
    reach_y = GATE_REACH_SHARE / 2 * (other.bottom - other.top)
    for side, reach in (("left", reach_x), ("right", reach_x), ("top", reach_y), ("bottom", reach_y)):
        if abs(getattr(one, side) - getattr(other, side)) > reach:
            return f"the {side} side of the camera's picture lies elsewhere in the whole capture"
    return ""
