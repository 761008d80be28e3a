"""The gauges against the published values, each with its source beside it."""

import math
from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.facts import Fact
from smallgauge.gauge.gauges import (
    GAUGES,
    NINE_FIVE,
    SIXTEEN,
    SIXTEEN_TWO_ROWS,
    STANDARD_8,
    SUPER_8,
    UNSLIT_DOUBLE_8,
    gauge_named,
)
from smallgauge.gauge.geometry import (
    FilmScale,
    mm_from_pixels,
    perforation_px,
    picture_offset_mm,
    pixels_from_mm,
    shrinkage_range,
)

INCH_MM = 25.4  # definition

# Published values, in the unit and rounding of the text: gauge, what, value, tolerance, source.
# ST149: SMPTE ST 149-2004, table 1. Z22.5: American Standard Z22.5-1947. ST239, ST35x16: scopes.
PUBLISHED = [
    (SUPER_8, "film_width_mm", 7.976, 0.038, "ST149"),
    (SUPER_8, "perforation.width_mm", 0.914, 0.010, "ST149"),
    (SUPER_8, "perforation.height_mm", 1.143, 0.010, "ST149"),
    (SUPER_8, "perforation.corner_radius_mm", 0.13, 0.03, "ST149"),
    (SUPER_8, "perforation.edge_distance_mm", 0.51, 0.05, "ST149"),
    (SUPER_8, "length_100_long_mm", 423.42, 0.43, "ST149"),
    (SUPER_8, "length_100_short_mm", 422.66, 0.43, "ST149"),
    (STANDARD_8, "pitch_long_mm", 3.810, None, "ST239"),
    (STANDARD_8, "pitch_short_mm", 3.802, None, "ST239"),
    (SIXTEEN, "film_width_mm", 15.98, 0.03, "Z22.5"),
    (SIXTEEN, "pitch_long_mm", 7.620, 0.013, "Z22.5"),
    (SIXTEEN, "pitch_short_mm", 7.605, None, "ST35x16"),
    (SIXTEEN, "length_100_long_mm", 762.00, 0.76, "Z22.5"),
    (SIXTEEN, "perforation.width_mm", 1.83, 0.01, "Z22.5"),
    (SIXTEEN, "perforation.height_mm", 1.27, 0.01, "Z22.5"),
    (SIXTEEN, "perforation.corner_radius_mm", 0.25, None, "Z22.5"),
    (SIXTEEN, "perforation.edge_distance_mm", 0.91, 0.05, "Z22.5"),
    (SIXTEEN_TWO_ROWS, "rows_apart_mm", 10.49, 0.025, "Z22.5"),
]


def fact_at(gauge, path):
    for name in path.split("."):
        gauge = getattr(gauge, name)
    return gauge


def facts_of(thing):
    """Every fact that a gauge holds, however deep, with its path."""
    if isinstance(thing, Fact):
        yield thing
    elif isinstance(thing, tuple):
        for each in thing:
            yield from facts_of(each)
    elif hasattr(thing, "__dataclass_fields__"):
        for name in thing.__dataclass_fields__:
            yield from facts_of(getattr(thing, name))


@pytest.mark.parametrize(("gauge", "path", "value", "tolerance", "source"), PUBLISHED)
def test_published_values(gauge, path, value, tolerance, source):
    fact = fact_at(gauge, path)
    assert (fact.value, fact.tolerance, fact.source) == (value, tolerance, source)
    assert fact.may_be_limit


def test_super_8_pitch_as_printed_in_st149():
    # SMPTE ST 149-2004, table 1: 0.1667 in, 4.234 +-0.010 mm; short 0.1664 in, 4.227 +-0.010 mm.
    for fact, printed_mm, printed_in in (
        (SUPER_8.pitch_long_mm, 4.234, 0.1667),
        (SUPER_8.pitch_short_mm, 4.227, 0.1664),
    ):
        assert round(fact.value, 3) == printed_mm
        assert fact.value == pytest.approx(printed_in * INCH_MM, abs=5e-5)
        assert fact.tolerance == 0.010
    # "use 423.42 / 100 for long counts", and the printed length is 100 pitches of 0.1667 in, rounded.
    assert SUPER_8.pitch_long_mm.value * 100 == pytest.approx(SUPER_8.length_100_long_mm.value, abs=1e-9)
    assert round(100 * 0.1667 * INCH_MM, 2) == 423.42


