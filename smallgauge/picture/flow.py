"""Dense flow between two pictures: where each pixel of one lies in the other."""

import numpy as np
from numpy.typing import NDArray


def dense_flow(
    first: NDArray[np.uint8],
    second: NDArray[np.uint8],
    *,
    finest: int,
    patch_px: int,
    stride_px: int,
    refined: int,
) -> NDArray[np.float32]:
    """Where each pixel of the first picture lies in the second, less its own place.

    Parameters
    ----------
    first, second : uint8 array, shape (height, width)
        Of one size. Not altered.
    finest : int
        Scale at which the search ends: 0 the picture's own pixels, 1 half as many a side, and so on.
    patch_px, stride_px : int
        Side of the patches that are searched for, and the steps between them, px of that scale.
    refined : int
        Rounds of smoothing the field by what the pictures show.

    Returns
    -------
    float32 array, shape (height, width, 2)
        x and y, px.

    Notes
    -----
    Source: DIS flow. One thread: the search is divided among threads, and its result depends on how.

    Examples
    --------
    >>> view = (120 + 60 * np.sin(np.arange(96) / 7)[None, :] * np.cos(np.arange(64) / 5)[:, None]).astype(np.uint8)
    >>> flow = dense_flow(view, np.roll(view, 2, axis=1), finest=0, patch_px=8, stride_px=4, refined=5)
    >>> np.median(flow[16:-16, 16:-16], axis=(0, 1)).round().tolist()
    [2.0, 0.0]
    """
    import cv2

    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        search = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
        search.setFinestScale(finest)
        search.setPatchSize(patch_px)
        search.setPatchStride(stride_px)
        search.setVariationalRefinementIterations(refined)
        return np.asarray(search.calc(first, second, np.zeros((*first.shape, 2), np.float32)), np.float32)
    finally:
        cv2.setNumThreads(threads)
