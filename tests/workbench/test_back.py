"""Undo and redo at the bench: one's own decisions only, whatever others did meanwhile; from the log alone."""

import pytest
from numbered_reel import AT, NAME
from starlette.testclient import TestClient

from smallgauge.line import decide_on
from smallgauge.record.files import read_decisions
from smallgauge.record.treatment import treatment_of
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


def client_of(shelf) -> TestClient:
    return TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])


def decide(bench, row, subject, text, by="mk"):
    stamp, revision = (
        bench.get(f"{REEL}/frame/{row}").json()["stamp"],
        bench.get(REEL).json()["revision"],
    )
    body = {"subject": subject, "text": text, "row": row, "stamp": stamp, "revision": revision}
    answer = bench.post(f"{REEL}/decide", json={**body, "by": by, "why": "looked"})
    assert answer.status_code == 200, answer.text


def step(bench, way="undo", by="mk", revision=None):
    seen = bench.get(REEL).json()["revision"] if revision is None else revision
    return bench.post(f"{REEL}/back", json={"way": way, "by": by, "revision": seen})


def operators(shelf):
    log = read_decisions(shelf / NAME / "decisions.jsonl")
    return {
        (e.decision.subject, e.decision.anchor): e.decision.value
        for e in treatment_of(log).in_force
        if e.decision.by != "program"
    }


def test_a_day_of_decisions_is_taken_back_to_the_first_by_a_page_that_was_loaded_anew(own_shelf):
    bench, pages = client_of(own_shelf), [operators(own_shelf)]
    whole = list(read_decisions(own_shelf / NAME / "decisions.jsonl"))
    for row, subject, text in (
        (3, "primary", "points -4 0 2"),
        (40, "primary", "points 1 1 1"),
        (3, "primary", "points -6 0 2"),
        (40, "scene_name", "The sea"),
        (3, "camera_speed", "16"),
    ):
        decide(bench, row, subject, text)
        pages.append(operators(own_shelf))
    assert bench.get(f"{REEL}/fields/40").json()["names"] == {"1": "The sea"}
    fresh = client_of(own_shelf)
    told = fresh.get(f"{REEL}/back?by=mk").json()
    assert told["undo"]["can"] and not told["redo"]["can"]
    assert "Camera speed for scene 1: 16 frames a second, then as measured." in told["undo"]["words"]
    for page in reversed(pages[:-1]):
        answer = step(fresh)
        assert answer.status_code == 200 and operators(own_shelf) == page
    assert answer.json()["undo"] == {"can": False, "words": "Nothing of yours is left to be taken back."}
    for page in pages[1:]:
        assert step(fresh, "redo").status_code == 200 and operators(own_shelf) == page
    log = read_decisions(own_shelf / NAME / "decisions.jsonl")
    assert list(log[: len(whole)]) == whole and len(log) == len(whole) + 15, "the log did not only grow"


def test_what_somebody_else_decided_stands_and_is_told(own_shelf):
    bench = client_of(own_shelf)
    decide(bench, 40, "scene_name", "The sea")
    decide(bench, 3, "primary", "points -4 0 2")
    decide(bench, 5, "primary", "points 9 9 9", by="ot")
    before = bench.get(REEL).json()["revision"]
    decide_on(own_shelf / NAME, subject="flicker", value={"act": "off"}, by="ot", at=AT, why="looked")
    stale = step(bench, revision=before)
    assert stale.status_code == 409 and "ot decided on" in stale.json()["error"]
    answer = step(bench)
    assert answer.status_code == 200 and "ot decided on" in answer.json()["said"]
    assert "scene 1" in answer.json()["said"] and "9" in answer.json()["said"]
    left = operators(own_shelf)
    assert [subject for subject, _ in left] == ["flicker", "primary"]
    assert next(v for (s, _), v in left.items() if s == "primary") == {"points": [9.0, 9.0, 9.0]}
    refused = step(bench)
    assert refused.status_code == 400 and "after you, ot decided on" in refused.json()["error"]
    assert operators(own_shelf) == left


@pytest.mark.parametrize(
    "body",
    [
        {"way": "undo", "by": " ", "revision": 0},
        {"way": "undo", "by": "program", "revision": 0},
        {"way": "sideways", "by": "mk", "revision": 0},
        {"way": "undo", "by": "mk"},
    ],
)
def test_a_step_of_nobody_or_nowhere_is_refused(numbered_shelf, body):
    assert client_of(numbered_shelf).post(f"{REEL}/back", json=body).status_code == 400
    words = client_of(numbered_shelf).get(f"{REEL}/back").json()["undo"]
    assert words == {"can": False, "words": "Write your initials first."}
