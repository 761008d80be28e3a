"""A copy's frames as stored: planes of Y'CbCr codes, before anything is made of them.

read_stored   frames first to stop of a listed video -> their planes, one after the other
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.picture_in import CaptureListing
from smallgauge.media.planes import YcbcrReading, find_form, ycbcr_planes
from smallgauge.media.video_in import decode_frames

Plane = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredFrame:
    """One frame: planes as decoded (views, good until the next one), their bits and how they are read."""

    number: int
    luma: Plane
    blue: Plane
    red: Plane
    bits: int
    how: YcbcrReading


def read_stored(listing: CaptureListing, first: int, stop: int, log: DecoderLog) -> Iterator[StoredFrame]:
    """Every frame from `first` to before `stop` that can be decoded; why one is left out stands in `log`.

    Raises
    ------
    MaterialError
        When the film is not stored as Y'CbCr.
    """
    form: Any = None
    for number, frame in decode_frames(listing.path, listing.stamps, first, stop, log):
        if form is None:
            form = find_form(frame, interlaced=False)
            if form.ycbcr is None:
                raise MaterialError(
                    f"{listing.path.name} must be stored as Y'CbCr, as viewing copies are, found {form.pixel_format}; "
                    "make it again."
                )
        if (frame.width, frame.height) != (listing.width, listing.height):
            log.add(
                f"frame {number}: it measures {frame.width} x {frame.height}, not {listing.width} x {listing.height}"
            )
            continue
        luma, blue, red = ycbcr_planes(frame, form)
        yield StoredFrame(number=number, luma=luma, blue=blue, red=red, bits=form.bits, how=form.ycbcr)
