"""The value of one field for chosen scenes at the bench: one act, all or nothing, taken back as one."""

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


def body_of(bench, row=40, **changes):
    stamp, revision = (
        bench.get(f"{REEL}/frame/{row}").json()["stamp"],
        bench.get(REEL).json()["revision"],
    )
    body = {"subject": "primary", "scenes": [0, 30], "row": row, "stamp": stamp, "revision": revision}
    return {**body, "by": "mk", "why": "dusk", **changes}


def log_of(shelf):
    return read_decisions(shelf / NAME / "decisions.jsonl")


def primaries(shelf):
    return treatment_of(log_of(shelf)).scene_values("primary")


def test_what_is_written_is_recorded_for_each_chosen_scene_in_one_revision_and_taken_back_as_one(own_shelf):
    bench = client_of(own_shelf)
    paper = bench.get(f"{REEL}/scenes/40?subject=primary").json()
    assert [each["here"] for each in paper["scenes"]] == [False, True] and paper["value"] is None
    assert all(each["same_length"] and each["value"] == "as measured" for each in paper["scenes"])
    before = log_of(own_shelf)
    chosen = [each["film_position"] for each in paper["scenes"]]
    answer = bench.post(
        f"{REEL}/decide-scenes", json=body_of(bench, text="points 2 0 -1", scenes=[*chosen, 35])
    )
    assert answer.json() == {"revision": before[-1].revision + 1, "scenes": 2}
    added = log_of(own_shelf)[len(before) :]
    assert {(each.revision, each.by, each.why) for each in added} == {(before[-1].revision + 1, "mk", "dusk")}
    assert sorted(primaries(own_shelf)) == chosen
    back = {"way": "undo", "by": "mk", "revision": answer.json()["revision"]}
    told = bench.post(f"{REEL}/back", json=back).json()
    assert "2 scenes" in told["said"] and primaries(own_shelf) == {}
    bench.post(f"{REEL}/back", json={**back, "way": "redo", "revision": told["revision"]})
    assert primaries(own_shelf) == {at: {"points": [2.0, 0.0, -1.0]} for at in chosen}


def test_without_words_the_drawn_scenes_value_is_used(own_shelf):
    bench = client_of(own_shelf)
    refused = bench.post(f"{REEL}/decide-scenes", json=body_of(bench))
    assert refused.status_code == 400 and "drawn scene" in refused.json()["error"]
    bench.post(f"{REEL}/decide-scenes", json=body_of(bench, text="points 2 0 -1", scenes=[33]))
    paper = bench.get(f"{REEL}/scenes/40?subject=primary").json()
    assert "points" in paper["value"] and paper["scenes"][1]["who"] == "mk"
    answer = bench.post(f"{REEL}/decide-scenes", json=body_of(bench, scenes=[5, 50]))
    assert answer.json()["scenes"] == 1, "the drawn scene has it already"
    assert primaries(own_shelf) == {33: {"points": [2.0, 0.0, -1.0]}, 5: {"points": [2.0, 0.0, -1.0]}}


def test_the_list_tells_the_nearest_decision_that_stands(own_shelf):
    folder = own_shelf / NAME
    for place, red in (({}, 1), ({"length": 0}, 2), ({"scene": 40}, 3)):
        value = {"points": [red, 0, 0]}
        decide_on(folder, subject="primary", value=value, by=f"m{red}", at=AT, why="looked", **place)
        told = client_of(own_shelf).get(f"{REEL}/scenes/3?subject=primary").json()["scenes"]
        nearest = ["m1", "m2", "m2"][red - 1], ["m1", "m2", "m3"][red - 1]
        assert tuple(each["who"] for each in told) == nearest


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"scenes": []}, 400),
        ({"scenes": [0, 5000]}, 400),
        ({"scenes": [0, "30"]}, 400),
        ({"subject": "scene_name"}, 400),
        ({"subject": "rendering"}, 400),
        ({"text": "points many"}, 400),
        ({"why": " "}, 400),
        ({"by": ""}, 400),
        ({"stamp": "other"}, 409),
        ({"revision": 0}, 409),
    ],
)
def test_of_several_scenes_none_is_recorded_where_anything_is_wrong(own_shelf, changes, status):
    bench = client_of(own_shelf)
    before = log_of(own_shelf)
    body = {**body_of(bench), "text": "points 2 0 -1", **changes}
    answer = bench.post(f"{REEL}/decide-scenes", json=body)
    assert answer.status_code == status and answer.json()["error"].endswith((".", "'."))
    assert log_of(own_shelf) == before
