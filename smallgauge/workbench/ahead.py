"""Captured frames decoded before anybody asks: the drawn one, then those that the next and the previous scene open with.

Ahead   takes the newest wish of a reel, waits until wishes rest, and decodes on a thread of its own
"""

from collections.abc import Callable, Sequence
from threading import Condition, Thread

REST_S = 0.15  # without a new wish before anything is decoded: not while somebody runs through the reel


class Ahead:
    """Calls `decode` with each row of the newest wish, one after the other; a newer wish takes the rest's place."""

    def __init__(self, decode: Callable[[int], object], rest_s: float = REST_S) -> None:
        self._decode, self._rest_s = decode, rest_s
        self._told = Condition()
        self._rows: list[int] = []
        self._new = self._ended = False
        self._thread: Thread | None = None

    def want(self, rows: Sequence[int]) -> None:
        """Decode these rows, in this order, once wishes rest."""
        with self._told:
            if self._ended:
                return
            self._rows, self._new = list(rows), True
            if self._thread is None:
                self._thread = Thread(target=self._work, name="frames decoded ahead", daemon=True)
                self._thread.start()
            self._told.notify()

    def end(self) -> None:
        """Stop; a frame that is being decoded is waited for."""
        with self._told:
            self._ended = True
            self._told.notify()
        if self._thread is not None:
            self._thread.join()

    def _next(self) -> int | None:
        """The next row to decode; None at the end."""
        with self._told:
            while not self._ended:
                if self._new:
                    self._new = False
                    self._told.wait(self._rest_s)
                elif self._rows:
                    return self._rows.pop(0)
                else:
                    self._told.wait()
            return None

    def _work(self) -> None:
        while (row := self._next()) is not None:
            self._decode(row)
