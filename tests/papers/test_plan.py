"""The plan of a finished film from stored papers: order, gaps, repeats, segments, sound."""

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import Table, read_table
from smallgauge.record.track import GuideHeard, TrackPaper
from smallgauge.record.treatment import decide, treatment_of
from smallgauge.render.plan import plan_rendering
from smallgauge.render.plan_sound import sound_samples
from smallgauge.render.reel import render_findings
from smallgauge.sound.hum import HumReading
from smallgauge.sound.recording import RecordingReading
from smallgauge.sound.speed import in_sample_at
from smallgauge.treat.propose import propose_treatment

AT = "2026-01-17T10:00:00Z"
FRAMES = 12


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    """Capture, frame table and decisions of a small striped reel, as the passes stored them."""
    base = tmp_path_factory.mktemp("plan")
    truth = specimen_truth("super 8", width=256, height=192, frames=FRAMES, bits=8, striped=True)
    write_specimen(base / "capture", truth, format="png", reel="planned", box_words="", processes=1)
    outcome = finish(base / "capture", base / "shelf", Settings(at=AT, workers=1, last_step="treat"))
    folder = Path(outcome.folder)
    capture = read_json(folder / "capture.json", Capture)
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    return capture, frames, read_decisions(folder / "decisions.jsonl")


def silent(capture: Capture) -> Capture:
    return replace(capture, sound=None)


def changed(frames: Table, **values: object) -> Table:
    return replace(frames, values={**frames.values, **values})


def with_gap(frames: Table, after: int, missing: int) -> Table:
    """The numbering skips frames."""
    position = frames["film_position"].copy()
    position[after + 1 :] += missing
    return changed(frames, film_position=position)


def unreadable(frames: Table, *numbers: int) -> Table:
    flags = frames["flags"].copy()
    flags[list(numbers)] |= FLAG_NAMED["unreadable"].mask
    x, y = frames["perforation_x_px"].copy(), frames["perforation_y_px"].copy()
    x[list(numbers)] = y[list(numbers)] = np.nan
    return changed(frames, flags=flags, perforation_x_px=x, perforation_y_px=y)


def plan_of(capture, frames, decisions, track=None):
    return plan_rendering(capture, frames, treatment_of(decisions), track=track)


def order(plan):
    return [(f.film_position, f.source, f.kind) for f in plan.frames]


def test_the_same_papers_give_the_same_plan(papers):
    one, other = plan_of(*papers), plan_of(*papers)
    assert one.frames == other.frames and one.copies == other.copies
    assert one.sound.map.in_sample.tobytes() == other.sound.map.in_sample.tobytes()
    assert order(one) == [(n, n, "captured") for n in range(FRAMES)]
    assert [f.finished for f in one.frames] == list(range(FRAMES))


def test_a_gap_is_left_out_of_a_silent_film(papers):
    capture, frames, decisions = papers
    plan = plan_of(silent(capture), with_gap(frames, 4, 3), decisions)
    assert plan.left_out == (5, 6, 7) and plan.repeated == ()
    assert order(plan) == [(n if n < 5 else n + 3, n, "captured") for n in range(FRAMES)]


def test_a_gap_keeps_its_time_where_there_is_sound(papers):
    capture, frames, decisions = papers
    plan = plan_of(capture, with_gap(frames, 4, 3), decisions)
    assert plan.left_out == () and plan.repeated == (5, 6, 7)
    assert order(plan)[4:9] == [
        (4, 4, "captured"),
        (5, 4, "repeated"),
        (6, 4, "repeated"),
        (7, 4, "repeated"),
        (8, 5, "captured"),
    ]
    assert plan.sound.map.out_samples == sound_samples(FRAMES + 3, plan.rate)


@pytest.mark.parametrize(("numbers", "first"), [((0,), 1), ((0, 1), 2)])
def test_what_lacks_at_the_head_shows_the_first_picture(papers, numbers, first):
    capture, frames, decisions = papers
    plan = plan_of(capture, unreadable(frames, *numbers), decisions)
    assert order(plan)[: first + 1] == [
        *((n, first, "repeated") for n in range(first)),
        (first, first, "captured"),
    ]
    plan = plan_of(silent(capture), unreadable(frames, *numbers), decisions)
    assert plan.left_out == numbers and order(plan)[0] == (first, first, "captured")


