"""Dirt against drawn truth over photographs that move: what is found, what is left alone, and what a repair leaves."""

import cv2
import numpy as np
import pytest

from benchmarks.dirt import lightness, searched, under
from benchmarks.moving_pictures import CLEAN_KINDS, moving_scene, with_grain
from smallgauge.picture import dirt_repair
from smallgauge.picture.dirt import find_dirt, make_dirt_sheet
from smallgauge.picture.dirt_kinds import DIRT, KINDS, blob_columns, find_dirt_kinds, propose_dirt
from smallgauge.picture.dirt_repair import DirtRepair, apply_dirt_repair
from smallgauge.picture.synthetic_dirt import draw_dirty, draw_specks

HEIGHT, WIDTH = 240, 320
TABLE = np.linspace(0, 1, 65536, dtype=np.float32)
GRAIN = 5.0  # of lightness: what `with_grain` draws in mid-tones, all channels together
PLAIN = 40.0  # of 255: a speck that changes lightness by so much is plainly seen


def drawn(kind, frames, seed, *, dirty):
    """Frames with grain, the same with dirt, and the specks of each."""
    random = np.random.default_rng(seed)
    clean, seen, specks = [], [], []
    for light in moving_scene(kind, frames, height=HEIGHT, seed=seed):
        grainy = with_grain(light, random, soft_px=0.5)
        own = draw_specks(random, (HEIGHT, WIDTH), 7 if dirty else 0, scale=0.9)
        clean.append(grainy)
        seen.append(draw_dirty(grainy, own))
        specks.append(own.labels)
    return clean, seen, specks


def listed(seen):
    """Blobs of the frames between the first and the last, with the kind of each: (frame, blob, kind)."""
    return [(n, blob, kind) for n, own in enumerate(searched(seen), 1) for blob, kind in own]


@pytest.fixture(scope="module")
def pans():
    """Pans over photographs with dirt, searched."""
    out = []
    for seed in (5, 6, 7):
        clean, seen, specks = drawn("pan", 7, seed, dirty=True)
        out.append((clean, seen, specks, listed(seen)))
    return out


def test_dirt_that_is_plainly_seen_is_found_and_little_else(pans):
    wanted = hit = false = frames = 0
    for clean, seen, specks, found in pans:
        for n in range(2, len(seen) - 2):
            frames += 1
            change = np.abs(lightness(seen[n]) - lightness(clean[n]))
            mine = [under(blob, specks[n]) for m, blob, kind in found if (m, kind) == (n, DIRT)]
            false += sum(not labels for labels in mine)
            got = set().union(*mine)
            for label in range(1, int(specks[n].max()) + 1):
                where = specks[n] == label
                inside = where[4:-4, 4:-4].sum() == where.sum()
                if where.any() and inside and change[where].max() >= PLAIN:
                    wanted += 1
                    hit += label in got
    assert wanted >= 20
    assert hit / wanted >= 0.9
    assert false / frames <= 0.5


def repaired(pans):
    """Error under repaired dirt, lightness, and its deviation beside that of the clean picture there."""
    errors, was, inside, truths = [], [], [], []
    for clean, seen, specks, found in pans:
        codes = [(np.clip(light, 0, 1) * 65535).round().astype(np.uint16) for light in seen]
        for n in range(2, len(seen) - 2):
            mine = [blob for m, blob, kind in found if (m, kind) == (n, DIRT) and under(blob, specks[n])]
            repairs = [DirtRepair(runs=b.runs, before=b.before, after=b.after) for b in mine]
            hidden = tuple(
                tuple(run for m, b, _ in found if m == k for run in b.runs) for k in (n - 1, n + 1)
            )
            mended = apply_dirt_repair(
                codes[n], codes[n - 1], codes[n + 1], repairs, table=TABLE, hidden=hidden
            )
            where = np.zeros((HEIGHT, WIDTH), bool)
            for blob in mine:
                for y, first, stop in blob.runs:
                    where[y, first:stop] = True
            far = cv2.distanceTransform((~where).astype(np.uint8), cv2.DIST_L2, 5) > 5.5
            assert np.array_equal(mended[far], codes[n][far])  # nothing outside the masks is touched
            truth, now = lightness(clean[n]), lightness(mended / np.float32(65535))
            errors.append((now - truth)[where])
            was.append((lightness(seen[n]) - truth)[where])
            inside.append(rough(now)[where])
            truths.append(rough(truth)[where])
    return [float(np.sqrt(np.mean(np.concatenate(each) ** 2))) for each in (was, errors, inside, truths)]


def rough(picture):
    """What is finer than four pixels: grain, mostly."""
    return picture - cv2.GaussianBlur(picture, (0, 0), 2.0)


def test_a_repair_leaves_no_more_than_grain(pans, monkeypatch):
    monkeypatch.setattr(dirt_repair, "MOST_GRAIN", 0.0)
    was, left, _, _ = repaired(pans)
    assert was > 20
    assert left <= 1.6 * GRAIN


