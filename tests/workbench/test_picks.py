"""Grey and skin pointed at: the captured values of that very spot, averaged, or a sentence why it tells nothing."""

import json
from dataclasses import replace

import numpy as np
import pytest
from numbered_reel import AT, BLOCK, LEFT, NAME, TOP
from starlette.testclient import TestClient

from smallgauge.deliver.words import value_words
from smallgauge.demo import write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth
from smallgauge.record.decided_fading import completed_fading, fading_value
from smallgauge.record.files import read_decisions
from smallgauge.record.light import table_for
from smallgauge.record.recipe import FINISHED
from smallgauge.workbench.app import make_app
from smallgauge.workbench.decide import Asked, drafted
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.looks import CORRECTED
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.picks import pick_paper
from smallgauge.workbench.shelf import Shelf

REEL = f"/api/reel/{NAME}"


def client_of(shelf) -> TestClient:
    return TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])


def pick(bench, x, y, row=3, **more):
    return bench.get(f"{REEL}/pick/{row}", params={"x": x, "y": y, **more})


def patch_density(shelf, row, x, y):
    """Density round a captured pixel by NumPy alone: 5 x 5 pixels, the smallest patch, as these frames are small."""
    reel = OpenReel(shelf / NAME)
    plan, shown = reel.plan()
    lamp, table = plan.frames[shown[row]].colour.lamp, table_for(reel.capture.light, reel.capture.encoding)
    reel.close()
    with open_picture(list_capture(shelf / NAME / "archive.mkv")) as reader:
        codes = reader.read(row).samples[y - 2 : y + 3, x - 2 : x + 3]
    return -np.log10(table[codes].astype(float).mean(axis=(0, 1)) / np.array(lamp or (1.0, 1.0, 1.0)))


@pytest.mark.parametrize(("x", "y", "kind"), [(100, 90, "grey"), (130, 120, "skin"), (150, 60, "grey")])
def test_a_pick_is_the_mean_density_of_the_captured_spot_and_tells_what_it_would_change(
    numbered_shelf, x, y, kind
):
    bench = client_of(numbered_shelf)
    told = pick(bench, x, y, kind=kind, earlier="skin 40@0.5,0.5").json()
    wanted = patch_density(numbered_shelf, 3, x, y)
    assert np.abs(np.array(told["density"]) - wanted).max() < 2e-4
    assert told["subject"] == "fading" and told["spots"] == 2 and told["now"] == "nothing is done"
    assert f"{kind}" in told["text"] and told["text"].endswith(told["place"])
    log = read_decisions(numbered_shelf / NAME / "decisions.jsonl")
    words = f"{kind} {' '.join(map(str, told['density']))}"
    alone = pick(bench, x, y, kind=kind).json()
    value = completed_fading(fading_value(words), log=log, anchor="length@0", by="mk")
    assert alone["then"] == value_words("fading", value)


def test_a_pixel_of_the_finished_picture_is_the_captured_one_that_it_shows(numbered_shelf):
    reel = OpenReel(numbered_shelf / NAME)
    plan, shown = reel.plan()
    x, y = plan.frames[shown[3]].move.place(60, 50)
    reel.close()
    bench = client_of(numbered_shelf)
    there = pick(bench, 60, 50, look=CORRECTED).json()
    assert there["density"] == pick(bench, round(x), round(y)).json()["density"]


