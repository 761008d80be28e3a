"""Scratches: drawn ones are found where they are, posts are not, and the side is told by colour."""

import numpy as np
import pytest

from smallgauge.picture.scratches import MEMORY, find_scratch_lines, find_scratches, make_scratch_sheet
from smallgauge.picture.synthetic_scratches import Scratches, draw_scratched

FRAMES, WIDE, HIGH = 16, 240, 180
NAMES = ("frame", "x", "width", "agree", "depth", "red", "green", "blue", "scene_px")


def texture(seed):
    """A smooth view without anything upright, wider than a frame."""
    import cv2

    random = np.random.default_rng(seed)
    view = sum(
        cv2.GaussianBlur(random.normal(0, 1, (HIGH, 2 * WIDE)).astype(np.float32), (0, 0), s) * s
        for s in (2, 6, 14)
    )
    return 0.2 * np.exp(0.4 * view / view.std())


def frames(seed, *, speed, posts=(), scratches=None):
    random = np.random.default_rng(seed)
    view = texture(seed)
    column = np.arange(WIDE)
    for n in range(FRAMES):
        move = speed * n + random.normal(0, 0.3)
        inside = np.arange(WIDE) + 60 + move
        part = np.stack([np.interp(inside, np.arange(2 * WIDE), line) for line in view])
        for x in posts:
            cover = np.clip(2.0 - np.abs(column - x + move), 0, 1)
            part = part * (1 - cover) + 0.02 * cover
        light = np.repeat(part[..., None], 3, axis=2).astype(np.float32)
        if scratches is not None:
            light = draw_scratched(light, scratches, n)
        yield (255 * np.clip(light, 0, 1) ** (1 / 2.4) + random.normal(0, 4, light.shape)).astype(np.float32)


def found(pictures):
    rows, before = [], []
    for n, picture in enumerate(pictures):
        sheet = make_scratch_sheet(picture)
        for line in find_scratch_lines(before, sheet):
            rows.append((n, line.x, line.width, line.agree, line.depth, *line.colours, line.scene_px))
        before = [*before, sheet][-MEMORY:]
    values = np.array(rows, np.float64).reshape(-1, len(NAMES))
    lines = dict(zip(NAMES, values.T, strict=True)) | {"frame": values[:, 0].astype(np.int64)}
    track, kind, side = find_scratches(lines, scene=np.zeros(FRAMES, np.int64), size=(WIDE, HIGH))
    return lines | {"track": track, "kind": kind, "side": side}


def two_scratches():
    return Scratches(
        places=np.tile(np.array([80.3, 170.6], np.float32), (FRAMES, 1)),
        widths=np.array([1.5, 2.0], np.float32),
        gains=np.exp(np.array([[-0.4, -0.4, -0.4], [0.3, 0.9, 0.5]], np.float32)),
        emulsion=np.array([False, True]),
    )


@pytest.mark.parametrize("speed", [0.0, 1.3])
def test_scratches_are_found_where_they_are_and_their_sides_told(speed):
    lines = found(frames(3, speed=speed, scratches=two_scratches()))
    taken = lines["kind"] == "scratch"
    for place, side in ((80.3, "base side"), (170.6, "emulsion side")):
        here = taken & (np.abs(lines["x"] - place) < 1.0)
        assert len(set(lines["frame"][here].tolist())) >= FRAMES - 2
        assert abs(np.median(lines["x"][here]) - place) < 0.3
        assert set(lines["side"][here].tolist()) == {side}
        assert len(set(lines["track"][here].tolist())) == 1
    away = taken & (np.abs(lines["x"] - 80.3) > 2) & (np.abs(lines["x"] - 170.6) > 2)
    assert not away.any()


@pytest.mark.parametrize("speed", [0.0, 0.5, 2.0])
def test_posts_are_no_scratches_in_pans_or_before_a_camera_that_stands(speed):
    lines = found(frames(5, speed=speed, posts=(60, 130, 190)))
    assert not (lines["kind"] == "scratch").any()
    if speed == 0.5:
        assert (lines["kind"] == "scene").any()


def test_a_line_through_a_cut_is_on_the_film_and_one_in_a_scene_at_rest_is_unsure():
    count = 20
    lines = {name: np.full(count, 9.0) for name in NAMES}
    lines |= {"frame": np.arange(count), "x": np.full(count, 40.0), "agree": np.full(count, 30)}
    lines["scene_px"] = np.zeros(count)
    _, kind, side = find_scratches(lines, scene=np.zeros(count, int), size=(WIDE, HIGH))
    assert set(kind.tolist()) == {"unsure"}
    assert set(side.tolist()) == {"not told"}  # all colours the very same: a scan without colours
    _, kind, _ = find_scratches(lines, scene=(np.arange(count) >= 9).astype(int), size=(WIDE, HIGH))
    assert set(kind.tolist()) == {"scratch"}


def test_grain_alone_has_no_lines():
    random = np.random.default_rng(9)
    pictures = [random.normal(100, 6, (HIGH, WIDE, 3)).astype(np.float32) for _ in range(FRAMES)]
    assert set(found(pictures)["kind"].tolist()) <= {"chance"}
