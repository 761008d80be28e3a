"""The borders of the flash set and of the level set once more, through a coded H.264 copy: as a family gets it.

The set is that of tests/picture/test_flashing.py (reference on pictures, section i), steps far enough from a border for
what coding changes.
"""

from fractions import Fraction

import numpy as np
import pytest

from smallgauge.deliver.words import client_sentence, sentence
from smallgauge.media.picture_in import list_capture
from smallgauge.media.picture_out import create_viewing
from smallgauge.prove.frames import tiles_for
from smallgauge.prove.screen import CopyJob, copy_findings, prove_copy, watch_copy

WIDE, HIGH, RATE = 160, 120, Fraction(24)


def code_of(candela: float) -> int:
    """R' G' B' of 8 bits that show so much on a screen of 200 cd/m2, L = 200 V^2.4."""
    return round(255 * (candela / 200) ** (1 / 2.4))


def found_in(tmp_path, shown) -> dict[str, dict]:
    """What `prove` says of a copy of these pictures, by code."""
    path = tmp_path / "viewing.mp4"
    with create_viewing(path, width=WIDE, height=HIGH, rate=RATE) as writer:
        for picture in shown:
            writer.write(picture)
    job = CopyJob(
        listing=list_capture(path),
        first=0,
        stop=len(shown),
        box=(0, 0, WIDE, HIGH),
        tiles=tiles_for(WIDE, HIGH),
        fit=None,
    )
    reading = watch_copy([prove_copy(job, lambda done: None)], rate=RATE)
    assert reading.decoded == len(shown) and not reading.log
    return {f.code: f for f in copy_findings(path.name, reading, RATE, np.arange(len(shown), dtype=np.int32))}


def grey(candela: float, share: float = 1.0, rest: float = 50.0) -> np.ndarray:
    picture = np.full((HIGH, WIDE, 3), code_of(rest), np.uint8)
    picture[: round(share * HIGH)] = code_of(candela)
    return picture


def burst(flashes: int, bright: np.ndarray, dark: np.ndarray) -> list[np.ndarray]:
    """A second of calm, so many flashes within a second, calm."""
    half = max(1, int(RATE / (2 * flashes + 1)))
    return [dark] * 24 + ([bright] * half + [dark] * half) * flashes + [dark] * 24


@pytest.mark.parametrize(
    ("flashes", "share", "bright", "fails"),
    [
        (3, 0.30, 100, False),
        (4, 0.30, 100, True),
        (5, 0.24, 100, False),
        (5, 0.27, 100, True),
        (5, 1.0, 66, False),
        (5, 1.0, 75, True),
    ],
)
def test_a_coded_copy_flashes_or_does_not(tmp_path, flashes, share, bright, fails):
    """Three or four in a second, a quarter of the screen, 20 cd/m2."""
    found = found_in(tmp_path, burst(flashes, grey(bright, share), grey(50)))
    assert ("flashing light" in found) is fails
    if fails:
        said = sentence(found["flashing light"])
        assert "BT.1702 as others quote them (the Recommendation itself was not at hand)" in said
        assert f"{flashes} flashes within one second" in said and "not changed" in said
        assert "photosensitive epilepsy" in client_sentence(found["flashing light"])
        assert found["flashing light"].weight != "failure"


def test_saturated_red_flashes_at_equal_light(tmp_path):
    red, like = np.full((HIGH, WIDE, 3), (191, 20, 20), np.uint8), grey(25)
    found = found_in(tmp_path, burst(5, red, like))
    assert found["flashing light"].values["kind"] == "red"


def test_a_part_that_flashes_is_told_by_the_text_of_wcag(tmp_path):
    bright = grey(50)
    bright[40:80, 50:110] = code_of(120)
    found = found_in(tmp_path, burst(5, bright, grey(50)))
    assert "flashing light" not in found
    assert "WCAG 2.3.1 allows, whose text was followed" in sentence(found["flashing in a part"])


@pytest.mark.parametrize(("share", "out"), [(0.0, False), (0.3, True)])
def test_levels_of_a_coded_copy(tmp_path, share, out):
    """EBU R 103: a sub-sampled edge of full red beside full blue overshoots once it is R'G'B' again; a plain grey does not."""
    picture = grey(60)
    rows = slice(0, round(share * HIGH))
    picture[rows, 0::2], picture[rows, 1::2] = (255, 0, 0), (0, 0, 255)
    found = found_in(tmp_path, [picture] * 4)
    assert ("levels out of range" in found) is out
