"""Numbers of orders and reels, with a check digit that catches what hands do to digits.

An order is six digits and a check digit: order 417 is `0004171`. A reel is its order, R, two digits and a
check digit over all the digits before it: its third reel is `0004171-R03-7`. The length is fixed, because the
check digit cannot see a zero that was added or lost at the front. Hand-written on a can: digits only.
"""

import re
from dataclasses import dataclass

from smallgauge.errors import CallerError, MaterialError

# A totally anti-symmetric quasigroup of order 10 with zeros on its diagonal (DAMM2004). Any such table
# catches every single wrong digit and every swap of neighbours; `tests/gauge/test_numbers.py` tries them all.
_DAMM = (
    (0, 3, 1, 7, 5, 9, 8, 6, 4, 2),
    (7, 0, 9, 2, 1, 5, 4, 8, 6, 3),
    (4, 2, 0, 6, 8, 7, 1, 3, 5, 9),
    (1, 7, 5, 0, 9, 8, 3, 4, 2, 6),
    (6, 1, 2, 3, 0, 4, 5, 9, 7, 8),
    (3, 6, 7, 4, 2, 0, 9, 5, 8, 1),
    (5, 8, 6, 9, 7, 2, 0, 1, 3, 4),
    (8, 9, 4, 5, 3, 6, 2, 0, 1, 7),
    (9, 4, 3, 8, 6, 1, 7, 2, 0, 5),
    (2, 5, 8, 1, 4, 3, 6, 7, 9, 0),
)
_REEL = re.compile(r"(\d{7})R?(\d{2})(\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelNumber:
    """A reel's number, taken apart.

    Examples
    --------
    >>> check_reel_number("0004171-R03-7")
    ReelNumber(text='0004171-R03-7', order=417, reel=3)
    """

    text: str  # as it is printed: "0004171-R03-7"
    order: int  # without its check digit
    reel: int


def check_digit(digits: str) -> str:
    """Check digit that belongs behind `digits`.

    Parameters
    ----------
    digits : str
        Digits 0 to 9 only, at least one.

    Returns
    -------
    str
        One digit. Behind a number that already carries its check digit it is "0".

    Raises
    ------
    CallerError
        If anything but digits is given.

    Notes
    -----
    Source: DAMM2004.

    Examples
    --------
    >>> check_digit("572"), check_digit("000417")
    ('4', '1')
    """
    if not re.fullmatch(r"[0-9]+", digits):
        raise CallerError(f"A check digit is made from digits only, got '{digits}'.")
    interim = 0
    for digit in digits:
        interim = _DAMM[interim][int(digit)]
    return str(interim)


def order_number(order: int) -> str:
    """Number of an order as it is printed: six digits and the check digit.

    Parameters
    ----------
    order : int
        1 to 999999.

    Raises
    ------
    CallerError
        If it is outside.

    Notes
    -----
    Source: DAMM2004.

    Examples
    --------
    >>> order_number(417)
    '0004171'
    """
    if not 1 <= order <= 999_999:
        raise CallerError(f"Orders are numbered 1 to 999999, got {order}.")
    digits = f"{order:06d}"
    return digits + check_digit(digits)


def reel_number(order: int, reel: int) -> str:
    """Number of a reel as it is printed: its order, R, two digits, check digit over all.

    Parameters
    ----------
    order : int
        1 to 999999.
    reel : int
        1 to 99, counted within the order.

    Raises
    ------
    CallerError
        If either is outside.

    Notes
    -----
    Source: DAMM2004.

    Examples
    --------
    >>> reel_number(417, 3)
    '0004171-R03-7'
    """
    if not 1 <= reel <= 99:
        raise CallerError(f"Reels of an order are numbered 1 to 99, got {reel}.")
    front = order_number(order)
    return f"{front}-R{reel:02d}-{check_digit(f'{front}{reel:02d}')}"


def check_reel_number(text: str) -> ReelNumber:
    """Read a reel's number as a person typed it, and hold its check digits against it.

    Parameters
    ----------
    text : str
        Ten digits; spaces, hyphens and the R may be left out.

    Returns
    -------
    ReelNumber

    Raises
    ------
    MaterialError
        If it has not ten digits, or a check digit does not fit (a digit is wrong, or two changed places).

    Notes
    -----
    Source: DAMM2004.

    Examples
    --------
    >>> check_reel_number("0004171 r03 7").reel
    3
    >>> check_reel_number("0004117-R03-7")
    Traceback (most recent call last):
    smallgauge.errors.MaterialError: '0004117-R03-7' is not the number of a reel: the check digit of its \
order does not fit, so a digit is wrong or two changed places; read the label again.
    """
    found = _REEL.fullmatch(re.sub(r"[\s-]", "", text).upper())
    if found is None or not found[0].isascii():
        raise MaterialError(
            f"The number of a reel is seven digits, R, two digits and one digit, such as 0004171-R03-7, and "
            f"'{text}' is not: read the label again, with all zeros at the front."
        )
    front, reel, last = found.groups()
    wrong = ""
    if check_digit(front) != "0":
        wrong = "the check digit of its order does not fit"
    elif check_digit(front + reel) != last:
        wrong = "its last digit does not fit"
    if wrong:
        raise MaterialError(
            f"'{text}' is not the number of a reel: {wrong}, so a digit is wrong or two changed places; read "
            f"the label again."
        )
    order = int(front[:6])
    if order == 0 or int(reel) == 0:
        raise MaterialError(f"'{text}' is not the number of a reel: orders and reels are counted from 1.")
    return ReelNumber(text=f"{front}-R{reel}-{last}", order=order, reel=int(reel))
