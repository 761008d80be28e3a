"""The command `release`: a list of what may go, or a removal on a person's word."""

import argparse
import contextlib
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.whole import plain_size
from smallgauge.office.book import Book
from smallgauge.office.desk import Answer
from smallgauge.office.let_go import Went, Word, let_go, refuse_what_stays
from smallgauge.office.may_go import (
    Asked,
    Item,
    captures_at_hand,
    freed_bytes,
    item_words,
    known_captures,
    list_items,
    reels_of_captures,
)
from smallgauge.office.place import book_place, has_book
from smallgauge.record.files import read_text_if_there
from smallgauge.record.remarks import one_line
from smallgauge.record.shop import SHOP_FILE, read_shop
from smallgauge.record.work import Progress


@contextlib.contextmanager
def asked_of(
    shelf: Path, at: str, *, captures: tuple[Path, ...] = (), copies_at: tuple[Path, ...] = ()
) -> Iterator[Asked]:
    """What a list of a shelf is made from, with its book open where it has one."""
    with contextlib.ExitStack() as stack:
        book = stack.enter_context(Book(book_place(shelf))) if has_book(shelf) else None
        shop = read_shop(read_text_if_there(shelf / SHOP_FILE), where=str(shelf / SHOP_FILE))
        yield Asked(
            shelf=shelf,
            book=book,
            today=at[:10],
            shop=shop,
            captures=known_captures(book, shelf) | captures_at_hand(captures),
            made_of=reels_of_captures(shelf),
            copies_at=copies_at,
        )


def run_release(options: argparse.Namespace, *, now: Callable[[], str], progress: Progress) -> Answer:
    """List what may go, or let go what `--go` names of the reels that are named."""
    shelf, at = Path(options.shelf).resolve(), now()
    if not shelf.is_dir():
        raise MaterialError(f"A shelf is a folder of reels, found none at {shelf}; name another.")
    if not options.go and (options.who or options.why):
        raise CallerError("--who and --why go with --go WHAT; without it nothing is removed, only listed.")
    if options.go and not options.reels:
        raise CallerError("--go needs the reels that it is about; name their folders on the shelf.")
    word = checked_word(options.who, options.why, at) if options.go else None
    places = {
        "captures": tuple(Path(each) for each in options.capture),
        "copies_at": tuple(Path(each).resolve() for each in options.copy_at),
    }
    reels = tuple(options.reels)
    with asked_of(shelf, at, **places) as asked:
        if word is None:
            return listed(list_items(asked, reels), book=asked.book is not None)
        went = let_go_named(asked, reels, tuple(options.go), word, progress)
    return Answer(
        document={"went": [asdict(each) for each in went]}, lines=tuple(went_words(each) for each in went)
    )


def let_go_named(
    asked: Asked, reels: tuple[str, ...], kinds: tuple[str, ...], word: Word, progress: Progress
) -> tuple[Went, ...]:
    """Let go of these reels what is named, all of it or nothing."""
    return let_go(chosen_items(list_items(asked, reels), kinds, reels), asked, word, progress)


def went_words(each: Went) -> str:
    """What went, in one sentence."""
    return f"{each.reel}: {_named(each)} went, {each.files} files, {plain_size(each.freed)} given back; {each.paper}"


def _named(each: Went) -> str:
    return f"{each.what} of {each.of}" if each.of else each.what


def checked_word(who: str, why: str, at: str) -> Word:
    """A person's word, by name and with its reason."""
    return Word(
        who=one_line(who, "--who, the person whose word it is,"),
        why=one_line(why, "--why, the reason that stays in the book,", most=300),
        at=at,
    )


def chosen_items(items: tuple[Item, ...], kinds: tuple[str, ...], reels: tuple[str, ...]) -> tuple[Item, ...]:
    """The items that a person named; refuses where one of them is not there, or stays."""
    chosen = tuple(item for item in items if item.what in kinds)
    lacking = [
        f"{reel} {kind}"
        for reel in dict.fromkeys(reels)
        for kind in dict.fromkeys(kinds)
        if not any((item.reel, item.what) == (reel, kind) for item in chosen)
    ]
    if lacking:
        raise MaterialError(
            f"What is to go must be on the list, and {', '.join(lacking)} is not: nothing of it is there, or the capture is not at "
            "hand (--capture). Nothing was removed."
        )
    refuse_what_stays(chosen)
    return chosen


def listed(items: tuple[Item, ...], *, book: bool) -> Answer:
    """The list as the command and the page show it."""
    may = [item for item in items if item.may_go]
    total = freed_bytes(item.folder / name for item in may for name in item.names)
    lines = [*map(item_words, may), *_staying(items)]
    lines.append(
        f"{total / 1e9:.3f} GB may go. Nothing was removed: that takes a person's word (--go WHAT --who NAME --why WORDS)."
    )
    if not book:
        lines.append(
            "There is no book on this shelf: holds, and whether film went back, are known to whoever gives the word, not to the "
            "program."
        )
    return Answer(
        document={"items": [_plain(item) for item in items], "may_go_bytes": total, "book": book},
        lines=tuple(lines),
    )


def _staying(items: tuple[Item, ...]) -> list[str]:
    """What stays: a reel of which all stays in one line, with the reasons that all of it has."""
    lines = []
    for reel in dict.fromkeys(item.reel for item in items):
        own = [item for item in items if item.reel == reel]
        common = [why for why in own[0].against if all(why in item.against for item in own)]
        begun = any(item.begun for item in own)
        lines += [f"{reel}: all of it stays: {'; '.join(common)}"] if common and not begun else []
        lines += [item_words(item) for item in own if not item.may_go and (begun or not common)]
    return lines


def _plain(item: Item) -> dict[str, Any]:
    return {
        "reel": item.reel,
        "what": item.what,
        "of": item.of,
        "may_go": item.may_go,
        "files": len(item.names),
        "bytes": item.bytes,
        "freed_bytes": item.freed,
        "because": list(item.because),
        "against": list(item.against),
        "words": item_words(item),
        "interrupted": bool(item.begun),
        "went_already": item.went,
    }
