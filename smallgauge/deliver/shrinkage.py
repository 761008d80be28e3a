"""Shrinkage in the report: a row for the family, a table and a plot for the technician.

shrinkage_row      papers -> between what limits the film has shrunk; None where it can't be told
shrinkage_table    papers -> lengthwise, crosswise and along the reel, with advice
shrinkage_plots    papers -> range or change in stretches of a hundred pitches
"""

import numpy as np

from smallgauge.deliver.capture_words import LAST_WORD, SHRINKAGE_ADVICE, range_words
from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import number_words
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.technician import Plot, ReportTable, scale_words
from smallgauge.picture.shrinkage import LEAST_PITCHES, Shrinkage

_NEW = (
    "The range holds both pitches that new film may have had, 0.17 to 0.21 % apart, and the tolerance of "
    "manufacture, 0.1 % either way over 100 pitches. Crosswise it holds the tolerance of slitting."
)
_WITHOUT = (
    "Without a scale from outside the film only its change can be told: hole and pitch have shrunk together. "
    "`smallgauge calibrate` gives one."
)


def _told(papers: Papers) -> Shrinkage | None:
    shrinkage = papers.film.shrinkage if papers.film is not None else None
    enough = shrinkage is not None and max(shrinkage.pitches, shrinkage.widths) >= LEAST_PITCHES
    return shrinkage if enough else None


def shrinkage_row(papers: Papers) -> tuple[str, str] | None:
    """Shrinkage as a family reads it under what came in."""
    shrinkage = _told(papers)
    if shrinkage is None or not shrinkage.band:
        return None
    if shrinkage.band == "not shown":
        return ("Shrinkage", "none that could be shown")
    return ("Shrinkage", f"{range_words(shrinkage.low, shrinkage.high)} shorter than when new")


def shrinkage_table(papers: Papers) -> ReportTable | None:
    """Shrinkage over the reel and along it; None where neither pitch nor width was measured."""
    shrinkage = _told(papers)
    if shrinkage is None:
        return None
    rows = []
    if shrinkage.pitches >= LEAST_PITCHES:
        told = range_words(shrinkage.low, shrinkage.high) if shrinkage.band else "no scale: can't be told"
        pitch = f"{number_words(shrinkage.pitch_px, decimals=3)} px"
        if np.isfinite(shrinkage.pitch_um):
            pitch = f"{number_words(shrinkage.pitch_um / 1000, decimals=4)} mm"
        sure = f"sure to {number_words(100 * shrinkage.sigma, decimals=3)} %"
        rows.append(("Lengthwise", told, f"pitch {pitch}, {sure}", f"{shrinkage.pitches:,} pitches"))
    if shrinkage.widths >= LEAST_PITCHES:
        known = np.isfinite(shrinkage.low_across)
        told = (
            range_words(shrinkage.low_across, shrinkage.high_across) if known else "no scale: can't be told"
        )
        rows.append(("Crosswise", told, "film's width", f"{shrinkage.widths:,} widths"))
    if len(shrinkage.stretches) > 1 and np.isfinite(shrinkage.most_change):
        change = range_words(shrinkage.least_change, shrinkage.most_change)
        rows.append(
            ("Along the reel", change, "against the reel's mean", f"{len(shrinkage.stretches)} stretches")
        )
    advice = f"{SHRINKAGE_ADVICE[shrinkage.band]} {LAST_WORD} {_NEW}" if shrinkage.band else _WITHOUT
    return ReportTable(
        title="Shrinkage",
        head=("Film", "Between", "Measured", "By"),
        rows=tuple(rows),
        note=f"{advice} {scale_words(papers)}",
    )


def shrinkage_plots(papers: Papers) -> tuple[Plot, ...]:
    """Shrinkage along the reel, one value a stretch; nothing where there is a single one."""
    shrinkage = _told(papers)
    if shrinkage is None or len(shrinkage.stretches) < 2 or papers.frames is None:
        return ()
    frames = papers.frames
    ways = (
        ("lengthwise", ("low", "high"), "change", shrinkage.low),
        ("crosswise", ("low_across", "high_across"), "change_across", shrinkage.low_across),
    )
    plots = []
    for way, limits, change, known in ways:
        names = limits if np.isfinite(known) else (change,)
        lines = []
        for name in names:
            values = np.full(len(frames), np.nan)
            for stretch in shrinkage.stretches:
                values[stretch.first : stretch.stop] = 100 * getattr(stretch, name)
            lines.append(Line(name=name, values=values))
        title = f"Shrinkage {way}"
        svg = draw_along_reel(
            lines, title=f"{title} along the reel", unit="%", scenes=frames["scene"], least_span=0.2
        )
        if svg:
            note = (
                "Black: at least; grey: at most. In stretches of 100 pitches."
                if len(names) == 2
                else "Against the reel's mean, in stretches of 100 pitches; the whole can't be told without a scale."
            )
            plots.append(Plot(title=title, svg=svg, note=note))
    return tuple(plots)
