"""`prove` finds a frame that was rendered wrongly though every digest agrees: the wrong frame, or the wrong place."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from proved_reel import proof_of, rewrite_finished, small_reel


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    return small_reel(tmp_path_factory.mktemp("shown"), last_step="render")


@pytest.fixture
def copy(reel, tmp_path) -> Path:
    return Path(shutil.copytree(reel, tmp_path / "reel", ignore=shutil.ignore_patterns("work")))


def codes(proof) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for finding in proof.findings:
        if finding.where == "finished.mkv" and finding.code in (
            "frame shows another",
            "frame lies elsewhere",
            "frame digest differs",
        ):
            found.setdefault(finding.code, []).append(int(finding.values["frame"]))
    return found


def test_an_untouched_film_shows_its_sources(copy):
    proof = proof_of(copy)
    check = next(c for c in proof.checks if c.name == "frame shows its source")
    assert (check.made, check.passed) == (12, 12)
    assert codes(proof) == {}
    assert not (copy / "proof.json").exists()


@pytest.mark.parametrize("step", [-1, 1])
def test_a_frame_replaced_by_its_neighbour(copy, step):
    def change(frames):
        frames[6] = frames[6 + step]
        return frames

    rewrite_finished(copy, change)
    found = codes(proof_of(copy))
    assert found.get("frame shows another") == [6]
    assert "frame digest differs" not in found


def test_two_frames_that_changed_places(copy):
    def change(frames):
        frames[4], frames[5] = frames[5], frames[4]
        return frames

    rewrite_finished(copy, change)
    assert codes(proof_of(copy))["frame shows another"] == [4, 5]


def test_a_frame_one_pixel_off(copy):
    def change(frames):
        frames[3] = np.roll(frames[3], 1, axis=1)
        return frames

    rewrite_finished(copy, change)
    found = codes(proof_of(copy))
    assert 3 in found.get("frame lies elsewhere", []) + found.get("frame shows another", [])


def test_a_film_in_other_colours_shows_its_sources_still(copy):
    def change(frames):
        return [
            np.stack(
                [
                    4095 * (f[:, :, 0] / 4095) ** 0.8,
                    4095 * (0.1 + 0.8 * f[:, :, 1] / 4095) ** 1.2,
                    0.7 * f[:, :, 2] + 300,
                ],
                axis=2,
            )
            .clip(0, 4095)
            .astype(np.uint16)
            for f in frames
        ]

    rewrite_finished(copy, change)
    assert codes(proof_of(copy)) == {}