def test_a_repair_is_as_grainy_as_its_surroundings(pans):
    _, _, inside, truth = repaired(pans)
    assert 0.8 <= inside / truth <= 1.1


@pytest.mark.parametrize("kind", CLEAN_KINDS)
def test_what_moves_is_no_dirt(kind):
    _, seen, _ = drawn(kind, 8, 21, dirty=False)
    touched = sum(blob.area_px for _, blob, of in listed(seen) if of == DIRT)
    assert touched / (6 * HEIGHT * WIDTH) < 0.0005


def test_an_undamaged_picture_is_left_alone():
    _, seen, _ = drawn("pan", 8, 8, dirty=False)
    touched = sum(blob.area_px for _, blob, of in listed(seen) if of == DIRT)
    assert touched / (6 * HEIGHT * WIDTH) < 0.0001


@pytest.mark.parametrize("kind", ["rain", "snow"])
def test_a_scene_of_weather_is_left_whole_and_said_to_be(kind):
    """More is found than dirt explains: no blob of the scene is taken for dirt, and the proposal says why."""
    _, seen, _ = drawn(kind, 8, 21, dirty=False)
    kinds = [of for _, _, of in listed(seen)]
    assert DIRT not in kinds
    decision, why = propose_dirt(kinds, frames=len(seen))
    assert not decision.repair
    assert why.startswith("more is found than dirt explains: ")


@pytest.mark.parametrize(("behind_px", "kind"), [(5, "apart"), (16, "restless")])
def test_where_the_frames_beside_it_disagree_a_speck_is_left_and_named(behind_px, kind):
    """A lamp that is lit on the frame before only: what the speck hides can't be known."""
    frames = [lightness(light) for light in drawn("still", 3, 4, dirty=False)[1]]
    with_lamp = cv2.circle(frames[0].copy(), (160, 120), behind_px, 250.0, -1, cv2.LINE_AA)
    cv2.circle(frames[1], (160, 120), 4, 5.0, -1, cv2.LINE_AA)

    def kinds(before):
        """Of what is found where the speck is."""
        sheets = [make_dirt_sheet(frame) for frame in (before, *frames[1:])]
        found = [(1, blob) for blob in find_dirt(*sheets)]
        told = find_dirt_kinds(blob_columns(found), scene=np.zeros(3, int), size=(WIDTH, HEIGHT)).tolist()
        return [
            kind
            for (_, blob), kind in zip(found, told)
            if any(y == 120 and a <= 160 < b for y, a, b in blob.runs)
        ]

    assert kinds(with_lamp) == [kind]
    assert kinds(frames[0]) == [DIRT]  # the same speck between frames that agree


def test_a_speck_that_is_printed_in_stays():
    """The same speck on every frame is part of what was filmed or copied."""
    _, seen, _ = drawn("still", 7, 4, dirty=False)
    one = draw_specks(np.random.default_rng(3), (HEIGHT, WIDTH), 3, light_share=0.0)
    found = listed([draw_dirty(light, one) for light in seen])
    assert not [blob for _, blob, kind in found if kind == DIRT and under(blob, one.labels)]


def test_a_scenes_ends_are_left():
    _, seen, _ = drawn("pan", 5, 5, dirty=True)
    sheets = [make_dirt_sheet(lightness(light)) for light in seen]
    blobs = find_dirt(sheets[1], sheets[2], sheets[3])
    assert blobs
    columns = blob_columns([(2, blob) for blob in blobs])
    kinds = find_dirt_kinds(columns, scene=np.array([0, 0, 0, 1, 1]), size=(WIDTH, HEIGHT))
    assert set(kinds.tolist()) <= {"end"} | set(KINDS) - {DIRT}
    assert DIRT not in kinds


def test_a_flash_on_one_frame_is_no_dirt():
    """Such as a clapper's spark: light, on one frame only, and the only mark that sound and picture share."""
    _, seen, _ = drawn("still", 5, 4, dirty=False)
    lit = [light.copy() for light in seen]
    cv2.circle(lit[2], (160, 120), 9, (0.95, 0.95, 0.95), -1, cv2.LINE_AA)
    found = listed(lit)
    assert [kind for n, blob, kind in found if n == 2 and blob.area_px > 100] == ["large"]
    assert not [blob for n, blob, kind in found if n == 2 and kind == DIRT and blob.area_px > 20]


def test_flicker_is_no_dirt():
    _, seen, _ = drawn("still", 5, 9, dirty=False)
    lit = [np.asarray(light * (1.25 if n == 2 else 1.0), np.float32) for n, light in enumerate(seen)]
    assert (
        sum(blob.area_px for _, blob, kind in listed(lit) if kind == DIRT) <= 15
    )  # grain of one frame in three
