"""Completeness on drawn reels of known faults, on columns made to order, and on the specimens."""

import importlib.util
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from specimen_frames import SPECIMENS, read_specimen

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import STANDARD_8, SUPER_8
from smallgauge.picture.completeness import (
    WEIGHTS,
    film_positions,
    find_links,
    find_missing,
    find_repeated,
    find_swapped,
    frames_advanced,
    measure_footage,
    measure_ledger,
)
from smallgauge.picture.repetition import (
    find_grain_layout,
    make_grain,
    measure_repetition,
)
from smallgauge.picture.synthetic import draw_frame, specimen_truth

_spec = importlib.util.spec_from_file_location(
    "benchmark_completeness", Path(__file__).parents[2] / "benchmarks" / "completeness.py"
)
drawn = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(drawn)

GRAIN = ("match", "match_skip", "follows", "follows_skip", "precedes", "precedes_skip")


def made_columns(film, *, seed=0, joined=0.85, other=0.12, still=0.12, scatter=0.02, direction=1):
    """Columns of grain of captured frames that show these film frames; `still`: match of other film frames."""
    random = np.random.default_rng(seed)
    film = np.asarray(film)
    columns = {}
    for name in ("match", "follows", "precedes"):
        for back, suffix in ((1, ""), (2, "_skip")):
            by = {"match": 0, "follows": direction, "precedes": -direction}[name]
            value = np.full(film.size, still if name == "match" else other)
            value[back:][film[back:] - film[:-back] == by] = joined
            value = value + scatter * random.standard_normal(film.size)
            value[:back] = np.nan
            columns[name + suffix] = value
    columns["edge_strength"] = 0.002 * (1 + 0.05 * random.standard_normal(film.size))
    return columns


def ledger_of(columns, **more):
    links = find_links(**columns)
    unknown = np.full(columns["match"].size, np.nan)
    values = {"time_s": unknown, "position_px": unknown, "pitch_px": unknown, **more}
    return measure_ledger(links, match=columns["match"], **values)


def faults_of(ledger):
    return {(run.kind, run.first, run.film_stop - run.film_first) for run in ledger.runs
            if run.kind not in ("captured once", "not known")}  # fmt: skip


def adds_up(ledger):
    """The runs cover every captured frame once, in order, and the film without a hole."""
    captured = film = 0
    for run in ledger.runs:
        assert run.first == captured
        captured = run.stop
        if run.kind == "captured twice":
            assert (run.film_first, run.film_stop) == (film - 1, film) and run.stop == run.first + 1
            continue
        assert run.film_first == film
        film = run.film_stop
        assert run.film_stop - run.film_first == run.stop - run.first or (
            run.kind == "missing" and run.first == run.stop
        )
    assert (captured, film) == (ledger.captured, ledger.film_frames)
    assert ledger.captured - ledger.repeated + ledger.missing == ledger.film_frames
    return True


# --- drawn reels ---


@pytest.fixture(scope="module")
def tripod_reel():
    return drawn.measure_reel(drawn.Kind(tripod=True, frames=64, faults=6), seed=5)


def test_every_fault_of_a_tripod_shot_is_found(tripod_reel):
    ledger = drawn.account(tripod_reel)
    assert len(tripod_reel.faults) == 6
    assert drawn.found_in(ledger) == tripod_reel.faults
    assert ledger.suspected == () and ledger.not_known == 0
    assert adds_up(ledger)


def test_far_beyond_a_plain_difference(tripod_reel):
    """Lost frames of a shot that stands still leave no mark in the difference of frames."""
    lost = {frame for kind, frame in tripod_reel.faults if kind == "missing"}
    assert drawn.best_by_threshold(tripod_reel.difference, lost, low=False) < 0.7


def test_film_positions_of_a_drawn_reel(tripod_reel):
    """True film frames, but for the count of what is missing, which nothing tells here."""
    positions = film_positions(drawn.account(tripod_reel))
    true = np.unique(tripod_reel.film, return_inverse=True)[1]
    found = np.unique(positions, return_inverse=True)[1]
    assert np.array_equal(found, true)


