"""The JSON twins say what the papers say, and a decision is recorded once or not at all."""

import io
import shutil

import imagecodecs
import numpy as np
import pytest
from numbered_reel import AT, FRAMES, NAME, number_in
from PIL import Image
from starlette.testclient import TestClient

from smallgauge.line import decide_on
from smallgauge.media.pack import pack_files
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.record.files import read_decisions
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.material import PACK_FOLDER
from smallgauge.record.table import read_table
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.packs import make_pack
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


def client_of(shelf) -> TestClient:
    app, _ = make_app(Shelf(shelf), Hand(), lambda: AT)
    return TestClient(app, raise_server_exceptions=True)


@pytest.fixture(scope="module")
def bench(numbered_shelf):
    return client_of(numbered_shelf)


@pytest.fixture(scope="module")
def frames(numbered_shelf):
    return read_table(numbered_shelf / NAME / "frames.parquet", FRAME_COLUMNS, "frames")


def test_the_shelf_says_where_a_reel_stands(bench):
    (reel,) = bench.get("/api/shelf").json()["reels"]
    assert reel["reel"] == NAME and reel["stands"] == "tone and dye proposed"
    assert reel["words"] == f"Super 8, {FRAMES} frames" and reel["state"] == "waiting"


def test_scenes_cover_every_row_once_and_cut_where_the_table_cuts(bench, frames):
    scenes = bench.get(REEL).json()["scenes"]
    rows = [scene["scene"] for scene in scenes for _ in range(scene["first"], scene["stop"])]
    assert rows == frames["scene"].tolist() and len(scenes) >= 2


def test_lanes_and_their_table_are_the_columns(bench, frames):
    paper = bench.get(REEL).json()
    values = np.frombuffer(bench.get(f"{REEL}/lanes").content, "<f4").reshape(len(paper["lanes"]), FRAMES)
    names = [lane["name"] for lane in paper["lanes"]]
    assert np.allclose(values[names.index("sureness")], frames["perforation_confidence"], atol=1e-6)
    light = 100 * np.exp(frames["picture_light"])
    assert np.allclose(values[names.index("light")], light, rtol=1e-6)
    table = bench.get(f"{REEL}/rows?first=10&count=5").json()
    place = table["columns"].index("Light, % of open gate")
    assert [row[place] for row in table["rows"]] == [round(float(v), 4) for v in light[10:15]]
    assert [row[1] for row in table["rows"]] == [f"frame_{n:06d}.png" for n in range(10, 15)]


def test_every_rough_look_is_its_frame_and_says_so(bench):
    for row in range(FRAMES):
        answer = bench.get(f"{REEL}/rough/{row}")
        assert number_in(np.asarray(Image.open(io.BytesIO(answer.content)))) == row
        assert answer.headers["x-stamp"].endswith(f".{row}") and answer.headers["x-look"] == "rough%20look"
    run = bench.get(f"{REEL}/roughs?first=60&count=32").content
    count = int.from_bytes(run[:4], "little")
    lengths = [int.from_bytes(run[4 + 4 * n : 8 + 4 * n], "little") for n in range(count)]
    place = 4 + 4 * count
    for n, length in enumerate(lengths):
        assert number_in(imagecodecs.jpeg8_decode(run[place : place + length])) == 60 + n
        place += length
    assert count == FRAMES - 60 and place == len(run)


def test_values_are_those_of_the_capture(bench, numbered_shelf):
    with open_picture(list_capture(numbered_shelf / NAME / "archive.mkv")) as reader:
        samples = reader.read(40).samples
    told = bench.get(f"{REEL}/values/40?x=100&y=50").json()
    assert told["code"] == samples[50, 100].tolist() and told["bits"] == 8
    assert bench.get(f"{REEL}/values/40?x=256&y=50").status_code == 400


def test_a_pack_made_from_the_archive_copy_is_the_one_that_analyse_made(own_shelf):
    place = own_shelf / NAME / PACK_FOLDER
    before = [file.read_bytes() for file in pack_files(place)]
    shutil.rmtree(place)
    make_pack(own_shelf / NAME)
    assert [file.read_bytes() for file in pack_files(place)] == before


def test_without_a_pack_the_rough_look_comes_from_the_archive_copy(own_shelf):
    shutil.rmtree(own_shelf / NAME / PACK_FOLDER)
    picture = client_of(own_shelf).get(f"{REEL}/rough/7").content
    assert number_in(imagecodecs.jpeg8_decode(picture)) == 7


