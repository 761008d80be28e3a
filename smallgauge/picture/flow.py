"""Dense flow between two pictures: where each pixel of one lies in the other.

dense_flow   two pictures              ->  where each pixel of the first lies in the second
back_flow    these and that flow       ->  where each pixel of the second lies in the first, in a third of the time
"""

import numpy as np
from numpy.typing import NDArray

ROUNDS = 5  # of the fixed point: after them it moves by less than flow errs


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


def back_flow(
    first: NDArray[np.uint8], second: NDArray[np.uint8], there: NDArray[np.float32], *, refined: int
) -> NDArray[np.float32]:
    """Where each pixel of the second picture lies in the first, less its own place, from the flow the other way.

    Parameters
    ----------
    first, second : uint8 array, shape (height, width)
        Of one size, 32 px or more either way. Not altered.
    there : float32 array, shape (height, width, 2)
        Flow from the first to the second, px.
    refined : int
        Rounds of smoothing the field by what the pictures show.

    Returns
    -------
    float32 array, shape (height, width, 2)
        x and y, px; found at half the size.

    Notes
    -----
    Source: fixed point of back(y) = -there(y + back(y)); DIS flow's own refinement. One thread, as in `dense_flow`.

    Examples
    --------
    >>> view = (120 + 60 * np.sin(np.arange(96) / 7)[None, :] * np.cos(np.arange(64) / 5)[:, None]).astype(np.uint8)
    >>> there = np.full((64, 96, 2), (2, 0), np.float32)
    >>> flow = back_flow(view, np.roll(view, 2, axis=1), there, refined=5)
    >>> float(np.median(flow[16:-16, 16:-16, 0]).round())
    -2.0
    """
    import cv2

    half = (there.shape[1] // 2, there.shape[0] // 2)
    coarse = cv2.resize(there, half, interpolation=cv2.INTER_AREA) * np.float32(0.5)
    grid = np.stack(np.meshgrid(*(np.arange(n, dtype=np.float32) for n in half)), axis=2)
    back = -coarse
    for _ in range(ROUNDS):
        back = -cv2.remap(coarse, grid + back, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        refine = cv2.VariationalRefinement.create()
        refine.setFixedPointIterations(refined)
        one, other = (cv2.resize(each, half, interpolation=cv2.INTER_AREA) for each in (second, first))
        back = np.asarray(refine.calc(one, other, back), np.float32)
    finally:
        cv2.setNumThreads(threads)
    wide = cv2.resize(back, there.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(wide * np.float32(2), np.float32)
