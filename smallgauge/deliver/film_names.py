"""Names of the films in a package, and the folders that they lie in.

film_file_name     reel number and box words -> name of the film to watch
smooth_file_name   name of the copy with synthetic frames beside it
ordered_copies     papers -> copies by order, each with its place and its words
later_words        papers -> what the folder for later holds
"""

import re
from dataclasses import dataclass
from pathlib import Path

from smallgauge.deliver.copy_words import CopyWords, copy_words
from smallgauge.deliver.papers import Papers
from smallgauge.media.whole import safe_file_name

WATCH, PICTURES, LATER, EDITING = "Watch these", "Pictures", "For later", "For editing"
# Words of ours that a family would take for the state of its film: left out of names.
_NOT_IN_NAMES = re.compile(r"[\s,;:-]*\b\w*(finished|archive)\w*", re.IGNORECASE)
_LONGEST_STEM = 120  # bytes of a film's name before its ending; common practice, no source


def film_file_name(number: str, box_words: str) -> str:
    """Name of the film that a family watches: reel number and box words, legal on every common system.

    Examples
    --------
    >>> film_file_name("0004171-R03-7", 'Garden: "summer" 1968?')
    '0004171-R03-7 - Garden- -summer- 1968-.mp4'
    >>> film_file_name("0004171-R03-7", "")
    '0004171-R03-7.mp4'
    >>> film_file_name("0004171-R03-7", "Archive 3: sea, finished")
    '0004171-R03-7 - 3- sea.mp4'
    """
    words = " ".join(_NOT_IN_NAMES.sub(" ", box_words).split())
    stem = safe_file_name(f"{number} - {words}" if words else number)
    while len(stem.encode()) > _LONGEST_STEM:
        stem = stem[:-1]
    return f"{stem.rstrip(' .')}.mp4"


def smooth_file_name(film: str) -> str:
    """Name of the copy with synthetic frames beside a film of this name.

    Examples
    --------
    >>> smooth_file_name("0004171-R03-7.mp4")
    '0004171-R03-7 (synthetic frames).mp4'
    """
    return f"{film.removesuffix('.mp4')} (synthetic frames).mp4"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderedCopy:
    """A copy that the order asked for: where it lies in the package, which file of the reel it is, and its words."""

    place: str
    of: str
    words: CopyWords


def later_words(papers: Papers) -> str:
    """What the folder for later holds where archive copy and finished film were not ordered."""
    moved = any(copy.of == "viewing.mp4" for copy in ordered_copies(papers))
    return "the records of the work" if moved else "the film at its own speed and the records of the work"


def ordered_copies(papers: Papers) -> tuple[OrderedCopy, ...]:
    """The copies of a reel that were ordered beyond the film to watch, as they were made."""
    stem = film_file_name(papers.reel.number, papers.reel.box_words).removesuffix(".mp4")
    made = []
    for copy in papers.summary.copies if papers.summary is not None else ():
        if copy.order and (papers.folder / copy.file).is_file():
            words = copy_words(copy)
            place = f"{EDITING if copy.time_code else WATCH}/{stem} ({words.name}){Path(copy.file).suffix}"
            made.append(OrderedCopy(place=place, of=copy.file, words=words))
    return tuple(made)
