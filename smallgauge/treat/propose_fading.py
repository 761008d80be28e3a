"""The program's proposals on fading: for each length of one stock what is left of its dyes, and from what that is known."""

from dataclasses import asdict

import numpy as np

from smallgauge.picture.dyefade import propose_fading
from smallgauge.record.capture import Capture
from smallgauge.record.lengths import border_of_rows, flare_of, lengths_of, rows_of
from smallgauge.record.loading import loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import EVIDENCE, NOT_TOLD, WAITING, Decision, propose, treatment_of

Triple = tuple[float, float, float]
LEAST_SCENES = 6  # fewer say nothing of a reel; common practice, no source
LEAST_FRAMES = 8  # of a length must show its border before anything is done by it; common practice, no source


def propose_fadings(
    capture: Capture, frames: Table, decisions: tuple[Decision, ...], *, at: str
) -> tuple[Decision, ...]:
    """The log with a decision on the fading of each length of stock that tells of it.

    Only of colour reversal film that light went through. What rests on the film's own border holds; what rests on less,
    or on a scanner whose light nobody stated, waits for an operator. A length that is none any more loses its proposal.
    """
    notes = capture.notes
    if notes.film not in (None, "reversal") or capture.survey is None or notes.illumination == "reflected":
        return decisions
    lengths = lengths_of(frames, backwards=loading_of(treatment_of(decisions)).backwards)
    spans = [(each.first_captured, each.stop_captured) for each in lengths]
    flare, flare_sigma = flare_of(frames, spans)
    scenes = _scenes(frames)
    told: set[str] = set()
    for length, (first, stop) in zip(lengths, spans, strict=True):
        border = border_of_rows(
            frames,
            first,
            stop,
            flare=flare,
            flare_sigma=flare_sigma,
            density_limit=notes.scanner_density_limit,
        )
        few = border.state == "measured" and border.frames < LEAST_FRAMES
        fading, why = propose_fading(
            border,
            light=notes.light or "narrow",
            statistics=scenes,
            stock_amount=notes.stock_density,
            flare=flare,
        )
        nothing = all(each == "nothing" for each in fading.source)
        if nothing and not border.clear_seen:
            continue
        waits = not nothing and (not fading.sure or notes.light is None or few)
        if notes.light is None:
            why += "; the scanner's light is not stated, narrow light is taken"
        if few:
            why += f"; only {border.frames} frames show the border"
        value = {
            key: list(each) if isinstance(each, tuple) else each
            for key, each in asdict(fading).items()
            if each is not None
        }
        told.add(length.anchor)
        decisions = propose(
            decisions,
            subject="fading",
            anchor=length.anchor,
            value=value,
            at=at,
            why=why,
            basis=NOT_TOLD if nothing else WAITING if waits else EVIDENCE,
        )
    return without_stale(decisions, told, at, subject="fading")


def without_stale(
    decisions: tuple[Decision, ...], told: set[str], at: str, *, subject: str
) -> tuple[Decision, ...]:
    """Proposals of lengths that are none any more do nothing from now on."""
    for entry in treatment_of(decisions).in_force:
        for mine in (entry.decision, entry.proposal):
            if mine is None or mine.subject != subject or mine.by != "program" or mine.anchor in told:
                continue
            if mine.value is not None and not mine.waits:
                decisions = propose(
                    decisions,
                    subject=subject,
                    anchor=mine.anchor,
                    value=mine.value,
                    at=at,
                    why="no length of stock begins here any more",
                    basis=WAITING,
                )
    return decisions


def _scenes(frames: Table) -> list[tuple[Triple, Triple]]:
    """Two densities of each scene's range, over the whole reel; empty where there are few scenes."""
    rows = (
        rows_of(frames, 0, int(frames["film_position"].max()) + 1) if len(frames) else np.zeros(0, np.int64)
    )
    scene = frames["scene"][rows]
    found = []
    for number in np.unique(scene[scene >= 0]):
        mine = rows[scene == number]
        middle, dense = _medians(frames, "picture_middle", mine), _medians(frames, "picture_dense", mine)
        if np.isfinite([*middle, *dense]).all():
            found.append((middle, dense))
    return found if len(found) >= LEAST_SCENES else []


def _medians(frames: Table, name: str, rows: np.ndarray) -> Triple:
    red, green, blue = (
        float(np.median(values)) if len(values := frames[f"{name}_{c}"][rows]) else np.nan
        for c in ("red", "green", "blue")
    )
    return red, green, blue
