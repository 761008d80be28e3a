"""Footage, times and prices, held to tables from outside and to a plain recomputation."""

import json
from decimal import Decimal
from fractions import Fraction

import pytest
from shop import open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.rates import frames_from_feet, running_time_s, running_time_text
from smallgauge.gauge.spools import SPOOLS, length_m_from_pack, turns_from_pack
from smallgauge.office.models import Reel
from smallgauge.office.quote import quote_reel, quote_reels, read_tariff

TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.super-8]
per_reel = "6.00"
per_foot = "0.22"
[price.standard-8]
per_reel = "6.00"
per_foot = "0.21"
"""

# Feet, frames, and minutes:seconds at 12, 16, 18, 24 and 25 frames a second: feet x the trade's frames to a foot
# (ENCFOOT, ENC8), derived; a row a length.
RUNNING = """
standard-8 25 2000 2:47 2:05 1:51 1:23 1:20
standard-8 50 4000 5:33 4:10 3:42 2:47 2:40
standard-8 400 32000 44:27 33:20 29:38 22:13 21:20
super-8 50 3600 5:00 3:45 3:20 2:30 2:24
super-8 200 14400 20:00 15:00 13:20 10:00 9:36
super-8 1200 86400 120:00 90:00 80:00 60:00 57:36
16mm 100 4000 5:33 4:10 3:42 2:47 2:40
16mm 400 16000 22:13 16:40 14:49 11:07 10:40
16mm 2000 80000 111:07 83:20 74:04 55:33 53:20
9.5mm 30 1200 1:40 1:15 1:07 0:50 0:48
9.5mm 900 36000 50:00 37:30 33:20 25:00 24:00
"""


@pytest.mark.parametrize("row", RUNNING.strip().splitlines())
def test_running_times(row):
    key, feet, frames, *times = row.split()
    count = frames_from_feet(gauge_named(key), int(feet))
    assert count == int(frames)
    assert [running_time_text(count, rate) for rate in (12, 16, 18, 24, 25)] == times


@pytest.mark.parametrize(
    ("key", "feet", "rate", "seconds", "within_s"),
    [
        ("super-8", 50, 24, 150, 0),  # ENC8: a cartridge lasts 2.5 minutes at 24
        ("super-8", 50, 18, 200, 0),  # ENC8: and 3 min 20 s at 18
        ("16mm", 3600, 24, 6000, 0),  # ENCFOOT: 100 minutes at 24
        ("9.5mm", 3600, 24, 6000, 0),  # ENCFOOT
        ("standard-8", 1800, 24, 6000, 0),  # ENCFOOT
        ("super-8", 2000, 24, 6000, 0),  # ENCFOOT
        ("16mm", 36, 24, 60, 0),  # ENCFOOT: 36 ft a minute
        ("standard-8", 50, 16, 240, 10),  # ENC8: "about four minutes"
        ("standard-8", 400, 16, 1980, 20),  # DEWIKI8 prints 33 minutes for 120 m
    ],
)
def test_published_times(key, feet, rate, seconds, within_s):
    assert abs(running_time_s(frames_from_feet(gauge_named(key), feet), rate) - seconds) <= within_s


@pytest.mark.parametrize(
    ("outer", "inner", "thickness", "metres", "turns"),
    [
        (70, 31, 0.150, 20.625, 130.0),  # derived: the area of the ring is length times thickness
        (120, 31, 0.150, 70.366, 296.7),
        (170, 63.5, 0.150, 130.207, 355.0),
        (170, 63.5, 0.105, 186.010, 507.1),
    ],
)
def test_length_by_diameter(outer, inner, thickness, metres, turns):
    pack = {"outer_mm": outer, "inner_mm": inner, "thickness_mm": thickness}
    assert round(length_m_from_pack(**pack), 3) == metres
    assert round(turns_from_pack(**pack), 1) == turns


def test_the_one_spool_in_print():
    """STREEL: 312 mm goes with 360 m, 1200 ft."""
    assert [(s.diameter_mm, s.feet.value) for s in SPOOLS if s.feet.source == "STREEL"] == [(312.0, 1200.0)]


def a_reel(**changes):
    asked = {"number": "0000013-R01-3", "order": 1, "gauge": "super-8", "box_words": "", "forbids": "", "decides": "W",
             "feet_from": "180", "feet_to": "220", "state": "in the shop", "place": ""}  # fmt: skip
    return Reel(**(asked | changes))


def test_a_guess_stays_a_range():
    line = quote_reel(a_reel(), read_tariff(TARIFF, where="tariff"))
    assert line.frames == (180 * 72, 220 * 72)
    assert line.scan_s == (1080, 1320)
    assert line.price == (Decimal("45.60"), Decimal("54.40"))
    assert line.gigabytes == (Decimal("123.1"), Decimal("150.5"))
    assert ("18", "12:00", "14:40") in line.running


def test_sums_agree_with_a_plain_recomputation():
    tariff = read_tariff(TARIFF, where="tariff")
    reels = [a_reel(feet_from=str(n), feet_to=str(n + n % 3)) for n in range(1, 200)]
    quote = quote_reels([*reels, a_reel(gauge="not sure"), a_reel(feet_from="", feet_to="")], tariff)
    # In twentieths of a florin, half up: 6 + 0.22 a foot is 120 + 4.4 twentieths a foot.
    for side, feet in ((0, list(range(1, 200))), (1, [n + n % 3 for n in range(1, 200)])):
        twentieths = sum(int(Fraction(120) + Fraction(22, 5) * each + Fraction(1, 2)) for each in feet)
        assert quote.price[side] == Decimal(twentieths) / 20
    assert [why for _, why in quote.left_out] == [
        "its gauge is not sure",
        "its length was not told or measured",
    ]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('unit = "0.05"', 'unit = "0"', "unit must be a number above 0"),
        ('unit = "0.05"', "unit = 0.05", "in quotation marks"),
        ("scan_rate = 12", "scan_rate = 30", "3 to 25 frames a second, found 30"),
        ('currency = "florin"', "", "currency is missing"),
        ("[price.super-8]", "[price.super-9]", "price.super-9 is no gauge"),
        ('per_foot = "0.22"', 'per_meter = "0.22"', "must hold per_reel and per_foot"),
        ('per_foot = "0.22"', 'per_foot = "-1"', "price.super-8.per_foot must be a number of at least 0"),
        ('per_foot = "0.22"', 'per_foot = "NaN"', "price.super-8.per_foot must be a number of at least 0"),
        ("currency", "currancy", "'currancy' is not known"),
        ("[price.super-8]", "[price.super-8", "must be TOML"),
    ],
)
def test_a_wrong_tariff_is_refused(before, after, said):
    assert before in TARIFF
    with pytest.raises(MaterialError, match="tariff") as refused:
        read_tariff(TARIFF.replace(before, after, 1), where="tariff")
    assert said in str(refused.value)


def test_label_and_quote_as_commands(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        order = parcel(book, client="Wim #Oster [a]")
        reel(book, order, feet="50", box_words="$garden$ *1968*")
        reel(book, order)
    (tmp_path / "tariff.toml").write_text(TARIFF)
    shelf = ("--shelf", str(tmp_path), "--json")
    out = str(tmp_path / "out.pdf")
    assert (
        cli.main(["quote", "0000013", "--tariff", str(tmp_path / "tariff.toml"), "--out", out, *shelf]) == 0
    )
    told = json.loads(capsys.readouterr().out)
    assert told["price"] == ["17.00", "17.00"] and told["left_out"][0][0] == "0000013-R02-1"
    assert (tmp_path / "out.pdf").read_bytes().startswith(b"%PDF-")
    assert cli.main(["label", "0000013", "--out", out, *shelf]) == 0
    assert json.loads(capsys.readouterr().out)["labels"] == ["0000013-R01-3", "0000013-R02-1"]
    assert cli.main(["label", "0000013-R01-4", "--out", out, *shelf]) == 3
    assert cli.main(["quote", "0000013", "--tariff", str(tmp_path / "none.toml"), *shelf]) == 3


def test_a_quote_of_nothing_has_no_sum(tmp_path, capsys):
    """0.00 on paper reads as free of charge."""
    with open_shop(tmp_path) as book:
        reel(book, parcel(book))
    (tmp_path / "tariff.toml").write_text(TARIFF)
    out = tmp_path / "out.pdf"
    assert cli.main(["quote", "0000013", "--shelf", str(tmp_path), "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "Nothing can be quoted yet." in told and "its length was not told" in told and "0.00" not in told
    (tmp_path / "tariff.toml").unlink()
    assert cli.main(["quote", "0000013", "--shelf", str(tmp_path)]) == 3
    refused = capsys.readouterr().err
    assert "found no such file or directory at" in refused and "Errno" not in refused
