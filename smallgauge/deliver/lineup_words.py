"""Sentences of a machine's line-up: go or no-go, why in plain words, and what to do."""

from smallgauge.deliver.phrases import count_words, gauge_words, number_words
from smallgauge.record.lineups import MachineLineUp

# By subject: what is wrong, and what to do about it.
NO_GO_WORDS: dict[str, tuple[str, str]] = {
    "tilt": ("The film lies turned against the sensor", "Turn the camera or the gate until it is straight"),
    "scale": (
        "The scale is not what it should be",
        "Move the camera nearer or further until a pixel shows at most 20 micrometres, and square pixels",
    ),
    "focus": ("The perforation's edges are soft", "Set the focus on the emulsion, and look for a dirty lens"),
    "focus of the sides": (
        "One side is softer than the other",
        "The film does not lie flat, or not square to the lens: look at the gate's pressure and the camera's mount",
    ),
    "light level": (
        "There is too little light",
        "Open the lamp or the exposure until the open perforation reads 0.80 to 0.97",
    ),
    "light field": (
        "The light falls unevenly",
        "Centre the lamp and clean its diffuser, or give a picture of the open gate",
    ),
    "clipping": (
        "Parts of the picture stand at an end of the scale",
        "Expose less (highest code) or more (lowest code)",
    ),
    "sensor": (
        "Spots stand still while the film runs",
        "Clean gate glass, lens and sensor as their makers say; spots that stay are pixels of the sensor",
    ),
    "perforations": (
        "The perforations are not wholly in view",
        "Move or widen the view until one whole perforation stands in every frame, with room around it",
    ),
    "picture": (
        "The picture is cut by the edge of the view",
        "Move or widen the view: from 1.3 perforation steps along the film",
    ),
    "weave": ("The film wanders from frame to frame", "Look at guides, gate and claw or capstan"),
    "head distance": (
        "The sound head does not lie where it is kept to lie",
        "Measure the distance again; if the head was moved, write the new one into machines.toml",
    ),
}


def line_up_check_words(paper: MachineLineUp, before: MachineLineUp | None = None) -> tuple[str, ...]:
    """Go or no-go in one line, each reason with its figures and what to do, and all figures with the last time's.

    Examples
    --------
    >>> from smallgauge.record.capture import LineUpFigure
    >>> from smallgauge.record.lineups import NoGo
    >>> paper = MachineLineUp(
    ...     machine="bench two", gauge="super-8", at="2026-01-17T10:00:00Z", by="mk", capture="leader", frames=50, width_px=1440,
    ...     height_px=1080, go=False, no_go=(NoGo(subject="tilt", figures=("film tilt",)),),
    ...     figures=(LineUpFigure(name="film tilt", value=1.4, unit="degrees", word="bad"),))
    >>> for line in line_up_check_words(paper): print(line)
    NO-GO: bench two, Super 8, lined up 2026-01-17 by mk on 50 frames.
    - The film lies turned against the sensor (film tilt 1.4 degrees). Turn the camera or the gate until it is straight.
    film tilt: 1.4 degrees, bad
    """
    values = {each.name: each for each in paper.figures}
    head = (
        f"{'GO' if paper.go else 'NO-GO'}: {paper.machine}, {gauge_words(paper.gauge)}, lined up {paper.at[:10]} by {paper.by} on "
        f"{count_words(paper.frames, 'frame')}."
    )
    lines = [head]
    for reason in paper.no_go:
        wrong, do = NO_GO_WORDS[reason.subject]
        shown = ", ".join(
            f"{name} {_value(values[name].value, values[name].unit)}"
            for name in reason.figures
            if name in values
        )
        lines.append(f"- {wrong}{f' ({shown})' if shown else ''}. {do}.")
    last = {each.name: each.value for each in before.figures} if before is not None else {}
    day = before.at[:10] if before is not None else ""
    for each in paper.figures:
        then = f" ({day}: {_value(last[each.name], each.unit)})" if each.name in last else ""
        lines.append(f"{each.name}: {_value(each.value, each.unit)}, {each.word}{then}")
    return tuple(lines)


def _value(value: float, unit: str) -> str:
    return f"{number_words(value, decimals=3)}{'' if unit in ('', '1') else f' {unit}'}"
