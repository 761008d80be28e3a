"""Single pictures for people to look at."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.media.photograph_out import with_srgb_profile
from smallgauge.media.whole import write_whole_bytes


def write_still(path: Path, rgb8: NDArray[np.uint8], quality: int = 92) -> None:
    """Write a picture as JPEG with colour at full resolution (4:4:4) and the profile of sRGB inside.

    Parameters
    ----------
    path : Path
        `.jpg` or `.jpeg`. Written through `write_whole`.
    rgb8 : array, shape (height, width, 3), uint8
        sRGB. Not altered.
    quality : int
        1 to 100; 92 is common practice, no source.

    Raises
    ------
    CallerError
        For another shape, type, quality or name.

    Notes
    -----
    Source: ITU-T T.81, JPEG (`"ITU-T T.81"`).

    Examples
    --------
    >>> import tempfile, imagecodecs
    >>> target = Path(tempfile.mkdtemp()) / "still.jpg"
    >>> write_still(target, np.full((16, 16, 3), 200, np.uint8))
    >>> imagecodecs.jpeg8_decode(target.read_bytes())[0, 0].tolist()
    [200, 200, 200]
    """
    import imagecodecs

    shape_fits = rgb8.ndim == 3 and rgb8.shape[2] == 3
    if not shape_fits or rgb8.dtype != np.uint8 or not 1 <= quality <= 100:
        raise CallerError(
            f"A still needs uint8 of shape (height, width, 3) and a quality of 1 to 100, got {rgb8.dtype} of "
            f"{rgb8.shape} and {quality}."
        )
    if path.suffix.lower() not in (".jpg", ".jpeg"):
        raise CallerError(f"A still's name ends in .jpg, got {path.name}.")
    data = imagecodecs.jpeg8_encode(np.ascontiguousarray(rgb8), level=quality, subsampling="444")
    write_whole_bytes(path, with_srgb_profile(bytes(data)))
