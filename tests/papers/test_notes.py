"""`capture.toml`: every key is read, every mistake is named at once, an unknown key is told with its neighbour."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from smallgauge.errors import MaterialError
from smallgauge.record.notes import CAPTURE_KEYS, CaptureNotes, read_notes


def read(text, *stated):
    return read_notes(text, where="capture.toml", stated=stated)


def test_nothing_stated_is_nothing_known():
    notes, findings = read("")
    assert notes == CaptureNotes() and findings == ()


def test_every_key_of_the_document_is_a_field():
    assert {key.name for key in CAPTURE_KEYS} == set(CaptureNotes.__dataclass_fields__)


def test_the_command_line_wins():
    notes, _ = read(
        'gauge = "standard 8"\nscan_rate = 12', "gauge=super 8", "scan_rate=50/3", "frames_let_pass=[4, 2]"
    )
    assert (notes.gauge, notes.scan_rate, notes.frames_let_pass) == ("super 8", Fraction(50, 3), (2, 4))


def test_all_mistakes_come_at_once():
    with pytest.raises(MaterialError) as told:
        read('film = "slide"\nmicrometres_per_pixel = 0\nscan_rate = "quick"\nformat = 2\nsync_marks = 3')
    for key in ("film", "micrometres_per_pixel", "scan_rate", "format", "sync_marks"):
        assert key in str(told.value)


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("guage", "gauge"),
        ("micrometers_per_pixel", "micrometres_per_pixel"),
        ("box-words", "box_words"),
        ("zzz", ""),
    ],
)
def test_an_unknown_key_is_told_with_its_nearest_name(wrong, right):
    notes, findings = read(f'"{wrong}" = "x"')
    assert notes == CaptureNotes()
    assert [(f.code, f.values["key"], f.values["nearest"]) for f in findings] == [
        ("unknown key", wrong, right)
    ]


def test_what_is_no_toml_is_refused_with_the_place():
    with pytest.raises(MaterialError, match="line 2"):
        read('film = "reversal"\nfilm film')


@given(
    st.dictionaries(
        st.sampled_from([k.name for k in CAPTURE_KEYS]), st.sampled_from(["1", '"x"', "true", "[]", "nan"])
    )
)
def test_any_value_is_taken_or_refused_in_words(values):
    text = "".join(f"{name} = {value}\n" for name, value in values.items())
    try:
        notes, _ = read(text)
    except MaterialError as error:
        assert any(name in str(error) for name in values)
    else:
        assert all(getattr(notes, name) is not None for name in values)


@pytest.mark.parametrize("number", ["0004117-R03-7", "0004171-R03-8", "0004171R038"])
def test_a_reel_number_whose_check_digit_does_not_fit_is_refused(number):
    with pytest.raises(MaterialError, match="does not fit"):
        read_notes(f'reel = "{number}"', where="capture.toml")


@pytest.mark.parametrize("number", ["0004171-R03-7", "Box 7, reel B", "12"])
def test_a_right_reel_number_and_a_shops_own_are_taken(number):
    assert read_notes(f'reel = "{number}"', where="capture.toml")[0].reel == number


MARKS = ("{ frame = -1, sound_s = 1.0 }", '{ frame = "x", sound_s = 1.0 }', "{ frame = 3, sound_s = nan }")


@pytest.mark.parametrize("mark", MARKS)
def test_a_sync_mark_that_can_be_none_is_refused(mark):
    with pytest.raises(MaterialError, match="sync_marks must"):
        read_notes(f"sync_marks = [{mark}]", where="capture.toml")
