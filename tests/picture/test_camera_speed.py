"""Camera speed: hum read with the usual speeds, 50 and 60 Hz never by hum alone, house values without evidence."""

from fractions import Fraction

import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import GAUGES, NINE_FIVE, SIXTEEN, STANDARD_8, SUPER_8
from smallgauge.gauge.mains import HOUSE_SPEEDS, house_speed
from smallgauge.picture.cadence import propose_camera_speed
from smallgauge.record.shop import read_shop


def proposed(gauge, cycles=float("nan"), mains_hz=None, sigma=1e-4):
    house = house_speed(HOUSE_SPEEDS, gauge.key, with_sound=True)
    return propose_camera_speed(
        gauge=gauge, house=house, hum_cycles_a_frame=cycles, hum_sigma=sigma, mains_hz=mains_hz
    )


@pytest.mark.parametrize(
    ("gauge", "with_sound", "rate"),
    [
        # Encyclopaedia articles on 8 mm and 9.5 mm film: standard 8 to about 1960 and 9.5 mm 16, Super 8 silent 18.
        (STANDARD_8, False, 16),
        (STANDARD_8, True, 16),
        (NINE_FIVE, False, 16),
        (SUPER_8, False, 18),
        # ISO 26:1993: 16 mm silent 18 preferred, sound 24.
        (SIXTEEN, False, 18),
        (SIXTEEN, True, 24),
    ],
)
def test_house_values_as_shipped(gauge, with_sound, rate):
    assert house_speed(HOUSE_SPEEDS, gauge.key, with_sound=with_sound).rate == rate


def test_every_gauge_has_a_house_value():
    for gauge in GAUGES:
        assert house_speed(HOUSE_SPEEDS, gauge.key, with_sound=False).rate > 0


def test_without_evidence_the_house_value_says_so():
    decision, why = proposed(SUPER_8)
    assert (decision.rate, decision.basis) == (18, "house value")
    assert why.startswith("house value, no evidence") and "24 (sound cameras" in why and "54" not in why


@pytest.mark.parametrize(
    ("gauge", "cycles", "rate"),
    [
        (SUPER_8, 60 / 18, 18),  # at 50 Hz it would be 15, at which no Super 8 camera ran
        (SUPER_8, 50 / 18, 18),
        (SUPER_8, 50 / 24, 24),
        (SUPER_8, 60 / 24, 24),
        (SUPER_8, 50 / 25, 25),
        (SUPER_8, 3.0, Fraction(50, 3)),
        (STANDARD_8, 50 / 16, 16),
        (STANDARD_8, 60 / 16, 16),
        (STANDARD_8, 60 / 18, 18),  # 15 at 50 Hz is a slow setting: less likely
        (SIXTEEN, 50 / 24, 24),
        (NINE_FIVE, 50 / 16, 16),
        (SUPER_8, 60 / 18.2, 18),  # within 1.5 %
    ],
)
def test_hum_with_the_usual_speeds(gauge, cycles, rate):
    decision, why = proposed(gauge, cycles)
    assert (decision.rate, decision.basis) == (rate, "hum")
    assert "hum alone does not tell 50 from 60 Hz" in why and "0.2 % are the grid's own" in why


def test_fifty_and_sixty_are_not_told_apart_by_hum_alone():
    # 12 and 15 are slow settings of standard 8 cameras: 5 cycles a frame fit 12 at 60 Hz alone,
    # and 14.4 at 60 Hz or 12 at 50 Hz fit 4.1667.
    assert proposed(STANDARD_8, 50 / 12)[0].rate == 12
    # The same line means another speed in another country.
    assert proposed(STANDARD_8, 60 / 18, mains_hz=50)[0].rate == 15
    assert proposed(STANDARD_8, 60 / 18, mains_hz=60)[0].rate == 18
    # No usual speed at all, country not known: the hum decides nothing, and is told.
    decision, why = proposed(SUPER_8, 50 / 21.0)
    assert (
        decision.basis == "house value" and "does not decide it" in why and "21.00" in why and "25.2" in why
    )


def test_two_speeds_that_are_as_likely_decide_nothing():
    # 9.5 mm at 14 (50 Hz) and at 16.8 (60 Hz): only one is usual. A gauge with both would be in doubt.
    from dataclasses import replace

    both = replace(
        STANDARD_8,
        running_rates=tuple(
            replace(each, rate=Fraction(15)) if each.rate == 16 else each
            for each in STANDARD_8.running_rates
            if each.rate != 15
        ),
    )
    decision, why = proposed(both, 60 / 18)
    assert decision.basis == "house value" and "15.00" in why and "18.00" in why


def test_a_measured_speed_that_is_none_of_the_usual_ones_is_taken_where_the_country_is_known():
    decision, why = proposed(SUPER_8, 50 / 21.04, mains_hz=50)
    assert decision.rate == Fraction(21) and "taken to a tenth" in why
    assert proposed(SUPER_8, 50 / 21.07, mains_hz=50)[0].rate == Fraction(211, 10)
    assert proposed(SUPER_8, 50 / 45.0, mains_hz=50)[0].basis == "house value"


def test_the_stated_doubt_holds_the_grid_s_own():
    assert "give or take 0.20 %" in proposed(SUPER_8, 2.5, sigma=0.0)[1]
    assert "give or take 0.30 %" in proposed(SUPER_8, 2.5, sigma=0.0005)[1]


def test_mains_is_50_or_60():
    with pytest.raises(CallerError, match="50 or 60"):
        proposed(SUPER_8, 2.5, mains_hz=400)


def test_the_shop_sets_its_own_values():
    speeds = read_shop(
        '[house_speeds]\nsuper-8 = "50/3"\nsuper-8-sound = 24\n', where="shop.toml"
    ).house_speeds
    assert house_speed(speeds, "super-8", with_sound=False).rate == Fraction(50, 3)
    assert house_speed(speeds, "super-8", with_sound=True).rate == 24
    assert house_speed(speeds, "standard-8", with_sound=False).rate == 16
    why = propose_camera_speed(gauge=SUPER_8, house=house_speed(speeds, "super-8", with_sound=False))[1]
    assert "the shop's own value" in why
    assert read_shop("", where="shop.toml").house_speeds == HOUSE_SPEEDS


def test_all_mistakes_of_the_shop_s_file_come_at_once():
    text = 'prices = 3\n[house_speeds]\nsupper-8 = 18\n16mm = "fast"\nsuper-8 = true\n'
    with pytest.raises(MaterialError) as caught:
        read_shop(text, where="shop.toml")
    for word in ("prices", "supper-8", "'fast'", "True"):
        assert word in str(caught.value)
    with pytest.raises(MaterialError, match="TOML"):
        read_shop("[house", where="shop.toml")
