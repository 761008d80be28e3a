"""Who does the work: this process, or several beside it.

A job is a plain function of a frozen description and a `tick` to call with frames done; only the
description goes out and a small result comes back, never pictures. With one worker jobs run here, one
after the other; with more, each in a process of its own (started afresh, not forked), and when one
dies only its job is lost and given out once more. With a cluster, workers on other computers do them.
"""

import contextlib
import hashlib
import os
import platform
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from smallgauge.cluster import Cluster, ClusterAsked, refuse_unlike
from smallgauge.errors import CallerError, SmallgaugeError

Job = TypeVar("Job")
Result = TypeVar("Result")
Tick = Callable[[int], None]

NICENESS = 10  # of work behind the people at the machine

_counter: Any = None  # shared with the processes of a crew: frames done so far


def prepare_kernels() -> None:
    """Say where compiled kernels are kept, before numba is imported; without a writable place they are
    compiled anew in every process."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("NUMBA_NUM_THREADS", "1")
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


def _start(counter: Any) -> None:
    global _counter
    _counter = counter
    prepare_kernels()
    leave_ending_to_parent()


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


# How the pool tells that a worker died: with its job in hand, or before it was known to have one.
_DEATHS = ("ProcessExpired", "BrokenProcessPool")


def _tick_shared(frames: int) -> None:
    with _counter.get_lock():
        _counter.value += frames


def _run_shared(function: Callable[[Any, Tick], Any], job: Any) -> Any:
    return function(job, _tick_shared)


def _run_far(needed: dict[str, str], function: Callable[[Any, Tick], Any], job: Any) -> tuple[Any, int]:
    """On a worker of a cluster: a job's result, and the frames done; first of all, does it make the same bytes?"""
    refuse_unlike(needed, platform.node())
    prepare_kernels()
    frames: list[int] = []
    return function(job, frames.append), sum(frames)


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
        self._cluster = Cluster(cluster) if cluster is not None else None
        self._places = places
        self._done_here = 0
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
        if self._cluster is not None:
            self._cluster.__exit__(kind, error, trace)
        if self._pool is not None:
            if kind is None:
                self._pool.close()
            else:
                self._pool.stop()
            self._pool.join()
            self._pool = None

    def _open(self) -> Any:
        global _counter
        if self._pool is not None and not self._pool.active:  # broken by a worker that died between two jobs
            self._pool.stop()
            self._pool.join()
            self._pool = None
        if self._pool is None:
            import multiprocessing

            from pebble import ProcessPool

            context = multiprocessing.get_context("spawn")
            if _counter is None:
                _counter = context.Value("q", 0)
            self._pool = ProcessPool(
                max_workers=self.workers,
                max_tasks=0,
                context=context,
                initializer=_start,
                initargs=(_counter,),
            )
        return self._pool

    def submit(
        self, function: Callable[[Job, Tick], Result], job: Job, *, limit_s: float | None = None
    ) -> "Future[Result]":
        """Give out one job; the future brings its result or its error. A cluster knows no limit of time."""
        if self._cluster is not None:
            if limit_s is not None:
                raise CallerError(
                    "A piece of work with a limit of time is done on this computer; leave --cluster out."
                )
            return self._cluster.submit(_run_far, function, job)
        if self.here:
            future: Future[Result] = Future()
            try:
                future.set_result(function(job, self._tick_here))
            except Exception as error:
                future.set_exception(error)
            return future
        scheduled: Future[Result] = self._open().schedule(_run_shared, args=[function, job], timeout=limit_s)
        return scheduled

    def _tick_here(self, frames: int) -> None:
        self._done_here += frames

    def done(self) -> int:
        """Frames done by all workers since the crew was made."""
        if self._cluster is not None:
            return self._cluster.done()
        return self._done_here if self.here or _counter is None else int(_counter.value)

    def run(
        self,
        function: Callable[[Job, Tick], Result],
        jobs: Iterable[Job],
        *,
        watch: Callable[[int], None] | None = None,
        limit_s: float | None = None,
    ) -> Iterator[tuple[Job, Result]]:
        """Run jobs, a few ahead, and yield each with its result as it is finished (in no fixed order).

        `watch` is called about four times a second with the frames done in this call. A job whose
        process died is given out once more; its second death is a plain error.
        """
        begin = self.done()
        queue = iter(jobs)
        running: dict[Future[Result], tuple[Job, int]] = {}
        stop = threading.Event()
        watcher = self._watch(watch, begin, stop)
        try:
            for job in queue:
                running[self.submit(function, job, limit_s=limit_s)] = (job, 1)
                if len(running) >= self.workers * 2:
                    yield from self._finished(running, function, limit_s)
            while running:
                yield from self._finished(running, function, limit_s)
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
        function: Callable[[Job, Tick], Result],
        limit_s: float | None,
    ) -> Iterator[tuple[Job, Result]]:
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            job, tries = running.pop(future)
            error = future.exception()
            if error is None:
                yield job, future.result()
            elif type(error).__name__ in _DEATHS and tries < 2:
                time.sleep(0.1)
                running[self.submit(function, job, limit_s=limit_s)] = (job, tries + 1)
            elif type(error).__name__ in _DEATHS:
                raise SmallgaugeError(
                    "A working process was ended twice from outside (often for want of memory); "
                    "close other programs or give --workers 1, and run the same command again."
                )
            else:
                raise error
