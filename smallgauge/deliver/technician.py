"""The technician's part of a report that is drawn or gathered: capture and result at a glance, plots along the reel.

capture_rows   papers -> what was captured and what came of it, in rows
reel_plots     papers -> place, light and sharpness of each frame along the reel
witness_table  papers -> what other people's programs said of the files, None where none was called
"""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.deliver.copy_words import CODING_NAMES
from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words, gauge_words, list_words, moment_words, number_words
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.proof_words import witness_row
from smallgauge.deliver.sound_words import repairs_words
from smallgauge.media.copy_out import CODERS
from smallgauge.picture.perforations import PerforationSurvey
from smallgauge.record.capture import Capture
from smallgauge.record.evidence import scale_um
from smallgauge.record.files import to_plain
from smallgauge.record.notes import WITH_PICTURE
from smallgauge.record.rendertable import RenderSummary, SoundSummary

Rows = list[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A plot along the reel, as SVG, with its heading and what it shows."""

    title: str
    svg: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportTable:
    """A table of the technician's part: heading, columns, rows (of figures, or of words that wrap), and what there is to say."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str
    figures: bool = True


def capture_rows(papers: Papers) -> tuple[tuple[str, str], ...]:
    """The capture and what came of it, as a technician wants it at a glance."""
    capture = papers.capture
    rows = _captured(capture)
    if papers.summary:
        rows += _made(papers.summary)
    if capture.survey is not None:
        rows.append(("Survey", _survey_words(capture.survey)))
    rows.append(("Capture digest", capture.digest or "not complete"))
    decided = f", decided up to {moment_words(papers.decided_at)}" if papers.decided_at else ""
    rows.append(("Treatment", f"revision {papers.treatment.revision}{decided}"))
    return tuple(rows)


def witness_table(papers: Papers) -> ReportTable | None:
    """Every witness with its version, what it was asked, and what it said; one that is not there was not asked."""
    answers = papers.proof.witnesses if papers.proof is not None else ()
    if not answers:
        return None
    asked = len({answer.witness.partition(",")[0] for answer in answers if answer.version})
    return ReportTable(
        title="Other people's programs",
        head=("Program", "Asked", "File", "Answer", "Its words"),
        rows=tuple(witness_row(answer) for answer in answers),
        figures=False,
        note=(
            f"{count_words(asked, 'program was', 'programs were')} asked. One that is not installed was not asked, and "
            "nothing is claimed by its name."
        ),
    )


def _captured(capture: Capture) -> Rows:
    encoding, light = capture.encoding, capture.light
    kind = f"{encoding.bits} bits, {encoding.layout}{', lossy' if encoding.lossy else ''}"
    curve = f" ({light.gamma_curve})" if light.gamma_curve else ""
    sure = "sure" if capture.gauge_sure else "not sure"
    frames = count_words(capture.count, "frame")
    rows = [
        ("Capture", f"{capture.name}: {frames}, {capture.format}, {capture.kind}"),
        ("Picture", f"{capture.width} x {capture.height} pixels, {kind}"),
        ("Code values", f"{light.code_values}{curve}, {'assumed' if light.assumed else 'as stated'}"),
        ("Gauge", f"{gauge_words(capture.gauge)}, {sure}: {capture.gauge_reason}"),
        ("Scale", _capture_scale(capture)),
        ("Held still by", capture.position_from),
    ]
    if capture.sound:
        sound = capture.sound
        channels = count_words(sound.channels, "channel")
        size = f"{sound.rate:,} Hz, {channels}, {sound.bits} bits, {sound.samples:,} samples"
        rows.append(("Sound", f"{sound.name}: {size}"))
    if capture.guide:
        guide = capture.guide
        size = f"{guide.rate:,} Hz, {count_words(guide.channels, 'channel')}, {guide.samples:,} samples"
        rows.append(("Guide", f"{guide.name}: {size}"))
    return rows


def _made(made: RenderSummary) -> Rows:
    size = f"{made.width} x {made.height} pixels, {made.bits} bits"
    rows = [("Finished film", f"{made.frames:,} frames, {size}, {_rate_exact(made.rate)}")]
    if made.left_out:
        rows.append(("Left out", f"film positions {list_words(made.left_out)}: not captured"))
    if made.repeated:
        where = f"film positions {list_words(made.repeated)}"
        rows.append(("Repeated", f"{where}: not captured, the frame before stands in"))
    for copy in made.copies:
        size = f"{copy.frames:,} frames, {copy.width} x {copy.height} pixels"
        told = ""
        if copy.synthetic or copy.refused:
            told = f"; {copy.synthetic:,} synthetic frames, {copy.refused:,} repeats where no motion could be trusted"
        coded = CODERS[copy.coding]
        told += f"; time code from {copy.time_code}" if copy.time_code else ""
        how = f"{CODING_NAMES[coded.codec]} {coded.profile}, {coded.bits} bits"
        rows.append(("Copy", f"{copy.file}: {size}, {_rate_exact(copy.rate)}, {how}{told}"))
    if made.sound:
        rows.append(("Finished sound", f"{made.sound.rate:,} Hz, {_laid_words(made.sound)}"))
        rows.append(("Repairs of the sound", repairs_words(_repairs(made.sound)) or "none"))
        rows.append(("Loudness", _loudness(made.sound)))
    return rows


def _repairs(sound: SoundSummary) -> dict[str, object]:
    done = sound.repairs
    return {**to_plain(done), "equalised": done.equalised == done.equalised}


def _loudness(sound: SoundSummary) -> str:
    """What was measured of the finished sound, and the gain of the viewing copies."""
    heard, gain = sound.loudness, sound.viewing
    readings = (
        ("", heard.integrated_lufs, "LUFS"),
        ("range ", heard.range_lu, "LU"),
        ("at most ", heard.short_term_max_lufs, "LUFS in 3 s"),
        ("", heard.momentary_max_lufs, "LUFS in 0.4 s"),
        ("true peak ", heard.true_peak_dbtp, "dBTP"),
        ("quietest passages ", heard.noise_floor_lufs, "LUFS"),
    )
    told = [f"{before}{number_words(x, decimals=1)} {unit}" for before, x, unit in readings if x == x]
    copies = f"viewing copies {number_words(gain.gain_db)} dB ({gain.limit})"
    return "; ".join([*told, copies]) if told else f"not measured; {copies}"


def _laid_words(sound: SoundSummary) -> str:
    """How the sound was laid to the picture."""
    if sound.run == WITH_PICTURE:
        return f"moved by {number_words(sound.shift_frames, decimals=3)} frames"
    guide = sound.guide
    if guide is not None and guide.used:
        marks = f" and {count_words(len(sound.fixes), 'mark')}" if sound.fixes else ""
        band = number_words(1000 * sound.band_s, decimals=0)
        return f"{sound.run}: laid by {count_words(guide.windows, 'window')} of its guide{marks}, stated error up to {band} ms"
    if not sound.fixes:
        return f"{sound.run}: laid by nothing"
    band = number_words(1000 * sound.band_s, decimals=0)
    return (
        f"{sound.run}: laid by {count_words(len(sound.fixes), 'fix', 'fixes')}, stated error up to {band} ms"
    )


def _survey_words(survey: PerforationSurvey) -> str:
    """Every number of the survey, under its own name."""
    told = [
        f"{key} {number_words(float(value), decimals=3)}"
        for key, value in to_plain(survey).items()
        if isinstance(value, int | float) and not isinstance(value, bool)
    ]
    return "; ".join(told)


def _rate_exact(rate: Fraction) -> str:
    return f"{rate} frames a second"


def reel_plots(papers: Papers) -> tuple[Plot, ...]:
    """Place of each frame, light of the lamp and sharpness along the reel, over shaded scenes."""
    table = papers.frames
    if table is None or not len(table):
        return ()
    scenes = table["scene"]
    x, y = table["perforation_x_px"], table["perforation_y_px"]
    across, along, unit, note = _scale(papers)
    plots = []

    def add(title: str, lines: list[Line], unit: str, note: str, least_span: float = 0.0) -> None:
        svg = draw_along_reel(
            lines, title=f"{title} of each captured frame", unit=unit, scenes=scenes, least_span=least_span
        )
        if svg:
            plots.append(Plot(title=title, svg=svg, note=note))

    add(
        "Place across the film",
        [Line(name="across", values=_from_middle(x) * across)],
        unit,
        f"Distance from the middle place{note}.",
        across,
    )
    add(
        "Place along the film",
        [Line(name="along", values=_from_middle(y) * along)],
        unit,
        f"Distance from the middle place{note}.",
        along,
    )
    add(
        "Light of the lamp",
        [Line(name="light", values=table["light"])],
        "",
        "Light through the open perforation; 1 is the open gate.",
        0.02,
    )
    add(
        "Sharpness",
        [Line(name="sharpness", values=table["sharpness"])],
        "",
        "By the picture itself, so it changes with what is shown.",
        0.0,
    )
    return tuple(plots)


def _from_middle(values: NDArray[np.float64]) -> NDArray[np.float64]:
    finite = values[np.isfinite(values)]
    return values - (np.median(finite) if finite.size else 0.0)


def _capture_scale(capture: Capture) -> str:
    scale = capture.scale
    if scale is None:
        return "not known"
    told = [
        f"{number_words(value, decimals=4)} {way}"
        for value, way in ((scale.along_um, "along"), (scale.across_um, "across"))
        if value is not None
    ]
    return f"micrometres a pixel: {list_words(told)}; {scale.words}"


def scale_words(papers: Papers) -> str:
    """Where micrometres come from."""
    _, _, unit, note = _scale(papers)
    return f"{'Micrometres' if unit != 'px' else 'Lengths'}{note.replace(', scale', ': scale')}."


def _scale(papers: Papers) -> tuple[float, float, str, str]:
    """Micrometres a pixel across and along the film, the unit of the plots, and what to say of the scale."""
    survey = papers.capture.survey
    along, across = scale_um(papers.capture)
    if along and across:
        kept = papers.capture.scale.machine if papers.capture.scale is not None else ""
        return across, along, "µm", f", scale of {kept}" if kept else ", scale as stated"
    if survey is not None and survey.across_px_per_mm > 0 and survey.along_px_per_mm > 0:
        return (
            1000 / survey.across_px_per_mm,
            1000 / survey.along_px_per_mm,
            "µm",
            ", scale from the perforation's nominal size",
        )
    return 1.0, 1.0, "px", ", scale not known"
