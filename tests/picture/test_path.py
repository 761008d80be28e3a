"""The frame's path on series of known truth: the reel of picture science, section a, and what must not matter."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from registration_series import PX_UM, FilmSeries, draw_series, evidence_from

from smallgauge.errors import CallerError
from smallgauge.picture.path import Evidence, fill_gaps, solve_path
from smallgauge.picture.registration import propose_registration, solve_registration
from smallgauge.picture.scatter import measure_scatter

ONE_SCENE = np.zeros(3000, np.int32)


def source(name, place, sigma, *, usual=0.1, spread=1.0):
    return Evidence(
        name=name,
        kind=name,
        place_px=place,
        sigma_px=np.full(place.size, sigma),
        usual_scatter_px=usual,
        bias_spread_px=spread,
    )


def along_error_um(series: FilmSeries):
    """Error along the film of the path proposed and solved without an operator, micrometres, and decision."""
    evidence = evidence_from(series)
    decision, _ = propose_registration(evidence)
    places = solve_registration(evidence, decision=decision)
    error = (places.y_px - series.picture_px) * PX_UM
    return error - np.median(error), places, decision


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.mark.parametrize(("punch_um", "most_um"), [(6.0, 6.0), (1.0, 4.5)])
@pytest.mark.parametrize("seed", range(5))
def test_whole_reel_with_missing_and_wrong_evidence(seed, punch_um, most_um):
    """40 % of gate edges missing, 3 % of perforations badly wrong, 2 % of increments wrong.

    Limits are those of the issue (picture science, section a: 1.0 and 5.4 micrometres in an own experiment).
    """
    series = draw_series(seed=seed, punch_um=punch_um)
    error, places, decision = along_error_um(series)
    gate = np.isfinite(series.gate_px).any(axis=0)
    by_hole = ~gate & (places.y_from == "perforation")
    assert decision.by == "gate"
    assert decision.perforation_step == (-2 if punch_um == 6.0 else decision.perforation_step)
    assert rms(error[gate]) <= 1.5
    assert rms(error[by_hole]) <= most_um
    assert by_hole.sum() > 0.95 * (~gate).sum()
    told = ~places.filled & ~places.doubtful
    assert np.abs(error / PX_UM / places.sigma_y_px)[told].max() < 6  # sigma is honest


def test_without_increments_a_lone_wrong_perforation_is_met_by_its_neighbours():
    """What lies within the scanner's own jitter nobody can tell; the rest of the wrong ones are left out."""
    series = draw_series(seed=7, increments=False)
    error, places, _ = along_error_um(series)
    lone = ~np.isfinite(series.gate_px).any(axis=0) & series.wrong
    assert lone.sum() > 20
    assert (places.y_from[lone] == "neighbours").mean() > 0.8
    assert rms(error[np.isfinite(series.gate_px).any(axis=0)]) <= 1.5


def test_the_claw_s_perforation_is_found_and_used():
    """Registering on the perforation in view leaves the punch's scatter; on the claw's, the claw's own."""
    series = draw_series(seed=1, wrong=0.0, gate_missing=0.7)
    evidence = evidence_from(series)
    decision, why = propose_registration(evidence)
    assert decision.perforation_step == -2 and "2 before" in why
    blind = ~np.isfinite(series.gate_px).any(axis=0)
    errors = {}
    for step in (0, -2):
        places = solve_registration(evidence, decision=type(decision)(by="gate", perforation_step=step))
        error = (places.y_px - series.picture_px) * PX_UM
        errors[step] = rms((error - np.median(error))[blind])
    assert errors[-2] < 0.65 * errors[0]


def test_a_film_without_the_claw_s_pattern_keeps_the_perforation_in_view():
    series = draw_series(seed=2, punch_um=0.5, claw_um=8.0)
    assert propose_registration(evidence_from(series))[0].perforation_step == 0


@pytest.mark.parametrize("measured", ["gate", "perforation"])
def test_an_intended_pan_is_kept(measured):
    """The picture's own movement is no evidence where anything else is: the path is the film's to 0.1 px."""
    pan = np.concatenate([np.zeros(300), np.cumsum(np.linspace(0, 4, 200)), np.full(500, 410.0)])
    series = draw_series(seed=3, frames=1000, wrong=0.0, gate_missing=0.4 if measured == "gate" else 1.0)
    moved = np.diff(pan, prepend=0.0)
    still = evidence_from(series)
    panned = evidence_from(series, extra_shift_px=moved)
    decision, _ = propose_registration(still)
    assert decision.by == measured
    one = solve_registration(still, decision=decision).y_px
    other = solve_registration(panned, decision=decision).y_px
    assert np.abs(other - one).max() <= 0.1


def test_a_gap_in_a_pan_does_not_carry_the_pan_into_the_path():
    """Between two measured frames a steady movement of the subject cancels."""
    random = np.random.default_rng(5)
    x = random.normal(0, 3, 200)
    place = x.copy()
    place[90:93] = np.nan
    step = np.diff(x, prepend=x[0]) + 2.5  # the camera pans 2.5 px a frame
    path = solve_path(
        [source("gate", place, 0.05)],
        np.zeros(200, np.int32),
        step_px=step,
        step_sigma_px=np.full(200, 0.5),
    )
    assert np.abs(path.place_px - x)[90:93].max() < 0.6
    np.testing.assert_allclose(np.delete(path.place_px, [90, 91, 92]), np.delete(x, [90, 91, 92]), atol=1e-6)
    assert (path.best[90:93] == -1).all() and path.sigma_px[90:93].min() > 0.1


