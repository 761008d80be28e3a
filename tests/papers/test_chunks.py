"""Any cutting of a reel into chunks gives the same tables: each row depends on its own frame and its halo."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from smallgauge.analyse import standing, survey
from smallgauge.analyse.rows import ChunkJob, analyse_chunk, chunk_files
from smallgauge.analyse.source import open_source
from smallgauge.analyse.survey import survey_frames, surveyed_capture
from smallgauge.demo import write_specimen
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.capture import CapturedFile
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.table import join_tables, read_table
from smallgauge.record.work import silent

FRAMES = 30


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory):
    """A small torn reel with a gap and a change of scene, and its frozen survey."""
    folder = tmp_path_factory.mktemp("chunks") / "capture"
    truth = specimen_truth(
        "standard 8",
        width=256,
        height=192,
        frames=FRAMES,
        bits=8,
        seed=3,
        scenes=(SceneTruth(kind="garden", first=0, stop=13), SceneTruth(kind="sea", first=13, stop=99)),
    )
    write_specimen(folder, truth, format="png", sound=False, processes=1)
    (folder / "frame_000029.png").rename(folder / "frame_000031.png")
    source = open_source(folder)
    return source, surveyed_capture(source, survey_frames(source, progress=silent), program="test")


def analyse(surveyed, folder: Path, length: int):
    source, capture = surveyed
    frames, perforations, files = [], [], []
    for first in range(0, FRAMES, length):
        stop = min(first + length, FRAMES)
        job = ChunkJob(
            folder=str(folder),
            listing=source.listing,
            capture=capture,
            first=first,
            stop=stop,
            rate=Fraction(18),
            archive="",
        )
        analyse_chunk(job, lambda done: None)
        names = chunk_files(first, archive="")
        frames.append(read_table(folder / names[0], FRAME_COLUMNS, "frames"))
        perforations.append(read_table(folder / names[1], PERFORATION_COLUMNS, "perforations"))
        files += read_json(folder / names[2], tuple[CapturedFile, ...])
    return join_tables(frames), join_tables(perforations), files


def test_any_chunking_gives_the_same_tables(surveyed, tmp_path):
    whole = analyse(surveyed, tmp_path / "whole", FRAMES)
    for length in (7, 25):
        cut = analyse(surveyed, tmp_path / str(length), length)
        for one, other, columns in zip(whole, cut, (FRAME_COLUMNS, PERFORATION_COLUMNS), strict=False):
            for column in columns:
                same = np.array_equal(
                    one[column.name], other[column.name], equal_nan=column.type.startswith("float")
                )
                assert same, (length, column.name)
        assert whole[2] == cut[2]


class LastFirst:
    """Does a survey's jobs as processes would, and gives the last one's result first."""

    def run(self, function, jobs, *, watch, outside, mend):
        assert outside and mend is not None
        jobs = list(jobs)
        made = [(job, function(job, lambda frames: None)) for job in jobs]
        watch(sum(len(job.numbers) for job in jobs))
        return reversed(made)


def test_a_survey_that_several_share_is_that_of_one(surveyed, monkeypatch, tmp_path):
    source, _ = surveyed
    monkeypatch.setattr(
        standing, "LEAST_FRAMES", FRAMES
    )  # as for a reel long enough to tell what stands still
    told = {}
    ways = (
        ("one", None, None),
        ("several", LastFirst(), None),
        ("elsewhere", LastFirst(), tmp_path / "work"),
    )
    for name, runner, place in ways:
        groups = []
        monkeypatch.setattr(survey, "standing_told", lambda sums, **place: groups.append(sums) or ())  # noqa: B023
        heard = []
        found = survey_frames(source, progress=lambda *words: heard.append(words), runner=runner, place=place)  # noqa: B023
        told[name] = repr(found), [sums.frames for sums in groups], [sums.fine for sums in groups]
        assert heard[-1] == ("picture area surveyed", FRAMES, FRAMES)
    assert told["one"][:2] == told["several"][:2] == told["elsewhere"][:2]
    assert told["one"][1] == [[5] * 6]  # six groups that lie together
    for name in ("several", "elsewhere"):
        np.testing.assert_array_equal(told["one"][2], told[name][2])
    assert list((tmp_path / "work").iterdir()) == []
