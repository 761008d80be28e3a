"""Scratches: drawn ones are found where they are, posts are not, the side is told by colour, and what they take is given back."""

from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest

from smallgauge.picture.scratch_lines import find_scratch_lines
from smallgauge.picture.scratch_repair import ScratchRepair, apply_scratch_repair, line_runs
from smallgauge.picture.scratches import SIDES, find_scratches, make_scratch_sheet, measure_scratch_step
from smallgauge.picture.synthetic_scratches import Scratches, draw_scratched

FRAMES, WIDE, HIGH = 14, 240, 180
BASE, EMULSION, UNTOLD = SIDES
GRAIN = 4.0


@lru_cache
def texture(seed):
    """A smooth view without anything upright, wider than a frame."""
    import cv2

    random = np.random.default_rng(seed)
    view = sum(
        cv2.GaussianBlur(random.normal(0, 1, (HIGH, 2 * WIDE)).astype(np.float32), (0, 0), s) * s
        for s in (2, 6, 14)
    )
    return 0.2 * np.exp(0.4 * view / view.std())


def frames(seed, *, speed, posts=(), scratches=None, by_itself=0.0):
    """Lightness of frames; posts move with the scene, and `by_itself` px more or less."""
    random = np.random.default_rng(seed)
    view = texture(seed)
    column = np.arange(WIDE)
    for n in range(FRAMES):
        move = speed * n + random.normal(0, 0.3)
        inside = np.arange(WIDE) + 60 + move
        part = np.stack([np.interp(inside, np.arange(2 * WIDE), line) for line in view])
        own = move + by_itself * random.normal()
        for x in posts:
            cover = np.clip(2.0 - np.abs(column - x + own), 0, 1)
            part = part * (1 - cover) + 0.02 * cover
        light = np.repeat(part[..., None], 3, axis=2).astype(np.float32)
        if scratches is not None:
            light = draw_scratched(light, scratches, n)
        yield (255 * np.clip(light, 0, 1) ** (1 / 2.4) + random.normal(0, GRAIN, light.shape)).astype(
            np.float32
        )


def found(pictures):
    sheets = [make_scratch_sheet(picture) for picture in pictures]
    steps = [None, *(measure_scratch_step(*pair) for pair in pairwise(sheets))]
    return find_scratch_lines(sheets, steps)


def taken(lines):
    return [line for line in lines if line.kind == "scratch"]


def drawn(*, wander=0.0, spans=((0, 1), (0, 1)), last=FRAMES):
    """One line of the base, darker, at 80.3; one of the emulsion, at 170.6, drawn on the frames before `last`."""
    places = np.tile(np.array([80.3, 170.6]), (FRAMES, 1)) + wander * np.arange(FRAMES)[:, None]
    places[last:, 1] = np.nan
    return Scratches(
        places=places.astype(np.float32),
        widths=np.array([1.5, 2.0], np.float32),
        gains=np.exp(np.array([[-0.25, -0.25, -0.25], [0.15, 0.5, 0.3]], np.float32)),
        emulsion=np.array([False, True]),
        spans=np.array(spans, np.float32),
    )


@pytest.mark.parametrize(("speed", "wander"), [(0.0, 0.0), (1.3, 0.05)])
def test_scratches_are_found_where_they_are_and_their_colours_told(speed, wander):
    truth = drawn(wander=wander)
    lines = taken(found(frames(3, speed=speed, scratches=truth)))
    assert len(lines) == 2
    for k, line in enumerate(lines):
        assert np.abs(np.array(line.x) - truth.places[:, k]).max() < 0.5
        # Depth is the logarithm of lightness, light to the power of 1/2.4.
        assert np.allclose(np.array(line.colours) / 100, np.log(truth.gains[k]), atol=0.08)
        assert all(line.present)
        assert all(line.bands)


def test_a_line_that_stops_is_told_to_stop():
    truth = drawn(spans=((0, 0.7), (0, 1)), last=9)
    low, late = taken(found(frames(3, speed=1.3, scratches=truth)))
    assert 10 <= sum(low.bands) <= 12
    assert not any(low.bands[12:])
    assert 8 <= sum(late.present) <= 10
    assert not any(late.present[10:])


@pytest.mark.parametrize(("speed", "by_itself"), [(0.0, 0.0), (0.5, 0.0), (2.0, 0.0), (0.0, 0.3)])
def test_posts_are_no_scratches_in_pans_or_before_a_camera_that_stands(speed, by_itself):
    lines = found(frames(5, speed=speed, posts=(60, 130, 190), by_itself=by_itself))
    assert not taken(lines)
    if speed == 0.0:
        assert {round(line.x[0] / 10) * 10 for line in lines if line.kind == "scene"} >= {60, 130, 190}


