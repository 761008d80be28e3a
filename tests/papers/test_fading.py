"""Fading from the papers: proposed for each length of stock, decided by the operator, in the plan of every frame."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_rolls import drawn_rolls

from smallgauge.errors import CallerError
from smallgauge.picture.border import CHANNELS
from smallgauge.picture.dyes import band_density, likely_dyes
from smallgauge.record.anchors import AnchorAsked, anchor_of
from smallgauge.record.decided_fading import completed_fading, fading_value
from smallgauge.record.finding import FINDING_WEIGHTS
from smallgauge.record.lengths import lengths_of
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.treatment import UNFADED, decide, treatment_findings, treatment_of
from smallgauge.render.plan_colour import FrameAt, plan_colours
from smallgauge.treat.propose_fading import propose_fadings

AT = "2026-01-17T10:00:00Z"
ROLLS = [("one", 60), ("two", 80), ("three", 50)]


def capture(**notes):
    """As much of a capture as decisions on fading ask for."""
    words = CaptureNotes(**{"light": "narrow", **notes})
    return SimpleNamespace(notes=words, survey=object())


def proposed(table=None, **notes):
    table = drawn_rolls(ROLLS) if table is None else table
    return table, propose_fadings(capture(**notes), table, (), at=AT)


def looks(table, decisions, positions):
    places = [FrameAt(film_position=p, scene=p // 20, source=p) for p in positions]
    plans, found = plan_colours([capture()], table, treatment_of(decisions), places)
    return [plan.whole for plan in plans], found


def test_each_length_has_a_decision_of_its_own():
    table, log = proposed()
    assert [(each.anchor, each.basis) for each in log] == [
        ("length@0", "evidence"),
        ("length@60", "evidence"),
        ("length@140", "evidence"),
    ]
    left = [each.value["left"] for each in log]
    assert left[0][0] < 0.6 < 0.97 < min(left[1])  # a stock that lost its cyan, one that lost nothing
    assert propose_fadings(capture(), table, log, at="2026-02-01T10:00:00Z") == log
    codes = [finding.code for finding in treatment_findings(treatment_of(log))]
    assert codes == ["fading undone"] * 3


def test_every_frame_of_a_length_is_treated_alike_and_no_other():
    table, log = proposed()
    colours, found = looks(table, log, range(190))
    assert found == ()
    fades = [each.fade for each in colours]
    assert len(set(fades[:60])) == len(set(fades[60:140])) == len(set(fades[140:])) == 1
    assert len({fades[0], fades[60], fades[140]}) == 3


def test_a_light_that_nobody_stated_waits_and_does_nothing():
    table, log = proposed(light=None)
    assert all(each.waits for each in log)
    colours, _ = looks(table, log, [0, 70])
    assert all(each is None or each.fade is None for each in colours)
    codes = ["fading seems none" if min(d.value["left"]) >= UNFADED else "fading waits" for d in log]
    assert "fading waits" in codes
    assert sorted(found.code for found in treatment_findings(treatment_of(log))) == sorted(codes)


def test_film_that_seems_whole_asks_nobody_to_look():
    """What waits only because it is not sure, and would change nothing, is a note; what would change colours is a finding."""
    log = proposed(light=None)[1]
    for left, code, weight in (
        ([1.0, 0.99, 0.98], "fading seems none", "note"),
        ([1.0, 0.9, 1.0], "fading waits", "finding"),
    ):
        changed = tuple(replace(each, value={**each.value, "left": left}) for each in log)
        found = treatment_findings(treatment_of(changed))
        assert {(each.code, FINDING_WEIGHTS[each.code]) for each in found} == {(code, weight)}


def test_a_border_out_of_view_leaves_the_colours():
    table = drawn_rolls(ROLLS)
    for c in CHANNELS:
        table[f"border_{c}"][:] = np.nan
        table["scene"][:] = 0
    _, log = proposed(table)
    assert {each.basis for each in log} == {"not told"}
    assert all(each.value["left"] == [1.0, 1.0, 1.0] for each in log)


@pytest.mark.parametrize(
    "notes", [{"film": "negative"}, {"film": "black-and-white"}, {"illumination": "reflected"}]
)
def test_other_film_and_other_light_are_left_alone(notes):
    assert proposed(**notes)[1] == ()


def test_the_scanner_s_limit_makes_it_wait():
    _, log = proposed(scanner_density_limit=2.7)
    assert [each.waits for each in log] == [True, True, True]
    assert (
        log[0].value["source"] == ["border", "lower limit", "lower limit"]
        or log[0].value["source"][1] == "lower limit"
    )


def test_a_proposal_is_taken_up_by_the_operator():
    table, log = proposed(light=None)
    anchor = anchor_of(AnchorAsked(length=30), "fading", silent=True, frames=table, log=log)
    assert anchor == "length@0"
    value = completed_fading(fading_value("as proposed"), log=log, anchor=anchor, by="m.k.")
    after = decide(
        log, subject="fading", anchor=anchor, value=value, by="m.k.", at=AT, why="the wall is grey now"
    )
    colours, _ = looks(table, after, [30, 70])
    assert colours[0].fade is not None and (colours[1] is None or colours[1].fade is None)
    assert value["source"] == ["m.k."] * 3 and value["left"] == log[0].value["left"]


def test_the_operator_s_own_shares_win_over_the_program_s():
    table, log = proposed()
    value = completed_fading(fading_value("none"), log=log, anchor="length@0", by="m.k.")
    after = decide(log, subject="fading", anchor="length@0", value=value, by="m.k.", at=AT, why="a sunset")
    before, now = looks(table, log, [30])[0][0], looks(table, after, [30])[0][0]
    assert before.fade.gain[0] > 1.5 and (now is None or now.fade is None)


def test_two_operators_in_one_length_are_both_left_out_and_told():
    table, log = proposed()
    for anchor, text in (("length@0", "none"), ("length@20", "cyan 0.7")):
        value = completed_fading(fading_value(text), log=log, anchor="length@0", by="m.k.")
        log = decide(log, subject="fading", anchor=anchor, value=value, by="m.k.", at=AT, why="by eye")
    colours, found = looks(table, log, [30])
    assert colours[0] is None or colours[0].fade is None
    assert [each.code for each in found] == ["two decisions in one length"]


def test_greys_that_the_operator_picks_serve_where_the_border_does_not():
    table = drawn_rolls([("one", 60)])
    for c in CHANNELS:
        table[f"border_{c}"][:] = np.nan
    _, log = proposed(table)
    amounts = np.array([[0.6], [1.1], [1.7]]) * np.array([0.55, 0.95, 0.8])
    density = 0.16 + band_density(amounts, likely_dyes().curves[0], "narrow")
    words = "grey " + " ".join(f"{each:.4f}" for each in density.ravel())
    value = completed_fading(fading_value(words), log=log, anchor="length@0", by="m.k.")
    assert value["source"] == ["picks"] * 3
    assert value["left"][0] / value["left"][1] == pytest.approx(0.55 / 0.95, rel=0.12)
    after = decide(
        log, subject="fading", anchor="length@0", value=value, by="m.k.", at=AT, why="the wall is grey"
    )
    assert looks(table, after, [30])[0][0].fade.gain[0] > 1.4
    for wrong in ("grey", "grey 0.5 0.6", "skin red 1 2", "grey 0.5 9 0.5"):
        with pytest.raises(CallerError, match="three densities"):
            fading_value(wrong)


def test_picks_join_what_the_border_says():
    _, log = proposed()
    value = completed_fading(fading_value("grey 0.52 0.91 0.80"), log=log, anchor="length@0", by="m.k.")
    assert value["source"] == ["border and picks"] * 3 and value["left"] != log[0].value["left"]


def test_what_cannot_be_decided_is_said():
    table, log = proposed()
    with pytest.raises(CallerError, match="has 3; name one"):
        anchor_of(AnchorAsked(), "fading", silent=True, frames=table, log=log)
    for text in ("cyan", "cyan red", "cyan 3", "pink 0.5", ""):
        with pytest.raises(CallerError, match="shares left"):
            fading_value(text)
    with pytest.raises(CallerError, match="found nothing"):
        completed_fading({}, log=(), anchor="length@0", by="m.k.")


def test_a_length_that_is_none_any_more_does_nothing():
    log = proposed()[1]
    mended = drawn_rolls([("one", 190)])
    after = propose_fadings(capture(), mended, log, at=AT)
    stale = {e.decision.anchor for e in treatment_of(after).in_force if e.decision.waits}
    assert stale == {"length@60", "length@140"}
    assert len(lengths_of(mended)) == 1
