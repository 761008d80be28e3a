"""Hairs of a reel: joined, put into captured pixels, named, told in the report; the same however the reel is cut in pieces."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import test_hairs as drawn

from smallgauge.analyse.hairs import HairSearch, write_reel_hairs
from smallgauge.analyse.scratches import line_windows
from smallgauge.deliver.hairs import hair_table
from smallgauge.picture.hairs import make_hair_sheet
from smallgauge.record.hairtable import hair_findings, read_hairs

COUNT = 32


def reel(folder, *, gate, pieces_at=(0, 25, COUNT)):
    """Two runs of drawn frames, one after the other, written in pieces; frame 9 can't be read."""
    shots = [each for seed in (3, 8) for each in drawn.frames(seed, gate=gate, speed=4)]
    sheets = [(make_hair_sheet(picture, corner=corner),) for picture, corner, _ in shots]
    pieces = []
    for first, stop in pairwise(pieces_at):
        windows = line_windows(first, stop, COUNT)
        search = HairSearch(0, windows)
        for n in range(windows[0].begin, windows[-1].end):
            search.look(n, () if n == 9 else sheets[n], shots[n][2])
        pieces.append(folder / f"piece-{first}.parquet")
        search.write(pieces[-1])
    count = write_reel_hairs(folder, pieces, [(drawn.WIDE, drawn.HIGH)])
    return count, [corner for _, corner, _ in shots]


def test_a_hair_in_the_scanner_stands_still_in_the_captured_frame_and_is_said(tmp_path):
    count, _ = reel(tmp_path, gate="scanner")
    hairs = read_hairs(tmp_path)
    own = np.flatnonzero(hairs["kind"] == "scanner")
    assert len(hairs) == count
    assert len(set(hairs["track"][own].tolist())) == 1
    assert hairs["frame"][own].tolist() == [n for n in range(COUNT) if n != 9]
    truth = np.argwhere(drawn.hair_at("left") > 0.5) + drawn.BORDER
    assert (
        np.abs(
            hairs["top"][own] + hairs["height"][own] / 2 - (truth[:, 0].min() + truth[:, 0].max()) / 2
        ).max()
        < 5
    )
    assert np.ptp(hairs["left"][own]) <= 3  # of two windows, each of which has it at one place
    (said, *_) = hair_findings(hairs)
    assert (said.code, said.weight, said.values["count"]) == ("hairs in the scanner", "finding", 1)
    table = hair_table(SimpleNamespace(folder=tmp_path))
    assert table.rows[0][0] == "scanner"
    assert table.rows[0][3:5] == ("0 to 31", "31")


def test_a_hair_on_the_film_goes_along_with_it(tmp_path):
    _, corners = reel(tmp_path, gate="camera")
    hairs = read_hairs(tmp_path)
    own = np.flatnonzero(hairs["kind"] == "camera")
    assert len(own) >= 28
    off = hairs["top"][own] - np.array([corners[n][1] for n in hairs["frame"][own].tolist()])
    assert np.ptp(off) <= 3
    assert [said.code for said in hair_findings(hairs)] == ["hairs in the camera"]


def test_any_cutting_into_pieces_gives_the_same_rows(tmp_path):
    tables = []
    for pieces_at in ((0, 25, COUNT), (0, 11, 18, 28, COUNT)):
        reel(tmp_path, gate="scanner", pieces_at=pieces_at)
        tables.append(read_hairs(tmp_path))
    for column in tables[0].columns:
        one, two = (table[column.name] for table in tables)
        assert (one == two).all() or np.allclose(one, two, equal_nan=True), column.name


def test_no_hair_no_word(tmp_path):
    assert hair_findings(read_hairs(tmp_path)) == ()  # not looked for
    assert hair_table(SimpleNamespace(folder=tmp_path)) is None
    reel(tmp_path, gate="")
    assert hair_findings(read_hairs(tmp_path)) == ()
