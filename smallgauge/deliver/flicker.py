"""Flicker in the report: one sentence for the family, a table and a plot a scene for the technician.

flicker_sentence  papers -> how much the light flickered, before and after; None where none was taken out
flicker_table     papers -> each scene that flickers or is corrected, and what is left
flicker_plots     papers -> exposure of each corrected scene, before and after
"""

import math

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words, number_words
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.technician import Plot, ReportTable
from smallgauge.picture.flicker import LEAST_LN
from smallgauge.record.rendertable import SceneFlicker

MOST_PLOTS = 12  # of the scenes that flickered most
MOST_ROWS = 40
_NOTE = (
    "Change of exposure from picture to picture, root mean square: natural logarithm of light, and per cent. Before: measured, "
    "motion and the scanner's lamp taken out. After: worked out from what was measured and what was changed, not measured anew. "
    "Changed: pictures whose light was changed by more than 10 %. Slow changes (fades, clouds) are no flicker and stay. "
)


def flicker_sentence(papers: Papers) -> str | None:
    """How much the light flickered before and after, for the family; None where none was taken out."""
    figures = [each for each in _figures(papers) if each.on and math.isfinite(each.before_ln)]
    if not figures:
        return None
    frames = sum(each.frames for each in figures)
    before, after = (
        math.sqrt(sum(getattr(each, name) ** 2 * each.frames for each in figures) / frames)
        for name in ("before_ln", "after_ln")
    )
    return (
        f"In {count_words(len(figures), 'scene')} the light flickered from one picture to the next, by {_per_cent(before)} % on "
        f"average; in the finished film {_per_cent(after)} % of it is left. Fades that were filmed are still there."
    )


def flicker_table(papers: Papers) -> ReportTable | None:
    """Scenes that flicker or are corrected, those that flickered most first; None where the film was not rendered."""
    figures = _figures(papers)
    if not figures:
        return None
    shown = [each for each in figures if each.on or each.before_ln >= LEAST_LN]
    shown.sort(key=lambda each: (-np.nan_to_num(each.before_ln), each.scene))
    rows = tuple(
        (
            str(each.scene + 1),
            f"{each.frames:,}",
            _logarithm(each.before_ln),
            _logarithm(each.after_ln),
            f"{_per_cent(each.before_ln)} → {_per_cent(each.after_ln)}",
            f"{number_words(100 * each.share, decimals=0)} %",
            "taken out" if each.on else "left as it is",
        )
        for each in shown[:MOST_ROWS]
    )
    still = len(figures) - len(shown)
    note = _NOTE
    if still:
        note += f"{count_words(still, 'further scene')} did not flicker and {'was' if still == 1 else 'were'} left alone. "
    if len(shown) > MOST_ROWS:
        note += f"The {MOST_ROWS} scenes that flickered most are shown, of {len(shown)}."
    head = ("Scene", "Frames", "Before", "After", "%", "Changed", "Flicker")
    return ReportTable(title="Flicker of the camera's exposure", head=head, rows=rows, note=note.strip())


def flicker_plots(papers: Papers) -> tuple[Plot, ...]:
    """Exposure before and after of the scenes that were corrected, those that flickered most; in running order."""
    table = papers.rendered
    if table is None:
        return ()
    corrected = sorted(
        (each for each in _figures(papers) if each.on), key=lambda each: -np.nan_to_num(each.before_ln)
    )
    plots = []
    for figure in sorted(corrected[:MOST_PLOTS], key=lambda each: each.scene):
        rows = np.flatnonzero(table["scene"] == figure.scene)
        lines = [
            Line(name=when, values=np.asarray(table[f"exposure_{when}_ln"][rows], np.float64))
            for when in ("after", "before")
        ]
        title = f"Exposure of scene {figure.scene + 1}"
        svg = draw_along_reel(
            lines, title=f"{title}, before and after", unit="ln", least_span=0.1, axis="frame of the scene"
        )
        if svg:
            note = "Grey: as filmed; black: flicker taken out. Natural logarithm of light, measured picture by picture."
            plots.append(Plot(title=title, svg=svg, note=note))
    return tuple(plots)


def _figures(papers: Papers) -> tuple[SceneFlicker, ...]:
    return papers.summary.flicker if papers.summary is not None else ()


def _per_cent(logarithm: float) -> str:
    if not math.isfinite(logarithm):
        return "not told"
    value = 100 * math.expm1(logarithm)
    return number_words(value, decimals=0 if value >= 10 else 1)


def _logarithm(value: float) -> str:
    return number_words(value, decimals=3) if math.isfinite(value) else "not told"
