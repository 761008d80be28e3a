"""What proves a copy with synthetic frames: its small pictures, the kinds in its table, and what the file says itself."""

from dataclasses import replace

import numpy as np
import pytest

from smallgauge.prove.copies import COPY_LIMITS, Compared, said_synthetic, wrong_frames, wrong_kinds
from smallgauge.prove.shown import TileFile
from smallgauge.record.recipe import SMOOTH
from smallgauge.record.rendertable import COPY_COLUMNS, RENDER_COLUMNS
from smallgauge.record.table import Table, table_of

# 4 film frames, a cut before the last and a gap before that: position 2 was not captured.
RENDER = table_of(
    "render",
    RENDER_COLUMNS,
    [
        {"finished_frame": n, "film_position": place, "kind": "captured", "scene": scene}
        for n, (place, scene) in enumerate([(0, 0), (1, 0), (3, 0), (4, 1)])
    ],
)


def rows(*told: tuple) -> Table:
    names = ("finished_frame", "kind", "next_frame", "share")
    return table_of(
        "copies",
        COPY_COLUMNS,
        [dict(zip(names, each, strict=True), shown_frame=n) for n, each in enumerate(told)],
    )


def test_a_synthetic_frame_between_two_of_one_scene_is_right():
    assert (
        wrong_kinds(rows((0, "real", -1, 0.0), (0, "synthetic", 1, 0.36), (1, "real", -1, 0.0)), RENDER).size
        == 0
    )


@pytest.mark.parametrize(
    "told",
    [
        (1, "synthetic", 2, 0.5),  # a gap in the film lies between
        (2, "synthetic", 3, 0.5),  # a cut lies between
        (3, "synthetic", 4, 0.5),  # nothing comes after
        (0, "synthetic", 2, 0.5),
        (0, "synthetic", 1, 0.0),
        (0, "synthetic", 1, 1.0),
        (0, "real", 1, 0.5),
        (0, "captured", -1, 0.0),
    ],
)
def test_a_kind_that_cannot_be_is_caught(told):
    assert wrong_kinds(rows((0, "real", -1, 0.0), told), RENDER).tolist() == [1]


def test_a_synthetic_picture_lies_between_its_neighbours():
    ramp = np.linspace(0.2, 0.8, 12, dtype=np.float32).reshape(1, 3, 4, 1).repeat(3, axis=3)
    finished = np.concatenate([ramp, ramp[:, :, ::-1]])
    table = rows((0, "real", -1, 0.0), (0, "synthetic", 1, 0.5), (1, "real", -1, 0.0))
    good = np.concatenate([finished[:1], finished.mean(axis=0, keepdims=True), finished[1:]])
    assert wrong_frames(good, finished, table).size == 0
    assert wrong_frames(
        np.concatenate([good[:1], np.ones_like(ramp), good[2:]]), finished, table
    ).tolist() == [1]
    assert wrong_frames(good[::-1].copy(), finished, table).tolist() == [0, 2]
    good[1, 0, 0, 0] = np.nan  # could not be decoded
    assert wrong_frames(good, finished, table).tolist() == [1]


@pytest.mark.parametrize(
    ("file", "title", "comment", "good"),
    [
        (SMOOTH.file, "R1 (synthetic frames)", "12 of 50 frames are synthetic: made", True),
        (SMOOTH.file, "R1", "12 of 50 frames are synthetic: made", False),
        (SMOOTH.file, "R1 (synthetic frames)", "11 of 50 frames are synthetic: made", False),
        (SMOOTH.file, "R1 (synthetic frames)", "", False),
        ("viewing.mp4", "R1 (synthetic frames)", "12 of 50 frames are synthetic: made", False),
    ],
)
def test_the_file_must_say_it(file, title, comment, good):
    assert said_synthetic(file, {"TITLE": title, "COMMENT": comment}, 12) is good


def test_stretches_beside_tiles_on_the_disk_are_what_all_frames_at_once_were(tmp_path):
    random = np.random.default_rng(7)
    finished = random.random((9, 3, 4, 3)).astype(np.float32)
    tiles = TileFile(tmp_path / "tiles", (3, 4))
    for first in (0, 4, 8):
        tiles.add(finished[first : first + 4])
    assert len(tiles) == 9
    np.testing.assert_array_equal(tiles[np.array([8, 0, 0, 3])], finished[[8, 0, 0, 3]])
    assert np.isnan(tiles[np.array([2, 9, -1])][1:]).all()

    told = [(n, "real", -1, 0.0) for n in (0, 0, 1, 2, 3, 4, 5, 6, 7, 8)]
    told[5] = (3, "synthetic", 4, 0.5)
    table, limits = rows(*told), COPY_LIMITS["h264"]
    shown = finished[[each[0] for each in told]] + random.normal(0, 0.003, (10, 3, 4, 3)).astype(np.float32)
    shown[5] = finished[3:5].mean(axis=0)
    shown[7] = finished[0]
    shown[8] = np.nan
    seen = Compared()
    for first, stop in ((6, 10), (0, 6)):  # in whatever order they come
        own = {name: column[first:stop] for name, column in table.values.items()}
        seen.add(first, shown[first:stop], tiles, replace(table, values=own), limits)
    assert sorted(seen.wrong) == wrong_frames(shown, finished, table, limits).tolist() == [7, 8]
    real = table["kind"] == "real"
    off = np.abs(shown - finished[table["finished_frame"]])[real]
    assert seen.frames == 10 and seen.worst == float(np.nanmax(off))
    assert np.isnan(Compared().worst)
