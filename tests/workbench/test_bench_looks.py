"""True looks: what is shown is the rendered frame reduced alike; what is kept is given back; scenes are decoded ahead."""

import time

import numpy as np
import pytest
from numbered_reel import AT, NAME

from smallgauge.line import decide_on
from smallgauge.media.pack import reduce_samples
from smallgauge.record.recipe import FINISHED
from smallgauge.record.treatment import treatment_of
from smallgauge.render.plan import plan_rendering
from smallgauge.workbench import opened
from smallgauge.workbench.decide import Asked, drafted
from smallgauge.workbench.looks import CORRECTED, STEADIED
from smallgauge.workbench.opened import MOST_LIGHT, OpenReel

ONE_CODE_OF_8_BITS = 2 ** (FINISHED.bits - 8)


@pytest.fixture
def reel(own_shelf):
    """The reel, open."""
    made = OpenReel(own_shelf / NAME)
    yield made
    made.close()


def tried(reel: OpenReel, row: int, subject: str, text: str):
    return drafted(reel, Asked(subject=subject, text=text, row=row))


DRAFTS = (
    None,
    ("primary", "points 3 0 -2 saturation 0.8"),
    ("primary", "points -8 -8 -8 slope 1.1 1 0.9 power 1 1.2 1 saturation 1.3"),
    ("rendering", "white 0.2 black 2.5"),
    ("rendering", "as captured"),
    ("fading", "cyan 0.6 magenta 0.95 yellow 0.8"),
)


@pytest.mark.parametrize("draft", DRAFTS)
@pytest.mark.parametrize("factor", [1, 2, 3])
def test_a_true_look_is_the_rendered_frame_reduced_alike(reel, monkeypatch, draft, factor):
    monkeypatch.setattr(opened, "true_factor", lambda width, height: factor)
    for row in (2, 40):
        for look in (STEADIED, CORRECTED):
            made = None if draft is None else tried(reel, row, *draft)
            shown, by = reel.reduced(row, look, draft=made)
            wanted = reduce_samples(reel.finished(row, look, draft=made), factor)
            assert by == factor and shown.shape == wanted.shape and shown.dtype == np.uint16
            apart = np.abs(shown.astype(np.int64) - wanted.astype(np.int64))
            assert apart.max() <= 2 < ONE_CODE_OF_8_BITS, (row, look, apart.max())


def test_a_turned_frame_and_one_at_the_edge_of_its_capture_too(reel):
    value = {"show": "camera image", "turn_rad": 0.03, "left_px": -20.0, "top_px": -130.0}
    decide_on(reel.folder, subject="framing", value=value, by="m.b.", at=AT, why="test")
    shown, by = reel.reduced(5, CORRECTED)
    wanted = reel.finished(5, CORRECTED)
    assert by == 1 and (wanted == 0).all(axis=2).any(), "no pixel lies outside the capture"
    assert np.abs(shown.astype(np.int64) - wanted.astype(np.int64)).max() <= 2


def test_light_that_is_kept_is_used_again_and_no_more_than_said_is_kept(reel, monkeypatch):
    reel.reduced(3, CORRECTED)
    kept = list(reel._lights.values())
    reel.reduced(3, CORRECTED, draft=tried(reel, 3, "primary", "points 5 0 0 saturation 1"))
    assert list(reel._lights.values()) == kept
    for row in range(4, 12):
        reel.reduced(row, CORRECTED)
    assert len(reel._lights) == MOST_LIGHT
    one = kept[0].light.nbytes
    monkeypatch.setattr(opened, "MOST_HELD_BYTES", MOST_LIGHT * one + 3 * reel.samples(0).nbytes)
    for row in range(20):
        reel.samples(row)
    assert reel.held_bytes <= opened.MOST_HELD_BYTES and len(reel._held) == 3


def test_a_look_that_was_decided_is_planned_as_a_render_would(reel):
    reel.plan()
    for subject, value, where in (
        ("primary", {"points": [2.0, 0.0, 0.0], "saturation": 0.9}, {"scene": 30}),
        ("rendering", {"show": "as captured"}, {}),
    ):
        decide_on(reel.folder, subject=subject, value=value, by="m.b.", at=AT, why="test", **where)
    quick, _ = reel.plan()
    whole = plan_rendering(reel.capture, reel.frames, treatment_of(reel.decisions()), reel.material())
    assert [f.colour for f in quick.frames] == [f.colour for f in whole.frames]
    assert [f.move for f in quick.frames] == [f.move for f in whole.frames]
    assert quick.frames[40].colour != quick.frames[3].colour


def test_the_drawn_frame_and_what_the_scenes_around_open_with_are_decoded_ahead(reel):
    reel.ahead(12)
    stop = time.monotonic() + 20
    while len(reel._held) < 2 and time.monotonic() < stop:
        time.sleep(0.02)
    assert set(reel._held) == {(0, 12), (0, 30)}
    reel.ahead(45)
    while len(reel._held) < 4 and time.monotonic() < stop:
        time.sleep(0.02)
    assert set(reel._held) == {(0, 12), (0, 30), (0, 45), (0, 0)}
