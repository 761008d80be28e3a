"""The proof reads the chapters of a film back: names, places and count."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import pytest

from smallgauge.prove.bench import Bench

RATE = Fraction(18)
WANTED = ((0, 24, "The sea"), (24, 60, "Scene 2"))
RIGHT = ((0 / RATE, 24 / RATE, "The sea"), (24 / RATE, 60 / RATE, "Scene 2"))


@dataclass
class Film:
    chapters: tuple
    rate: Fraction = RATE


def proof_of(chapters):
    bench = Bench(folder=Path(), runner=None, progress=None)
    bench.chapters("viewing.mp4", Film(chapters), WANTED)
    return bench


@pytest.mark.parametrize("late", [Fraction(0), Fraction(1, 1000), Fraction(-1, 2000)])
def test_the_chapters_that_were_made_pass_within_a_millisecond(late):
    shifted = tuple((start + late, stop + late, title) for start, stop, title in RIGHT)
    bench = proof_of(shifted)
    assert not bench.findings and bench.checks[0].passed == bench.checks[0].made == 1


@pytest.mark.parametrize(
    "chapters",
    [
        (),
        RIGHT[:1],
        RIGHT[::-1],
        (RIGHT[0], (*RIGHT[1][:2], "Scene 3")),
        (RIGHT[0], (25 / RATE, 60 / RATE, "Scene 2")),
        (RIGHT[0], (24 / RATE, 59 / RATE, "Scene 2")),
        (*RIGHT, (Fraction(3), Fraction(4), "more")),
    ],
)
def test_any_other_list_fails(chapters):
    bench = proof_of(chapters)
    assert [(each.code, each.weight) for each in bench.findings] == [("chapters differ", "failure")]
    assert bench.checks[0].passed == 0
