"""Notes on frames at the bench, and what of them the family's report tells."""

from types import SimpleNamespace

import numpy as np
import pytest
from numbered_reel import AT, NAME
from starlette.testclient import TestClient

from smallgauge.deliver.frame_notes import note_sentences
from smallgauge.record.framenotes import read_frame_notes
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


@pytest.fixture
def bench(own_shelf):
    return TestClient(make_app(Shelf(own_shelf), Hand(), lambda: AT)[0])


def note(bench, row, words, **more):
    stamp = bench.get(f"{REEL}/frame/{row}").json()["stamp"]
    return bench.post(f"{REEL}/note", json={"row": row, "stamp": stamp, "by": "mk", "words": words, **more})


def test_notes_lie_in_film_order_with_who_and_when_and_only_ticked_ones_reach_the_family(bench, own_shelf):
    note(bench, 40, "a boat  comes in", family=True)
    note(bench, 12, "hair in the gate")
    told = note(bench, 12, "she waves", by="ot").json()["notes"]
    assert [(n["row"], n["number"], n["by"], n["words"], n["family"]) for n in told] == [
        (12, 2, "mk", "hair in the gate", False),
        (12, 3, "ot", "she waves", False),
        (40, 1, "mk", "a boat comes in", True),
    ]
    assert told[0]["file"] == "frame_000012.png" and told[0]["when"] == "17 January 2026, 10:00 UTC"
    folder = own_shelf / NAME
    papers = SimpleNamespace(folder=folder, rendered=None, summary=None)
    assert note_sentences(papers) == ("Film frame 40: “a boat comes in”",)
    shown = {"film_position": np.array([38, 38, 39, 39, 40, 40])}
    papers = SimpleNamespace(folder=folder, rendered=shown, summary=SimpleNamespace(rate=2))
    assert note_sentences(papers) == ("At 0:02: “a boat comes in”",)
    assert "she waves" not in str(note_sentences(papers))


def test_only_who_wrote_a_note_ticks_it_or_takes_it_away_and_no_number_comes_twice(bench, own_shelf):
    note(bench, 12, "hair in the gate")
    others = [
        ("note-away", {"number": 1, "by": "ot"}),
        ("note-family", {"number": 1, "by": "ot", "family": True}),
    ]
    for path, body in others:
        answer = bench.post(f"{REEL}/{path}", json=body)
        assert answer.status_code == 400 and "Note 1 is mk's" in answer.json()["error"]
    ticked = bench.post(f"{REEL}/note-family", json={"number": 1, "by": "mk", "family": True}).json()["notes"]
    assert ticked[0]["family"] is True
    assert bench.post(f"{REEL}/note-away", json={"number": 1, "by": "mk"}).json() == {"notes": []}
    assert bench.post(f"{REEL}/note-away", json={"number": 1, "by": "mk"}).status_code == 400
    assert note(bench, 12, "again").json()["notes"][0]["number"] == 2
    assert read_frame_notes(own_shelf / NAME).last == 2


@pytest.mark.parametrize(
    ("more", "status"),
    [({"words": " "}, 400), ({"words": "x" * 501}, 400), ({"by": ""}, 400), ({"stamp": "other"}, 409)],
)
def test_a_note_without_words_or_name_or_on_another_picture_is_refused(bench, own_shelf, more, status):
    answer = note(bench, 12, **{"words": "a dog", **more})
    assert answer.status_code == status and answer.json()["error"].endswith((".", "'."))
    assert read_frame_notes(own_shelf / NAME).notes == ()
