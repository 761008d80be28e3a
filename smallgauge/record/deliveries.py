"""Deliveries of a reel that were handed over, and what a later one has otherwise."""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.record.files import read_json

DELIVERIES, CHANGES = "deliveries.json", "delivery.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """A delivery that left the shop: to whom, when, and the digest of its list of digests. It lies in `delivery-N`."""

    number: int
    to: str
    on: str
    at: str  # when it was written down
    sums_sha256: str

    @property
    def folder(self) -> str:
        """Where it lies in the reel's folder."""
        return f"delivery-{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliveries:
    """`deliveries.json`: every delivery of a reel that was handed over, in order."""

    version: int = 1
    handed: tuple[Handed, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """`delivery.json`: this delivery against the one that was handed over before it.

    `decisions`: (subject, anchor) of those that are otherwise. Files by their places in the package; pages that are written for
    each delivery are not counted. `frames_differ` counts film frames of both whose pictures differ, `stretches` where they lie,
    [first, stop); `frames_added`, `frames_gone` are film frames that only one of them shows.
    """

    version: int = 1
    number: int
    before: Handed
    decisions: tuple[tuple[str, str], ...]
    files_changed: tuple[str, ...]
    files_added: tuple[str, ...]
    files_gone: tuple[str, ...]
    frames: int
    frames_differ: int
    frames_added: int
    frames_gone: int
    stretches: tuple[tuple[int, int], ...]
    rate_before: str
    rate: str

    @property
    def nothing(self) -> bool:
        """Whether both are alike."""
        return not (
            self.decisions
            or self.files_changed
            or self.files_added
            or self.files_gone
            or self.frames_differ
            or self.frames_added
            or self.frames_gone
            or self.rate != self.rate_before
        )


def read_deliveries(folder: Path) -> Deliveries:
    """The deliveries of a reel; none where nothing was handed over."""
    path = folder / DELIVERIES
    return read_json(path, Deliveries) if path.is_file() else Deliveries()
