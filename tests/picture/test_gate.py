"""The camera gate's rectangle, on drawn frames of known truth and on the specimens."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr
from specimen_frames import read_specimen

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import STANDARD_8, SUPER_8
from smallgauge.gauge.geometry import picture_offset_mm
from smallgauge.picture.gate import SIDES, GateFix, find_gate_sides, find_picture_area

NOMINAL = (-150.0, -110.0, 150.0, 110.0)
TRUE = (-147.4, -105.8, 151.9, 106.3)


def drawn_frame(*, seed, gate=TRUE, shift=(0.0, 0.0), tilt=0.0, negative=False, dark=False, noise=0.01):
    """A frame with its film reference: one picture, parts of its neighbours, and a dark or bright border."""
    random = np.random.default_rng(seed)
    reference = (200 + random.normal(0, 3), 160 + random.normal(0, 3))
    y, x = np.indices((320, 400)).astype(float)
    u = x - reference[0] - shift[0] - tilt * (y - reference[1])
    v = y - reference[1] - shift[1] + tilt * (x - reference[0])
    texture = gaussian_filter(random.normal(size=(320, 400)), 12)
    level = (0.004 if dark else 0.25) * np.exp(0.5 * texture / texture.std())
    cover = 0.0
    for step in (-233.0, 0.0, 233.0):  # the pitch: neighbours begin 21 px away
        across = ndtr((u - gate[0]) / 1.1) - ndtr((u - gate[2]) / 1.1)
        cover = cover + across * (ndtr((v - gate[1] - step) / 1.1) - ndtr((v - gate[3] - step) / 1.1))
    border = 0.6 if negative else 0.004
    picture = 0.3 * level if negative else level
    light = border + cover * (picture - border)
    light *= np.exp(random.normal(0, noise, light.shape))
    return light.astype(np.float32), reference


def sides_of(frame, reference, **options):
    chosen = {"border_light": 0.004, "blur_px": 1.1, "search_x_px": 12, "search_y_px": 8} | options
    fix = find_gate_sides(frame, reference=reference, nominal=NOMINAL, **chosen)
    return np.array([fix.left_px, fix.top_px, fix.right_px, fix.bottom_px]), fix


def test_sides_of_single_frames():
    errors = np.array([sides_of(*drawn_frame(seed=seed))[0] - TRUE for seed in range(12)])
    assert np.isfinite(errors).all()
    assert np.sqrt(np.mean(np.square(errors))) < 0.1


def test_tilted_film():
    errors = [sides_of(*drawn_frame(seed=s, tilt=0.01), tilt=0.01)[0] - TRUE for s in range(4)]
    assert np.nanmax(np.abs(errors)) < 1.6  # the sides' middles turn about the reference: 0.01 x 150 px
    assert np.isfinite(errors).all()


def test_negative_film_with_bright_border():
    errors = np.array(
        [
            sides_of(*drawn_frame(seed=s, negative=True), border="bright", border_light=0.6)[0] - TRUE
            for s in range(6)
        ]
    )
    assert np.isfinite(errors).all() and np.sqrt(np.mean(np.square(errors))) < 0.15


def test_dark_scenes_give_no_guess():
    """Of a subject as dark as the border hardly a side can be seen; what is seen is right."""
    sides = np.array([sides_of(*drawn_frame(seed=seed, dark=True, noise=0.2))[0] for seed in range(8)])
    assert np.isnan(sides).mean() > 0.75
    assert np.nanmax(np.abs(sides - TRUE)) < 1


def test_subject_edges_are_no_gate():
    """A straight post beside the border has a subject beyond it."""
    frame, reference = drawn_frame(seed=3)
    x = round(reference[0] + TRUE[0]) + 14
    frame[:, x : x + 3] *= 0.3
    assert sides_of(frame, reference)[0][0] == pytest.approx(TRUE[0], abs=0.2)


@pytest.mark.parametrize("stripe", [False, True])
def test_a_light_post_before_a_dark_hedge_is_no_gate(stripe):
    """Wider than the finder's near look, lighter by far than what is beside it, straight along the whole picture."""
    for seed in range(6):
        frame, reference = drawn_frame(seed=seed)
        x, edge = (round(reference[0] + TRUE[2]) + n for n in (-14, 0))
        top, bottom = (round(reference[1] + TRUE[n]) + 4 * sign for n, sign in ((1, 1), (3, -1)))
        frame[top:bottom, x + 5 : edge + 6] = 0.004 + 0.15 * (
            frame[top:bottom, x + 5 : edge + 6] - 0.004
        )  # the hedge
        frame[top:bottom, x : x + 5] = 0.5
        if stripe:
            frame[:, edge + 8 :] = 0.015  # light that goes round an opaque stripe
        right = sides_of(frame, reference, search_x_px=16)[0][2]
        assert np.isnan(right) or right == pytest.approx(TRUE[2], abs=0.6)


