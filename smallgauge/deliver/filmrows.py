"""The technician's part on the film and its capture: the account of frames, the perforations, the splices.

film_facts     papers -> at a glance
account_rows   papers -> each run of captured frames that is not simply there once
damage_rows    papers -> each run of damaged perforations, with its feet from the head
"""

from smallgauge.deliver.frame_files import span_words, with_files
from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words, list_words, number_words
from smallgauge.picture.completeness import FrameRun
from smallgauge.record.filmstate import FilmState, footage_of

MOST_ROWS = 200  # of a table in the report; the whole stands in film.json
_GRADES = (
    "none",
    "nicked or strained",
    "cracked",
    "torn or missing, up to two together",
    "torn or missing, three or more together",
    "a tear runs into the picture",
)


def film_facts(papers: Papers) -> tuple[tuple[str, str], ...]:
    """Frames, perforations and splices at a glance; nothing where the paper is not there."""
    state = papers.film
    if state is None:
        return ()
    ledger = state.ledger
    least = "" if ledger.missing_count_known else " or more"
    rows = [
        ("Captured", count_words(ledger.captured, "frame")),
        ("Frames of the film", f"{ledger.film_frames:,}"),
        ("Captured twice", f"{ledger.repeated:,}"),
        ("Not captured", f"{ledger.missing:,}{least}"),
        ("In each other's place", count_words(ledger.swapped, "pair")),
        ("Not proven", count_words(ledger.not_known, "frame")),
    ]
    check = footage_of(state, papers.capture)
    if check is not None:
        stated = f"{papers.capture.notes.length_feet:g} feet, {float(check.stated_frames):,.0f} frames: {check.verdict}"
        rows.append(("Length stated", stated))
    if ledger.not_told:
        rows.append(("Can't be told", "; ".join(ledger.not_told)))
    if state.damage is not None:
        rows.append(("Perforations", f"grade {state.damage.grade} of 0 to 5: {_GRADES[state.damage.grade]}"))
        counts = [f"{n:,} {word or 'too little in view'}" for word, n in state.damage.counts]
        rows.append(("Perforations seen", list_words(counts) or "none"))
    rows.append(("Splices", with_files(_splices(state), papers.frame_files)))
    return tuple(rows)


def _splices(state: FilmState) -> str:
    said = [
        f"before captured frame {s.frame}{f' ({s.kind})' if s.kind else ''}, confidence {number_words(s.confidence, decimals=2)}"
        for s in state.splices[:MOST_ROWS]
    ]
    return list_words(said) if said else "none seen"


def account_rows(papers: Papers) -> tuple[tuple[str, str, str, str], ...]:
    """Captured frames, film frames, what they are, and why: each run that is not simply there once."""
    if papers.film is None:
        return ()
    runs = [run for run in papers.film.ledger.runs if run.kind != "captured once"]
    return tuple(
        (
            span_words(run.first, run.stop, papers.frame_files),
            span_words(run.film_first, run.film_stop),
            run.kind,
            _evidence(run),
        )
        for run in runs[:MOST_ROWS]
    )


def _evidence(run: FrameRun) -> str:
    said = [f"{each.name} {number_words(each.value, decimals=2)}" for each in run.evidence]
    sure = f"confidence {number_words(run.confidence, decimals=3)}" if run.evidence else ""
    return "; ".join(part for part in (*said, sure, run.reason) if part)


def damage_rows(papers: Papers) -> tuple[tuple[str, str, str, str], ...]:
    """Perforations, feet from the head, grade, and how many of each kind, run by run."""
    if papers.film is None or papers.film.damage is None:
        return ()
    return tuple(
        (
            span_words(run.first, run.stop),
            f"{float(run.first_feet):,.1f}",
            str(run.grade),
            list_words([f"{n:,} {word}" for word, n in run.counts if word not in ("", "whole")]),
        )
        for run in papers.film.damage.runs[:MOST_ROWS]
    )
