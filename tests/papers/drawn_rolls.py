"""A frame table of rolls of different stocks on one reel, as far as their borders go."""

import numpy as np

from smallgauge.picture.border import CHANNELS
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import table_of

STOCKS = {  # densities of border and of clear film
    "one": ((1.8, 2.8, 2.5), 0.16),
    "two": ((3.0, 3.05, 3.0), 0.20),
    "three": ((2.3, 2.6, 2.9), 0.12),
}


def drawn_rolls(rolls, *, splices=(), seed=3):
    """Rolls (stock, frames), each with its own border, fogged at its ends; splices between them and where told."""
    rng = np.random.default_rng(seed)
    rows, at = [], 0
    for stock, frames in rolls:
        density, clear = STOCKS[stock]
        for n in range(frames):
            fog = max(0.0, 1.5 - 0.5 * min(n, frames - 1 - n))
            view = float(rng.uniform(0.1, 0.3))
            row = {
                "frame": at,
                "film_position": at,
                "duplicate_of": -1,
                "splice": (n == 0 and at > 0) or at in splices,
                "scene": at // 20,
            }
            for c, value in zip(CHANNELS, density, strict=True):
                light = 10.0 ** -(max(value - fog, 0.3) + rng.normal(0.0, 0.01))
                row |= {f"border_{c}": light, f"border_sigma_{c}": light * 0.02}
                row |= {f"border_lowest_{c}": light * 0.7, f"border_floor_share_{c}": 0.01}
                row |= {f"clear_{c}": 10.0**-clear, f"view_{c}": view}
                row |= {f"picture_middle_{c}": 0.9, f"picture_dense_{c}": 1.8}
            rows.append(row)
            at += 1
    return table_of("frames", FRAME_COLUMNS, rows)