def test_compressed_capture():
    """JPEG of quality 75: faults are still found."""
    reel = drawn.measure_reel(drawn.Kind(frames=40, faults=3, jpeg=75), seed=6)
    assert drawn.found_in(drawn.account(reel)) == reel.faults


@pytest.mark.campaign
@pytest.mark.parametrize("number", range(len(drawn.KINDS)))
def test_every_fault_of_many_drawn_reels(number):
    """All found and none too many; without the neighbours in view only what time stamps and grain tell.

    JPEG at quality 60 leaves too little grain to find every fault: at least nine in ten.
    """
    kind = drawn.KINDS[number]
    right = total = 0
    for seed in (80, 81):
        reel = drawn.measure_reel(kind, seed=seed)
        ledger = drawn.account(reel)
        found = drawn.found_in(ledger)
        assert adds_up(ledger)
        assert found <= reel.faults
        told = {f for f in reel.faults if kind.overlap or kind.stamps or f[0] == "captured twice"}
        right, total = right + len(found & told), total + len(told)
    assert right >= (0.9 * total if kind.jpeg == 60 else total)


@pytest.mark.campaign
@pytest.mark.parametrize("tripod", [False, True])
def test_false_alarms_in_ten_thousand_frames(tripod):
    """At most one in 10,000 frames (half of them here)."""
    false = 0
    for seed in range(10):
        kind = drawn.Kind(tripod=tripod, frames=500, faults=0, size=(320, 240))
        false += len(drawn.found_in(drawn.account(drawn.measure_reel(kind, seed=300 + seed))))
    assert false == 0


def test_neighbours_show_the_grain_of_this_frame():
    """The drawn film is one piece: the foot of a frame and the head of the next show the same grain."""
    truth = specimen_truth("super 8", width=400, height=300, frames=3, shot_noise=0.0, read_noise=0.0)
    _, layout = drawn.layout_of(truth)
    sheets = [
        make_grain(drawn.light_of(d, 0), reference_px=d.film_reference_px, layout=layout)
        for d in (draw_frame(truth, 0), draw_frame(truth, 1))
    ]
    reading = measure_repetition(sheets[1], sheets[0], None, layout=layout)
    assert reading.grain_follows > 0.85 > 0.3 > reading.grain_precedes


# --- whole columns ---


def test_columns_that_do_not_fit_are_refused():
    columns = made_columns(np.arange(20))
    links = find_links(**columns)
    with pytest.raises(CallerError):
        find_links(**(columns | {"follows": np.zeros(19)}))
    with pytest.raises(CallerError):
        find_repeated(links, match=columns["match"], same_samples=np.zeros(19, bool))
    with pytest.raises(CallerError):
        find_missing(links, advanced=np.ones(19))
    with pytest.raises(CallerError):
        find_swapped(links, time_s=np.ones(19))
    with pytest.raises(CallerError):
        frames_advanced(np.ones(5), position_px=np.ones(4), pitch_px=np.ones(5))


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("still", [0.12, 0.6])
@pytest.mark.parametrize("seed", range(5))
def test_ledger_of_random_faults(direction, still, seed):
    """Any mixture of faults, film loaded either way, live or still: found, and the account adds up."""
    random = np.random.default_rng(seed)
    film, expected, following = [], set(), 0  # `following`: the film frame that comes next
    for _ in range(30):
        length = int(random.integers(4, 13))
        film += range(following, following + length)
        following += length
        kind = ("captured twice", "missing", "swapped")[int(random.integers(3))]
        expected.add((kind, len(film), 2 if kind == "swapped" else 1))
        if kind == "captured twice":
            film.append(following - 1)
        elif kind == "missing":
            following += 1
        else:
            film += [following + 1, following]
            following += 2
    film += range(following, following + 9)
    ledger = ledger_of(made_columns(film, seed=seed, still=still, direction=direction))
    assert faults_of(ledger) == expected
    assert adds_up(ledger)
    assert np.array_equal(film_positions(ledger), film)
    assert not ledger.missing_count_known or ledger.missing == 0


