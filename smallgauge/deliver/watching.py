"""Who watched the finished film before it left, and what was judged: said only where it is so.

watching_sentences  papers -> for the family: that all of it was watched, and whether by eyes that were not the operator's own
verdict_rows        papers -> for the technician: the verdict, and how much was watched
"""

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import list_words, moment_words
from smallgauge.record.files import read_decisions
from smallgauge.record.watching import (
    film_digest,
    read_judged,
    read_watched,
    second_persons,
    unwatched,
    watched_in_full_by,
)


def watching_sentences(papers: Papers) -> tuple[str, ...]:
    """That the film was watched in full, where somebody did; nothing otherwise."""
    film, frames = film_digest(papers.folder), papers.finished_frames
    if not film or not frames:
        return ()
    full = watched_in_full_by(read_watched(papers.folder), film=film, frames=frames)
    if not full:
        return ()
    second = second_persons(full, read_decisions(papers.folder / "decisions.jsonl"))
    if second:
        return (
            f"The finished film was watched in full by a second person ({list_words(second)}), who had no part in its treatment.",
        )
    return (f"The finished film was watched in full before it left us ({list_words(full)}).",)


def verdict_rows(papers: Papers) -> tuple[tuple[str, str], ...]:
    """The verdict on this very film and how much of it was watched; nothing where nobody judged or watched it."""
    film, frames = film_digest(papers.folder), papers.finished_frames
    if not film or not frames:
        return ()
    rows = []
    judged = [each for each in read_judged(papers.folder) if each.film == film]
    if judged:
        last = judged[-1]
        why = f": {last.why}" if last.why else ""
        rows.append(("Verdict", f"{last.verdict}, {last.by}, {moment_words(last.at)}{why}"))
    watched = [each for each in read_watched(papers.folder) if each.film == film]
    if watched:
        left = sum(stop - first for first, stop in unwatched(watched, film=film, frames=frames))
        names = list_words(sorted({each.by for each in watched}))
        rows.append(("Watched", f"{frames - left:,} of {frames:,} frames, by {names}"))
    return tuple(rows)
