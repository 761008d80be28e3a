"""The perforation finder against drawn truth (an own renderer, `drawn_perforations`) and the shared specimens.

Why this is long: survey, finder and reference are judged on the same drawings and helpers.
"""

import dataclasses
import json

import cv2
import numpy as np
import pytest
from drawn_perforations import FILM, draw
from known_survey import survey_of
from scipy.special import ndtr
from specimen_frames import read_specimen

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.edges import (
    LineGuess,
    find_profiles,
    masked_median,
    measure_crossings,
    measure_lines,
    measure_votes,
)
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforation_votes import find_edge_peaks
from smallgauge.picture.perforations import (
    COLUMNS,
    PerforationFix,
    find_film_edges,
    find_perforations,
    measure_reference,
)
from smallgauge.sources import SOURCES

LEADER = {"base": 0.74, "hole": 0.94, "noise": 0.024, "grain": 0.0, "picture": False}
NEGATIVE = {"base": 0.62, "hole": 0.94, "noise": 0.012, "grain": 0.03}


def errors(gauge, *, seeds, shape, px_per_mm, blur=1.5, damage=(), expected=False, survey=None, **light):
    """Errors (n, 2) in px of all measured fixes whose perforation is wholly in view, their fixes, and misses."""
    known = survey or survey_of(
        gauge, shape, px_per_mm, blur, hole_light=light.get("hole", 0.9), base_light=light.get("base", 0.01)
    )
    half = FILM[gauge][2] * px_per_mm / 2 + 3 * blur + 2
    found, fixes, missed = [], [], 0
    for seed in seeds:
        rng = np.random.default_rng(1000 + seed)
        y = (shape[0] - 1) / 2 + rng.uniform(-0.08, 0.08) * px_per_mm
        drawn = draw(
            gauge, shape=shape, px_per_mm=px_per_mm, blur=blur, seed=seed, tilt=rng.normal() * 0.002,
            reference_y=y, damage=damage, x_mm=0.3 + 0.02 * rng.normal(), **light,
        )  # fmt: skip
        got = find_perforations(
            drawn.plane, survey=known, expected_y_px=y + rng.normal() if expected else None
        )
        for row, cx, cy in drawn.centres:
            if not half < cy < shape[0] - half:
                continue
            near = [f for f in got if f.row == row and abs(f.x_px - cx) < 15 and abs(f.y_px - cy) < 15]
            if near:
                found.append((near[0].x_px - cx, near[0].y_px - cy))
                fixes.append(near[0])
            else:
                missed += 1
    return np.array(found).reshape(-1, 2), fixes, missed


def rms(values):
    return np.sqrt((np.asarray(values) ** 2).mean(axis=0))


# --- the edge fit alone ---------------------------------------------------------------------------------


def test_edge_fit_reaches_the_cramer_rao_bound():
    # Picture science note a: blur 1.5 px, contrast 220, noise 2.4 -> 0.025 px a row (derived there; the
    # closed form for sampled edges is Gatherer, CSL-TR-93-560, 1993).
    blur, contrast, noise = 1.5, 220 / 255, 2.4 / 255
    bound_row = noise / contrast * np.sqrt(2 * blur * np.sqrt(np.pi))
    assert bound_row == pytest.approx(0.025, abs=0.0005)
    rng = np.random.default_rng(5)
    rows = 124
    places = []
    for _ in range(60):
        x = 30 + rng.uniform(-0.5, 0.5)
        plane = np.tile(0.05 + contrast * ndtr(-(np.arange(60) - x) / blur), (rows + 8, 1))
        plane = (plane + noise * rng.standard_normal(plane.shape)).astype(np.float32)
        side = LineGuess(
            upright=True, outward=1, position_px=30, centre_px=66, first_px=4, stop_px=4 + rows - 1
        )
        profiles = find_profiles(plane, [side], reach=24, blur_x_px=blur, blur_y_px=blur)
        _, fall, peaks = measure_votes(profiles)
        crossings = measure_crossings(profiles, fall, peaks, start_px=np.zeros(1))
        line = measure_lines(crossings, profiles, slope=np.zeros(1), slope_sigma=0.003)
        places.append((line.position[0] - x, line.sigma[0]))
    error, sigma = np.array(places).T
    bound = bound_row / np.sqrt(rows)
    assert rms(error) < 1.35 * bound  # 1.18 over 100 edges
    assert abs(error.mean()) < 0.4 * bound  # no bias: one side alone is as good as two
    assert 0.5 < rms(error) / np.sqrt((sigma**2).mean()) < 1.5  # the stated sigma is honest


