"""Work in hand: runs started from the bench and packs being made, each in a process of its own at lower priority.

Task       one run: what is done to which reel, and how far
Hand       starts runs one after the other, pauses, stops and starts them again, and tells the page by numbered events

The server itself does no long work. A run that is stopped, or whose bench ends, loses nothing: the same run goes on from there, as
after a power cut. A run that is waiting, finished or failed stays listed until somebody puts it away.
"""

import contextlib
import multiprocessing
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import count
from multiprocessing import connection
from pathlib import Path
from typing import Any

from smallgauge.crew import work_behind
from smallgauge.deliver.phrases import list_words
from smallgauge.deliver.words import outcome_words, sentence
from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.line import STEPS, Outcome, Settings, finish, finish_reel
from smallgauge.lock import held_by
from smallgauge.record.finding import Finding
from smallgauge.workbench.packs import make_pack

STOP_S = 5.0  # for a run's process to end by itself
TELL_S = 0.2  # between two reports of a run
MOST_EVENTS = 500  # kept for a page that comes back
MOST_ENDED = 50  # runs that have ended and were not put away
STEP_WORDS = {
    "analyse": "reading and measuring",
    "treat": "proposing the treatment",
    "render": "making the films",
    "prove": "checking the films",
    "deliver": "making the package",
}
PACK = "pack"
LIVE = ("waiting", "running", "paused", "stopping")
GOING = ("running", "paused")
STOPPED = "Stopped. What is whole is kept; started again, it goes on from there."


class InHand(CallerError):
    """The reel is being worked on already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One run: of a capture onto the shelf, or of a reel's folder from its archive copy; `upto` is a step, or "pack"."""

    reel: str  # name on the shelf, or of the capture
    shelf: Path
    upto: str
    capture: Path | None = None
    at: str = ""
    workers: int | None = None

    @property
    def folder(self) -> Path:
        """The reel's folder."""
        return self.shelf / self.reel

    @property
    def words(self) -> str:
        """What is done, for a person."""
        return "little pictures" if self.upto == PACK else f"up to {STEP_WORDS[self.upto]}"


@dataclass(slots=True, kw_only=True)
class Item:
    """One run as it stands; changed under the lock of its Hand."""

    number: int
    task: Task
    state: str = "waiting"  # waiting, running, paused, stopping, stopped, done, failed
    what: str = ""
    done: int = 0
    of: int = 0
    first: int = 0
    since: float = 0.0
    words: str = ""
    findings: list[str] = field(default_factory=list)
    process: Any = None

    def paper(self) -> dict[str, Any]:
        """The run's twin."""
        left = self.left_s() if self.state == "running" else None
        return {
            "id": self.number,
            "reel": self.task.reel,
            "title": self.task.words,
            "pack": self.task.upto == PACK,
            "upto": self.task.upto,
            "state": self.state,
            "what": self.what,
            "done": self.done,
            "of": self.of,
            "left_s": left,
            "left_words": left_words(left),
            "words": self.words,
            "findings": list(self.findings),
        }

    def left_s(self) -> int | None:
        """Seconds left of this part, at its pace so far; None where no pace can be told yet."""
        took, made = time.monotonic() - self.since, self.done - self.first
        return round((self.of - self.done) * took / made) if made > 0 and took > 1 else None


