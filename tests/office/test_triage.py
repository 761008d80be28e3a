"""What follows from what was told or seen, held to the published tables; and who lifts what the rules place.

Sources: IPI2001 (levels of acid-detection strips), DARTMOUTH (shrinkage above which film is not projected), and for pitches ST149,
ST239 and Z22.5; all else is common practice, no source.
"""

from decimal import Decimal

import pytest
import sqlalchemy as sa
from shop import AT, open_shop, parcel, reel

from smallgauge import cli
from smallgauge.errors import CallerError, MaterialError, SmallgaugeError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.office import ledger, triage
from smallgauge.office.holds import held
from smallgauge.office.house import House, Transport, may_run, read_house
from smallgauge.office.models import Hold
from smallgauge.office.safety import DEFERRING, NOTICES, notice_words
from smallgauge.record.shop import read_shop
from smallgauge.sources import SOURCES

# IPI2001's table: level, state, advice; above 2 only the state's first word was seen.
IPI_LEVELS = [
    ("0", "good, no deterioration", "cool or cold storage"),
    ("1", "fair to good, deterioration starting", "cold storage"),
    ("1.5", "rapid degradation starting, the autocatalytic point", "cold storage, or freeze"),
    ("2", "poor, actively degrading", "freeze; copying is advisable"),
    ("3", "critical", "freeze at once, and copy"),
]
# Length of 100 pitches, long and short, when new, and shrunk by 0.5, 0.8, 1.0, 1.5, 2.0 %: derived from ST149, ST239 and Z22.5.
PITCHES = """
super-8 423.42 421.303 420.033 419.186 417.069 414.952
super-8 422.66 420.547 419.279 418.433 416.320 414.207
standard-8 381.00 379.095 377.952 377.190 375.285 373.380
standard-8 380.20 378.299 377.158 376.398 374.497 372.596
16mm 762.00 758.190 755.904 754.380 750.570 746.760
16mm 760.50 756.697 754.416 752.895 749.092 745.290
9.5mm 754.00 750.230 747.968 746.460 742.690 738.920
"""
JO = House(lifter="Jo Bell", lifters={"private": "Ines Vogt"})


@pytest.mark.parametrize(("level", "state", "advised"), IPI_LEVELS)
def test_levels_of_a_strip(level, state, advised):
    told = triage.strip_advice(triage.strip_level(level))
    assert state in told.said and advised in told.said and told.source.startswith("IPI2001")
    assert "from memory" in told.source if level == "3" else told.source == "IPI2001"


def test_between_two_levels_both_are_said():
    told = triage.strip_advice(Decimal("1.75"))
    assert "rapid degradation" in told.said and "on the way to 2: poor" in told.said


@pytest.mark.parametrize(
    ("percent", "words", "source"),
    [
        ("0.5", "usual for aged acetate", "common practice, no source"),
        ("0.8", "about the limit for ordinary projection", "DARTMOUTH"),
        ("0.81", "don't project it", "DARTMOUTH"),
        ("2.0", "don't project it", "DARTMOUTH"),
        ("2.01", "nearly impossible to copy on ordinary machines", "DARTMOUTH"),
    ],
)
def test_bands_of_shrinkage(percent, words, source):
    told = triage.shrinkage_advice(Decimal(percent))
    assert words in told.said and told.source == source


@pytest.mark.parametrize("row", PITCHES.strip().splitlines())
def test_a_hundred_pitches_shrunk(row):
    """The handbook's way: the length of 100 pitches laid beside a ruler gives the band that the table says."""
    key, new, *shrunk = row.split()
    gauge = gauge_named(key)
    pitches = [each.value for each in (gauge.pitch_long_mm, gauge.pitch_short_mm) if each is not None]
    bands = ["usual", "limit", "don't project", "don't project", "don't project"]
    for length, percent, band in zip(shrunk, ("0.5", "0.8", "1.0", "1.5", "2.0"), bands, strict=True):
        found = 100 * (1 - float(length) / float(new))
        assert found == pytest.approx(float(percent), abs=2e-4)
        assert band in triage.shrinkage_advice(Decimal(str(round(found, 2)))).said
    assert any(100 * pitch == pytest.approx(float(new), abs=0.05) for pitch in pitches)


