"""Words in a picture: what an approval copy carries, so that a remark can name the frame that it speaks of.

apply_words   picture, words below it, words across it  ->  a higher picture with both   (render)
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

STRIP_SHARE = 0.075  # height of the strip below, share of the picture's; common practice, no source
LEAST_STRIP_PX = 22  # below this letters can't be read


def strip_height(height: int) -> int:
    """Height of the strip below a picture, even, px.

    Examples
    --------
    >>> strip_height(480), strip_height(120)
    (36, 22)
    """
    return max(LEAST_STRIP_PX, round(height * STRIP_SHARE / 2) * 2)


def apply_words(picture: NDArray[np.uint8], *, below: str, across: str = "") -> NDArray[np.uint8]:
    """A picture with a strip of words below it, and words across its upper part.

    Parameters
    ----------
    picture : uint8 array, shape (height, width, 3)
        R' G' B'. Not altered.
    below : str
        Words in the strip, white on black, made smaller until they fit. Letters beyond ASCII become "?".
    across : str
        Words in the picture itself, where no crop takes them off; "" for none.

    Returns
    -------
    uint8 array, shape (height + strip_height(height), width, 3)

    Raises
    ------
    CallerError
        For another shape or type.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> apply_words(np.zeros((120, 160, 3), np.uint8), below="frame 7", across="NOT SIGNED").shape
    (142, 160, 3)
    """
    if picture.ndim != 3 or picture.shape[2] != 3 or picture.dtype != np.uint8:
        raise CallerError(
            f"Words need a picture of uint8, (height, width, 3), got {picture.dtype} {picture.shape}."
        )
    height, width = picture.shape[:2]
    strip = strip_height(height)
    out = np.zeros((height + strip, width, 3), np.uint8)
    out[:height] = picture
    _write(out, below, (0, height, width, strip))
    if across:
        tall = max(LEAST_STRIP_PX, height // 8)
        _write(out, across, (width // 20, height // 12, width - width // 10, tall), shade=True)
    return out


def _write(
    picture: NDArray[np.uint8], words: str, box: tuple[int, int, int, int], *, shade: bool = False
) -> None:
    """Words centred in a box (left, top, width, height), as large as fits; on a shaded ground if asked."""
    import cv2

    words = words.encode("ascii", "replace").decode()
    left, top, width, height = box
    face = cv2.FONT_HERSHEY_DUPLEX
    wide, tall = cv2.getTextSize(words, face, 1.0, 1)[0]
    size = min(0.94 * width / max(wide, 1), 0.62 * height / tall)
    thick = max(1, round(1.6 * size))
    wide, tall = cv2.getTextSize(words, face, size, thick)[0]
    x, y = left + (width - wide) // 2, top + (height + tall) // 2
    if shade:
        ground = picture[max(0, y - tall - tall // 2) : y + tall // 2, max(0, x - tall) : x + wide + tall]
        ground //= 3
    cv2.putText(picture, words, (x, y), face, size, (255, 255, 255), thick, cv2.LINE_AA)
