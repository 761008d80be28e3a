"""Splices told from cuts made in camera: drawn reels with both, other film and light, and the specimens."""

from collections import Counter

import numpy as np
import pytest
from specimen_frames import read_specimen, stated_um

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES, STANDARD_8, SUPER_8, gauge_named
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.splice_evidence import COLUMNS, SpliceReading, measure_splice_evidence
from smallgauge.picture.splices import find_splices
from smallgauge.picture.synthetic import SceneTruth, draw_frame, specimen_truth

STARTS = (0, 6, 12, 18, 26)  # 12 is a splice between scenes, 22 one within a scene; the rest is the camera's
SPLICES = (12, 22)
KINDS = ("garden", "sea", "birthday", "road", "sea")
SCENES = tuple(
    SceneTruth(kind=kind, first=first, stop=stop)
    for kind, first, stop in zip(KINDS, STARTS, (*STARTS[1:], 10**6), strict=True)
)


def light_of(truth, number):
    code = np.float32(draw_frame(truth, number).samples) / np.float32((1 << truth.bits) - 1)
    return 10 ** (truth.log_density_range * (code - 1)) if truth.code_values == "log" else code


def evidence(light, gauge, scale, polarity="bright hole"):
    survey = find_gauge(
        light[::2], gauges=GAUGES, stated=gauge, polarity=polarity, micrometres_per_pixel=scale
    ).survey
    readings = []
    for each in light:
        plane = np.ascontiguousarray(each[:, :, survey.channel])
        fixes = find_perforations(plane, survey=survey)
        reference = measure_reference(fixes, survey=survey)
        readings.append(measure_splice_evidence(plane, fixes, reference=reference, survey=survey))
    return readings


def columns_of(readings):
    return {
        name.removeprefix("splice_"): [getattr(each, name) for each in readings]
        for name in SpliceReading.__slots__
    }


def splices_of(readings, gauge, scene_starts):
    return find_splices(
        range(len(readings)), scene_starts=scene_starts, gauge=gauge_named(gauge), **columns_of(readings)
    )


def found_on_drawn(gauge, seed, *, frames=30, **changes):
    values = {
        "scenes": SCENES,
        "splices": SPLICES,
        "width": 640,
        "height": 480,
        "fast_noise": True,
        **changes,
    }
    truth = specimen_truth(gauge, frames=frames, seed=seed, **values)
    light = [light_of(truth, number) for number in range(frames)]
    found = splices_of(evidence(light, truth.gauge, truth.micrometres_per_pixel), truth.gauge, STARTS)
    return [(int(row), found.kind[row]) for row in np.flatnonzero(found.splice)]


@pytest.mark.parametrize(
    ("gauge", "kind"),
    [
        pytest.param("super-8", "tape", marks=pytest.mark.campaign),
        ("super-8", "cement"),
        ("standard-8", "tape"),
        pytest.param("standard-8", "cement", marks=pytest.mark.campaign),
    ],
)
def test_splices_are_found_and_cuts_made_in_camera_are_not(gauge, kind):
    scenes = tuple(
        SceneTruth(kind=each.kind, first=max(0, each.first - 6), stop=each.stop - 6) for each in SCENES[1:]
    )
    truth = specimen_truth(
        gauge, frames=18, seed=7, scenes=scenes, splices=(6, 16), splice_kind=kind, width=512, height=384,
        fast_noise=True,
    )  # fmt: skip
    light = [light_of(truth, number) for number in range(18)]
    found = splices_of(evidence(light, truth.gauge, truth.micrometres_per_pixel), truth.gauge, (0, 6, 12))
    assert np.flatnonzero(found.splice).tolist() == [6, 16]
    assert {found.kind[6], found.kind[16]} == {kind}
    assert found.confidence[6] > 0.9 and found.confidence[12] == 0.0  # 12 is a cut made in camera