def test_area_of_a_camera_that_moves():
    random = np.random.default_rng(5)
    fixes, shifts = [], []
    for number in range(24):
        shift = ((-3.0, 4.0)[number % 2] + random.normal(0, 0.5), random.normal(0, 1.0))
        fixes.append(sides_of(*drawn_frame(seed=number, shift=shift, dark=number % 6 == 5))[1])
        if number % 6 != 5:
            shifts.append(shift)
    area = find_picture_area(fixes, nominal=NOMINAL)
    moved = np.mean(shifts, axis=0)
    expected = np.array(TRUE) + [moved[0], moved[1]] * 2
    found = np.array([area.left_px, area.top_px, area.right_px, area.bottom_px])
    assert area.measured == SIDES and area.nominal == () and area.frames == 24
    assert np.abs(found - expected).max() < 0.5  # target of the reference: 0.5 px
    assert area.spread_x_px > 1 and 0.4 < area.spread_y_px < 2


def test_sides_not_seen_are_nominal():
    fixes = [sides_of(0 * drawn_frame(seed=s)[0] + 0.004, (200.0, 160.0))[1] for s in range(4)]
    area = find_picture_area(fixes, nominal=NOMINAL)
    assert area.nominal == SIDES and (area.left_px, area.top_px, area.right_px, area.bottom_px) == NOMINAL
    assert math.isnan(area.sigma_left_px) and math.isnan(area.spread_x_px)


def test_side_out_of_view_follows_its_opposite():
    fixes = []
    for seed in range(5):
        frame, reference = drawn_frame(seed=seed)
        fixes.append(sides_of(np.ascontiguousarray(frame[:, : round(reference[0]) + 120]), reference)[1])
    area = find_picture_area(fixes, nominal=NOMINAL)
    assert area.measured == ("left", "top", "bottom")
    assert area.right_px - area.left_px == 300 and area.left_px == pytest.approx(TRUE[0], abs=0.2)


def test_no_reference_and_nonsense():
    frame, _ = drawn_frame(seed=1)
    assert np.isnan(sides_of(frame, (math.nan, 1.0))[0]).all()
    with pytest.raises(CallerError):
        find_picture_area([], nominal=NOMINAL)
    with pytest.raises(CallerError):
        find_gate_sides(
            frame,
            reference=(0, 0),
            nominal=(5, 0, 4, 1),
            search_x_px=1,
            search_y_px=1,
            border_light=0,
            blur_px=1,
        )


@pytest.mark.parametrize(
    ("name", "gauge", "micrometres"),
    [
        ("standard8-torn", STANDARD_8, 11),
        ("super8-faded", SUPER_8, 11),
        ("super8-striped-18fps", SUPER_8, 12),
    ],
)
def test_specimens(name, gauge, micrometres):
    """Within 1.2 px of the truth's mean aperture, from published images that are out by up to 12 px."""
    truth, frames = read_specimen(name)
    scale = 1000 / micrometres
    across, along = picture_offset_mm(gauge)
    width, height = gauge.camera_image_width_mm.value * scale, gauge.camera_image_height_mm.value * scale
    nominal = (across * scale - width / 2, -height / 2, across * scale + width / 2, height / 2)
    assert along in (0.0, gauge.pitch_long_mm.value / 2)  # the truth's reference is the picture's centre
    fixes = [
        find_gate_sides(
            light,
            reference=tuple(fact["film_reference"]),
            nominal=nominal,
            search_x_px=0.3 * scale,
            search_y_px=0.15 * scale,
            border_light=0.012,
            blur_px=0.8,
        )
        for fact, (light, _, _) in zip(truth["frames"], frames)
    ]
    corners = np.array([np.subtract(f["aperture_corners"], f["film_reference"]) for f in truth["frames"]])
    corners = np.mean(corners, axis=0)
    expected = (
        corners[[0, 3], 0].mean(),
        corners[[0, 1], 1].mean(),
        corners[[1, 2], 0].mean(),
        corners[[2, 3], 1].mean(),
    )
    area = find_picture_area(fixes, nominal=nominal)
    assert area.measured == SIDES
    found = area.left_px, area.top_px, area.right_px, area.bottom_px
    assert np.abs(np.subtract(found, expected)).max() < 1.2


def test_edges_of_subjects_far_from_the_gate_are_no_gate():
    """A scene's dark ground that ends above the gate shows an edge there on many frames: they are left out."""
    random = np.random.default_rng(5)
    nan = float("nan")
    blank = dict.fromkeys(("left_px", "right_px", "bottom_px", *(f"sigma_{side}_px" for side in SIDES)), nan)
    gate = [GateFix(top_px=-110.0 + place, **blank) for place in random.normal(0.0, 0.2, 12)]
    ground = [GateFix(top_px=-130.0 + place, **blank) for place in random.normal(0.0, 0.2, 9)]
    area = find_picture_area([*gate, *ground], nominal=NOMINAL)
    assert area.top_px == pytest.approx(-110.0, abs=0.3)
    assert area.measured == ("top",)


def test_where_no_place_has_half_of_what_was_seen_nothing_is_measured():
    nan = float("nan")
    blank = dict.fromkeys(("left_px", "right_px", "bottom_px", *(f"sigma_{side}_px" for side in SIDES)), nan)
    scattered = [
        GateFix(top_px=place, **blank) for place in (-140.0, -139.0, -125.0, -110.0, -96.0, -83.0, -82.0)
    ]
    area = find_picture_area(scattered, nominal=NOMINAL)
    assert area.measured == () and area.top_px == NOMINAL[1]
