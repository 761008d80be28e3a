"""An order's words: what is made of each, and what is refused."""

from fractions import Fraction

import pytest

from smallgauge.errors import MaterialError
from smallgauge.record.notes import read_notes
from smallgauge.record.ordered import ordered_recipes
from smallgauge.record.shop import read_shop


def made(*words, film=18, television=25):
    recipes = ordered_recipes(words, film_rate=Fraction(film), television_rate=Fraction(television))
    return {recipe.file: recipe for recipe in recipes}


def test_nothing_ordered_is_what_every_reel_gets():
    assert list(made()) == ["viewing.mp4", "television.mp4"]
    assert {recipe.order for recipe in made().values()} == {""}


def test_every_word_has_its_file():
    words = ("viewing", "television 50", "hd", "hd 24", "hevc", "hevc 8-bit", "av1", "editing 30")
    files = ["viewing", "television", "television-50", "hd", "hd-24", "hevc", "hevc-8-bit", "av1"]
    assert set(made(*words)) == {*(f"{file}.mp4" for file in files), "editing-30.mov"}


def test_the_usual_television_copy_is_not_made_twice():
    assert list(made("television", "television 25")) == ["viewing.mp4", "television.mp4"]


@pytest.mark.parametrize(
    ("film", "television", "rate"),
    [
        (18, 25, 25),  # the country's
        (24, 25, 24),  # the film's own, where time code counts it
        (18, 50, 25),  # half the country's
        (18, 60, 30),
        (27, 25, 30),  # the lowest that shows every frame
        (32, 25, 30),  # none does: the highest, and the plan says what is left out
    ],
)
def test_rate_of_an_editing_copy(film, television, rate):
    copy = made("editing", film=film, television=television)["editing.mov"]
    assert copy.rate == rate and copy.time_code == "01:00:00:00"


def test_the_notes_take_words_and_refuse_others():
    notes, _ = read_notes('copies = ["HD  25", "editing", "hd 25"]', where="capture.toml")
    assert notes.copies == ("hd 25", "editing")
    for text in (
        'copies = ["dvd"]',
        'copies = "hd"',
        "copies = [25]",
        'copies = ["editing 50"]',
        'copies = ["hevc 25"]',
    ):
        with pytest.raises(MaterialError, match="copies must"):
            read_notes(text, where="capture.toml")


def test_the_shop_says_its_country():
    assert read_shop("[copies]\ntelevision_rate = 30", where="shop.toml").television_rate == 30
    assert read_shop("", where="shop.toml").television_rate == 25
    for text in ("[copies]\ntelevision_rate = 29", "[copies]\nrate = 25", "[copies]\ntelevision_rate = true"):
        with pytest.raises(MaterialError, match="copies"):
            read_shop(text, where="shop.toml")
