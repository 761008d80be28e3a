"""Steadiness in the report: one sentence for the family, a table and plots for the technician.

steadiness_sentence  papers -> how far the picture moved, before and after; None where nothing told it
steadiness_table     papers -> every kind of evidence, in micrometres and per cent
steadiness_plots     papers -> place of the evidence before and after, along the reel
"""

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import number_words
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.technician import Plot, ReportTable, scale_words
from smallgauge.picture.steadiness import BACKGROUND, GATE, GATE_LEFT_OUT, NOTHING, PERFORATION, Steadiness

_BY = {
    GATE: "the camera gate's edges, which did not hold the picture",
    GATE_LEFT_OUT: "the camera gate's edges, one side left out in turn",
    PERFORATION: "the perforations, which did not hold the picture",
    BACKGROUND: "still background in the finished frames",
    NOTHING: "nothing: can't be told",
}
_LEAST_RUNS = 3  # of the background that are worth a plot
_NOTE = (
    "Before → after, root mean square, micrometres of film. Jump: how far a frame lies off the middle of its neighbours, "
    "and in per cent of the picture's height (along) or width (across). Movement: about the scene's middle place, slow "
    "weave included; still background can't tell it, because the camera's own movement is in it. 99 of 100: what so many "
    "frames stay within, after. Read to: error of the evidence itself, which is in all figures. Frames that stand out, "
    "where evidence and place contradict each other, are counted and left out of jump and movement. A side left out brings "
    "its own scatter: that figure is at most what is left."
)


def steadiness_figures(papers: Papers) -> tuple[Steadiness, ...]:
    """All figures, those of the evidence first, of the finished frames after."""
    return (
        *(papers.summary.steadiness if papers.summary else ()),
        *(papers.proof.steadiness if papers.proof else ()),
    )


def steadiness_sentence(papers: Papers) -> str | None:
    """How far the picture jumped up and down before and after, for the family; None where nothing told it."""
    told = [each for each in steadiness_figures(papers) if each.axis == "along" and each.evidence != NOTHING]
    told = [each for each in told if np.isfinite([each.before_jump_um, each.after_jump_um]).all()]
    if not told:
        return None
    best = max(told, key=lambda each: each.after_jump_um)  # the least favourable
    before, after = (_thousandths(each) for each in (best.before_jump_um, best.after_jump_um))
    return (
        f"From one picture to the next the picture moved up and down by {before} in the scan, and by {after} in the "
        f"finished film; that was {_per_cent(best.before_share)} of the picture's height, and now is {_per_cent(best.after_share)}."
    )


def _thousandths(um: float) -> str:
    """Micrometres for a family."""
    said = number_words(um, decimals=0 if um >= 10 else 1)
    return f"{said} thousandth{'' if said == '1' else 's'} of a millimetre"


def _per_cent(share: float) -> str:
    value = 100 * share
    return f"{number_words(value, decimals=1 if value >= 1 else 2) if value >= 0.005 else 'less than 0.01'} %"


def steadiness_table(papers: Papers) -> ReportTable | None:
    """Every figure in a row; None where the film was not rendered."""
    told = steadiness_figures(papers)
    if not told:
        return None
    rows = []
    for each in told:
        by = _BY[each.evidence]
        if each.evidence == NOTHING:
            of_table = papers.summary is not None and each in papers.summary.steadiness
            by = f"{'no edge or perforation that did not steer' if of_table else BACKGROUND}: can't be told"
        rows.append(
            (
                by,
                each.axis,
                _pair(each.before_jump_um, each.after_jump_um, 1),
                _pair(100 * each.before_share, 100 * each.after_share, 2),
                _pair(each.before_um, each.after_um, 1),
                _one(each.after_99_um),
                _one(each.sigma_um),
                f"{each.frames:,} of {each.of:,}",
                f"{each.standing_out:,}",
            )
        )
    return ReportTable(
        title="How still the picture stands",
        head=("Told by", "Film", "Jump", "%", "Movement", "99 of 100", "Read to", "Frames", "Stand out"),
        rows=tuple(rows),
        note=f"{_NOTE} {scale_words(papers)}",
    )


def _pair(before: float, after: float, decimals: int) -> str:
    if not (np.isfinite(before) and np.isfinite(after)):
        return ""
    return f"{number_words(before, decimals=decimals)} → {number_words(after, decimals=decimals)}"


def _one(value: float) -> str:
    return number_words(value, decimals=1) if np.isfinite(value) else ""


def steadiness_plots(papers: Papers) -> tuple[Plot, ...]:
    """Before and after along the reel: by the frame table's evidence, and by the background in runs of frames."""
    plots = []
    scenes = papers.frames["scene"] if papers.frames is not None else None
    table = papers.steadiness
    if table is not None and papers.summary is not None:
        for figure in papers.summary.steadiness:
            lines = [
                Line(name=when, values=table[f"{when}_{figure.axis}_um"]) for when in ("after", "before")
            ]
            title = f"Steadiness {figure.axis} the film"
            svg = draw_along_reel(lines, title=f"{title}, before and after", unit="µm", scenes=scenes)
            if svg:
                note = f"Grey: in the scan; black: what is left. By {_BY[figure.evidence]}."
                plots.append(Plot(title=title, svg=svg, note=note))
    runs = papers.proof.background if papers.proof is not None else ()
    if papers.rendered is None or len(runs) < _LEAST_RUNS or papers.frames is None:
        return tuple(plots)
    source = papers.rendered["source_frame"]
    for axis in ("across", "along"):
        lines = []
        for when in ("after", "before"):
            values = np.full(len(papers.frames), np.nan)
            for run in runs:
                values[source[run.first : run.stop]] = getattr(run, f"{when}_{axis}_um")
            lines.append(Line(name=when, values=values))
        title = f"Jump {axis} the film"
        svg = draw_along_reel(lines, title=f"{title}, before and after", unit="µm", scenes=scenes)
        if svg:
            note = f"Grey: in the scan; black: in the finished film. By {_BY[BACKGROUND]}, in runs of frames."
            plots.append(Plot(title=title, svg=svg, note=note))
    return tuple(plots)