def test_no_false_alarm_in_columns_of_chance():
    """200,000 frames of even film whose readings scatter by 0.05."""
    for seed in range(10):
        columns = made_columns(np.arange(20_000), seed=seed, joined=0.7, still=0.3, scatter=0.05)
        assert faults_of(ledger_of(columns)) == set()


def test_how_many_are_missing_comes_from_stamps_or_numbers():
    film = np.r_[0:20, 23:40]
    time_s = 0.25 * film
    assert faults_of(ledger_of(made_columns(film), time_s=time_s)) == {("missing", 20, 3)}
    numbers = np.zeros(film.size, int)
    numbers[20] = 3
    ledger = ledger_of(made_columns(film), numbers_skipped=numbers)
    assert faults_of(ledger) == {("missing", 20, 3)} and ledger.missing_count_known
    numbers[20] = 2  # numbers and stamps disagree
    assert not ledger_of(made_columns(film), time_s=time_s, numbers_skipped=numbers).missing_count_known


def test_numbers_that_skip_while_the_film_runs_on():
    numbers = np.zeros(40, int)
    numbers[17] = 4
    ledger = ledger_of(made_columns(np.arange(40)), numbers_skipped=numbers)
    assert faults_of(ledger) == set() and ledger.film_frames == 40
    without = {name: np.full(40, np.nan) for name in made_columns(np.arange(40))}
    assert faults_of(ledger_of(without, numbers_skipped=numbers)) == {("missing", 17, 4)}


def even_times(count, seed, *, jitter=0.001):
    """Stamps of a transport that wanders between 12 and 24 frames a second."""
    random = np.random.default_rng(seed)
    rate = 18 + 6 * np.sin(np.arange(count) / 40 + random.uniform(0, 6))
    return np.cumsum(1 / rate) + jitter * random.standard_normal(count)


def without_grain(count):
    return {name: np.full(count, np.nan) for name in (*GRAIN, "edge_strength")}


def test_stamps_alone():
    """Every frame lost is found by its time step; none where the transport only wandered or stopped."""
    lost = np.array([50, 90, 91, 200, 333])
    time_s = np.delete(even_times(400, 1), lost)
    ledger = ledger_of(without_grain(395), time_s=time_s)
    assert faults_of(ledger) == {
        ("missing", 50, 1),
        ("missing", 89, 2),
        ("missing", 197, 1),
        ("missing", 329, 1),
    }
    for seed in range(20):
        assert faults_of(ledger_of(without_grain(2000), time_s=even_times(2000, seed))) == set()
    stopped = even_times(400, 2)
    stopped[120:] += 7.5
    ledger = ledger_of(without_grain(400), time_s=stopped)
    assert faults_of(ledger) == set()
    assert [fault.frame for fault in ledger.suspected] == [120]
    joined = ledger_of(made_columns(np.arange(400)), time_s=stopped)  # the film itself runs on
    assert joined.suspected == () and joined.not_known == 0


@pytest.mark.parametrize("name", ["standard8-torn", "super8-faded", "super8-striped-18fps"])
def test_stamps_of_specimens(name):
    """The scan speed of one wanders between 12 and 24: no alarm, and any one frame taken out is found."""
    path = SPECIMENS / name / "capture" / "frames.csv"
    if not path.is_file():
        pytest.skip(f"left out: the specimen {name} is not at ../shared/specimens")
    time_s = np.loadtxt(path, delimiter=",", skiprows=1)[:, 1]
    assert faults_of(ledger_of(without_grain(time_s.size), time_s=time_s)) == set()
    for lost in range(4, time_s.size - 4):
        ledger = ledger_of(without_grain(time_s.size - 1), time_s=np.delete(time_s, lost))
        assert faults_of(ledger) == {("missing", lost, 1)}


def test_uneven_or_absent_stamps_tell_nothing():
    random = np.random.default_rng(1)
    ragged = np.cumsum(random.uniform(0.02, 0.2, 200))
    assert np.isnan(frames_advanced(ragged, position_px=ragged * np.nan, pitch_px=ragged * np.nan)).all()
    ledger = ledger_of(without_grain(200))
    assert ledger.not_known == 200 and len(ledger.not_told) == 3 and faults_of(ledger) == set()
    assert all(run.kind == "not known" and run.reason for run in ledger.runs)


