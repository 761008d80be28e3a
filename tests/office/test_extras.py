"""What is charged beside the transfer: in quote and invoice, with sums held against a plain recomputation."""

import csv
import io
import json
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.gauge.rates import feet_from_frames
from smallgauge.office import ledger
from smallgauge.office.book import check_book
from smallgauge.office.invoice import invoice_csv, invoice_reels
from smallgauge.office.made import Made
from smallgauge.office.models import Extra, Reel
from smallgauge.office.quote import quote_reels, read_tariff

TARIFF = """
currency = "florin"
unit = "0.05"
scan_rate = 12
megabytes_per_frame = "9.5"
[price.super-8]
per_reel = "6.00"
per_foot = "0.22"
[extra.repair]
each = "1.37"
words = "splice made again"
[extra.cleaning]
per_foot = "0.043"
[extra.sound]
each = "7.00"
[extra.stick]
each = "18.20"
[extra.rush]
percent = "25"
"""
PARTS = {"repair": 137, "sound": 700, "stick": 1820}  # hundredths


def a_reel(number, feet):
    return Reel(number=str(number), order=1, gauge="super-8", box_words="", forbids="", decides="W",
                feet_from=str(feet), feet_to=str(feet + 20), state="in the shop", place="")  # fmt: skip


def an_extra(what, reel="", number=1, consent=0):
    return Extra(order=1, reel=str(reel), what=what, number=number, words="", consent=consent, by="mk", at=AT)


def rounded(value):
    """Twentieths of a florin, a half upwards."""
    return int((value * 20 * 2 + 1) // 2)


def plainly(extras, feet, twentieths):
    """What extras come to, in twentieths, by another way of counting: all in fractions of a florin."""
    told = {}
    for which, what, number in extras:
        if what in PARTS:
            told[which, what] = rounded(Fraction(PARTS[what] * number, 100))
        elif what == "cleaning":
            length = feet[which] if which else sum(feet.values())
            told[which, what] = rounded(Fraction(43, 1000) * number * length)
    for which, what, number in extras:
        if what == "rush":
            base = twentieths[which] if which else sum(twentieths.values())
            base += sum(n for (of, name), n in told.items() if name != "rush" and which in ("", of))
            told[which, what] = rounded(Fraction(base, 20) * Fraction(number, 4))
    return told


ORDERED = st.lists(
    st.tuples(
        st.sampled_from(["", "0", "1", "2"]),
        st.sampled_from(["repair", "cleaning", "sound", "stick", "rush"]),
        st.integers(1, 40),
    ),
    unique_by=lambda each: each[:2],
    max_size=12,
)


@given(extras=ORDERED, lengths=st.lists(st.integers(1, 60_000), min_size=3, max_size=3))
def test_totals_agree_with_a_plain_recomputation(extras, lengths):
    tariff = read_tariff(TARIFF, where="t")
    rows = [an_extra(what, of, number) for of, what, number in extras]
    reels = [a_reel(n, each) for n, each in enumerate(lengths)]
    quote = quote_reels(reels, tariff, rows)
    for end, more in ((0, 0), (1, 20)):
        feet = {str(n): Fraction(each + more) for n, each in enumerate(lengths)}
        twentieths = {n: rounded(6 + Fraction(22, 100) * each) for n, each in feet.items()}
        told = plainly(extras, feet, twentieths)
        assert {(e.reel, e.what): e.price[end] * 20 for e in quote.extras} == told
        assert quote.price[end] * 20 == sum(twentieths.values()) + sum(told.values())
    gauge = gauge_named("super-8")
    made = {
        str(n): Made(gauge="super-8", captures=1, frames=each, feet=feet_from_frames(gauge, each))
        for n, each in enumerate(lengths)
    }
    invoice = invoice_reels(reels, made, tariff, rows)
    feet = {str(n): Fraction(each, 72) for n, each in enumerate(lengths)}
    twentieths = {n: rounded(6 + Fraction(22, 100) * each) for n, each in feet.items()}
    told = plainly(extras, feet, twentieths)
    assert {(e.reel, e.what): e.price[0] * 20 for e in invoice.extras} == told
    assert invoice.price * 20 == sum(twentieths.values()) + sum(told.values())
    table = list(csv.DictReader(io.StringIO(invoice_csv(invoice, order="0000013"))))
    assert sum(Decimal(row["price"]) for row in table) == invoice.price and len(table) == 3 + len(extras)
    assert all(isinstance(e.price[0], Decimal) for e in invoice.extras)


def test_what_has_no_price_is_named_and_in_no_sum():
    tariff = read_tariff(TARIFF, where="t")
    rows = [an_extra("polish"), an_extra("cleaning", "9"), an_extra("stick", "9")]
    quote = quote_reels([a_reel(0, 50)], tariff, rows)
    assert quote.left_out == (
        ("polish of the order", "the tariff has no such extra"),
        ("cleaning of 9", "its reel has no price"),
    )
    assert [e.what for e in quote.extras] == ["stick"]
    invoice = invoice_reels([a_reel(0, 50)], {}, tariff, [an_extra("rush")])
    assert invoice.left_out[1] == ("rush of the order", "nothing that it is counted on has a price yet")
    assert invoice.price == 0 and not invoice.extras


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("[extra.Rush]\npercent = '25'", "extra.Rush needs a name"),
        ("[extra.rush]\npercent = '25'\neach = '1'", "extra.rush must hold one of"),
        ("[extra.rush]\npercent = 0.25", "extra.rush.percent must be a number"),
        ("[extra.rush]\npercent = '-1'", "extra.rush.percent must be a number"),
        ("[extra.rush]\neach = '1'\nwords = ''", "extra.rush.words must be words"),
        ("extra = 3", "extra must hold a table"),
    ],
)
def test_a_tariff_with_a_wrong_extra_is_refused(table, said):
    text = TARIFF[: TARIFF.index("[extra")]
    text = f"{table}\n{text}" if table.startswith("extra =") else f"{text}{table}\n"
    with pytest.raises(MaterialError, match=said.replace(".", r"\.")):
        read_tariff(text, where="t")