def decision(bench, drawn: int, **changes):
    stamp = bench.get(f"{REEL}/frame/{drawn}").json()["stamp"]
    revision = bench.get(REEL).json()["revision"]
    body = {"subject": "primary", "text": "points -4 0 2", "row": drawn, "stamp": stamp, "revision": revision}
    return {**body, "by": "mk", "why": "a face", **changes}


def test_a_decision_is_recorded_for_the_scene_of_the_drawn_frame(own_shelf):
    bench = client_of(own_shelf)
    scene = bench.get(REEL).json()["scenes"][1]
    answer = bench.post(f"{REEL}/decide", json=decision(bench, scene["first"] + 5))
    made = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1]
    assert answer.status_code == 200 and answer.json()["revision"] == made.revision
    assert (made.by, made.why, made.at, made.subject) == ("mk", "a face", AT, "primary")
    assert made.value == {"points": [-4.0, 0.0, 2.0]} and made.anchor == f"scene@{scene['first'] + 5}"
    for row, said in ((scene["first"], "operator"), (scene["first"] - 1, None)):
        fields = bench.get(f"{REEL}/fields/{row}").json()["fields"]
        primary = next(f for f in fields if f["subject"] == "primary")
        assert (primary["operator"] is not None) == (said is not None), row
    back = decision(bench, scene["first"], text=None, at="scene")
    assert bench.post(f"{REEL}/decide", json=back).status_code == 200
    assert read_decisions(own_shelf / NAME / "decisions.jsonl")[-1].value is None


def test_two_operators_never_overwrite_each_other_silently(own_shelf):
    bench = client_of(own_shelf)
    mine = decision(bench, 3)
    decide_on(own_shelf / NAME, subject="camera_speed", value={"rate": "16"}, by="o.t.", at=AT, why="walking")
    before = (own_shelf / NAME / "decisions.jsonl").read_bytes()
    answer = bench.post(f"{REEL}/decide", json=mine)
    assert answer.status_code == 409 and "o.t. decided on camera speed" in answer.json()["error"]
    assert (own_shelf / NAME / "decisions.jsonl").read_bytes() == before


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"row": 4}, 409),  # the stamp is that of frame 3
        ({"stamp": ""}, 409),
        ({"by": ""}, 400),
        ({"by": "program"}, 400),
        ({"why": " "}, 400),
        ({"subject": "sign_off"}, 400),
        ({"text": "points many"}, 400),
        ({"row": 10_000}, 400),
        ({"row": "3"}, 400),
        ({"revision": None}, 400),
        ({"at": "everywhere"}, 400),
    ],
)
def test_nonsense_is_refused_and_nothing_is_recorded(own_shelf, changes, status):
    bench = client_of(own_shelf)
    before = (own_shelf / NAME / "decisions.jsonl").read_bytes()
    answer = bench.post(f"{REEL}/decide", json=decision(bench, 3, **changes))
    assert answer.status_code == status and answer.json()["error"].endswith((".", "'."))
    assert (own_shelf / NAME / "decisions.jsonl").read_bytes() == before


def test_get_changes_nothing(own_shelf):
    bench = client_of(own_shelf)
    folder = own_shelf / NAME
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    for path in ("/api/shelf", REEL, f"{REEL}/lanes", f"{REEL}/rows", f"{REEL}/strip", f"{REEL}/frame/1"):
        assert bench.get(path).status_code == 200, path
    for path in (f"{REEL}/fields/1", f"{REEL}/rough/1", f"{REEL}/true/1", f"{REEL}/values/1?x=1&y=1"):
        assert bench.get(path).status_code == 200, path
    assert bench.get(f"{REEL}/decide").status_code == 405
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before


def test_the_true_look_is_the_rendered_frame(own_shelf):
    """Held to the finished film itself, which another command makes: every code value the same."""
    from smallgauge.line import Settings, finish

    shelf = Shelf(own_shelf)
    reel = shelf.open(NAME)
    rows = (0, 31, 71)
    finished = [reel.finished(row, "corrected") for row in rows]
    shelf.close()
    finish(own_shelf.parent / "capture", own_shelf, Settings(at=AT, workers=1, last_step="render"))
    with open_picture(list_capture(own_shelf / NAME / "finished.mkv")) as reader:
        for row, codes in zip(rows, finished, strict=True):
            assert np.array_equal(reader.read(row).samples, codes), row
