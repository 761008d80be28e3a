"""Tables and plots of colour for the technician: lengths of stock, scenes, dyes and grey scales.

length_table     papers -> border, base and dyes of each length of stock; None where nothing tells of them
scene_table      papers -> what is done to each scene, its light before and after, the lift that waits
colour_plots     papers -> what is left of the dyes; the grey scale of each look that corrects something
"""

import numpy as np

from smallgauge.deliver.colour import base_measured, corrects, fading_lengths, fading_state, waiting_lifts
from smallgauge.deliver.colour_plots import DyeShares, draw_scale, draw_shares
from smallgauge.deliver.colour_words import MEASURED, STEP_WORDS, TOLD, WAITS, source_words
from smallgauge.deliver.fading_words import WHOLE
from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import list_words, number_words
from smallgauge.deliver.technician import Plot, ReportTable
from smallgauge.picture.dyefade import LAYERS, FadingDecision, apply_dyefade, solve_dyefade
from smallgauge.record.lengths import Length
from smallgauge.record.toldcolour import GREY_DENSITIES, GreyScale

MOST_ROWS = 40
MOST_LENGTHS = 8  # in the plot of dyes
MOST_SCALES = 6

Triple = tuple[float, float, float]


def length_table(papers: Papers) -> ReportTable | None:
    """Border, base and dyes of each length of stock, against what a new film would have; None where nothing tells."""
    rows: list[tuple[str, ...]] = []
    for each in fading_lengths(papers):
        length, decision, fading = each.length, each.decision, each.fading
        if decision is None or fading is None:
            continue
        done = {
            "undone": "undone",
            "whole": "nothing to undo",
            "perhaps whole": "left as it is",
            "waits": WAITS,
            "not told": "left as it is",
        }[fading_state(decision, fading)]
        rows += _layer_rows(length, fading, done)
    rows += _base_rows(papers)
    if not rows:
        return None
    return ReportTable(
        title="Lengths of stock: border, base and dyes",
        head=("Length", "Film", "Dye", "Clear", "Unstained", "Border", "When new", "Left", "Known", "Fading"),
        rows=tuple(rows[: 3 * MOST_ROWS]),
        note="Density in the channel that the dye holds back (cyan: red, magenta: green, yellow: blue), light that strays taken "
        "off. Clear film and unexposed border are measured; what they would be without stain and fading (unstained, when new) "
        "is worked out with the dyes of a usual stock: estimated. Left: share of the dye in per cent, ± one standard error. "
        "Of a negative the clear film is its base, seen on the border."
        + (f" The first {MOST_ROWS} of {len(rows) // 3} lengths." if len(rows) > 3 * MOST_ROWS else ""),
    )


def _when_new(fading: FadingDecision) -> Triple:
    """The border's density with the fading undone."""
    red, green, blue = apply_dyefade(np.asarray(fading.border, np.float64), solve_dyefade(fading)).tolist()
    return red, green, blue


def _layer_rows(length: Length, fading: FadingDecision, done: str) -> list[tuple[str, ...]]:
    """Three rows of a length, one a dye; what holds for all of it stands in the first."""
    new = _when_new(fading) if fading.border is not None else None
    rows: list[tuple[str, ...]] = []
    for layer, dye in enumerate(LAYERS):
        error = f" ± {100 * fading.sigma[layer]:.0f}" if fading.sigma is not None else ""
        first = layer == 0
        rows.append(
            (
                f"{length.number + 1}" if first else "",
                f"{length.first:,} to {length.stop - 1:,}" if first else "",
                dye,
                f"{fading.clear[layer]:.2f}" + ("" if fading.clear_seen else " (usual)"),
                f"{fading.base[layer]:.2f}",
                f"{fading.border[layer]:.2f}" if fading.border is not None else "no evidence",
                f"{new[layer]:.2f}" if new is not None else "",
                f"{100 * fading.left[layer]:.0f}{error}",
                source_words(fading.source[layer]),
                done if first else "",
            )
        )
    return rows


def _base_rows(papers: Papers) -> list[tuple[str, ...]]:
    """Three rows of each length of a negative: its base, which its unexposed border shows bare."""
    rows: list[tuple[str, ...]] = []
    by_first = {each.length.first: each.length for each in fading_lengths(papers)}
    for entry in papers.treatment.in_force:
        decision = entry.decision
        base = (decision.value or {}).get("base")
        if decision.subject != "inversion" or decision.waits:
            continue
        if not isinstance(base, list | tuple) or len(base) != len(LAYERS):
            continue
        kind, _, position = decision.anchor.partition("@")
        length = by_first.get(int(position)) if kind == "length" else None
        span = f"{length.first:,} to {length.stop - 1:,}" if length is not None else "all"
        known = MEASURED if base_measured(entry) else TOLD
        for layer, dye in enumerate(LAYERS):
            first = (f"{length.number + 1}" if length is not None else "", span) if layer == 0 else ("", "")
            rows.append(
                (*first, dye, f"{base[layer]:.2f}", "", "", "", "", known, "printed" if layer == 0 else "")
            )
    return rows


