"""What scene limits, light from above and the perforations' side say of the loading: series with known truth."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.picture.loading import LEAST_STARTS, measure_picture_light, propose_loading

SIDES = {False: "left", True: "right"}


def series(
    seed: int, *, scenes: int, start: tuple[float, ...], sky: float, tail: bool, flipped: bool
) -> dict[str, object]:
    """Columns of a film as captured: each scene begins brighter by `start`, and is lighter above by `sky`, ln light."""
    rng = np.random.default_rng(seed)
    light, scene = [], []
    for n in range(scenes):
        length = int(rng.integers(14, 60))
        part = rng.normal(-1.5, 0.4) + np.cumsum(rng.normal(0, 0.01, length))
        part[: len(start)] += start
        light.append(part)
        scene.append(np.full(length, n))
    picture_light, number = np.concatenate(light), np.concatenate(scene)
    upper = np.full(number.size, sky) + rng.normal(0, 0.03, number.size)
    if tail:
        picture_light, upper, number = picture_light[::-1], -upper[::-1], (scenes - 1 - number)[::-1]
    seen = SIDES[tail != flipped]
    return {"picture_light": picture_light, "picture_upper": upper, "scene": number, "direction": 1,
            "side_seen": seen, "side_usual": "left"}  # fmt: skip


@given(
    st.integers(0, 10_000),
    st.integers(1, 12),
    st.sampled_from([(0.6, 0.3, 0.1), (0.9, 0.4), (0.2,), ()]),
    st.floats(-1, 1),
    st.booleans(),
    st.booleans(),
)
def test_right_or_not_sure_never_wrong(seed, scenes, start, sky, tail, flipped):
    """Pictures lighter below than above included: light from above decides nothing by itself."""
    read = propose_loading(**series(seed, scenes=scenes, start=start, sky=sky, tail=tail, flipped=flipped))
    if read.sure:
        assert (read.backwards, read.turn, read.mirror) == (tail, 180 if tail else 0, flipped)
    if len(start) > 1 and scenes > LEAST_STARTS + 3 and sky >= 0:
        assert read.sure and read.against == (tail or flipped)
    if not start or scenes <= LEAST_STARTS:
        assert not read.sure


def test_without_the_side_the_face_is_not_told_and_without_direction_nothing_is_turned():
    columns = series(5, scenes=8, start=(0.8, 0.3), sky=0.2, tail=True, flipped=False)
    read = propose_loading(**{**columns, "side_usual": ""})
    assert (read.backwards, read.turn, read.mirror, read.sure, read.against) == (True, 180, None, False, True)
    read = propose_loading(**{**columns, "direction": 0})
    assert (read.backwards, read.turn, read.mirror, read.sure) == (True, None, None, False)
    # Files in the other order: the film is upright though its tail came first.
    upright = {**columns, "direction": -1, "picture_upper": -columns["picture_upper"], "side_seen": "left"}
    read = propose_loading(**upright)
    assert (read.backwards, read.turn, read.mirror) == (True, 0, False)


def test_negative_film_is_darker_where_the_camera_started():
    columns = series(6, scenes=8, start=(0.8, 0.3), sky=0.2, tail=True, flipped=False)
    columns |= {name: -columns[name] for name in ("picture_light", "picture_upper")}
    assert propose_loading(**columns, negative=True).backwards is True


def test_limits_that_contradict_one_another_tell_nothing():
    """Half of the scenes end as brightly as the others begin: no vote of the majority."""
    columns = series(7, scenes=9, start=(), sky=0.0, tail=False, flipped=False)
    light, scene = columns["picture_light"], columns["scene"]
    limits = np.flatnonzero(np.diff(scene)) + 1
    light[limits[:5]] += 0.8
    light[limits[5:] - 1] += 0.8
    read = propose_loading(**columns)
    assert (
        read.backwards is None and "after 5 scene limits" in read.reasons[0] and "before 3" in read.reasons[0]
    )


def test_empty_pictures_say_nothing_and_nonsense_is_refused():
    assert np.isnan(measure_picture_light(np.full((30, 40), np.nan)).picture_upper)
    assert np.isnan(measure_picture_light(np.zeros((2, 40))).picture_light)
    nothing = propose_loading(
        picture_light=[], picture_upper=[], scene=[], direction=1, side_seen="", side_usual=""
    )
    assert not nothing.sure and not nothing.against
    with pytest.raises(CallerError, match="one length"):
        propose_loading(
            picture_light=[0.0], picture_upper=[], scene=[0], direction=1, side_seen="", side_usual=""
        )
