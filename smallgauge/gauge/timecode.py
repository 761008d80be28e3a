"""Time code of SMPTE ST 12-1 without dropped numbers: frames counted at 24, 25 or 30 a second.

time_code_after   a time code and frames after it -> the time code there
"""

import re

from smallgauge.errors import CallerError

_FORM = re.compile(r"(\d\d):(\d\d):(\d\d):(\d\d)")
_DAY_S = 24 * 3600


def time_code_after(first: str, frames: int, *, rate: int) -> str:
    """The time code so many frames after `first`; after 23:59:59 it begins again at 0.

    Parameters
    ----------
    first : str
        Hours, minutes, seconds and frames, "01:00:00:00".
    frames : int
        0 or more.
    rate : int
        Frames a second, 24, 25 or 30.

    Raises
    ------
    CallerError
        For another rate, a count below 0, or what is no time code.

    Notes
    -----
    Source: SMPTE ST 12-1 (from memory, not checked).

    Examples
    --------
    >>> time_code_after("01:00:00:00", 25 * 61 + 3, rate=25)
    '01:01:01:03'
    """
    match = _FORM.fullmatch(first)
    parts = [int(part) for part in match.groups()] if match else []
    if rate not in (24, 25, 30) or frames < 0 or not parts or parts[3] >= rate or max(parts[1:3]) > 59:
        raise CallerError(
            f"A time code such as 01:00:00:00 at 24, 25 or 30 frames a second is needed, got {first} at {rate} and {frames}."
        )
    hours, minutes, seconds, own = parts
    total = ((hours * 60 + minutes) * 60 + seconds) * rate + own + frames
    seconds, own = divmod(total % (_DAY_S * rate), rate)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}:{own:02d}"
