"""What the FFmpeg libraries say while they work: the only place where damage in a file is reported.

A damaged FFV1 slice raises nothing, marks no frame and ends with status 0: a line in the log is all
(measured, tests/media/test_damage.py). So every call into the libraries is made inside `listen()`, and what
was said is kept. Two settings of the binding would lose lines and are set here: without a level nothing is
delivered at all, and a line equal to the one before it, even one about another file, is swallowed unless
repeats are on.
"""

import contextlib
import re
import threading
from collections.abc import Iterator

import av
import av.logging

_LOCK = threading.Lock()
_listeners = 0
# The libraries' memory addresses and the like would make two runs differ.
_ADDRESS = re.compile(r"0x[0-9a-fA-F]{6,}")
# Said of every file of its kind and no sign of damage; each is matched whole.
_HARMLESS = (
    re.compile(r"deprecated pixel format used, make sure you did set range correctly"),
    re.compile(r"Could not find codec parameters for stream \d+ \(Attachment: none\): unknown codec.*"),
    re.compile(r"Estimating duration from bitrate, this may be inaccurate"),
    re.compile(r"No accelerated colorspace conversion found from \S+ to \S+\.?"),
)


class DecoderLog:
    """Lines of level warning or worse, in the order said, each with what was being read at the time."""

    def __init__(self) -> None:
        self._lines: list[str] = []

    @property
    def lines(self) -> tuple[str, ...]:
        """All lines so far, `context: library part: words`."""
        return tuple(self._lines)

    def add(self, line: str) -> None:
        """Keep a line that another library said."""
        self._lines.append(" ".join(line.split()))

    @contextlib.contextmanager
    def listen(self, context: str = "") -> Iterator[None]:
        """Keep what the libraries say in this thread while the block runs.

        The codecs are opened with one thread, so the lines of a decoder come in the thread that called it.
        """
        global _listeners
        with _LOCK:
            if _listeners == 0:
                av.logging.set_level(av.logging.WARNING)
                av.logging.set_skip_repeated(False)
            _listeners += 1
        try:
            with av.logging.Capture() as captured:
                yield
        finally:
            with _LOCK:
                _listeners -= 1
                if _listeners == 0:
                    av.logging.set_level(None)
            for _, part, words in captured:
                text = _ADDRESS.sub("0x", " ".join(words.split()))
                if text and not any(pattern.fullmatch(text) for pattern in _HARMLESS):
                    self._lines.append(": ".join(piece for piece in (context, part, text) if piece))
