"""Papers of an older version brought up to the one that this program writes, one step after the other.

STEPS          what makes the next version of a paper, by the paper's class and the version that it is made from
bring_up       a paper as it was read -> the same as this program would have written it
refuse_newer   what a newer version of the program wrote

A step is given a paper of its own version as dicts, lists, text and numbers, and gives one of the next version. Steps are never
changed once a version of the program has gone out with them, so a paper of any age goes the way that every paper of its age went.
Reading changes no file: a paper is written in the new version when it is next written.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from smallgauge.errors import MaterialError

Step = Callable[[dict[str, Any]], dict[str, Any]]

FIRST_VERSION = 1  # of a paper that states none
STEPS: dict[str, Mapping[int, Step]] = {}  # every kind of paper is of its first version still


def refuse_newer(stated: object, *, known: int, path: Path) -> None:
    """Refuse a paper whose version is above the one that this program writes; what it would leave out can't be known.

    Raises
    ------
    MaterialError
        With both versions.
    """
    if isinstance(stated, int) and stated > known:
        raise MaterialError(
            f"{path.name} was written by a newer version of the program (paper {stated}, this one knows {known}); open it "
            f"with that version, and nothing here is changed; it lies in {path.parent}."
        )


def bring_up(paper: dict[str, Any], kind: str, *, known: int, path: Path) -> dict[str, Any]:
    """A paper in the version `known`; one that states a newer one, or one that no step leads from, is refused.

    Raises
    ------
    MaterialError
        With both versions; the file is left as it is.

    Examples
    --------
    >>> bring_up({"version": 1, "reel": "12"}, "Reel", known=1, path=Path("reel.json"))
    {'version': 1, 'reel': '12'}
    """
    stated = paper.get("version", FIRST_VERSION)
    if not isinstance(stated, int) or isinstance(stated, bool):
        return paper  # no version at all: told with the other mistakes, where each is named
    refuse_newer(stated, known=known, path=path)
    for version in range(stated, known):
        step = STEPS.get(kind, {}).get(version)
        if step is None:
            raise MaterialError(
                f"{path.name} must be of a version from {FIRST_VERSION} to {known}, and no step leads on from its version "
                f"{version}; open it with the program that wrote it; it lies in {path.parent}."
            )
        try:
            paper = {**step(dict(paper)), "version": version + 1}
        except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
            raise MaterialError(
                f"{path.name} must be whole to be brought from version {version} to {version + 1}, but {error!r} came of it; "
                f"bring it back from another copy; it lies in {path.parent}."
            ) from None
    return paper
