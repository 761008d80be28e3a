"""One process at a time in a reel's folder.

ReelLock     holds a reel's folder
tidy_reel    takes away what dead processes left in one
held_by      who works in one now

The lock says host, process and when that process began, and its file is touched while the work goes on.
A dead process of this host is taken over at once; another host's lock only after two minutes without a
touch and on a person's word.
"""

import contextlib
import json
import os
import platform
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.whole import clear_drafts, find_drafts, make_lock

TOUCH_S = 10.0
STALE_S = 120.0  # another host's lock may be taken over after this, on a person's word


class ReelLock:
    """Holds a reel's folder while it is open; a context manager."""

    def __init__(self, folder: Path, *, take_over: bool = False) -> None:
        self.path = folder / "work" / "lock"
        self.take_over = take_over
        self._mine = b""
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        import psutil

        self.path.parent.mkdir(parents=True, exist_ok=True)
        mine = {"host": platform.node(), "process": os.getpid(), "began": psutil.Process().create_time()}
        self._mine = data = json.dumps(mine).encode()
        if not make_lock(self.path, data):
            self._take_away(self._dispute())
            if not make_lock(self.path, data):
                raise CallerError(
                    f"{self.path.parent.parent} is being worked on by another process that was faster; "
                    "wait for it to end."
                )
        for left in self.path.parent.glob(
            f"{self.path.name}.*.dead"
        ):  # of one killed while it took a dead lock away
            with contextlib.suppress(OSError):
                left.unlink()
        clear_drafts(self.path.parent.parent)
        self._thread = threading.Thread(target=self._touch, daemon=True)
        self._thread.start()
        return self

    def _take_away(self, disputed: bytes) -> None:
        """Take a dead lock away; one that another process has made meanwhile is put back."""
        aside = self.path.with_name(f"{self.path.name}.{os.getpid()}.dead")
        with contextlib.suppress(FileNotFoundError):
            self.path.replace(aside)
            found = aside.read_bytes()
            if found != disputed:
                make_lock(self.path, found)
            aside.unlink()

    def _dispute(self) -> bytes:
        """The lock's content when it may be taken over; else a CallerError that says by whom it is held."""
        folder = self.path.parent.parent
        data = b""
        try:
            data = self.path.read_bytes()
            theirs = json.loads(data)
            host, process, began = str(theirs["host"]), int(theirs["process"]), float(theirs["began"])
        except FileNotFoundError:
            return data  # let go of a moment ago
        except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
            host, process, began = "an unknown host", -1, 0.0
        silent_s = time.time() - self.path.stat().st_mtime if self.path.exists() else STALE_S
        if host == platform.node():
            if runs_here(process, began):
                raise CallerError(
                    f"{folder} is being worked on by process {process} of this machine; wait for it to end."
                )
            return data
        if silent_s < STALE_S:
            raise CallerError(f"{folder} is being worked on from {host}; wait for it to end.")
        if not self.take_over:
            raise CallerError(
                f"{folder} was being worked on from {host}, which has been silent for {silent_s:.0f} s; "
                "make sure that nothing runs there, then give --take-over."
            )
        return data

    def _touch(self) -> None:
        while not self._stop.wait(TOUCH_S):
            try:
                os.utime(self.path)
            except OSError:
                return

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        with contextlib.suppress(OSError):  # a lock that was taken over is another's
            if self.path.read_bytes() == self._mine:
                self.path.unlink()


def tidy_reel(folder: Path) -> None:
    """Take away the lock and the drafts that dead processes left in a reel's folder; nothing where somebody works in it.

    For the end of a command that took no lock because it had nothing to do, or was refused. A folder that is closed to writing, and
    a lock that waits for a person's word, are left as they are.
    """
    work = folder / "work"
    if not (find_drafts(folder) or (work / "lock").exists() or any(work.glob("lock.*.dead"))):
        return
    with contextlib.suppress(CallerError, MaterialError, OSError), ReelLock(folder):
        pass


def runs_here(process: int, began: float) -> bool:
    """Whether the process of this machine with that number, begun at that time (s), still runs.

    One that has ended and that its parent has not asked after yet is listed still: it does not run.
    """
    import psutil

    try:
        found = psutil.Process(process)
        return abs(found.create_time() - began) < 1.0 and found.status() != psutil.STATUS_ZOMBIE
    except psutil.Error:
        return False


def held_by(folder: Path) -> str | None:
    """The host and process that work in a reel's folder now; None where nobody does, or a dead process left its lock."""
    path = folder / "work" / "lock"
    try:
        theirs = json.loads(path.read_bytes())
        host, process, began = str(theirs["host"]), int(theirs["process"]), float(theirs["began"])
        if host == platform.node():
            alive = runs_here(process, began)
        else:
            alive = time.time() - path.stat().st_mtime < STALE_S
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    return f"{host}, process {process}" if alive else None
