"""The program's proposals for what a film is: how a negative is printed, and the tone of black-and-white film."""

from dataclasses import asdict

from smallgauge.picture.mono import propose_black_and_white
from smallgauge.picture.negative import propose_inversion
from smallgauge.record.bases import bases_of
from smallgauge.record.capture import Capture
from smallgauge.record.table import Table
from smallgauge.record.tones import tones_of
from smallgauge.record.treatment import NOT_SURE, Decision, propose


def propose_film(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with an inversion for each length of a negative whose base was seen, and with the tone of silver film."""
    notes = capture.notes
    if notes.is_negative:
        for anchor, (base, sigma) in bases_of(frames).items():
            inversion, why = propose_inversion(base, light=notes.light, sigma=sigma)
            value = {key: each for key, each in _plain(asdict(inversion)).items() if each not in (None, [])}
            decisions = propose(decisions, subject="inversion", anchor=anchor, value=value, at=at, why=why)
    if notes.is_black_and_white:
        tone = tones_of((capture,), frames)
        mono, why = propose_black_and_white(tone)
        if notes.is_negative:
            why = "a negative has no tone of its own: its print is neutral"
        decisions = propose(
            decisions,
            subject="black_and_white",
            value=asdict(mono),
            at=at,
            why=why,
            basis=NOT_SURE if tone.coloured else None,
        )
    return decisions


def _plain(value: dict[str, object]) -> dict[str, object]:
    """Tuples as lists, as a decision is written and read."""
    return {key: _listed(each) for key, each in value.items()}


def _listed(value: object) -> object:
    return [_listed(each) for each in value] if isinstance(value, tuple) else value
