"""Chapters: a scene each, named by the operator's words."""

import pytest

from smallgauge.errors import CallerError
from smallgauge.record.chapters import LONGEST_NAME, chapters_of, name_value, scene_titles
from smallgauge.record.decided import decided_value
from smallgauge.record.signature import UNSEEN
from smallgauge.record.treatment import decide, treatment_of

AT = "2026-01-17T10:00:00Z"


def treatment(**names):
    log = ()
    for place, name in names.items():
        value = None if name is None else name_value(name)
        anchor = f"scene@{place.lstrip('p')}"
        log = decide(log, subject="scene_name", value=value, by="m.k.", at=AT, why="told", anchor=anchor)
    return treatment_of(log)


def test_a_named_scene_has_its_name_and_the_others_their_number():
    scenes = {0: 0, 1: 0, 5: 1, 6: 1, 9: 2}
    assert scene_titles(treatment(p6="The sea"), scenes) == ("Scene 1", "The sea", "Scene 3")


def test_a_name_of_a_place_that_the_reel_does_not_have_names_nothing():
    assert scene_titles(treatment(p77="The sea"), {0: 0}) == ("Scene 1",)


def test_chapters_lie_end_to_end_over_all_frames():
    chapters = chapters_of([0] * 7 + [-1] + [1] * 4 + [3] * 2, ("a", "b", "c", "d"))
    assert chapters == ((0, 8, "a"), (8, 12, "b"), (12, 14, "d"))


def test_frames_before_the_first_known_scene_belong_to_it():
    assert chapters_of([-1, -1, 0], ("a",)) == ((0, 3, "a"),)


def test_a_reel_without_scenes_has_no_chapters():
    assert chapters_of([-1, -1], ()) == () and chapters_of([], ("a",)) == ()


@pytest.mark.parametrize("text", ["", "  ", "x" * (LONGEST_NAME + 1), "a\x07b", "a\x00b"])
def test_no_name_a_long_one_and_signs_that_nobody_sees_are_refused(text):
    with pytest.raises(CallerError, match="scene_name needs words of 1 to 60 characters"):
        decided_value("scene_name", text)


def test_the_longest_name_fits_into_the_short_list_of_chapters():
    """255 bytes a title in the list that FFmpeg's muxer writes beside the chapter track (libavformat, movenc.c, from memory)."""
    assert len(name_value("\N{GRINNING FACE}" * LONGEST_NAME)["name"].encode()) <= 255


def test_a_name_is_no_change_of_the_look():
    assert "scene_name" in UNSEEN
