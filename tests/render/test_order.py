"""The order that is written down is the order in which the composition works."""

from dataclasses import fields

from smallgauge.picture.colour import FrameColour
from smallgauge.render.order import ORDER

PLACE = {name: number for number, (name, _) in enumerate(ORDER)}
STEP = {
    "lamp": "lamp level and flare",
    "flare": "lamp level and flare",
    "deepest": "lamp level and flare",
    "flicker": "flicker",
    "fade": "fading of dyes",
    "negative": "negative to print",
    "mono": "black-and-white",
    "points": "printer points",
    "output": "white and black",
    "decision_list": "decision list",
    "hues": "hue windows",
}


def test_fields_stand_in_the_order_that_is_written_down():
    """`tests/picture/test_colour.py` holds the composition to the order of the fields."""
    names = [field.name for field in fields(FrameColour)]
    assert set(names) == set(STEP)
    places = [PLACE[STEP[name]] for name in names]
    assert places == sorted(places)


def test_every_correction_has_its_reason():
    assert len(PLACE) == len(ORDER) and all(len(reason) > 20 for _, reason in ORDER)
    assert [name for name, _ in ORDER[:3]] == ["dirt", "less grain", "code values to light"]
    assert ORDER[-1][0] == "display encoding"
