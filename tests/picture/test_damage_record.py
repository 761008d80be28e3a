"""Damage of the perforations: the word of each against drawn truth, and the reel's record against the scale."""

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import pytest
from specimen_frames import read_specimen, stated_um

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES, STANDARD_8, SUPER_8
from smallgauge.picture.damage import measure_damage, measure_frame_damage
from smallgauge.picture.damage_record import (
    find_damage_grades,
    find_perforation_numbers,
    find_perforation_states,
)
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.synthetic import PerforationDamage, draw_frame, frame_truth, specimen_truth

# What is drawn, how much of it, and the word that it must get. 0.3 mm parts a nick from a tear: drawn depths
# stray by a fifth, so they keep away from it.
CASES = (
    ("torn", 0.25, "torn"),
    ("claw", 0.15, "nicked"),
    ("claw", 0.5, "torn"),
    ("elongated", 0.06, "elongated"),
    ("elongated", 0.2, "elongated"),
    ("crack", 0.15, "cracked"),
    ("crack", 0.3, "cracked"),
    ("tape", 0.25, "covered"),
    ("specks", 0.25, "covered"),
    ("chipped", 0.15, "nicked"),
    ("chipped", 0.5, "torn"),
    ("running", 0.6, "torn"),
    ("missing", 0.2, "missing"),
)
CAMPAIGN = [(gauge, seed) for gauge in ("super-8", "standard-8", "16mm") for seed in range(1, 7)]


@dataclass
class Told:
    """What was said of a drawn reel."""

    table: Counter = field(default_factory=Counter)  # (drawn, expected, word)
    into_picture: Counter = field(default_factory=Counter)
    states: tuple = ()


def drawn_damage(cases=CASES, start=2, apart=3):
    return tuple(
        PerforationDamage(film_perforation=start + apart * k, kind=kind, amount_mm=amount)
        for k, (kind, amount, _) in enumerate(cases)
    )


def read_reel(gauge, seed, cases=CASES, *, polarity="bright hole", step=1, **changes):
    frames = 3 * len(cases) + 3
    truth = specimen_truth(
        gauge, frames=frames, damage=drawn_damage(cases), seed=seed, fast_noise=True, **changes
    )
    drawn = [
        np.float32(draw_frame(truth, n).samples) / np.float32((1 << truth.bits) - 1) for n in range(frames)
    ]
    survey = find_gauge(
        drawn[::2],
        gauges=GAUGES,
        stated=truth.gauge,
        polarity=polarity,
        micrometres_per_pixel=truth.micrometres_per_pixel,
    ).survey
    wanted = {2 + 3 * k: (f"{kind} {amount}", word) for k, (kind, amount, word) in enumerate(cases)}
    told, rows = Told(), []
    for n in range(0, frames, step):
        plane = np.ascontiguousarray(drawn[n][:, :, survey.channel])
        fixes = find_perforations(plane, survey=survey)
        reference = measure_reference(fixes, survey=survey)
        there = frame_truth(truth, n).perforations
        for reading in measure_frame_damage(plane, fixes, survey=survey):
            true = min(there, key=lambda each: abs(each.y_px - reading.y_px) + abs(each.x_px - reading.x_px))
            name, word = wanted.get(true.film_perforation, ("", "whole")) if true.row == 0 else ("", "whole")
            told.table[name, word, reading.damage] += 1
            told.into_picture[name, reading.into_picture] += 1
            number = find_perforation_numbers([n], [reading.y_px], [reference.y_px], survey=survey)[0]
            assert number == true.film_perforation
            rows.append((number, reading.row, reading.damage, reading.into_picture))
    columns = list(zip(*rows, strict=True))
    told.states = find_perforation_states(columns[0], columns[1], columns[2], into_picture=columns[3])
    return told


def wrong(told):
    """Readings with a wrong word; "" (too little in view) is not wrong."""
    return {key: count for key, count in told.table.items() if key[1] != key[2] and key[2] != ""}


