"""`sound.parquet` and its plot: the same map with more knots, foreign stretches to the frame, begin and end."""

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.deliver.soundtable import sound_plots
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import table_of
from smallgauge.render.plan_sound import SOUND_RATE
from smallgauge.render.soundtable import sound_table
from smallgauge.sound.curves import hermite
from smallgauge.sound.cuts import CutsReading
from smallgauge.sound.speed import SoundMap

FRAMES, RATE = 180, Fraction(18)
LENGTH = FRAMES * SOUND_RATE // 18


def knots(*, backwards=False) -> SoundMap:
    """A wandering map with a knot every half second, from sound at 96 kHz; it begins a second before the film."""
    out = np.linspace(0.0, LENGTH, 21)
    t = out / SOUND_RATE
    place = 96000 * (1.0 + 0.9 * t + 0.02 * np.sin(t))
    slope = 2.0 * (0.9 + 0.02 * np.cos(t))
    if backwards:
        place, slope = 96000 * 12.0 - place, -slope
    return SoundMap(
        out_sample=out, in_sample=place, slope=slope, gain=np.linspace(1.0, 0.5, 21), out_samples=LENGTH
    )


def planned(the_map, *, second=None, error_s=None):
    return SimpleNamespace(rate=RATE), SimpleNamespace(map=the_map, second=second, error_s=error_s)


def heard(*stretches):
    return SimpleNamespace(cuts=CutsReading(recorded="before cutting", log_odds=-9.0, foreign=stretches))


CAPTURE = SimpleNamespace(digest="ab" * 32, sound=SimpleNamespace(rate=96000, samples=96000 * 9))


def test_foreign_stretches_are_told_to_the_frame_and_leave_the_map_as_it_is():
    table = sound_table(CAPTURE, *planned(knots()), heard((31, 49), (100, 118)))
    out, foreign = table["out_sample"], table["foreign_sound"]
    assert len(table) == 21 + 4 and (np.diff(out) > 0).all()
    frames = np.arange(FRAMES) * SOUND_RATE / 18
    told = foreign[np.searchsorted(out, frames, side="right") - 1]
    assert np.flatnonzero(told).tolist() == [*range(31, 49), *range(100, 118)]
    at = np.linspace(0, LENGTH, 5000)
    before = hermite(at, knots().out_sample, knots().in_sample, knots().slope)[0]
    after = hermite(at, out, table["in_sample"], table["slope"])[0]
    assert np.abs(before - after).max() < 1e-6  # samples
    assert np.allclose(table["gain"], np.interp(out, knots().out_sample, knots().gain))


def test_nothing_is_foreign_without_cuts_and_of_film_that_ran_tail_first():
    for the_map, track in ((knots(), None), (knots(), heard()), (knots(backwards=True), heard((31, 49)))):
        table = sound_table(CAPTURE, *planned(the_map), track)
        assert len(table) == 21 and not table["foreign_sound"].any()


def test_each_track_has_its_rows():
    second = replace(knots(), in_sample=knots().in_sample + 12.0, gain=-knots().gain)
    table = sound_table(CAPTURE, *planned(knots(), second=second, error_s=np.full(21, 0.01)), heard((31, 49)))
    assert table["track"].tolist() == [0] * 23 + [1] * 23
    assert (table["error_s"][:23] == 0.01).all() and np.isnan(table["error_s"][23:]).all()
    assert np.allclose(table["in_sample"][23:] - table["in_sample"][:23], 12.0)


@pytest.mark.parametrize("sound", [True, False])
def test_the_plot_shows_the_slope_and_where_sound_begins_and_ends(sound):
    table = sound_table(CAPTURE, *planned(knots()), heard((31, 49)))
    papers = SimpleNamespace(
        capture=CAPTURE,
        summary=SimpleNamespace(
            frames=FRAMES, rate=RATE, sound=SimpleNamespace(rate=SOUND_RATE) if sound else None
        ),
        sound_map=table,
        rendered=table_of(
            "render", RENDER_COLUMNS, [{"finished_frame": n, "scene": 0} for n in range(FRAMES)]
        ),
    )
    plots = sound_plots(papers)
    if not sound:
        assert plots == ()
        return
    # 9 s of captured sound, of which one lies before the film: it ends where 1 + 0.9 t + 0.02 sin t is 9, at 8.88 s.
    assert "begins at frame 0 and ends at frame 179" in plots[0].note
    assert "captured sound begins at frame 0 and ends at frame 159" in plots[0].note
    assert "Foreign sound behind splices: frames 31 to 49." in plots[0].note
    assert "finished frame" in plots[0].svg and "<polyline" in plots[0].svg
