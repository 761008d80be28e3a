"""Dirt in the report: one sentence for the family, a table for the technician.

dirt_sentence  papers -> how many specks are no longer seen; None where none was looked for
dirt_table     papers -> what was found, what it was taken for, and what was done
"""

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import count_words
from smallgauge.deliver.technician import ReportTable
from smallgauge.picture.dirt_kinds import KINDS

_NOTE = (
    "A blob stands out of the frame before and the frame after by more than the grain explains. Only those that lie on one frame, "
    "with calm surroundings, are repaired: from both neighbours, with grain as deep as around it. All else is left, and "
    "dirt.parquet names each blob with its place. The untouched copy of the scan keeps everything."
)


def dirt_sentence(papers: Papers) -> str | None:
    """How many specks are no longer seen; None where dirt was not looked for, or left."""
    dirt = papers.summary.dirt if papers.summary is not None else None
    if dirt is None or not (dirt.repaired or dirt.lines_repaired) or papers.summary is None:
        return None
    scenes = len(dirt.scenes_left)
    left = (
        f" {count_words(scenes, 'scene')} in which snow, rain or the like may fall stayed whole."
        if scenes
        else ""
    )
    lines = (
        f"{count_words(dirt.lines_repaired, 'scratch', 'scratches')} along the film "
        f"{'is' if dirt.lines_repaired == 1 else 'are'} fainter in the finished film, or no longer seen."
        if dirt.lines_repaired
        else ""
    )
    if not dirt.repaired:
        return lines + left
    lines = f" {lines}" if lines else ""
    return (
        f"On all {count_words(papers.summary.frames, 'picture')} of the film taken together, "
        f"{count_words(dirt.repaired, 'speck')} of dust {'is' if dirt.repaired == 1 else 'are'} no longer seen "
        f"in the finished film.{lines}{left}"
    )


def dirt_table(papers: Papers) -> ReportTable | None:
    """What was found and what was done; None where dirt was not looked for."""
    dirt = papers.summary.dirt if papers.summary is not None else None
    if dirt is None:
        return None
    rows = [
        ("repaired", f"{dirt.repaired:,}", KINDS["dirt"]),
        (
            "left by decision",
            f"{dirt.left_by_decision:,}",
            "dirt, in scenes or of sorts that somebody decided to leave",
        ),
        *((f"left, {kind}", f"{count:,}", KINDS[kind]) for kind, count in dirt.left.items()),
    ]
    return ReportTable(
        title="Dirt",
        head=("what was done", "blobs", "what they are taken for"),
        rows=tuple(rows),
        note=_NOTE,
        figures=False,
    )
