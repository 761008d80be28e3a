"""What is told of dirt: counts over the whole film, scenes that were left whole, what was left and why."""

from types import SimpleNamespace

import pytest

from smallgauge.deliver.dirt import dirt_sentence, dirt_table
from smallgauge.record.dirttable import DirtSummary


def told_of(**figures):
    """Papers of which only the figures on dirt and the number of frames are looked at."""
    nothing = {"found": 0, "repaired": 0, "left_by_decision": 0, "left": {}, "scenes_left": ()}
    dirt = DirtSummary(**{**nothing, **figures})
    return SimpleNamespace(summary=SimpleNamespace(dirt=dirt, frames=200))


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        (
            {"repaired": 190},
            "On all 200 pictures of the film taken together, 190 specks of dust are no longer seen in the finished film.",
        ),
        (
            {"repaired": 1},
            "On all 200 pictures of the film taken together, 1 speck of dust is no longer seen in the finished film.",
        ),
        ({"repaired": 0}, None),
    ],
)
def test_specks_are_counted_over_the_whole_film_and_it_reads_so(figures, words):
    assert dirt_sentence(told_of(**figures)) == words


def test_scenes_that_were_left_whole_are_said_to_the_family_and_counted_for_the_technician():
    papers = told_of(repaired=190, left={"apart": 2, "weather": 4000}, scenes_left=(3,))
    assert "1 scene in which snow, rain or the like may fall stayed whole." in dirt_sentence(papers)
    rows = {row[0]: row[1:] for row in dirt_table(papers).rows}
    assert rows["left, weather"] == ("4,000", "more of these than dirt explains, all over the picture")
    assert rows["left, apart"] == ("2", "the frames before and after differ there")
