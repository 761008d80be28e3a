"""The scanner's own file name beside the number of a captured frame, wherever a sentence or a table names one."""

import re
from collections.abc import Sequence

_NAMED = re.compile(r"captured frame (\d[\d,]*)")


def with_files(text: str, names: Sequence[str]) -> str:
    """A sentence with the file of each captured frame that it names.

    Parameters
    ----------
    text : str
        Words in which a frame is named as "captured frame 431".
    names : sequence of str
        Of each captured frame; empty where frames have no files of their own, or are of several captures.

    Examples
    --------
    >>> with_files("The focus was lost from captured frame 1 on.", ["a_000.dpx", "a_001.dpx"])
    'The focus was lost from captured frame 1 (a_001.dpx) on.'
    >>> with_files("captured frame 7", [])
    'captured frame 7'
    """

    def named(found: re.Match[str]) -> str:
        number = int(found[1].replace(",", ""))
        return f"{found[0]} ({names[number]})" if number < len(names) else found[0]

    return _NAMED.sub(named, text)


def span_words(first: int, stop: int, names: Sequence[str] = ()) -> str:
    """A stretch of captured frames, with the files of its ends.

    Examples
    --------
    >>> span_words(3, 5), span_words(3, 4), span_words(3, 3)
    ('3 to 4', '3', 'before 3')
    >>> span_words(0, 2, ["a.png", "b.png"])
    '0 to 1 (a.png to b.png)'
    """
    if stop <= first:
        return f"before {first:,}"
    words = f"{first:,}" if stop == first + 1 else f"{first:,} to {stop - 1:,}"
    if stop > len(names):
        return words
    return f"{words} ({names[first]}{f' to {names[stop - 1]}' if stop > first + 1 else ''})"
