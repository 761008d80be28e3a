"""Grain in the report.

grain_table     papers -> how deep the film's grain is at each density, how coarse, and what was taken of it
grain_sentence  papers -> that the finished film has less grain than the film; None where it has all of it
"""

import math

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words, number_words
from smallgauge.deliver.technician import ReportTable
from smallgauge.picture.grain import CHANNELS, find_grain_curve
from smallgauge.record.graintable import read_grain

LEAST_PLACES = 12  # calm places of a density, or it is not shown; common practice, no source

_NOTE = (
    "Deviation of density, in thousandths, in calm places of 24 x 24 captured pixels, from pairs of frames of one scene: "
    "half the variance of their difference. Density 0 is the open gate. What the scanner adds is in it. Coarseness is the "
    "distance at which grain's likeness with itself has fallen to 1/e; half a pixel says that no two pixels have it in common. "
    "grain.parquet holds every pair."
)


def grain_table(papers: Papers) -> ReportTable | None:
    """The reel's curve; None where grain was not measured, or no place was calm enough."""
    table = read_grain(papers.folder)
    if table is None or not len(table):
        return None
    curve = find_grain_curve(table.values)
    channels = [name for name in CHANNELS if name in curve.bands]
    sigma = {(name, density): value for name in channels for density, value, _ in curve.bands[name]}
    places: dict[float, int] = {}
    for name in channels:
        for density, _, count in curve.bands[name]:
            places[density] = places.get(density, 0) + count
    shown = sorted(density for density, count in places.items() if count >= LEAST_PLACES)
    if not shown:
        return None
    rows = [
        (
            number_words(density, decimals=1),
            *(_thousandths(sigma.get((name, density), math.nan)) for name in channels),
            f"{places[density]:,}",
        )
        for density in shown
    ]
    coarse = [_coarse(curve.coarse_px.get(name, math.nan), papers) for name in channels]
    rows.append(("coarseness", *coarse, ""))
    return ReportTable(
        title="Grain",
        head=("density", *channels, "places"),
        rows=tuple(rows),
        note=_NOTE + _taken(papers),
    )


def _thousandths(sigma: float) -> str:
    return number_words(1000 * sigma, decimals=0) if math.isfinite(sigma) else "–"


def _coarse(px: float, papers: Papers) -> str:
    if not math.isfinite(px):
        return "–"
    scale = papers.capture.scale.along_um if papers.capture.scale is not None else None
    um = f" ({number_words(px * scale, decimals=0)} micrometres)" if scale else ""
    return f"{number_words(px, decimals=1)} px{um}"


def _taken(papers: Papers) -> str:
    """What the finished film has less of it."""
    if papers.rendered is None:
        return ""
    taken = papers.rendered["grain_taken"]
    asked = np.isfinite(taken)
    if not asked.any():
        return " Nothing was taken of it in the finished film."
    less = taken[taken > 0]
    stayed = int(np.count_nonzero(asked)) - len(less)
    words = f" {count_words(len(less), 'finished frame')} {'has' if len(less) == 1 else 'have'} less of it"
    words += (
        f": {number_words(100 * float(np.mean(less)), decimals=0)} % of its deviation on the mean."
        if len(less)
        else "."
    )
    if stayed:
        words += (
            f" {count_words(stayed, 'frame')} stayed as {'it is' if stayed == 1 else 'they are'}: no frame beside agreed, or "
            "what would have been taken was like the picture's edges."
        )
    return words


def grain_sentence(papers: Papers) -> str | None:
    """That the finished film has less grain; None where nothing was taken."""
    if papers.rendered is None:
        return None
    less = int(np.count_nonzero(papers.rendered["grain_taken"] > 0))
    if not less:
        return None
    return (
        f"{count_words(less, 'picture')} of the finished film {'has' if less == 1 else 'have'} less grain than the film: it was "
        "evened out between pictures in a row, by at most half, where they agree. The untouched copy of the scan has all of it."
    )
