"""`Read me first.txt`: one page in plain words that lies on top of a package."""

import textwrap

from smallgauge.deliver.film_names import EDITING, WATCH, later_words, ordered_copies
from smallgauge.deliver.kept import kept_words
from smallgauge.deliver.papers import Papers, still_places
from smallgauge.deliver.phrases import rate_words
from smallgauge.deliver.words import client_sentence
from smallgauge.record.treatment import HOUSE_VALUE

_FLASHING = ("flashing light", "flashing in a part", "flashing lasts")
_WIDTH = 72  # characters a line, so that it prints on one page in any editor; common practice, no source


def read_me_text(papers: Papers) -> str:
    """The page, with the line ends that every common system's editor shows.

    Parameters
    ----------
    papers : Papers
        The reel's papers.

    Returns
    -------
    str
        Plain text, lines of at most 72 characters.
    """
    name = (
        f'"{papers.reel.box_words.strip()}"'
        if papers.reel.box_words.strip()
        else f"reel {papers.reel.number}"
    )
    printed = " (or Report.pdf to print it)" if (papers.folder / "report.pdf").is_file() else ""
    others, editing = _ordered(papers)
    blocks = [
        "READ ME FIRST",
        f"This is your film {name}. Reel number: {papers.reel.number}.",
        'WATCH IT: open the folder "Watch these" and double-click the film. It plays on computers, telephones '
        f"and most televisions.{others}",
        *editing,
        'LOOK AT PICTURES: the folder "Pictures" holds photographs from the scenes, and all of them on one sheet.',
        f"WHAT WE DID: open Report.html{printed}. It says what came in, what was done, what was not, and how sure "
        "we are.",
        (
            'FOR LATER: the folder "For later" holds the untouched copy of the scan and everything that is needed '
            "to make new copies in many years. It is large. You need not open it, but please don't throw it away."
        )
        if papers.masters
        else (
            f'FOR LATER: the folder "For later" holds {later_words(papers)}. You need '
            "not open it, but please don't throw it away."
        ),
        *([f"KEPT FOR YOU: {kept}"] if (kept := kept_words(papers)) else []),
        "KEEP IT: make two copies of this whole folder, better three, and keep one of them in another house. "
        "Open them once a year to see that they still work.",
        "KEEP THE FILM TOO: it is the original, and nothing replaces it. Keep it cool, dry and dark, not in an "
        "attic or a cellar.",
        "IF SOMETHING IS WRONG: tell us, and give the reel number. The file SHA256SUMS lets anybody check that "
        "no file has changed.",
    ]
    open_points = dict.fromkeys(
        text
        for finding in papers.findings
        if finding.weight == "failure" and (text := client_sentence(finding))
    )
    blocks[2:2] = [f"STILL OPEN: {text}" for text in open_points]
    blocks[2:2] = [
        f"FLASHING LIGHT: {text}"
        for text in dict.fromkeys(
            client_sentence(finding) for finding in papers.findings if finding.code in _FLASHING
        )
    ]
    if papers.speed_rests_on == HOUSE_VALUE and papers.rate is not None:
        blocks[2:2] = [
            f"SPEED: HOUSE VALUE. Nothing on the film says how fast the camera ran, so it runs at "
            f"{rate_words(papers.rate)} pictures a second, as films of this kind usually do. If people seem to walk "
            "too fast or too slowly, tell us: it can be changed."
        ]
    if not still_places(papers.folder):
        blocks = [block for block in blocks if not block.startswith("LOOK")]
    wrapped = [
        textwrap.fill(block, _WIDTH, break_long_words=False, break_on_hyphens=False) for block in blocks
    ]
    return "\r\n\r\n".join(wrapped).replace("\r\n", "\n").replace("\n", "\r\n") + "\r\n"


def _ordered(papers: Papers) -> tuple[str, list[str]]:
    """What to say of copies by order: after the film to watch, and in a block of its own for editors."""
    places = [copy.place for copy in ordered_copies(papers)]
    others = (
        " Beside it lie the other copies that were ordered, each with what it is in brackets."
        if any(place.startswith(WATCH) for place in places)
        else ""
    )
    editing = (
        'FOR FILM EDITORS: the folder "For editing" holds a large copy for editing programs. You do not need it to watch '
        "the film."
    )
    return others, [editing] if any(place.startswith(EDITING) for place in places) else []
