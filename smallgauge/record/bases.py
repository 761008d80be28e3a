"""The base of a negative, from the frame table: film that saw no light, on the border that the camera never exposed."""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.base import base_of
from smallgauge.record.table import Table

Triple = tuple[float, float, float]
BASE = ("base_red", "base_green", "base_blue")


def bases_of(frames: Table) -> dict[str, tuple[Triple, Triple]]:
    """Density of the base and its standard error, by the anchor of what it holds for; nothing where it was not seen.

    Examples
    --------
    >>> from smallgauge.record.frametable import FRAME_COLUMNS
    >>> from smallgauge.record.table import table_of
    >>> rows = [{"frame": n, "base_red": 0.63, "base_green": 0.3, "base_blue": 0.16} for n in range(9)]
    >>> base, sigma = bases_of(table_of("frames", FRAME_COLUMNS, rows))["reel"]
    >>> [round(value, 2) for value in base]
    [0.2, 0.52, 0.8]
    """
    light: NDArray[np.float64] = np.stack([np.asarray(frames[name], np.float64) for name in BASE], axis=1)
    read = base_of(light)
    return {} if read is None else {"reel": read}