def test_little_shrinkage_is_never_called_shrunk():
    told = triage.advice_of({"shrinkage": "0.1..0.4"})
    assert any("never called shrunk" in each.said for each in told)
    assert not any("never called shrunk" in each.said for each in triage.advice_of({"shrinkage": "0.4"}))


def test_every_source_named_is_a_source():
    named = [row[3] for row in triage.STRIP_LEVELS] + [
        triage.shrinkage_advice(Decimal(n)).source for n in (0, 1, 3)
    ]
    for each in named:
        assert each == triage.PRACTICE or each.split()[0] in SOURCES
    assert all(notice_words((notice,))[-1] == DEFERRING for notice in NOTICES)


def test_nothing_follows_from_what_nobody_looked_at(tmp_path):
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book))
        with book.read() as session:
            condition = ledger.condition_of(session, one.number)
    assert triage.advice_of(ledger.looked_at(condition)) == ()
    gentle = Transport(
        name="gentle", gauges=("super-8",), most_shrinkage=Decimal(2), warped=False, brittle=False
    )
    told = may_run(gentle, gauge="super-8", condition={})
    assert told.says == "can't be told" and len(told.why) == 3


# Words at the counter, and the holds that follow (kind, who may lift it).
COUNTER = [
    ("nothing", []),
    ("mould", [("film", "Jo Bell")]),
    ("perhaps nitrate base", [("film", "Jo Bell")]),
    ("exposed, not processed", [("film", "Jo Bell")]),
    ("two gauges on one spool", [("film", "Jo Bell")]),
    ("the client's consent is missing", [("film", "Jo Bell")]),
    ("negative", [("film", "Jo Bell"), ("files", "Jo Bell")]),
    ("private", [("film", "Ines Vogt"), ("files", "Ines Vogt")]),
    ("rights", [("files", "Jo Bell")]),
    ("torn, a bought print", [("film", "Jo Bell"), ("files", "Jo Bell")]),
    ("the dog chewed it", [("film", "Jo Bell")]),
]
# What was seen at the bench, and the same.
SEEN = [
    ({"mould": "none seen"}, []),
    ({"mould": "dry, at the head"}, [("film", "Jo Bell")]),
    ({"base": "acetate"}, []),
    ({"base": "nitrate? floats"}, [("film", "Jo Bell")]),
    ({"kind": "camera original"}, []),
    ({"kind": "negative"}, [("film", "Jo Bell"), ("files", "Jo Bell")]),
    ({"processing": "not processed, cartridge"}, [("film", "Jo Bell")]),
    ({"spool": "two gauges on it"}, [("film", "Jo Bell")]),
    ({"content": "private"}, [("film", "Ines Vogt"), ("files", "Ines Vogt")]),
    ({"content": "bought print, a cartoon"}, [("files", "Jo Bell")]),
    ({"splices": "3, one weeping", "shrinkage": "2.4"}, []),
]


def standing(shelf):
    with open_shop(shelf) as book, book.read() as session:
        return [(h.kind, h.lifter) for h in session.scalars(sa.select(Hold).order_by(Hold.id))]


@pytest.mark.parametrize(("words", "holds"), COUNTER)
def test_holds_that_follow_at_the_counter(tmp_path, words, holds):
    with open_shop(tmp_path) as book:
        number = reel(book, parcel(book), forbids=words, house=JO).number
    assert standing(tmp_path) == holds
    for kind in ("film", "files"):
        assert bool(held(tmp_path, number, kind)) == (kind in dict(holds)), "what the line is told"


@pytest.mark.parametrize(("seen", "holds"), SEEN)
def test_holds_that_follow_at_the_bench(tmp_path, seen, holds):
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book))
        for _ in range(2):  # seen again, it places no second one
            ledger.note_condition(book, at=AT, by="mk", reel=one.number, seen=seen, house=JO)
    assert standing(tmp_path) == holds


@pytest.mark.parametrize("words", ["NITRATE!", "35mm, from grandfather", "17.5 mm", "not developed"])
def test_words_on_the_box_that_hold_by_themselves(tmp_path, words):
    with open_shop(tmp_path) as book:
        reel(book, parcel(book), box_words=words, house=JO)
        with pytest.raises(CallerError, match="--lifter"):
            reel(book, parcel(book), box_words=words)
    assert standing(tmp_path) == [("film", "Jo Bell")]