def test_place_in_the_gate_is_taken_off_the_time_step():
    """A free-running camera: steps are even in time, and the film lies further on in each picture."""
    travel = np.arange(60) * 1.06  # pitches between pictures
    place = (np.arange(60) - travel) * 470.0 + 400.0  # film runs upwards, the frame of the same number
    time_s = travel / 18.0
    steps = frames_advanced(time_s, position_px=place, pitch_px=np.full(60, 470.0))
    assert np.nanmax(np.abs(steps[1:] - 1.0)) < 0.07
    jump = place.copy()
    jump[30:] += 300.0
    assert math.isnan(frames_advanced(time_s, position_px=jump, pitch_px=np.full(60, 470.0))[30])


def test_stamps_out_of_order():
    time_s = even_times(60, 3)
    time_s[[30, 31]] = time_s[[31, 30]]
    assert faults_of(ledger_of(without_grain(60), time_s=time_s)) == {("swapped", 30, 2)}
    on = ledger_of(made_columns(np.arange(60)), time_s=time_s)  # only the stamps are in the wrong order
    assert faults_of(on) == set() and on.suspected == ()


def test_motion_alone_is_suspicion():
    film = np.r_[0:20, 21:40].astype(float)
    step = np.r_[np.nan, np.diff(film)] * 0.1
    skip = np.r_[np.nan, np.nan, film[2:] - film[:-2]] * 0.1
    ledger = ledger_of(without_grain(39), step=step, step_skip=skip)
    assert [(fault.kind, fault.frame) for fault in ledger.suspected] == [("missing", 20)]
    film = np.arange(40.0)
    film[[20, 21]] = 21, 20
    step = np.abs(np.r_[np.nan, np.diff(film)]) * 0.1
    skip = np.abs(np.r_[np.nan, np.nan, film[2:] - film[:-2]]) * 0.1
    ledger = ledger_of(without_grain(40), step=step, step_skip=skip)
    assert ("swapped", 20) in {(fault.kind, fault.frame) for fault in ledger.suspected}
    assert faults_of(ledger) == set()


def test_what_grain_cannot_tell():
    """Dark or blurred stretches, and one such frame, are not known: no alarm."""
    columns = made_columns(np.arange(120))
    for name in ("follows", "follows_skip", "precedes"):
        columns[name][40:60] = 0.05
    columns["edge_strength"][40:60] = 0.0002
    columns["follows"][90] = 0.1
    columns["edge_strength"][90] = 0.0008
    ledger = ledger_of(columns)
    assert faults_of(ledger) == set()
    assert {run.first for run in ledger.runs if run.kind == "not known"} >= {90}
    assert ledger.not_known >= 15
    stamped = ledger_of(columns, time_s=even_times(120, 1))
    assert stamped.not_known == 0


def test_grain_that_stops_matching_is_no_row_of_losses():
    """Overlap that no longer fits from somewhere on (a mask, another lens) says nothing of lost frames."""
    columns = made_columns(np.arange(100))
    columns["follows"][50:] = columns["follows_skip"][50:]
    assert faults_of(ledger_of(columns)) == set()


def test_one_film_frame_many_times():
    """Four captures of one frame are found; a jammed transport is not known, and nothing is called missing."""
    film = np.r_[0:30, 29, 29, 29, 30:60]
    ledger = ledger_of(made_columns(film))
    assert faults_of(ledger) == {("captured twice", frame, 1) for frame in (30, 31, 32)} and adds_up(ledger)
    jammed = ledger_of(made_columns(np.r_[0:30, np.full(40, 29), 30:60]))
    assert {kind for kind, _, _ in faults_of(jammed)} <= {"captured twice"} and jammed.not_known >= 25


def test_repeat_just_after_a_scene_that_stood_still():
    """A still lawn has its detail in the band (0.6); a weak repeat in the next scene's first frames is found."""
    film = np.r_[0:30, 30, 31, 31, 32:60]
    columns = made_columns(film, still=0.1, joined=0.6)
    columns["match"][:31] += 0.5
    columns["match_skip"][:31] += 0.5
    assert faults_of(ledger_of(columns)) == {("captured twice", 32, 1)}


