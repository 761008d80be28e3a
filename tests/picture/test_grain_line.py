"""Grain through a whole line: measured, left as shipped, less of it by the operator's word and in the finished film alone."""

from dataclasses import replace

import numpy as np
import pytest

from smallgauge.deliver.grain import grain_sentence, grain_table
from smallgauge.deliver.papers import read_papers
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.whole import digest_file
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.decided import decided_value
from smallgauge.record.decided_grain import grain_decisions
from smallgauge.record.graintable import read_grain
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.record.treatment import decide, treatment_of

AT = "2026-01-17T10:00:00Z"
TRUTH = replace(
    specimen_truth(
        "super 8", width=400, height=300, frames=4, seed=11, bits=10, code_values="log", dirt_per_frame=0.0,
        start_exposures=(), fast_noise=True, scenes=(SceneTruth(kind="sea", first=0, stop=40),),
    ),
)  # fmt: skip


def settings(workers=1, step="render"):
    return Settings(at=AT, workers=workers, last_step=step, stated=("dirt=leave",))


def finished(folder):
    with open_picture(list_capture(folder / "finished.mkv")) as reader:
        return [np.array(reader.read(n).samples, np.float64) for n in range(4)]


def less_grain(base, shelf, *, workers, step):
    """Decide on less grain for the reel on a shelf, and finish it again."""
    words = decided_value("grain", "reduce 50")
    decide_on(base / shelf / "reel", subject="grain", value=words, by="mk", at=AT, why="too restless")
    return finish(base / "reel", base / shelf, settings(workers, step))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A reel finished as shipped, and then after somebody decided on less grain."""
    base = tmp_path_factory.mktemp("grain")
    write_specimen(base / "reel", TRUTH, format="dpx", sound=False, reel="reel", box_words="", processes=1)
    folder = base / "one" / "reel"
    finish(base / "reel", base / "one", settings())
    (base / "before").mkdir()
    for file in ("finished.mkv", "render.parquet", "archive.mkv"):
        (base / "before" / file).write_bytes((folder / file).read_bytes())
    less_grain(base, "one", workers=1, step="render")
    return base


def test_grain_is_measured_and_left_as_shipped(made):
    table = read_grain(made / "one" / "reel")
    assert table is not None and set(table["frame"].tolist()) <= set(range(3))
    assert (table["sigma"] > 0).all() and (table["density"] > 0).all()
    before = read_table(made / "before" / "render.parquet", RENDER_COLUMNS, "render")
    assert np.isnan(before["grain_taken"]).all()


def test_the_finished_film_has_less_and_the_archive_copy_all_of_it(made):
    folder = made / "one" / "reel"
    rows = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    assert (rows["grain_taken"] > 0.1).all() and (rows["grain_taken"] <= 0.5).all()
    assert rows["grain_taken"][2] > rows["grain_taken"][0]  # the scene's first frame has one neighbour
    assert digest_file(folder / "archive.mkv") == digest_file(made / "before" / "archive.mkv")
    old, new = finished(made / "before"), finished(folder)

    def rough(picture):  # the steps from pixel to pixel
        return float(np.median(np.abs(np.diff(picture, axis=1))))

    assert rough(new[2]) < 0.85 * rough(old[2])
    papers = read_papers(folder)
    assert "all of it" in grain_sentence(papers)
    told = grain_table(papers)
    assert told is None or "less of it" in told.note


@pytest.mark.campaign
def test_the_same_bytes_on_one_worker_and_on_two_and_proved(made):
    finish(made / "reel", made / "two", settings(2, "analyse"))
    outcome = less_grain(made, "two", workers=2, step="prove")
    assert outcome.proved, outcome.findings
    for file in ("grain.parquet", "finished.mkv"):
        assert digest_file(made / "one" / "reel" / file) == digest_file(made / "two" / "reel" / file)


def test_what_an_operators_words_mean():
    for words in ("reduce 60", "reduce 0", "reduce 1.5", "less", ""):
        with pytest.raises(CallerError, match="grain needs"):
            decided_value("grain", words)
    log = decide((), subject="grain", value=decided_value("grain", "reduce"), by="mk", at=AT, why="asked")
    log = decide(
        log,
        subject="grain",
        anchor="scene@7",
        value=decided_value("grain", "leave"),
        by="mk",
        at=AT,
        why="titles",
    )
    own, others, found = grain_decisions(treatment_of(log), {0: 0, 7: 1})
    assert (own[1].reduce, others.reduce, found) == (0.0, 0.3, ())
    assert grain_decisions(treatment_of(()), {})[1].reduce == 0.0
