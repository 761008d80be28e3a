"""`order.json`: what was ordered of a reel's package on the command line, after the capture; without it `capture.toml` says it."""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.files import read_json

ORDER_PAPER = "order.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What a family's package is to hold beyond the film to watch; the last word holds."""

    version: int = 1
    masters: bool  # archive copy and finished film
    at: str  # ISO 8601
    by: str = ""  # initials of who ordered it; empty where nobody said


def read_order(folder: Path) -> Order | None:
    """What was ordered of the reel in this folder; None where nobody said anything since the capture."""
    path = folder / ORDER_PAPER
    return read_json(path, Order) if path.is_file() else None
