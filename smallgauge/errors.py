"""Whose fault it was: three kinds of error, each with its exit code.

"Cannot tell" is not an error: it is NaN and a flag. A message says what was needed, what was found,
where, and what to do, in one sentence that can be read aloud at the bench.
"""


class SmallgaugeError(Exception):
    """Any error that this program raises on purpose; `exit_code` is what the command line returns."""

    exit_code = 2


class CallerError(SmallgaugeError):
    """Nonsense was asked: a wrong option, a wrong shape, a decision that cannot be."""

    exit_code = 2


class MaterialError(SmallgaugeError):
    """Film, capture or document is not what it is said to be."""

    exit_code = 3


class FixityError(SmallgaugeError):
    """A file is not the file that was written."""

    exit_code = 4
