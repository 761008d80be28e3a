"""What a report says, as plain text and numbers: the same content goes into the page and the PDF.

report_content   papers -> ReportContent

The family's part comes first and uses no word of the trade without need; the technician's part holds every
decision, check, finding and digest. Nothing is said that does not stand in the papers: a check that was not
made is said not to have been made.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from smallgauge.deliver.answer_words import changed_decisions, changes_words, remark_words
from smallgauge.deliver.colour import (
    ColourFact,
    Pair,
    colour_facts,
    colour_pairs,
    left_as_it_was,
    pairs_words,
)
from smallgauge.deliver.colour_tables import colour_plots, length_table, scene_table
from smallgauge.deliver.colour_words import HOW_KNOWN
from smallgauge.deliver.dirt import dirt_sentence, dirt_table
from smallgauge.deliver.filerows import FileRow, file_rows
from smallgauge.deliver.filmrows import account_rows, damage_rows, film_facts
from smallgauge.deliver.flicker import flicker_plots, flicker_sentence, flicker_table
from smallgauge.deliver.frame_files import with_files
from smallgauge.deliver.frame_notes import note_sentences
from smallgauge.deliver.grain import grain_sentence, grain_table
from smallgauge.deliver.hairs import hair_table
from smallgauge.deliver.kept import kept_words
from smallgauge.deliver.papers import Papers, asked_photographs, still_places
from smallgauge.deliver.phrases import (
    count_words,
    gauge_words,
    length_words,
    moment_words,
    rate_words,
    running_words,
)
from smallgauge.deliver.scratches import scratch_table
from smallgauge.deliver.shrinkage import shrinkage_plots, shrinkage_row, shrinkage_table
from smallgauge.deliver.sound_words import sound_left_words
from smallgauge.deliver.soundtable import sound_plots, sound_table
from smallgauge.deliver.steadiness import (
    steadiness_figures,
    steadiness_plots,
    steadiness_sentence,
    steadiness_table,
)
from smallgauge.deliver.still_words import still_caption
from smallgauge.deliver.technician import Plot, ReportTable, capture_rows, reel_plots, witness_table
from smallgauge.deliver.watching import verdict_rows, watching_sentences
from smallgauge.deliver.words import (
    check_sentence,
    client_decision,
    client_sentence,
    decision_sentence,
    flag_sentence,
    line_up_value,
    sentence,
)
from smallgauge.gauge.rates import running_time_text
from smallgauge.record.deliveries import CHANGES, Changes
from smallgauge.record.files import read_json
from smallgauge.record.finding import Check
from smallgauge.record.keptstills import FUSED_JPEG
from smallgauge.record.remarks import read_remarks
from smallgauge.record.treatment import PROGRAM

MOST_PICTURES = 9  # in the family's part; all of them are in the package
# Findings that say how sure something is; what a family hears of the others is "missing or damaged".
UNSURE = frozenset(
    [
        "camera speed house value",
        "camera speed from hum",
        "gauge not sure",
        "registration weak",
        "perforations not in view",
        "sync not set",
        "start set, drift not known",
        "sound band wide",
        "guide lays nothing",
        "guide not followed",
        "sound jumps on its guide",
        "time base guessed",
    ]
)
_WEIGHT_WORDS = {"failure": "Must be put right", "finding": "Look at this", "note": "For the record"}
_GLOSSARY = (
    (
        "Picture, frame",
        "One of the small photographs on the film. Shown quickly one after the other they move.",
    ),
    ("Gauge", "The kind of film, by its width and its holes: standard 8, Super 8, 9.5 or 16 mm."),
    ("Perforations", "The holes along the edge by which camera and projector moved the film."),
    ("Scan", "The photographs that the scanner made of the film, perforations and edge included."),
    (
        "Untouched copy of the scan",
        "The scan exactly as the scanner delivered it. New films can always be made from it.",
    ),
    ("Framing", "Which part of the scan is shown."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """A picture of the family's part: its file, a caption, and what a screen reader says."""

    path: Path
    caption: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRow:
    """A finding as the technician reads it."""

    weight: str
    where: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContent:
    """Everything a report says. Text is plain; a template decides how it looks."""

    title: str
    number: str
    standing: str  # one line: checked and right, something open, or not checked
    good: bool
    summary: tuple[str, ...]
    open_points: tuple[str, ...]
    came_in: tuple[tuple[str, str], ...]
    stills: tuple[Still, ...]
    pairs: tuple[Pair, ...]
    pairs_words: str
    colours: tuple[ColourFact, ...]
    how_known: str
    done: tuple[str, ...]
    not_done: tuple[str, ...]
    changed: tuple[str, ...]
    notes: tuple[str, ...]
    remarks: tuple[str, ...]
    unsure: tuple[str, ...]
    lacking: tuple[str, ...]
    files: tuple[FileRow, ...]
    keeping: tuple[str, ...]
    glossary: tuple[tuple[str, str], ...]
    capture: tuple[tuple[str, str], ...]
    film: tuple[tuple[str, str], ...]
    account: tuple[tuple[str, str, str, str], ...]
    damage: tuple[tuple[str, str, str, str], ...]
    decisions: tuple[str, ...]
    checks: tuple[tuple[bool, str], ...]
    findings: tuple[FindingRow, ...]
    flags: tuple[tuple[str, str, str], ...]
    line_up: tuple[tuple[str, str, str], ...]
    tables: tuple[ReportTable, ...]
    plots: tuple[Plot, ...]
    colour_plots: tuple[Plot, ...]
    digests: tuple[tuple[str, str, str], ...]
    program: str
    decided_at: str  # in words
    decided_on: tuple[int, int, int] | None  # year, month, day of the latest decision