def test_dimensions_fit_one_another():
    # The inner sides of two rows: 15.98 - 2 x (0.91 + 1.83) = 10.50, printed 10.49 +-0.025 (Z22.5).
    hole = SIXTEEN.perforation
    inner = SIXTEEN.film_width_mm.value - 2 * (hole.edge_distance_mm.value + hole.width_mm.value)
    assert SIXTEEN_TWO_ROWS.rows_apart_mm.low <= inner <= SIXTEEN_TWO_ROWS.rows_apart_mm.high
    # Unslit double 8 is 16 mm wide film whose pitch is half that of 16 mm (ENC8, Z22.5, ST239).
    assert UNSLIT_DOUBLE_8.film_width_mm.value == SIXTEEN.film_width_mm.value
    assert UNSLIT_DOUBLE_8.pitch_long_mm.value * 2 == SIXTEEN.pitch_long_mm.value
    for gauge in GAUGES:
        left = gauge.picture_centre_from_edge_mm.value - gauge.camera_image_width_mm.value / 2
        right = left + gauge.camera_image_width_mm.value
        assert left > 0 and right < gauge.film_width_mm.value, gauge.key
        assert gauge.camera_image_height_mm.value < gauge.pitch_long_mm.value, gauge.key
        if gauge.key in ("standard-8", "super-8"):  # beside the picture, never in it
            assert left > gauge.perforation.edge_distance_mm.value + gauge.perforation.width_mm.value


def test_only_what_was_seen_may_be_a_limit():
    for gauge in GAUGES:
        for fact in facts_of(gauge):
            assert fact.may_be_limit == (fact.confidence == "published, seen in text")
            assert math.isfinite(fact.value)
    for fact in facts_of(NINE_FIVE.perforation):
        assert not fact.may_be_limit
    assert not SUPER_8.picture_centre_from_edge_mm.may_be_limit
    assert not SUPER_8.tracks[0].ahead_frames.may_be_limit


def test_sound_ahead_of_picture():
    # Encyclopedia articles (ENC8, BTA); 26 is SMPTE 41-1999, clause 4.
    ahead = {(gauge.key, track.kind): track.ahead_frames.value for gauge in GAUGES for track in gauge.tracks}
    assert ahead == {
        ("standard-8", "magnetic"): 56,
        ("super-8", "magnetic"): 18,
        ("super-8", "optical"): 22,
        ("16mm", "magnetic"): 28,
        ("16mm", "optical"): 26,
        ("16mm-two-rows", "magnetic"): 28,
        ("9.5mm", "magnetic"): 28,
        ("9.5mm", "optical"): 26,
    }
    assert SIXTEEN.tracks[1].ahead_frames.may_be_limit
    # The trade knows the Super 8 stripe as one second at 18 frames a second (derived: 18 / 18).
    assert Fraction(int(SUPER_8.tracks[0].ahead_frames.value), 18) == 1


def test_projection_rates_of_iso_26():
    # ISO 26:1993: silent 18 +-1 preferred, 16 permitted; sound 24 +-1.
    seen = {each.rate for each in SIXTEEN.running_rates if each.source == "ISO26"}
    assert seen == {24, 18, 16}


@pytest.mark.parametrize(
    ("text", "gauge"),
    [
        ("standard 8", STANDARD_8),
        ("Standard-8", STANDARD_8),
        ("8mm", STANDARD_8),
        ("super 8", SUPER_8),
        ("SUPER8", SUPER_8),
        (" super-8 ", SUPER_8),
        ("16 mm", SIXTEEN),
        ("16mm", SIXTEEN),
        ("16mm-two-rows", SIXTEEN_TWO_ROWS),
        ("16 mm, two rows", SIXTEEN_TWO_ROWS),
        ("9.5 mm", NINE_FIVE),
        ("9,5 mm", NINE_FIVE),
        ("unslit double 8", UNSLIT_DOUBLE_8),
        ("double 8", STANDARD_8),
    ],
)
def test_gauges_by_name(text, gauge):
    assert gauge_named(text) is gauge


@pytest.mark.parametrize("text", ["super 9", "35 mm", "", "95 mm film", "8.5", "1 6 mm two rows!x"])
def test_unknown_gauge_is_refused_with_the_names(text):
    with pytest.raises(MaterialError) as refusal:
        gauge_named(text)
    for gauge in GAUGES:
        assert f"'{gauge.name}'" in str(refusal.value)


