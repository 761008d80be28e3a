"""Hairs in a gate: drawn ones are found where they are and told apart by whose gate they are in; a scene's own threads are none."""

from functools import lru_cache

import numpy as np
import pytest

from benchmarks.hairs import kinds_of
from smallgauge.picture.hair_kinds import find_hair_kinds
from smallgauge.picture.hairs import find_hairs, make_hair_sheet
from smallgauge.picture.synthetic_hairs import draw_hair, draw_haired

FRAMES, WIDE, HIGH, BORDER = 16, 240, 180, 16
HAIR = 4  # a generator's number: the same hair each time


@lru_cache
def texture(seed):
    """A smooth view, wider than a frame."""
    import cv2

    random = np.random.default_rng(seed)
    view = sum(
        cv2.GaussianBlur(random.normal(0, 1, (HIGH, 3 * WIDE)).astype(np.float32), (0, 0), s) * s
        for s in (2, 6, 14)
    )
    return 0.25 * np.exp(0.4 * view / view.std())


def hair_at(side):
    return draw_hair(np.random.default_rng(HAIR), (HIGH, WIDE), side, length_px=40, thick_px=2.5)


def frames(seed, *, gate, speed, weave=1.0, side="left", when=range(FRAMES), negative=False):
    """Lightness of frames' pictures, where they begin, how far the scene moved. `gate`: "scanner", "camera", "" for none."""
    random = np.random.default_rng(seed)
    hair = hair_at(side)
    for n in range(FRAMES):
        light = texture(seed)[:, 60 + speed * n : 60 + speed * n + WIDE]
        if gate == "camera" and n in when:
            light = draw_haired(light, hair)
        if negative:
            light = 0.02 / (light + 0.02)
        canvas = np.full((HIGH + 2 * BORDER, WIDE + 2 * BORDER), 0.9 if negative else 0.004, np.float32)
        left, top = (BORDER + np.rint(random.normal(0, weave, 2))).astype(int).tolist()
        canvas[top : top + HIGH, left : left + WIDE] = light
        if gate == "scanner" and n in when:
            inside = np.s_[BORDER:-BORDER, BORDER:-BORDER]
            canvas[inside] = draw_haired(canvas[inside], hair)
        shown = 255 * canvas ** (1 / 2.4) + random.normal(0, 3, canvas.shape)
        part = np.clip(shown, 0, 255)[top : top + HIGH, left : left + WIDE].astype(np.float32)
        yield part, (left, top), None if n == 0 else (-float(speed), 0.0)


def found(*args, light=False, **kwargs):
    """Hairs of the frames, and their kinds."""
    sheets, moves = [], []
    for picture, corner, move in frames(*args, **kwargs):
        sheets.append(make_hair_sheet(picture, corner=corner, light=light))
        moves.append(move)
    hairs = find_hairs(sheets, moves)
    told = kinds_of(hairs, size=(WIDE, HIGH))
    return [(hair, kind) for hair, kind in zip(hairs, told, strict=True) if kind]


@pytest.mark.parametrize("gate", ["scanner", "camera"])
@pytest.mark.parametrize("side", ["left", "bottom"])
def test_a_hair_is_found_where_it_is_and_its_gate_is_told(gate, side):
    ((hair, kind),) = found(3, gate=gate, speed=4, side=side)
    assert kind == gate
    assert hair.side == side
    assert all(hair.present)
    y, x = np.nonzero(hair_at(side) > 0.5)
    corners = [corner for _, corner, _ in frames(3, gate=gate, speed=4, side=side)]
    for n, (left, top, width, height) in enumerate(hair.boxes):
        off = np.array([BORDER, BORDER]) - corners[n] if gate == "scanner" else np.zeros(2)
        assert abs(left + width / 2 - (x.min() + x.max()) / 2 - off[0]) < 8
        assert abs(top + height / 2 - (y.min() + y.max()) / 2 - off[1]) < 8
    assert hair.thick == pytest.approx(2.5, abs=1.2)
    assert hair.length == pytest.approx(40, rel=0.35)
    assert abs(hair.with_film - (gate == "camera")) < 0.15


def test_a_hair_that_comes_late_is_there_from_then_on():
    ((hair, kind),) = found(3, gate="scanner", speed=4, when=range(6, FRAMES))
    assert kind == "scanner"
    assert [n for n, there in enumerate(hair.present) if there] == list(range(6, FRAMES))


def test_a_thread_before_a_camera_on_a_stand_may_be_the_scenes_own():
    assert {kind for _, kind in found(3, gate="camera", speed=0)} == {"unsure"}
    # One in the scanner is told by the film's own movement, whatever the scene does.
    assert "scanner" in [kind for _, kind in found(3, gate="scanner", speed=0)]


def test_where_the_film_runs_too_steadily_the_gate_is_not_told():
    assert [kind for _, kind in found(3, gate="scanner", speed=4, weave=0.0)] == ["hair"]


def test_on_a_negative_the_cameras_hair_is_light_and_the_scanners_dark():
    ((_, kind),) = found(3, gate="camera", speed=4, negative=True, light=True)
    assert kind == "camera"
    assert not found(3, gate="camera", speed=4, negative=True)
    assert [kind for _, kind in found(3, gate="scanner", speed=4, negative=True)] == ["scanner"]


@pytest.mark.parametrize("speed", [0, 4])
def test_a_film_without_hairs_has_none(speed):
    assert not [kind for _, kind in found(5, gate="", speed=speed) if kind != "unsure"]


def test_hairs_are_one_over_windows_until_they_have_been_away_for_long():
    rows = {
        "frame": np.array([*range(10), *range(30, 40), *range(900, 910)]),
        "found": np.repeat([0, 1, 2], 10),
    }
    rows |= {"side": np.array(["top"] * 30, object), "at": np.repeat([90.0, 92.0, 91.0], 10)}
    rows |= {
        "with_film": np.repeat([0.0, np.nan, np.nan], 10),
        "doubt": np.repeat([0.05, np.nan, np.nan], 10),
    }
    track, kind = find_hair_kinds(rows | {"moved": np.zeros(30), "cuts": np.zeros(30, int)}, size=(480, 360))
    assert track.tolist() == [0] * 20 + [1] * 10
    assert set(kind[:20].tolist()) == {"scanner"}
    assert set(kind[20:].tolist()) == {"unsure"}


def test_a_few_frames_tell_nothing():
    assert find_hairs([], []) == ()
    pictures = list(frames(3, gate="scanner", speed=4))[:5]
    sheets = [make_hair_sheet(picture, corner=corner) for picture, corner, _ in pictures]
    assert find_hairs(sheets, [None] * 5) == ()