def test_extras_in_the_book(tmp_path):
    with open_shop(tmp_path) as book:
        order, other = parcel(book), parcel(book, client="Ada Lund")
        mine, theirs = reel(book, order).number, reel(book, other).number
        told = {"at": AT, "by": "mk", "order": order}
        ledger.note_extra(book, **told, what="rush", number=1)
        ledger.note_extra(book, **told, what="repair", number=3, reel=mine)
        with pytest.raises(MaterialError, match="belongs to order"):
            ledger.note_extra(book, **told, what="repair", number=3, reel=theirs)
        with pytest.raises(MaterialError, match="has no consent 1"):
            ledger.note_extra(book, **told, what="repair", number=9, reel=mine, consent=1)
        with pytest.raises(MaterialError, match="none can be taken out"):
            ledger.note_extra(book, **told, what="sound", number=0)
        for wrong in ({"what": "=cmd", "number": 1}, {"what": "rush", "number": -1}):
            with pytest.raises(CallerError):
                ledger.note_extra(book, **told, **wrong)
        said = {"to": "six more splices", "given_by": "Wim", "how": "by telephone", "read_back_by": "mk"}
        ledger.note_consent(book, **told, **said)
        ledger.note_extra(book, **told, what="repair", number=9, reel=mine, consent=1)
        ledger.note_extra(book, **told, what="rush", number=0)
        with book.read() as session:
            left = [(e.reel, e.what, e.number, e.consent) for e in ledger.extras_of(session, order)]
        assert left == [(mine, "repair", 9, 1)] and check_book(book).faults == ()


def test_extras_by_the_commands(tmp_path, capsys):
    with open_shop(tmp_path) as book:
        reel(book, parcel(book, reels=1), feet="50")
    (tmp_path / "tariff.toml").write_text(TARIFF)

    def run(*words):
        capsys.readouterr()
        code = cli.main([*words, "--shelf", str(tmp_path), "--json"])
        return code, json.loads(capsys.readouterr().out)

    code, told = run("order", "extra", "0000013", "--by", "mk", "--what", "stick", "--number", "2")
    assert code == 0 and told["extras"][0]["number"] == 2
    assert run("order", "extra", "0000013", "--by", "mk", "--what", "rush")[0] == 0
    code, told = run("quote", "0000013", "--out", str(tmp_path / "quote.pdf"))  # the tariff of the shelf
    assert code == 0 and told["price"] == ["66.75", "66.75"]  # 17.00, 36.40 and a quarter of 53.40
    assert [(e["words"], e["number"], e["price"][0]) for e in told["extras"]] == [
        ("rush", 1, "13.35"),
        ("stick", 2, "36.40"),
    ]