def test_tukey_line_ignores_a_third_of_wild_rows():
    rng = np.random.default_rng(2)
    edge = np.array([29.5 + (0 if y % 3 else rng.uniform(0.8, 2)) for y in range(120)])
    plane = ndtr((edge[:, None] - np.arange(60)) / 0.8).astype(np.float32)
    side = LineGuess(upright=True, outward=1, position_px=30, centre_px=60, first_px=5, stop_px=115)
    profiles = find_profiles(plane, [side], reach=20, blur_x_px=0.8, blur_y_px=0.8)
    _, fall, peaks = measure_votes(profiles, rows_averaged=1)
    crossings = measure_crossings(profiles, fall, peaks, start_px=np.zeros(1))
    line = measure_lines(crossings, profiles, slope=np.zeros(1), slope_sigma=0.003)
    assert line.position[0] == pytest.approx(29.5, abs=0.01)
    assert 0.6 < line.share[0] < 0.85


def test_masked_median_against_numpy():
    rng = np.random.default_rng(0)
    values = rng.standard_normal((7, 11))
    mask = rng.random((7, 11)) < 0.6
    mask[3] = False
    ours = masked_median(values, mask)
    assert np.isnan(ours[3])
    for k in (0, 1, 2, 4, 5, 6):
        assert ours[k] == np.median(values[k][mask[k]])


# --- centres --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("px_per_mm", "blur"), [(60, 0.8), (90, 1.1), (150, 1.5), (200, 3.0)])
@pytest.mark.parametrize("gauge", ["super-8", "standard-8"])
def test_clean_perforations(gauge, px_per_mm, blur):
    shape = (int((FILM[gauge][0] + FILM[gauge][2] + 0.4) * px_per_mm), int(3.2 * px_per_mm))
    found, fixes, missed = errors(gauge, seeds=range(3), shape=shape, px_per_mm=px_per_mm, blur=blur)
    assert missed == 0
    limit = 0.02 if gauge == "super-8" else 0.05  # the picture begins 0.06 mm beside standard 8's hole
    assert (rms(found) <= limit).all()
    assert all(fix.state == "whole" and fix.confidence > 0.7 for fix in fixes)


def test_clear_leader_stays_near_the_bound():
    found, fixes, missed = errors("super-8", seeds=range(40), shape=(300, 300), px_per_mm=150, **LEADER)
    assert missed == 0
    # Bound for noise that grows with the root of light, from the definition: 0.016 px across, 0.019 along.
    assert (rms(found) <= (1.45 * 0.0161, 1.45 * 0.0189)).all()  # 1.20 and 1.09 over 200 seeds
    sigma = rms([(f.sigma_x_px, f.sigma_y_px) for f in fixes])
    assert ((rms(found) / sigma > 0.5) & (rms(found) / sigma < 1.5)).all()


@pytest.mark.parametrize("damage", ["claw", "chip", "specks", "tape", "torn", "crack"])
@pytest.mark.parametrize("light", [{}, NEGATIVE, LEADER], ids=["dark border", "negative", "clear leader"])
def test_damaged_perforations(damage, light):
    found, fixes, missed = errors(
        "super-8", seeds=range(6), shape=(330, 330), px_per_mm=130, blur=1.4, damage=(damage,), **light
    )
    assert missed == 0
    assert (rms(found) <= 0.1).all()
    assert np.abs(found).max() <= 0.5
    if damage in ("claw", "torn"):
        assert all(fix.state == "damaged" for fix in fixes)


