"""Tint and tone of a reel's black-and-white film, from its frame table."""

from collections.abc import Sequence

import numpy as np

from smallgauge.picture.mono import COLUMNS, NOT_TOLD, Tone, tone_of
from smallgauge.record.capture import Capture
from smallgauge.record.table import Table


def tones_of(captures: Sequence[Capture], frames: Table) -> Tone:
    """Tint and tone that the reel's frames tell together; NOT_TOLD where the film is not stated as black-and-white.

    Examples
    --------
    >>> from smallgauge.record.frametable import FRAME_COLUMNS
    >>> from smallgauge.record.table import table_of
    >>> tones_of((), table_of("frames", FRAME_COLUMNS, [{"frame": 0}])).frames
    0
    """
    if not any(capture.notes.is_black_and_white for capture in captures):
        return NOT_TOLD
    return tone_of(np.stack([np.asarray(frames[column.name], np.float64) for column in COLUMNS], axis=1))
