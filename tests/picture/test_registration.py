"""Registration and framing against places that are known."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.registration import (
    FramingDecision,
    Places,
    RegistrationDecision,
    propose_framing,
    propose_registration,
    solve_framing,
    solve_registration,
)

BY_PERFORATION = RegistrationDecision(by="perforation")


def test_measured_places_are_used_as_they_were_measured():
    rng = np.random.default_rng(1)
    x, y = rng.normal(100, 3, 50), rng.normal(200, 3, 50)
    places = solve_registration(x, y, np.ones(50), decision=BY_PERFORATION)
    np.testing.assert_array_equal(places.x_px, x)
    np.testing.assert_array_equal(places.y_px, y)
    assert not places.filled.any()


def test_a_gap_follows_a_drift_and_is_marked():
    drift = 100 + 0.3 * np.arange(60)
    x = drift.copy()
    x[20:24] = np.nan
    places = solve_registration(x, x, np.ones(60), decision=BY_PERFORATION)
    np.testing.assert_allclose(places.x_px, drift, atol=1e-9)
    assert places.filled.sum() == 4


def test_one_wrong_neighbour_does_not_pull_a_gap_along():
    x = np.full(41, 50.0)
    x[20] = np.nan
    x[18] = 90.0
    places = solve_registration(x, x, np.ones(41), decision=BY_PERFORATION)
    assert abs(places.x_px[20] - 50.0) < 0.5


def test_a_gap_at_the_end_takes_the_level_of_its_neighbours():
    x = 100 + 0.5 * np.arange(30)
    x[25:] = np.nan
    places = solve_registration(x, x, np.ones(30), decision=BY_PERFORATION)
    assert np.isfinite(places.x_px).all()
    assert np.all(np.abs(places.x_px[25:] - x[20]) < 6)


def test_confidence_below_a_fifth_is_no_measurement():
    x = np.array([10.0, 500.0, 10.0, 10.0, 10.0])
    confidence = np.array([1.0, 0.19, 1.0, 1.0, 1.0])
    places = solve_registration(x, x, confidence, decision=BY_PERFORATION)
    assert places.filled[1] and abs(places.x_px[1] - 10.0) < 1e-9


def test_nothing_measured_moves_nothing():
    nan = np.full(4, np.nan)
    places = solve_registration(nan, nan, nan, decision=BY_PERFORATION)
    assert (places.x_px == 0).all() and places.filled.all()


def test_series_of_different_length_are_refused():
    with pytest.raises(CallerError, match="one length"):
        solve_registration(np.zeros(3), np.zeros(4), np.zeros(3), decision=BY_PERFORATION)


def test_too_few_places_are_not_proposed_to_hold_the_film():
    decision, why = propose_registration(position_from="picture", confidence=np.r_[1.0, np.full(9, np.nan)])
    assert decision.by == "nothing" and "too few" in why


@pytest.mark.parametrize("turn", [0.0, 0.01, -0.02])
def test_the_film_reference_lands_where_framing_says(turn):
    decision = FramingDecision(left_px=-30.0, top_px=-20.0, width=60, height=40, turn_rad=turn)
    places = Places(x_px=np.array([123.4]), y_px=np.array([77.7]), filled=np.array([False]))
    move = solve_framing(places, decision=decision)[0]
    # The film reference lies 30 px right and 20 px down from the finished picture's outer corner (-0.5, -0.5).
    x, y = 29.5, 19.5
    assert move.a * x + move.b * y + move.c == pytest.approx(123.4, abs=1e-9)
    assert move.d * x + move.e * y + move.f == pytest.approx(77.7, abs=1e-9)
    assert move.a * move.e - move.b * move.d == pytest.approx(1.0, abs=1e-12)


def test_framing_keeps_inside_the_measured_picture_and_is_even():
    decision, _ = propose_framing(left_px=40.3, right_px=541.2, top_px=-190.7, bottom_px=189.1, tilt_rad=0.0)
    assert decision.width % 2 == 0 and decision.height % 2 == 0
    assert decision.left_px >= 40.3 and decision.left_px + decision.width <= 541.2
    assert decision.top_px >= -190.7 and decision.top_px + decision.height <= 189.1


def test_only_a_visible_tilt_is_levelled():
    small, _ = propose_framing(left_px=0, right_px=500, top_px=0, bottom_px=380, tilt_rad=0.002)
    large, _ = propose_framing(left_px=0, right_px=500, top_px=0, bottom_px=380, tilt_rad=0.01)
    assert small.turn_rad == 0.0 and large.turn_rad == 0.01