def test_suspicion_next_to_a_fault_does_not_hide_it():
    film = np.r_[0:20, 21, 20, 22:40]
    step = np.r_[np.nan, np.full(39, 0.1)]
    skip = np.r_[np.nan, np.nan, np.full(38, 0.15)]
    skip[[20, 21]] = 0.01  # frames 19 and 20 look exchanged, by motion only
    ledger = ledger_of(made_columns(film), step=step, step_skip=skip)
    assert faults_of(ledger) == {("swapped", 20, 2)}


def test_bit_equal_frames():
    equal = np.zeros(30, bool)
    equal[[4, 5]] = True
    ledger = ledger_of(without_grain(30), same_samples=equal)
    assert faults_of(ledger) == {("captured twice", 4, 1), ("captured twice", 5, 1)}
    assert ledger.film_frames == 28 and adds_up(ledger)


def test_short_captures():
    for count in range(4):
        ledger = ledger_of(without_grain(count))
        assert (ledger.captured, ledger.film_frames) == (count, count)


def test_length_against_intake():
    """Trade counts (ENCFOOT): 50 ft of Super 8 are 3600 frames, 25 ft of standard 8 2000."""
    ledger = ledger_of(made_columns(np.arange(2000)))
    check = measure_footage(ledger, gauge=STANDARD_8, feet=25)
    assert (check.stated_frames, check.difference, check.verdict) == (2000, 0, "agrees")
    check = measure_footage(ledger, gauge=SUPER_8, feet=50)
    assert (check.difference, check.verdict) == (-1600, "shorter than stated")
    check = measure_footage(ledger, gauge=SUPER_8, feet=Fraction("27.5"), doubt_feet=0)
    assert check.verdict == "longer than stated"
    with pytest.raises(CallerError):
        measure_footage(ledger, gauge=SUPER_8, feet=-1)


def test_evidence_is_named_and_weighed():
    ledger = ledger_of(made_columns(np.r_[0:20, 22:40]), time_s=0.1 * np.r_[0:20, 22:40])
    fault = next(run for run in ledger.runs if run.kind == "missing")
    assert {each.name: each.weight for each in fault.evidence} == {
        name: WEIGHTS[name] for name in ("film apart", "time step")
    }
    total = WEIGHTS["usual"] + sum(each.weight for each in fault.evidence)
    assert fault.confidence == pytest.approx(1 / (1 + math.exp(-total)), abs=1e-5)


@pytest.mark.parametrize("name", ["standard8-torn", "super8-faded", "super8-striped-18fps"])
def test_specimens_give_no_false_alarm(name):
    truth, frames = read_specimen(name)
    facts = truth["frames"]
    reference = np.array([fact["film_reference"] for fact in facts])
    corners = (np.array([fact["aperture_corners"] for fact in facts]) - reference[:, None]).mean(axis=0)
    facts_of = STANDARD_8 if name.startswith("standard8") else SUPER_8
    px_per_mm = 1000 / (12 if "striped" in name else 11) * 0.994
    height, width = frames[0][0].shape[:2]
    layout = find_grain_layout(
        frame_px=(width, height),
        reference_px=tuple(reference.mean(axis=0)),
        area_px=(*corners.min(axis=0), *corners.max(axis=0)),
        pitch_px=facts_of.pitch_long_mm.value * px_per_mm,
        px_per_mm=px_per_mm,
        spread_px=float(reference.std(axis=0).max()),
    )
    sheets = [
        make_grain(np.ascontiguousarray(light[..., 1]), reference_px=tuple(place), layout=layout)
        for place, (light, _, _) in zip(reference, frames, strict=True)
    ]
    readings = [
        measure_repetition(s, sheets[t - 1] if t else None, sheets[t - 2] if t > 1 else None, layout=layout)
        for t, s in enumerate(sheets)
    ]
    columns = {name: np.array([getattr(r, f"grain_{name}") for r in readings]) for name in GRAIN}
    columns["edge_strength"] = np.array([r.edge_grain_strength for r in readings])
    assert faults_of(ledger_of(columns)) == set()
