"""Photographs made smaller, for the report and the contact sheet."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError

Picture = NDArray[np.uint8]


def read_picture(path: Path, *, eighth: bool = False) -> Picture:
    """A photograph as blue, green and red, shape (height, width, 3); with `eighth` at an eighth of its size, much sooner.

    Raises
    ------
    MaterialError
        Where the file is not a whole picture.
    """
    import cv2

    how = cv2.IMREAD_REDUCED_COLOR_8 if eighth else cv2.IMREAD_COLOR
    picture: Any = cv2.imdecode(np.frombuffer(path.read_bytes() or b"\0", np.uint8), how)
    if picture is None:
        raise MaterialError(
            f"{path.name} must be a whole picture, found none in it; it lies in {path.parent}: run render again."
        )
    return np.asarray(picture, np.uint8)


def reduced(picture: Picture, *, width: int) -> Picture:
    """The picture no wider than this many pixels; one that is smaller stays as it is.

    Examples
    --------
    >>> reduced(np.zeros((300, 400, 3), np.uint8), width=100).shape
    (75, 100, 3)
    """
    import cv2

    height_now, width_now = picture.shape[:2]
    if width_now <= width:
        return picture
    height = max(1, round(height_now * width / width_now))
    return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def jpeg_of(picture: Picture, *, quality: int) -> bytes:
    """The picture as JPEG without any metadata."""
    import cv2

    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return bytes(data.tobytes())


def reduced_jpeg(path: Path, *, width: int, quality: int) -> tuple[bytes, int, int]:
    """A photograph made smaller, as JPEG, with its width and height in pixels."""
    picture = reduced(read_picture(path), width=width)
    return jpeg_of(picture, quality=quality), picture.shape[1], picture.shape[0]
