"""Who does the work: this process, or several beside it.

A job is a plain function of a frozen description and a `tick` to call with frames done; only the
description goes out and a small result comes back, never pictures. With one worker jobs run here, one
after the other; with more, each in a process of its own (started afresh, not forked), and when one
dies only its job is lost and given out once more. What reads outside material (`outside=True`) never runs here: it has a
process of its own even with one worker, under a ceiling of memory and a limit of time between two ticks. With a cluster, workers on
other computers do the jobs.

Why this is long: how processes of a crew begin, what they may take and how they end is one agreement with those that give out work.
"""

import contextlib
import ctypes
import faulthandler
import hashlib
import os
import platform
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from smallgauge.cluster import Cluster, ClusterAsked, refuse_unlike
from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.record.work import died

Job = TypeVar("Job")
Result = TypeVar("Result")
Tick = Callable[[int], None]

NICENESS = 10  # of work behind the people at the machine
# Ceilings of a process that reads outside material; common practice, no source. The largest frame takes a tenth of them.
SILENT_S = 300.0  # between two ticks, that is for one frame
MEMORY_BYTES = 8 * 2**30

# Each process of a crew is one core's: threads that libraries would start of themselves, one a core, come on top of the others'.
_ONE_THREAD = (
    "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "OPENCV_FOR_THREADS_NUM", "OPENIMAGEIO_THREADS",
    "POLARS_MAX_THREADS",
)  # fmt: skip

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # parameters of mallopt, as glibc's malloc.h has them
# Larger pieces of memory go back when they are freed: above a frame's light. Measured: docs/benchmarks.md, own CPU of each pass.
KEPT_PIECE_BYTES = 64 * 2**20

_counter: Any = None  # shared with the processes of a crew: frames done so far


def prepare_kernels() -> None:
    """Say where compiled kernels are kept, before numba is imported; without a writable place they are
    compiled anew in every process. And that every library is to work with one thread, in this process and those it starts."""
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    if "NUMBA_CACHE_DIR" in os.environ:
        return
    base = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    folder = Path(base) / "smallgauge" / "kernels" / _kernels_digest()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if os.access(folder, os.W_OK):
            os.environ["NUMBA_CACHE_DIR"] = str(folder)
    except OSError:
        pass


def _kernels_digest() -> str:
    """Of all compiled files together: one of them holds code of another, which the compiler does not watch."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*/kernels*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


START = "spawn"  # how processes of a crew begin: afresh
_kept: Any = None  # the one process beside a crew of one, kept for the next crew: starting it costs more than most of its jobs


def _end_in_order(number: int, frame: object) -> None:
    """Asked to end: an unfinished file is taken away; a process that is ending already goes on with that, without a word."""
    import sys
    from multiprocessing.util import is_exiting

    if not is_exiting():
        sys.exit(0)


def _ask_again(unraisable: Any) -> None:
    """Asked to end where Python lets no error out, as in a destructor: without a word, and a moment later once more."""
    import signal
    import sys

    if unraisable.exc_type is not None and issubclass(unraisable.exc_type, SystemExit):
        later = threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGTERM))
        later.daemon = True
        later.start()
    else:
        sys.__unraisablehook__(unraisable)


def _start(counter: Any) -> None:
    global _counter
    import signal
    import sys

    _counter = counter
    prepare_kernels()
    keep_memory()
    leave_ending_to_parent()
    sys.unraisablehook = _ask_again
    signal.signal(signal.SIGTERM, _end_in_order)


def _limit_memory(ceiling: int) -> None:
    """Let the system refuse this process more memory than the ceiling; where it can't, nothing."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_DATA)
        resource.setrlimit(resource.RLIMIT_DATA, (ceiling, most))


def keep_memory() -> None:
    """Let freed frames stay with this process until its job is done: of one given back each page is asked for anew by the next.

    By glibc's own rule what is larger than 32 MiB goes back at once, and what is free at the heap's end from twice the
    largest such piece on. An encoder's room for a packet, 380 MB of 2048 x 1536, goes back as before. Nothing happens with
    another C library.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_MMAP_THRESHOLD, KEPT_PIECE_BYTES)
        library.mallopt(_TRIM_THRESHOLD, 2 * KEPT_PIECE_BYTES)


def give_back_memory() -> None:
    """Give the system what this process has freed: glibc keeps freed frames (of up to 32 MiB each) for itself, a survey's
    worth of them a gigabyte. Nothing happens with another C library."""
    with contextlib.suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def _stop_kept() -> None:
    global _kept
    if _kept is not None:
        _kept.stop()
        _kept.join()
        _kept = None


def leave_ending_to_parent() -> None:
    """Let the parent answer Ctrl-C for all, and end at once when it is gone: the next run must find nobody writing."""
    import signal
    from multiprocessing import connection, parent_process

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()

    def end_with_parent() -> None:
        if parent is not None:
            connection.wait([parent.sentinel])
            os._exit(1)

    threading.Thread(target=end_with_parent, daemon=True).start()


def work_behind() -> None:
    """Go behind the people at the machine, in a process that they or the queue have started."""
    leave_ending_to_parent()
    with contextlib.suppress(AttributeError, OSError):  # a system without priorities
        os.nice(NICENESS)


ENDED_TWICE = (
    "A working process was ended twice from outside (often for want of memory); "
    "close other programs or give --workers 1, and run the same command again."
)


def _shared() -> int:
    """Frames done so far by all processes of all crews of this process."""
    return 0 if _counter is None else int(_counter.value)


def _tick_shared(frames: int) -> None:
    with _counter.get_lock():
        _counter.value += frames


def _no_tick(frames: int) -> None:
    """Nobody counts."""


def _run_shared(function: Callable[[Any, Tick], Any], job: Any, tick: Tick = _tick_shared) -> Any:
    try:
        return function(job, tick)
    finally:
        give_back_memory()


def _run_far(needed: dict[str, str], function: Callable[[Any, Tick], Any], job: Any) -> tuple[Any, int]:
    """On a worker of a cluster: a job's result, and the frames done; first of all, does it make the same bytes?"""
    refuse_unlike(needed, platform.node())
    prepare_kernels()
    keep_memory()
    frames: list[int] = []
    try:
        return function(job, frames.append), sum(frames)
    finally:
        give_back_memory()