def report_content(papers: Papers) -> ReportContent:
    """Everything that a report says of a reel.

    Parameters
    ----------
    papers : Papers
        As `read_papers` gives them.

    Returns
    -------
    ReportContent
    """
    proof, names = papers.proof, papers.frame_files
    open_points = _client_texts(papers, lambda code, weight: weight == "failure")
    pairs, in_all = colour_pairs(papers)
    good = proof is not None and proof.good and not any(f.weight == "failure" for f in papers.findings)
    return ReportContent(
        title=papers.title,
        number=papers.reel.number,
        standing=_standing(papers, good),
        good=good,
        summary=_summary(papers),
        open_points=open_points,
        came_in=_came_in(papers),
        stills=_stills(papers),
        pairs=pairs,
        pairs_words=pairs_words(len(pairs), in_all),
        colours=colour_facts(papers),
        how_known=HOW_KNOWN,
        done=_done(papers),
        not_done=_not_done(papers),
        changed=_changed(papers),
        notes=note_sentences(papers),
        remarks=tuple(remark_words(each) for each in read_remarks(papers.folder).remarks),
        unsure=_unsure(papers),
        lacking=_lacking(papers),
        files=file_rows(papers),
        keeping=((kept, *_KEEPING) if (kept := kept_words(papers)) else _KEEPING),
        glossary=_GLOSSARY,
        capture=(*capture_rows(papers), *verdict_rows(papers)),
        film=film_facts(papers),
        account=account_rows(papers),
        damage=damage_rows(papers),
        decisions=tuple(with_files(decision_sentence(entry), names) for entry in papers.treatment.in_force),
        checks=tuple((check.good, check_sentence(check)) for check in (proof.checks if proof else ())),
        findings=tuple(
            FindingRow(
                weight=_WEIGHT_WORDS[finding.weight],
                where=finding.where,
                text=with_files(sentence(finding), names),
            )
            for finding in papers.findings
        ),
        flags=tuple((name, f"{count:,}", flag_sentence(name)) for name, count in papers.flag_counts),
        line_up=tuple(
            (figure.name, line_up_value(figure.value, figure.unit), figure.word)
            for figure in papers.capture.line_up
        ),
        tables=_tables(papers),
        plots=(
            *reel_plots(papers),
            *shrinkage_plots(papers),
            *steadiness_plots(papers),
            *flicker_plots(papers),
            *sound_plots(papers),
        ),
        colour_plots=colour_plots(papers),
        digests=tuple((file.name, f"{file.bytes:,}", file.sha256) for file in (proof.files if proof else ())),
        program=papers.capture.program,
        decided_at=moment_words(papers.decided_at),
        decided_on=_day(papers.decided_at),
    )


def _tables(papers: Papers) -> tuple[ReportTable, ...]:
    """The tables of the technician's part, those that have anything to tell."""
    told = (
        shrinkage_table(papers), steadiness_table(papers), length_table(papers), scene_table(papers), flicker_table(papers),
        dirt_table(papers), scratch_table(papers), hair_table(papers), grain_table(papers), sound_table(papers),
        witness_table(papers),
    )  # fmt: skip
    return tuple(table for table in told if table is not None)


def _day(at: str) -> tuple[int, int, int] | None:
    try:
        moment = datetime.fromisoformat(at.replace("Z", "+00:00"))
    except ValueError:
        return None
    return moment.year, moment.month, moment.day


