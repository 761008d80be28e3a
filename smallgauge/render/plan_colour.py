"""The colour of each finished frame: what was decided for its scene, its length of stock or the reel, and its own lamp.

Calls every `solve_` of colour. Everything is the same for a whole length of one stock, but what an operator decides for
a scene, and what is each frame's own: lamp level and flicker.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.border_length import channels_of
from smallgauge.picture.colour import DEEPEST_DYES, FrameColour, solve_output
from smallgauge.picture.dyefade import FadingDecision, solve_dyefade, solve_flare
from smallgauge.picture.flicker import FlickerCorrection
from smallgauge.picture.mono import NEUTRAL, NOT_TOLD, MonoCorrection, MonoDecision, Tone, solve_mono
from smallgauge.picture.negative import InversionDecision, solve_inversion, solve_unmixing
from smallgauge.picture.primary import PrimaryDecision, solve_primary
from smallgauge.picture.rendering import RenderingDecision
from smallgauge.picture.selective import SelectiveDecision, solve_hues
from smallgauge.record.capture import Capture
from smallgauge.record.exposures import Triple, lamps_of
from smallgauge.record.files import structured
from smallgauge.record.finding import Finding
from smallgauge.record.lengths import Length, lengths_of
from smallgauge.record.loading import loading_of
from smallgauge.record.table import Table
from smallgauge.record.tones import tones_of
from smallgauge.record.treatment import PROGRAM, Anchored, Treatment

NO_COLOUR = FrameColour()
_dyefade = lru_cache(maxsize=32)(solve_dyefade)  # 15 ms each, and all scenes of a length share one


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourPlan:
    """Colour of one finished frame: the look that it shares with its scene, and what is its own.

    `exposure_ln` is the path of the camera's exposure before and after flicker is taken out.
    """

    look: FrameColour | None = None
    lamp: Triple | None = None
    flare: Triple | None = None
    flicker: FlickerCorrection | None = None
    exposure_ln: tuple[float, float] = (0.0, 0.0)

    @property
    def whole(self) -> FrameColour | None:
        """Everything that is done to the frame's colour; None where nothing is."""
        if self.look is None and self.lamp is None and self.flare is None and self.flicker is None:
            return None
        return replace(self.look or NO_COLOUR, lamp=self.lamp, flare=self.flare, flicker=self.flicker)


AS_IT_IS = ColourPlan()


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameAt:
    """Where a finished frame stands: film position, scene, and row of the reel's frame table."""

    film_position: int
    scene: int
    source: int


def plan_colours(
    captures: Sequence[Capture], frames: Table, treatment: Treatment, places: Sequence[FrameAt]
) -> tuple[tuple[ColourPlan, ...], tuple[Finding, ...]]:
    """The colour of every finished frame, and what there is to say about it.

    `captures` are the reel's, `frames` its rows, `places` the finished frames in their order.
    """
    lamps, filled = lamps_of(captures, frames)
    found: tuple[Finding, ...] = ()
    if filled:
        values: dict[str, object] = {"frames": filled, "of": len(frames)}
        found = (Finding(code="lamp level filled in", where="finished.mkv", values=values),)
    scenes = {place.film_position: place.scene for place in places}
    lengths = lengths_of(frames, backwards=loading_of(treatment).backwards)
    looks = _Looks(treatment, scenes, lengths, tones_of(captures, frames))
    view = channels_of(frames.values, "view")
    plans = tuple(
        ColourPlan(
            look=looks.of(place),
            lamp=lamps[place.source],
            flare=looks.flare(place, view[place.source]),
        )
        for place in places
    )
    found = (*found, *looks.findings)
    negative = any(capture.notes.is_negative for capture in captures)
    if negative and any(plan.look is None or plan.look.negative is None for plan in plans):
        found = (*found, Finding(code="negative left as captured", where="finished.mkv"))
    return plans, found


def plan_look(
    captures: Sequence[Capture],
    frames: Table,
    treatment: Treatment,
    scenes: dict[int, int],
    lengths: Sequence[Length],
    place: FrameAt,
    now: ColourPlan,
) -> ColourPlan:
    """The colour of one finished frame under other decisions on looks: as `plan_colours` gives it, lamp and flicker as now.

    `scenes` is the scene of every film position that is shown, `lengths` those of the reel.
    """
    looks = _Looks(treatment, scenes, lengths, tones_of(captures, frames))
    view = channels_of(frames.values, "view")
    return replace(now, look=looks.of(place), flare=looks.flare(place, view[place.source]))


