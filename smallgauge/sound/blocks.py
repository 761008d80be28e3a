"""Readers of sound laid over one another, block by block on a fixed grid.

A treatment is a reader that reads another reader. `read_in_blocks` makes each block of a fixed grid whole and
always the same way, so the bytes never depend on how the sound is asked for, and a few blocks are in memory at
a time.
"""

from collections import OrderedDict
from collections.abc import Callable

import numpy as np

from smallgauge.sound.curves import Floats
from smallgauge.sound.speed import ReadSound

BLOCK = 1 << 15  # samples
KEPT = 3  # blocks: a reader above asks with a little overlap


def read_in_blocks(make: Callable[[int, int], Floats], *, block: int = BLOCK) -> ReadSound:
    """A reader whose samples are made by `make(first, stop)`, called for whole blocks of a fixed grid only.

    Examples
    --------
    >>> read = read_in_blocks(lambda first, stop: np.arange(first, stop, dtype=float)[:, None], block=8)
    >>> read(6, 10).ravel().tolist()
    [6.0, 7.0, 8.0, 9.0]
    """
    kept: OrderedDict[int, Floats] = OrderedDict()

    def read(first: int, stop: int) -> Floats:
        parts = []
        for number in range(first // block, max(first // block, (stop - 1) // block) + 1):
            if number not in kept:
                kept[number] = make(number * block, (number + 1) * block)
                if len(kept) > KEPT:
                    kept.popitem(last=False)
            low = max(first - number * block, 0)
            parts.append(kept[number][low : max(low, stop - number * block)])
        return np.concatenate(parts)

    return read
