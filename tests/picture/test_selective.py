"""Correction by hue: neutrals stay, the window is smooth, Oklab is that of a public library."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from smallgauge.picture.selective import CONES, OPPONENTS, HueWindow, apply_hues


def oklab(light: np.ndarray) -> np.ndarray:
    return np.cbrt(light @ np.array(CONES).T) @ np.array(OPPONENTS).T


def of_hue(hue_deg: float, chroma: float = 0.12, lightness: float = 0.6) -> np.ndarray:
    lab = np.array([lightness, chroma * np.cos(np.radians(hue_deg)), chroma * np.sin(np.radians(hue_deg))])
    return (lab @ np.linalg.inv(np.array(OPPONENTS)).T) ** 3 @ np.linalg.inv(np.array(CONES)).T


def test_oklab_is_that_of_a_public_library():
    import colour

    light = np.random.default_rng(2).random((50, 3))
    to_xyz = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ
    theirs = colour.XYZ_to_Oklab(light @ to_xyz.T)
    assert np.abs(oklab(light) - theirs).max() < 2e-4  # its matrix has four to ten digits of another rounding


windows = st.builds(
    HueWindow,
    centre_deg=st.floats(0, 360),
    width_deg=st.floats(20, 180),
    turn_deg=st.floats(-45, 45),
    saturation=st.floats(0, 2),
    lightness=st.floats(0.5, 1.5),
)


@settings(max_examples=60)
@given(window=windows, grey=st.floats(0.0, 1.5))
def test_neutrals_never_move(window, grey):
    light = np.full((1, 3), grey)
    assert np.abs(apply_hues(light, (window,)) - light).max() < 1e-6


@settings(max_examples=40)
@given(window=windows)
def test_nothing_outside_the_window(window):
    away = of_hue(window.centre_deg + window.width_deg / 2 + 3.0)
    assert np.abs(apply_hues(away, (window,)) - away).max() < 1e-9


def test_what_is_asked_for_happens_in_the_middle():
    window = HueWindow(centre_deg=142.0, width_deg=60.0, turn_deg=10.0, saturation=1.2, lightness=0.9)
    before, after = oklab(of_hue(142.0)), oklab(apply_hues(of_hue(142.0), (window,)))
    strength = 0.12**2 / (0.12**2 + 0.04**2)
    turned = np.degrees(np.arctan2(after[2], after[1])) - 142.0
    assert 0.85 * 10.0 * strength < turned < 10.5
    assert np.hypot(*after[1:]) / np.hypot(*before[1:]) == pytest.approx(1 + 0.2 * strength, abs=0.02)
    assert after[0] / before[0] == pytest.approx(1 - 0.1 * strength, abs=1e-6)


def test_a_window_has_no_edge():
    window = HueWindow(centre_deg=100.0, width_deg=60.0, saturation=0.0)
    hues = np.arange(60.0, 141.0, 0.1)
    light = np.stack([of_hue(hue) for hue in hues])
    change = np.linalg.norm(apply_hues(light, (window,)) - light, axis=1)
    assert np.abs(np.diff(change)).max() < 0.02 * change.max()


def test_windows_have_no_order():
    one, two = HueWindow(centre_deg=20.0, turn_deg=20.0), HueWindow(centre_deg=50.0, saturation=1.5)
    light = np.random.default_rng(5).random((40, 3))
    assert np.allclose(apply_hues(light, (one, two)), apply_hues(light, (two, one)), atol=1e-12)
