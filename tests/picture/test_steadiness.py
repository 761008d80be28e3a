"""Steadiness before and after against the truth of drawn series: evidence that steered is never its own witness."""

from dataclasses import replace

import numpy as np
import pytest
from registration_series import AREA, PX_UM, draw_series, evidence_from

from smallgauge.errors import CallerError
from smallgauge.gauge.geometry import FilmScale
from smallgauge.picture.registration import RegistrationDecision, propose_registration, solve_registration
from smallgauge.picture.steadiness import solve_steadiness

SCALE = FilmScale(across_px_per_mm=1000 / PX_UM, along_px_per_mm=1000 / PX_UM)
PICTURE_PX = (AREA[2] - AREA[0], AREA[3] - AREA[1])


def steadiness(evidence, decision):
    places = solve_registration(evidence, decision=decision)
    across, along = solve_steadiness(evidence, places, decision=decision, scale=SCALE, picture_px=PICTURE_PX)
    return places, across, along


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def jump(values):
    """The definition, written out: distance from the middle of both neighbours, white jitter keeping its size."""
    return rms(values[1:-1] - (values[:-2] + values[2:]) / 2) / np.sqrt(1.5)


def test_gate_tells_what_perforations_leave():
    """Truth: the picture against the place that the perforation gave it."""
    series = draw_series(seed=1, gate_missing=0.0, wrong=0.0, increments=False)
    places, _, along = steadiness(evidence_from(series), RegistrationDecision(by="perforation"))
    left = (series.picture_px - places.y_px) * PX_UM
    before = series.picture_px * PX_UM
    figure = along.figure
    assert figure.evidence == "gate" and figure.frames == figure.of == 3000
    # two sides of 1.4 micrometres each are read: 1 in the mean, which is in the figures
    assert figure.after_um == pytest.approx(np.hypot(rms(left - np.median(left)), 1.0), rel=0.03)
    assert figure.before_um == pytest.approx(rms(before - np.median(before)), rel=0.01)
    assert figure.before_jump_um == pytest.approx(jump(before), rel=0.01)
    assert figure.after_jump_um == pytest.approx(np.hypot(jump(left), 1.0), rel=0.03)
    height_um = PICTURE_PX[1] * PX_UM
    assert figure.after_share == pytest.approx(figure.after_jump_um / height_um)


def test_a_gate_that_steered_is_judged_by_a_side_left_out():
    """Never better than the truth, and at most what two sides' scatter adds to it."""
    series = draw_series(seed=2, gate_missing=0.2, wrong=0.0, increments=False)
    places, _, along = steadiness(evidence_from(series), RegistrationDecision(by="gate"))
    seen = np.isfinite(series.gate_px[0])
    left = ((series.picture_px - places.y_px) * PX_UM)[seen]
    true = rms(left - np.median(left))
    figure = along.figure
    assert figure.evidence == "gate side left out" and figure.frames == seen.sum()
    assert true <= figure.after_um <= 2.2 * true
    assert figure.after_um == pytest.approx(np.sqrt(2) * 1.4, rel=0.1)  # two sides of 1.4 micrometres
    assert figure.before_um > 15 * figure.after_um


def test_slow_weave_is_movement_and_no_jump():
    series = draw_series(seed=3, gate_missing=0.0, wrong=0.0, increments=False)
    slow = 300 * np.sin(np.arange(3000) / 40) / PX_UM
    evidence = evidence_from(series)
    swaying = replace(evidence, gate_px=evidence.gate_px + slow)
    decision = RegistrationDecision(by="perforation")
    places = solve_registration(evidence, decision=decision)
    still, sways = (
        solve_steadiness(each, places, decision=decision, scale=SCALE, picture_px=PICTURE_PX)[1].figure
        for each in (evidence, swaying)
    )
    assert sways.after_um > 10 * still.after_um
    assert sways.after_jump_um == pytest.approx(still.after_jump_um, rel=0.01)


def test_contradictions_are_counted_and_kept_out():
    series = draw_series(seed=4, gate_missing=0.0, wrong=0.0, increments=False)
    evidence = evidence_from(series)
    wrong = evidence.gate_px.copy()
    wrong[:, 100:2900:100] += 40.0
    decision = RegistrationDecision(by="perforation")
    _, _, one = steadiness(evidence, decision)
    _, _, other = steadiness(replace(evidence, gate_px=wrong), decision)
    assert other.figure.standing_out == one.figure.standing_out + 28
    assert other.figure.after_um == pytest.approx(one.figure.after_um, rel=0.02)
    assert other.figure.after_jump_um == pytest.approx(one.figure.after_jump_um, rel=0.02)


def test_nothing_moved_leaves_everything():
    series = draw_series(seed=5, gate_missing=0.0, wrong=0.0, increments=False)
    _, _, along = steadiness(evidence_from(series), RegistrationDecision(by="nothing"))
    assert along.figure.evidence == "gate"
    assert along.figure.after_um == pytest.approx(along.figure.before_um)
    np.testing.assert_allclose(along.after_um, along.before_um)


def test_a_step_between_scenes_is_no_movement():
    series = draw_series(seed=6, frames=600, gate_missing=0.0, wrong=0.0, increments=False)
    scene = np.repeat([0, 1], 300).astype(np.int32)
    evidence = evidence_from(series, scene=scene)
    other = replace(evidence, gate_px=evidence.gate_px + np.where(scene, 30.0, 0.0))
    decision = RegistrationDecision(by="perforation")
    one, two = (steadiness(each, decision)[2].figure for each in (evidence, other))
    assert two.after_um == pytest.approx(one.after_um, rel=1e-6)
    assert two.after_jump_um == pytest.approx(one.after_jump_um, rel=1e-6)


@pytest.mark.parametrize("by", ["gate", "perforation"])
def test_what_nothing_else_shows_is_not_told(by):
    """No gate in view: perforations are no witness of their own steadiness; one gate side alone has none either."""
    series = draw_series(seed=7, frames=300, increments=False)
    evidence = evidence_from(series)
    gate = np.full_like(evidence.gate_px, np.nan)
    if by == "gate":
        gate[1] = evidence.gate_px[1]
    _, _, along = steadiness(replace(evidence, gate_px=gate), RegistrationDecision(by=by))
    assert along.figure.evidence == "nothing" and along.figure.frames == 0
    assert np.isnan(along.figure.after_um) and np.isnan(along.after_um).all()


def test_the_proposal_holds_a_reel_better_than_the_perforation_in_view():
    """The figure ranks decisions as the truth does: gate, the claw's perforation, the perforation in view."""
    series = draw_series(seed=8, gate_missing=0.0, wrong=0.0)
    evidence = evidence_from(series)
    decision, _ = propose_registration(evidence)
    figures = [
        steadiness(evidence, each)[2].figure.after_um
        for each in (
            decision,
            RegistrationDecision(by="perforation", perforation_step=decision.perforation_step),
            RegistrationDecision(by="perforation"),
        )
    ]
    assert decision.by == "gate"
    assert figures[0] < 0.6 * figures[1] < 0.6 * figures[2]


def test_a_picture_without_size_is_refused():
    series = draw_series(seed=9, frames=60)
    evidence, by = evidence_from(series), RegistrationDecision(by="perforation")
    places = solve_registration(evidence, decision=by)
    with pytest.raises(CallerError, match="size of the picture"):
        solve_steadiness(evidence, places, decision=by, scale=SCALE, picture_px=(0, 300))
