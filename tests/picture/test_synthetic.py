"""Drawn reels against arithmetic and published dimensions, measured without any of the project's finders."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.synthetic import (
    PerforationDamage,
    ReelTruth,
    SceneTruth,
    draw_frame,
    film_frame_of,
    film_position_at,
    frame_times_s,
    frame_truth,
    specimen_truth,
    time_at_position_s,
)
from smallgauge.picture.synthetic_scenes import SCENE_KINDS
from smallgauge.picture.synthetic_shapes import draw_shifted

GAUGES = ("standard 8", "super 8", "16 mm", "16 mm two rows", "9.5 mm", "unslit double 8")
CLEAN = {"grain_density": 0.0, "shot_noise": 0.0, "read_noise": 0.0, "flicker": 0.0}


def light_of(truth, drawn):
    """Linear light of an unclipped linear capture, 1 = open gate."""
    return drawn.samples.astype(np.float64) / ((1 << truth.bits) - 1) / truth.open_gate_level


def hole_window(true, hole, margin=9):
    half = true.hole_size_px[0] / 2 + margin, true.hole_size_px[1] / 2 + margin
    return (
        slice(round(hole.y_px - half[1]), round(hole.y_px + half[1]) + 1),
        slice(round(hole.x_px - half[0]), round(hole.x_px + half[0]) + 1),
    )


def opening_of(truth, drawn, hole):
    """Share of open gate in a window round a hole: light above the unexposed border's."""
    window = hole_window(drawn, hole)
    part = light_of(truth, drawn)[(*window, 1)]
    border = np.median(part[part < 0.1])
    return window, (part - border) / (1 - border)


@pytest.mark.parametrize("gauge", ["standard 8", "super 8", "16 mm", "16 mm two rows"])
def test_the_centre_of_mass_of_a_hole_is_its_true_centre(gauge):
    # No picture: only border and hole lie in the window, so the centre of mass needs no fit and no model.
    truth = specimen_truth(gauge, width=640, height=480, scenes=(), tilt_deg=0.4, **CLEAN)
    errors = []
    for number in range(6):
        drawn = draw_frame(truth, number)
        for hole in drawn.perforations:
            if not hole.whole_in_view:
                continue
            window, share = opening_of(truth, drawn, hole)
            y, x = np.mgrid[window]
            errors += [
                (share * x).sum() / share.sum() - hole.x_px,
                (share * y).sum() / share.sum() - hole.y_px,
            ]
    assert len(errors) >= 12
    assert np.abs(errors).max() < 0.01


