"""`film.json`: what the film itself is like and how it was captured: frame account, perforations, splices."""

from dataclasses import dataclass
from fractions import Fraction

from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.completeness import FootageCheck, Ledger, measure_footage
from smallgauge.picture.damage_record import DamageRecord
from smallgauge.picture.shrinkage import LEAST_PITCHES, Shrinkage
from smallgauge.record.capture import Capture
from smallgauge.record.finding import Finding

FILM_PAPER = "film.json"
LENGTH_CODES = ("length agrees", "length differs")
_MOST_NAMED = 20  # frames that a finding names


@dataclass(frozen=True, slots=True, kw_only=True)
class SpliceTold:
    """A splice before a captured frame: its kind ("" where it can't be told) and how sure, 0 to 1."""

    frame: int
    film_position: int
    kind: str
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmState:
    """The account of the capture's frames, the state of the film's perforations, and its splices.

    `direction` is 1 where the next film frame lies below in the capture, -1 where above, 0 where it was not
    seen. `damage` is None where no perforation is in view.
    """

    version: int = 1
    capture_digest: str
    ledger: Ledger
    direction: int
    damage: DamageRecord | None
    splices: tuple[SpliceTold, ...]
    shrinkage: Shrinkage | None = None


def film_findings(state: FilmState) -> tuple[Finding, ...]:
    """What there is to say of the frame account, the perforations and the splices."""
    ledger = state.ledger
    found: list[Finding] = []
    twice = [n for run in ledger.runs if run.kind == "captured twice" for n in range(run.first, run.stop)]
    if twice:
        values: dict[str, object] = {"frames": twice[:_MOST_NAMED], "count": len(twice)}
        found.append(Finding(code="frames doubled", where="capture", values=values))
    gaps = [run for run in ledger.runs if run.kind == "missing"]
    if gaps:
        values = {
            "places": [[run.first, run.film_stop - run.film_first] for run in gaps[:_MOST_NAMED]],
            "missing": ledger.missing,
            "count_known": ledger.missing_count_known,
        }
        found.append(Finding(code="frames missing", where="capture", values=values))
    swapped = [run.first for run in ledger.runs if run.kind == "swapped"]
    if swapped:
        values = {"frames": swapped[:_MOST_NAMED], "count": len(swapped)}
        found.append(Finding(code="frames swapped", where="capture", values=values))
    if ledger.suspected:
        values = {
            "frames": [fault.frame for fault in ledger.suspected[:_MOST_NAMED]],
            "count": len(ledger.suspected),
        }
        found.append(Finding(code="frames suspected", where="capture", values=values))
    if ledger.not_known:
        reasons = sorted({run.reason for run in ledger.runs if run.kind == "not known"})
        values = {"frames": ledger.not_known, "of": ledger.captured, "reasons": reasons}
        found.append(Finding(code="frames not accounted for", where="capture", values=values))
    if state.damage is not None and state.damage.grade:
        values = {
            "grade": state.damage.grade,
            "longest": state.damage.longest,
            "counts": [[word, count] for word, count in state.damage.counts if word not in ("", "whole")],
        }
        found.append(Finding(code="perforations damaged", where="capture", values=values))
    if state.splices:
        values = {"frames": [s.frame for s in state.splices[:_MOST_NAMED]], "count": len(state.splices)}
        found.append(Finding(code="splices found", where="capture", values=values))
    return (*found, *_shrinkage_findings(state.shrinkage))


def _shrinkage_findings(shrinkage: Shrinkage | None) -> tuple[Finding, ...]:
    """How far the film has shrunk, or that it can't be told for want of a scale."""
    if shrinkage is None or shrinkage.pitches < LEAST_PITCHES:
        return ()
    values: dict[str, object] = {"pitches": shrinkage.pitches}
    if not shrinkage.band:
        values |= {"least": shrinkage.least_change, "most": shrinkage.most_change}
        return (Finding(code="shrinkage without a scale", where="capture", values=values),)
    values |= {"low": shrinkage.low, "high": shrinkage.high, "band": shrinkage.band}
    code = "film shrunk" if shrinkage.band in ("above", "severe") else "shrinkage told"
    return (Finding(code=code, where="capture", values=values),)


def footage_of(state: FilmState, capture: Capture) -> FootageCheck | None:
    """The film frames against the length stated at intake; None where none was stated."""
    if capture.notes.length_feet is None:
        return None
    feet = Fraction(str(capture.notes.length_feet))
    return measure_footage(state.ledger, gauge=gauge_named(capture.gauge), feet=feet)


def length_findings(state: FilmState, capture: Capture) -> tuple[Finding, ...]:
    """Whether the film's length agrees with what was stated at intake."""
    check = footage_of(state, capture)
    if check is None:
        return ()
    values: dict[str, object] = {
        "verdict": check.verdict,
        "feet": capture.notes.length_feet,
        "stated": round(float(check.stated_frames)),
        "frames": check.film_frames,
        "difference": round(float(check.difference)),
    }
    code = "length agrees" if check.verdict == "agrees" else "length differs"
    return (Finding(code=code, where="capture", values=values),)
