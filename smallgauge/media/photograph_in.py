"""A photograph from a telephone or a camera card: its grey picture, and the date that the camera put into it.

Nothing is measured from such a picture: it is only looked at for labels. The file itself is never opened for writing.
"""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".dng")
MOST_BYTES = 200_000_000


def read_photograph(data: bytes) -> "NDArray[np.uint8] | None":
    """The grey picture of a photograph, `[y, x]`, 0 to 255; None where the bytes are no picture that can be read here.

    Examples
    --------
    >>> read_photograph(b"no picture") is None
    True
    """
    import cv2
    import numpy as np

    if not data:
        return None
    try:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    except cv2.error:
        return None
    return None if picture is None else np.asarray(picture, np.uint8)


def camera_date(path: Path) -> str:
    """The moment that the camera wrote into a photograph, as it stands there; empty where there is none.

    A camera's clock is set by hand and often wrong, so no order of events may rest on it.
    """
    import OpenImageIO as oiio

    opened = oiio.ImageInput.open(str(path))
    if opened is None:
        oiio.geterror()
        return ""
    try:
        spec = opened.spec()
        for name in ("Exif:DateTimeOriginal", "DateTime"):
            stated = spec.getattribute(name)
            if isinstance(stated, str) and stated.isprintable() and stated.strip():
                return stated.strip()[:40]
    finally:
        opened.close()
    return ""
