"""Dates as far as they are known, against the examples of the EDTF specification (Library of Congress, 4 February 2019)."""

from datetime import date

import pytest

from smallgauge.errors import CallerError
from smallgauge.record.edtf import edtf_words, read_edtf

# Examples of the specification, https://www.loc.gov/standards/datetime/, levels 0 and 1; from memory, not checked.
LEVEL_0 = (
    "1985-04-12", "1985-04", "1985", "1964/2008", "2004-06/2006-08", "2004-02-01/2005-02-08", "2004-02-01/2005-02",
    "2004-02-01/2005", "2005/2006-02",
)  # fmt: skip
LEVEL_1 = (
    "2001-21", "1984?", "2004-06~", "2004-06-11%", "201X", "20XX", "2004-XX", "1985-04-XX", "1985-XX-XX", "1985-04-12/..",
    "1985-04/..", "1985/..", "../1985-04-12", "../1985-04", "../1985", "1985-04-12/", "1985-04/", "1985/", "/1985-04-12",
    "/1985-04", "/1985", "1984~/2004-06", "1984-06-02?/2004-08-08~",
)  # fmt: skip
# Level 2, which is not taken; and what the specification knows nothing of.
OTHERS = (
    "156X-12-25", "15XX-12-XX", "1984?-06", "2004-06~-11", "?2004-06-~11", "XXXX", "1XXX", "[1667,1668]", "{1960,1961}", "2001-34",
    "1962-13", "1962-00", "1962-02-29", "1962-06-31", "62", "1962-6", "24.12.1962", "1962:12:24", "1962-12-24T10:00:00",
    "about 1962", "", "/", "../..", "1962/1963/1964", "1962~~", "1962-XX-24", "1962-21-03",
)  # fmt: skip


@pytest.mark.parametrize("text", LEVEL_0 + LEVEL_1)
def test_the_examples_of_the_specification_are_taken_as_they_stand(text):
    assert read_edtf(text).text == text and edtf_words(read_edtf(text))


@pytest.mark.parametrize("text", OTHERS)
def test_other_forms_are_refused_and_nothing_is_made_of_them(text):
    with pytest.raises(CallerError, match="as far as it is known"):
        read_edtf(text)


def test_a_day_is_a_day_only_where_somebody_stated_it():
    days = {text: read_edtf(text).full_day for text in LEVEL_0 + LEVEL_1}
    assert {text: day for text, day in days.items() if day is not None} == {"1985-04-12": date(1985, 4, 12)}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1984?", "perhaps 1984"), ("2004-06~", "about June 2004"), ("2004-06-11%", "perhaps about 11 June 2004"),
        ("201X", "the 2010s"), ("20XX", "between 2000 and 2099"), ("1985-XX-XX", "a day of 1985"), ("2001-21", "spring 2001"),
        ("2001-24", "winter 2001"), ("1985/..", "1985 or later"), ("../1985", "until 1985"), ("1964/2008", "from 1964 to 2008"),
    ],
)  # fmt: skip
def test_dates_in_words(text, words):
    assert edtf_words(read_edtf(text)) == words
