"""Words as a cell of a spreadsheet: what begins like a formula stays words, whoever wrote it."""

_FORMULA = (
    "=",
    "+",
    "-",
    "@",
    "\t",
    "\r",
    "\n",
)  # signs with which a cell is taken for a formula: from memory, not checked


def text_cell(words: str) -> str:
    """Words that no spreadsheet takes for a formula: an apostrophe stands before those that begin like one.

    Source: common practice, no source.

    Examples
    --------
    >>> text_cell("=1+1"), text_cell("garden 1968"), text_cell(" @home")
    ("'=1+1", 'garden 1968', "' @home")
    """
    return f"'{words}" if words.lstrip(" ").startswith(_FORMULA) or words.startswith(_FORMULA) else words