def test_worn_perforation_keeps_its_sides_and_says_that_it_does_not_know():
    found, _, missed = errors(
        "super-8", seeds=range(5), shape=(330, 330), px_per_mm=130, damage=("elongated",)
    )
    assert missed == 5 and len(found) == 0  # two equal answers 8 px apart: no measurement
    drawn = draw("super-8", shape=(330, 330), px_per_mm=130, blur=1.5, damage=("elongated",), reference_y=160)
    fix = find_perforations(drawn.plane, survey=survey_of("super-8", (330, 330), 130, 1.5))[0]
    _, x, y = drawn.centres[0]
    assert np.isnan(fix.y_px) and fix.confidence < 0.2 and fix.state == "damaged"
    assert fix.top_px == pytest.approx(y - 1.143 * 65, abs=0.03)
    assert fix.bottom_px == pytest.approx(y + 1.143 * 65 + 0.06 * 130, abs=0.03)
    assert (fix.left_px + fix.right_px) / 2 == pytest.approx(x, abs=0.03)
    # an expected place decides where it is known better than the wear is long; a wide guess does not
    held = survey_of("super-8", (330, 330), 130, 1.5, spread_px=0.5)
    options = {"seeds": range(5), "shape": (330, 330), "px_per_mm": 130, "damage": ("elongated",)}
    assert errors("super-8", expected=True, **options)[2] >= 4
    found, fixes, missed = errors("super-8", expected=True, survey=held, **options)
    assert missed == 0 and (rms(found) < 0.05).all()
    assert all(f.confidence < 0.65 for f in fixes)


def test_worn_perforation_beside_a_whole_one_is_settled_by_the_pitch():
    shape = (620, 420)
    survey = survey_of("standard-8", shape, 110, 1.4)
    drawn = draw("standard-8", shape=shape, px_per_mm=110, blur=1.4, seed=3, damage=(), reference_y=310)
    worn = draw(
        "standard-8", shape=shape, px_per_mm=110, blur=1.4, seed=3, damage=("elongated",), reference_y=310
    )
    plane = drawn.plane.copy()
    plane[:310] = worn.plane[:310]  # the upper one worn, the lower one whole
    upper, lower = find_perforations(plane, survey=survey)
    truth = sorted(y for _, _, y in drawn.centres)
    assert upper.state == "damaged" and lower.state == "whole"
    assert upper.y_px == pytest.approx(truth[0], abs=0.1)
    assert lower.y_px == pytest.approx(truth[1], abs=0.03)


def test_reflected_light():
    known = survey_of("super-8", (330, 330), 130, 1.4, polarity="dark hole", hole_light=0.04, base_light=0.5)
    found, fixes, missed = errors(
        "super-8", seeds=range(5), shape=(330, 330), px_per_mm=130, blur=1.4, survey=known, dark=True,
        base=0.5, hole=0.04,
    )  # fmt: skip
    assert missed == 0 and (rms(found) < 0.05).all()
    assert all(fix.state == "whole" for fix in fixes)


def test_full_scale_is_said_and_measured_all_the_same():
    known = survey_of("super-8", (330, 330), 130, 1.4, full_scale=True, clip_light=0.8, hole_light=0.9)
    found, fixes, missed = errors(
        "super-8", seeds=range(5), shape=(330, 330), px_per_mm=130, blur=1.4, survey=known, clip=0.8
    )
    assert missed == 0 and (rms(found) < 0.02).all()
    assert all(fix.state == "full scale" for fix in fixes)


def test_cut_off_by_the_picture_is_said():
    shape = (330, 330)
    drawn = draw("super-8", shape=shape, px_per_mm=130, blur=1.4, reference_y=40)
    fix = find_perforations(drawn.plane, survey=survey_of("super-8", shape, 130, 1.4))[0]
    assert fix.state == "cut off" and np.isnan(fix.top_px)
    assert fix.y_px == pytest.approx(40, abs=0.05)


def test_no_perforation_is_no_measurement():
    shape = (400, 330)
    survey = survey_of("super-8", shape, 130, 1.4)
    for seed in range(4):
        missing = draw("super-8", shape=shape, px_per_mm=130, seed=seed, missing=(0,))
        assert not [f for f in find_perforations(missing.plane, survey=survey) if f.confidence >= 0.2]
    assert find_perforations(np.zeros(shape, np.float32), survey=survey) == ()
    assert find_perforations(np.ones(shape, np.float32), survey=survey) == ()
    reference = measure_reference((), survey=survey)
    assert np.isnan(reference.x_px) and reference.source == "none" and reference.confidence == 0


