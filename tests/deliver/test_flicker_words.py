"""Flicker in the report: words, table and plots from the papers alone."""

import math
from types import SimpleNamespace

import numpy as np

from smallgauge.deliver.flicker import MOST_PLOTS, MOST_ROWS, flicker_plots, flicker_sentence, flicker_table
from smallgauge.record.rendertable import SceneFlicker


def papers_of(*figures, frames=20):
    scene = np.repeat([each.scene for each in figures], frames)
    path = np.random.default_rng(1).normal(0, 0.1, scene.size)
    rendered = {"scene": scene, "exposure_before_ln": path, "exposure_after_ln": 0.1 * path}
    return SimpleNamespace(summary=SimpleNamespace(flicker=figures), rendered=rendered)


def scene(number, before, after, *, on=True, share=0.25, frames=20):
    return SceneFlicker(scene=number, frames=frames, on=on, before_ln=before, after_ln=after, share=share)


def test_the_family_reads_how_much_it_flickered():
    text = flicker_sentence(
        papers_of(scene(0, 0.1, 0.005), scene(1, 0.1, 0.005), scene(2, 0.001, 0.001, on=False))
    )
    assert text is not None and "2 scenes" in text and "11 %" in text and "0.5 %" in text


def test_nothing_is_said_where_nothing_was_done():
    assert flicker_sentence(papers_of(scene(0, 0.001, 0.001, on=False))) is None
    assert flicker_plots(papers_of(scene(0, 0.001, 0.001, on=False))) == ()
    nothing = SimpleNamespace(summary=None, rendered=None)
    assert (
        flicker_sentence(nothing) is None and flicker_table(nothing) is None and flicker_plots(nothing) == ()
    )


def test_the_table_has_what_flickers_or_is_corrected_the_worst_first():
    table = flicker_table(
        papers_of(
            scene(0, 0.05, 0.004),
            scene(1, 0.12, 0.006, share=0.5),
            scene(2, 0.001, 0.001, on=False),
            scene(3, 0.03, 0.03, on=False),
            scene(4, math.nan, math.nan, frames=4),
        )
    )
    assert [row[0] for row in table.rows] == ["2", "1", "4", "5"]
    assert table.rows[0][2:] == ("0.12", "0.006", "13 → 0.6", "50 %", "taken out")
    assert table.rows[2][-1] == "left as it is"
    assert table.rows[3][2] == "not told"
    assert "1 further scene did not flicker and was left alone" in table.note


def test_a_plot_a_scene_but_not_a_hundred():
    figures = [scene(n, 0.02 + 0.001 * n, 0.002) for n in range(50)]
    plots = flicker_plots(papers_of(*figures))
    assert len(plots) == MOST_PLOTS
    assert (
        plots[0].title == f"Exposure of scene {50 - MOST_PLOTS + 1}"
        and plots[-1].title == "Exposure of scene 50"
    )
    assert plots[0].svg.count("<polyline") == 2 and "frame of the scene" in plots[0].svg
    table = flicker_table(papers_of(*figures))
    assert (
        len(table.rows) == MOST_ROWS
        and f"{MOST_ROWS} scenes that flickered most are shown, of 50" in table.note
    )
