"""One captured frame in memory, and how its numbers are to be read."""

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray

Layout = Literal["grey", "rgb"]


Samples = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelEncoding:
    """What the stored numbers are before anybody says what light they mean.

    `bits` is the number of bits of a code value as decoded (8, 10, 12, 14 or 16; 32 is floating
    point); codes are not shifted to the top of the word. `lossy` says that the capture was
    compressed with loss (JPEG, DV, H.264, ProRes). `sub_sampled` says that colour was stored at
    less than full resolution, so the RGB samples are a conversion. `pixel_aspect` is width over
    height of one pixel; `interlaced` is what the file says of itself.
    """

    bits: int
    layout: Layout
    lossy: bool = False
    sub_sampled: bool = False
    pixel_aspect: tuple[int, int] = (1, 1)
    interlaced: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One captured frame: `samples` is (height, width) or (height, width, 3), R G B.

    uint8 for 8 bits, uint16 for 10 to 16 bits, float32 for floating point; code values as decoded.
    `number` counts captured frames from 0 and is kept for ever.
    """

    number: int
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Whole pixels of a picture of `of_width` x `of_height`: from `left`, `top` so many to the right and down."""

    left: int
    top: int
    width: int
    height: int
    of_width: int
    of_height: int

    def cut(self, samples: Samples) -> Samples:
        """The part of a picture, as an array of its own: the same samples."""
        rows = slice(self.top, self.top + self.height)
        return cast(Samples, np.ascontiguousarray(samples[rows, self.left : self.left + self.width]))


def black_samples(width: int, height: int, encoding: PixelEncoding) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The black frame that stands in the archive copy for one that could not be read and was let pass.

    Examples
    --------
    >>> black_samples(4, 3, PixelEncoding(bits=10, layout="rgb")).shape
    (3, 4, 3)
    """
    shape = (height, width, 3) if encoding.layout == "rgb" else (height, width)
    return np.zeros(shape, np.uint8) if encoding.bits <= 8 else np.zeros(shape, np.uint16)
