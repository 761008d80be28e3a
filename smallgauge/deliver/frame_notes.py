"""Notes on single pictures in the family's report: those that whoever wrote them ticked for the family, and no others.

The report is one document that the family gets whole, so a note that is not ticked stands nowhere in it.
"""

from fractions import Fraction

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.record.framenotes import FrameNote, read_frame_notes


def note_sentences(papers: Papers) -> tuple[str, ...]:
    """What was noted for the family, in film order, each with its time in the finished film where that shows the frame."""
    return tuple(
        f"{_when(papers, note)}: “{note.words}”"
        for note in read_frame_notes(papers.folder).notes
        if note.family
    )


def _when(papers: Papers, note: FrameNote) -> str:
    if papers.rendered is not None and papers.summary is not None:
        shown = np.flatnonzero(papers.rendered["film_position"] == note.film_position)
        if len(shown):
            seconds = int(Fraction(int(shown[0])) / papers.summary.rate)
            return f"At {seconds // 60}:{seconds % 60:02d}"
    return f"Film frame {note.film_position}"