def test_every_name_belongs_to_one_gauge():
    names = [(name, gauge) for gauge in GAUGES for name in (gauge.key, gauge.name, *gauge.aliases)]
    for name, gauge in names:
        assert gauge_named(name) is gauge, name


# Shrinkage vectors: pitch, and 100 new pitches that have shrunk by so much (arithmetic on the standards'
# pitches).
@pytest.mark.parametrize(
    ("gauge", "new_mm", "shrunk_mm", "ratio"),
    [
        (SUPER_8, 423.42, 420.033, 0.008),
        (SUPER_8, 423.42, 414.952, 0.020),
        (SUPER_8, 422.66, 418.433, 0.010),
        (STANDARD_8, 381.00, 379.095, 0.005),
        (STANDARD_8, 380.20, 374.497, 0.015),
        (SIXTEEN, 762.00, 755.904, 0.008),
        (SIXTEEN, 760.50, 745.290, 0.020),
        (NINE_FIVE, 754.00, 746.460, 0.010),
    ],
)
def test_shrinkage_range_holds_the_truth(gauge, new_mm, shrunk_mm, ratio):
    low, high = shrinkage_range(gauge, shrunk_mm / 100)
    assert low < ratio < high
    low_new, high_new = shrinkage_range(gauge, new_mm / 100)
    assert low_new < 0 < high_new  # new film of either pitch is never called shrunk


def test_shrinkage_range_is_as_wide_as_the_pitches_differ():
    # A short-pitch film that has not shrunk reads 0.180 % (Super 8: 0.1667 and 0.1664 in), 0.210 % (standard
    # 8), 0.197 % (16 mm); manufacture allows another +-0.10 % over 100 pitches (ST149 0.43 / 423.42, Z22.5
    # 0.76 / 762).
    for gauge, bias in ((SUPER_8, 0.00180), (STANDARD_8, 0.00210), (SIXTEEN, 0.00197)):
        low, high = shrinkage_range(gauge, gauge.pitch_short_mm.value)
        assert low == pytest.approx(-0.0010, abs=2e-5)
        assert high == pytest.approx(bias + 0.0010, abs=2e-5)


def test_shrinkage_of_what_cannot_be_told_is_nan():
    low, high = shrinkage_range(SUPER_8, [np.nan, 0.0, -1.0, 4.2])
    assert np.isnan(low).tolist() == [True, True, True, False] == np.isnan(high).tolist()
    assert np.isnan(shrinkage_range(SUPER_8, float("nan"))[0])


def test_pixels_and_millimetres_turn_into_one_another():
    scale = FilmScale(across_px_per_mm=211.3, along_px_per_mm=208.9)
    places = np.array([[[0.0, 1.0], [2.5, np.nan]], [[-3.0, 4.0], [5.69, 4.22]]])
    kept = places.copy()
    pixels = pixels_from_mm(places, scale)
    np.testing.assert_array_equal(places, kept)
    np.testing.assert_allclose(pixels[0, 0], [0.0, 208.9])
    np.testing.assert_allclose(mm_from_pixels(pixels, scale), places, rtol=1e-14)
    with pytest.raises(CallerError, match="pairs"):
        pixels_from_mm([1.0, 2.0, 3.0], scale)
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(CallerError, match="above 0"):
            FilmScale(across_px_per_mm=wrong, along_px_per_mm=1.0)


def test_perforation_in_pixels_keeps_the_directions_apart():
    width, height, corner = perforation_px(SIXTEEN, FilmScale(across_px_per_mm=100.0, along_px_per_mm=81.0))
    assert (width, height, corner) == pytest.approx((183.0, 1.27 * 81, 0.25 * 90))


def test_picture_offsets():
    # Geometry of a drawn strip: standard 8 picture centre at 5.21 across, half a pitch along; 16 mm
    # 7.98 and 3.81; 9.5 mm in the film's middle, half of 7.54 along.
    assert picture_offset_mm(STANDARD_8) == pytest.approx((5.21 - (0.91 + 1.83 / 2), 1.905))
    assert picture_offset_mm(SUPER_8) == pytest.approx((4.39 - (0.51 + 0.914 / 2), 0.0))
    assert picture_offset_mm(SIXTEEN) == pytest.approx((7.98 - (0.91 + 1.83 / 2), 3.81))
    assert picture_offset_mm(NINE_FIVE) == pytest.approx((0.0, 3.77))
    assert picture_offset_mm(UNSLIT_DOUBLE_8) == pytest.approx(picture_offset_mm(STANDARD_8))