def _standing(papers: Papers, good: bool) -> str:
    if papers.proof is None:
        return "The files have not been checked yet."
    if good:
        made = sum(check.made for check in papers.proof.checks)
        return f"Checked and found right: {made:,} comparisons." if made else "No check was made."
    return "Something is still open. Please read on."


def _client_texts(papers: Papers, wanted: Callable[[str, str], bool]) -> tuple[str, ...]:
    """The client's sentences of some findings, each once, with how often it was met."""
    texts = Counter(
        text for f in papers.findings if wanted(f.code, f.weight) and (text := client_sentence(f)) is not None
    )
    return tuple(
        text if count == 1 else f"{text} (This was met {count} times.)" for text, count in texts.items()
    )


def _summary(papers: Papers) -> tuple[str, ...]:
    frames = papers.film_frames
    gauge = papers.gauge
    length = f", which is {length_words(gauge, frames)} of film" if gauge else ""
    text = f"This reel of {gauge_words(papers.capture.gauge)} holds {count_words(frames, 'picture')}{length}."
    shown = papers.finished_frames
    if shown is not None and papers.rate is not None and papers.running is not None:
        sound = "with sound" if papers.capture.sound else "without sound"
        text += f" At {rate_words(papers.rate)} pictures a second it runs for {running_words(*papers.running)}, {sound}."
    paragraphs = [text]
    if any(_proves_archive(check) for check in (papers.proof.checks if papers.proof else ())):
        paragraphs.append(
            "The untouched copy of the scan was compared with what the scanner delivered and is equal to it, picture for picture."
        )
    return tuple(paragraphs)


def _proves_archive(check: Check) -> bool:
    return check.good and check.name in ("archive frames equal capture", "archive files equal capture")


def _came_in(papers: Papers) -> tuple[tuple[str, str], ...]:
    gauge, frames = papers.gauge, papers.film_frames
    rows = [
        ("Reel number", papers.reel.number),
        ("Written on the box", papers.reel.box_words.strip() or "nothing noted"),
    ]
    rows.append(
        (
            "Kind of film",
            gauge_words(papers.capture.gauge)
            + {
                "negative": ", negative",
                "black-and-white": ", black and white",
                "black-and-white negative": ", black-and-white negative",
            }.get(papers.capture.notes.film or "", ""),
        )
    )
    if gauge:
        rows.append(("Length", length_words(gauge, frames)))
    rows.append(("Pictures", f"{frames:,}"))
    if papers.rate is not None and papers.running is not None:
        rows.append(
            (
                "Running time",
                f"{running_words(*papers.running)}, at {rate_words(papers.rate)} pictures a second",
            )
        )
    if papers.scenes:
        rows.append(("Scenes", f"{papers.scenes:,}"))
    shrunk = shrinkage_row(papers)
    if shrunk is not None:
        rows.append(shrunk)
    rows.append(("Sound", "yes" if papers.capture.sound else "none in the scan"))
    return tuple(rows)


def _scene_words(papers: Papers, number: int) -> str:
    """A scene inside a sentence: its number and, where it has one, its name."""
    title = papers.scene_title(number)
    return f"scene {number}" if title == f"Scene {number}" else f"scene {number}, {title},"


def _stills(papers: Papers) -> tuple[Still, ...]:
    asked = [
        each
        for each in asked_photographs(papers.folder)[:MOST_PICTURES]
        if (papers.folder / f"{each.name}{FUSED_JPEG}").is_file()
    ]
    out = [
        Still(
            path=papers.folder / f"{each.name}{FUSED_JPEG}",
            caption=f"{still_caption(each)} (photograph, film frame {each.film_position})",
            alt=f"A photograph from {_scene_words(papers, each.scene)} of the film",
        )
        for each in asked
    ]
    taken = {each.film_position for each in asked}
    places = still_places(papers.folder)
    places = tuple(each for each in places if papers.film_position(each.finished_frame) not in taken)
    if len(places) > MOST_PICTURES:
        chosen = np.linspace(0, len(places) - 1, MOST_PICTURES).round().astype(int)
        places = tuple(places[int(n)] for n in chosen)
    rate = papers.rate
    for place in places:
        at = (
            f" at {running_time_text(place.finished_frame, rate)}"
            if rate
            else f", picture {place.finished_frame:,}"
        )
        out.append(
            Still(
                path=place.path,
                caption=f"{papers.scene_title(place.scene)},{at}",
                alt=f"A picture from {_scene_words(papers, place.scene)} of the film",
            )
        )
    return tuple(out)