def test_hole_and_pitch_have_the_published_size():
    # SMPTE ST 149-2004, table 1 (8 mm Type S 1R): hole 0.914 x 1.143 mm, corner radius 0.13, pitch 4.234 mm,
    # hole 0.51 mm from the edge. Area of a rounded rectangle: w h - (4 - pi) r^2.
    truth = specimen_truth(
        "super 8",
        width=900,
        height=1400,
        micrometres_per_pixel=10.0,
        scenes=(),
        shrinkage=0.0,
        tilt_deg=0.0,
        punching_um=0.0,
        weave_um=(0.0, 0.0),
        drift_um=(0.0, 0.0),
        **CLEAN,
    )
    drawn = draw_frame(truth, 3)
    whole = [hole for hole in drawn.perforations if hole.whole_in_view]
    assert len(whole) == 3
    _, share = opening_of(truth, drawn, whole[1])
    assert share.sum() * 0.01**2 == pytest.approx(0.914 * 1.143 - (4 - np.pi) * 0.13**2, rel=1e-3)
    rows = share[share.shape[0] // 2]
    assert rows.sum() * 0.01 == pytest.approx(0.914, abs=0.001)
    assert share[:, share.shape[1] // 2].sum() * 0.01 == pytest.approx(1.143, abs=0.001)
    assert (whole[1].y_px - whole[0].y_px) * 0.01 == pytest.approx(4.234, abs=0.001)
    line = light_of(truth, drawn)[round(whole[1].y_px) + 120, : round(whole[1].x_px), 1]
    border = line[-20:].mean()
    edge_px = ((line - border) / (1 - border)).sum() - 0.5
    assert (whole[1].x_px - edge_px) * 0.01 == pytest.approx(0.51 + 0.914 / 2, abs=0.003)


def test_width_of_the_film_and_shrinkage():
    # SMPTE ST 149-2004: film width 7.976 mm.
    for shrinkage in (0.0, 0.012):
        truth = specimen_truth("super 8", scenes=(), shrinkage=shrinkage, tilt_deg=0.0, **CLEAN)
        light = light_of(truth, draw_frame(truth, 0))
        line = light[60, :, 1]  # above the hole
        dark = 1 - (line - line.min()) / (1 - line.min())
        assert dark.sum() * truth.micrometres_per_pixel / 1000 == pytest.approx(
            7.976 * (1 - shrinkage), abs=0.002
        )


def test_any_frame_alone_is_the_same_and_chance_is_independent():
    truth = specimen_truth("standard 8", width=256, height=192, dirt_per_frame=3.0)
    straight = [draw_frame(truth, number).samples for number in range(4)]
    assert np.array_equal(draw_frame(truth, 2).samples, straight[2])
    assert not np.array_equal(straight[1], straight[2])
    quiet = replace(truth, **CLEAN, dirt_per_frame=0.0)
    noisy, still = frame_truth(truth, 2), frame_truth(quiet, 2)
    assert noisy.perforations == still.perforations and noisy.gate_corners_px == still.gate_corners_px
    other = frame_truth(replace(truth, seed=2), 2)
    assert other.film_reference_px != noisy.film_reference_px


@pytest.mark.parametrize("gauge", GAUGES)
@pytest.mark.parametrize("film", ["reversal", "negative"])
def test_every_gauge_draws_within_its_code_values(gauge, film):
    truth = specimen_truth(gauge, width=320, height=240, film=film, bits=12)
    drawn = draw_frame(truth, 5)
    assert drawn.samples.dtype == np.uint16 and drawn.samples.shape == (240, 320, 3)
    assert drawn.samples.max() < 4096
    at = drawn.picture_centre_px
    assert abs(at[0] - 160) < 70 and abs(at[1] - 120) < 30
    border = np.percentile(drawn.samples, 2) / 4095 / 0.92
    assert border < 0.01 if film == "reversal" else border > 0.001
    holes = {hole.film_perforation - drawn.film_frame for hole in drawn.perforations if hole.whole_in_view}
    assert holes >= ({0} if gauge == "super 8" else {0, 1})


@pytest.mark.parametrize("kind", SCENE_KINDS)
def test_a_scene_moves_by_what_the_truth_says(kind):
    # One film frame scanned at two places: moved by whole pixels it must be the same picture.
    base = specimen_truth(
        "super 8",
        width=420,
        height=320,
        scenes=(SceneTruth(kind=kind, first=0, stop=99),),
        weave_um=(0.0, 0.0),
        **CLEAN,
    )
    first = draw_frame(replace(base, drift_um=(0.0, 0.0)), 4)
    moved = draw_frame(replace(base, drift_um=(90.0, 140.0)), 4)
    shift = np.subtract(moved.picture_centre_px, first.picture_centre_px)
    assert np.abs(shift).max() > 1
    assert np.allclose(np.subtract(moved.film_reference_px, first.film_reference_px), shift, atol=1e-9)
    f = np.fft.fft2(light_of(base, first)[..., 1] * _fade(first, 320, 420))
    g = np.fft.fft2(light_of(base, moved)[..., 1] * _fade(moved, 320, 420))
    v, u = np.meshgrid(np.fft.fftfreq(320), np.fft.fftfreq(420), indexing="ij")
    low = (np.hypot(u, v) < 0.15) & (np.hypot(u, v) > 0.02)
    cross = (g * np.conj(f))[low]
    # Phase of the cross spectrum after taking the true shift out: weighted slope left over, pixels.
    left = np.angle(cross * np.exp(2j * np.pi * (u[low] * shift[0] + v[low] * shift[1])))
    weight = np.abs(cross)
    for axis in (u[low], v[low]):
        slope = (weight * left * axis).sum() / (weight * axis * axis).sum() / (2 * np.pi)
        assert abs(slope) < 0.01


def _fade(drawn, height, width):
    """A smooth window that goes with the picture."""
    y, x = np.mgrid[:height, :width].astype(float)
    cx, cy = drawn.picture_centre_px
    return np.exp(-(((x - cx) / 45) ** 2) - ((y - cy) / 38) ** 2)


def test_a_shifted_layer_is_the_shifted_function():
    # A Gaussian of sigma s leaves exp(-2 pi^2 s^2 f^2) of a sinusoid of f cycles a pixel, and moves nothing.
    x = np.arange(200, dtype=np.float32)
    for frequency in (0.02, 0.11, 0.19):
        layer = np.tile(np.sin(2 * np.pi * frequency * x, dtype=np.float32), (1, 40, 1))
        for start in (60.0, 60.37, 60.5, 60.99):
            out = draw_shifted(layer, start, 20.0, (3, 60), sigma_px=0.9)[0, 1]
            wanted = np.exp(-2 * (np.pi * 0.9 * frequency) ** 2) * np.sin(
                2 * np.pi * frequency * (start + np.arange(60))
            )
            assert np.abs(out - wanted).max() < 2e-3


def test_grain_grows_with_the_root_of_density_and_stays_with_the_film():
    # sigma(D) about sqrt(D): common practice, no source. Reversal border: highest density; negative: none.
    for film, expected in (("reversal", 2.75), ("negative", 0.0)):
        truth = specimen_truth("super 8", film=film, scenes=(), flicker=0.0, shot_noise=0.0, read_noise=0.0)
        light = light_of(truth, draw_frame(truth, 1))
        density = -np.log10(light[60:200, 560:700])
        # Two unlike dyes mix in each channel: red keeps 0.93 of cyan and 0.06 of magenta.
        sigma = truth.grain_density * np.sqrt(expected) * np.hypot(np.hypot(0.93, 0.06), 0.01)
        assert density[..., 0].std() == pytest.approx(sigma, rel=0.12, abs=1e-3)
    truth = specimen_truth(
        "super 8",
        scenes=(),
        width=512,
        height=384,
        repeated=(2,),
        weave_um=(40.0, 40.0),
        flicker=0.0,
        shot_noise=0.0,
        read_noise=0.0,
    )
    at = [frame_truth(truth, number).film_reference_px for number in range(5)]
    # The same place on the film in both captures, to the nearest pixel.
    across, along = (round(at[3][axis] - at[2][axis]) for axis in (0, 1))
    assert (across, along) != (0, 0)
    a, c = (draw_frame(truth, number).samples[60:140, 220:400, 1].astype(float) for number in (2, 4))
    b = draw_frame(truth, 3).samples[60 + along : 140 + along, 220 + across : 400 + across, 1].astype(float)
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.7
    assert abs(np.corrcoef(a.ravel(), c.ravel())[0, 1]) < 0.1


def test_code_values_stand_for_the_same_light():
    base = specimen_truth("super 8", width=320, height=240, bits=16, **CLEAN)
    linear = draw_frame(base, 2).samples / 65535
    log = draw_frame(replace(base, code_values="log"), 2).samples / 65535
    assert np.abs(10 ** (3.0 * (log - 1)) - linear).max() < 1.1e-3  # code 0 is light 0.001
    curved = draw_frame(replace(base, code_values="gamma"), 2).samples / 65535
    # IEC 61966-2-1: linear below 0.04045, else ((c + 0.055) / 1.055) ^ 2.4.
    back = np.where(curved <= 0.04045, curved / 12.92, ((curved + 0.055) / 1.055) ** 2.4)
    assert np.abs(back - linear).max() < 6e-5
    power = draw_frame(replace(base, code_values="gamma", gamma_curve=2.2), 2).samples / 65535
    assert np.abs(power**2.2 - linear).max() < 6e-5


def test_light_of_the_open_gate_and_the_lamp():
    truth = specimen_truth("super 8", scenes=(), flicker=0.03, bits=16)
    for number in range(3):
        drawn = draw_frame(truth, number)
        rows, columns = hole_window(drawn, drawn.perforations[0], margin=-12)
        assert light_of(truth, drawn)[rows, columns].mean() == pytest.approx(drawn.light_gain, abs=5e-4)
    clipped = draw_frame(replace(truth, open_gate_level=1.5, bits=8), 0)
    rows, columns = hole_window(clipped, clipped.perforations[0], margin=-12)
    assert (clipped.samples[rows, columns] == 255).all()
    dark = draw_frame(replace(truth, illumination="reflected"), 0)
    assert (
        light_of(truth, dark)[rows, columns].max() < 0.03 < np.median(light_of(truth, dark)[60:200, 400:600])
    )


@pytest.mark.parametrize("kind", ["torn", "claw", "elongated", "crack", "tape", "specks", "chipped"])
def test_damage_changes_its_own_hole_and_no_truth(kind):
    base = specimen_truth("standard 8", width=512, height=384, **CLEAN)
    hurt = replace(base, damage=(PerforationDamage(film_perforation=7, kind=kind),))
    whole, damaged = draw_frame(base, 6), draw_frame(hurt, 6)
    there = next(hole for hole in damaged.perforations if hole.film_perforation == 7)
    assert there.damage == kind
    assert [(hole.x_px, hole.y_px) for hole in whole.perforations] == [
        (h.x_px, h.y_px) for h in damaged.perforations
    ]
    changed = np.argwhere(np.abs(whole.samples.astype(int) - damaged.samples).max(axis=2) > 600)
    assert len(changed) > 20
    assert np.abs(changed[:, 0] - there.y_px).max() < 0.9 * damaged.hole_size_px[1] + 8
    assert changed[:, 1].max() < there.x_px + 0.9 * damaged.hole_size_px[0] + 8
    other = hole_window(whole, whole.perforations[0], margin=4)
    assert np.array_equal(whole.samples[other], damaged.samples[other])


def test_clapper_lights_in_its_frame_alone():
    truth = specimen_truth(
        "super 8",
        width=400,
        height=300,
        scenes=(SceneTruth(kind="birthday", first=0, stop=99),),
        clap_frames=(30,),
        **CLEAN,
    )

    def lamp(number):
        drawn = draw_frame(truth, number)
        corners = np.asarray(drawn.gate_corners_px)
        scale = corners[3, 1] - corners[0, 1]
        x, y = np.add(drawn.picture_centre_px, (0.44 * scale, 0.31 * scale))
        return light_of(truth, drawn)[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].mean()

    assert lamp(30) > 3 * max(lamp(29), lamp(31))


def test_splice_shifts_what_follows_against_what_went_before():
    truth = specimen_truth("standard 8", splices=(8,), splice_shift_um=300.0, punching_um=0.0, tilt_deg=0.0)
    spacing = {}
    for number in (5, 7, 8):
        holes = [hole for hole in frame_truth(truth, number).perforations if hole.whole_in_view]
        spacing[number] = (holes[1].y_px - holes[0].y_px) / frame_truth(truth, number).pixels_per_mm
    assert spacing[5] == pytest.approx(3.81, abs=1e-9) and spacing[8] == pytest.approx(3.81, abs=1e-9)
    assert spacing[7] == pytest.approx(3.81 + 0.3, abs=1e-9)
    light = light_of(truth, draw_frame(replace(truth, bits=16), 8))
    assert light[:, 30:].min(axis=1).max() > 0.2  # a line of light from edge to edge


def test_missing_and_repeated_frames_and_the_clock():
    truth = ReelTruth(frames=6, missing=(2,), repeated=(4,), first_frame_s=0.0)
    assert [film_frame_of(truth, number) for number in range(6)] == [0, 1, 3, 4, 4, 5]
    assert (frame_times_s(truth) * 18).round(9).tolist() == [0, 1, 3, 4, 5, 6]


@pytest.mark.parametrize("pattern", ["constant", "wandering", "3 to 25"])
def test_time_and_place_of_the_run(pattern):
    truth = ReelTruth(frames=300, scan_pattern=pattern, scan_rate=Fraction(16))
    place = np.linspace(-20, 330, 1001)
    times = time_at_position_s(truth, place)
    assert (np.diff(times) > 0).all()
    assert np.abs(film_position_at(truth, times) - place).max() < 1e-8
    rates = 1 / np.diff(frame_times_s(truth))
    if pattern == "3 to 25":
        # The transport's range, 3 to 25 frames a second: common practice, no source.
        assert rates[0] == pytest.approx(3, rel=0.01) and rates[-1] == pytest.approx(25, rel=0.01)
    else:
        assert rates.min() > 11 and rates.max() < 26


def test_faded_dye_and_stored_noise():
    base = specimen_truth("super 8", width=320, height=240, scenes=(), **CLEAN)
    full, faded = (
        light_of(base, draw_frame(t, 0))[30, 200] for t in (base, replace(base, dye_kept=(0.5, 1.0, 1.0)))
    )
    # Red density of the border is base 0.16 + 2.75 (0.93 cyan + 0.06 magenta + 0.01 yellow).
    assert -np.log10(full[0]) == pytest.approx(0.16 + 2.75, abs=0.01)
    assert -np.log10(faded[0]) == pytest.approx(0.16 + 2.75 * (0.93 * 0.5 + 0.07), abs=0.01)
    stored = specimen_truth("super 8", width=320, height=240, scenes=(), fast_noise=True)
    a, b = (draw_frame(stored, number).samples[20:100, 120:250, 0].astype(float) for number in (1, 2))
    assert abs(np.corrcoef(a.ravel(), b.ravel())[0, 1]) < 0.1
    assert np.array_equal(draw_frame(stored, 1).samples, draw_frame(stored, 1).samples)


def test_perforations_out_of_view_and_on_the_other_side():
    truth = specimen_truth(
        "super 8", width=600, height=480, micrometres_per_pixel=10.0, perforations_in_view=False
    )
    assert all(not frame_truth(truth, number).perforations for number in range(20))
    right = frame_truth(specimen_truth("super 8", perforation_side="right"), 0)
    left = frame_truth(specimen_truth("super 8"), 0)
    assert right.perforations[0].x_px > 512 > left.perforations[0].x_px
    with pytest.raises(CallerError, match="draw them in view"):
        draw_frame(specimen_truth("9.5 mm", perforations_in_view=False), 0)
    with pytest.raises(CallerError, match="0 to 199"):
        draw_frame(ReelTruth(), 200)


@pytest.mark.parametrize("gauge", GAUGES)
def test_stripe_and_edge_print_where_the_gauge_has_them(gauge):
    base = specimen_truth(gauge, width=400, height=300, **CLEAN)
    printed = draw_frame(replace(base, edge_print="MERROWBY"), 9)
    plain = draw_frame(base, 9)
    changed = np.argwhere(printed.samples[..., 0].astype(int) - plain.samples[..., 0] > 3000)
    assert len(changed) > 30 and changed[:, 1].max() < plain.perforations[0].x_px
    if gauge == "unslit double 8":
        with pytest.raises(CallerError, match="none is known"):
            draw_frame(replace(base, striped=True), 0)
        return
    striped = draw_frame(replace(base, striped=True), 9)
    assert (np.abs(striped.samples.astype(int) - plain.samples) > 300).mean() > 0.02
