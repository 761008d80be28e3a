"""The program's proposals for what a film is: how a negative is printed, and the tone of black-and-white film."""

from dataclasses import asdict

import numpy as np

from smallgauge.picture.mono import NEUTRAL, propose_black_and_white
from smallgauge.picture.negative import propose_inversion
from smallgauge.record.bases import bases_of
from smallgauge.record.capture import Capture
from smallgauge.record.lengths import border_of_rows, flare_of, lengths_of
from smallgauge.record.loading import loading_of
from smallgauge.record.table import Table
from smallgauge.record.tones import tones_of
from smallgauge.record.treatment import NOT_SURE, Decision, propose, treatment_of
from smallgauge.treat.propose_fading import without_stale


def propose_film(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with an inversion for each length of a negative whose base was seen, and with the tone of silver film.

    `frames` are all rows of the reel.
    """
    if capture.notes.is_negative:
        decisions = _inversions(capture, frames, decisions, at)
    if capture.notes.is_black_and_white:
        decisions = _silver(capture, frames, decisions, at)
    return decisions


def _inversions(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], at: str
) -> tuple[Decision, ...]:
    lengths = lengths_of(frames, backwards=loading_of(treatment_of(decisions)).backwards)
    told = bases_of(frames, lengths)
    for anchor, (base, sigma) in told.items():
        silver = capture.notes.is_black_and_white
        inversion, why = propose_inversion(base, light=capture.notes.light, silver=silver, sigma=sigma)
        value = {key: _listed(each) for key, each in asdict(inversion).items() if each not in (None, ())}
        decisions = propose(decisions, subject="inversion", anchor=anchor, value=value, at=at, why=why)
    return without_stale(decisions, set(told), at, subject="inversion")


def _silver(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], at: str
) -> tuple[Decision, ...]:
    """Tint and tone kept; the film's two ends stand beside, for white and black."""
    tone = tones_of((capture,), frames)
    mono, why = propose_black_and_white(tone)
    value: dict[str, object] = {**asdict(mono)}
    if capture.notes.is_negative:
        value, why = {"look": NEUTRAL}, "a negative has no tone of its own: its print is neutral"
    else:
        value |= _ends(capture, frames)
    basis = NOT_SURE if tone.coloured else None
    return propose(decisions, subject="black_and_white", value=value, at=at, why=why, basis=basis)


def _ends(capture: Capture, frames: Table) -> dict[str, object]:
    """Clear base and deepest density of the whole reel, as far as they were seen."""
    stop = int(frames["film_position"].max()) + 1
    flare, flare_sigma = flare_of(frames, [(0, stop)])
    limit = capture.notes.scanner_density_limit
    read = border_of_rows(frames, 0, stop, flare=flare, flare_sigma=flare_sigma, density_limit=limit)
    ends: dict[str, object] = {}
    if read.clear_seen and np.isfinite(read.clear).all():
        ends["clear"] = [round(float(each), 4) for each in read.clear]
    if read.state == "measured" and np.isfinite(read.density).all():
        ends["border"] = [round(float(each), 4) for each in read.density]
    return ends


def _listed(value: object) -> object:
    """Tuples as lists, as a decision is written and read."""
    return [_listed(each) for each in value] if isinstance(value, tuple) else value
