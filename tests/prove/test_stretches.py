"""Work is given out in stretches: whatever their length, and in whatever order they come back, the proof is the same."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from proved_reel import small_reel

from smallgauge.prove import bench, copy_check, frames
from smallgauge.prove.reel import make_proof
from smallgauge.prove.shown import FitRow, RenderRows
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.record.work import silent


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    return small_reel(tmp_path_factory.mktemp("stretches"), last_step="render")


class LastFirst:
    """Does all jobs, and gives the last one's result first."""

    workers = 1

    def run(self, function, jobs, **limits):
        return reversed([(job, function(job, lambda frames: None)) for job in jobs])


def proof_by(reel, monkeypatch, length, tmp_path):
    """The proof as it is written, but for how many stretches the decoder was silent in."""
    for module in (bench, copy_check):
        monkeypatch.setattr(module, "SEGMENT_FRAMES", length)
    capture = read_json(reel / "capture.json", Capture)
    proof = make_proof(reel, source=None, capture=capture, expected={}, runner=LastFirst(), progress=silent)
    assert all(check.made == check.passed for check in proof.checks)
    kept = replace(proof, checks=tuple(c for c in proof.checks if c.name != "decoder silent"))
    write_json(tmp_path / f"{length}.json", kept)
    return json.loads((tmp_path / f"{length}.json").read_text())


def test_a_proof_by_other_stretches_is_the_same(reel, monkeypatch, tmp_path):
    steps = []
    measured = bench.join_steps

    def told(result, last, *, background):
        joined = measured(result, last, background=background)
        steps[-1].append(joined.steps)
        assert joined.ends is None
        return joined

    monkeypatch.setattr(bench, "join_steps", told)
    proofs = []
    for length in (100, 5, 1):
        steps.append([])
        proofs.append(proof_by(reel, monkeypatch, length, tmp_path))
    assert proofs[0] == proofs[1] == proofs[2]
    whole, parts, single = (np.concatenate(each) for each in steps)
    assert np.isfinite(whole[1:]).all() and np.isnan(whole[0]).all()
    np.testing.assert_array_equal(whole, parts)
    np.testing.assert_array_equal(whole, single)


def test_no_step_into_or_out_of_a_frame_that_could_not_be_decoded():
    random = np.random.default_rng(3).random((60, 80)).astype(np.float32)
    nan, box = np.full((2, 3), np.nan), (0, 0, 80, 60)
    there = frames.FramesResult(
        decoded=2, differing=(), log=(), small=None, steps=nan, fits=None, ends=(random, random)
    )
    assert np.isfinite(frames.join_steps(there, random, background=box).steps[0]).all()
    assert np.isnan(frames.join_steps(there, None, background=box).steps).all()
    lost = replace(there, ends=(None, random))
    assert np.isnan(frames.join_steps(lost, random, background=box).steps).all()


def test_rows_of_a_stretch_name_source_and_neighbours(reel):
    """Against the plain way of making them, with a frame shown twice and one of another capture among them."""
    render = read_table(reel / "render.parquet", RENDER_COLUMNS, "render")
    values = {name: column.copy() for name, column in render.values.items()}
    values["source_frame"][5] = values["source_frame"][4]
    values["source_capture"][8] = 1
    values["source_frame"][8] = 2
    render, counts = replace(render, values=values), {0: 12, 1: 3}
    made = RenderRows(render, counts)
    captures, shown = values["source_capture"].tolist(), values["source_frame"].tolist()
    moves = list(zip(*(values[name].tolist() for name in "abcdef"), strict=True))
    own = dict(zip(zip(captures, shown, strict=True), moves, strict=True))
    wanted = []
    for i, (capture, frame) in enumerate(zip(captures, shown, strict=True)):
        beside = [(capture, frame - 1), (capture, frame + 1)]
        beside += [(captures[j], shown[j]) for j in (max(i - 1, 0), min(i + 1, len(shown) - 1))]
        others = []
        for key in dict.fromkeys(beside):
            if key == (capture, frame) or not 0 <= key[1] < counts[key[0]]:
                continue
            ways = [own[key]] if key in own else []
            ways += [moves[i]] if key[0] == capture and moves[i] not in ways else []
            others.append((*key, tuple(ways)))
        wanted.append(FitRow(capture=capture, frame=frame, move=moves[i], others=tuple(others)))
    assert made.rows(0, 12) == tuple(wanted)
    assert made.rows(0, 5) + made.rows(5, 100) == tuple(wanted)
