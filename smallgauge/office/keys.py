"""Single keys from a terminal: one key is one answer, and a line of words ends with Enter.

A terminal that is no terminal (a pipe, a test's own) is refused by `single_keys`; scripts use options instead.
"""

import codecs
import contextlib
import os
import sys
from collections.abc import Callable, Iterator

ENTER, BACK, END, ESCAPE = "\r", "\b", "\x04", "\x1b"
ReadKey = Callable[[], str]


@contextlib.contextmanager
def single_keys() -> Iterator[ReadKey]:
    """Reads one key at a time: a character, ENTER, BACK, or END where the input is over. Ctrl-C ends the program as always."""
    if os.name == "nt":
        yield _windows_key
        return
    import termios
    import tty

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    decoder = codecs.getincrementaldecoder("utf-8")("replace")

    def read() -> str:
        while True:
            byte = os.read(handle, 1)
            if not byte:
                return END
            key = decoder.decode(byte)
            if key == ESCAPE:
                _swallow(handle)
            if key:
                return {"\n": ENTER, "\r": ENTER, "\x7f": BACK, "\b": BACK}.get(key, key)

    tty.setcbreak(handle, termios.TCSANOW)
    try:
        yield read
    finally:
        termios.tcsetattr(handle, termios.TCSANOW, before)


def _swallow(handle: int) -> None:
    """The rest of what an arrow or another key without a character sends."""
    import select

    while select.select([handle], [], [], 0.02)[0]:
        byte = os.read(handle, 1)
        if not byte or byte.isalpha() or byte == b"~":
            return


def _windows_key() -> str:
    import msvcrt

    key: str = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
    if key in ("\x00", "\xe0"):  # an arrow or a function key: a second code follows
        msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        return ESCAPE
    if key == "\x03":
        raise KeyboardInterrupt
    return {"\n": ENTER, "\x1a": END, "\x7f": BACK}.get(key, key)


def read_line(read: ReadKey, say: Callable[[str], None]) -> str | None:
    """A line of words, shown as it is typed; None where the input is over."""
    typed = ""
    while True:
        key = read()
        if key == ENTER:
            say("\n")
            return typed.strip()
        if key == END and not typed:
            return None
        if key == BACK:
            say("\b \b" if typed else "")
            typed = typed[:-1]
        elif key.isprintable():
            typed += key
            say(key)