def test_measured_places_are_used_as_they_were_measured():
    random = np.random.default_rng(1)
    x = random.normal(100, 3, 50)
    path = solve_path([source("perforation", x, 0.05)], np.zeros(50, np.int32))
    np.testing.assert_allclose(path.place_px, x, atol=1e-9)


def test_two_sides_of_three_outvote_the_third():
    x = np.random.default_rng(2).normal(0, 3, 120)
    left, right, hole = x + 5.0, x - 2.0, x + 0.3 * np.sin(np.arange(120))
    left[40] += 9.0
    path = solve_path(
        [source("left", left, 0.1), source("right", right, 0.1), source("hole", hole, 0.1, usual=0.8)],
        np.zeros(120, np.int32),
    )
    error = path.place_px - x
    assert np.abs(error - np.median(error))[40] < 0.3


def test_biases_differ_from_scene_to_scene():
    """A camera that was put down between two scenes holds its film elsewhere; each scene finds its own bias."""
    random = np.random.default_rng(3)
    scene = np.repeat([0, 1], 60).astype(np.int32)
    x = random.normal(0, 3, 120)
    gate = x + np.where(scene == 0, 10.0, 14.5) + random.normal(0, 0.05, 120)
    gate[random.random(120) < 0.5] = np.nan
    hole = x + random.normal(0, 0.6, 120)
    path = solve_path([source("gate", gate, 0.05), source("hole", hole, 0.05, usual=0.8, spread=5.0)], scene)
    for number, bias in ((0, -10.0), (1, -14.5)):
        found = path.bias_px[1, scene == number][0] - path.bias_px[0, scene == number][0]
        assert found == pytest.approx(bias, abs=0.35)
        here = np.isfinite(gate) & (scene == number)
        error = (path.place_px - x)[here]
        assert np.std(error) < 0.1


def test_evidence_that_contradicts_itself_is_doubtful():
    x = np.random.default_rng(4).normal(0, 2, 80)
    gate, hole = x.copy(), x.copy()
    gate[30] += 5.0
    path = solve_path(
        [source("gate", gate, 0.1), source("hole", hole, 0.1)],
        np.zeros(80, np.int32),
    )
    assert path.doubtful[30] and path.sigma_px[30] > 2.0
    assert path.doubtful.sum() == 1


def test_scatter_of_each_kind_is_told_from_pairs():
    random = np.random.default_rng(6)
    x = random.normal(0, 4, 2000)
    z = np.stack([x + random.normal(0, sd, 2000) for sd in (0.1, 0.25, 0.8)])
    found = measure_scatter(z, np.full(z.shape, 1e-3), [slice(0, 900), slice(900, 2000)], np.full(3, 0.5))
    np.testing.assert_allclose(found, (0.1, 0.25, 0.8), atol=0.05)


@given(st.integers(0, 2**31), st.integers(1, 4))
def test_a_scene_does_not_depend_on_scenes_after_it_but_for_scatter_and_usual_bias(seed, scenes):
    """Only what the docstring says is carried: with one kind of evidence that is nothing at all."""
    random = np.random.default_rng(seed)
    lengths = random.integers(3, 40, scenes)
    scene = np.repeat(np.arange(scenes), lengths).astype(np.int32)
    z = random.normal(0, 3, scene.size)
    z[random.random(scene.size) < 0.2] = np.nan
    z[:2] = 0.5
    whole = solve_path([source("hole", z, 0.05)], scene)
    first = scene == 0
    alone = solve_path([source("hole", z[first], 0.05)], scene[first])
    np.testing.assert_allclose(whole.place_px[first], alone.place_px, atol=1e-9)


@given(st.integers(0, 2**31), st.floats(-1e4, 1e4))
def test_where_the_zero_lies_does_not_matter(seed, offset):
    random = np.random.default_rng(seed)
    x = random.normal(0, 3, 60)
    gate = x + random.normal(0, 0.1, 60)
    gate[random.random(60) < 0.4] = np.nan
    hole = x + random.normal(0, 0.8, 60)
    here, there = (
        solve_path(
            [source("gate", gate + d, 0.05), source("hole", hole + d, 0.05, usual=0.8)], ONE_SCENE[:60]
        )
        for d in (0.0, offset)
    )
    np.testing.assert_allclose(there.place_px - offset, here.place_px, atol=1e-6)


def test_a_gap_follows_a_drift():
    drift = 100 + 0.3 * np.arange(60)
    good = np.ones(60, bool)
    good[20:24] = False
    np.testing.assert_allclose(fill_gaps(drift, good, 10), drift, atol=1e-9)


def test_one_wrong_neighbour_does_not_pull_a_gap_along():
    x = np.full(41, 50.0)
    x[18] = 90.0
    good = np.ones(41, bool)
    good[20] = False
    assert abs(fill_gaps(x, good, 10)[20] - 50.0) < 0.5


def test_a_gap_at_the_end_takes_the_level_of_its_neighbours():
    x = 100 + 0.5 * np.arange(30)
    good = np.arange(30) < 25
    filled = fill_gaps(x, good, 10)
    assert np.all(np.abs(filled[25:] - x[20]) < 6)


def test_a_scene_without_evidence_lies_at_the_reel_s_median():
    z = np.array([1.0, 2.0, 3.0, np.nan, np.nan])
    path = solve_path([source("hole", z, 0.1)], np.array([0, 0, 0, 1, 1], np.int32))
    assert path.place_px[3:].tolist() == [2.0, 2.0] and (path.best[3:] == -2).all()


def test_nonsense_is_refused():
    with pytest.raises(CallerError, match="at least one"):
        solve_path([], ONE_SCENE)
    with pytest.raises(CallerError, match="3000 frames"):
        solve_path([source("hole", np.zeros(5), 0.1)], ONE_SCENE)
