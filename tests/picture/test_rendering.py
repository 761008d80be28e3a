"""The output rendering: light of the film relative to its own base, and a shoulder only near white."""

import numpy as np
import pytest

from smallgauge.picture.rendering import OutputRendering, apply_output, apply_shoulder


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
