"""What blobs are taken for, from columns made by hand; and surroundings that are moved as one piece, against known moves."""

import cv2
import numpy as np
import pytest

from smallgauge.picture.dirt_kinds import find_dirt_kinds
from smallgauge.picture.dirt_piece import carry_piece, measure_piece
from smallgauge.picture.flow import back_flow

SIZE = (1440, 1080)
SPECK = {
    "left": 700,
    "top": 500,
    "width": 9,
    "height": 9,
    "area_px": 60,
    "depth": -40.0,
    "peak": 9.0,
    "lightness": 60.0,
    "restless": 0.0,
    "apart": 0.4,
    "torn": 1.1,
    "turn_deg": 0.0,
    "long": 1.2,
}
HAND = {"area_px": 900, "restless": 0.6, "torn": 3.0}


def kinds(*blobs, frames=9):
    """Kinds of blobs, each a frame and what it differs in from `SPECK`; by frame."""
    rows = [{"frame": frame, **SPECK, **other} for frame, other in blobs]
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    return find_dirt_kinds(columns, scene=np.zeros(frames, int), size=SIZE).tolist()


def test_torn_surroundings_alone_are_no_reason_and_beside_things_that_move_they_are():
    torn = {"torn": 1.6, "area_px": 400}
    assert kinds((4, torn)) == ["dirt"]  # fine texture in a still scene
    beside = [(3, {**HAND, "left": 730}), (4, {**HAND, "left": 740})]
    assert kinds(beside[0], (4, torn), beside[1])[1] == "torn"
    assert kinds(beside[0], (4, torn)) == ["restless", "dirt"]  # one that moves is not enough


def test_a_small_speck_on_what_moves_as_one_is_dirt_whatever_moves_beside_it():
    hand = [(frame, {**HAND, "left": 730}) for frame in (3, 5)]
    assert kinds(hand[0], (4, {}), hand[1]) == ["restless", "dirt", "restless"]
    assert kinds(hand[0], (4, {"area_px": 400}), hand[1])[1] == "busy"
    assert kinds(hand[0], (4, {"torn": 1.24}), hand[1])[1] == "busy"


def test_the_same_thing_a_frame_earlier_and_later_moves():
    for other, kind in (({"left": 660}, "moves"), ({"left": 660, "area_px": 85}, "moves")):
        assert kinds((3, other), (4, {}), (5, {"left": 740}))[1] == kind
    unlike = {"left": 660, "area_px": 110}  # alike enough for what is not sure
    assert kinds((3, unlike), (4, {}), (5, {"left": 740}))[1] == "dirt"
    large = {"area_px": 300}
    assert kinds((3, {"left": 660, "area_px": 550}), (4, large), (5, {"left": 740, **large}))[1] == "moves"


@pytest.mark.parametrize(
    ("depth", "peak", "kind"), [(-40.0, 5.6, "dirt"), (40.0, 5.6, "faint"), (40.0, 6.1, "dirt")]
)
def test_light_ones_must_stand_out_farther(depth, peak, kind):
    assert kinds((4, {"depth": depth, "peak": peak})) == [kind]


def test_a_scene_in_which_half_as_much_moves_as_may_be_dirt_is_left_whole():
    """In one corner only, so that it is not all over the picture."""
    ball = [
        (frame, {"left": 90 + 30 * frame, "top": 100 + 40 * n, "area_px": 900})
        for frame in range(1, 8)
        for n in range(4)
    ]
    specks = [  # of another size on every other frame, so that none is the same thing
        (frame, {"left": 260 * n + 300, "top": 600, "area_px": 40 + 110 * (frame % 2)})
        for frame in range(1, 8)
        for n in range(4)
    ]
    told = kinds(*sorted(ball + specks, key=lambda each: each[0]))
    assert "dirt" not in told and "weather" in told
    assert "weather" not in kinds(*sorted(ball[:12] + specks, key=lambda each: each[0]))


def test_a_table_without_the_newer_columns_is_judged_as_before():
    assert kinds((4, {"torn": np.nan})) == ["dirt"]
    assert kinds((3, HAND), (4, {"torn": np.nan}), (5, HAND))[1] == "busy"


@pytest.mark.parametrize(("across", "down"), [(0.0, 0.0), (3.25, -1.5), (-6.5, 4.75)])
def test_surroundings_are_moved_to_a_quarter_of_a_pixel(across, down):
    """Against a picture moved by OpenCV (an outside library) by known amounts, through a hole where something stands before it."""
    random = np.random.default_rng(3)
    view = cv2.GaussianBlur(random.normal(120, 90, (120, 160)).astype(np.float32), (0, 0), 2.5)
    moved = cv2.warpAffine(
        view, np.float64([[1, 0, across], [0, 1, down]]), (160, 120), flags=cv2.INTER_CUBIC
    )
    grainy = moved + random.normal(0, 1, moved.shape).astype(np.float32)
    y, x = (each.ravel() for each in np.mgrid[40:80, 60:100])
    ring = (np.hypot(y - 60, x - 80) > 8) & (np.hypot(y - 60, x - 80) < 16)
    near = np.array([[round(across), round(down)], [9, 9], [-9, -9]])
    sigma = np.full(256, 1.0, np.float32)
    piece = measure_piece(view, grainy + 7, -7.0, (y[ring], x[ring]), near, sigma)
    assert abs(piece.across_px - across) <= 0.25 and abs(piece.down_px - down) <= 0.25
    assert piece.differ < 1.2
    part = slice(50, 70), slice(70, 90)
    assert np.abs(carry_piece(grainy + 7, piece, -7.0, part) - view[part]).mean() < 1.2
    elsewhere = measure_piece(view, grainy[::-1].copy(), 0.0, (y[ring], x[ring]), near, sigma)
    assert elsewhere.differ > 2.0


def test_flow_back_is_the_way_back_of_a_known_turn():
    turn = cv2.getRotationMatrix2D((80, 60), 2.0, 1.02)
    view = cv2.GaussianBlur(
        np.random.default_rng(5).normal(120, 200, (120, 160)).astype(np.float32), (0, 0), 2.5
    )
    first = np.clip(view, 0, 255).astype(np.uint8)
    second = cv2.warpAffine(first, turn, (160, 120), borderMode=cv2.BORDER_REFLECT)
    x, y = np.meshgrid(np.arange(160, dtype=np.float64), np.arange(120, dtype=np.float64))

    def flow(matrix):
        return np.float32(
            np.stack([matrix[k, 0] * x + matrix[k, 1] * y + matrix[k, 2] - (x, y)[k] for k in (0, 1)], 2)
        )

    back = back_flow(first, second, flow(turn), refined=5)
    error = np.hypot(*(back - flow(cv2.invertAffineTransform(turn))).transpose(2, 0, 1))
    assert np.median(error) < 0.15 and error[12:-12, 12:-12].max() < 0.6
