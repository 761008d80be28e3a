"""Lines along the film in the report.

scratch_table  papers -> what was found, and on which side of the film; None where none was looked for
"""

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.technician import ReportTable
from smallgauge.picture.scratches import KINDS, SIDES
from smallgauge.record.scratchtable import read_scratches

_NOTE = (
    "A scratch stays at its place of the film while the scene moves; a post moves with the scene. Where dirt is repaired, "
    "the light that a scratch takes or adds is given back in the finished film, never in the untouched copy of the scan; what "
    "hides nearly all, and whatever is in doubt, is left. Frames: those on which a line was seen. The faintest are "
    "missed. On the base side a wet or diffuse scan hides most; on the emulsion side layers are gone. "
    "scratches.parquet names each line with its place, and every pixel that a repair touches."
)


def scratch_table(papers: Papers) -> ReportTable | None:
    """What was found; None where lines were not looked for, or none was found."""
    lines = read_scratches(papers.folder)
    if lines is None:
        return None
    rows = []
    for kind in ("scratch", "disputed", "unsure", "scene", "chance"):
        for side in SIDES:
            here = (lines["kind"] == kind) & (lines["side"] == side)
            if not here.any():
                continue
            tracks = set(zip(lines["capture"][here].tolist(), lines["track"][here].tolist(), strict=True))
            frames = set(zip(lines["capture"][here].tolist(), lines["frame"][here].tolist(), strict=True))
            deep = float(np.median(np.abs(lines["depth"][here])))
            words = f"{KINDS[kind]}; {SIDES[side]}" if kind == "scratch" else KINDS[kind]
            rows.append((f"{kind}, {side}", f"{len(tracks):,}", f"{len(frames):,}", f"{deep:.0f}", words))
    if not rows:
        return None
    return ReportTable(
        title="Lines along the film",
        head=("line", "lines", "frames", "depth of 255", "what they are taken for"),
        rows=tuple(rows),
        note=_NOTE,
        figures=False,
    )