def test_input_is_not_altered_and_the_answer_repeats():
    drawn = draw("super-8", shape=(330, 330), px_per_mm=130, blur=1.4, seed=1)
    before = drawn.plane.copy()
    survey = survey_of("super-8", (330, 330), 130, 1.4)
    assert repr(find_perforations(drawn.plane, survey=survey)) == repr(
        find_perforations(drawn.plane, survey=survey)
    )
    assert (drawn.plane == before).all()


def test_wrong_shape_is_the_callers_error():
    survey = survey_of("super-8", (330, 330), 130, 1.4)
    with pytest.raises(CallerError, match="330 x 330"):
        find_perforations(np.zeros((330, 330, 3), np.float32), survey=survey)
    with pytest.raises(CallerError, match="at least one frame"):
        find_gauge([], gauges=GAUGES)


# --- film reference and film edge -----------------------------------------------------------------------


@pytest.mark.parametrize("tilt", [-0.004, 0.0, 0.004])
def test_reference_lies_between_two_perforations(tilt):
    shape = (620, 420)
    drawn = draw("standard-8", shape=shape, px_per_mm=110, blur=1.4, tilt=tilt, reference_y=300.3)
    survey = survey_of("standard-8", shape, 110, 1.4, tilt=tilt)
    fixes = find_perforations(drawn.plane, survey=survey)
    both = measure_reference(fixes, survey=survey)
    xs, ys = zip(*[(x, y) for _, x, y in drawn.centres if 0 < y < shape[0]])
    assert both.source == "two perforations"
    assert both.y_px == pytest.approx(np.mean(ys), abs=0.03)
    assert both.x_px == pytest.approx(np.mean(xs), abs=0.05)
    assert both.pitch_px == pytest.approx(3.81 * 110, abs=0.05)
    for k in (0, 1):  # and from either alone, stepping along the tilted film
        one = measure_reference(fixes[k : k + 1], survey=survey)
        assert one.source == "one perforation" and np.isnan(one.pitch_px)
        assert (one.x_px, one.y_px) == pytest.approx((both.x_px, both.y_px), abs=0.12)


def test_weak_fixes_count_for_nothing():
    survey = survey_of("super-8", (330, 330), 130, 1.4)
    drawn = draw("super-8", shape=(330, 330), px_per_mm=130, blur=1.4)
    fix = find_perforations(drawn.plane, survey=survey)[0]
    weak = dataclasses.replace(fix, confidence=0.19)
    assert measure_reference((weak,), survey=survey).source == "none"
    assert measure_reference((fix,), survey=survey).y_px == fix.y_px


def test_two_rows_agree_on_one_reference():
    shape = (560, 1060)
    drawn = draw("16mm-two-rows", shape=shape, px_per_mm=60, blur=1.1, tilt=0.002)
    survey = survey_of("16mm-two-rows", shape, 60, 1.1, tilt=0.002)
    fixes = find_perforations(drawn.plane, survey=survey)
    assert sorted({f.row for f in fixes}) == [0, 1] and len(fixes) == 4
    reference = measure_reference(fixes, survey=survey)
    first = [(x, y) for row, x, y in drawn.centres if row == 0]
    assert reference.x_px == pytest.approx(np.mean([x for x, _ in first]), abs=0.1)
    assert reference.y_px == pytest.approx(np.mean([y for _, y in first]), abs=0.1)


def test_film_edge_is_found_without_perforations():
    shape = (400, 330)
    survey = survey_of("super-8", shape, 130, 1.4, film_right_px=float("nan"))
    drawn = draw("super-8", shape=shape, px_per_mm=130, blur=1.4, missing=(-1, 0, 1), tilt=0.002)
    edge = find_film_edges(drawn.plane, survey=survey)[0]
    # turned about the middle of the picture, the edge passes it at the distance drawn
    assert edge is not None and edge.side == "left"
    assert edge.x_px == pytest.approx(0.3 * 130, abs=0.1)
    assert edge.tilt == pytest.approx(0.002, abs=2e-4)
    assert find_film_edges(np.zeros(shape, np.float32), survey=survey) == ()


