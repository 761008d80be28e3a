"""Line-up figures of made-up and of specimen captures."""

import math

import numpy as np
import pytest
from specimen_frames import read_specimen

from smallgauge.errors import CallerError
from smallgauge.picture.exposure import measure_exposure
from smallgauge.picture.focus import measure_edge_blur, measure_sharpness
from smallgauge.picture.lineup import LIMITS, WORDS, measure_lineup
from smallgauge.sources import SOURCES

FRAMES = 20


def given(**changes):
    """A capture at which nothing is wrong, with changes."""
    ones = np.ones(FRAMES)
    return {
        "frame_size_px": (1440, 1080),
        "tilt": 0.001,
        "across_px_per_mm": 170.0,
        "along_px_per_mm": 170.0,
        "pitch_px": 720.0,
        "holes": np.tile([180.0, 540.0, 155.0, 194.0], (FRAMES, 1)),
        "reference": np.tile([180.0, 540.0], (FRAMES, 1)),
        "picture_area": (90.0, -350.0, 1050.0, 350.0),
        "blur_left_px": ones,
        "blur_right_px": 1.05 * ones,
        "sharpness_left": 0.003 * ones,
        "sharpness_right": 0.003 * ones,
        "light": 0.9 * ones,
        "light_evenness": 0.99 * ones,
        "perforation_full_scale": 0 * ones,
        "clipped_high": 0 * ones,
        "clipped_low": 0 * ones,
    } | changes


def test_all_good():
    line_up = measure_lineup(**given())
    assert line_up.word == "good" and line_up.frames == FRAMES
    assert [figure.name for figure in line_up.figures] == list(LIMITS)
    assert line_up.value("film tilt") == pytest.approx(0.0573, abs=1e-4)
    assert line_up.value("scale across") == pytest.approx(5.882, abs=1e-3)
    assert line_up.value("edge blur left") == pytest.approx(5.882, abs=1e-3)
    assert line_up.value("margin beside perforation") == 180 - 77.5 + 0.5
    assert line_up.value("margin beside picture") == 1439.5 - 1230
    assert line_up.value("margin along picture") == 189.5


@pytest.mark.parametrize(
    ("name", "change", "word"),
    [
        ("film tilt", {"tilt": -0.01}, "look"),
        ("film tilt", {"tilt": 0.03}, "bad"),
        ("scale across", {"across_px_per_mm": 90.9, "along_px_per_mm": 90.9}, "look"),
        ("scale ratio", {"across_px_per_mm": 180.0}, "bad"),
        ("edge blur ratio", {"blur_left_px": 1.3 * np.ones(FRAMES)}, "look"),
        ("edge blur ratio", {"blur_left_px": 2.0 * np.ones(FRAMES)}, "bad"),
        ("sharpness ratio", {"sharpness_right": 0.0005 * np.ones(FRAMES)}, "bad"),
        ("perforation light", {"light": np.full(FRAMES, np.nan)}, "look"),
        ("perforation light", {"light": np.full(FRAMES, 0.4)}, "bad"),
        ("perforation at full scale", {"perforation_full_scale": np.ones(FRAMES)}, "look"),
        ("light evenness", {"light_evenness": np.full(FRAMES, 0.85)}, "bad"),
        ("picture clipped high", {"clipped_high": np.full(FRAMES, 0.06)}, "bad"),
        ("picture clipped low", {"clipped_low": np.full(FRAMES, 0.02)}, "look"),
        ("height shown", {"pitch_px": 1000.0}, "bad"),
        ("margin beside picture", {"picture_area": (90.0, -350.0, 1270.0, 350.0)}, "bad"),
    ],
)
def test_words(name, change, word):
    line_up = measure_lineup(**given(**change))
    assert next(figure.word for figure in line_up.figures if figure.name == name) == word
    assert line_up.word == word


def test_perforation_cut_off_or_lost_in_some_frames():
    holes = np.tile([180.0, 540.0, 155.0, 194.0], (FRAMES, 1))
    holes[3, 1] = 1020.0
    holes[7] = np.nan
    line_up = measure_lineup(**given(holes=holes))
    assert line_up.value("perforation whole in view") == pytest.approx(18 / 20)
    assert line_up.value("margin along perforation") < 0
    assert line_up.word == "bad"


def test_nothing_measured_is_not_a_number_and_worth_a_look():
    nothing = np.full(FRAMES, np.nan)
    columns = {
        name: nothing for name, value in given().items() if isinstance(value, np.ndarray) and value.ndim == 1
    }
    line_up = measure_lineup(
        **given(
            **columns,
            holes=np.full((FRAMES, 4), np.nan),
            reference=np.full((FRAMES, 2), np.nan),
            tilt=math.nan,
            across_px_per_mm=math.nan,
            along_px_per_mm=math.nan,
            pitch_px=math.nan,
        )
    )
    unknown = [figure for figure in line_up.figures if math.isnan(figure.value)]
    assert len(unknown) == len(LIMITS) - 1 and {figure.word for figure in unknown} == {"look"}
    assert line_up.value("perforation whole in view") == 0


def test_columns_of_other_lengths_are_refused():
    with pytest.raises(CallerError, match="one length"):
        measure_lineup(**given(light=np.ones(3)))


def test_limits_are_in_order_and_have_a_source():
    for limit in LIMITS.values():
        assert limit.look[0] <= limit.good[0] <= limit.good[1] <= limit.look[1]
        assert limit.source in SOURCES and limit.meaning
        assert limit.word_for(math.nan) == "look" and limit.word_for(limit.good[0]) in WORDS


@pytest.mark.parametrize(("name", "micrometres"), [("super8-faded", 11), ("standard8-torn", 11)])
def test_specimens(name, micrometres):
    truth, frames = read_specimen(name, 8)
    width, height = truth["perforation_px"]
    columns = {key: [] for key in list(given())[8:]}
    holes, references = [], []
    for fact, (light, samples, bits) in zip(truth["frames"], frames):
        hole = (fact["perforations"][0]["x"], fact["perforations"][0]["y"], width, height)
        box = (*fact["aperture_corners"][0], *fact["aperture_corners"][2])
        exposure = measure_exposure(light, samples, bits=bits, holes=(hole,), picture=box)
        blur = measure_edge_blur(np.ascontiguousarray(light[..., 1]), hole=hole, corner_px=12)
        sharp = measure_sharpness(light, box=(box[0] + 8, box[1] + 8, box[2] - 8, box[3] - 8))
        for reading, prefix in ((exposure, ""), (blur, "perforation_"), (sharp, "")):
            for key in columns:
                if hasattr(reading, prefix + key):
                    columns[key].append(getattr(reading, prefix + key))
        holes.append(hole)
        references.append(fact["film_reference"])
    area = np.mean([np.subtract(f["aperture_corners"], f["film_reference"]) for f in truth["frames"]], axis=0)
    size = frames[0][0].shape
    line_up = measure_lineup(
        frame_size_px=(size[1], size[0]),
        tilt=-0.002,
        across_px_per_mm=1000 / micrometres,
        along_px_per_mm=1000 / micrometres,
        pitch_px=4.234 / 0.011 if name == "super8-faded" else 3.81 / 0.011,
        holes=holes,
        reference=references,
        picture_area=(*area[0], *area[2]),
        **columns,
    )
    words = {figure.name: figure.word for figure in line_up.figures}
    assert words["film tilt"] == "good" and words["scale across"] == "look"
    assert words["perforation at full scale"] == words["perforation light"] == "look"
    assert words["edge blur left"] == "good" and words["margin beside picture"] == "good"
    assert math.isfinite(line_up.value("sharpness ratio"))
