"""Libraries that make their callers more urgent than all else on the machine, kept from it."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def keep_urgency() -> Iterator[None]:
    """Whatever is begun here, threads of this process get no more urgent than the one that begins it.

    A library that is run by a superuser may make itself and its caller real-time threads, before which nothing else on the machine
    gets a turn, and every process that is begun later inherits it. Linux only, where alone it was seen; elsewhere nothing is done.

    Examples
    --------
    >>> with keep_urgency():
    ...     pass
    """
    threads = Path("/proc/self/task")
    if not hasattr(os, "sched_setscheduler") or not threads.is_dir():
        yield
        return
    before, priority = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        yield
    finally:
        for each in threads.iterdir():
            with contextlib.suppress(OSError):  # a thread that has ended meanwhile
                if os.sched_getscheduler(int(each.name)) != before:
                    os.sched_setscheduler(int(each.name), before, priority)
