"""A drawn spool: rolls with pictures, and leader of several kinds between them."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from captured_twice import draw_capture

from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, draw_frame

# What an unexposed piece of such film shows: clear base, a coloured one, dark film.
LEADER = {
    "clear": {"scenes": (), "dye_kept": (0.0, 0.0, 0.0)},
    "coloured": {"scenes": (), "film": "negative"},
    "dark": {"scenes": ()},
}
KINDS = ("garden", "sea", "birthday", "road")


def draw_spool(
    folder: Path, rolls: list[int], leaders: list[tuple[str, int]], **changes: object
) -> ReelTruth:
    """Rolls of so many frames with leader (kind, frames) between them."""
    scenes, pieces, at = [], [], 0
    for n, count in enumerate(rolls):
        scenes.append(SceneTruth(kind=KINDS[n % 4], first=at, stop=at + count))
        at += count
        if n < len(leaders):
            kind, length = leaders[n]
            pieces.append((at, at + length, kind))
            at += length
    splices = tuple(sorted({edge for first, stop, _ in pieces for edge in (first, stop)}))
    truth = draw_capture(folder, 0, at, scenes=tuple(scenes), splices=splices, **changes)
    for first, stop, kind in pieces:
        for number in range(first, stop):
            samples = draw_frame(replace(truth, **LEADER[kind]), number).samples
            path = folder / f"frame_{number:06d}.png"
            path.unlink()
            write_capture_frame(path, samples, bits=truth.bits)
    assert all(a < b for a, b in pairwise([0, *splices]))
    return truth
