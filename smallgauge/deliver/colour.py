"""Colour in the report: pairs of pictures and facts for the family, tables and plots for the technician.

colour_pairs     papers -> pictures as the film is today beside the same as it was corrected, most changed scenes first
colour_facts     papers -> each thing known or done about the colours, and how it is known
left_as_it_was   papers -> what was not done about colour
length_table     papers -> border, base and dyes of each length of stock; None where nothing tells of them
scene_table      papers -> what is done to each scene, its light before and after, the lift that waits
colour_plots     papers -> what is left of the dyes; the grey scale of each look that corrects something
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from smallgauge.deliver.colour_plots import DyeShares, draw_scale, draw_shares
from smallgauge.deliver.colour_words import (
    ESTIMATED,
    MEASURED,
    NOT_KNOWN,
    STEP_WORDS,
    TOLD,
    WAITS,
    fading_fact,
    source_words,
)
from smallgauge.deliver.fading_words import WHOLE
from smallgauge.deliver.papers import Papers, still_places
from smallgauge.deliver.phrases import Values, count_words, list_words, number_words
from smallgauge.deliver.pictures import read_picture, reduced
from smallgauge.deliver.technician import Plot, ReportTable
from smallgauge.errors import MaterialError
from smallgauge.picture.dyefade import LAYERS, FadingDecision, apply_dyefade, solve_dyefade
from smallgauge.picture.rendering import USUAL_BASE
from smallgauge.record.files import structured
from smallgauge.record.lengths import Length, lengths_of
from smallgauge.record.loading import loading_of
from smallgauge.record.recipe import STILLS
from smallgauge.record.toldcolour import GREY_DENSITIES, GreyScale
from smallgauge.record.treatment import NOT_TOLD, PROGRAM, Decision

MOST_PAIRS = 3  # for the family; those whose colour changed most
MOST_ROWS = 40
MOST_LENGTHS = 8  # in the plot of dyes
MOST_SCALES = 6
_SMALL = 96  # px: of the pictures by which the change is weighed

Triple = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The same frame twice: as the film is today, and as it was corrected."""

    before: Path
    after: Path
    caption: str
    alt_before: str
    alt_after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourFact:
    """One thing about the colours, and how it is known: measured, estimated, told to us, or a proposal not applied."""

    how: str
    text: str


def colour_pairs(papers: Papers) -> tuple[tuple[Pair, ...], int]:
    """Pairs for the family, most changed scenes first, and how many there are in all."""
    there = set(papers.summary.before) if papers.summary is not None else set()
    found = []
    for place in still_places(papers.folder):
        before = place.path.with_name(f"{STILLS.before}{place.path.name}")
        if f"{STILLS.folder}/{before.name}" not in there or not before.is_file():
            continue
        small = [reduced(read_picture(path), width=_SMALL).astype(float) for path in (before, place.path)]
        if small[0].shape != small[1].shape:
            continue
        scene = f"scene {place.scene}"
        pair = Pair(
            before=before,
            after=place.path,
            caption=f"Scene {place.scene}",
            alt_before=f"A picture from {scene} as the film is today",
            alt_after=f"The same picture from {scene} as it was corrected",
        )
        found.append((-float(np.abs(small[1] - small[0]).mean()), place.finished_frame, pair))
    found.sort(key=lambda each: each[:2])
    return tuple(pair for _, _, pair in found[:MOST_PAIRS]), len(found)


def pairs_words(shown: int, in_all: int) -> str:
    """What the pairs are, and where the others lie.

    Examples
    --------
    >>> pairs_words(1, 1)
    'On the left what the film shows today, on the right the same picture as it was corrected; the film itself is as it was.'
    """
    text = "On the left what the film shows today, on the right the same picture as it was corrected; the film itself is as it was."
    if shown < in_all:
        text += f" These are the {shown} scenes of {in_all} that changed most."
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class _LengthFading:
    """A length of one stock, and what stands in the log on its fading; None where nothing does."""

    length: Length
    decision: Decision | None
    fading: FadingDecision | None


def _lengths(papers: Papers) -> list[_LengthFading]:
    """Every length of stock with the decision on its fading that counts: the operator's before the program's."""
    if papers.frames is None or not len(papers.frames):
        return []
    mine = [
        entry.decision
        for entry in papers.treatment.in_force
        if entry.decision.subject == "fading" and entry.decision.value is not None
    ]
    out = []
    for length in lengths_of(papers.frames, backwards=loading_of(papers.treatment).backwards):
        inside = [each for each in mine if int(each.anchor.partition("@")[2] or -1) in length]
        inside = [each for each in inside if each.by != PROGRAM] or [
            each for each in inside if each.anchor == length.anchor
        ]
        decision = inside[-1] if inside else None
        fading = _fading_of(decision)
        out.append(_LengthFading(length=length, decision=decision, fading=fading))
    return out