def left_words(seconds: int | None) -> str:
    """Time left of a part, as roughly as it is known.

    Examples
    --------
    >>> left_words(40), left_words(150), left_words(9000), left_words(None)
    ('under a minute left', 'about 3 minutes left', 'about 2.5 hours left', '')
    """
    if seconds is None:
        return ""
    if seconds < 60:
        return "under a minute left"
    if seconds < 3600:
        minutes = -(-seconds // 60)
        return f"about {minutes} minute{'' if minutes == 1 else 's'} left"
    return f"about {seconds / 3600:.1f} hours left"


class Hand:
    """The runs of one bench. Any thread may ask."""

    def __init__(self, held: Callable[[Path, str, str], str] | None = None) -> None:
        self.held = held
        self._lock = threading.RLock()
        self._items: dict[int, Item] = {}
        self.ending: Callable[[], bool] = lambda: (
            False
        )  # asked by streams of events, which end with the server
        self._begun = secrets.token_hex(4)
        self._numbers = count(1)
        self._count = 0
        self._events: deque[tuple[int, dict[str, Any]]] = deque(maxlen=MOST_EVENTS)
        self._closing = False
        self._packs: set[Path] = set()

    # What the bench asks

    def paper(self) -> dict[str, Any]:
        """All runs, and the number of the last event."""
        with self._lock:
            return {
                "event": f"{self._begun}-{self._count}",
                "items": [item.paper() for item in self._items.values()],
                "steps": [list(pair) for pair in STEP_WORDS.items()],
            }

    def events_after(self, last: str) -> list[tuple[str, dict[str, Any]]]:
        """Events after one that the page has; all runs as they stand, where that one is not known any more."""
        begun, _, number = last.partition("-")
        with self._lock:
            seen = int(number) if begun == self._begun and number.isdecimal() and len(number) < 12 else -1
            first = self._events[0][0] if self._events else self._count + 1
            if not first - 1 <= seen <= self._count:
                return [(f"{self._begun}-{self._count}", self.paper())]
            return [(f"{begun}-{n}", {"items": [told]}) for n, told in self._events if n > seen]

    @property
    def closing(self) -> bool:
        """Whether the bench ends: streams of events end too."""
        return self._closing or self.ending()

    def start(self, task: Task) -> dict[str, Any]:
        """Put a run in hand; InHand where the reel is worked on already."""
        with self._lock:
            self._free(task)
            item = self._add(task)
            self._next()
            return item.paper()

    def again(self, number: int, at: str) -> dict[str, Any]:
        """Start a run again that was stopped or failed: it goes on from there."""
        with self._lock:
            item = self._named(number)
            if item.state not in ("stopped", "failed"):
                raise CallerError(
                    f"Only a run that was stopped or failed is started again; this one is {item.state}."
                )
            self._free(item.task)
            del self._items[number]
            self._gone(item)
            task = item.task
            item = self._add(replace(task, at=at))
            self._next()
            return item.paper()

    def want(self, folder: Path) -> None:
        """Have the pack of a reel made, unless that was begun already."""
        with self._lock:
            if folder not in self._packs and not self._closing:
                self._packs.add(folder)
                self._add(Task(reel=folder.name, shelf=folder.parent, upto=PACK))
                self._next()

    def pause(self, number: int) -> dict[str, Any]:
        """Let a run rest where it is; it keeps its memory and its reel."""
        with self._lock:
            item = self._named(number)
            if item.state != "running":
                raise CallerError(f"Only a run that is running can pause; this one is {item.state}.")
            for process in _family(item):
                with _gone_meanwhile():
                    process.suspend()
            return self._say(item, state="paused")

    def go_on(self, number: int) -> dict[str, Any]:
        """Let a paused run go on."""
        with self._lock:
            item = self._named(number)
            if item.state != "paused":
                raise CallerError(f"Only a run that pauses can go on; this one is {item.state}.")
            _wake(item)
            item.first, item.since = item.done, time.monotonic()
            return self._say(item, state="running")

    def stop(self, number: int) -> dict[str, Any]:
        """End a run; what is whole is kept."""
        with self._lock:
            item = self._named(number)
            if item.state not in ("waiting", "running", "paused"):
                raise CallerError(
                    f"Only a run that is waiting or running can be stopped; this one is {item.state}."
                )
            process = item.process
            self._say(item, state="stopping")
        _end(item, process)
        with self._lock:
            told = self._say(item, state="stopped", words=STOPPED)
            self._next()
        return told

    def put_away(self, number: int) -> dict[str, Any]:
        """Take a run that has ended off the list."""
        with self._lock:
            item = self._named(number)
            if item.state in LIVE:
                raise CallerError(f"Only a run that has ended is put away; this one is {item.state}.")
            del self._items[number]
            return self._gone(item)

    def close(self) -> None:
        """Stop every run; whole parts are kept."""
        with self._lock:
            self._closing = True
            live = [(item, item.process) for item in self._items.values() if item.state in LIVE]
            for item, _ in live:
                item.state = "stopped"
        for item, process in live:
            _end(item, process)

    # Inside

    def _free(self, task: Task) -> None:
        if self._closing:
            raise InHand("The bench is being closed; start it again, then the run.")
        for item in self._items.values():
            if item.task.reel == task.reel and item.task.upto != PACK and item.state in LIVE:
                raise InHand(
                    f"{task.reel} is in hand already ({item.task.words}, {item.state}); wait for it, or stop it."
                )
        who = held_by(task.folder)
        if who is not None:
            raise InHand(f"{task.reel} is being worked on by {who}; wait for it to end.")

    def _add(self, task: Task) -> Item:
        number = next(self._numbers)
        item = self._items[number] = Item(number=number, task=task)
        ended = [n for n, each in self._items.items() if each.state not in LIVE]
        for old in ended[: max(0, len(ended) - MOST_ENDED)]:
            self._gone(self._items.pop(old))
        self._say(item)
        return item

    def _named(self, number: int) -> Item:
        item = self._items.get(number)
        if item is None:
            raise CallerError(f"No run {number} is in hand; look at the list again.")
        return item

    def _say(self, item: Item, **changes: Any) -> dict[str, Any]:
        for name, value in changes.items():
            setattr(item, name, value)
        return self._tell(item.paper())

    def _gone(self, item: Item) -> dict[str, Any]:
        return self._tell({**item.paper(), "state": "put away"})

    def _tell(self, told: dict[str, Any]) -> dict[str, Any]:
        self._count += 1
        self._events.append((self._count, told))
        return told

    def _next(self) -> None:
        """Begin the next run that waits, of packs and of other runs one each."""
        for packs in (True, False):
            mine = [item for item in self._items.values() if (item.task.upto == PACK) is packs]
            waiting = [item for item in mine if item.state == "waiting"]
            if waiting and not self._closing and not any(item.state in (*GOING, "stopping") for item in mine):
                self._begin(waiting[0])

    def _begin(self, item: Item) -> None:
        context = multiprocessing.get_context("spawn")
        listening, telling = context.Pipe(duplex=False)
        item.process = context.Process(target=run_task, args=(item.task, self.held, telling))
        item.process.start()
        telling.close()
        item.since = time.monotonic()
        self._say(item, state="running")
        threading.Thread(target=self._listen, args=(item, item.process, listening), daemon=True).start()

    def _listen(self, item: Item, process: Any, listening: Any) -> None:
        """Take in what a run's process tells, until it ends."""
        with contextlib.suppress(EOFError, OSError):
            while True:
                kind, told = listening.recv()
                with self._lock:
                    if item.state not in GOING or self._closing:
                        continue
                    if kind == "progress":
                        self._progress(item, *told)
                    elif kind == "finding":
                        self._say(item, findings=[*item.findings, told])
                    elif kind == "done" and item.task.upto == PACK:
                        item.state = kind
                        self._gone(self._items.pop(item.number))
                    else:
                        self._say(item, state=kind, words=told)
        process.join()
        with self._lock:
            if item.state in GOING and not self._closing:
                self._say(
                    item,
                    state="failed",
                    words="The run was ended from outside (often for want of memory). What is whole is kept; start it again.",
                )
            self._next()

    def _progress(self, item: Item, what: str, done: int, of: int) -> None:
        if what != item.what:
            item.first, item.since = done, time.monotonic()
        self._say(item, what=what, done=done, of=of)


def _family(item: Item) -> list[Any]:
    """A run's process and those that it started."""
    import psutil

    with _gone_meanwhile():
        parent = psutil.Process(item.process.pid)
        return [parent, *parent.children(recursive=True)]
    return []


def _gone_meanwhile() -> Any:
    import psutil

    return contextlib.suppress(psutil.Error)


def _wake(item: Item) -> None:
    for process in _family(item):
        with _gone_meanwhile():
            process.resume()


def _end(item: Item, process: Any) -> None:
    """End a run's process; those that it started end with it, as they watch it."""
    if process is None:
        return
    family = _family(item)
    process.terminate()
    for each in family:  # one that pauses ends only when it is woken
        with _gone_meanwhile():
            each.resume()
    if not connection.wait([process.sentinel], STOP_S):
        process.kill()
        connection.wait([process.sentinel])
    process.join()  # so that nobody takes what is left of it for a process that lives


def run_task(task: Task, held: Callable[[Path, str, str], str] | None, telling: Any) -> None:
    """One run, in a process of its own: what it does and how it ends goes through the pipe."""
    work_behind()
    tell = _Teller(telling)
    try:
        if task.upto == PACK:
            make_pack(task.folder, progress=tell.progress)
            tell.end("done", "The little pictures are there.")
            return
        settings = Settings(
            at=task.at, workers=task.workers, last_step=task.upto, progress=tell.progress, say=tell.finding
        )
        if held is not None:
            settings = replace(settings, held=held)
        outcome = (
            finish(task.capture, task.shelf, settings)
            if task.capture is not None
            else finish_reel(task.folder, settings)
        )
        tell.end("done" if outcome.exit_code < 2 else "failed", _ended_words(outcome))
    except SmallgaugeError as error:
        tell.end("failed", str(error))
    except OSError as error:
        place = f" at {error.filename}" if error.filename else ""
        tell.end(
            "failed",
            f"The system refused to read or write: {error.strerror or error}{place}; mend that, then start again.",
        )
    except Exception as error:
        tell.end(
            "failed",
            f"The program itself failed ({type(error).__name__}: {error}). Captured files are untouched and what was made is kept; "
            "please report this.",
        )


def _ended_words(outcome: Outcome) -> str:
    """How a run ended; what is open stands in its findings."""
    if outcome.exit_code == 1:
        did = f"Done: {list_words(outcome.steps)}." if outcome.steps else "Nothing was done."
        return f"{did} Something is open, and stands below."
    name = Path(outcome.folder).name
    return outcome_words(name, outcome.steps, proved=outcome.proved, exit_code=outcome.exit_code)


class _Teller:
    """Sends what a run tells, a few times a second."""

    def __init__(self, telling: Any) -> None:
        self.telling, self.what, self.last = telling, "", 0.0

    def progress(self, what: str, done: int, of: int) -> None:
        now = time.monotonic()
        if what != self.what or done >= of or now - self.last >= TELL_S:
            self.what, self.last = what, now
            self._send("progress", (what, done, of))

    def finding(self, finding: Finding) -> None:
        if finding.weight != "note":
            self._send("finding", sentence(finding))

    def end(self, state: str, words: str) -> None:
        self._send(state, words)

    def _send(self, kind: str, told: Any) -> None:
        with contextlib.suppress(OSError):  # the bench is gone, and this process ends too
            self.telling.send((kind, told))


def step_named(text: str) -> str:
    """A step of the line that a run may go up to."""
    if text not in STEPS:
        raise CallerError(f"A run goes up to one of {', '.join(STEPS)}, asked for was '{text[:40]}'.")
    return text
