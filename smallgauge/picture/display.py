"""The finished picture as numbers on a display: encoding, dither, and reduction for viewing copies.

apply_display    linear light of a frame -> code values of the finished file   (render, frame)
srgb_of_display  what code values of it are in sRGB                            (photographs)
apply_reduction  code values of a frame  -> 8-bit picture of a viewing copy    (render, frame)

The finished picture is encoded for an ITU-R BT.1886 display: light = code ** 2.4, white 1.0, full
range. Both functions round with a dither that is a hash of frame, row, column and channel, so the
same frame always gives the same bytes, and no two frames share a pattern.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

DISPLAY_EXPONENT = 2.4  # ITU-R BT.1886, annex 1
REDUCED_BITS = 8  # of a copy, where nothing else is asked for
GOLDEN = 0x9E3779B9  # 2**32 over the golden ratio: spreads small numbers, common practice, no source


def mix(number: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Scramble each 32-bit number so that its bits look like chance.

    Parameters
    ----------
    number : uint32 array, any shape

    Returns
    -------
    uint32 array of the same shape
        A bijection of the input.

    Notes
    -----
    Source: Wellons 2018 (lowbias32).

    Examples
    --------
    >>> print(mix(np.array([0, 1], np.uint32)))
    [         0 1753845952]
    """
    h: NDArray[np.uint32] = number ^ (number >> np.uint32(16))
    h = h * np.uint32(0x7FEB352D)
    h = h ^ (h >> np.uint32(15))
    h = h * np.uint32(0x846CA68B)
    return h ^ (h >> np.uint32(16))


def dither_of(*, frame: int, first_row: int, height: int, width: int) -> NDArray[np.float32]:
    """What is added to a frame's values before they are cut down to whole codes.

    Parameters
    ----------
    frame : int
        Number that tells this frame from its neighbours; its lowest 32 bits count.
    first_row, height, width : int
        The rows and columns wanted.

    Returns
    -------
    float32 array, shape (height, width, 3)
        One of 1/256, 3/256 ... 255/256, mean 1/2: uniform over one code, so a value that is a whole
        code stays that code (black stays black, white stays white).

    Notes
    -----
    Source: Wellons 2018 for the hash; each channel takes 7 bits of its own from one hash a pixel.

    Examples
    --------
    >>> print(dither_of(frame=0, first_row=0, height=1, width=2).shape)
    (1, 2, 3)
    """
    golden = np.uint32(GOLDEN)
    frame_seed = mix(np.array([(frame + 1) & 0xFFFFFFFF], np.uint32))
    rows = np.arange(first_row, first_row + height).astype(np.uint32)
    row_seed = mix(frame_seed + rows * golden)
    h = mix(row_seed[:, None] + np.arange(width, dtype=np.uint32)[None, :])
    shifts = np.array([1, 9, 17], np.uint32)
    steps = (h[:, :, None] >> shifts) & np.uint32(127)
    return steps.astype(np.float32) * np.float32(1 / 128) + np.float32(1 / 256)


def srgb_of_display(bits: int) -> NDArray[np.uint16]:
    """What each code value of the finished picture is in sRGB, which has the same primaries and white.

    Parameters
    ----------
    bits : int
        Of either, 8 to 16.

    Returns
    -------
    uint16 array, shape (2 ** bits,)

    Raises
    ------
    CallerError
        For another number of bits.

    Notes
    -----
    Source: IEC 61966-2-1. Black and white stay; the lowest codes share a few.

    Examples
    --------
    >>> table = srgb_of_display(16)
    >>> int(table[0]), int(table[-1]), round(float(table[32768]) / 65535, 3)
    (0, 65535, 0.473)
    """
    if not 8 <= bits <= 16:
        raise CallerError(f"srgb_of_display needs 8 to 16 bits, got {bits}.")
    top = (1 << bits) - 1
    light = (np.arange(top + 1) / top) ** DISPLAY_EXPONENT
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(top * encoded), np.uint16)


def apply_display(
    light: NDArray[np.floating], *, bits: int, frame: int, first_row: int = 0
) -> NDArray[np.uint16]:
    """Encode linear light for the display, with dither: the reference in plain NumPy.

    Parameters
    ----------
    light : floating array, shape (height, width) or (height, width, 3)
        Linear light, open gate 1; cut off at 0 and 1. Not altered.
    bits : int
        Bits of the finished file, 8 to 16 (12 unless the order asks for 16).
    frame : int
        Number of the frame, for the dither.
    first_row : int
        Row of the finished frame that `light` starts at, for the dither.

    Returns
    -------
    uint16 array of the same shape
        Code values, 0 to 2 ** bits - 1. NaN becomes 0. A grey picture takes the first channel's dither.

    Raises
    ------
    CallerError
        For another shape or number of bits.

    Notes
    -----
    Source: BT.1886 (code = light ** (1 / 2.4), black at 0).

    Examples
    --------
    >>> print(apply_display(np.array([[0.0, 1.0, 0.5 ** 2.4]]), bits=8, frame=0))
    [[  0 255 128]]
    """
    if light.ndim not in (2, 3) or (light.ndim == 3 and light.shape[2] != 3):
        raise CallerError(f"A frame is (height, width) or (height, width, 3), got shape {light.shape}.")
    peak = _peak_of(bits)
    dither = dither_of(frame=frame, first_row=first_row, height=light.shape[0], width=light.shape[1])
    bounded = np.clip(np.nan_to_num(light.astype(np.float64), nan=0.0), 0.0, 1.0)
    values = peak * np.power(bounded, 1.0 / DISPLAY_EXPONENT)
    codes = np.floor(values + (dither[:, :, 0] if light.ndim == 2 else dither))
    return np.minimum(codes, peak).astype(np.uint16)


