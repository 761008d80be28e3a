"""Which frames a photograph is made of: within its scene, near what was asked for, sharp enough, captured."""

from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.render.plan_stills import StillWish, plan_stills, scene_wishes

# 24 finished frames: scene 0 of twelve, scene 1 of twelve; finished frame 8 repeats 7, film position 8 was not captured.
SHARP = np.ones(24)
SHARP[[3, 6, 20]] = 1.5
SHARP[15] = np.nan


def film():
    frames = tuple(
        SimpleNamespace(
            finished=n, film_position=n, source=n, capture=0, frame=100 + (7 if n == 8 else n),
            kind="repeated" if n == 8 else "captured", scene=0 if n < 12 else 1,
        )
        for n in range(24)
    )  # fmt: skip
    return SimpleNamespace(frames=frames, titles=("Garden", "The sea"))


def one(wish: StillWish, reach: int = 4):
    (planned,) = plan_stills(film(), SHARP, [wish], reach=reach)
    return planned.shown.film_position, [frame.film_position for frame in planned.frames]


def test_the_sharpest_near_the_frame_asked_for_and_none_of_another_scene():
    shown, used = one(StillWish(asked="frame", film_position=10))
    assert shown == 6 and used == [2, 3, 4, 5, 6, 7, 9, 10, 11]
    shown, used = one(StillWish(asked="frame", film_position=11), reach=0)
    assert shown == 11 and used == [6, 7, 9, 10, 11]  # nothing of scene 1, and no repeat


def test_a_marked_frame_is_that_very_frame():
    wish = StillWish(asked="mark", film_position=4, key=(0, 104))
    assert one(wish)[0] == 4 and one(StillWish(asked="frame", film_position=4))[0] == 3


def test_a_frame_whose_sharpness_is_not_known_helps_nobody():
    assert 15 not in one(StillWish(asked="frame", film_position=14))[1]


def test_one_photograph_a_scene_its_sharpest():
    assert [wish.film_position for wish in scene_wishes(film(), SHARP, None)] == [3, 20]
    assert [wish.film_position for wish in scene_wishes(film(), SHARP, (2,))] == [20]
    with pytest.raises(CallerError, match="scenes 1 to 2, found 3"):
        scene_wishes(film(), SHARP, (1, 3))


@pytest.mark.parametrize(
    "wish", [StillWish(asked="frame", film_position=8), StillWish(asked="frame", film_position=24),
             StillWish(asked="mark", film_position=3, key=(1, 103))],
)  # fmt: skip
def test_what_the_film_does_not_show_is_refused(wish):
    with pytest.raises(CallerError, match="no captured picture"):
        one(wish)
