"""Letting files go from a page: the list with gigabytes and reasons, and a removal on a person's word.

List and removal are those of `smallgauge release`. A removal reads everything first, which takes as long as the files are
large, so it goes on beside the page, one at a time; a bench that is stopped meanwhile leaves it as the command does:
the list says how far it came, and the same word ends it.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.workbench.addresses import PAGE, TEXT, Address, Answer, Schema, change
from smallgauge.workbench.counter import plain_words
from smallgauge.workbench.hand import InHand

if TYPE_CHECKING:
    from smallgauge.office.let_go import Word
    from smallgauge.workbench.app import Bench

WHAT: Schema = {
    "type": "array",
    "items": {"type": "string", "enum": ["frames", "work", "finished", "everything"]},
    "maxItems": 4,
}
_GOING = {"going": "string", "done": "integer", "of": "integer", "said": "string", "refused": "boolean"}


class Releasing:
    """The removal that goes on, if any, and what became of the last one."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._told: dict[str, Any] = {"going": "", "done": 0, "of": 0, "said": "", "refused": False}

    def told(self) -> dict[str, Any]:
        """How far it is."""
        with self._guard:
            return dict(self._told)

    def begin(self, bench: Bench, reel: str, kinds: tuple[str, ...], word: Word) -> None:
        """Begin one; refused while another goes on."""
        with self._guard:
            if self._told["going"]:
                raise InHand(
                    f"Files of another reel go just now ({self._told['going']}); wait until that is done."
                )
            self._told = {
                "going": f"{reel}: {', '.join(kinds)}, being looked at",
                "done": 0,
                "of": 0,
                "said": "",
                "refused": False,
            }
        threading.Thread(target=self._run, args=(bench, reel, kinds, word), daemon=True).start()

    def _run(self, bench: Bench, reel: str, kinds: tuple[str, ...], word: Word) -> None:
        from smallgauge.office.release_desk import asked_of, let_go_named, went_words

        def progress(what: str, done: int, of: int) -> None:
            with self._guard:
                self._told |= {"going": f"{reel}: {what}", "done": done, "of": of}

        said, refused = "", True
        try:
            with asked_of(bench.shelf.folder.resolve(), word.at, captures=_captures(bench)) as asked:
                went = let_go_named(asked, (reel,), kinds, word, progress)
            said, refused = " ".join(went_words(each) for each in went), False
        except (SmallgaugeError, OSError) as error:
            said = str(error)
        except Exception as error:
            said = f"The program itself failed ({type(error).__name__}); please report this with what the bench printed."
            raise
        finally:
            with self._guard:
                self._told = {"going": "", "done": 0, "of": 0, "said": said, "refused": refused}


def release_addresses(bench: Bench, page: Answer) -> tuple[Address, ...]:
    """The page, its list, and the word that lets files go."""
    return (
        Address(path="/release", says="What may be removed.", answer=page, gives=PAGE),
        Address(
            path="/api/release",
            says="What may go of each reel with its bytes, why, and why the rest stays.",
            answer=bench.twin(lambda request: _list(bench)),
            gives={"items": "array", "may_go_bytes": "integer", "book": "boolean", "now": "object"},
        ),
        Address(
            path="/api/release/now",
            says="The removal that goes on, and what became of the last one.",
            answer=bench.twin(lambda request: bench.releasing.told()),
            gives=_GOING,
        ),
        Address(
            path="/api/release/go",
            says="Let files of one reel go, on a person's word by name and with its reason.",
            answer=bench.twin(lambda request: _go(bench, request)),
            takes=change(("by", "reel", "go", "why"), by=TEXT, reel=TEXT, go=WHAT, why=TEXT),
            gives=_GOING,
        ),
    )


def _captures(bench: Bench) -> tuple[Any, ...]:
    return tuple(bench.shelf.captures().values())


def _list(bench: Bench) -> dict[str, Any]:
    from smallgauge.office.may_go import list_items
    from smallgauge.office.release_desk import asked_of, listed

    with asked_of(bench.shelf.folder.resolve(), bench.now(), captures=_captures(bench)) as asked:
        told = listed(list_items(asked), book=asked.book is not None).document
    return {**told, "now": bench.releasing.told()}


def _go(bench: Bench, request: Request) -> dict[str, Any]:
    from smallgauge.office.may_go import list_items
    from smallgauge.office.release_desk import asked_of, checked_word, chosen_items

    body = {key: plain_words(value) for key, value in request.state.body.items()}
    kinds, at = tuple(dict.fromkeys(body["go"])), bench.now()
    if not kinds:
        raise CallerError("Nothing was named to go; name it.")
    word = checked_word(body["by"], body["why"], at)
    with asked_of(bench.shelf.folder.resolve(), at, captures=_captures(bench)) as asked:
        chosen_items(
            list_items(asked, (body["reel"],)), kinds, (body["reel"],)
        )  # refused at once, before anything is read
    bench.releasing.begin(bench, body["reel"], kinds, word)
    return bench.releasing.told()