def _done(papers: Papers) -> tuple[str, ...]:
    """What the decisions in force mean, as far as a finished film carries them out."""
    if papers.rendered is None:
        return ("The film was scanned and measured; no finished film has been made yet.",)
    texts = ["Every picture of the film was scanned with its perforations and edge, and kept untouched."]
    said = {
        entry.decision.subject: client_decision(entry)
        for entry in papers.treatment.in_force
        if entry.decision.anchor == "reel"
    }
    texts += [
        text
        for subject in (
            *("loading", "registration", "framing", "camera_speed", "sync", "doubles"),
            *("inversion", "black_and_white", "sign_off"),
        )
        if (text := said.get(subject))
    ]
    steady = steadiness_sentence(papers)
    if steady is not None:
        texts.insert(1 + sum(bool(said.get(subject)) for subject in ("loading", "registration")), steady)
    flicker = flicker_sentence(papers)
    if flicker is not None:
        texts.append(flicker)
    texts += [text for text in (dirt_sentence(papers), grain_sentence(papers)) if text is not None]
    scenes = len(papers.treatment.scene_values("camera_speed"))
    if scenes:
        texts.append(
            f"{count_words(scenes, 'scene')} of the film to watch {'runs' if scenes == 1 else 'run'} at a speed of "
            f"{'its' if scenes == 1 else 'their'} own."
        )
    return (*texts, *watching_sentences(papers))


def _not_done(papers: Papers) -> tuple[str, ...]:
    """What the papers know no decision for, and so was not done."""
    texts = ["None of this work touches the film itself. It was done on the pictures of the scan."]
    if papers.rendered is None:
        return tuple(texts)
    retouched = papers.retouched_frames
    lines = (
        papers.summary is not None and papers.summary.dirt is not None and papers.summary.dirt.lines_repaired
    )
    if retouched:
        texts.append(
            f"Retouching was kept to {count_words(retouched, 'picture')}, and there to specks that lie on one picture only"
            f"{' and to scratches along the film; ' if lines else '; scratches, '}"
            "hairs in the camera's or the scanner's opening, and whatever was in doubt stay as they are."
        )
    else:
        texts.append("Dust, hairs and scratches were not retouched: you see them as they are on the film.")
    texts += left_as_it_was(papers)
    if papers.capture.sound:
        texts.append(sound_left_words(papers.summary.sound if papers.summary is not None else None))
    return tuple(texts)


def _changed(papers: Papers) -> tuple[str, ...]:
    """What this delivery has otherwise than the one before; nothing for a first one."""
    path = papers.folder / CHANGES
    if not path.is_file():
        return ()
    changes = read_json(path, Changes)
    decided = (client_decision(entry) for entry in changed_decisions(changes, papers.treatment.in_force))
    return changes_words(changes, tuple(text for text in decided if text))


def _unsure(papers: Papers) -> tuple[str, ...]:
    texts = list(_client_texts(papers, lambda code, weight: code in UNSURE))
    if steadiness_figures(papers) and steadiness_sentence(papers) is None:
        texts.append("How still the picture stands could not be measured. Look at it.")
    speed = papers.treatment.find("camera_speed")
    if speed is None or speed.decision.value is None:
        texts.append("The speed of the film has not been decided yet.")
    elif speed.decision.by != PROGRAM:
        texts.append(
            "The speed was chosen by our technician. If people seem to walk too fast or too slowly, tell us: it can be changed."
        )
    return tuple(texts)


def _lacking(papers: Papers) -> tuple[str, ...]:
    texts = list(_client_texts(papers, lambda code, weight: code not in UNSURE))
    torn = dict(papers.flag_counts).get("damaged_perforation", 0)
    if torn and not papers.has("perforations damaged"):
        texts.append(
            f"Beside {count_words(torn, 'picture')} the perforations look torn, worn or covered. "
            "Please don't put this film in a projector."
        )
    return (*_complete(papers), *texts)


def _complete(papers: Papers) -> tuple[str, ...]:
    """Whether every picture of the film is there, as far as the account of frames tells."""
    if papers.film is None or papers.film.ledger.missing or papers.has("frame let pass"):
        return ()
    ledger = papers.film.ledger
    if not ledger.not_known:
        return ("No picture is missing: each was seen to follow the one before it on the film.",)
    few = count_words(ledger.not_known, "picture")
    return (f"No picture was found to be missing, but for {few} of {ledger.captured:,} nothing proves it.",)


_KEEPING = (
    # Two copies, better three, apart: AVPRES. The film is kept: FIAF2022. The rest is common practice, no source.
    "Make two copies of everything, better three, and keep one of them in another house.",
    "Open them once a year to see that they still work, and move them to new disks every few years.",
    "Keep the film. It is the original, and no scan replaces it. Cool, dry and dark is best; attics and cellars are worst.",
    "The film and these files belong together: write the reel number on both.",
)