def test_grain_alone_has_no_lines_and_two_frames_tell_none():
    random = np.random.default_rng(9)
    pictures = [random.normal(100, 6, (HIGH, WIDE, 3)).astype(np.float32) for _ in range(FRAMES)]
    assert not taken(found(pictures))
    short = found(list(frames(3, speed=1.3, scratches=drawn()))[:2])
    assert {line.kind for line in short} <= {"unsure"}


def rows(kinds, frame, x, colours=(9.0, 9.1, 9.0)):
    lines = {"frame": np.array(list(frame)), "x": np.array(x, float), "kind": np.array(kinds, object)}
    lines |= {name: np.full(len(x), value) for name, value in zip(("red", "green", "blue"), colours)}
    return lines | {"depth": np.full(len(x), 9.0)}


def test_each_frame_says_in_how_many_parts_of_its_height_a_line_is_lighter():
    random = np.random.default_rng(6)
    pictures = [random.normal(100, 1, (HIGH, WIDE)).astype(np.float32) for _ in range(3)]
    for picture in pictures:
        picture[: HIGH // 2, 100:103] += 20
        picture[:, 170:173] -= 20
    (line,) = found(pictures)  # the one that is there over nearly all of the height
    assert abs(line.x[0] - 171) < 2
    assert line.depth < 0
    assert line.agree == (32, 32, 32)
    pictures[1][HIGH // 4 :, 170:173] += 20
    (agree,) = (line.agree for line in found(pictures) if abs(line.x[0] - 171) < 2)
    assert agree[0] == 32
    assert 8 <= agree[1] <= 20  # a quarter, and by chance one in three of the rest


def test_a_line_is_one_over_windows_and_a_scratch_where_any_of_them_tells():
    track, kind, side = find_scratches(
        rows(["unsure", "scratch", "scene"], [24, 25, 30], [40, 40.4, 90]), size=(WIDE, HIGH)
    )
    assert track.tolist() == [0, 0, 1]
    assert kind.tolist() == ["scratch", "scratch", "scene"]
    # What is the scene's own on a fifth of the frames or more is left throughout.
    disputed = find_scratches(rows(["scratch"] * 4 + ["scene"], range(5), [40] * 5), size=(WIDE, HIGH))[1]
    assert disputed.tolist() == ["disputed"] * 5
    seldom = find_scratches(rows(["scratch"] * 9 + ["scene"], range(10), [40] * 10), size=(WIDE, HIGH))[1]
    assert seldom.tolist() == ["scratch"] * 9 + ["scene"]
    assert set(side.tolist()) == {BASE}
    _, _, side = find_scratches(rows(["scratch"], [1], [40], (9.0, 30.0, 14.0)), size=(WIDE, HIGH))
    assert side.tolist() == [EMULSION]
    _, _, side = find_scratches(rows(["scratch"], [1], [40]), size=(WIDE, HIGH), colours=False)
    assert side.tolist() == [UNTOLD]


def test_what_a_scratch_takes_is_given_back():
    truth = drawn()
    dirty, clean = (list(frames(3, speed=1.3, scratches=each)) for each in (truth, None))
    table = np.linspace(0, 1, 4096, dtype=np.float32)
    codes = [np.round(4095 * np.clip(each / 255, 0, 1) ** 2.4).astype(np.uint16) for each in dirty]
    repairs = [
        ScratchRepair(
            x=line.x[6],
            profile=line.profile,
            colours=line.colours,
            runs=line_runs(line.x[6], len(line.profile), line.bands, (WIDE, HIGH)),
        )
        for line in taken(found(dirty))
    ]
    whole = apply_scratch_repair(codes[6], repairs, table=table)
    shown = 255 * table[whole] ** (1 / 2.4)
    for x in (80, 171):
        before, after = (
            np.abs((each - clean[6])[:, x - 3 : x + 4].mean(axis=0)).sum() for each in (dirty[6], shown)
        )
        assert before > 20
        assert after < 0.5 * before
    columns = {column for repair in repairs for column, _, _ in repair.runs}
    away = [x for x in range(WIDE) if x not in columns]
    assert (whole[:, away] == codes[6][:, away]).all()
    # What hides nearly all is left.
    deep = ScratchRepair(x=80.0, profile=(1.0,), colours=(-200.0,) * 3, runs=((80, 0, HIGH),))
    assert (apply_scratch_repair(codes[6], [deep], table=table) == codes[6]).all()
