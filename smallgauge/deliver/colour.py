"""Colour in the report: pairs of pictures and facts for the family, tables and plots for the technician.

colour_pairs     papers -> pictures as the film is today beside the same as it was corrected, most changed scenes first
colour_facts     papers -> each thing known or done about the colours, and how it is known
left_as_it_was   papers -> what was not done about colour
fading_lengths   papers -> each length of stock, and the decision on its fading that counts
waiting_lifts    papers -> printer points that are proposed for dark scenes and wait
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from smallgauge.deliver.colour_words import (
    ESTIMATED,
    MEASURED,
    NOT_KNOWN,
    TOLD,
    WAITS,
    fading_fact,
    source_words,
)
from smallgauge.deliver.fading_words import WHOLE
from smallgauge.deliver.papers import Papers, still_places
from smallgauge.deliver.phrases import Values, count_words, list_words
from smallgauge.deliver.pictures import read_picture
from smallgauge.errors import MaterialError
from smallgauge.picture.dyefade import FadingDecision
from smallgauge.picture.rendering import USUAL_BASE
from smallgauge.record.files import structured
from smallgauge.record.lengths import Length, lengths_of
from smallgauge.record.loading import loading_of
from smallgauge.record.recipe import STILLS
from smallgauge.record.toldcolour import GreyScale
from smallgauge.record.treatment import NOT_TOLD, PROGRAM, Decision, InForce

MOST_PAIRS = 3  # for the family; those whose colour changed most


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
        small = [read_picture(path, eighth=True).astype(float) for path in (before, place.path)]
        if small[0].shape != small[1].shape:
            continue
        scene = f"scene {place.scene}"
        pair = Pair(
            before=before,
            after=place.path,
            caption=papers.scene_title(place.scene),
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
class LengthFading:
    """A length of one stock, and what stands in the log on its fading; None where nothing does."""

    length: Length
    decision: Decision | None
    fading: FadingDecision | None


def fading_lengths(papers: Papers) -> list[LengthFading]:
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
        out.append(LengthFading(length=length, decision=decision, fading=fading))
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
    printed = [
        entry
        for entry in papers.treatment.in_force
        if entry.decision.subject == "inversion"
        and entry.decision.value is not None
        and not entry.decision.waits
    ]
    if printed:
        told = any(entry.decision.by != PROGRAM for entry in printed)
        measured = all(base_measured(entry) for entry in printed)
        edge = "was measured" if measured else "was stated by our technician"
        agreed = ", with the choices that were agreed" if told else ""
        facts.append(
            ColourFact(
                how=list_words([*([MEASURED] if measured else []), ESTIMATED, *([TOLD] if told else [])]),
                text="The film is a negative: light and dark, and all colours, are the other way round on it. The colour of its "
                f"clear edge {edge}; how strong the contrast of a print would be is what is usual{agreed}.",
            )
        )
    silver = papers.treatment.anchored("black_and_white")
    if silver:
        neutral = any(each.value.get("look") == "neutral" for each in silver)
        own = "left out" if neutral else "kept"
        facts.append(
            ColourFact(
                how=TOLD, text=f"The film is black and white; a warm or cold colour of its own was {own}."
            )
        )
    return facts


def base_measured(entry: InForce) -> bool:
    """Whether a negative's base is the one that was measured: the program's, or the same beside the operator's choices."""
    if entry.decision.by == PROGRAM:
        return True
    if entry.proposal is None or entry.proposal.value is None:
        return False
    return entry.proposal.value.get("base") == (entry.decision.value or {}).get("base")


def _fading_facts(papers: Papers) -> list[ColourFact]:
    """What is left of the dyes, gathered by what was done about it."""
    lengths = fading_lengths(papers)
    groups: dict[str, list[LengthFading]] = {}
    for each in lengths:
        if each.decision is not None and each.fading is not None:
            groups.setdefault(fading_state(each.decision, each.fading), []).append(each)
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


def fading_state(decision: Decision, fading: FadingDecision) -> str:
    """What is done about the fading of a length: undone, whole, perhaps whole, waits or not told."""
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
    if any(each.kind == "reel" for each in chosen):
        where, were = "The film", "was"
    else:
        at = _scenes_at(papers)
        numbers = sorted(
            {at[each.position] + 1 for each in chosen if each.kind == "scene" and each.position in at}
        )
        parts = len({each.position for each in chosen if each.kind == "length"})
        named = [f"scene{'' if len(numbers) == 1 else 's'} {list_words(numbers)}"] if numbers else []
        named += [f"{count_words(parts, 'length')} of film"] if parts else []
        where = list_words(named) or "a part of the film"
        where = where[:1].upper() + where[1:]
        were = "was" if len(numbers) + parts <= 1 else "were"
    text = f"{where} {were} made lighter, darker or another shade by our technician, by eye."
    return [ColourFact(how=TOLD, text=text)]


def _scenes_at(papers: Papers) -> dict[int, int]:
    """Film position -> scene, from 0, of the finished film."""
    if papers.rendered is None:
        return {}
    return dict(
        zip(papers.rendered["film_position"].tolist(), papers.rendered["scene"].tolist(), strict=True)
    )


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
    scenes = _scenes_at(papers)
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
        what = "colour was" if evened else "colour and brightness were"
        placed = papers.summary is not None and any(
            "output" in each.steps for each in papers.summary.grey_scales
        )
        apart = f"Apart from white and black, {what}" if placed else f"{what[:1].upper()}{what[1:]}"
        texts.append(f"{apart} not corrected: fading, if there is any, shows as the scanner saw it.")
    apart = "Apart from what our technician chose, colours" if _operator_facts(papers) else "Colours"
    texts.append(
        f"{apart} that the light gave (evening, stage light, a red room) were left as they were. No scene was matched to "
        "another, nothing was sharpened, no colour was made stronger for effect."
    )
    return tuple(texts)


def colour_was_corrected(papers: Papers) -> bool:
    """Whether any scene was made with more than its own white and black; by the decisions where no rendering tells it."""
    scales = papers.summary.grey_scales if papers.summary is not None else ()
    if scales:
        return any(corrects(scale) for scale in scales)
    subjects = ("primary", "selective", "inversion", "fading")
    return any(papers.treatment.anchored(subject) for subject in subjects)


def corrects(scale: GreyScale) -> bool:
    """Whether the look of a grey scale does more than place white and black."""
    return any(step not in ("output", "mono") for step in scale.steps)
