"""What was done to the finished sound, for the papers: its summary, its finding, and the table of filled places."""

from math import nan
from pathlib import Path

import numpy as np

from smallgauge.record.capture import Capture
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal
from smallgauge.record.rendertable import RepairSummary, SoundSummary
from smallgauge.record.table import write_table
from smallgauge.render.plan import Plan
from smallgauge.render.plan_repairs import SoundRepairs
from smallgauge.render.track import repair_rows

REPAIRS = "repairs.parquet"


def repair_summary(done: SoundRepairs) -> RepairSummary:
    """What a plan does to the sound, counted."""
    return RepairSummary(
        hum=tuple(clock for clock, _ in done.hum),
        hum_lines=sum(int(np.count_nonzero(np.any(comb.lines, axis=(1, 2)))) for _, comb in done.hum),
        clicks=sum(click.shape == "click" for click in done.clicks),
        thumps=sum(click.shape == "thump" for click in done.clicks),
        flutter=done.flutter,
        equalised=done.curve.speed if done.curve is not None else nan,
        hiss_db=done.hiss_db,
    )


def repair_findings(sound: SoundSummary | None) -> tuple[Finding, ...]:
    """What was taken out of the finished sound, counted."""
    if sound is None or not sound.repairs.any:
        return ()
    done = sound.repairs
    values: dict[str, object] = {
        "hum": list(done.hum),
        "hum_lines": done.hum_lines,
        "flutter": done.flutter,
        "clicks": done.clicks,
        "thumps": done.thumps,
        "equalised": done.equalised == done.equalised,
        "hiss_db": done.hiss_db,
    }
    return (Finding(code="sound repaired", where="sound", values=values),)


def repairs_table(folder: Path, capture: Capture, plan: Plan, journal: Journal, key: str) -> None:
    """Clicks that were filled; no table where the film is silent."""
    if plan.sound is None or journal.holds(REPAIRS, key):
        return
    table = repair_rows(folder / "archive.wav", plan.sound, capture_digest=capture.digest)
    write_table(folder / REPAIRS, table)
    journal.add_file("render", REPAIRS, key=key, rows=len(table))
