"""Small pictures by area: each pixel is the mean of what it covers.

make_smaller    light, size  ->  the same picture, smaller
"""

import numpy as np
from numpy.typing import NDArray


def make_smaller(light: NDArray[np.float32], *, width: int, height: int) -> NDArray[np.float32]:
    """A picture reduced by area, channel by channel where its channels lie apart in memory.

    Parameters
    ----------
    light : array, shape (rows, columns) or (rows, columns, channels), float32
        Not altered.
    width, height : int
        Of the result, px.

    Returns
    -------
    array, shape (height, width) or (height, width, channels)

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> planes = np.arange(16, dtype=np.float32).reshape(1, 4, 4)
    >>> make_smaller(planes.transpose(1, 2, 0), width=2, height=2)[:, :, 0].tolist()
    [[2.5, 4.5], [10.5, 12.5]]
    """
    import cv2

    if light.ndim == 3 and light.strides[1] == light.itemsize:
        planes = (
            cv2.resize(light[:, :, channel], (width, height), interpolation=cv2.INTER_AREA)
            for channel in range(light.shape[2])
        )
        merged: NDArray[np.float32] = cv2.merge(tuple(planes))
        return merged.reshape(height, width, light.shape[2])
    small: NDArray[np.float32] = cv2.resize(light, (width, height), interpolation=cv2.INTER_AREA)
    return small.reshape(height, width, *light.shape[2:])
