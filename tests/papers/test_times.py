"""`frames.csv`: time stamps, and what is wrong with them in words."""

import math

import pytest

from smallgauge.analyse.times import read_times
from smallgauge.errors import MaterialError


def test_frames_without_a_stamp_are_not_a_number():
    times = read_times("frame,time_s\n2,0.25\n0,nan\n", count=4, where="frames.csv")
    assert math.isnan(times[0]) and math.isnan(times[1]) and times[2] == 0.25 and math.isnan(times[3])


def test_other_systems_line_ends_and_a_further_column():
    assert read_times("Frame,Time_s,note\r\n0,1.5,ok\r\n", count=1, where="x")[0] == 1.5


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time,frame\n0,1\n", "must begin"),
        ("frame,time_s\n0\n", "line 2"),
        ("frame,time_s\n0,1\nx,2\n", "line 3"),
        ("frame,time_s\n7,1\n", "frames 0 to 3"),
        ("frame,time_s\n-1,1\n", "frame -1"),
    ],
)
def test_what_is_wrong_is_told(text, told):
    with pytest.raises(MaterialError, match=told):
        read_times(text, count=4, where="frames.csv")
