"""The base of a negative, from the frame table: film that saw no light, on the border that the camera never exposed."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.base import base_of
from smallgauge.record.lengths import Length, rows_of
from smallgauge.record.table import Table

Triple = tuple[float, float, float]
BASE = ("base_red", "base_green", "base_blue")
AGREE = 0.03  # density within which bases are one stock's; common practice, no source


def bases_of(frames: Table, lengths: Sequence[Length]) -> dict[str, tuple[Triple, Triple]]:
    """Density of the base and its standard error, by the anchor of what it holds for; nothing where it was not seen.

    One for the reel where all lengths show a base and agree, else one for each length that shows one.

    Examples
    --------
    >>> from smallgauge.record.frametable import FRAME_COLUMNS
    >>> from smallgauge.record.lengths import lengths_of
    >>> from smallgauge.record.table import table_of
    >>> light = [0.63] * 20 + [0.5] * 20
    >>> rows = [
    ...     {"frame": n, "film_position": n, "duplicate_of": -1, "splice": n == 20}
    ...     | {"base_red": red, "base_green": 0.3, "base_blue": 0.16}
    ...     for n, red in enumerate(light)
    ... ]
    >>> table = table_of("frames", FRAME_COLUMNS, rows)
    >>> [(anchor, round(base[0], 2)) for anchor, (base, _) in bases_of(table, lengths_of(table)).items()]
    [('length@0', 0.2), ('length@20', 0.3)]
    """
    light: NDArray[np.float64] = np.stack([np.asarray(frames[name], np.float64) for name in BASE], axis=1)
    found: dict[str, tuple[Triple, Triple]] = {}
    for length in lengths:
        read = base_of(light[rows_of(frames, length.first_captured, length.stop_captured)])
        if read is not None:
            found[length.anchor] = read
    bases = np.array([base for base, _ in found.values()]).reshape(-1, 3)
    whole = base_of(light)
    if (
        whole is not None
        and len(bases) == len(lengths) > 0
        and np.abs(bases - np.asarray(whole[0])).max() <= AGREE
    ):
        return {"reel": whole}
    return found
