"""A programme: several reels of an order as one viewing file. What the client wishes, and what was made of it.

read_wishes, write_wishes   `programme.toml`, written first by the program as a proposal, then the client's word
ProgrammePaper              `programme.json`: what was made, of which frames, and what was left off by whose word
PROGRAMME_COLUMNS           `programme.parquet`: one row a shown frame
"""

import tomllib
from dataclasses import asdict, dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from smallgauge.columns import Column
from smallgauge.errors import MaterialError
from smallgauge.media.whole import write_whole_bytes
from smallgauge.sound.loudness import TARGETS_LUFS

WISHES, PAPER, TABLE, FILM = "programme.toml", "programme.json", "programme.parquet", "programme.mp4"
PROGRAM = "program"  # who trimmed, where frames were measured to hold nothing
CARD = -1  # number of the reel of a shown frame that belongs to a title card
LONGEST_TITLE, LONGEST_WORDS = 60, 200
CARD_S = 4  # a title card is shown so long unless said; common practice, no source
MOST_CARD_S = 30
_HEAD = """\
# What the client wishes of this programme. Change it, then run the same command again.
# The reels are shown in the order in which they stand here. order_by: the client who gave that order.
# [[reel.trim]]: film frames left off this viewing file, from `first` to before `stop`; the finished film keeps them.
# left_out_by, left_out_on, left_out_why in a [[reel]]: the client does not want it in any copy. It is still kept.
# [[card]]: a title card in front of a reel, only in words that the client has read: before, words, read_by, read_on.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """Frames left off the viewing file: film positions from `first` to before `stop`, by whom, when and why."""

    first: int
    stop: int
    by: str
    on: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelWish:
    """One reel: its folder beside the programme's, the words of its chapters, what is left off; `out_by` "": it is shown."""

    folder: str
    title: str
    trims: tuple[Trim, ...] = ()
    out_by: str = ""
    out_on: str = ""
    out_why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """A title card in front of a reel, in words that the client has read."""

    before: str
    words: str
    read_by: str
    read_on: str
    seconds: int = CARD_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """`programme.toml`."""

    title: str
    order_by: str
    order_on: str
    rate: Fraction
    loudness_lufs: float
    reels: tuple[ReelWish, ...]
    cards: tuple[Card, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelShown:
    """One reel of the programme as it was made.

    `frames_key` is the digest over the digests of its finished frames, all of them. `even` is whether each frame is shown
    equally often. `picture_width`, `picture_height`: its picture in the middle of the canvas. Loudness in LUFS as it plays
    without and with `gain_db`; NaN for a silent reel.
    """

    folder: str
    number: str
    title: str
    rate: Fraction
    even: bool
    frames: int
    shown_first: int
    shown_stop: int
    trims: tuple[Trim, ...]
    frames_key: str
    picture_width: int
    picture_height: int
    silent: bool
    loudness_lufs: float
    gain_db: float
    limit: str
    true_peak_dbtp: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelLeftOut:
    """A reel that is in no copy of the client's, by whose word; it is kept, proved and returned like the others."""

    folder: str
    number: str
    by: str
    on: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CardShown:
    """A title card: its first and last-but-one shown frame."""

    card: Card
    shown_first: int
    shown_stop: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammePaper:
    """`programme.json`. `packets`: the coded pictures are those of the reels' viewing copies, not coded again."""

    version: int = 1
    title: str
    order_by: str
    order_on: str
    rate: Fraction
    frames: int
    width: int
    height: int
    packets: bool
    sound: bool
    target_lufs: float
    reels: tuple[ReelShown, ...]
    left_out: tuple[ReelLeftOut, ...]
    cards: tuple[CardShown, ...]
    chapters: tuple[tuple[int, int, str], ...]
    sha256: str  # of programme.mp4
    table_sha256: str


PROGRAMME_COLUMNS: tuple[Column, ...] = tuple(
    Column(name=name, unit="1", type="int32", meaning=meaning, source="definition")
    for name, meaning in (
        ("shown_frame", "Frame of the programme, from 0."),
        (
            "reel",
            "Which reel of the programme it belongs to, from 0 in the order shown; -1 for a title card.",
        ),
        ("finished_frame", "Frame of that reel's finished film; -1 for a title card."),
        ("film_position", "Frame of that reel's film, from 0 in running order; -1 for a title card."),
    )
)


def read_wishes(path: Path) -> Wishes:
    """The wishes of `programme.toml`; one MaterialError names every mistake and its place."""
    try:
        document: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise MaterialError(f"{path.name} must be TOML, but {error}; it lies in {path.parent}.") from None
    return _Reader(path).wishes(document)


class _Reader:
    """Takes a document apart and gathers what is wrong with it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.mistakes: list[str] = []

    def wishes(self, document: dict[str, Any]) -> Wishes:
        self.known(
            document,
            "",
            ("programme", "title", "order_by", "order_on", "rate", "loudness_lufs", "reel", "card"),
        )
        if document.get("programme") != 1:
            self.mistakes.append("'programme = 1' must stand in it")
        rate = self.rate(document.get("rate"))
        target = document.get("loudness_lufs")
        low, high = TARGETS_LUFS
        if isinstance(target, bool) or not isinstance(target, int | float) or not low <= target <= high:
            self.mistakes.append(f"loudness_lufs must lie between {low:g} and {high:g}, found {target!r}")
            target = low
        reels = tuple(self.reel(n, each) for n, each in enumerate(self.tables(document, "reel"), start=1))
        cards = tuple(self.card(n, each) for n, each in enumerate(self.tables(document, "card"), start=1))
        folders = [reel.folder for reel in reels]
        if not any(not reel.out_by for reel in reels):
            self.mistakes.append("at least one [[reel]] must be shown")
        self.mistakes += [
            f"reel {name} stands there twice" for name in {f for f in folders if folders.count(f) > 1}
        ]
        shown = {reel.folder for reel in reels if not reel.out_by}
        self.mistakes += [
            f"the card before '{card.before}' has no such reel to stand before"
            for card in cards
            if card.before not in shown
        ]
        wishes = Wishes(
            title=self.words(document, "title", "title", LONGEST_TITLE),
            order_by=self.words(
                document, "order_by", "order_by (the client who gave the order of the reels)", 60
            ),
            order_on=self.day(document, "order_on", "order_on"),
            rate=rate,
            loudness_lufs=float(target),
            reels=reels,
            cards=cards,
        )
        if self.mistakes:
            raise MaterialError(
                f"{self.path}: {'; '.join(self.mistakes)}. Mend these and run the command again; nothing was made."
            )
        return wishes

    def known(self, table: dict[str, Any], where: str, names: tuple[str, ...]) -> None:
        self.mistakes += [
            f"{where}{name} is not known; known are {', '.join(names)}" for name in table if name not in names
        ]

    def tables(self, document: dict[str, Any], name: str) -> list[dict[str, Any]]:
        found = document.get(name, [])
        if not isinstance(found, list) or not all(isinstance(each, dict) for each in found):
            self.mistakes.append(f"{name} must be written as [[{name}]]")
            return []
        return found

    def words(self, table: dict[str, Any], key: str, said: str, most: int, *, needed: bool = True) -> str:
        value = table.get(key, "")
        if not isinstance(value, str) or not value.isprintable() or len(value) > most:
            self.mistakes.append(
                f"{said} must be words in one line of at most {most} characters, found {value!r}"
            )
            return ""
        if needed and not value.strip():
            self.mistakes.append(f"{said} must be said")
        return " ".join(value.split())

    def day(self, table: dict[str, Any], key: str, said: str, *, needed: bool = True) -> str:
        from datetime import date, datetime

        value = table.get(key, "")
        value = value.isoformat() if isinstance(value, date) else value
        if value == "" and not needed:
            return ""
        try:
            datetime.fromisoformat(value)
        except (ValueError, TypeError):
            self.mistakes.append(f"{said} must be a day such as 2026-01-17, found {value!r}")
            return ""
        return str(value)

    def rate(self, value: object) -> Fraction:
        try:
            rate = Fraction(str(value))
        except (ValueError, ZeroDivisionError):
            rate = Fraction(0)
        if isinstance(value, bool) or not 1 <= rate <= 120:
            self.mistakes.append(f'rate must be pictures a second such as "25" or "50", found {value!r}')
            return Fraction(25)
        return rate

    def reel(self, number: int, table: dict[str, Any]) -> ReelWish:
        where = f"reel {number}: "
        out = ("left_out_by", "left_out_on", "left_out_why")
        self.known(table, where, ("folder", "title", "trim", *out))
        folder = self.words(table, "folder", f"{where}folder", 200)
        if "/" in folder or "\\" in folder or folder in (".", ".."):
            self.mistakes.append(
                f"{where}folder is the name of a folder beside the programme's, found '{folder}'"
            )
        trims = tuple(self.trim(where, each) for each in self.tables(table, "trim"))
        for before, after in pairwise(trims):
            if after.first < before.stop:
                self.mistakes.append(
                    f"{where}its trims must follow one another, found {after.first} after {before.stop}"
                )
        left_out = any(key in table for key in out)
        by, on, why = "", "", ""
        if left_out:
            by = self.words(table, out[0], f"{where}left_out_by", 60)
            on = self.day(table, out[1], f"{where}left_out_on")
            why = self.words(table, out[2], f"{where}left_out_why", 200)
        return ReelWish(
            folder=folder,
            title=self.words(table, "title", f"{where}title", LONGEST_TITLE),
            trims=trims,
            out_by=by,
            out_on=on,
            out_why=why,
        )

    def trim(self, where: str, table: dict[str, Any]) -> Trim:
        where = f"{where}trim: "
        self.known(table, where, ("first", "stop", "by", "on", "why"))
        first, stop = (
            n if isinstance(n, int) and not isinstance(n, bool) else -1
            for n in (table.get("first"), table.get("stop"))
        )
        if not 0 <= first < stop:
            self.mistakes.append(
                f"{where}first and stop must be film frames, stop the first that stays, found {table.get('first')!r} and "
                f"{table.get('stop')!r}"
            )
        return Trim(
            first=first,
            stop=stop,
            by=self.words(table, "by", f"{where}by", 60),
            on=self.day(table, "on", f"{where}on"),
            why=self.words(table, "why", f"{where}why", 200),
        )

    def card(self, number: int, table: dict[str, Any]) -> Card:
        where = f"card {number}: "
        self.known(table, where, ("before", "words", "read_by", "read_on", "seconds"))
        seconds = table.get("seconds", CARD_S)
        if not isinstance(seconds, int) or isinstance(seconds, bool) or not 1 <= seconds <= MOST_CARD_S:
            self.mistakes.append(f"{where}seconds must be whole, 1 to {MOST_CARD_S}, found {seconds!r}")
            seconds = CARD_S
        words = self.words(table, "words", f"{where}words", LONGEST_WORDS)
        strange = sorted({c for c in words if not _printed(c)})
        if strange:
            self.mistakes.append(
                f"{where}words hold {' '.join(strange)}, for which there are no letters here; write it otherwise"
            )
        return Card(
            before=self.words(table, "before", f"{where}before", 200),
            words=words,
            read_by=self.words(
                table,
                "read_by",
                f"{where}read_by (the client who read these words; none may be shown unread)",
                60,
            ),
            read_on=self.day(table, "read_on", f"{where}read_on"),
            seconds=seconds,
        )


def _printed(character: str) -> bool:
    """Whether a title card has this letter: Latin, Greek and Cyrillic, and plain signs."""
    import unicodedata

    if ord(character) < 0x2000:
        name = unicodedata.name(character, "")
        return ord(character) < 0x100 or name.startswith(("LATIN", "GREEK", "CYRILLIC"))
    return character in "–—‘’“”„…"


def write_wishes(path: Path, wishes: Wishes) -> None:
    """Write `programme.toml`."""
    import tomli_w

    text = _HEAD + tomli_w.dumps(
        {
            "programme": 1,
            "title": wishes.title,
            "order_by": wishes.order_by,
            "order_on": wishes.order_on,
            "rate": str(wishes.rate),
            "loudness_lufs": wishes.loudness_lufs,
        }
    )
    for reel in wishes.reels:
        row = {"folder": reel.folder, "title": reel.title}
        if reel.out_by:
            row |= {"left_out_by": reel.out_by, "left_out_on": reel.out_on, "left_out_why": reel.out_why}
        text += "\n[[reel]]\n" + tomli_w.dumps(row)
        for trim in reel.trims:
            text += "\n[[reel.trim]]\n" + tomli_w.dumps(asdict(trim))
    for card in wishes.cards:
        text += "\n[[card]]\n" + tomli_w.dumps(asdict(card))
    write_whole_bytes(path, text.encode())