@pytest.mark.parametrize("gauge", ["super-8", pytest.param("standard-8", marks=pytest.mark.campaign)])
def test_every_kind_of_damage_gets_its_word(gauge):
    told = read_reel(gauge, 11, width=512, height=384)
    assert wrong(told) == {}
    assert {key[0] for key in told.table if key[2]} >= {f"{kind} {amount}" for kind, amount, _ in CASES}
    assert told.into_picture["running 0.6", True] >= 1
    assert (
        sum(count for (name, runs), count in told.into_picture.items() if runs and name != "running 0.6") == 0
    )


@pytest.mark.campaign
@pytest.mark.parametrize(("gauge", "seed"), CAMPAIGN)
def test_confusion_over_many_reels(gauge, seed):
    told = read_reel(gauge, seed, width=1024, height=768)
    assert wrong(told) == {}


@pytest.mark.campaign
@pytest.mark.parametrize(
    "changes",
    [
        {"film": "negative"},
        {"open_gate_level": 1.1},
        {"grain_density": 0.12, "shot_noise": 0.012, "read_noise": 0.004},
        {"perforation_side": "right"},
        {"tilt_deg": 0.7},
        {"edge_print": "SAFETY FILM", "striped": True},
    ],
    ids=lambda changes: " ".join(changes),
)
@pytest.mark.parametrize("gauge", ["super-8", "standard-8"])
def test_confusion_on_other_film_and_light(gauge, changes):
    assert wrong(read_reel(gauge, 5, width=1024, height=768, **changes)) == {}


def test_whole_film_with_prints_and_stripes_is_whole():
    told = read_reel("standard-8", 3, (), width=512, height=384, striped=True, edge_print="SAFETY FILM")
    assert {key[2] for key in told.table} == {"whole"}


def test_depth_and_side_against_the_drawn_geometry():
    # An elongated hole is displaced by a known length, on a known side, exactly.
    cases = (("elongated", 0.1, ""), ("elongated", 0.2, ""))
    truth = specimen_truth("super-8", width=768, height=576, frames=8, damage=drawn_damage(cases), seed=2)
    light = [np.float32(draw_frame(truth, n).samples) / np.float32(65535) for n in range(8)]
    survey = find_gauge(
        light, gauges=GAUGES, stated="super-8", micrometres_per_pixel=truth.micrometres_per_pixel
    ).survey
    for frame, amount in ((2, 0.1), (5, 0.2)):
        plane = np.ascontiguousarray(light[frame][:, :, survey.channel])
        (fix,) = find_perforations(plane, survey=survey)
        place = frame_truth(truth, frame).perforations[0]
        reading = measure_damage(plane, fix, survey=survey, place_px=(place.x_px, place.y_px))
        assert reading.side == "bottom"
        assert reading.depth_mm == pytest.approx(amount, abs=0.02)
        assert reading.area_mm2 == pytest.approx(amount * 0.914, rel=0.15)  # ST149: width 0.914 mm


def test_reading_leaves_its_input_alone_and_repeats():
    truth = specimen_truth("super-8", width=512, height=384, frames=2)
    light = [np.float32(draw_frame(truth, n).samples) / np.float32(65535) for n in range(2)]
    survey = find_gauge(
        light, gauges=GAUGES, stated="super-8", micrometres_per_pixel=truth.micrometres_per_pixel
    ).survey
    plane = np.ascontiguousarray(light[0][:, :, survey.channel])
    before = plane.copy()
    fixes = find_perforations(plane, survey=survey)
    assert measure_frame_damage(plane, fixes, survey=survey) == measure_frame_damage(
        plane, fixes, survey=survey
    )
    np.testing.assert_array_equal(plane, before)
    with pytest.raises(CallerError, match="one plane of 384 x 512"):
        measure_damage(light[0], fixes[0], survey=survey)


