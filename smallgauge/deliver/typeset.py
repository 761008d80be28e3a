"""A page to print from a template and words, as PDF/A; signs that its letters lack stand as squares and end nothing.

typeset   template and content -> PDF
"""

import json
import re
import unicodedata
from pathlib import Path
from typing import Any

SQUARE = "\u25a1"
_REFUSED = re.compile(r'the text `"(.*?)"` could not be displayed', re.DOTALL)
_ESCAPED = re.compile(r"\\u\{([0-9a-f]+)\}")
_NEVER = {
    "Cc",
    "Cs",
    "Co",
    "Cn",
}  # categories of Unicode that no letters exist for: controls, halves, private, not given out
_TRIES = 40  # refusals before nothing but Latin letters is printed; common practice, no source
_FAR = 0x2E80  # from here on a writing's signs are refused together: it has thousands
_LATIN = 0x250


def typeset(template: Path, content: dict[str, Any], *, archival: bool = True) -> bytes:
    """The PDF of a template's content, PDF/A-2a where `archival`, which needs a date in the content.

    The typesetter's own letters are those of Latin, Greek, Cyrillic and Hebrew writing and little else; PDF/A takes no sign without
    one. Such signs become squares, and the template is told by `unprinted`.

    Source: common practice, no source (a square for a sign that can't be shown).
    """
    import typst

    lacking: set[str] = set()
    tries = 0
    while True:
        words, met = _printable(content, lacking, only_latin=tries > _TRIES)
        try:
            return bytes(
                typst.compile(
                    template.read_bytes(),
                    ignore_system_fonts=True,
                    format="pdf",
                    pdf_standards="a-2a" if archival else [],
                    sys_inputs={"content": json.dumps({**words, "unprinted": met}, sort_keys=True)},
                )
            )
        except typst.TypstError as error:
            refused = _REFUSED.search(str(error))
            if refused is None or tries > _TRIES:
                raise
            lacking |= {_kind(sign) for sign in _ESCAPED.sub(lambda m: chr(int(m[1], 16)), refused[1])}
            tries += 1


def _kind(sign: str) -> str:
    """A sign; of a writing with thousands of signs the first word of its name, which all of them share."""
    return sign if ord(sign) < _FAR else unicodedata.name(sign, sign).partition(" ")[0]


def _printable(value: Any, lacking: set[str], *, only_latin: bool) -> tuple[Any, bool]:
    """The same with squares for what can't be printed; and whether there was any."""
    if isinstance(value, str):
        lost = {
            sign
            for sign in set(value)
            if (unicodedata.category(sign) in _NEVER and sign not in "\n\t")
            or _kind(sign) in lacking
            or (only_latin and ord(sign) >= _LATIN)
        }
        return value.translate(dict.fromkeys(map(ord, lost), SQUARE if not only_latin else "?")), bool(lost)
    if isinstance(value, dict):
        parts = {key: _printable(each, lacking, only_latin=only_latin) for key, each in value.items()}
        return {key: part for key, (part, _) in parts.items()}, any(met for _, met in parts.values())
    if (
        isinstance(value, list | tuple) and value and not isinstance(value[0], int)
    ):  # pictures are long lists of numbers
        rows = [_printable(each, lacking, only_latin=only_latin) for each in value]
        return [row for row, _ in rows], any(met for _, met in rows)
    return value, False
