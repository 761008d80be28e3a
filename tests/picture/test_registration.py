"""What is proposed to hold the film still, and what comes of a decision."""

from dataclasses import replace

import numpy as np
import pytest
from registration_series import draw_series, evidence_from

from smallgauge.errors import CallerError
from smallgauge.picture.registration import (
    RegistrationDecision,
    chained_perforation,
    frame_evidence,
    propose_registration,
    solve_registration,
)

BY_PERFORATION = RegistrationDecision(by="perforation")


def plain(*, frames=60, seed=0, **changes):
    """Evidence in which perforations alone were seen."""
    series = draw_series(seed=seed, frames=frames, gate_missing=1.0, wrong=0.0, increments=False)
    return replace(evidence_from(series), **changes)


def test_the_gate_is_proposed_where_it_is_seen():
    decision, why = propose_registration(evidence_from(draw_series(seed=1)))
    assert decision.by == "gate"
    assert "of 3000 frames" in why and "micrometres" in why


def test_perforations_are_proposed_where_no_gate_is_seen():
    decision, why = propose_registration(plain())
    assert decision.by == "perforation" and why == "perforations are measured in 60 of 60"


def test_sides_that_stray_are_not_proposed():
    """A dark scene's supposed sides that wander against each other more than against the perforation."""
    series = draw_series(seed=4, gate_missing=0.3)
    stray = series.gate_px + np.random.default_rng(1).normal(0, 8, series.gate_px.shape)
    evidence = evidence_from(replace(series, gate_px=stray))
    assert propose_registration(evidence)[0].by == "perforation"


def test_the_film_edge_and_the_picture_come_after():
    nothing = np.full((2, 60), np.nan)
    only_edge = plain(perforation_px=nothing, edge_px=np.stack([np.zeros(60), np.full(60, np.nan)]),
                      edge_sigma_px=np.full(60, 0.05))  # fmt: skip
    assert propose_registration(only_edge)[0].by == "film edge"
    only_picture = plain(perforation_px=nothing, shift_px=np.zeros((2, 60)), shift_sigma_px=np.full(60, 0.3))
    assert propose_registration(only_picture)[0].by == "picture"
    decision, why = propose_registration(plain(perforation_px=nothing))
    assert decision.by == "nothing" and "too few" in why


def test_a_decision_bars_what_comes_before_it():
    series = draw_series(seed=2, wrong=0.0, increments=False)
    evidence = evidence_from(series)
    places = solve_registration(evidence, decision=BY_PERFORATION)
    np.testing.assert_allclose(places.y_px, series.hole_px, atol=1e-9)
    assert set(places.y_from) == {"perforation"} and not places.filled.any()


def test_the_film_edge_holds_a_frame_without_perforation_across_only():
    evidence = plain(frames=40)
    across = np.random.default_rng(3).normal(0, 2, 40)
    holes = np.stack([across, evidence.perforation_px[1]])
    holes[:, 20] = np.nan
    edge = np.stack([across - 80.0, np.full(40, np.nan)])
    evidence = replace(evidence, perforation_px=holes, edge_px=edge, edge_sigma_px=np.full(40, 0.02))
    places = solve_registration(evidence, decision=BY_PERFORATION)
    assert places.x_from[20] == "film edge" and places.y_from[20] == "neighbours"
    assert places.x_px[20] == pytest.approx(across[20], abs=0.1)
    assert places.filled.tolist() == [n == 20 for n in range(40)]


def test_nothing_moves_nothing():
    evidence = plain()
    places = solve_registration(evidence, decision=RegistrationDecision(by="nothing"))
    assert len(set(places.x_px)) == len(set(places.y_px)) == 1
    assert places.filled.all() and set(places.x_from) == {"nothing"}
    empty = plain(perforation_px=np.full((2, 60), np.nan))
    places = solve_registration(empty, decision=RegistrationDecision(by="nothing"))
    assert (places.x_px == 0).all() and (places.y_px == 0).all()


def test_a_word_that_is_no_evidence_is_refused():
    with pytest.raises(CallerError, match="kind of evidence"):
        solve_registration(plain(), decision=RegistrationDecision(by="hope"))


@pytest.mark.parametrize("on_frame_line", [False, True])
@pytest.mark.parametrize("step", [-4, -1, 1, 3])
def test_a_perforation_out_of_view_is_placed_by_added_steps(step, on_frame_line):
    """To the truth: the film's place and that perforation's own punch error."""
    random = np.random.default_rng(8)
    punch = random.normal(0, 0.6, 120)
    film = random.normal(0, 3, 100)
    t = np.arange(100) + 10
    first = film + punch[t]  # of the perforation before the middle
    pitch = punch[t + 1] - punch[t]
    place = (first + film + punch[t + 1]) / 2 if on_frame_line else first
    evidence = plain(frames=100, perforation_px=np.stack([place, place]),
                     next_px=np.stack([pitch, 346.0 + pitch]), holes_on_frame_line=on_frame_line)  # fmt: skip
    chained = chained_perforation(evidence, step)
    known = np.isfinite(chained)
    assert known.sum() >= 100 - abs(step) - 8
    error = (chained - film - punch[t + step])[known]
    assert np.abs(error - np.median(error)).max() < 1e-9


def test_a_missing_film_frame_breaks_the_chain():
    evidence = plain(frames=20, film_position=np.r_[np.arange(10), np.arange(12, 22)].astype(np.int32))
    known = np.isfinite(chained_perforation(evidence, -2))
    assert not known[10:12].any() and known[13:].all() and known[2:10].all()


def test_columns_below_the_confidence_limit_are_no_evidence():
    count = 6
    nan = np.full(count, np.nan)
    columns = {
        "scene": np.zeros(count, np.int32),
        "film_position": np.arange(count, dtype=np.int32),
        "perforation_confidence": np.array([1.0, 0.19, np.nan, 0.2, 0.5, 0.9]),
        "perforation_x_px": np.arange(6.0),
        "perforation_y_px": np.arange(6.0),
        "perforation_sigma_px": np.full(count, 0.1),
        "next_perforation_x_px": nan,
        "next_perforation_y_px": nan,
        "film_edge_side": np.array(["left", "", "right", "left", "", "right"], object),
        "film_edge_x_px": np.arange(6.0),
        "film_edge_sigma_px": np.full(count, 0.1),
        "picture_shift_x_px": nan,
        "picture_shift_y_px": nan,
        "picture_shift_sigma_px": nan,
        **{f"gate_{s}{e}_px": nan for s in ("left", "top", "right", "bottom") for e in ("", "_sigma")},
    }
    options = {"area": (0.0, 0.0, 10.0, 8.0), "px_per_mm": 90.0, "holes_on_frame_line": False}
    evidence = frame_evidence(columns, perforations=True, **options)
    assert np.isfinite(evidence.perforation_px[0]).tolist() == [True, False, False, True, True, True]
    assert np.isfinite(evidence.edge_px).sum(axis=1).tolist() == [2, 2]
    assert np.isnan(frame_evidence(columns, perforations=False, **options).perforation_px).all()