def test_specimen_with_torn_perforations():
    """Words of the specimen's own truth, which nobody here drew: harm is never called whole, whole never harmed."""
    truth, frames = read_specimen("standard8-torn")
    light = [each[0] for each in frames]
    scale = stated_um("standard8-torn")
    survey = find_gauge(light, gauges=GAUGES, stated="standard-8", micrometres_per_pixel=scale).survey
    table = Counter()
    for frame, there in zip(light, truth["frames"], strict=True):
        plane = np.ascontiguousarray(frame[:, :, survey.channel])
        for reading in measure_frame_damage(plane, find_perforations(plane, survey=survey), survey=survey):
            true = min(there["perforations"], key=lambda each: abs(each["y"] - reading.y_px))
            table[true["damage"], reading.damage] += 1
    assert sum(count for (drawn, word), count in table.items() if drawn == "" and word != "whole") == 0
    assert table["crack", "cracked"] == sum(count for (drawn, _), count in table.items() if drawn == "crack")
    assert all(word == "torn" for drawn, word in table if "torn" in drawn)
    assert all(word in ("nicked", "torn", "cracked") for drawn, word in table if drawn.startswith("claw"))


@pytest.mark.parametrize(
    "name", ["super8-faded", pytest.param("super8-striped-18fps", marks=pytest.mark.campaign)]
)
def test_specimens_with_whole_perforations(name):
    _, frames = read_specimen(name, 10)
    light = [each[0] for each in frames]
    survey = find_gauge(light, gauges=GAUGES, stated="super-8", micrometres_per_pixel=stated_um(name)).survey
    words = Counter()
    for frame in light:
        plane = np.ascontiguousarray(frame[:, :, survey.channel])
        fixes = find_perforations(plane, survey=survey)
        words.update(each.damage for each in measure_frame_damage(plane, fixes, survey=survey))
    assert set(words) <= {"whole", ""}


def grades(*words, gauge=SUPER_8, running=()):
    inside = [k in running for k in range(len(words))]
    states = find_perforation_states(range(len(words)), [0] * len(words), words, into_picture=inside)
    return find_damage_grades(states, gauge=gauge)


@pytest.mark.parametrize(
    ("words", "grade"),
    [
        (["whole", "covered", ""], 0),
        (["whole", "nicked"], 1),
        (["elongated"], 1),
        (["nicked", "cracked"], 2),
        (["torn", "torn"], 3),
        (["torn", "whole", "torn", "torn"], 3),
        (["torn", "missing", "torn"], 4),
        (["missing"], 3),
    ],
)
def test_house_scale(words, grade):
    assert grades(*words).grade == grade


def test_tear_into_the_picture_is_grade_five():
    assert grades("whole", "torn", running=(1,)).grade == 5


def test_runs_and_footage():
    record = grades(*["whole"] * 160, "cracked", "torn", "torn", "torn", "whole", "nicked", gauge=STANDARD_8)
    first, second = record.runs
    assert (first.first, first.stop, first.grade, first.length) == (160, 164, 4, 4)
    assert float(first.first_feet) == 2.0  # ENCFOOT: 80 frames to the foot
    assert (second.first, second.stop, second.grade) == (165, 166, 1)
    assert record.longest == 4
    assert record.counts == (("whole", 161), ("nicked", 1), ("cracked", 1), ("torn", 3))
    assert record.grades == ((160, 2), (161, 4), (162, 4), (163, 4), (165, 1))


def test_two_rows_are_counted_apart():
    # One torn hole on each side of three frames: no three together in one row.
    states = find_perforation_states(
        [0, 0, 1, 1, 2, 2], [0, 1] * 3, ["torn", "whole", "whole", "torn", "torn", "whole"]
    )
    assert find_damage_grades(states, gauge=SUPER_8).grade == 3


def test_the_worst_reading_of_a_perforation_stands():
    states = find_perforation_states(
        [3, 3, 3, -1], [0] * 4, ["", "nicked", "torn", "torn"], into_picture=[True, False, False, True]
    )
    assert [(each.damage, each.into_picture) for each in states] == [("torn", True)]


def test_unknown_words_and_lengths_are_refused():
    with pytest.raises(CallerError, match="bent"):
        find_perforation_states([1], [0], ["bent"])
    with pytest.raises(CallerError, match="lengths"):
        find_perforation_states([1, 2], [0], ["torn"])
