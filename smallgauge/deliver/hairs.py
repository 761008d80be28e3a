"""Hairs in a gate in the report.

hair_table  papers -> each hair, in whose gate it is, and where; None where none was looked for or found
"""

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.technician import ReportTable
from smallgauge.picture.hair_kinds import KINDS
from smallgauge.record.hairtable import read_hairs

MOST = 40  # hairs that have a row of their own; those in doubt last
_NOTE = (
    "Hairs that reach in from a side of the picture and stay. One in the scanner's gate is not on the film: clean the gate and "
    "scan again. One in the camera's gate was photographed and is part of the film. Neither is ever taken out. In doubt: a "
    "thread that stands as still as the scene behind it may be the scene's own. hairs.parquet has each on every frame."
)


def hair_table(papers: Papers) -> ReportTable | None:
    """The hairs, those in the scanner's gate first."""
    hairs = read_hairs(papers.folder)
    if hairs is None or not len(hairs):
        return None
    rows = []
    for kind in KINDS:
        here = hairs["kind"] == kind
        tracks = set(zip(hairs["capture"][here].tolist(), hairs["track"][here].tolist(), strict=True))
        for capture, track in sorted(tracks):
            own = np.flatnonzero(here & (hairs["capture"] == capture) & (hairs["track"] == track))
            frames = hairs["frame"][own]
            at, long, thick = (float(np.median(hairs[name][own])) for name in ("at", "length", "thick"))
            where, size = f"{hairs['side'][own[0]]}, {at:.0f} px", f"{long:.0f} x {thick:.0f} px"
            when = f"{frames.min():,} to {frames.max():,}"
            rows.append((kind, where, size, when, f"{len(set(frames.tolist())):,}", KINDS[kind]))
    left_off = f" {len(rows) - MOST:,} more are not listed here." if len(rows) > MOST else ""
    return ReportTable(
        title="Hairs in a gate",
        head=("hair", "side, at", "length x thickness", "captured frames", "seen on", "what it is taken for"),
        rows=tuple(rows[:MOST]),
        note=_NOTE + left_off,
        figures=False,
    )