class _Looks:
    """The look of each scene in each length of stock, solved once."""

    def __init__(
        self, treatment: Treatment, scenes: dict[int, int], lengths: Sequence[Length], tone: Tone
    ) -> None:
        self.treatment, self.scenes, self.lengths, self.tone = treatment, scenes, lengths, tone
        self.findings: list[Finding] = []
        self.known: dict[tuple[int, Length | None], FrameColour | None] = {}
        self.fadings: dict[Length | None, FadingDecision | None] = {}
        self.same: dict[FrameColour, FrameColour] = {}  # one object for looks that are equal

    def of(self, place: FrameAt) -> FrameColour | None:
        """The look of a frame's scene; None where light is only encoded."""
        length = self._length(place)
        key = place.scene, length
        if key not in self.known:
            look = self._solved(place.scene, length)
            self.known[key] = None if look == NO_COLOUR else self.same.setdefault(look, look)
        return self.known[key]

    def flare(self, place: FrameAt, view: NDArray[np.float64]) -> Triple | None:
        """Light that strays over a frame; None where its length's decision knows of none."""
        fading = self._fading(self._length(place))
        if fading is None or not any(fading.flare):
            return None
        return solve_flare(fading, (float(view[0]), float(view[1]), float(view[2])))

    def _length(self, place: FrameAt) -> Length | None:
        return next((each for each in self.lengths if place.film_position in each), None)

    def _fading(self, length: Length | None) -> FadingDecision | None:
        """What was decided on the fading of a length; None where nothing was, or it waits."""
        if length not in self.fadings:
            value = self._of_length("fading", length, self.treatment.anchored("fading"))
            self.fadings[length] = (
                structured(value, FadingDecision, where="fading") if value is not None else None
            )
        return self.fadings[length]

    def _solved(self, scene: int, length: Length | None) -> FrameColour:
        look = NO_COLOUR
        fading = self._fading(length)
        if fading is not None and (set(fading.left) != {1.0} or fading.base != fading.clear):
            look = replace(look, fade=_dyefade(fading))
        primary = self._value("primary", scene, length)
        if primary is not None:
            points, decisions = solve_primary(structured(primary, PrimaryDecision, where="primary"))
            look = replace(look, points=points, decision_list=decisions)
        selective = self._value("selective", scene, length)
        if selective is not None:
            look = replace(look, hues=solve_hues(structured(selective, SelectiveDecision, where="selective")))
        inversion = self._value("inversion", scene, length)
        if inversion is not None:
            printed = structured(inversion, InversionDecision, where="inversion")
            look = replace(look, fade=solve_unmixing(printed), negative=solve_inversion(printed))
        mono = self._value("black_and_white", scene, length)
        if mono is not None:
            look = replace(look, mono=self._mono(MonoDecision(look=str(mono["look"])), look))
        if look.fade is not None or look.negative is not None:
            look = replace(look, deepest=DEEPEST_DYES)
        rendering = self._value("rendering", scene, length)
        if rendering is not None:
            decision = structured(rendering, RenderingDecision, where="rendering")
            look = replace(look, output=solve_output(decision, look))
        return look

    def _mono(self, decision: MonoDecision, look: FrameColour) -> MonoCorrection | None:
        """One density; of a negative that of its print, whose tone is nobody's, so it is neutral."""
        if look.negative is not None:
            return solve_mono(NOT_TOLD, MonoDecision(look=NEUTRAL))
        return solve_mono(self.tone, decision)

    def _value(self, subject: str, scene: int, length: Length | None) -> dict[str, object] | None:
        """What is in force for a scene: the operator's for it, its length, the reel; then the program's, in that order."""
        everything = self.treatment.anchored(subject)
        theirs = tuple(each for each in everything if each.by != PROGRAM)
        mine = tuple(each for each in everything if each.by == PROGRAM)
        return self._nearest(subject, theirs, scene, length) or self._nearest(subject, mine, scene, length)

    def _nearest(
        self, subject: str, anchored: Sequence[Anchored], scene: int, length: Length | None
    ) -> dict[str, object] | None:
        """Of these the one that is anchored nearest to a scene; nothing of a scene where two differ."""
        mine = [each for each in anchored if each.kind == "scene" and self.scenes.get(each.position) == scene]
        if len({str(each.value) for each in mine}) > 1:
            values: dict[str, object] = {
                "subject": subject,
                "positions": sorted(each.position for each in mine),
            }
            self.findings.append(
                Finding(code="two decisions in one scene", where=f"scene {scene + 1}", values=values)
            )
            mine = []
        return (
            _last_value(mine)
            or self._of_length(subject, length, anchored)
            or _last_value(each for each in anchored if each.kind == "reel")
        )

    def _of_length(
        self, subject: str, length: Length | None, anchored: Sequence[Anchored]
    ) -> dict[str, object] | None:
        """What is in force for a length of stock; the operator's before the program's, nothing where operators differ."""
        if length is None:
            return None
        mine = [each for each in anchored if each.kind == "length" and each.position in length]
        mine = [each for each in mine if each.by != PROGRAM] or [
            each for each in mine if each.position == length.first
        ]
        if len({str(each.value) for each in mine}) > 1:
            values: dict[str, object] = {
                "subject": subject,
                "positions": sorted(each.position for each in mine),
            }
            where = f"film positions {length.first} to {length.stop - 1}"
            told = Finding(code="two decisions in one length", where=where, values=values)
            if told not in self.findings:
                self.findings.append(told)
            return None
        return _last_value(mine)


def _last_value(anchored: Iterable[Anchored]) -> dict[str, object] | None:
    found = list(anchored)
    return found[-1].value if found else None