@pytest.mark.parametrize(
    "words", ["Safety film, non-flammable", "summer 1935 Mmes", "private view", "a negative answer"]
)
def test_words_on_the_box_that_only_sound_so(tmp_path, words):
    with open_shop(tmp_path) as book:
        reel(book, parcel(book), box_words=words)
    assert standing(tmp_path) == []


def test_who_lifts(tmp_path):
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book), forbids="private", house=JO)
        with pytest.raises(CallerError, match="lifted by Jo Bell or Ines Vogt"):
            ledger.place_hold(
                book, at=AT, by="mk", reel=one.number, kind="film", why="x", lifter="mk", house=JO
            )
        with pytest.raises(CallerError, match="Only Ines Vogt"):
            ledger.lift_hold(book, at=AT, by="mk", hold=1, why="looked at", house=JO)
        with pytest.raises(CallerError, match="must not be empty"):
            ledger.lift_hold(book, at=AT, by="Ines Vogt", hold=1, why=" ", house=JO)
        ledger.lift_hold(book, at=AT, by="ines vogt", hold=1, why="looked at", house=JO)
        ledger.lift_hold(book, at=AT, by="Jo Bell", hold=2, why="Ines is away", house=JO)
    assert held(tmp_path, one.number, "film") == "" == held(tmp_path, one.number, "files")


@pytest.mark.parametrize(
    "seen",
    [
        {"strip level": "4", "strip hours": "24", "strip temperature": "21 C"},
        {"strip level": "none", "strip hours": "24", "strip temperature": "21 C"},
        {"strip level": "1", "strip hours": "a day", "strip temperature": "21 C"},
        {"strip level": "1", "strip hours": "24", "strip temperature": "warm"},
        {"strip level": "1", "strip hours": "24"},
        {"shrinkage": "little"},
        {"shrinkage": "0.9..0.5"},
        {"shrinkage": "12"},
        {"perforations": "torn"},
        {"perforations": "6, at 40 ft"},
        {"colour": "red"},
    ],
)
def test_a_reading_that_is_none_is_refused(tmp_path, seen):
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book))
        with pytest.raises(CallerError) as refused:
            ledger.note_condition(book, at=AT, by="mk", reel=one.number, seen=seen)
        assert ";" in str(refused.value) and str(refused.value).endswith(".")
        with book.read() as session:
            assert ledger.looked_at(ledger.condition_of(session, one.number)) == {}


STATED = """
[holds]
lifter = "Jo Bell"
two_gauges = "Ines Vogt"
private_rule = "Close the can and ring Ines Vogt."
[transports.gentle]
gauges = ["super-8", "16mm"]
most_shrinkage = "2.0"
most_perforation_grade = 4
warped = true
brittle = false
[transports.claw]
gauges = ["super-8"]
most_shrinkage = 0.8
most_perforation_grade = 1
warped = false
"""


