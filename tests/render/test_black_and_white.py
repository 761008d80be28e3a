"""Black-and-white film on the line: tint and tone kept, a neutral copy where it is decided."""

from pathlib import Path

import numpy as np
import pytest

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.record.tones import tones_of

AT = "2026-01-17T10:00:00Z"
BASE, TONE = np.array([0.06, 0.08, 0.14]), np.array([0.97, 1.0, 1.06])  # as drawn


def settings(**changes):
    return Settings(**{"at": AT, "workers": 1, **changes})


@pytest.fixture(scope="module")
def silver(tmp_path_factory):
    home = tmp_path_factory.mktemp("silver")
    truth = specimen_truth(
        "super 8",
        width=384,
        height=288,
        frames=6,
        film="black-and-white",
        scenes=(SceneTruth(kind="garden", first=0, stop=90),),
        start_exposures=(),
    )
    write_specimen(
        home / "capture", truth, format="tiff", sound=False, reel="silver", box_words="", processes=1
    )
    return home, Path(finish(home / "capture", home / "shelf", settings(last_step="render")).folder)


def finished(folder):
    with open_picture(list_capture(folder / "finished.mkv")) as reader:
        return np.stack([reader.read(n).samples for n in range(6)]).astype(float) / 4095


def test_tint_and_tone_are_measured(silver):
    _, folder = silver
    table = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    tone = tones_of((read_json(folder / "capture.json", Capture),), table)
    share = np.array([0.2126, 0.7152, 0.0722])
    slope = TONE / (share @ TONE)
    np.testing.assert_allclose(tone.slope, slope, atol=0.01)
    np.testing.assert_allclose(tone.tint, BASE - slope * (share @ BASE), atol=0.015)
    assert not tone.coloured
    (made,) = [d for d in read_decisions(folder / "decisions.jsonl") if d.subject == "black_and_white"]
    assert made.value["look"] == "as on the film" and "warm" in made.why


def test_the_film_stays_warm_until_somebody_wants_it_neutral(silver):
    home, folder = silver
    kept = finished(folder)
    inside = kept[:, 40:-40, 40:-40]
    assert (inside[..., 0] - inside[..., 2]).mean() > 0.03
    value = decided_value("black_and_white", "neutral")
    decide_on(folder, subject="black_and_white", value=value, by="mk", at=AT, why="the client wants it")
    finish(home / "capture", home / "shelf", settings(last_step="render"))
    neutral = finished(folder)[:, 40:-40, 40:-40]
    steps = np.ptp(neutral.mean(axis=(0, 1, 2)))
    assert steps < 0.0005  # dither alone tells the channels apart
    assert np.abs(neutral - neutral.mean(axis=-1, keepdims=True)).max() < 2.1 / 4095
    assert np.corrcoef(neutral[..., 1].ravel(), inside[..., 1].ravel())[0, 1] > 0.999
