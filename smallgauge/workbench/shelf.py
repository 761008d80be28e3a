"""The Shelf: the reels of a folder, where each stands in plain words, and how many places want a look."""

from pathlib import Path
from typing import Any

from smallgauge.deliver.phrases import count_words
from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.lock import held_by
from smallgauge.media.passing import VIDEO_SUFFIXES
from smallgauge.media.whole import safe_file_name
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, read_text_if_there
from smallgauge.record.finding import Proof
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.notes import read_notes
from smallgauge.record.table import read_table
from smallgauge.record.treatment import treatment_of
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.orders import Orders
from smallgauge.workbench.papers import places_waiting, places_words

# Where a reel stands, by the last paper that lies in its folder.
STANDS = (
    ("package.json", "packed, ready to be handed back"),
    ("proof.json", "checked"),
    ("render.json", "copies made"),
    ("treatment.toml", "tone and dye proposed"),
    ("frames.parquet", "frames found"),
    ("capture.json", "looked over"),
)
DONE = STANDS[0][1]
MADE = (
    "captures",
    "division.json",
    "whole.json",
)  # in a folder that was joined, divided or unslit: no capture is its own


class Shelf:
    """The reels below one folder, or the one reel that the folder is; open reels are kept."""

    def __init__(self, folder: Path, captures: Path | None = None) -> None:
        self.folder, self._captures = folder, captures
        self._orders = Orders(folder)
        self._open: dict[str, tuple[tuple[int, int], OpenReel]] = {}
        self._told: dict[str, tuple[object, dict[str, Any]]] = {}

    def folders(self) -> dict[str, Path]:
        """Reel folders by the name under which the page asks for them; a page never names a path."""
        if (self.folder / "capture.json").is_file():
            return {self.folder.name: self.folder}
        places = sorted(self.folder.iterdir()) if self.folder.is_dir() else []
        return {p.name: p for p in places if p.is_dir() and (p / "capture.json").is_file()}

    def open(self, name: str) -> OpenReel:
        """An open reel; CallerError where the Shelf has none of that name."""
        folder = self.folders().get(name)
        if folder is None:
            raise CallerError(f"The Shelf has no reel '{name}'; go back to it and choose one.")
        paper = (folder / "frames.parquet", folder / "capture.json")
        made = tuple(p.stat().st_mtime_ns if p.exists() else 0 for p in paper)
        known = self._open.get(name)
        if known is None or known[0] != made:
            if known is not None:
                known[1].close()
            known = self._open[name] = (made[0], made[1]), OpenReel(folder)
        return known[1]

    def captures(self) -> dict[str, Path]:
        """Captures that can be put in hand, by name: the folders and videos below the place that was named at the start."""
        if self._captures is None or not self._captures.is_dir():
            return {}
        there = (p for p in sorted(self._captures.iterdir()) if not p.name.startswith("."))
        return {
            p.name: p
            for p in there
            if p.suffix.lower() in VIDEO_SUFFIXES or (p.is_dir() and any(p.glob("*.*")))
        }

    def material(self, name: str) -> tuple[Path, Path | None]:
        """The folder of a reel that is put in hand, and its capture where that is not read to its end; then its archive copy is."""
        folder, captures = self.folders().get(name), self.captures()
        if folder is not None:
            whole = (folder / "reel.json").is_file()
            return folder, None if whole else captures.get(read_json(folder / "capture.json", Capture).name)
        if name not in captures:
            raise CallerError(
                f"Neither the Shelf nor the captures hold '{name[:40]}'; go back to the Shelf and choose one."
            )
        path = captures[name]
        paper = path / "capture.toml" if path.is_dir() else path.with_name(f"{path.stem}.capture.toml")
        words, _ = read_notes(read_text_if_there(paper), where=paper.name)
        return self.folder / safe_file_name(words.reel or path.stem), path

    def close(self) -> None:
        """Let go of every reel."""
        for _, reel in self._open.values():
            reel.close()
        self._open.clear()

    def paper(self) -> dict[str, Any]:
        """The Shelf's twin."""
        reels = [self._reel(name, folder) for name, folder in self.folders().items()]
        trouble, orders = "", []
        try:
            orders = [_with_folders(order, reels) for order in self._orders.told()]
        except SmallgaugeError as error:
            trouble = str(error)
        return {
            "shelf": self.folder.name,
            "reels": reels,
            "orders": orders,
            "orders_trouble": trouble,
            "captures": sorted(self.captures()),
        }

    def _reel(self, name: str, folder: Path) -> dict[str, Any]:
        files = ("capture.json", "frames.parquet", "decisions.jsonl", "proof.json", *(f for f, _ in STANDS))
        seen = tuple((f, (folder / f).stat().st_mtime_ns) for f in files if (folder / f).is_file())
        known = self._told.get(name)
        if known is None or known[0] != seen:
            try:
                told = _told(folder)
            except SmallgaugeError as error:
                told = {
                    "reel": name,
                    "words": "",
                    "stands": f"can't be read: {error}",
                    "places": 0,
                    "opens": False,
                }
            known = self._told[name] = seen, told
        working = held_by(folder)
        told = {"name": name, **known[1], "working": working is not None}
        state = (
            "working" if working else "done" if told["stands"] == DONE and not told["places"] else "waiting"
        )
        return {**told, "state": state, "places_words": places_words(told["places"])}


def _with_folders(order: dict[str, Any], reels: list[dict[str, Any]]) -> dict[str, Any]:
    """An order with what its reels' folders say; a reel without one waits to be captured, and one that is held waits too."""
    there = {reel["reel"]: reel for reel in reels}
    found = []
    for each in order["reels"]:
        told = there.get(each["number"])
        if told is not None:
            stands = told["stands"]
        elif each["here"]:
            stands = "came in, not captured yet"
        else:
            stands = "handed back"
        state = told["state"] if told is not None else "waiting" if each["here"] else "done"
        state = "waiting" if each["holds"] and state == "done" and each["here"] else state
        found.append({**each, "name": told["name"] if told else "", "stands": stands, "state": state})
    return {**order, "reels": found}


def _told(folder: Path) -> dict[str, Any]:
    """What the papers of a reel's folder say of it."""
    capture = read_json(folder / "capture.json", Capture)
    whole = (
        capture.stage == "complete"
        and (folder / "frames.parquet").is_file()
        and (folder / "reel.json").is_file()
    )
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    places = 0
    if whole:
        places = places_waiting(read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames"), treatment)
    stands = next(words for file, words in STANDS if (folder / file).is_file())
    if (folder / "proof.json").is_file() and not read_json(folder / "proof.json", Proof).good:
        stands = "checked, and something failed: look at its report"
    return {
        "reel": capture.notes.reel or capture.name,
        "box_words": capture.notes.box_words or "",
        "words": f"{gauge_named(capture.gauge).name}, {count_words(capture.count, 'frame')}",
        "stands": stands,
        "places": places,
        "opens": whole,
    }