def test_amounts_against_the_drawn_truth():
    # Film after the splice lies 40 micrometres to the right, is 0.1 denser and begins 60 too far on.
    truth = specimen_truth(
        "standard-8", frames=8, seed=4, splices=(4,), splice_lateral_um=40.0, splice_base_density=0.1,
        splice_shift_um=60.0, shrinkage=0.0, width=768, height=576,
    )  # fmt: skip
    readings = evidence(
        [light_of(truth, number) for number in range(8)], "standard-8", truth.micrometres_per_pixel
    )
    at_cut = readings[3]
    assert at_cut.splice_lateral_mm == pytest.approx(0.040, abs=0.006)
    assert at_cut.splice_lateral_at_mm == pytest.approx(1.905, abs=0.1)  # ST239: half of 3.810
    assert at_cut.splice_cut_mm == pytest.approx(1.905, abs=0.1)
    assert at_cut.splice_pitch_mm == pytest.approx(0.060, abs=0.012)  # punching scatters by 2 micrometres
    assert abs(readings[6].splice_pitch_mm) < 0.012
    density = [each.border_density for each in readings]
    # Noise is cut off at code 0, which lifts the darkest film: a step reads small there, by a tenth or so.
    assert np.mean(density[5:]) - np.mean(density[:3]) == pytest.approx(0.1, abs=0.02)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("gauge", ["super-8", "standard-8", "16mm"])
@pytest.mark.parametrize("kind", ["tape", "cement"])
def test_confusion_over_many_reels(gauge, seed, kind):
    changes = {"splice_shift_um": 15.0 * seed, "splice_lateral_um": 10.0 * (seed - 1)}
    assert found_on_drawn(gauge, seed, splice_kind=kind, **changes) == [(each, kind) for each in SPLICES]


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("gauge", ["super-8", "standard-8", "16mm"])
def test_no_splice_no_alarm(gauge, seed):
    changes = {"dirt_per_frame": 30.0, "edge_print": "SAFETY FILM", "striped": gauge != "16mm"}
    assert found_on_drawn(gauge, seed, splices=(), **changes) == []


@pytest.mark.campaign
@pytest.mark.parametrize(
    "changes",
    [
        {"film": "negative"},
        {"bits": 10, "code_values": "log"},
        {"bits": 8},
        {"tilt_deg": 0.7},
        {"dirt_per_frame": 30.0, "edge_print": "SAFETY FILM", "striped": True},
        {"splice_shift_um": 0.0},
        {"splice_base_density": 0.1, "splice_lateral_um": 40.0},
        {"perforation_side": "right"},
    ],
    ids=lambda changes: " ".join(changes),
)
@pytest.mark.parametrize("kind", ["tape", "cement"])
def test_other_film_and_light(kind, changes):
    # The kind of a cement splice may stay open (8 bits show nothing of dark borders); it is never another.
    found = found_on_drawn("super-8", 3, splice_kind=kind, **changes)
    assert [row for row, _ in found] == list(SPLICES)
    assert {name for _, name in found} <= {kind, ""}


@pytest.mark.parametrize(
    ("name", "gauge"),
    [("standard8-torn", "standard-8"), pytest.param("super8-faded", "super-8", marks=pytest.mark.campaign)],
)
def test_specimens_hold_no_splice(name, gauge):
    """Torn borders and scene changes of film that nobody here drew: none of it is a splice."""
    truth, frames = read_specimen(name, 18)
    found = splices_of(
        evidence([each[0] for each in frames], gauge, stated_um(name)),
        gauge,
        tuple(truth.get("scene_starts") or ()),
    )
    assert not found.splice.any()


NAMES = tuple(name.removeprefix("splice_") for name in SpliceReading.__slots__)


def columns(frames, **given):
    table = {name: np.full(frames, np.nan) for name in NAMES}
    for name, places in given.items():
        for row, value in places.items():
            table[name][row] = value
    return table


