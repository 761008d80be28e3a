"""One process at a time in a reel's folder.

The lock says host, process and when that process began, and its file is touched while the work goes on.
A dead process of this host is taken over at once; another host's lock only after two minutes without a
touch and on a person's word.
"""

import json
import os
import platform
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from smallgauge.errors import CallerError
from smallgauge.media.whole import make_lock

TOUCH_S = 10.0
STALE_S = 120.0  # another host's lock may be taken over after this, on a person's word


class ReelLock:
    """Holds a reel's folder while it is open; a context manager."""

    def __init__(self, folder: Path, *, take_over: bool = False) -> None:
        self.path = folder / "work" / "lock"
        self.take_over = take_over
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        import psutil

        self.path.parent.mkdir(parents=True, exist_ok=True)
        mine = {"host": platform.node(), "process": os.getpid(), "began": psutil.Process().create_time()}
        data = json.dumps(mine).encode()
        if not make_lock(self.path, data):
            self._dispute()
            self.path.unlink(missing_ok=True)
            if not make_lock(self.path, data):
                raise CallerError(
                    f"{self.path.parent.parent} is being worked on by another process that was faster; wait for it to end."
                )
        self._thread = threading.Thread(target=self._touch, daemon=True)
        self._thread.start()
        return self

    def _dispute(self) -> None:
        """Return when the lock may be taken over; raise a CallerError that says by whom it is held."""
        import psutil

        folder = self.path.parent.parent
        try:
            theirs = json.loads(self.path.read_text(encoding="utf-8"))
            host, process, began = str(theirs["host"]), int(theirs["process"]), float(theirs["began"])
        except (OSError, ValueError, KeyError, TypeError):
            host, process, began = "an unknown host", -1, 0.0
        silent_s = time.time() - self.path.stat().st_mtime if self.path.exists() else STALE_S
        if host == platform.node():
            try:
                alive = abs(psutil.Process(process).create_time() - began) < 1.0
            except psutil.Error:
                alive = False
            if alive:
                raise CallerError(
                    f"{folder} is being worked on by process {process} of this machine; wait for it to end."
                )
            return
        if silent_s < STALE_S:
            raise CallerError(f"{folder} is being worked on from {host}; wait for it to end.")
        if not self.take_over:
            raise CallerError(
                f"{folder} was being worked on from {host}, which has been silent for {silent_s:.0f} s; "
                "make sure that nothing runs there, then give --take-over."
            )

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
        self.path.unlink(missing_ok=True)
