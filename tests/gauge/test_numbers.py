"""Numbers of orders and reels: check values, and every error that a hand makes."""

import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.numbers import check_digit, check_reel_number, order_number, reel_number


def refused(text):
    try:
        check_reel_number(text)
    except MaterialError:
        return True
    return False


def test_check_values():
    # Check values agreed for this project: job 000417 is 0004171, its reel 03 is 0004171-R03-7. 572 -> 4 is
    # the example that accompanies the scheme of Damm (2004) in print, from memory.
    assert order_number(417) == "0004171"
    assert reel_number(417, 3) == "0004171-R03-7"
    assert check_digit("572") == "4"
    assert check_digit("5724") == "0"


@pytest.mark.parametrize(
    "text", ["0004171-R03-7", "0004171-r03-7", "0004171R037", "0004171 03 7", "0004171037"]
)
def test_a_number_is_read_as_it_is_typed(text):
    found = check_reel_number(text)
    assert (found.text, found.order, found.reel) == ("0004171-R03-7", 417, 3)


def test_every_wrong_digit_and_every_swap_of_neighbours_is_caught():
    tried = 0
    for order, reel in ((417, 3), (1, 1), (999_999, 99), (120_450, 17), (83_006, 60)):
        digits = reel_number(order, reel).replace("-", "").replace("R", "")
        for place in range(10):
            for other in "0123456789":
                if other != digits[place]:
                    assert refused(digits[:place] + other + digits[place + 1 :])
                    tried += 1
        for place in range(9):
            swapped = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
            if swapped != digits:
                assert refused(swapped), swapped
                tried += 1
    assert tried > 450 + 25


def test_the_table_is_totally_anti_symmetric():
    # Damm (2004): the scheme catches all single errors and all swaps of neighbours if and only if, for a
    # table with zeros on its diagonal, every row is a permutation and (c*x)*y = (c*y)*x only where x = y.
    def times(interim, digit):
        # the interim digit after some prefix that leads to it, then one digit more
        return int(check_digit(prefixes[interim] + str(digit)))

    prefixes = {int(check_digit(str(digit))): str(digit) for digit in range(10)}
    assert sorted(prefixes) == list(range(10))
    for c in range(10):
        assert sorted(times(c, x) for x in range(10)) == list(range(10))
        assert times(c, c) == 0
        for x in range(10):
            for y in range(10):
                if x != y:
                    assert times(times(c, x), y) != times(times(c, y), x)


@pytest.mark.parametrize(
    "text",
    ["", "0004171-R03", "004171-R03-7", "00004171-R03-7", "0004171-R3-7", "0004171-X03-7", "٠٠٠٤١٧١-R03-7"],
)
def test_a_number_of_another_length_is_refused(text):
    with pytest.raises(MaterialError, match="seven digits"):
        check_reel_number(text)


@pytest.mark.parametrize(("order", "reel"), [(0, 1), (1_000_000, 1), (1, 0), (1, 100)])
def test_numbers_outside_the_label_are_refused(order, reel):
    with pytest.raises(CallerError):
        reel_number(order, reel)
    assert refused("0000000-R00-0")


def test_every_reel_number_of_many_orders_is_its_own():
    numbers = {reel_number(order, reel) for order in range(1, 400) for reel in (1, 2, 50, 99)}
    assert len(numbers) == 399 * 4
    for number in list(numbers)[:200]:
        assert check_reel_number(number).text == number