def scene_table(papers: Papers) -> ReportTable | None:
    """Each scene: what is done, light of its middle before and after, and a lift that waits; None before rendering."""
    summary = papers.summary
    if summary is None or not summary.light:
        return None
    lifts = waiting_lifts(papers)
    steps = {n: scale.steps for scale in summary.grey_scales for n in range(scale.first, scale.stop)}

    def worth(scene: int) -> bool:
        return scene + 1 in lifts or any(step not in ("output", "mono") for step in steps.get(scene, ()))

    order = sorted(summary.light, key=lambda each: (not worth(each.scene), each.scene))[:MOST_ROWS]
    rows = []
    for each in sorted(order, key=lambda each: each.scene):
        done = [STEP_WORDS[step] for step in steps.get(each.scene, ())]
        lift = lifts.get(each.scene + 1)
        rows.append(
            (
                f"{each.scene + 1}",
                f"{each.frames:,}",
                ", ".join(done) or "nothing",
                _per_cents(each.before),
                _per_cents(each.after),
                f"{lift:+g} points, not applied" if lift is not None else "",
            )
        )
    more = f" {len(rows)} of {len(summary.light)} scenes are shown." if len(summary.light) > len(rows) else ""
    return ReportTable(
        title="Scenes: colour and brightness",
        head=("Scene", "Frames", "Done to its colour", "Light before", "Light after", "Lift that waits"),
        rows=tuple(rows),
        note="Light of the middle of the pictures (six tenths of a picture are lighter than it), red, green, blue, in per cent: "
        "before of the open gate, measured; after of the finished white, worked out with the look of the scene. A lift in "
        "printer-light points of 0.025 of density waits until you decide primary for the scene." + more,
    )


def _per_cents(light: Triple) -> str:
    return " ".join(number_words(100 * each, decimals=1) for each in light) if light[0] == light[0] else ""


def colour_plots(papers: Papers) -> tuple[Plot, ...]:
    """Dyes of the lengths that are faded or may be, and the grey scale of each look that corrects something."""
    plots = []
    shares = [
        DyeShares(
            name=f"Length {each.length.number + 1}",
            left=each.fading.left,
            sigma=each.fading.sigma,
            words=_source_three(each.fading),
            applied=not each.decision.waits,
        )
        for each in fading_lengths(papers)
        if each.fading is not None and each.decision is not None and min(each.fading.left) < WHOLE
    ]
    if shares:
        plots.append(
            Plot(
                title="What is left of the dyes",
                svg=draw_shares(shares[:MOST_LENGTHS], title="Share left of each dye, by length of stock"),
                note="Bar: share of what a new film would have; stroke: two standard errors either way. Full: undone in the "
                "finished film; outline: a proposal, not applied."
                + (f" The first {MOST_LENGTHS} of {len(shares)}." if len(shares) > MOST_LENGTHS else ""),
            )
        )
    scales: dict[tuple[object, ...], list[GreyScale]] = {}
    for scale in papers.summary.grey_scales if papers.summary is not None else ():
        if corrects(scale):
            scales.setdefault((scale.red, scale.green, scale.blue), []).append(scale)
    for mine in list(scales.values())[:MOST_SCALES]:
        where = list_words(
            [
                f"{scale.first + 1}"
                if scale.stop == scale.first + 1
                else f"{scale.first + 1} to {scale.stop}"
                for scale in mine
            ]
        )
        one = len(mine) == 1 and mine[0].stop == mine[0].first + 1
        title = f"Grey scale of scene{'' if one else 's'} {where}"
        steps = list_words([STEP_WORDS[step] for step in mine[0].steps])
        svg = draw_scale(GREY_DENSITIES, (mine[0].red, mine[0].green, mine[0].blue), title=title)
        note = f"Finished code value of film that is grey to the scanner; {steps}."
        plots.append(Plot(title=title, svg=svg, note=note))
    return tuple(plots)


def _source_three(fading: FadingDecision) -> tuple[str, str, str]:
    cyan, magenta, yellow = (source_words(each) for each in fading.source)
    return cyan, magenta, yellow
