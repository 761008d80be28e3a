"""Runs started from the bench: seen, paused, stopped, started again, failing with their sentence, told by numbered events."""

import json
import shutil
import time

import pytest
from numbered_reel import AT, FRAMES, NAME
from starlette.testclient import TestClient

from smallgauge.lock import held_by
from smallgauge.media.pack import pack_files
from smallgauge.record.material import PACK_FOLDER
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand, Task
from smallgauge.workbench.shelf import Shelf

LONG_S = 60.0


@pytest.fixture
def hand():
    """A hand that is closed at the end, whatever happened."""
    made = Hand()
    yield made
    made.close()


def client_of(shelf, hand, captures=None) -> TestClient:
    app, _ = make_app(Shelf(shelf, captures), hand, lambda: AT)
    return TestClient(app)


def until(bench, number: int, wanted, limit_s: float = LONG_S) -> dict:
    """A run's twin once it stands as wanted."""
    stop = time.monotonic() + limit_s
    while time.monotonic() < stop:
        found = [item for item in bench.get("/api/hand").json()["items"] if item["id"] == number]
        if found and wanted(found[0]):
            return found[0]
        time.sleep(0.02)
    raise AssertionError(found)


def start(bench, name: str, upto: str) -> dict:
    answer = bench.post("/api/hand/start", json={"name": name, "upto": upto})
    assert answer.status_code == 200, answer.text
    return answer.json()


def act(bench, number: int, what: str):
    return bench.post(f"/api/hand/{number}/{what}", json={})


def test_a_run_is_seen_paused_stopped_and_started_again_to_its_end(own_shelf, hand):
    bench = client_of(own_shelf, hand)
    run = start(bench, NAME, "render")
    assert run["state"] == "running" and run["title"] == "up to making the films"
    again = bench.post("/api/hand/start", json={"name": NAME, "upto": "deliver"})
    assert again.status_code == 409 and "in hand already" in again.json()["error"]
    until(bench, run["id"], lambda item: item["what"])
    assert act(bench, run["id"], "pause").json()["state"] == "paused"
    time.sleep(0.4)
    still = until(bench, run["id"], lambda item: item["state"] == "paused")
    time.sleep(0.4)
    assert until(bench, run["id"], lambda item: True)["done"] == still["done"]
    assert act(bench, run["id"], "pause").status_code == 400
    shelf = bench.get("/api/shelf").json()["reels"]
    assert [reel["state"] for reel in shelf] == ["working"]
    assert act(bench, run["id"], "go-on").json()["state"] == "running"
    stopped = act(bench, run["id"], "stop").json()
    assert stopped["state"] == "stopped" and "goes on from there" in stopped["words"]
    assert held_by(own_shelf / NAME) is None
    run = act(bench, run["id"], "again").json()
    ended = until(bench, run["id"], lambda item: item["state"] not in ("waiting", "running"))
    assert ended["state"] == "done", ended
    assert (own_shelf / NAME / "finished.mkv").is_file() and ended["words"].startswith(
        "Done: treat and render"
    )
    assert act(bench, run["id"], "put-away").status_code == 200
    assert bench.get("/api/hand").json()["items"] == []


def test_a_run_that_fails_says_its_sentence(own_shelf, hand, tmp_path):
    (tmp_path / "captures" / "empty").mkdir(parents=True)
    (tmp_path / "captures" / "empty" / "words.txt").write_text("no frames", encoding="utf-8")
    bench = client_of(own_shelf, hand, tmp_path / "captures")
    run = start(bench, "empty", "analyse")
    ended = until(bench, run["id"], lambda item: item["state"] == "failed")
    assert ended["words"].startswith("empty holds no frames; needed are")
    answer = bench.post("/api/hand/start", json={"name": "../capture", "upto": "analyse"})
    assert answer.status_code == 400 and "choose one" in answer.json()["error"]


def test_a_run_ended_from_outside_is_told(own_shelf, hand):
    bench = client_of(own_shelf, hand)
    run = start(bench, NAME, "render")
    hand._items[run["id"]].process.kill()
    ended = until(bench, run["id"], lambda item: item["state"] == "failed")
    assert "ended from outside" in ended["words"]


def test_runs_wait_for_one_another_and_a_waiting_one_can_be_stopped(own_shelf, hand):
    shutil.copytree(own_shelf / NAME, own_shelf / "second")
    bench = client_of(own_shelf, hand)
    first, second = start(bench, NAME, "render"), start(bench, "second", "render")
    assert (first["state"], second["state"]) == ("running", "waiting")
    assert act(bench, second["id"], "stop").json()["state"] == "stopped"
    second = act(bench, second["id"], "again").json()
    assert second["state"] == "waiting"
    act(bench, first["id"], "stop")
    until(bench, second["id"], lambda item: item["state"] == "running")


def test_a_pack_is_work_in_hand_and_goes_when_it_is_made(own_shelf, hand):
    shutil.rmtree(own_shelf / NAME / PACK_FOLDER)
    bench = client_of(own_shelf, hand)
    assert bench.get(f"/api/reel/{NAME}").json()["pack"] is False
    item = bench.get("/api/hand").json()["items"][0]
    assert item["pack"] and item["title"] == "little pictures"
    stop = time.monotonic() + LONG_S
    while bench.get("/api/hand").json()["items"] and time.monotonic() < stop:
        time.sleep(0.05)
    assert (
        pack_files(own_shelf / NAME / PACK_FOLDER) and bench.get(f"/api/reel/{NAME}").json()["pack"] is True
    )


def test_events_are_numbered_and_a_page_that_comes_back_misses_none(tmp_path):
    hand = Hand()
    hand._begin = lambda item: hand._say(item, state="running")
    ((number, told),) = hand.events_after("")
    assert (told["event"], told["items"]) == (number, [])
    item = hand.start(Task(reel="one", shelf=tmp_path, upto="render"))
    hand._items[item["id"]].process = None
    for done in range(3):
        hand._progress(hand._items[item["id"]], "frames rendered", done, FRAMES)
    seen = hand.events_after(number)
    assert [each["items"][0]["done"] for _, each in seen][-3:] == [0, 1, 2]
    assert hand.events_after(seen[-2][0]) == seen[-1:] and hand.events_after(seen[-1][0]) == []
    for _ in range(600):
        hand._progress(hand._items[item["id"]], "frames rendered", 3, FRAMES)
    ((last, whole),) = hand.events_after(number)  # too long away: everything as it stands
    assert whole["items"][0]["done"] == 3 and hand.events_after(last) == []
    ((_, whole),) = hand.events_after("otherbench-3")
    assert whole["items"][0]["done"] == 3
    hand.close()


def test_the_stream_of_events_goes_on_where_a_page_left_it(own_shelf, hand):
    app, _ = make_app(Shelf(own_shelf), hand, lambda: AT)
    hand.start(Task(reel="a", shelf=own_shelf / "none", upto="render"))
    first = hand.paper()["event"]
    hand._tell({"id": 99, "state": "running"})
    ends = iter([False, False, True, True])
    hand.ending = lambda: next(ends)
    told = TestClient(app).get("/api/hand/events", headers={"last-event-id": first}).text
    ids = [line[4:] for line in told.splitlines() if line.startswith("id: ")]
    data = [json.loads(line[6:]) for line in told.splitlines() if line.startswith("data: ")]
    assert told.startswith("retry: ") and int(ids[0].split("-")[1]) == int(first.split("-")[1]) + 1
    assert {"items": [{"id": 99, "state": "running"}]} in data
