"""The base of a negative on drawn frames: the border that the camera never exposed."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.base import base_of, measure_base
from smallgauge.picture.border import find_border_boxes
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.synthetic import draw_frame, frame_truth, specimen_truth

BASE = (0.20, 0.52, 0.80)  # as drawn
PRINT = "MERROWBY SAFETY FILM 7"
AREA = (0.60, 0.46)  # half the picture, in pitches, a little less than the camera's


@pytest.mark.parametrize(
    ("gauge", "edge_print"),
    [("super 8", ""), ("super 8", PRINT), ("standard 8", PRINT), ("16 mm, one row", PRINT)]
    + [pytest.param(gauge, "", marks=pytest.mark.campaign) for gauge in ("standard 8", "16 mm, one row")],
)
def test_the_base_is_read_within_a_hundredth(gauge, edge_print):
    truth = specimen_truth(
        gauge,
        width=384,
        height=288,
        frames=4,
        film="negative",
        edge_print=edge_print,
        dirt_per_frame=2.0,
        flicker=0.05,
    )
    drawn = [draw_frame(truth, n) for n in range(truth.frames)]
    light = [(one.samples / np.float32(65535)).astype(np.float32) for one in drawn]
    survey = find_gauge(
        light, gauges=GAUGES, stated=truth.gauge, micrometres_per_pixel=truth.micrometres_per_pixel
    ).survey
    read = []
    for n, each in enumerate(light):
        true = frame_truth(truth, n)
        x, y = true.film_reference_px
        (left, top), (right, _), (_, bottom), _ = true.gate_corners_px
        boxes = find_border_boxes(survey, picture=(left - x, top - y, right - x, bottom - y))
        lamp = truth.open_gate_level * true.light_gain
        one = measure_base(each, boxes=boxes, reference=(x, y), lamp=(lamp,) * 3)
        read.append((one.base_red, one.base_green, one.base_blue))
    density, sigma = base_of(np.array(read))
    np.testing.assert_allclose(density, BASE, atol=0.01)
    assert max(sigma) < 0.01


def test_what_is_no_base_is_none():
    nan = np.full((5, 3), np.nan)
    assert base_of(nan) is None
    assert base_of(np.full((2, 3), 0.2)) is None  # too few frames
    assert base_of(10.0 ** -np.linspace(0.1, 1.0, 9)[:, None] * np.ones(3)) is None  # they do not agree
    fogged = np.r_[np.full((8, 3), 0.3), np.full((2, 3), 0.01)]  # the roll's end saw light
    assert base_of(fogged)[0] == pytest.approx([-np.log10(0.3)] * 3)
    frame = np.full((60, 80, 3), 0.3, np.float32)
    assert np.isnan(measure_base(frame, boxes=(), reference=(40, 30)).base_red)
    assert np.isnan(measure_base(frame, boxes=[(-30, -20, 30, 20)], reference=(np.nan, 30)).base_red)
    with pytest.raises(CallerError):
        base_of(np.zeros((3, 2)))
