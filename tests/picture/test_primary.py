"""Printer points and the ASC CDL: against OpenColorIO's own processors, and the values of the reference."""

import numpy as np
import PyOpenColorIO as ocio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.picture.primary import (
    POINT_DENSITY,
    ColourDecisionList,
    PrinterPoints,
    apply_decision_list,
    apply_points,
)

GIVEN = ColourDecisionList(
    slope=(1.1, 0.9, 1.0), offset=(0.02, -0.03, 0.0), power=(1.2, 1.0, 0.8), saturation=0.7
)


def by_ocio(light: np.ndarray, decisions: ColourDecisionList, *, clamp: bool) -> np.ndarray:
    transform = ocio.CDLTransform(
        slope=decisions.slope, offset=decisions.offset, power=decisions.power, sat=decisions.saturation
    )
    transform.setStyle(ocio.CDL_ASC if clamp else ocio.CDL_NO_CLAMP)
    processor = ocio.Config.CreateRaw().getProcessor(transform)
    lossless = processor.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS)
    pixels = np.ascontiguousarray(light, np.float32)
    lossless.applyRGB(pixels)
    return pixels


@pytest.mark.parametrize(
    ("light", "clamp", "wanted"),
    [  # exact values: reference on picture science, section d
        ((0.5, 0.3, 0.8), True, (0.458675, 0.270102, 0.687660)),
        ((1.2, -0.1, 0.5), True, (0.776220, 0.076220, 0.478265)),
        ((1.2, -0.1, 0.5), False, (1.071854, -0.006690, 0.479355)),
    ],
)
def test_published_values(light, clamp, wanted):
    assert np.abs(apply_decision_list(np.array(light), GIVEN, clamp=clamp) - wanted).max() < 1e-6


threes = st.tuples(*[st.floats(0.2, 2.5)] * 3)


@settings(max_examples=60)
@given(
    slope=threes,
    offset=st.tuples(*[st.floats(-0.3, 0.3)] * 3),
    power=threes,
    saturation=st.floats(0.0, 2.0),
    clamp=st.booleans(),
)
def test_another_program_gives_the_same(slope, offset, power, saturation, clamp):
    decisions = ColourDecisionList(slope=slope, offset=offset, power=power, saturation=saturation)
    light = np.random.default_rng(3).uniform(-0.2, 1.3, (200, 3)).astype(np.float32)
    ours, theirs = (
        apply_decision_list(light, decisions, clamp=clamp),
        by_ocio(light, decisions, clamp=clamp),
    )
    # single precision there: an error of one part in 2^22 of the largest value
    assert (np.abs(ours - theirs) <= 1e-6 * np.maximum(1.0, np.abs(ours).max())).all()


def test_a_stop_is_twelve_points():
    lifted = apply_points(np.array([1.0, 1.0, 1.0]), PrinterPoints(red=-12.04, green=-12.04, blue=-12.04))
    assert 10.0**-lifted == pytest.approx(
        2 * 10.0 ** -np.ones(3), rel=1e-3
    )  # 12.04 points a stop: reference, d
    assert POINT_DENSITY == 0.025


def test_nothing_decided_changes_nothing():
    light = np.random.default_rng(1).uniform(-0.1, 1.2, (4, 5, 3))
    assert np.allclose(apply_decision_list(light, ColourDecisionList()), light, atol=1e-15)
    assert np.array_equal(apply_points(light, PrinterPoints()), light)
