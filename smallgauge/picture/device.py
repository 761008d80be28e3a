"""Where finished frames are made and dirt is searched: on the processor, or, where somebody asks for it, on an NVIDIA card.

device_name   a word as it is given -> the name that goes into the paper, or a refusal before anything is begun
finisher      the function that makes a finished frame there, within half a code of the processor's
flow_finder   `dense_flow` there, on arrays that lie here
searcher      the functions that search frames for dirt there, with flow that agrees to the last bits
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

from smallgauge.errors import CallerError

PROCESSOR, CARD = "processor", "card"


def _card_number(device: str) -> int:
    found = re.fullmatch(rf"{CARD}(?::([0-9]{{1,2}}))?", device)
    if found is None:
        raise CallerError(
            f"--device needs {PROCESSOR}, {CARD} or {CARD}:NUMBER (from 0), found '{device[:40]}'."
        )
    return int(found[1] or 0)


def device_name(device: str) -> str:
    """What the papers call a device: "processor", or the card's own name.

    Raises
    ------
    CallerError
        For another word, or a card that is not there.

    Examples
    --------
    >>> device_name("processor")
    'processor'
    """
    if device == PROCESSOR:
        return PROCESSOR
    number = _card_number(device)
    from smallgauge.picture.kernels_cuda import Card

    return Card(number).name


@cache
def finisher(device: str) -> Callable[..., Any]:
    """`finish_frame` of the processor or of a card, opened once a process."""
    if device == PROCESSOR:
        from smallgauge.picture.kernels import finish_frame

        return finish_frame
    from smallgauge.picture.kernels_cuda import Card

    return Card(_card_number(device)).finish_frame


@cache
def flow_finder(device: str) -> Callable[..., Any]:
    """`dense_flow` of the processor or of a card, opened once a process."""
    if device == PROCESSOR:
        from smallgauge.picture.flow import dense_flow

        return dense_flow
    from smallgauge.picture.flow_cuda import open_flow

    return open_flow(_card_number(device))


@dataclass(frozen=True, slots=True, kw_only=True)
class DirtSearch:
    """`find_dirt_moves` and `find_dirt` of a device, and its name in the papers; moves go from the one to the other only."""

    name: str
    find_moves: Callable[..., Any]
    find: Callable[..., Any]


@cache
def searcher(device: str) -> DirtSearch:
    """The search for dirt on the processor or on a card, opened once a process."""
    if device == PROCESSOR:
        from smallgauge.picture.dirt import find_dirt, find_dirt_moves

        return DirtSearch(name=PROCESSOR, find_moves=find_dirt_moves, find=find_dirt)
    from smallgauge.picture.dirt_cuda import DirtCard

    card = DirtCard(_card_number(device))
    return DirtSearch(name=card.name, find_moves=card.find_dirt_moves, find=card.find_dirt)
