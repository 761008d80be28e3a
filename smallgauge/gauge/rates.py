"""Footage, frames, rates and running times, all exact: whole numbers and fractions, never floating point.

frames_from_feet, feet_from_frames, metres_from_frames   the trade's count of frames to a foot
metres_from_pitches, film_speed_mm_s                     the pitch of new film
running_time_s, running_time_text                        frames at a rate
parse_rate                                               what a person wrote to a fraction
even_repeat, shown_frame, shown_count                    film frames spread evenly over another rate

The rates at which cameras usually ran stand with each gauge (`Gauge.running_rates`), each with its source.
"""

import re
from fractions import Fraction

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import Gauge

MM_PER_FOOT = Fraction(3048, 10)  # exact: the international foot, 0.3048 m (definition)

_DECIMAL = re.compile(r"\d{1,4}([.,]\d{1,6})?")
_QUOTIENT = re.compile(r"(\d{1,9})\s*/\s*(\d{1,9})")


def _exact(value: Fraction | int, what: str) -> Fraction:
    """The value as a fraction; floating point is refused because its count would depend on rounding."""
    if isinstance(value, bool) or not isinstance(value, (int, Fraction)):
        raise CallerError(
            f"{what} must be a whole number or a fraction, got {value!r}: write Fraction('12.5') for 12.5."
        )
    return Fraction(value)


def _rate(value: Fraction | int, what: str) -> Fraction:
    rate = _exact(value, what)
    if rate <= 0:
        raise CallerError(f"{what} must be above 0 frames a second, got {rate}.")
    return rate


def frames_from_feet(gauge: Gauge, feet: Fraction | int) -> Fraction:
    """Frames in a length of film, by the trade's count of frames to a foot.

    Parameters
    ----------
    gauge : Gauge
    feet : Fraction or int
        Length in feet.

    Returns
    -------
    Fraction
        Frames; not a whole number where the length is not.

    Raises
    ------
    CallerError
        If `feet` is floating point.

    Notes
    -----
    Source: ENCFOOT (80, 72, 40, 40 frames to a foot).

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> frames_from_feet(SUPER_8, 50)
    Fraction(3600, 1)
    """
    return _exact(feet, "feet") * gauge.frames_per_foot


def feet_from_frames(gauge: Gauge, frames: Fraction | int) -> Fraction:
    """Length in feet of so many frames, by the trade's count; the inverse of `frames_from_feet`.

    Raises CallerError if `frames` is floating point. Source: ENCFOOT.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import STANDARD_8
    >>> feet_from_frames(STANDARD_8, 2000)
    Fraction(25, 1)
    """
    return _exact(frames, "frames") / gauge.frames_per_foot


def metres_from_frames(gauge: Gauge, frames: Fraction | int) -> Fraction:
    """Length in metres of so many frames, by the trade's count and the foot of 0.3048 m.

    Raises CallerError if `frames` is floating point. Source: ENCFOOT and the definition of the foot.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SIXTEEN
    >>> float(metres_from_frames(SIXTEEN, 4000))
    30.48
    """
    return feet_from_frames(gauge, frames) * MM_PER_FOOT / 1000


def metres_from_pitches(gauge: Gauge, frames: Fraction | int) -> Fraction:
    """Length in metres of so many frames of new film, by its long pitch.

    It differs from `metres_from_frames` by 0.02 % on Super 8 and by 1 % on 9.5 mm, whose trade counts are
    rounded. Raises CallerError if `frames` is floating point. Source: the gauge's `pitch_long_mm`; both agree
    with the camera run in print for a Super 8 cartridge, 3666 to 3715 intervals in 15.52 to 15.73 m (ST200M).

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> float(metres_from_pitches(SUPER_8, 100))  # ST149: 423.42 mm
    0.42342
    """
    return _exact(frames, "frames") * Fraction(str(gauge.pitch_long_mm.value)) / 1000


def film_speed_mm_s(gauge: Gauge, rate: Fraction | int) -> Fraction:
    """Speed of new film past the gate or the sound head, millimetres a second: pitch times rate.

    Raises CallerError if `rate` is floating point or not above 0. Source: the gauge's `pitch_long_mm`; the
    example is in print (JSMPE1933).

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SIXTEEN
    >>> float(film_speed_mm_s(SIXTEEN, 24))  # 7.2 inches a second
    182.88
    """
    return _rate(rate, "rate") * Fraction(str(gauge.pitch_long_mm.value))