def _fading_of(decision: Decision | None) -> FadingDecision | None:
    """The decision's value; None where it is none that this program knows."""
    if decision is None or decision.value is None:
        return None
    try:
        return structured(decision.value, FadingDecision, where="fading")
    except MaterialError:
        return None


def colour_facts(papers: Papers) -> tuple[ColourFact, ...]:
    """Each thing known or done about the colours, in words of the family, and how it is known."""
    if papers.rendered is None:
        return ()
    facts = [*_film_facts(papers), *_fading_facts(papers), *_rendering_facts(papers)]
    facts += [*_operator_facts(papers), *_dark_facts(papers)]
    return tuple(facts)


def _film_facts(papers: Papers) -> list[ColourFact]:
    """A negative, and black-and-white film."""
    facts = []
    printed = papers.treatment.anchored("inversion")
    if printed:
        told = any(
            each.by != PROGRAM or each.value.get("greys") or each.value.get("card") for each in printed
        )
        how = list_words([MEASURED, ESTIMATED, *([TOLD] if told else [])])
        facts.append(
            ColourFact(
                how=how,
                text="The film is a negative: light and dark, and all colours, are the other way round on it. The colour of its "
                "clear edge was measured; how strong the contrast of a print would be is what is usual"
                f"{', with the choices that were agreed' if told else ''}.",
            )
        )
    if papers.treatment.anchored("black_and_white"):
        facts.append(ColourFact(how=TOLD, text="The film is black and white."))
    return facts


def _fading_facts(papers: Papers) -> list[ColourFact]:
    """What is left of the dyes, gathered by what was done about it."""
    lengths = _lengths(papers)
    groups: dict[str, list[_LengthFading]] = {}
    for each in lengths:
        if each.decision is not None and each.fading is not None:
            groups.setdefault(_fading_state(each.decision, each.fading), []).append(each)
    facts = []
    for state in ("undone", "whole", "perhaps whole", "waits", "not told"):
        mine = groups.get(state, [])
        if not mine:
            continue
        hows = [
            source_words(source) for each in mine if each.fading is not None for source in each.fading.source
        ]
        usual = papers.capture.notes.stock_density is None and any(MEASURED in each for each in hows)
        if usual:
            hows.append(ESTIMATED)
        how = WAITS if state == "waits" else NOT_KNOWN if state == "not told" else _joined(hows)
        least = min(mine, key=lambda each: min(each.fading.left) if each.fading is not None else 1.0)
        value = Values(least.decision.value or {}) if least.decision is not None else Values({})
        text = fading_fact(state, value, len(mine), len(lengths))
        if usual and state == "undone":
            text += " How much dye is there was measured on the unexposed edge; how much there was when new is what is usual."
        facts.append(ColourFact(how=how, text=text))
    return facts


def _fading_state(decision: Decision, fading: FadingDecision) -> str:
    if decision.by == PROGRAM and decision.basis == NOT_TOLD:
        return "not told"
    if min(fading.left) >= WHOLE:
        return "perhaps whole" if decision.waits else "whole"
    if decision.waits:
        return "waits"
    return "undone"


def _joined(hows: Sequence[str]) -> str:
    """Ways in which something is known, each once, the surest first."""
    return list_words(
        [how for how in (MEASURED, TOLD, ESTIMATED, NOT_KNOWN) if any(how in each for each in hows)]
    )


def _rendering_facts(papers: Papers) -> list[ColourFact]:
    """Where white and black of the finished picture come from."""
    found = [each for each in papers.treatment.anchored("rendering") if each.value.get("of") != "negative"]
    if not found:
        return []
    if any(each.by != PROGRAM for each in found):
        return [ColourFact(how=TOLD, text="What counts as white and as black was chosen by our technician.")]
    whites = [_numbers(each.value.get("white")) for each in found]
    if not all(any(white) for white in whites):
        part = "for a part of the film " if any(any(white) for white in whites) else ""
        return [
            ColourFact(
                how=NOT_KNOWN,
                text=f"How clear the film is where it is clearest could not be seen; {part}white is the light of the scanner.",
            )
        ]
    usual = any(abs(min(white) - USUAL_BASE) < 1e-3 for white in whites)
    white = (
        "White is what is usual for clear film, because no picture shows it bare"
        if usual
        else "White is as clear as the film itself is where it is clearest"
    )
    return [
        ColourFact(
            how=f"{MEASURED} and {ESTIMATED}" if usual else MEASURED,
            text=f"{white}; black is as dark as the film's own darkest part. One setting holds for a whole length of film, so "
            "night stays night.",
        )
    ]