# --- gauge ----------------------------------------------------------------------------------------------

VIEWS = {
    "super-8": (83, (438, 500)), "standard-8": (91, (500, 780)), "16mm": (60, (560, 1060)),
    "16mm-two-rows": (60, (560, 1060)), "unslit-double-8": (50, (420, 860)), "9.5mm": (60, (540, 640)),
}  # fmt: skip


def frames_of(gauge, count=5, *, view=None, **kw):
    px_per_mm, shape = view or VIEWS[gauge]
    return [
        draw(
            gauge, shape=shape, px_per_mm=px_per_mm, seed=k, x_mm=kw.pop("x_mm", 0.3), tilt=0.0015,
            reference_y=shape[0] / 2 + 5 * np.sin(k), **({"blur": 1.1} | kw),
        ).plane
        for k in range(count)
    ]  # fmt: skip


@pytest.mark.parametrize(
    "gauge",
    [
        pytest.param(name, marks=() if name in ("super-8", "9.5mm") else pytest.mark.campaign)
        for name in VIEWS
    ],
)
def test_gauge_without_scale(gauge):
    px_per_mm, _ = VIEWS[gauge]
    pitch, w, h, *_ = FILM[gauge]
    reading = find_gauge(frames_of(gauge), gauges=GAUGES)
    assert (reading.gauge, reading.sure) == (gauge, True), reading.reason
    survey = reading.survey
    assert survey.width_px == pytest.approx(w * px_per_mm, rel=0.002)
    assert survey.height_px == pytest.approx(h * px_per_mm, rel=0.002)
    assert survey.pitch_px == pytest.approx(pitch * px_per_mm, rel=0.002)
    assert survey.pitch_measured == (gauge != "super-8")
    assert survey.blur_px == pytest.approx(1.1, abs=0.15)
    assert survey.tilt == pytest.approx(0.0015, abs=3e-4)
    assert len(survey.rows) == (2 if gauge in ("16mm-two-rows", "unslit-double-8") else 1)
    assert reading.scores[0][0] == gauge and reading.scores == tuple(
        sorted(reading.scores, key=lambda s: -s[1])
    )
    json.dumps(dataclasses.asdict(survey))  # numbers and words only


@pytest.mark.campaign
@pytest.mark.parametrize("gauge", list(VIEWS))
@pytest.mark.parametrize(
    "kind",
    [
        NEGATIVE, {"dark": True, "base": 0.5, "hole": 0.04}, {"shrink": 0.012, "shrink_across": 0.02},
        {"damage": ("claw", "all")}, {"damage": ("crack", "specks", "all")}, {"blur": 2.2, "noise": 0.01},
        {"clip": 0.8},
    ],
    ids=["negative", "reflected", "shrunk", "claw", "cracked", "soft", "full scale"],
)  # fmt: skip
def test_gauge_campaign(gauge, kind):
    polarity = "dark hole" if kind.get("dark") else "bright hole"
    reading = find_gauge(frames_of(gauge, 8, **kind), gauges=GAUGES, polarity=polarity)
    assert reading.gauge == gauge or not reading.sure, reading.reason
    assert reading.sure, reading.reason
    with_scale = find_gauge(
        frames_of(gauge, 8, **kind), gauges=GAUGES, polarity=polarity,
        micrometres_per_pixel=1000 / VIEWS[gauge][0],
    )  # fmt: skip
    assert (with_scale.gauge, with_scale.sure) == (gauge, True), with_scale.reason


def test_stated_gauge_that_the_perforations_contradict():
    frames = frames_of("super-8", 4)
    reading = find_gauge(frames, gauges=GAUGES, stated="standard-8", micrometres_per_pixel=1000 / 83)
    assert not reading.sure
    assert "standard 8 was stated" in reading.reason and "Super 8" in reading.reason
    assert "needs perforations 1.441 times as wide as high" in reading.reason
    assert f"{reading.survey.width_px / reading.survey.height_px:.2f}" in reading.reason
    agrees = find_gauge(frames, gauges=GAUGES, stated="super-8", micrometres_per_pixel=1000 / 83)
    assert agrees.sure and agrees.gauge == "super-8"


