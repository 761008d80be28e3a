"""Film of every kind: without flicker it is left alone, with a little it is corrected."""

from dataclasses import replace

import numpy as np
import pytest
from flickered_scenes import evidence_from, readings_of

from smallgauge.picture.flicker import propose_flicker
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth
from smallgauge.picture.synthetic_scenes import SCENE_KINDS

KINDS = {
    "plain": {},
    "three stops under": {"exposure": 0.12},
    "two stops over": {"exposure": 4.0},
    "coarse grain": {"grain_density": 0.12},
    "dirty": {"dirt_per_frame": 25.0},
    "unsteady": {"camera_jitter_um": (25.0, 30.0), "dirt_per_frame": 8.0},
    "faded": {"dye_kept": (0.4, 0.9, 0.7)},
    "negative": {"film": "negative"},
}


def proposed(kind, *, exposure=1.0, **truth):
    """What is proposed for a drawn scene of 36 frames that begins with a camera's bright first frames."""
    scenes = (SceneTruth(kind=kind, first=0, stop=1000, exposure=exposure),)
    reel = specimen_truth(
        "super-8", width=288, height=216, frames=36, scenes=scenes, seed=5, flicker=0.01, **truth
    )
    frames, boxes, lamp, usual = [], [], [], None
    for n in range(reel.frames):
        drawn = draw_frame(reel, n)
        if usual is None:  # the picture area, from the film's own place, as the meter cuts it
            corners = np.array(drawn.gate_corners_px)
            wide, high = (round(0.96 * np.ptp(corners[:, k])) for k in (0, 1))
            usual = [
                centre - place - size / 2
                for centre, place, size in zip(
                    drawn.picture_centre_px, drawn.film_reference_px, (wide, high), strict=True
                )
            ]
        left, top = (round(place + off) for place, off in zip(drawn.film_reference_px, usual, strict=True))
        boxes.append((left, top, left + wide, top + high))
        frames.append(drawn.samples.astype(np.float32) / 65535)
        lamp.append([np.log(drawn.light_gain)] * 3)
    evidence = evidence_from(readings_of(frames, boxes, lamp=reel.open_gate_level), [0] * reel.frames)
    return propose_flicker(replace(evidence, lamp=np.array(lamp)), first=0, stop=reel.frames)


@pytest.mark.campaign
@pytest.mark.parametrize("kind", SCENE_KINDS)
@pytest.mark.parametrize("film", KINDS)
def test_film_without_flicker_is_left_alone(kind, film):
    decision, why = proposed(kind, **KINDS[film])
    assert not decision.on, why


@pytest.mark.campaign
@pytest.mark.parametrize("kind", SCENE_KINDS)
@pytest.mark.parametrize("film", ["plain", "coarse grain", "negative"])
def test_three_per_cent_are_found(kind, film):
    decision, why = proposed(kind, camera_flicker=0.03, **KINDS[film])
    assert decision.on, why
