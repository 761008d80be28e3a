"""The output rendering: light of the film relative to its own base, and a shoulder only near white."""

import numpy as np
import pytest

from smallgauge.picture.rendering import (
    USUAL_BASE,
    OutputRendering,
    apply_output,
    apply_shoulder,
    propose_rendering,
)


def test_light_stays_light_between_black_and_white():
    film = OutputRendering(white=(0.12, 0.15, 0.20), black=(2.9, 3.0, 3.1))
    share = np.linspace(0.0, 1.0, 11)
    white, black = 10.0 ** -np.array(film.white), 10.0 ** -np.array(film.black)
    light = black + share[:, None] * (white - black)
    assert np.abs(apply_output(-np.log10(light), film) - share[:, None]).max() < 1e-12


def test_shoulder_is_smooth_and_only_near_white():
    light = np.linspace(-0.2, 1.4, 16001)
    rolled = apply_shoulder(light, share=0.05)
    assert np.array_equal(rolled[light <= 0.95], light[light <= 0.95])
    slope = np.diff(rolled) / np.diff(light)
    assert (slope >= -1e-9).all() and (np.abs(np.diff(slope)) < 0.002).all()
    assert rolled.max() == 1.0
    assert apply_shoulder(np.array([1.0]), share=0.05)[0] == pytest.approx(0.9875)
    assert apply_shoulder(np.array([0.99, 1.2]), share=0.0).tolist() == [0.99, 1.0]


def test_no_highlight_is_lost_where_the_clear_base_was_never_seen_bare():
    """The clearest picture may hold more than base: white lies no denser than a usual base, its colour kept."""
    decision, why = propose_rendering(clear=(0.25, 0.27, 0.31), deepest=(3.0, 3.0, 3.1))
    assert decision.white == pytest.approx((USUAL_BASE, USUAL_BASE + 0.02, USUAL_BASE + 0.06))
    assert "usual base" in why
    assert propose_rendering(clear=(0.12, 0.13, 0.15), deepest=None)[0].white == (0.12, 0.13, 0.15)
    bare, _ = propose_rendering(clear=(0.25, 0.55, 0.80), deepest=None, exact=True)
    assert bare.white == (0.25, 0.55, 0.80)


def test_ends_that_can_not_be_are_not_known():
    decision, why = propose_rendering(clear=(0.15, 0.15, 0.15), deepest=(0.5, 3.0, 3.0))
    assert min(decision.black) == 6.0 and "not known" in why
    decision, _ = propose_rendering(clear=(float("nan"), 0.1, 0.1), deepest=(3.0, 3.0, 3.0))
    assert decision.white == (0.0, 0.0, 0.0) and decision.black == (3.0, 3.0, 3.0)
