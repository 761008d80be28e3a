"""Undo and redo of decisions: held to a plain book of values that knows nothing of the log."""

import random

import pytest

from smallgauge.errors import CallerError
from smallgauge.record.treatment import (
    Decision,
    StaleDecision,
    Wish,
    decide,
    decide_together,
    last_revision,
    propose,
    treatment_of,
)
from smallgauge.record.undo import redo_step, step_taken, undo_step

AT = "2026-01-17T10:00:00Z"
PLACES = [("primary", "scene@0"), ("primary", "scene@40"), ("flicker", "reel"), ("camera_speed", "scene@0")]


def said(log, by, subject, anchor, value):
    return decide(log, subject=subject, anchor=anchor, value=value, by=by, at=AT, why="looked")


def operators(log) -> dict[tuple[str, str], object]:
    """The operators' values in force, by place."""
    return {
        (e.decision.subject, e.decision.anchor): e.decision.value
        for e in treatment_of(log).in_force
        if e.decision.by != "program"
    }


def back(log, by="mk"):
    return step_taken(log, undo_step(log, by), by=by, at=AT)


def forth(log, by="mk"):
    return step_taken(log, redo_step(log, by), by=by, at=AT)


@pytest.mark.parametrize("seed", range(40))
def test_everything_is_taken_back_to_the_first_and_put_back_again(seed):
    """One operator over the program's proposals: each step gives the book's page before, and after."""
    chance = random.Random(seed)
    log = ()
    for subject, anchor in PLACES:
        log = propose(log, subject=subject, anchor=anchor, value={"n": -1}, at=AT, why="measured")
    pages = [operators(log)]
    for n in range(20):
        places = chance.sample(PLACES, chance.choice([1, 1, 2, 3]))
        value = None if chance.random() < 0.2 else {"n": n}
        wishes = [Wish(subject=s, anchor=a, value=value, why="looked") for s, a in places]
        log = decide_together(log, wishes, by="mk", at=AT)
        pages.append(operators(log))
    place, lines = len(pages) - 1, log
    for _ in range(120):
        if chance.random() < 0.55 and place:
            lines, place = back(lines), place - 1
        elif place < len(pages) - 1:
            lines, place = forth(lines), place + 1
        assert operators(lines) == pages[place]
    while place:
        lines, place = back(lines), place - 1
        assert operators(lines) == pages[place]
    assert undo_step(lines, "mk").changes == ()
    with pytest.raises(CallerError):
        back(lines)
    for page in pages[1:]:
        lines = forth(lines)
        assert operators(lines) == page
    assert lines[: len(log)] == log and redo_step(lines, "mk").changes == ()


@pytest.mark.parametrize("seed", range(40))
def test_what_somebody_else_decided_is_never_changed_by_a_step(seed):
    chance = random.Random(seed)
    log = ()
    for n in range(60):
        who = chance.choice(["mk", "ot"])
        act = chance.random()
        step = undo_step(log, who) if act < 0.35 else redo_step(log, who)
        if act < 0.6 and step.changes:
            others = {
                (d.subject, d.anchor): d.value
                for e in treatment_of(log).in_force
                if (d := e.decision).by not in ("program", who) and not d.undoes
            }
            log = step_taken(log, step, by=who, at=AT)
            now = operators(log)
            assert all(now.get(place) == value for place, value in others.items())
            assert all(each.now.by != who or each.mine.by == who for each in step.overtaken)
        elif act >= 0.6:
            log = said(log, who, *chance.choice(PLACES), None if chance.random() < 0.1 else {"n": n})
    revisions = [each.revision for each in log]
    assert revisions == sorted(revisions) and [each.id for each in log] == list(range(1, len(log) + 1))