def running_time_s(frames: Fraction | int, rate: Fraction | int) -> Fraction:
    """How long so many frames last, in seconds, exact.

    Raises CallerError if either is floating point or `rate` is not above 0. Source: definition.

    Examples
    --------
    >>> running_time_s(3600, Fraction(50, 3))
    Fraction(216, 1)
    """
    return _exact(frames, "frames") / _rate(rate, "rate")


def running_time_text(frames: Fraction | int, rate: Fraction | int) -> str:
    """How long so many frames last, as minutes:seconds, rounded to the nearest second (a half upwards).

    Raises CallerError if either is floating point, `frames` is negative or `rate` is not above 0.
    Source: definition.

    Examples
    --------
    >>> running_time_text(3600, 18), running_time_text(2000, 12)
    ('3:20', '2:47')
    """
    seconds = running_time_s(frames, rate)
    if seconds < 0:
        raise CallerError(f"frames must not be negative, got {frames}.")
    whole = int(seconds + Fraction(1, 2))
    return f"{whole // 60}:{whole % 60:02d}"


def parse_rate(text: str) -> Fraction:
    """Read a rate as a person writes it: a whole number, a decimal, or a quotient.

    Parameters
    ----------
    text : str
        "18", "16.73" or "16,73" (at most six decimals), "50/3".

    Returns
    -------
    Fraction
        Frames a second, exact: "16.73" is 1673/100.

    Raises
    ------
    CallerError
        If it is none of these, or not above 0.

    Examples
    --------
    >>> parse_rate("50/3"), parse_rate("16.73"), parse_rate("18")
    (Fraction(50, 3), Fraction(1673, 100), Fraction(18, 1))
    """
    plain = text.strip()
    rate: Fraction | None = None
    if (quotient := _QUOTIENT.fullmatch(plain)) and int(quotient[2]) > 0:
        rate = Fraction(int(quotient[1]), int(quotient[2]))
    elif _DECIMAL.fullmatch(plain):
        rate = Fraction(plain.replace(",", "."))
    if rate is None or rate <= 0:
        raise CallerError(
            f"A rate in frames a second was needed and '{text}' is none: write it as 18, 16.73 or 50/3."
        )
    return rate


def even_repeat(film_rate: Fraction | int, show_rate: Fraction | int) -> Fraction:
    """Film frames to one shown frame, p/q, when a film is shown at another rate by repeating whole frames.

    Below 1 film frames are repeated, as evenly as whole frames can be; above 1 some are left out; running
    time is kept. Raises CallerError if a rate is floating point or not above 0. Source: definition.

    Examples
    --------
    >>> even_repeat(18, 24)
    Fraction(3, 4)
    """
    return _rate(film_rate, "film_rate") / _rate(show_rate, "show_rate")


def shown_frame(shown: int, p_over_q: Fraction) -> int:
    """Film frame that shown frame number `shown` holds: floor(shown * p / q), both counted from 0.

    Raises CallerError if `shown` is negative or `p_over_q` is not above 0. Source: definition.

    Examples
    --------
    >>> [shown_frame(j, even_repeat(18, 24)) for j in range(8)]
    [0, 0, 1, 2, 3, 3, 4, 5]
    """
    ratio = _rate(p_over_q, "p_over_q")
    if shown < 0:
        raise CallerError(f"shown frames are counted from 0, got {shown}.")
    return shown * ratio.numerator // ratio.denominator


def shown_count(frames: int, p_over_q: Fraction) -> int:
    """Shown frames that `frames` film frames fill: the fewest after which the last film frame is over.

    Raises CallerError if `frames` is negative or `p_over_q` is not above 0. Source: definition.

    Examples
    --------
    >>> shown_count(3600, even_repeat(18, 24))
    4800
    """
    ratio = _rate(p_over_q, "p_over_q")
    if frames < 0:
        raise CallerError(f"frames must not be negative, got {frames}.")
    return -(-frames * ratio.denominator // ratio.numerator)