def test_what_may_run_where(tmp_path, capsys):
    (tmp_path / "shop.toml").write_text(STATED)
    house = read_house(tmp_path)
    assert house.lifter_of("two gauges") == "Ines Vogt" and house.names() == ("Jo Bell", "Ines Vogt")
    gentle, claw = house.transports
    sound = {"shrinkage": "0.4..0.7", "perforations": "1", "warp": "flat", "brittleness": "none"}
    assert {may_run(each, gauge="super-8", condition=sound).says for each in house.transports} == {"may run"}
    shrunk = sound | {"shrinkage": "0.7..1.1"}
    assert may_run(gentle, gauge="super-8", condition=shrunk).says == "may run"
    told = may_run(claw, gauge="super-8", condition=shrunk)
    assert told.words == "claw: must not run: it takes film shrunk by 0.8 % at most, and this may be 1.1 %"
    for change, says in (
        ({"perforations": "5"}, "must not run"),
        ({"perforations": "none"}, "may run"),
        ({"brittleness": "brittle at the head"}, "must not run"),
        ({"warp": "cupped"}, "may run"),
    ):
        assert may_run(gentle, gauge="16mm", condition=sound | change).says == says, change
    assert may_run(claw, gauge="super-8", condition=sound | {"warp": "cupped"}).says == "must not run"
    assert may_run(claw, gauge="16mm", condition=sound).says == "must not run"
    assert may_run(claw, gauge="not sure", condition=sound).says == "can't be told"
    assert may_run(gentle, gauge="16mm", condition=sound, held=("mould",)).why == ("it is held: mould",)
    with open_shop(tmp_path) as book:
        one = reel(book, parcel(book))
    shelf = ("--shelf", str(tmp_path), "--by", "mk")
    seen = ("--seen", "shrinkage=1.4", "--seen", "perforations=0", "--seen", "warp=flat")
    assert cli.main(["condition", one.number, *seen, *shelf]) == 0
    told = capsys.readouterr().out
    assert "to know: shrinkage: 1.4 %: don't project it" in told and "on claw: must not run" in told
    assert "on gentle: can't be told: brittleness was not looked at" in told
    step = ("reel", "note", one.number, "--step", "scanned", "--place", "bench", *shelf)
    assert cli.main([*step, "--transport", "claw"]) == 3
    assert cli.main([*step, "--transport", "belt"]) == 2
    assert cli.main([*step, "--transport", "gentle"]) == 0


def test_what_to_do_is_said_at_once(tmp_path, capsys):
    """Unprocessed film and private matter: at the counter, and whenever the reel is looked up, with the shop's own rule first."""
    (tmp_path / "shop.toml").write_text(STATED)
    with open_shop(tmp_path) as book:
        parcel(book, reels=2)
    answers = (
        "--gauge",
        "Super 8",
        "--box-words",
        "",
        "--decides",
        "W",
        "--by",
        "mk",
        "--shelf",
        str(tmp_path),
    )
    assert cli.main(["intake", "0000013", "--forbids", "exposed, not processed", *answers]) == 0
    assert "Never open it and never run it" in capsys.readouterr().out
    assert cli.main(["intake", "0000013", "--forbids", "private", *answers]) == 0
    for _ in range(2):
        told = capsys.readouterr().out
        assert told.index("Close the can and ring Ines Vogt.") < told.index("Stop. Tell only the person")
        assert cli.main(["reel", "show", "0000013-R02-1", "--shelf", str(tmp_path)]) == 0


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("two_gauges", "two_ganges", "holds.two_ganges is not known"),
        ('lifter = "Jo Bell"', "lifter = 3", "holds.lifter must be words"),
        ('"16mm"]', '"17mm"]', "gauges must be a list"),
        ('most_shrinkage = "2.0"', 'most_shrinkage = "two"', "most_shrinkage must be per cent"),
        ("most_perforation_grade = 4", "most_perforation_grade = 9", "of 0 to 5, found 9"),
        ("warped = true", 'warped = "yes"', "warped must be true or false"),
        ("brittle = false", "britle = false", "britle is not known"),
        ("[holds]", "[holds", "must be TOML"),
    ],
)
def test_a_wrong_shop_is_refused(tmp_path, before, after, said):
    (tmp_path / "shop.toml").write_text(STATED.replace(before, after, 1))
    with pytest.raises(MaterialError) as refused:
        read_house(tmp_path)
    assert said in str(refused.value)


def test_the_line_reads_the_same_shop():
    assert read_shop(STATED, where="shop.toml").kept_at == ""


def test_a_list_is_taken_in_by_the_same_rules(tmp_path, capsys):
    (tmp_path / "shop.toml").write_text(STATED)
    (tmp_path / "list.csv").write_text(
        "gauge,box_words,forbids,decides\nSuper 8,garden,two gauges on one spool,W\n"
    )
    with open_shop(tmp_path) as book:
        parcel(book)
    options = ("--shelf", str(tmp_path), "--by", "mk", "--order", "0000013")
    assert cli.main(["office", "import", str(tmp_path / "list.csv"), *options]) == 0
    assert standing(tmp_path) == [("film", "Ines Vogt")]


def test_refusals_are_of_the_program():
    for wrong in ("-1", "four"):
        with pytest.raises(SmallgaugeError):
            triage.strip_level(wrong)