def _numbers(value: object) -> list[float]:
    return [float(each) for each in value if isinstance(each, int | float)] if isinstance(value, list) else []


def _operator_facts(papers: Papers) -> list[ColourFact]:
    """What the technician chose by eye."""
    chosen = [
        each
        for subject in ("primary", "selective")
        for each in papers.treatment.anchored(subject)
        if each.by != PROGRAM
    ]
    if not chosen:
        return []
    whole = any(each.kind == "reel" for each in chosen)
    places = {(each.kind, each.position) for each in chosen}
    where = "The film" if whole else count_words(len(places), "part") + " of the film"
    were = "was" if whole or len(places) == 1 else "were"
    return [
        ColourFact(
            how=TOLD, text=f"{where} {were} made lighter, darker or another shade by our technician, by eye."
        )
    ]


def _dark_facts(papers: Papers) -> list[ColourFact]:
    dark = waiting_lifts(papers)
    if not dark:
        return []
    was, it = ("is", "It was") if len(dark) == 1 else ("are", "They were")
    return [
        ColourFact(
            how=WAITS,
            text=f"{count_words(len(dark), 'scene')} {was} dark (scene {list_words(sorted(dark))}). {it} left dark, as filmed. "
            "How much lighter our technician could make them has been worked out; tell us if you would like to see it.",
        )
    ]


def waiting_lifts(papers: Papers) -> dict[int, float]:
    """Scene, counted from 1 -> printer-light points that are proposed for it and wait for the operator."""
    if papers.rendered is None:
        return {}
    scenes = dict(
        zip(papers.rendered["film_position"].tolist(), papers.rendered["scene"].tolist(), strict=True)
    )
    out = {}
    for entry in papers.treatment.in_force:
        decision = entry.decision
        kind, _, position = decision.anchor.partition("@")
        if decision.subject != "primary" or kind != "scene" or not decision.waits or decision.value is None:
            continue
        points = _numbers(decision.value.get("points"))
        scene = scenes.get(int(position))
        if scene is not None and any(points):
            out[scene + 1] = points[0]
    return out


def left_as_it_was(papers: Papers) -> tuple[str, ...]:
    """What was not done about colour, for the family."""
    texts = []
    if not colour_was_corrected(papers):
        evened = any(each.on for each in papers.summary.flicker) if papers.summary is not None else False
        what = "Colour was" if evened else "Colour and brightness were"
        texts.append(f"{what} not corrected: fading shows as the scanner saw it.")
    apart = "Apart from what our technician chose, colours" if _operator_facts(papers) else "Colours"
    texts.append(
        f"{apart} that the light gave (evening, stage light, a red room) were left as they were. No scene was matched to "
        "another, nothing was sharpened, no colour was made stronger than the film has it."
    )
    return tuple(texts)


def colour_was_corrected(papers: Papers) -> bool:
    """Whether any scene was made with more than its own white and black; by the decisions where no rendering tells it."""
    scales = papers.summary.grey_scales if papers.summary is not None else ()
    if scales:
        return any(_corrects(scale) for scale in scales)
    subjects = ("primary", "selective", "inversion", "fading")
    return any(papers.treatment.anchored(subject) for subject in subjects)


def _corrects(scale: GreyScale) -> bool:
    return any(step not in ("output", "mono") for step in scale.steps)


def length_table(papers: Papers) -> ReportTable | None:
    """Border, base and dyes of each length of stock, against what a new film would have; None where nothing tells."""
    rows: list[tuple[str, ...]] = []
    for each in _lengths(papers):
        length, decision, fading = each.length, each.decision, each.fading
        if decision is None or fading is None:
            continue
        done = {
            "undone": "undone",
            "whole": "nothing to undo",
            "perhaps whole": "left as it is",
            "waits": WAITS,
            "not told": "left as it is",
        }[_fading_state(decision, fading)]
        rows += _layer_rows(length, fading, done)
    if not rows:
        return None
    return ReportTable(
        title="Lengths of stock: border, base and dyes",
        head=("Length", "Film", "Dye", "Clear", "Unstained", "Border", "When new", "Left", "Known", "Fading"),
        rows=tuple(rows[: 3 * MOST_ROWS]),
        note="Density in the channel that the dye holds back (cyan: red, magenta: green, yellow: blue), light that strays taken "
        "off. Clear film and unexposed border are measured; what they would be without stain and fading (unstained, when new) "
        "is worked out with the dyes of a usual stock: estimated. Left: share of the dye in per cent, ± one standard error."
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
        for each in _lengths(papers)
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
        if _corrects(scale):
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
