"""Little pictures along the strip: one sheet of pictures side by side, from the pack."""

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.workbench.opened import OpenReel

HEIGHT = 54  # px of a little picture; common practice, no source
MOST_PICTURES = 64


def strip_sheet(reel: OpenReel, first: int, stop: int, pictures: int) -> bytes:
    """A sheet of `pictures` little pictures side by side as JPEG, each of the row in the middle of its share of the stretch."""
    import cv2
    import imagecodecs

    stop = min(stop, reel.count)
    if not 0 <= first < stop or not 1 <= pictures <= MOST_PICTURES:
        raise CallerError(
            f"A stretch of the strip lies within 0 to {reel.count} and has 1 to {MOST_PICTURES} pictures, asked for were {first} "
            f"to {stop} and {pictures}."
        )
    tiles = []
    for n in range(pictures):
        row = min(stop - 1, first + int((n + 0.5) * (stop - first) / pictures))
        picture = imagecodecs.jpeg8_decode(reel.rough(row).jpeg)
        picture = np.repeat(picture[:, :, None], 3, axis=2) if picture.ndim == 2 else picture
        width = max(1, round(HEIGHT * reel.capture.width / reel.capture.height))
        tiles.append(cv2.resize(picture, (width, HEIGHT), interpolation=cv2.INTER_AREA))
    return bytes(
        imagecodecs.jpeg8_encode(np.ascontiguousarray(np.hstack(tiles)), level=75, subsampling="420")
    )
