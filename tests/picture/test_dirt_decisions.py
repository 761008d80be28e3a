"""Dirt from stored papers: proposed by scene, decided over by the operator, repaired where that was decided."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.dirt_repair import DirtRepair
from smallgauge.record.decided_dirt import dirt_decisions, dirt_value
from smallgauge.record.dirttable import DIRT_COLUMNS, repair_of, runs_of, runs_text
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import table_of
from smallgauge.record.treatment import decide, treatment_of
from smallgauge.render.plan_dirt import plan_dirt
from smallgauge.treat.propose_dirt import leave_dirt, propose_dirts

AT = "2026-01-17T10:00:00Z"
FRAMES = table_of(
    "frames",
    FRAME_COLUMNS,
    [{"capture": 0, "frame": n, "film_position": n, "scene": n // 10, "duplicate_of": -1} for n in range(20)],
)
STILL = {f"{side}_{letter}": float(letter in "ae") for side in ("before", "after") for letter in "abcdef"}


def blob(frame, kind="dirt", *, number=0, depth=-30.0, long=1.0):
    place = {"left": 30, "top": 12, "width": 3, "height": 2, "area_px": 4, "runs": "0:0-3 1:0-1"}
    return {
        "capture": 0,
        "frame": frame,
        "blob": number,
        "kind": kind,
        "depth": depth,
        "long": long,
        **place,
        **STILL,
    }


DIRT = table_of(
    "dirt",
    DIRT_COLUMNS,
    [
        blob(3),
        blob(4, "moves"),
        blob(5),
        blob(5, number=1, depth=25.0),
        *(blob(n, "weather") for n in range(11, 19)),
    ],
)


def repaired(log):
    """Frames with repairs and their number, and the figures."""
    plans, figures, found = plan_dirt(DIRT, FRAMES, treatment_of(log))
    assert found == ()
    return {frame: len(plan.repairs) for (_, frame), plan in plans.items()}, figures


def test_a_scene_in_which_more_is_found_than_dirt_explains_is_proposed_to_be_left():
    log = propose_dirts(DIRT, FRAMES, (), at=AT)
    assert [(d.anchor, d.value) for d in log] == [("reel", {"repair": True}), ("scene@10", {"repair": False})]
    assert "1 of 2 scenes" in log[0].why
    assert propose_dirts(DIRT, FRAMES, log, at=AT) == log  # running it again adds nothing


def test_dirt_is_repaired_and_the_rest_is_told():
    frames, figures = repaired(propose_dirts(DIRT, FRAMES, (), at=AT))
    assert frames == {3: 1, 5: 2}
    assert (figures.found, figures.repaired, figures.left_by_decision) == (12, 3, 0)
    assert figures.left == {"moves": 1, "weather": 8}
    assert figures.scenes_left == (1,)


@pytest.mark.parametrize(
    ("words", "left"),
    [
        ("leave", {}),
        ("repair but 5:0", {3: 1, 5: 1}),
        ("repair but light", {3: 1, 5: 1}),
        ("repair but dark 5:1", {}),
    ],
)
def test_the_operator_refuses_repairs_one_by_one_by_sort_or_all(words, left):
    log = propose_dirts(DIRT, FRAMES, (), at=AT)
    log = decide(log, subject="dirt", value=dirt_value(words), by="mk", at=AT, why="looked at")
    assert repaired(log)[0] == left


def test_a_scene_may_be_decided_by_itself():
    log = propose_dirts(DIRT, FRAMES, (), at=AT)
    log = decide(
        log, subject="dirt", anchor="scene@2", value=dirt_value("leave"), by="mk", at=AT, why="looked at"
    )
    assert repaired(log)[0] == {}
    own, others, _ = dirt_decisions(treatment_of(log), {n: n // 10 for n in range(20)})
    assert (own[0].repair, own[1].repair, others.repair) == (False, False, True)


def test_an_order_may_leave_dirt():
    assert repaired(leave_dirt((), at=AT, why="the order leaves dirt as it is"))[0] == {}


def test_without_a_search_or_a_decision_nothing_is_repaired():
    assert plan_dirt(None, FRAMES, treatment_of(())) == ({}, None, ())
    assert plan_dirt(DIRT, FRAMES, treatment_of(()))[0] == {}


def test_what_dirt_hides_of_neighbours_is_known():
    plans, _, _ = plan_dirt(DIRT, FRAMES, treatment_of(propose_dirts(DIRT, FRAMES, (), at=AT)))
    assert plans[0, 5].hidden == ((), ())  # frame 4 holds only what moves
    more = table_of("dirt", DIRT_COLUMNS, [blob(3), blob(4)])
    plans, _, _ = plan_dirt(more, FRAMES, treatment_of(propose_dirts(more, FRAMES, (), at=AT)))
    runs = ((12, 30, 33), (13, 30, 31))
    assert plans[0, 3].hidden == ((), runs) and plans[0, 4].hidden == (runs, ())


def test_a_blob_comes_back_from_the_table_as_it_was():
    runs = ((12, 30, 33), (13, 30, 31))
    assert runs_of(runs_text(runs, 30, 12), 30, 12) == runs
    still = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)
    assert repair_of(DIRT, 0) == DirtRepair(runs=runs, before=still, after=still)
    assert np.all(DIRT["area_px"] == 4)


@pytest.mark.parametrize(
    "words", ["", "off", "repair but", "repair but snow", "leave but 3:0", "repair 3:0", "repair but -3:0"]
)
def test_other_words_are_refused_in_one_sentence(words):
    with pytest.raises(CallerError, match="dirt needs 'repair', 'leave'"):
        dirt_value(words)