def told(frames=12, gauge=SUPER_8, starts=(), **given):
    found = find_splices(range(frames), scene_starts=starts, gauge=gauge, **columns(frames, **given))
    return {int(row): found.kind[row] for row in np.flatnonzero(found.splice)}


def test_two_ends_of_a_tape_without_a_gap_are_a_splice_on_the_frame_line_between_them():
    # Super 8: pitch 4.234 mm (ST149). Ends 2.2 mm to either side of the frame line before frame 5.
    ends = {"edge_mm": {4: -0.083, 5: 0.083}, "edge_score": {4: 20.0, 5: 20.0}}
    assert told(**ends) == {5: "tape"}


def test_splices_two_frames_apart_are_two():
    cuts = {"cut_mm": {5: -2.117, 7: -2.117}, "cut_score": {5: 40.0, 7: 50.0}}
    assert told(**cuts) == {5: "tape", 7: "tape"}


def test_one_dark_line_alone_is_no_splice():
    assert told(edge_mm={5: 0.4}, edge_score={5: 200.0}, starts=(5,)) == {}


def test_scene_change_alone_is_never_a_splice():
    found = find_splices(range(12), scene_starts=(4, 8), gauge=SUPER_8, **columns(12))
    assert not found.splice.any() and (found.confidence == 0).all()


def test_pitch_jump_alone_is_no_splice():
    pitch = dict.fromkeys(range(12), 0.0) | {6: 0.2}
    assert told(pitch_mm=pitch, starts=(6,), gauge=STANDARD_8) == {}


def test_stepped_edges_and_another_base_are_a_splice():
    # Both edges step by 0.05 mm, the most that the draft of 1949 allows, and the border is denser from then on.
    density = {row: 3.0 if row < 6 else 3.1 for row in range(12)}
    step = {"lateral_mm": {6: 0.05}, "lateral_at_mm": {6: -2.117}, "lateral_score": {6: 30.0}}
    assert told(border_density=density, **step) == {6: ""}
    assert told(border_density=density, starts=(6,)) == {}  # another base alone is not enough


def test_fog_that_comes_and_goes_is_no_other_base():
    density = {row: 2.5 if row in (4, 7, 10) else 3.0 for row in range(12)}
    step = {"edge_mm": {6: 0.0}, "edge_score": {6: 30.0}}
    assert told(border_density=density, **step) == {}


def test_film_run_the_other_way_round():
    cut = {"cut_mm": {5: 2.117}, "cut_score": {5: 40.0}}
    found = find_splices(range(12), scene_starts=(), gauge=SUPER_8, downwards=False, **columns(12, **cut))
    assert np.flatnonzero(found.splice).tolist() == [5]


def test_lines_before_the_first_frame_belong_to_no_frame():
    assert told(cut_mm={0: -2.117}, cut_score={0: 40.0}) == {}


def test_columns_of_different_length_are_refused():
    table = columns(12)
    table["cut_mm"] = table["cut_mm"][:5]
    with pytest.raises(CallerError, match="one length"):
        find_splices(range(12), scene_starts=(), gauge=SUPER_8, **table)


def test_a_frame_without_reference_says_nothing_and_a_wrong_plane_is_refused():
    truth = specimen_truth("super-8", width=512, height=384, frames=2)
    light = [light_of(truth, number) for number in range(2)]
    survey = find_gauge(
        light, gauges=GAUGES, stated="super-8", micrometres_per_pixel=truth.micrometres_per_pixel
    ).survey
    lost = measure_reference((), survey=survey)
    plane = np.ascontiguousarray(light[0][:, :, survey.channel])
    reading = measure_splice_evidence(plane, (), reference=lost, survey=survey)
    assert all(np.isnan(getattr(reading, name)) for name in SpliceReading.__slots__)
    with pytest.raises(CallerError, match="one plane of 384 x 512"):
        measure_splice_evidence(light[0], (), reference=lost, survey=survey)


def test_every_number_has_its_column():
    assert Counter(each.name for each in COLUMNS) == Counter(SpliceReading.__slots__)
