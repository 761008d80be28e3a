"""The pack of a reel that has none yet, made from its archive copy; what a stopped run made is kept."""

import contextlib
from dataclasses import replace
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.lock import ReelLock
from smallgauge.media.pack import display_table, join_packs, open_pack, pack_head, write_pack
from smallgauge.media.picture_in import UnreadableFrame, open_picture
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.light import table_for
from smallgauge.record.material import PACK_FOLDER, material_of
from smallgauge.record.recipe import SEGMENT_FRAMES
from smallgauge.record.table import read_table
from smallgauge.record.work import Progress, silent


def make_pack(folder: Path, progress: Progress = silent) -> None:
    """Make the pack of a reel from its archive copies, a part of 100 frames after the other."""
    place = folder / PACK_FOLDER
    place.mkdir(parents=True, exist_ok=True)
    with ReelLock(place):
        capture = read_json(folder / "capture.json", Capture)
        frames = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
        stretches = material_of(folder).stretches
        keys = list(zip(frames["capture"].tolist(), frames["frame"].tolist(), strict=True))
        shown = [display_table(table_for(s.capture.light, s.capture.encoding)) for s in stretches]
        names = []
        with contextlib.ExitStack() as stack:
            readers = [stack.enter_context(open_picture(s.listing)) for s in stretches]
            for first in range(0, len(keys), SEGMENT_FRAMES):
                progress("little pictures made", first, len(keys))
                rows = keys[first : first + SEGMENT_FRAMES]
                names.append(f"chunk-{first:06d}")
                head = pack_head(capture.width, capture.height, first=first, count=len(rows))
                head = replace(head, capture=capture.digest)
                if _stands(place, names[-1], head.first, head.count, capture.digest):
                    continue
                with write_pack(place, names[-1], head) as pack:
                    for number, frame in rows:
                        pack.display = shown[number]
                        try:
                            pack.add(readers[number].read(frame).samples)
                        except UnreadableFrame:
                            pack.add(None)
        progress("little pictures made", len(keys), len(keys))
        join_packs(place, names, count=len(keys), capture=capture.digest)


def _stands(place: Path, name: str, first: int, count: int, digest: str) -> bool:
    """Whether a part of this very capture stands already."""
    try:
        head = open_pack(place, name).head
    except MaterialError:
        return False
    return (head.first, head.count, head.capture) == (first, count, digest)
