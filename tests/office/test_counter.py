"""Intake at the counter by single keys, on a terminal, and what it leaves in the book."""

import os
import signal

import pytest
import sqlalchemy as sa
from shop import open_shop, parcel
from typed import Typist

from smallgauge.office import ledger
from smallgauge.office.counter import FORBIDS_KEYS, GAUGE_KEYS, OWN_WORDS
from smallgauge.office.models import Hold, Reel
from smallgauge.office.triage import REASONS

pytestmark = pytest.mark.skipif(os.name != "posix", reason="left out: a terminal of its own is POSIX")

MOST_KEYS = 8  # a reel, besides the words on its box: the target
HOLDS = '[holds]\nlifter = "Jo Bell"\nprivate = "Ines Vogt"\n'


def intake(shelf, *more):
    return Typist("intake", "0000013", "--shelf", str(shelf), "--by", "mk", *more)


def reels_of(shelf):
    with open_shop(shelf) as book, book.read() as session:
        return list(session.scalars(sa.select(Reel).order_by(Reel.number)))


def test_every_key_is_of_one_answer():
    assert len({*GAUGE_KEYS, "q", "="}) == len(GAUGE_KEYS) + 2
    assert len({*FORBIDS_KEYS, OWN_WORDS, "q"}) == len(REASONS) + 3


def test_forty_reels_at_the_counter(tmp_path):
    """Forty reels of every sort; the keys are counted, and the book says what was answered."""
    (tmp_path / "shop.toml").write_text(HOLDS)
    with open_shop(tmp_path) as book:
        parcel(book, reels=40)
    gauges = ["s"] * 20 + ["8"] * 12 + ["6", "9", "?", "d", "2", "s", "s", "8"]
    forbids = {7: "m", 13: "u", 19: "p", 33: "r"}
    typist, counts, wanted = intake(tmp_path), [], []
    for at, key in enumerate(gauges):
        typist.wait_for("Gauge (")
        before, again = (
            typist.keys,
            at > 0 and key == gauges[at - 1] and at not in forbids and at - 1 not in forbids,
        )
        words = f"box {at}: Käthe & Öl, “Sommer” 19{60 + at % 20}"
        typist.press("=" if again else key)
        typist.wait_for("Words on the box")
        typist.write(words)
        typist.press("\n")
        if not again:
            typist.wait_for("What forbids running (")
            typist.press(forbids.get(at, "n"))
            typist.wait_for("Who may decide")
            typist.press("\n")
        typist.wait_for("write it on reel")
        counts.append(typist.keys - before)
        wanted.append((GAUGE_KEYS[key], words, forbids.get(at, "n")))
    code, _ = typist.ended()
    assert code == 0 and max(counts) <= MOST_KEYS
    print(f"forty reels: {max(counts)} keys at most, {sum(counts)} in all, besides the words")
    found = reels_of(tmp_path)
    said = [(r.gauge, r.box_words, r.forbids or ledger.NOTHING) for r in found]
    assert said == [(gauge, words, FORBIDS_KEYS[key]) for gauge, words, key in wanted]
    assert {r.decides for r in found} == {"Wim Oster"}
    with open_shop(tmp_path) as book, book.read() as session:
        holds = [
            (h.reel[-4:-2], h.kind, h.lifter) for h in session.scalars(sa.select(Hold).order_by(Hold.id))
        ]
    assert holds == [
        ("08", "film", "Jo Bell"),
        ("14", "film", "Jo Bell"),
        ("20", "film", "Ines Vogt"),
        ("20", "files", "Ines Vogt"),
        ("34", "files", "Jo Bell"),
    ]


def test_keys_that_mean_nothing_back_and_an_end(tmp_path):
    with open_shop(tmp_path) as book:
        parcel(book, reels=3)
    typist = intake(tmp_path)
    typist.wait_for("q: end here")
    for key in "x\x1b[A\n8":  # only 8 is an answer: nothing was before that Enter could repeat
        typist.press(key)
    typist.wait_for("standard-8")
    typist.wait_for("box")
    typist.write("gardem\x7fn")
    typist.press("\n")
    typist.wait_for("running (")
    typist.press("\x7f")  # back to the words
    typist.wait_for("Words on the box")
    typist.write("garden 1968")
    typist.press("\n")
    typist.wait_for("running (")
    typist.press("m")
    typist.wait_for("Who may decide (Enter: Wim Oster)")
    typist.press("\n")
    told = typist.wait_for("Who in the shop may lift holds: ")
    assert "--lifter" in told
    typist.write("jo\n")
    told = typist.wait_for("write it on reel")
    typist.wait_for("If in doubt, stop and ask them.")
    typist.wait_for("Gauge (")
    typist.press("=")
    typist.wait_for("=: garden 1968")
    typist.write("=\n")
    typist.wait_for("Gauge (")  # the hold's person is not asked again
    typist.press("q")
    code, rest = typist.ended()
    assert code == 0 and "2 reels taken in" in rest
    found = reels_of(tmp_path)
    assert [(r.gauge, r.box_words, r.forbids) for r in found] == [("standard-8", "garden 1968", "mould")] * 2
    typist = intake(tmp_path, "--gauge", "Super 8")
    typist.wait_for("Words on the box")
    typist.press("\x03")  # Ctrl-C
    code, rest = typist.ended()
    assert code not in (0, -signal.SIGHUP) and "Traceback" not in rest and len(reels_of(tmp_path)) == 2, (
        code,
        rest,
    )