def _peak_of(bits: int) -> float:
    """The highest code value."""
    if not 8 <= bits <= 16:
        raise CallerError(f"A finished or viewing picture has 8 to 16 bits, got {bits}.")
    return float(2**bits - 1)


def box_overlaps(size: int, reduced: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Which pixels lie under each reduced pixel, and what share of it each one covers.

    Parameters
    ----------
    size, reduced : int
        Pixels before and after, `1 <= reduced <= size`.

    Returns
    -------
    index : int64 array, shape (reduced, taps)
    share : float32 array, shape (reduced, taps)
        Each row adds up to 1; a pixel that is not covered has share 0.

    Notes
    -----
    Source: definition (exact area average).

    Examples
    --------
    >>> index, share = box_overlaps(3, 2)
    >>> print(index.tolist(), share.round(3).tolist())
    [[0, 1], [1, 2]] [[0.6669999957084656, 0.3330000042915344], [0.3330000042915344, 0.6669999957084656]]
    """
    if not 1 <= reduced <= size:
        raise CallerError(
            f"A viewing copy is reduced, never enlarged: {size} pixels can become 1 to {size}, got {reduced}."
        )
    start = np.arange(reduced, dtype=np.int64) * size  # in units of 1 / reduced pixel: exact
    first = start // reduced
    last = (start + size - 1) // reduced
    index = first[:, None] + np.arange(int((last - first).max()) + 1)
    low = np.maximum(index * reduced, start[:, None])
    high = np.minimum((index + 1) * reduced, (start + size)[:, None])
    share = np.maximum(high - low, 0) / size
    return np.minimum(index, size - 1), share.astype(np.float32)


def apply_reduction(
    codes: NDArray[np.uint16],
    *,
    bits: int,
    width: int,
    height: int,
    canvas_width: int,
    canvas_height: int,
    frame: int,
    to_bits: int = REDUCED_BITS,
) -> NDArray[Any]:
    """Reduce a finished frame once for a viewing copy, in the middle of a black canvas.

    Parameters
    ----------
    codes : uint16 array, shape (height, width, 3)
        Finished frame as `apply_display` gives it. Not altered.
    bits : int
        Its bits, 8 to 16.
    width, height : int
        Size of the reduced picture: not above that of `codes`.
    canvas_width, canvas_height : int
        Size of the result; the picture stands in its middle (half a pixel up and left where it must).
    frame : int
        Number of the frame, for the dither.
    to_bits : int
        Bits of the result, 8 to 16; not above those of `codes` to any use.

    Returns
    -------
    uint8 array (uint16 above 8 bits), shape (canvas_height, canvas_width, 3)
        Display code values, full range, 0 outside the picture.

    Raises
    ------
    CallerError
        If the picture would be enlarged or is larger than the canvas, or for another number of bits.

    Notes
    -----
    Source: definition (exact area average, of display codes, as a viewer's eye takes them).

    Examples
    --------
    >>> codes = np.full((4, 4, 3), 4095, np.uint16)
    >>> small = apply_reduction(codes, bits=12, width=2, height=2, canvas_width=4, canvas_height=2, frame=0)
    >>> print(small[0, :, 0])
    [  0 255 255   0]
    """
    if codes.ndim != 3 or codes.shape[2] != 3:
        raise CallerError(f"A finished frame is (height, width, 3), got shape {codes.shape}.")
    if not (width <= canvas_width and height <= canvas_height):
        raise CallerError(
            f"A picture of {width} x {height} does not fit a canvas of {canvas_width} x {canvas_height}."
        )
    rows, row_share = box_overlaps(codes.shape[0], height)
    columns, column_share = box_overlaps(codes.shape[1], width)
    down = np.zeros((height, codes.shape[1], 3), np.float32)
    for tap in range(rows.shape[1]):
        down += row_share[:, tap, None, None] * codes[rows[:, tap]]
    across = np.zeros((height, width, 3), np.float32)
    for tap in range(columns.shape[1]):
        across += column_share[None, :, tap, None] * down[:, columns[:, tap]]
    across *= np.float32(_peak_of(to_bits) / _peak_of(bits))
    across += dither_of(frame=frame, first_row=0, height=height, width=width)
    canvas = np.zeros((canvas_height, canvas_width, 3), np.uint8 if to_bits == 8 else np.uint16)
    top, left = (canvas_height - height) // 2, (canvas_width - width) // 2
    canvas[top : top + height, left : left + width] = np.minimum(np.floor(across), _peak_of(to_bits))
    return canvas
