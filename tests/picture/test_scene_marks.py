"""Frames at the ends of scenes and rolls, marked: drawn columns with known truth, and a drawn reel's own frames."""

import numpy as np
import pytest

from benchmarks import scenes as drawn
from smallgauge.errors import CallerError
from smallgauge.picture.scene_marks import find_bright_ends, find_faded, find_fogged
from smallgauge.picture.scenes import find_scenes
from smallgauge.record.flags import FLAG_NAMED, FRAME_MARKS
from smallgauge.workbench.papers import flag_runs


def where(marks):
    return np.flatnonzero(marks).tolist()


@pytest.mark.parametrize("flicker", [0.0, 0.05])
@pytest.mark.parametrize("backwards", [False, True])
def test_bright_starts_of_a_film_that_ran_either_way(flicker, backwards):
    random = np.random.default_rng(7)
    light = np.concatenate([np.full(20, level) for level in (-2.0, -1.2, -3.0)])
    light[[0, 1, 2, 40, 41]] += np.log([2.8, 1.7, 1.25, 4.0, 1.6])
    light += random.normal(0, flicker, 60)
    scene = np.repeat([0, 1, 2], 20)
    bright = find_bright_ends(light[::-1] if backwards else light, scene)
    marked = where(bright[::-1] if backwards else bright)
    assert set(marked) <= {0, 1, 2, 40, 41} and {0, 1, 40} <= set(marked)


def test_a_pan_from_the_sky_and_a_short_scene_are_no_bright_start():
    pan = np.concatenate([np.linspace(-0.5, -2.0, 12), np.full(20, -2.0)])
    assert where(find_bright_ends(pan, np.zeros(32, int))) == []
    assert where(find_bright_ends([0.0, *[-2.0] * 8], np.zeros(9, int))) == []
    assert where(find_bright_ends([np.nan] * 20, np.zeros(20, int))) == []
    with pytest.raises(CallerError):
        find_bright_ends([0.0], [0, 1])


def test_over_exposed_starts_of_a_drawn_sequence_are_marked_and_not_cut_twice():
    frames, truth = drawn.draw_shots(
        drawn.Kind(flicker=0.05, scenes=6, objects=False, lengths=(14, 24)), seed=40
    )
    light = drawn.measure_light(frames)
    starts = find_scenes(*drawn.measure_columns(frames), picture_light=light)
    assert starts.tolist() == truth
    scene = np.searchsorted(starts, np.arange(len(frames)), side="right")
    bright = find_bright_ends(light, scene)
    assert all(bright[start] for start in truth[2::3]) and bright.sum() <= 2 * len(truth[2::3]) + 1


def test_fades_at_an_end_and_between():
    out, back = np.linspace(-1.5, -6.2, 14), np.linspace(-6.2, -1.5, 10)
    light = np.concatenate([np.full(20, -1.5), out, np.full(4, -6.2), back, np.full(20, -1.5), out])
    marked = find_faded(light, np.repeat([0, 1], [36, 46]))
    assert marked[24:44].all() and marked[-8:].all() and not marked[:18].any() and not marked[50:66].any()
    assert where(find_faded(np.repeat([-1.5, -6.2, -1.5], 20), np.repeat([0, 1, 2], 20))) == []  # cuts
    dim = np.concatenate([np.full(30, -1.0), np.linspace(-1.0, -3.5, 16)])
    assert where(find_faded(dim, np.zeros(46, int))) == []  # into a dark room, and not to black


def test_fog_at_the_ends_of_a_roll_and_at_a_splice():
    random = np.random.default_rng(3)
    density = 2.4 + random.normal(0, 0.02, 240)
    density[:10] -= np.linspace(1.9, 0.3, 10)
    density[-16:] -= np.linspace(0.3, 2.0, 16)
    density[112:120] -= np.linspace(0.3, 1.2, 8)  # the end of a roll, spliced to another stock
    density[120:] += 0.4
    marked = where(find_fogged(density, ends=[120], negative=False))
    assert set(marked) == {*range(10), *range(112, 120), *range(224, 240)}
    assert where(find_fogged(4.0 - density, ends=[120], negative=True)) == marked
    leader = np.r_[np.full(40, 0.05), 2.4 + random.normal(0, 0.02, 200)]
    assert where(find_fogged(leader, ends=(), negative=False)) == []  # it jumps: no fog
    assert where(find_fogged(np.full(50, np.nan), ends=(), negative=False)) == []


def test_marks_are_shown_along_the_strip_and_are_no_doubt():
    flags = np.zeros(12, np.int64)
    flags[:2] = FLAG_NAMED["bright_start"].mask
    flags[4] = FLAG_NAMED["weak_position"].mask
    flags[8:] |= FLAG_NAMED["fade"].mask | FLAG_NAMED["fog"].mask
    runs = flag_runs({"flags": flags})
    assert [(each["first"], each["name"], each["doubt"]) for each in runs] == [
        (0, "bright start", False), (4, "weak position", True), (8, "fade", False), (8, "fog", False)
    ]  # fmt: skip
    assert set(FRAME_MARKS) <= set(FLAG_NAMED)
