"""How the film was loaded, from what was stated and from the side of the perforations; and the film's paper from its head."""

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import STANDARD_8, SUPER_8
from smallgauge.gauge.rates import feet_from_frames
from smallgauge.picture.completeness import FrameRun, Ledger
from smallgauge.picture.damage_record import PerforationState, find_damage_grades
from smallgauge.record.filmstate import FilmState, SpliceTold
from smallgauge.record.loading import (
    Loading,
    film_in_running_order,
    loading_from,
    loading_stated,
    parse_loading,
)
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.treatment import NOT_SURE, decide, propose, treatment_findings, treatment_of
from smallgauge.treat.propose import _loading

AT = "2026-01-17T10:00:00Z"
HEAD, FLIPPED = Loading(), Loading(mirror=True)
TAIL, BOTH = Loading(turn=180, backwards=True), Loading(turn=180, mirror=True, backwards=True)


def capture(gauge: str = "super-8", seen: str = "left", **notes: str) -> SimpleNamespace:
    """A capture whose one row of perforations was seen on a side."""
    picture = {"left": "right", "right": "left"}[seen]
    rows = (20.0,) if gauge in ("super-8", "standard-8", "16mm-one-row") else (20.0, 200.0)
    survey = SimpleNamespace(picture_side=picture, rows=rows)
    return SimpleNamespace(gauge=gauge, survey=survey, notes=CaptureNotes(**notes))


@pytest.mark.parametrize(
    ("loading", "seen"), [(HEAD, "left"), (FLIPPED, "right"), (TAIL, "right"), (BOTH, "left")]
)
def test_end_and_side_of_the_perforations_give_the_face(loading, seen):
    """The four ways of docs/decisions/0094: the end is stated, the face follows from the side."""
    notes = {"loaded": "tail" if loading.backwards else "head", "perforation_side": "left"}
    found, why, told = loading_stated(capture(seen=seen, **notes))
    assert (found, told) == (loading, True) and "perforations" in why
    faces = {"emulsion_usual": "to the lens", "emulsion": "to the lamp" if loading.mirror else "to the lens"}
    assert loading_stated(capture(seen=seen, **notes, **faces))[::2] == (loading, True)
    assert loading_stated(capture("16mm-two-rows", **notes, **faces))[::2] == (loading, True)


NOTHING = {"picture_light": np.zeros(9), "picture_upper": np.zeros(9), "scene": np.zeros(9, np.int32)}


def treated(of: SimpleNamespace, log=(), direction: int = 1):
    """The log with the program's proposal on loading, from pictures that say nothing."""
    return _loading(of, NOTHING, log, AT, direction)


def codes(log) -> list[str]:
    return [finding.code for finding in treatment_findings(treatment_of(log))]


def test_what_is_not_told_is_said():
    """No side, no emulsion: the end is put right, the face is left as captured, and the doubt is a finding."""
    found, _, told = loading_stated(capture("16mm-two-rows", loaded="tail", perforation_side="left"))
    assert (found, told) == (TAIL, False)
    assert loading_stated(capture(perforation_side="left"))[0] is None
    crossed = capture(seen="right", perforation_side="left", loaded="head", emulsion="to the lens",
                      emulsion_usual="to the lens")  # fmt: skip
    found, why, told = loading_stated(crossed)
    assert (found, told) == (HEAD, False) and "does not agree" in why
    log = treated(crossed)
    assert codes(log) == ["loading not sure"]
    log = decide(log, subject="loading", value=HEAD.value(), by="mk", at=AT, why="looked at it")
    assert not codes(log)


def test_frames_that_follow_upwards_turn_end_and_half_turn_apart():
    """A capture whose files came in the other order: tail first, and upright all the same."""
    found, _, told = loading_stated(capture(loaded="tail", perforation_side="left"), direction=-1)
    assert (found, told) == (Loading(backwards=True), True)


def test_perforations_on_the_other_side_leave_two_ways_and_nothing_is_turned():
    log = treated(capture(seen="right", perforation_side="left"))
    entry = treatment_of(log).find("loading")
    assert loading_from(entry.decision.value) == HEAD and entry.decision.basis == NOT_SURE
    assert codes(log) == ["loading not sure"]
    assert codes(treated(capture(seen="left", perforation_side="left"))) == ["loading not told"]
    assert codes(treated(capture(seen="left", perforation_side="left"), log)) == ["loading not told"]


def test_words_and_values_lead_to_each_other():
    for turn in (0, 180):
        for mirror in (False, True):
            for backwards in (False, True):
                loading = Loading(turn=turn, mirror=mirror, backwards=backwards)
                assert parse_loading(loading.words) == loading == loading_from(loading.value())
    with pytest.raises(CallerError, match="turn 0 or 180"):
        loading_from({"turn": 90, "mirror": False, "backwards": False})
    log = propose((), subject="loading", value={"turn": 180}, at=AT, why="by hand")
    with pytest.raises(CallerError, match="turn 0 or 180"):
        loading_from(treatment_of(log).find("loading").decision.value)


@pytest.mark.parametrize(("gauge", "name"), [(SUPER_8, "super-8"), (STANDARD_8, "standard-8")])
def test_the_film_s_paper_counted_from_its_head(gauge, name):
    """Turned round twice it is what it was, and damage, feet and splices lie where they lie on film loaded head first."""
    frames = 100
    run = {"confidence": 1.0, "kind": "captured once"}
    runs = (
        FrameRun(first=0, stop=60, film_first=0, film_stop=60, **run),
        FrameRun(first=60, stop=60, film_first=60, film_stop=62, confidence=1.0, kind="missing"),
        FrameRun(first=60, stop=98, film_first=62, film_stop=100, **run),
    )
    ledger = Ledger(captured=98, film_frames=frames, missing=2, missing_count_known=True, repeated=0, swapped=0,
                    not_known=0, runs=runs, suspected=(), not_told=())  # fmt: skip
    states = [
        PerforationState(perforation=n, row=0, damage="torn", side="", depth_mm=0.3, into_picture=False)
        for n in (70, 71, 72)
    ]
    damage = find_damage_grades(states, gauge=gauge)
    splice = SpliceTold(frame=60, film_position=62, kind="tape", confidence=1.0)
    state = FilmState(capture_digest="", ledger=ledger, direction=1, damage=damage, splices=(splice,))
    paper = SimpleNamespace(gauge=name)
    turned = film_in_running_order(state, paper, TAIL)
    # A perforation in mid-frame 70 is in mid-frame 29 from the other end; one on the line before 70 is on that before 30.
    last = 99 if name == "super-8" else 100
    assert [(r.first, r.stop) for r in turned.damage.runs] == [(last - 72, last - 69)]
    assert turned.damage.runs[0].first_feet == feet_from_frames(gauge, Fraction(last - 72))
    assert [(r.film_first, r.film_stop, r.kind) for r in turned.ledger.runs] == [
        (0, 38, "captured once"), (38, 40, "missing"), (40, 100, "captured once"),
    ]  # fmt: skip
    assert turned.splices[0].film_position == 38
    assert film_in_running_order(turned, paper, TAIL) == state
    assert film_in_running_order(state, paper, FLIPPED) == state
    assert replace(turned, ledger=state.ledger, damage=damage, splices=state.splices) == state