def _run_outside(function: Callable[[Any, Tick], Any], job: Any, silent_s: float, memory: int) -> Any:
    """A job under ceilings: `faulthandler` ends the process from a thread of the system when no tick comes in time."""
    _limit_memory(memory)
    nowhere = open(os.devnull, "w")  # noqa: PTH123, SIM115 - closed below, and the handler keeps its number

    def tick(frames: int) -> None:
        faulthandler.dump_traceback_later(silent_s, exit=True, file=nowhere)
        _tick_shared(frames)

    try:
        tick(0)
        return function(job, tick)
    finally:
        faulthandler.cancel_dump_traceback_later()
        nowhere.close()
        give_back_memory()


class Crew:
    """The workers of one run; a context manager. `apart`: not even a single worker is this process.

    With `cluster` the jobs go to other computers' workers, which must see all of `places` under the same paths; the
    first of them is the reel's folder.
    """

    def __init__(
        self,
        workers: int | None = None,
        *,
        apart: bool = False,
        cluster: ClusterAsked | None = None,
        places: tuple[Path, ...] = (),
    ) -> None:
        self.workers = workers if workers is not None else (os.cpu_count() or 1)
        self.here = (  # jobs run in this process, one after the other
            self.workers <= 1 and not apart and cluster is None
        )
        self._pool: Any = None
        self._other: Any = None  # one process more, for what is done beside
        self._beside: list[_Beside] = []
        self._cluster = Cluster(cluster) if cluster is not None else None
        self._places = places
        self._done_here = 0
        self._done_before = _shared()
        prepare_kernels()

    def __enter__(self) -> Self:
        if self._cluster is not None:
            with contextlib.ExitStack() as stack:
                stack.enter_context(self._cluster)
                self._cluster.check_places(*self._places)
                self.workers = self._cluster.workers
                stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        settled = False
        try:
            if kind is None:
                self.settle()
                settled = True
        finally:
            if self._cluster is not None:
                self._cluster.__exit__(kind, error, trace)
            for pool in (self._pool, self._other):
                if pool is not None:
                    if settled:
                        pool.close()
                    else:
                        pool.stop()
                    pool.join()
            self._pool = self._other = None

    def _open(self) -> Any:
        """The pool: this crew's own, or, where the jobs run here, the one process that is kept for outside material."""
        global _kept
        if not self.here:
            self._pool = self._opened(self._pool, self.workers)
            return self._pool
        before, _kept = _kept, self._opened(_kept, 1)
        if _kept is not before:
            from multiprocessing.util import Finalize

            # Stopped before multiprocessing waits for its processes at this one's end; a function of `atexit` comes too late.
            Finalize(None, _stop_kept, exitpriority=10)
        return _kept

    def _opened(self, pool: Any, workers: int) -> Any:
        global _counter
        if pool is not None and not pool.active:  # broken by a worker that died between two jobs
            pool.stop()
            pool.join()
            pool = None
        if pool is None:
            import multiprocessing

            from pebble import ProcessPool

            context = multiprocessing.get_context(START)
            if _counter is None:
                _counter = context.Value("q", 0)
            pool = ProcessPool(
                max_workers=workers,
                max_tasks=0,
                context=context,
                initializer=_start,
                initargs=(_counter,),
            )
        return pool

    def submit(
        self,
        function: Callable[[Job, Tick], Result],
        job: Job,
        *,
        limit_s: float | None = None,
        outside: bool = False,
    ) -> "Future[Result]":
        """Give out one job; the future brings its result or its error. `outside`: it reads outside
        material. A cluster knows no limit of time, and its workers are processes apart anyhow."""
        give_back_memory()
        if self._cluster is not None:
            if limit_s is not None:
                raise CallerError(
                    "A piece of work with a limit of time is done on this computer; leave --cluster out."
                )
            return self._cluster.submit(_run_far, function, job)
        if outside:
            ceilings = (SILENT_S, MEMORY_BYTES)
            expendable: Future[Result] = self._open().schedule(_run_outside, args=[function, job, *ceilings])
            return expendable
        if self.here:
            future: Future[Result] = Future()
            try:
                future.set_result(function(job, self._tick_here))
            except Exception as error:
                future.set_exception(error)
            return future
        scheduled: Future[Result] = self._open().schedule(_run_shared, args=[function, job], timeout=limit_s)
        return scheduled

    def beside(
        self,
        function: Callable[[Job, Tick], Result],
        job: Job,
        then: Callable[[Result], None],
        *,
        watch: Callable[[int], None],
    ) -> None:
        """Do one job in a process of its own while this crew's others go on with other jobs.

        `settle` calls `then` here with its result; where the jobs run in this process, both happen at once. `watch` is told 0
        when it is waited for, and 1 when it is done; its frames are not counted among those done.
        """
        if self.here:
            watch(0)
            result = function(job, _no_tick)
            watch(1)
            then(result)
            return
        give_back_memory()
        self._beside.append(_Beside(function, job, then, watch, self._give_other(function, job)))

    def _give_other(self, function: Callable[[Any, Tick], Any], job: Any) -> "Future[Any]":
        self._other = self._opened(self._other, 1)
        future: Future[Any] = self._other.schedule(_run_shared, args=[function, job, _no_tick])
        return future

    def rest(self) -> None:
        """Let idle processes go, for what comes next needs their memory here; the next job starts others."""
        if self._pool is not None:
            self._pool.close()
            self._pool.join()
            self._pool = None

    def settle(self) -> None:
        """Wait for all that is done beside, in its order."""
        while self._beside:
            each = self._beside[0]
            each.watch(0)
            future = each.future
            if died(future.exception()):
                future = self._give_other(each.function, each.job)
            if died(future.exception()):
                raise SmallgaugeError(ENDED_TWICE)
            result = future.result()
            each.watch(1)
            each.then(result)
            self._beside.pop(0)

    def _tick_here(self, frames: int) -> None:
        self._done_here += frames

    def done(self) -> int:
        """Frames done by all workers since the crew was made."""
        if self._cluster is not None:
            return self._cluster.done()
        return self._done_here + _shared() - self._done_before

    def run(
        self,
        function: Callable[[Job, Tick], Result],
        jobs: Iterable[Job],
        *,
        watch: Callable[[int], None] | None = None,
        limit_s: float | None = None,
        outside: bool = False,
        mend: Callable[[Job], Job | None] | None = None,
    ) -> Iterator[tuple[Job, Result]]:
        """Run jobs, a few ahead, and yield each with its result as it is finished (in no fixed order).

        `watch` is called about four times a second with the frames done in this call. A job whose
        process died is given out once more; after its second death `mend` may give another job in its place, which is
        given out twice at most too; otherwise it is a plain error.
        """
        out = _Out(function, limit_s, outside, mend)
        begin = self.done()
        queue = iter(jobs)
        running: dict[Future[Result], tuple[Job, int]] = {}
        stop = threading.Event()
        watcher = self._watch(watch, begin, stop)
        try:
            for job in queue:
                running[self.submit(function, job, limit_s=limit_s, outside=outside)] = (job, 1)
                if len(running) >= self.workers * 2:
                    yield from self._finished(running, out)
            while running:
                yield from self._finished(running, out)
        finally:
            for future in running:
                future.cancel()
            stop.set()
            if watcher is not None:
                watcher.join()
            if watch is not None:
                watch(self.done() - begin)

    def _watch(
        self, watch: Callable[[int], None] | None, begin: int, stop: threading.Event
    ) -> threading.Thread | None:
        if watch is None:
            return None
        call = watch

        def look() -> None:
            while not stop.wait(0.25):
                call(self.done() - begin)

        thread = threading.Thread(target=look, daemon=True)
        thread.start()
        return thread

    def _finished(
        self,
        running: "dict[Future[Result], tuple[Job, int]]",
        out: "_Out",
    ) -> Iterator[tuple[Job, Result]]:
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            job, tries = running.pop(future)
            error = future.exception()
            if error is None:
                yield job, future.result()
                continue
            if not died(error):
                raise error
            if tries == 2 and out.mend is not None and (other := out.mend(job)) is not None:
                job, tries = other, 2  # it is given out twice: once now, and once more below
            elif tries % 2 == 0:
                raise SmallgaugeError(ENDED_TWICE)
            time.sleep(0.1)
            again = self.submit(out.function, job, limit_s=out.limit_s, outside=out.outside)
            running[again] = (job, tries + 1)


@dataclass(frozen=True, slots=True)
class _Beside:
    """A job that is done beside all others."""

    function: Callable[[Any, Tick], Any]
    job: Any
    then: Callable[[Any], None]
    watch: Callable[[int], None]
    future: "Future[Any]"


@dataclass(frozen=True)
class _Out:
    """How the jobs of one run are given out."""

    function: Callable[[Any, Tick], Any]
    limit_s: float | None
    outside: bool
    mend: Callable[[Any], Any] | None