def test_what_tells_nothing_is_refused_with_a_sentence(own_shelf):
    bench = client_of(own_shelf)
    outside = pick(bench, 20, 100)
    assert outside.status_code == 400 and "outside the finished picture" in outside.json()["error"]
    decide_on(
        own_shelf / NAME, subject="framing", value={"show": "whole capture"}, by="mk", at=AT, why="holes"
    )
    burnt = 5  # the number of this frame stands in it in blocks of the lowest and the highest code value
    for bit, word in ((0, "too light"), (1, "too dark")):
        spot = (int(LEFT + BLOCK * (bit + 0.5)), TOP + BLOCK // 2)
        answer = pick(bench, *spot, row=burnt)
        assert answer.status_code == 400 and word in answer.json()["error"]
    beside = pick(bench, 20, 100)
    assert beside.status_code == 400 and "outside the camera's picture" in beside.json()["error"]
    assert pick(bench, 100, 90, earlier="grey of the wall").status_code == 400
    assert pick(bench, 100, 90, kind="blue").status_code == 400


def film(shelf, words: str) -> None:
    """The reel as one of another film, as its capture.toml would have said."""
    path = shelf / NAME / "capture.json"
    plain = json.loads(path.read_text(encoding="utf-8"))
    plain["notes"]["film"] = words
    path.write_text(json.dumps(plain), encoding="utf-8")


def test_greys_of_a_negative_bring_its_print_in_step_and_are_recorded_as_an_inversion(own_shelf):
    film(own_shelf, "negative")
    decide_on(
        own_shelf / NAME, subject="inversion", value={"base": [0.2, 0.2, 0.2]}, by="mk", at=AT, why="border"
    )
    bench = client_of(own_shelf)
    assert "skin is not known well enough" in pick(bench, 100, 90, kind="skin").json()["error"]
    told = pick(bench, 100, 90).json()
    assert told["subject"] == "inversion" and told["text"] == f"greys {told['place']}"
    seen = bench.get(REEL).json()["revision"]
    stamp = bench.get(f"{REEL}/frame/3").json()["stamp"]
    body = {"subject": "inversion", "text": told["text"], "row": 3, "stamp": stamp, "revision": seen}
    tried = bench.post(f"{REEL}/try/3", json={"subject": "inversion", "text": told["text"]})
    assert tried.status_code == 200, tried.text
    answer = bench.post(f"{REEL}/decide", json={**body, "by": "mk", "why": "the wall"})
    assert answer.status_code == 200, answer.text
    made = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1]
    assert made.subject == "inversion" and made.by == "mk"
    assert np.allclose(made.value["greys"], [told["density"]]) and made.value["base"] == [0.2, 0.2, 0.2]


def test_black_and_white_film_has_no_grey_to_point_at(own_shelf):
    film(own_shelf, "black-and-white")
    answer = pick(client_of(own_shelf), 100, 90)
    assert answer.status_code == 400 and "black-and-white film" in answer.json()["error"]


@pytest.mark.campaign
def test_a_grey_of_a_faded_reel_comes_out_nearer_to_grey_than_with_nothing_done(tmp_path):
    """A drawn reel that lost half of its cyan; the spot is grey in the same reel drawn unfaded."""
    scenes = (SceneTruth(kind="garden", first=0, stop=200),)
    faded = specimen_truth(
        "super 8",
        width=256,
        height=192,
        frames=24,
        bits=16,
        seed=21,
        scenes=scenes,
        dye_kept=(0.5, 1.0, 1.0),
    )
    write_specimen(tmp_path / "capture", faded, format="tiff", sound=False, reel="faded", processes=1)
    finish(tmp_path / "capture", tmp_path / "shelf", Settings(at=AT, workers=1, last_step="treat"))
    x, y, row = 100, 152, 3
    reel = OpenReel(tmp_path / "shelf" / "faded")
    table = table_for(reel.capture.light, reel.capture.encoding)

    def density(truth):
        samples = draw_frame(truth, row).samples[y - 2 : y + 3, x - 2 : x + 3]
        return -np.log10(table[samples].astype(float).mean(axis=(0, 1)))

    assert np.ptp(density(replace(faded, dye_kept=(1.0, 1.0, 1.0)))) < 0.08 < 0.15 < np.ptp(density(faded))
    told = pick_paper(reel, row, x, y, look="capture", kind="grey", earlier="")
    plan, _ = reel.plan()
    at_x, at_y = (
        round(float(told["place"].partition("@")[2].split(",")[n]) * (size - 1))
        for n, size in ((0, plan.width), (1, plan.height))
    )

    def spread(text):
        """How far the channels of the finished spot lie apart, of all codes."""
        tried = drafted(reel, Asked(subject="fading", text=text, row=row))
        codes = reel.finished(row, CORRECTED, draft=tried)[at_y - 2 : at_y + 3, at_x - 2 : at_x + 3]
        return np.ptp(codes.mean(axis=(0, 1))) / (2**FINISHED.bits - 1)

    assert spread(told["text"]) < 0.05 < 0.1 < spread("none")
    value = drafted(reel, Asked(subject="fading", text=told["text"], row=row)).value
    reel.close()
    assert 0.35 < value["left"][0] < 0.6 and min(value["left"][1:]) > 0.8
