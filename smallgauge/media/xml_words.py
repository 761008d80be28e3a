"""Words as text of XML: what its version 1.0 can't hold, not even escaped, becomes the replacement character."""

import re

# What is no Char in section 2.2 of XML 1.0 (W3C): control signs but tab and line ends, surrogates, U+FFFE and U+FFFF.
_NO_CHARACTER = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_words(text: str) -> str:
    """Words that every reader of XML takes; markup in them is escaped by whoever writes it.

    Source: Extensible Markup Language (XML) 1.0, W3C, section 2.2; from memory of standard, not seen.

    Examples
    --------
    >>> xml_words("garden"), xml_words("gar" + chr(1) + "den")
    ('garden', 'gar\ufffdden')
    """
    return _NO_CHARACTER.sub("\ufffd", text)
