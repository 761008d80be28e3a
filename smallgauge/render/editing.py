"""The list of frames beside an editing copy: what each shown frame is, for a table program or an editor's notes.

make_lists   writes the list of each editing copy; takes away copies that the order no longer names
"""

import csv
import io
from pathlib import Path

from smallgauge.gauge.timecode import time_code_after
from smallgauge.media.whole import write_whole_bytes
from smallgauge.record.capture import Capture
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.ordered import LIST_HEAD, is_ordered_file, list_of_frames, told_scene
from smallgauge.render.plan import CopyPlan, Plan


def make_lists(folder: Path, capture: Capture, plan: Plan, journal: Journal) -> None:
    """Write the list of every editing copy, and take away files of copies that are not ordered any more."""
    wanted = {copy.recipe.file for copy in plan.copies}
    for copy in plan.copies:
        if not copy.recipe.time_code:
            continue
        name = list_of_frames(copy.recipe.file)
        wanted.add(name)
        text = _text(capture, plan, copy)
        key = key_of("list of frames", text)
        if not journal.holds(name, key):
            write_whole_bytes(folder / name, text.encode())
            journal.add_file("render", name, key=key, rows=len(copy.shown))
    for old in [name for name in journal.lines if is_ordered_file(name) and name not in wanted]:
        (folder / old).unlink(missing_ok=True)
        journal.forget(old)


def _text(capture: Capture, plan: Plan, copy: CopyPlan) -> str:
    """CSV by RFC 4180: a row a shown frame. Numbers count from 0, scenes from 1 as people do."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(LIST_HEAD)
    for number, shown in enumerate(copy.shown):
        frame = plan.frames[shown]
        writer.writerow(
            (
                number,
                time_code_after(copy.recipe.time_code, number, rate=int(copy.rate)),
                shown,
                frame.film_position,
                frame.capture,
                frame.frame,
                capture.files[frame.source].name,
                frame.kind,
                *told_scene(frame.scene, plan.titles),
            )
        )
    return out.getvalue()
