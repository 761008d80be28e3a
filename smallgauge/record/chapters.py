"""Chapters of a film: one for each scene, named by the operator's words where a decision gives them.

name_value      an operator's words -> the value that is recorded
scene_titles    decisions and the scenes' places -> the title of each scene
chapters_of     the scene of each shown frame and the titles -> first frame, stop and title of each chapter
"""

import unicodedata
from collections.abc import Mapping, Sequence
from itertools import groupby

from smallgauge.errors import CallerError
from smallgauge.record.treatment import Treatment

SUBJECT = "scene_name"
# Characters of a name. An MP4 player's short list of chapters takes 255 bytes, and a character has at most 4.
LONGEST_NAME = 60


def name_value(text: str) -> dict[str, object]:
    """The name of a scene: words in one line, spaces in a row made one.

    Examples
    --------
    >>> name_value(" The  sea ")
    {'name': 'The sea'}
    """
    words = unicodedata.normalize("NFC", " ".join(text.split()))
    bad = sorted({character for character in words if unicodedata.category(character) in ("Cc", "Cs", "Co")})
    if not words or len(words) > LONGEST_NAME or bad:
        found = f"the character {bad[0]!r}" if bad else f"{len(words)} characters"
        raise CallerError(
            f"scene_name needs words of 1 to {LONGEST_NAME} characters in one line, found {found}; "
            "say it shorter and in plain letters."
        )
    return {"name": words}


def scene_titles(treatment: Treatment, scene_at: Mapping[int, int]) -> tuple[str, ...]:
    """Title of each scene, from the first on; `scene_at` gives the scene that holds a film position.

    A scene that nobody named is "Scene" and its number, counted from 1.
    """
    named = {
        scene_at[position]: str(value["name"])
        for position, value in treatment.scene_values(SUBJECT).items()
        if position in scene_at
    }
    count = max(scene_at.values(), default=-1) + 1
    return tuple(named.get(scene, f"Scene {scene + 1}") for scene in range(count))


def chapters_of(scenes: Sequence[int], titles: Sequence[str]) -> tuple[tuple[int, int, str], ...]:
    """First frame, stop and title of each chapter of a film, from the scene of each of its frames.

    Frames that lie in no scene (-1: nothing could be read there) belong to the chapter before them.

    Examples
    --------
    >>> chapters_of([0, 0, -1, 1], ("The sea", "Scene 2"))
    ((0, 3, 'The sea'), (3, 4, 'Scene 2'))
    """
    known: list[int] = []
    last = next((scene for scene in scenes if scene >= 0), -1)
    for scene in scenes:
        last = scene if scene >= 0 else last
        known.append(last)
    chapters, first = [], 0
    for scene, frames in groupby(known):
        stop = first + len(list(frames))
        if 0 <= scene < len(titles):
            chapters.append((first, stop, titles[scene]))
        first = stop
    return tuple(chapters)
