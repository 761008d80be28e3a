"""Chapters in Matroska and MP4, read back by our reader and by MediaInfo."""

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from pymediainfo import MediaInfo

from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import create_lossless, create_viewing, join_segments

RATE = Fraction(18)
CHAPTERS = ((0, 7, "The sea"), (7, 8, "Scene 2"), (8, 20, "Grandmother’s birthday; cake = yes"))


def segment(folder, kind):
    path = folder / f"s.{kind}"
    writer = (
        create_lossless(path, width=64, height=48, bits=8, layout="rgb", rate=RATE)
        if kind == "mkv"
        else create_viewing(path, width=64, height=48, rate=RATE)
    )
    with writer:
        for n in range(20):
            writer.write(np.full((48, 64, 3), 10 * n, np.uint8))
    return path


def clock(milliseconds):
    minutes, rest = divmod(milliseconds, 60_000)
    return f"00:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


@pytest.mark.parametrize("kind", ["mkv", "mp4"])
def test_chapters_come_back_with_their_names_and_times(tmp_path, kind):
    """MediaInfo (its own parsers of Matroska and MP4) is the outside witness."""
    target = tmp_path / f"film.{kind}"
    log = join_segments(
        [segment(tmp_path, kind)],
        target,
        rate=RATE,
        frame_counts=[20],
        container=kind,
        chapters=CHAPTERS,
    )
    assert log == ()
    with read_film(target) as film:
        assert [title for _, _, title in film.chapters] == [title for _, _, title in CHAPTERS]
        for (start, end, _), (first, stop, _) in zip(film.chapters, CHAPTERS, strict=True):
            assert abs(start - first / RATE) <= Fraction(1, 1000)
            assert abs(end - stop / RATE) <= Fraction(1, 1000)
        assert film.count == 20 and film.log == ()
    menus = [track.to_data() for track in MediaInfo.parse(target).tracks if track.track_type == "Menu"]
    assert menus
    for first, _, title in CHAPTERS:
        exact = (
            first / RATE * 1000
        )  # Matroska's nanoseconds are cut off, not rounded, when MediaInfo prints them
        keys = {clock(number).replace(":", "_").replace(".", "") for number in (floor(exact), round(exact))}
        told = [value for menu in menus for name, value in menu.items() if name.replace(".", "") in keys]
        assert told and all(title in value for value in told), (keys, menus)


@pytest.mark.parametrize("kind", ["mkv", "mp4"])
def test_another_name_copies_the_same_packets_out_of_the_film_itself(tmp_path, kind):
    one, two = tmp_path / f"one.{kind}", tmp_path / f"two.{kind}"
    common = {"rate": RATE, "frame_counts": [20], "container": kind}
    join_segments([segment(tmp_path, kind)], one, chapters=CHAPTERS, **common)
    join_segments([one], two, chapters=((0, 20, "All"),), **common)
    with read_film(one) as before, read_film(two) as after:
        assert [title for _, _, title in after.chapters] == ["All"]
        assert before.times == after.times
        for a, b in zip(before.frames(), after.frames(), strict=True):
            assert np.array_equal(a, b)
