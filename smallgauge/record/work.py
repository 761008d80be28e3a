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
    ) -> Iterator[tuple[Job, Result]]:
        """Run them; `watch` is told the frames done in this call."""
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
    ) -> "Future[Result]":
        """Give out one job; the future brings its result or its error."""
        ...


def silent(what: str, done: int, of: int) -> None:
    """Progress that nobody looks at."""
