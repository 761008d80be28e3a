"""`line-ups.jsonl` beside the reels: every line-up of the shop's machines, a line each, with its day and who made it."""

import json
from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.capture import LineUpFigure
from smallgauge.record.files import read_lines, to_plain, write_text

LINE_UPS_FILE = "line-ups.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoGo:
    """One subject that speaks against the machine, and the figures that say so; none where something is not in view."""

    subject: str
    figures: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineLineUp:
    """One line-up of a machine: figures, go or no-go, and why."""

    machine: str
    gauge: str
    at: str
    by: str
    capture: str  # the folder's name
    frames: int  # that were measured
    width_px: int
    height_px: int
    go: bool
    no_go: tuple[NoGo, ...]
    figures: tuple[LineUpFigure, ...]


def read_line_ups(shelf: Path) -> tuple[MachineLineUp, ...]:
    """All line-ups kept on a shelf, oldest first; a line that a power cut tore is left out."""
    return read_lines(shelf / LINE_UPS_FILE, MachineLineUp, torn=True)


def add_line_up(shelf: Path, line_up: MachineLineUp) -> MachineLineUp | None:
    """Keep a line-up; returns the one before it of this machine and gauge, None where there is none."""
    kept = read_line_ups(shelf)
    lines = [json.dumps(to_plain(each), ensure_ascii=False) for each in (*kept, line_up)]
    write_text(shelf / LINE_UPS_FILE, "\n".join(lines) + "\n")
    same = [each for each in kept if (each.machine, each.gauge) == (line_up.machine, line_up.gauge)]
    return same[-1] if same else None
