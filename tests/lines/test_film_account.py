"""The account of a capture's frames, the film's perforations and splices, from drawn reels with known truth."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_reels import settings, small_reel

from smallgauge.line import decide_on, finish
from smallgauge.picture.synthetic import PerforationDamage, film_frame_of
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.render.plan import plan_rendering

MISSING, TWICE, SWAPPED = (17, 18), 26, 9  # film frames; the pair that begins with film frame 9
CLAW = PerforationDamage(film_perforation=30, kind="claw", amount_mm=0.5)


def faulty_reel(folder: Path, frames: int = 36):
    """A silent reel with two frames not captured, one captured twice, and two files in each other's place."""
    truth = small_reel(
        folder,
        sound=False,
        format="dpx",
        width=320,
        height=240,
        frames=frames,
        missing=MISSING,
        repeated=(TWICE,),
        damage=(CLAW,),
        splices=(22,),
    )
    one, other = folder / f"frame_{SWAPPED:06d}.dpx", folder / f"frame_{SWAPPED + 1:06d}.dpx"
    spare = folder / "spare"
    one.rename(spare)
    other.rename(one)
    spare.rename(other)
    film = [film_frame_of(truth, n) for n in range(frames)]
    film[SWAPPED], film[SWAPPED + 1] = film[SWAPPED + 1], film[SWAPPED]
    return film


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    base = tmp_path_factory.mktemp("faulty")
    film = faulty_reel(base / "faulty")
    outcome = finish(
        base / "faulty", base / "shelf", settings(last_step="treat", stated=("length_feet=0.6",))
    )
    return film, Path(outcome.folder), outcome


def test_every_fault_is_found_and_the_account_adds_up(faulty):
    film, folder, outcome = faulty
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    assert frames["film_position"].tolist() == film
    ledger = json.loads((folder / "film.json").read_text())["ledger"]
    assert (ledger["missing"], ledger["repeated"], ledger["swapped"]) == (2, 1, 1)
    assert ledger["film_frames"] == max(film) + 1
    assert sum(run["stop"] - run["first"] for run in ledger["runs"]) == len(film)
    assert {"frames missing", "frames doubled", "frames swapped"} <= {f.code for f in outcome.findings}


def test_perforations_are_numbered_along_the_film_and_their_damage_is_told(faulty):
    film, folder, _ = faulty
    holes = read_table(folder / "perforations.parquet", PERFORATION_COLUMNS, "perforations")
    assert np.array_equal(holes["film_perforation"], np.array(film)[holes["frame"]])  # Super 8: one a frame
    torn = {
        int(n) for n, word in zip(holes["film_perforation"], holes["damage"], strict=True) if word == "torn"
    }
    assert torn == {CLAW.film_perforation}
    damage = json.loads((folder / "film.json").read_text())["damage"]
    assert damage["grade"] == 3 and [run["first"] for run in damage["runs"]] == [CLAW.film_perforation]


def test_a_splice_is_told_at_its_frame(faulty):
    film, folder, _ = faulty
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    assert [film[n] for n in np.flatnonzero(frames["splice"])] == [22]


def test_the_length_is_compared_with_what_was_stated_and_another_statement_measures_nothing_anew(faulty):
    _, folder, outcome = faulty
    assert [f.values["verdict"] for f in outcome.findings if f.code == "length agrees"] == ["agrees"]
    before = (folder / "frames.parquet").stat().st_mtime_ns
    again = finish(
        folder.parent.parent / "faulty",
        folder.parent,
        settings(last_step="treat", stated=("length_feet=5",)),
    )
    assert [f.values["verdict"] for f in again.findings if f.code == "length differs"] == [
        "shorter than stated"
    ]
    assert (folder / "frames.parquet").stat().st_mtime_ns == before


def test_a_frame_captured_twice_is_shown_once_unless_the_operator_wants_all(faulty):
    from smallgauge.line import read_capture, read_treatment

    film, folder, _ = faulty
    capture = read_capture(str(folder))
    frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    plan = plan_rendering(capture, frames, read_treatment(folder))
    assert [film[f.source] for f in plan.frames] == [n for n in range(max(film) + 1) if n not in MISSING]
    decide_on(
        folder, subject="doubles", value={"show": "all"}, by="m.k.", at="2026-01-17T11:00:00Z", why="look"
    )
    plan = plan_rendering(capture, frames, read_treatment(folder))
    assert sorted(f.source for f in plan.frames) == list(range(len(film)))
    assert sorted(film[f.source] for f in plan.frames) == [film[f.source] for f in plan.frames]