def test_full_scale_light_and_blur_are_found_beyond_the_clipping():
    frames = frames_of("super-8", 6, hole=0.9, clip=0.8)
    survey = find_gauge(frames, gauges=GAUGES, stated="super-8", micrometres_per_pixel=1000 / 83).survey
    assert survey.full_scale and survey.clip_light == pytest.approx(0.8)
    assert survey.hole_light == pytest.approx(0.9, abs=0.03)
    assert survey.blur_px == pytest.approx(1.1, abs=0.06)
    assert survey.width_px == pytest.approx(0.914 * 83, abs=0.1)


def test_reel_worn_alike_throughout_stays_measured():
    # Every perforation longer by 0.06 mm: the reel's own size is taken, so the centre is off by one constant.
    frames = [
        draw(
            "super-8", shape=(438, 500), px_per_mm=83, seed=k, blur=1.1, damage=("elongated", "all"),
            reference_y=219 + 5 * np.sin(k),
        )
        for k in range(6)
    ]  # fmt: skip
    planes = [each.plane for each in frames]
    survey = find_gauge(planes, gauges=GAUGES, stated="super-8", micrometres_per_pixel=1000 / 83).survey
    errors_y = [find_perforations(f.plane, survey=survey)[0].y_px - f.centres[0][2] for f in frames]
    assert np.std(errors_y) < 0.02
    assert np.mean(errors_y) == pytest.approx(0.03 * 83, abs=0.1)


@pytest.mark.campaign
def test_never_far_wrong_without_a_flag():
    """Random damage, light, scale, blur and tilt: further than 2 px wrong only with the state and low confidence."""
    kinds = ("claw", "chip", "specks", "tape", "torn", "crack", "elongated")
    far, clean, seen = [], [], 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        gauge = ("super-8", "standard-8")[seed % 2]
        pitch, _, h, *_ = FILM[gauge]
        scale = float(rng.choice([70, 90, 120, 150]))
        blur = float(rng.uniform(0.8, 3.0 if scale > 80 else 1.8))
        damage = tuple(rng.choice(kinds, rng.integers(0, 4), replace=False))
        light = ({"base": 0.01, "hole": 0.9}, NEGATIVE, LEADER)[rng.integers(3)]
        shape = (int((pitch + h + 0.5) * scale), int(3.6 * scale))
        shape = shape if gauge == "standard-8" else (int(2.6 * scale), int(2.6 * scale))
        y = (shape[0] - 1) / 2 + rng.uniform(-0.1, 0.1) * scale
        drawn = draw(
            gauge, shape=shape, px_per_mm=scale, blur=blur, seed=seed, tilt=rng.normal() * 0.003, damage=damage,
            reference_y=y, x_mm=0.3 + rng.normal() * 0.02, **light,
        )  # fmt: skip
        survey = survey_of(gauge, shape, scale, blur, hole_light=light["hole"], base_light=light["base"])
        expected = y + 3 * rng.normal() if rng.random() < 0.5 else None
        for fix in find_perforations(drawn.plane, survey=survey, expected_y_px=expected):
            if fix.confidence < 0.2:
                continue
            seen += 1
            error = min(np.hypot(fix.x_px - x, fix.y_px - cy) for _, x, cy in drawn.centres)
            if not damage:
                clean.append(error)
            if error > 2 and not (fix.state in ("damaged", "cut off") and fix.confidence < 0.65):
                far.append((seed, damage, error, fix))
    assert seen > 450
    assert far == []
    assert rms(clean) < 0.06


def test_narrow_view_of_16_mm_is_not_sure_until_stated():
    # Only the left quarter of the film is in view: one row or two can't be told, and is not guessed.
    view = (60, (560, 300))
    frames = frames_of("16mm-two-rows", 4, view=view)
    reading = find_gauge(frames, gauges=GAUGES)
    assert not reading.sure and "16 mm" in reading.reason and "Not sure" in reading.reason
    stated = find_gauge(frames, gauges=GAUGES, stated="16mm-two-rows")
    assert stated.sure and stated.gauge == "16mm-two-rows"


