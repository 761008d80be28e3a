"""Shrinkage in the report: with a scale a range and advice, without one its change alone."""

from dataclasses import replace

import numpy as np
from reel_papers import FRAMES, make_reel

from smallgauge.deliver.content import report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.report import report_html
from smallgauge.gauge.gauges import SUPER_8
from smallgauge.picture.shrinkage import measure_shrinkage
from smallgauge.record.files import read_json, write_json
from smallgauge.record.filmstate import FILM_PAPER, FilmState, film_findings


def shrunk_reel(folder, *, along_um, shrinkage=0.012):
    """A film that shrinks from its head to its tail, read at 9 micrometres a pixel."""
    make_reel(folder)
    chance = np.random.default_rng(3)
    pitch = 4234.2 / 9 * (1 - shrinkage - np.linspace(0, 0.003, FRAMES)) + chance.normal(0, 0.1, FRAMES)
    width = 7976 / 9 * (1 - 0.6 * shrinkage) + chance.normal(0, 0.1, FRAMES)
    told = measure_shrinkage(
        pitch, width, gauge=SUPER_8, along_um=along_um, across_um=along_um, along_sigma=0.0002
    )
    state = replace(read_json(folder / FILM_PAPER, FilmState), shrinkage=told)
    write_json(folder / FILM_PAPER, state)
    return report_content(read_papers(folder)), film_findings(state)


def test_with_a_scale_the_range_its_advice_and_who_has_the_last_word(tmp_path):
    content, findings = shrunk_reel(tmp_path / "reel", along_um=9.0)
    assert ("Shrinkage", "1.07 to 1.45 % shorter than when new") in content.came_in
    table = next(each for each in content.tables if each.title == "Shrinkage")
    assert [row[0] for row in table.rows] == ["Lengthwise", "Crosswise", "Along the reel"]
    assert table.rows[0][1] == "1.07 to 1.45 %" and table.rows[0][3] == "400 pitches"
    assert "Don't project it" in table.note and "last word" in table.note and "DARTMOUTH" in table.note
    assert {"Shrinkage lengthwise", "Shrinkage crosswise"} <= {plot.title for plot in content.plots}
    assert "film shrunk" in {finding.code for finding in findings}
    assert "1.07 to 1.45 %" in report_html(content)


def test_without_a_scale_only_the_change(tmp_path):
    content, findings = shrunk_reel(tmp_path / "reel", along_um=None)
    assert not any(name == "Shrinkage" for name, _ in content.came_in)
    table = next(each for each in content.tables if each.title == "Shrinkage")
    assert table.rows[0][1] == "no scale: can't be told" and table.rows[2][1] == "-0.11 to 0.12 %"
    assert "calibrate" in table.note and "project" not in table.note
    assert "shrinkage without a scale" in {finding.code for finding in findings}


def test_film_that_may_be_new_is_not_called_shrunk(tmp_path):
    content, findings = shrunk_reel(tmp_path / "reel", along_um=9.0, shrinkage=-0.001)
    assert ("Shrinkage", "none that could be shown") in content.came_in
    assert "shrinkage told" in {finding.code for finding in findings}


def test_a_reel_whose_pitch_was_not_measured_says_nothing(tmp_path):
    content = report_content(read_papers(make_reel(tmp_path / "reel")))
    assert not any(table.title == "Shrinkage" for table in content.tables)