def test_a_decision_that_was_overtaken_is_passed_over_and_whose_stands_is_told():
    log = said((), "mk", "flicker", "reel", {"act": "on"})
    log = said(log, "mk", "primary", "scene@0", {"points": [1, 1, 1]})
    log = said(log, "ot", "primary", "scene@0", {"points": [4, 4, 4]})
    step = undo_step(log, "mk")
    assert [each.place.subject for each in step.changes] == ["flicker"]
    assert [(each.mine.by, each.now.by, each.now.value) for each in step.overtaken] == [
        ("mk", "ot", {"points": [4, 4, 4]})
    ]
    log = back(log)
    assert operators(log) == {("primary", "scene@0"): {"points": [4, 4, 4]}}
    last = undo_step(log, "mk")
    assert last.changes == () and [each.now.by for each in last.overtaken] == ["ot"]
    assert undo_step(log, "ot").changes[0].then.by == "mk", "theirs is taken back to what stood before it"
    assert undo_step(back(log, "ot"), "mk").changes[0].place.subject == "primary"


def test_a_value_that_stands_again_keeps_the_reason_that_it_was_decided_for():
    log = decide((), subject="flicker", value={"n": 1}, by="ot", at=AT, why="the lamp")
    log = decide(log, subject="flicker", value={"n": 2}, by="mk", at=AT, why="a fade")
    log = back(log)
    assert log[-1].by == "mk" and log[-1].why == "back to what ot decided: the lamp"
    assert forth(log)[-1].why == "a fade"
    assert back(said((), "mk", "flicker", "reel", {"n": 1}))[-1].why == "taken back"


def test_a_new_decision_ends_what_could_be_put_back():
    log = back(said((), "mk", "flicker", "reel", {"act": "on"}))
    assert redo_step(log, "mk").of[0].value == {"act": "on"}
    log = said(log, "mk", "primary", "scene@0", {"points": [1, 1, 1]})
    assert redo_step(log, "mk").changes == ()


def test_of_several_scenes_decided_in_one_act_only_those_still_theirs_go_back():
    wishes = [Wish(subject="primary", anchor=f"scene@{at}", value={"n": 1}, why="dusk") for at in (0, 40, 80)]
    log = decide_together((), wishes, by="mk", at=AT)
    assert {each.revision for each in log} == {1}
    log = said(log, "ot", "primary", "scene@40", {"n": 2})
    step = undo_step(log, "mk")
    assert [each.place.anchor for each in step.changes] == ["scene@0", "scene@80"]
    assert [each.now.by for each in step.overtaken] == ["ot"]
    log = back(log)
    assert operators(log) == {("primary", "scene@40"): {"n": 2}} and last_revision(log) == 3


def test_the_same_scene_under_another_film_position_is_the_same_place():
    scenes = {"scene@0": 0, "scene@7": 0}
    place = lambda d: (d.subject, scenes[d.anchor])  # noqa: E731
    log = said((), "mk", "primary", "scene@0", {"n": 1})
    log = step_taken(log, undo_step(log, "mk", place), by="mk", at=AT)
    log = said(log, "ot", "primary", "scene@7", {"n": 2})
    step = redo_step(log, "mk", place)
    assert step.changes == () and step.overtaken[0].now.by == "ot", "two decisions would lie in one scene"


def test_nothing_is_recorded_on_a_revision_that_is_old_and_of_several_none_if_one_is_wrong():
    log = said((), "mk", "flicker", "reel", {"act": "on"})
    with pytest.raises(StaleDecision):
        step_taken(log, undo_step(log, "mk"), by="mk", at=AT, revision_seen=0)
    wishes = [Wish(subject=s, anchor="reel", value={"n": 1}, why="") for s in ("flicker", "no subject")]
    with pytest.raises(CallerError):
        decide_together(log, wishes, by="mk", at=AT)


def test_signatures_are_no_steps_and_older_logs_have_none():
    log = said((), "mk", "sign_off", "reel", {"who": "mk"})
    assert undo_step(log, "mk").changes == ()
    plain = Decision(id=1, revision=1, by="mk", at=AT, subject="flicker", anchor="reel", value=None, why="")
    assert plain.undoes is None and "undoes" not in repr(plain), "keys of what was made would change"