def test_no_perforations_in_view_is_said():
    frames = [draw("super-8", shape=(300, 400), px_per_mm=80, seed=k, x_mm=-2.0).plane for k in range(3)]
    reading = find_gauge(frames, gauges=GAUGES)
    assert reading.gauge is None and not reading.sure and reading.survey is None
    assert "No perforations were found" in reading.reason or "No gauge fits" in reading.reason


def test_columns_name_the_fields_and_cite():
    fields = {field.name for field in dataclasses.fields(PerforationFix)}
    names = [column.name for column in COLUMNS]
    assert len(names) == len(set(names))
    assert fields | {"film_perforation"} == set(names)
    assert all(column.source in SOURCES for column in COLUMNS)


# --- specimens from another renderer --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "gauge", "stop"),
    [
        ("super8-striped-18fps", "super-8", 8),
        pytest.param("super8-faded", "super-8", 6, marks=pytest.mark.campaign),
        ("standard8-torn", "standard-8", 10),
        pytest.param("super8-striped-18fps", "super-8", None, marks=pytest.mark.campaign),
        pytest.param("super8-faded", "super-8", None, marks=pytest.mark.campaign),
        pytest.param("standard8-torn", "standard-8", None, marks=pytest.mark.campaign),
    ],
)
def test_specimens(name, gauge, stop):
    truth, read = read_specimen(name, stop)
    frames = [light for light, _, _ in read]
    reading = find_gauge(frames, gauges=GAUGES)
    assert (reading.gauge, reading.sure) == (gauge, True), reading.reason
    survey = reading.survey
    whole, damaged, missed = [], [], 0
    for light, frame in zip(frames, truth["frames"]):
        fixes = find_perforations(np.ascontiguousarray(light[..., survey.channel]), survey=survey)
        for hole in frame["perforations"]:
            near = [f for f in fixes if abs(f.y_px - hole["y"]) < 20]
            if not near:
                missed += 1
                continue
            error = (near[0].x_px - hole["x"], near[0].y_px - hole["y"])
            (damaged if hole["damage"] else whole).append(error)
    assert missed == 0
    assert (rms(whole) <= 0.1).all(), rms(whole)  # no offset taken out
    if damaged:
        assert (rms(damaged) <= 0.1).all(), rms(damaged)
        assert np.abs(damaged).max() <= 0.5


@pytest.mark.parametrize("size", [(40, 30), (3, 90), (90, 2), (217, 133)])
def test_edges_are_where_plain_numpy_finds_them(size):
    """Slopes over two pixels of the softened picture, above four times their usual size, and no steeper one beside them."""
    plane = cv2.GaussianBlur(np.random.default_rng(9).random(size, dtype=np.float32), (5, 5), 1.0)
    plane[size[0] // 4 : size[0] // 2, size[1] // 3 :] += 1
    soft = cv2.GaussianBlur(plane, (3, 3), 0.8, borderType=cv2.BORDER_REPLICATE)
    every = max(1, size[0] // 100), max(1, size[1] // 60)
    expected = []
    for axis in (1, 0):
        slope = np.zeros_like(soft)
        inner = (slice(None), slice(1, -1)) if axis else (slice(1, -1), slice(None))
        slope[inner] = (np.roll(soft, -1, axis) - np.roll(soft, 1, axis))[inner]
        some = np.abs(slope[:: every[0], :: every[1]])
        least = max(min(4 * 1.4826 * np.median(some), 0.3 * np.percentile(some, 99.5)), 1e-4)
        before, after = np.roll(slope, 1, axis), np.roll(slope, -1, axis)
        expected.append((slope > least) & (slope >= before) & (slope > after))
        expected.append((slope < -least) & (slope <= before) & (slope < after))
    found = find_edge_peaks(plane)
    assert sum(each.sum() for each in expected) > 0 or min(size) < 3
    for one, other in zip(found, expected, strict=True):
        assert np.array_equal(one, other)
