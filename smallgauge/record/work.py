"""What a pass is given to work with: a runner of jobs and somebody to tell how far it is."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from typing import Protocol, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

Progress = Callable[[str, int, int], None]
"""Called with (what, done, of) while a pass works; `of` is in frames, samples or files as `what` says."""


class Runner(Protocol):
    """Runs jobs somewhere and yields each with its result, in no fixed order."""

    def run(
        self,
        function: Callable[[Job, Callable[[int], None]], Result],
        jobs: Iterable[Job],
        *,
        watch: Callable[[int], None] | None = None,
        outside: bool = False,
        mend: Callable[[Job], Job | None] | None = None,
    ) -> Iterator[tuple[Job, Result]]:
        """Run them; `watch` is told the frames done in this call. `outside`: they read outside material, in processes that
        may die; of a job that died twice `mend` may make another."""
        ...

    def submit(
        self,
        function: Callable[[Job, Callable[[int], None]], Result],
        job: Job,
        *,
        limit_s: float | None = None,
        outside: bool = False,
    ) -> "Future[Result]":
        """Give out one job; the future brings its result or its error."""
        ...

    def beside(
        self,
        function: Callable[[Job, Callable[[int], None]], Result],
        job: Job,
        then: Callable[[Result], None],
        *,
        watch: Callable[[int], None],
    ) -> None:
        """Do one job beside all others; `then` is called here with its result, at once or when the runner is settled.

        `watch` is told 0 when it is waited for, and 1 when it is done.
        """
        ...

    def rest(self) -> None:
        """Let idle processes go: memory is needed here."""
        ...


class Helper(Protocol):
    """Does one job beside the caller."""

    workers: int

    def submit(
        self,
        function: Callable[[Job, Callable[[int], None]], Result],
        job: Job,
        *,
        limit_s: float | None = None,
        outside: bool = False,
    ) -> "Future[Result]":
        """Give out one job; the future brings its result or its error."""
        ...


# How a pool tells that a process died: with its job in hand, or before it was known to have one.
_DEATHS = ("ProcessExpired", "BrokenProcessPool")


def died(error: BaseException | None) -> bool:
    """Whether a job's error is the death of its process, or its being refused memory, rather than a word of its own."""
    return isinstance(error, MemoryError) or type(error).__name__ in _DEATHS


def silent(what: str, done: int, of: int) -> None:
    """Progress that nobody looks at."""