def test_segments_begin_where_the_film_says(papers, monkeypatch):
    """At multiples of film positions, so that a gap moves no later segment."""
    capture, frames, decisions = papers
    monkeypatch.setattr(sys.modules["smallgauge.render.plan"], "SEGMENT_FRAMES", 4)
    assert plan_of(capture, frames, decisions).segments() == ((0, 4), (4, 8), (8, 12))
    plan = plan_of(silent(capture), with_gap(frames, 5, 3), decisions)
    assert plan.segments() == ((0, 4), (4, 6), (6, 9), (9, 12))
    for first, stop in plan.segments():
        assert len({plan.frames[n].film_position // 4 for n in range(first, stop)}) == 1


def test_a_camera_speed_moves_no_picture(papers):
    capture, frames, decisions = papers
    before = plan_of(*papers)
    log = decide(decisions, subject="camera_speed", value={"rate": "50/3"}, by="mk", at=AT, why="seen")
    plan = plan_of(capture, frames, log)
    assert plan.rate == Fraction(50, 3)
    assert plan.frames == before.frames
    assert plan.sound.map.out_samples == sound_samples(FRAMES, Fraction(50, 3)) == 34_560


@pytest.mark.parametrize("rate", ["16", "50/3", "18", "24", "25"])
def test_the_television_copy_repeats_evenly(papers, rate):
    """Repeats differ by at most one, every frame is shown where the copy is quicker, and the length is right."""
    capture, frames, decisions = papers
    log = decide(decisions, subject="camera_speed", value={"rate": rate}, by="mk", at=AT, why="seen")
    viewing, television = plan_of(capture, frames, log).copies
    assert viewing.shown == tuple(range(FRAMES)) and viewing.rate == Fraction(rate)
    times = np.bincount(television.shown, minlength=FRAMES)
    assert times.min() >= 1 and times.max() - times.min() <= 1
    assert abs(Fraction(len(television.shown), 25) - FRAMES / Fraction(rate)) < Fraction(1, 25)
    assert list(television.shown) == sorted(television.shown)


def test_one_mark_brings_seen_and_heard_together(papers):
    """What is seen in the marked frame is heard, in the finished sound, as that frame begins to show."""
    capture, frames, decisions = papers
    value = {"shift_frames": 0.0, "set": True, "marks": [{"frame": 7, "sound_s": 2.3}]}
    log = decide(decisions, subject="sync", value=value, by="mk", at=AT, why="a door")
    plan = plan_of(capture, frames, log)
    assert plan.sound.set
    shown_at = 7 * 48_000 / float(plan.rate)
    heard_at = float(in_sample_at(plan.sound.map, [shown_at])[0][0]) / capture.sound.rate
    assert abs(heard_at - 2.3) < 1e-4


def loaded(decisions, text: str):
    return decide(
        decisions, subject="loading", value=decided_value("loading", text), by="mk", at=AT, why="looked"
    )


def test_tail_first_the_last_captured_frame_is_the_film_s_first(papers):
    """Places, scenes and gaps count from the head; a mark still names the captured frame."""
    capture, frames, decisions = papers
    scene = np.repeat([0, 1, 2], FRAMES // 3).astype(np.int32)
    table = with_gap(changed(frames, scene=scene), 3, 2)
    plan = plan_of(silent(capture), table, loaded(decisions, "tail first"))
    assert [(f.film_position, f.source) for f in plan.frames] == [
        *((n, FRAMES - 1 - n) for n in range(8)),
        *((n + 2, FRAMES - 1 - n) for n in range(8, FRAMES)),
    ]
    assert [f.scene for f in plan.frames] == [0] * 4 + [1] * 4 + [2] * 4
    assert plan.left_out == (8, 9)
    gone = plan_of(capture, unreadable(frames, FRAMES - 1), loaded(decisions, "tail first"))
    assert order(gone)[:2] == [(0, FRAMES - 2, "repeated"), (1, FRAMES - 2, "captured")]
    value = {"shift_frames": 0.0, "set": True, "marks": [{"frame": 7, "sound_s": 2.3}]}
    log = decide(loaded(decisions, "tail first"), subject="sync", value=value, by="mk", at=AT, why="a door")
    plan = plan_of(capture, frames, log)
    shown_at = (FRAMES - 1 - 7) * 48_000 / float(plan.rate)
    heard_at = float(in_sample_at(plan.sound.map, [shown_at])[0][0]) / capture.sound.rate
    assert abs(heard_at - 2.3) < 1e-4


@pytest.mark.parametrize(
    ("text", "corner"),
    [
        ("head first", (0, 0)),
        ("head first, flipped", (1, 0)),
        ("tail first", (1, 1)),
        ("tail first, flipped", (0, 1)),
        ("head first, upside down", (1, 1)),
        ("tail first, upside down", (0, 0)),
    ],
)
def test_the_finished_picture_s_first_corner_is_that_of_the_film(papers, text, corner):
    """Upper left of the picture lay there in the captured window: 0 left or upper, 1 right or lower."""
    capture, frames, decisions = papers
    before, after = plan_of(*papers), plan_of(capture, frames, loaded(decisions, text))
    first = {f.source: f.move for f in before.frames}
    far = (before.width - 1.0, before.height - 1.0)
    for frame in after.frames:
        want = first[frame.source].place(corner[0] * far[0], corner[1] * far[1])
        assert frame.move.place(0.0, 0.0) == pytest.approx(want, abs=1e-9)
        determinant = frame.move.a * frame.move.e - frame.move.b * frame.move.d
        assert (determinant < 0) == ("flipped" in text)


def test_a_loading_that_is_none_is_refused():
    for text in ("head first, tail first", "sideways", ""):
        with pytest.raises(CallerError, match="loading needs"):
            decided_value("loading", text)


def marked(decisions, *marks):
    value = decided_value("sync", " ".join(f"{frame}@{second}" for frame, second in marks))
    return decide(decisions, subject="sync", value=value, by="mk", at=AT, why="doors")


def codes(capture, plan):
    return {finding.code for finding in render_findings(capture, plan)}


def test_a_mark_that_disagrees_with_the_stated_head_distance_is_a_finding(papers):
    capture, frames, decisions = papers
    plan = plan_of(capture, frames, decisions)
    assert plan.sound.set and "sync mark differs" not in codes(capture, plan)  # stated, and no mark
    at = float(in_sample_at(plan.sound.map, [7 * 48_000 / float(plan.rate)])[0][0]) / capture.sound.rate
    near = plan_of(capture, frames, marked(decisions, (7, round(at, 4))))
    assert near.sound.marks_off_frames < 0.05 and "sync mark differs" not in codes(capture, near)
    far = plan_of(capture, frames, marked(decisions, (7, round(at + 0.2, 4))))
    assert far.sound.marks_off_frames > 0.5 and "sync mark differs" in codes(capture, far)


def test_sound_captured_apart_is_laid_by_marks_and_says_how_surely(papers):
    """No mark: not set. One: start set, drift not known. Two: laid, with a band that is small at the marks."""
    capture, frames, decisions = papers
    capture = replace(capture, notes=replace(capture.notes, sound_run="apart", sound_head_offset_frames=None))
    log = propose_treatment(capture, frames, decisions, at=AT, head_offset_frames=None)
    none = plan_of(capture, frames, log)
    assert not none.sound.set and codes(capture, none) >= {"sync not set"}
    one = plan_of(capture, frames, marked(log, (7, 2.3)))
    assert one.sound.set and "start set, drift not known" in codes(capture, one)
    rate = float(one.rate)
    two = plan_of(capture, frames, marked(log, (2, 2.3), (FRAMES - 2, 2.3 + (FRAMES - 4) / rate)))
    assert codes(capture, two) & {"sound laid by fixes", "sound band wide"}
    heard_at = float(in_sample_at(two.sound.map, [2 * 48_000 / rate])[0][0]) / capture.sound.rate
    assert abs(heard_at - 2.3) < 0.002 and two.sound.error_s.min() < 0.02
    assert len(two.sound.fixes) == 2 and abs(two.sound.fixes[0].left_out_s) < 0.01


def test_a_guide_lays_the_sound_and_its_jumps_and_refusals_are_said(papers):
    """Found: laid, the windows told together. Jumps, or not found: not set, each in its own words."""
    capture, frames, decisions = papers
    capture = replace(capture, notes=replace(capture.notes, sound_run="wild tape"))
    places = np.linspace(0, FRAMES, 13)
    guide = GuideHeard(
        refusal="", rate=Fraction(18), speed=1.01, kept=0.9, sigma_s=0.0003,
        film_positions=tuple(places), sound_s=tuple(2.0 + places / 18 * 1.01),
    )  # fmt: skip
    track = TrackPaper(
        capture_digest="d",
        recording=RecordingReading(state="recorded", rises_db=20.0, slope=np.nan, slope_sigma=np.nan),
        hum=HumReading(refusal="no hum"),
        guide=guide,
    )
    log = propose_treatment(capture, frames, decisions, at=AT, head_offset_frames=None, track=track)
    laid = plan_of(capture, frames, log, track=track)
    assert laid.sound.set and laid.sound.guide.used and laid.sound.fixes == ()
    assert laid.sound.guide.left_max_s < 1e-4 and laid.sound.band_s < 0.02
    assert "sound laid by its guide" in codes(capture, laid)
    jumped = replace(track, guide=replace(guide, jumps=((3.0, 9.0),)))
    plan = plan_of(capture, frames, log, track=jumped)
    assert not plan.sound.set and "sound jumps on its guide" in codes(capture, plan)
    lost = replace(track, guide=GuideHeard(refusal="not found"))
    plan = plan_of(capture, frames, log, track=lost)
    assert not plan.sound.set and codes(capture, plan) >= {"sync not set", "guide lays nothing"}


def test_a_break_without_a_mark_behind_it_is_not_set(papers):
    capture, frames, decisions = papers
    capture = replace(
        capture, notes=replace(capture.notes, sound_run="wild tape", sound_breaks=(FRAMES // 2,))
    )
    assert not plan_of(capture, frames, marked(decisions, (2, 2.3))).sound.set
    assert plan_of(capture, frames, marked(decisions, (2, 2.3), (FRAMES - 2, 9.0))).sound.set


def test_a_mark_in_a_frame_that_the_capture_has_not_is_refused(papers):
    capture, frames, decisions = papers
    value = {"shift_frames": 0.0, "set": True, "marks": [{"frame": len(frames), "sound_s": 2.3}]}
    log = decide(decisions, subject="sync", value=value, by="mk", at=AT, why="a door")
    with pytest.raises(CallerError, match="needs a frame of this capture"):
        plan_of(capture, frames, log)


def test_without_head_distance_the_sound_is_laid_unmoved(papers):
    capture, frames, decisions = papers
    value = {"shift_frames": 0.0, "set": False}
    log = decide(decisions, subject="sync", value=value, by="mk", at=AT, why="not known")
    plan = plan_of(capture, frames, log)
    assert not plan.sound.set and plan.sound.shift_frames == 0.0


def test_the_length_of_sound_is_the_next_whole_sample():
    """ceil(frames x 48000 / rate), in exact arithmetic."""
    assert sound_samples(3600, Fraction(18)) == 9_600_000
    assert sound_samples(1, Fraction(50, 3)) == 2880
    assert sound_samples(1, Fraction(18)) == 2667  # 2666.67


def test_a_scene_of_its_own_speed_is_seen_in_the_television_copy_alone(papers):
    capture, frames, decisions = papers
    frames = changed(frames, scene=(np.arange(FRAMES) >= 5).astype(np.int32))
    decisions = decide(decisions, subject="camera_speed", value={"rate": "18"}, by="m.k.", at=AT, why="look")
    decisions = decide(
        decisions,
        subject="camera_speed",
        value={"rate": "12"},
        by="m.k.",
        at=AT,
        why="look",
        anchor="scene@3",
    )
    plan = plan_of(silent(capture), frames, decisions)
    viewing, television = plan.copies
    assert plan.rate == 18 and viewing.shown == tuple(range(FRAMES))
    times = np.bincount(television.shown, minlength=FRAMES)
    assert times[:5].sum() == 11 and set(times[:5]) == {2, 3}  # 5 / 12 s at 25 a second
    assert len(television.shown) == int(np.ceil(25 * (Fraction(5, 12) + Fraction(FRAMES - 5, 18))))
