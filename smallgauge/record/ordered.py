"""Copies by order: the words of an order, and what each copy is to be.

check_copy          a word of the order -> itself, or why it is none
list_of_frames      name of the list beside an editing copy
ordered_recipes     the words of an order -> recipes of all copies, the usual ones first
is_ordered_file     whether a file of a reel's folder is a copy that was made by order

A copy plays at the film's own rate where its container can say it. Television sets and time code know 24, 25, 30 and their
doubles only: those copies repeat frames, evenly, and neither blend them nor change the speed.
"""

import re
from fractions import Fraction

from smallgauge.record.recipe import CopyRecipe, copies

TELEVISION_RATES, EDITING_RATES = (24, 25, 30, 50, 60), (24, 25, 30)
# Without a rate: the kind itself. Quality of each coding, constant rate factor; measured in docs/benchmarks.md.
_HEVC_QUALITY, _AV1_QUALITY = 20, 24
TIME_CODE = "01:00:00:00"  # of the first frame of an editing copy: common practice, no source
# Columns of the list of frames beside an editing copy.
LIST_HEAD = (
    "shown frame",
    "time code",
    "finished frame",
    "film position",
    "capture",
    "captured frame",
    "captured file",
    "kind",
    "scene",
    "scene name",
)
_KINDS = (
    "viewing",
    "television",
    *(f"television {rate}" for rate in TELEVISION_RATES),
    "hd",
    *(f"hd {rate}" for rate in TELEVISION_RATES),
    "hevc",
    "hevc 8-bit",
    "av1",
    "editing",
    *(f"editing {rate}" for rate in EDITING_RATES),
)
_FILES = re.compile(r"(television|hd)(-\d\d)?\.mp4|hevc(-8-bit)?\.mp4|av1\.mp4|editing(-\d\d)?\.(mov|csv)")


def check_copy(word: object) -> str:
    """A word of an order, as it is written down; ValueError with all words where it is none of them.

    Examples
    --------
    >>> check_copy(" HD  25 ")
    'hd 25'
    """
    plain = " ".join(word.lower().split()) if isinstance(word, str) else ""
    if plain not in _KINDS:
        raise ValueError(f"must hold words out of {', '.join(_KINDS)}, found {word!r}")
    return plain


def is_ordered_file(name: str) -> bool:
    """Whether a file in a reel's folder has the name of a copy by order.

    Examples
    --------
    >>> is_ordered_file("hd-25.mp4"), is_ordered_file("viewing.mp4")
    (True, False)
    """
    return _FILES.fullmatch(name) is not None


def list_of_frames(file: str) -> str:
    """Name of the list of frames of an editing copy.

    Examples
    --------
    >>> list_of_frames("editing-24.mov")
    'editing-24.csv'
    """
    return f"{file.removesuffix('.mov')}.csv"


def told_scene(scene: int, titles: tuple[str, ...]) -> tuple[str, str]:
    """Number of a scene, from 1, and its name, as a list of frames has them; nothing where no scene could be read.

    Examples
    --------
    >>> told_scene(0, ("The sea",)), told_scene(-1, ("The sea",))
    (('1', 'The sea'), ('', ''))
    """
    return (str(scene + 1), titles[scene]) if 0 <= scene < len(titles) else ("", "")


def ordered_recipes(
    words: tuple[str, ...], *, film_rate: Fraction, television_rate: Fraction
) -> tuple[CopyRecipe, ...]:
    """The copies that every reel gets, then those of the order, each file once.

    Examples
    --------
    >>> made = ordered_recipes(("editing", "hd 50"), film_rate=Fraction(18), television_rate=Fraction(25))
    >>> [(copy.file, str(copy.rate)) for copy in made]
    [('viewing.mp4', 'None'), ('television.mp4', '25'), ('editing.mov', '25'), ('hd-50.mp4', '50')]
    """
    made = {copy.file: copy for copy in copies(television_rate)}
    for word in words:
        recipe = recipe_of(word, film_rate=film_rate, television_rate=television_rate)
        if recipe.rate == television_rate and recipe.order.startswith("television "):
            continue  # the usual one is at that rate
        if word == "viewing":
            made[recipe.file] = recipe  # made for every reel, and by order handed out like a film to watch
        made.setdefault(recipe.file, recipe)
    return tuple(made.values())


def recipe_of(
    word: str, *, film_rate: Fraction = Fraction(18), television_rate: Fraction = Fraction(25)
) -> CopyRecipe:
    """What one word of an order asks for; the rates play a part only where the word names none.

    Examples
    --------
    >>> recipe_of("hevc 8-bit").file
    'hevc-8-bit.mp4'
    """
    kind, _, more = word.partition(" ")
    rate = Fraction(int(more)) if more.isdigit() else None
    file = f"{word.replace(' ', '-')}.{'mov' if kind == 'editing' else 'mp4'}"
    if kind in ("viewing", "television"):
        if word == "television":
            rate = television_rate
        return CopyRecipe(file=file, rate=rate, order=word)
    if kind == "hd":
        return CopyRecipe(file=file, rate=rate, order=word, widescreen=True)
    if kind == "hevc":
        return CopyRecipe(file=file, rate=None, order=word, coding=word, quality=_HEVC_QUALITY)
    if kind == "av1":
        return CopyRecipe(file=file, rate=None, order=word, coding=word, quality=_AV1_QUALITY)
    return CopyRecipe(
        file=file,
        rate=rate or _editing_rate(film_rate, television_rate),
        order=word,
        coding="prores",
        quality=0,
        time_code=TIME_CODE,
    )


def _editing_rate(film_rate: Fraction, television_rate: Fraction) -> Fraction:
    """The rate of an editing copy where the order names none: the film's own where time code counts it, else the country's."""
    rates = [Fraction(rate) for rate in EDITING_RATES]
    if film_rate in rates:
        return film_rate
    country = television_rate / 2 if television_rate > rates[-1] else television_rate
    enough = [rate for rate in rates if rate >= film_rate]
    if country in rates and country >= film_rate:
        return country
    return enough[0] if enough else rates[-1]
