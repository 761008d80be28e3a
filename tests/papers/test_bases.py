"""A negative's base from the table, length by length, and what is proposed from it."""

from dataclasses import replace

import numpy as np
import pytest

from smallgauge.record.bases import bases_of
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.lengths import lengths_of
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.table import table_of
from smallgauge.record.treatment import treatment_of
from smallgauge.treat.propose_film import propose_film

AT = "2026-01-17T10:00:00Z"
ONE, OTHER = (0.20, 0.52, 0.80), (0.26, 0.60, 0.75)


class Negative:
    """As much of a capture's paper as a proposal for a negative reads."""

    notes = CaptureNotes(film="negative", light="narrow")


def table(*stocks, frames=40):
    """A reel of lengths spliced together, each with the base of its stock."""
    rows = []
    for density in stocks:
        light = dict(zip(("base_red", "base_green", "base_blue"), 10.0 ** -np.array(density), strict=True))
        for n in range(frames):
            at = len(rows)
            rows.append(
                {"frame": at, "film_position": at, "duplicate_of": -1, "splice": n == 0 and at > 0} | light
            )
    return table_of("frames", FRAME_COLUMNS, rows)


def inversions(decisions):
    return {
        entry.decision.anchor: entry.decision.value["base"]
        for entry in treatment_of(decisions).in_force
        if entry.decision.subject == "inversion" and not entry.decision.waits
    }


def test_lengths_that_agree_have_one_base():
    reel = table(ONE, tuple(np.add(ONE, 0.01)), ONE)
    assert list(bases_of(reel, lengths_of(reel))) == ["reel"]


def test_each_stock_has_its_own_and_what_is_stale_does_nothing():
    mixed = table(ONE, OTHER)
    decisions = propose_film(Negative(), mixed, (), at=AT)
    told = inversions(decisions)
    assert told["length@0"] == pytest.approx(ONE, abs=1e-3)
    assert told["length@40"] == pytest.approx(OTHER, abs=1e-3)
    assert propose_film(Negative(), mixed, decisions, at=AT) == decisions
    again = propose_film(Negative(), table(ONE, ONE), decisions, at=AT)
    assert list(inversions(again)) == ["reel"]


def test_a_length_without_a_base_is_not_printed_by_another_ones():
    reel = table(ONE, OTHER, ONE)
    values = {name: reel[name].copy() for name in ("base_red", "base_green", "base_blue")}
    for each in values.values():
        each[40:80] = np.nan
    reel = replace(reel, values={**reel.values, **values})
    assert list(bases_of(reel, lengths_of(reel))) == ["length@0", "length@80"]
    for each in values.values():
        each[:] = np.nan
    nothing = replace(reel, values={**reel.values, **values})
    assert bases_of(nothing, lengths_of(nothing)) == {}
    assert propose_film(Negative(), nothing, (), at=AT) == ()
