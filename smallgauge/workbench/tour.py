"""Whether the tour of a first run was ended: kept for whoever uses this machine, since each start has another address."""

import contextlib
import os
from pathlib import Path

from smallgauge.media.whole import write_whole_bytes


def _mark() -> Path:
    base = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "smallgauge" / "tour-ended"


class Tour:
    """The tour of one bench; `wanted` is False where nobody asked for a demonstration."""

    def __init__(self, *, wanted: bool = False) -> None:
        self.wanted = wanted
        self._ended = False

    @property
    def shown(self) -> bool:
        """Whether the page shows it."""
        return self.wanted and not self._ended and not _mark().exists()

    def end(self) -> dict[str, bool]:
        """Never show it again; where that can't be written down, not before the next start."""
        self._ended = True
        with contextlib.suppress(OSError):
            _mark().parent.mkdir(parents=True, exist_ok=True)
            write_whole_bytes(_mark(), b"ended\n")
        return {"tour": False}
