"""Does a finished frame show the captured frame that it says, where its move says? By a plain look at small pictures.

make_small_picture  a frame's samples                          -> its reduced plane
measure_fit         reduced frame, its source, the neighbours  -> how well each fits, how far off the stated one lies   (prove)
find_shown          fits of frames                             -> shown, alike, another, elsewhere, not told            (prove)

Corrections between capture and finished film change tone and colour smoothly: so pictures are compared after
what varies slowly is taken out and contrast is made even, place by place. A negative and its positive are
alike but for the sign.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.resample import Move

SMALL_PX = 256  # width of the reduced capture, about: an eighth of 2048
_FINE, _WIDE = 3, 9  # reduced pixels, sides of the boxes whose difference is compared; chosen here by trial
_KEPT = 12  # pictures as they were laid: those of a frame, its neighbours and theirs
_LEAST_SIDE = 12  # reduced pixels: below, nothing is told
# A neighbour fits better where it does so by more than this and four standard errors: chosen here by trial on drawn
# reels and specimens (tests/picture/test_source_fit.py).
LEAST_LEAD = 0.01
_PIXELS_EACH = 9.0  # reduced pixels to an independent one, after the box of 3 by 3
LEAST_FIT, LIKE_NEIGHBOURS = 0.3, 0.6  # the frame shows nothing of a source whose neighbours show it
MOST_OFF_SMALL_PX = (
    0.15  # of the stated place, reduced pixels: right moves come out within 0.03 (the same trial)
)
SURE_FIT = 0.5  # below, where the picture lies can't be told
SHOWN, ALIKE, ANOTHER, ELSEWHERE, NOT_TOLD = range(5)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFit:
    """Correlation with the stated source and with the best neighbour; place of the picture beyond the stated one.

    `alike` is the correlation of the source with its neighbours; `off_x_px`, `off_y_px` finished pixels. NaN: not told.
    """

    stated: float
    neighbour: float
    alike: float
    off_x_px: float
    off_y_px: float
    pixels: int


def small_block(width: int) -> int:
    """Pixels to a reduced pixel, either way, for a capture of this width.

    Examples
    --------
    >>> small_block(2048), small_block(320)
    (8, 1)
    """
    return max(1, round(width / SMALL_PX))


def make_box_means(
    samples: NDArray[Any], rows: NDArray[np.int64], columns: NDArray[np.int64], *, channel: int | None = None
) -> NDArray[np.float32]:
    """Mean code of each box of a grid over a picture.

    Parameters
    ----------
    samples : array, shape (height, width, 3) or (height, width)
        Codes: whole numbers of at most 16 bits, or floating point. Not altered.
    rows, columns : int arrays
        Edges of the boxes, pixels, ascending.
    channel : int, optional
        That channel alone; all of them unless said.

    Returns
    -------
    float32 array, shape (rows - 1, columns - 1, channels)
        In the samples' own unit.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_box_means(np.arange(8, dtype=np.uint8).reshape(2, 4), np.array([0, 2]), np.array([0, 2, 4]))[0, :, 0].tolist()
    [2.5, 4.5]
    """
    from smallgauge.picture.kernels_proof import box_means

    channels = samples.shape[2] if samples.ndim == 3 else 1
    lines = np.ascontiguousarray(samples).reshape(samples.shape[0], -1)
    many, first = (channels, 0) if channel is None else (1, channel)
    out = np.empty((len(rows) - 1, len(columns) - 1, many), np.float32)
    room = np.empty(lines.shape[1], np.uint32 if lines.dtype.kind == "u" else np.float64)
    box_means(lines, channels, first, rows, columns, room, out)
    return out


def make_small_picture(samples: NDArray[Any], *, block: int) -> NDArray[np.float32]:
    """The green (or grey) plane as means of square blocks; what is left over at the right and below is dropped.

    Parameters
    ----------
    samples : array, shape (height, width, 3) or (height, width)
        Codes. Not altered.
    block : int
        Side of a block, pixels.

    Returns
    -------
    float32 array, shape (height // block, width // block)
        In the samples' own unit.

    Raises
    ------
    CallerError
        If the picture is smaller than a block.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> make_small_picture(np.arange(16, dtype=np.uint8).reshape(4, 4), block=2).tolist()
    [[2.5, 4.5], [10.5, 12.5]]
    """
    rows, columns = samples.shape[0] // block, samples.shape[1] // block
    if block < 1 or rows < 1 or columns < 1:
        raise CallerError(
            f"make_small_picture needs a picture of at least one block of {block}, got {samples.shape}."
        )
    if block == 1:
        return np.array(samples[:, :, 1] if samples.ndim == 3 else samples, np.float32, order="C")
    edges = np.arange(rows + 1) * block, np.arange(columns + 1) * block
    return make_box_means(samples, *edges, channel=1 if samples.ndim == 3 else 0)[:, :, 0]


def measure_fit(
    frame: NDArray[np.float32],
    source: NDArray[np.float32],
    move: Move,
    neighbours: Sequence[tuple[NDArray[np.float32], Sequence[Move]]],
    *,
    blocks: tuple[int, int],
    box: tuple[int, int, int, int],
    kept: "LaidPictures | None" = None,
) -> FrameFit:
    """How well a finished frame fits the captured frame that it is to show, and that one's neighbours.

    Parameters
    ----------
    frame, source : float32 arrays
        From `make_small_picture`, with the blocks of `blocks`: finished, captured.
    move : Move
        The stated way from finished to captured pixels.
    neighbours : sequence of (picture, moves)
        Captured frames beside the source; of several ways to lay one the best counts.
    blocks : (int, int)
    box : (left, top, right, bottom)
        Part of the finished frame that shows the camera's picture, pixels.
    kept : LaidPictures, optional
        Of the frames before, which one frame's neighbours were laid for; gets those of this one.

    Returns
    -------
    FrameFit
        NaN where the picture is too small to tell.

    Notes
    -----
    Pictures are resampled by straight lines between the means, and compared by correlation after a mean of 9 by 9 was
    taken off and the contrast within 9 by 9 made even; the place left over by one step of "Lucas and Kanade 1981".

    Examples
    --------
    >>> scene = np.random.default_rng(3).random((60, 80)).astype(np.float32)
    >>> other = np.random.default_rng(4).random((60, 80)).astype(np.float32)
    >>> fit = measure_fit(scene[5:45, 8:68] ** 2, scene, Move(c=8.0, f=5.0), [(other, [Move()])], blocks=(1, 1),
    ...                   box=(0, 0, 60, 40))
    >>> fit.stated > 0.9, abs(fit.neighbour) < 0.1, abs(fit.off_x_px) < 0.05
    (True, True, True)
    """
    block = blocks[0]
    first_x, first_y = -(-box[0] // block), -(-box[1] // block)
    last_x, last_y = min(box[2] // block, frame.shape[1]), min(box[3] // block, frame.shape[0])
    nothing = float("nan")
    if last_x - first_x < _LEAST_SIDE or last_y - first_y < _LEAST_SIDE:
        return FrameFit(
            stated=nothing, neighbour=nothing, alike=nothing, off_x_px=nothing, off_y_px=nothing, pixels=0
        )
    shown = _even(frame[first_y:last_y, first_x:last_x])
    place = (first_x, first_y, shown.shape)

    laid = (LaidPictures() if kept is None else kept).of(blocks, place)
    stated = laid(source, move)
    fit = _correlation(shown, stated)
    best, alike = -1.0, -1.0
    for picture, ways in neighbours:
        for way in ways:
            other = laid(picture, way)
            best = max(best, abs(_correlation(shown, other)))
            alike = max(alike, abs(_correlation(stated, other)))
    x, y = _left_over(shown, stated if fit >= 0 else -stated)
    return FrameFit(
        stated=abs(fit),
        neighbour=best,
        alike=alike,
        off_x_px=x * block,
        off_y_px=y * block,
        pixels=int(shown.size),
    )


class LaidPictures:
    """Pictures as they were laid and made even for the last few frames, by the very picture and way: a frame's neighbours
    are the next one's source, and laying them is most of the work."""

    def __init__(self) -> None:
        self._kept: dict[tuple[object, ...], tuple[NDArray[np.float32], NDArray[np.float32]]] = {}

    def of(
        self, blocks: tuple[int, int], place: tuple[int, int, tuple[int, ...]]
    ) -> Callable[[NDArray[np.float32], Move], NDArray[np.float32]]:
        """What lays a picture at a place: once, if it is the same picture and way."""

        def laid(picture: NDArray[np.float32], way: Move) -> NDArray[np.float32]:
            key = (id(picture), way, blocks, place)
            entry = self._kept.get(key)
            if entry is None or entry[0] is not picture:  # kept itself, so that no other can have its number
                entry = self._kept[key] = picture, _even(_sampled(picture, way, blocks, place))
                if len(self._kept) > _KEPT:
                    del self._kept[next(iter(self._kept))]
            return entry[1]

        return laid


def _sampled(
    picture: NDArray[np.float32], move: Move, blocks: tuple[int, int], place: tuple[int, int, tuple[int, ...]]
) -> NDArray[np.float32]:
    """The reduced capture at the reduced finished pixels of a part."""
    from smallgauge.picture.kernels_proof import sample_picture

    (ours, theirs), (first_x, first_y, shape) = blocks, place
    # Finished pixel of a reduced one: ours i + (ours - 1) / 2; captured likewise.
    x0, y0 = ours * first_x + (ours - 1) / 2, ours * first_y + (ours - 1) / 2
    c = (move.a * x0 + move.b * y0 + move.c - (theirs - 1) / 2) / theirs
    f = (move.d * x0 + move.e * y0 + move.f - (theirs - 1) / 2) / theirs
    scale = ours / theirs
    out = np.empty(shape, np.float32)
    way = np.array([move.a * scale, move.b * scale, c, move.d * scale, move.e * scale, f])
    sample_picture(picture, way, out)
    return out


def _even(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """A picture without what varies slowly, its contrast even."""
    import cv2

    fine = cv2.blur(picture, (_FINE, _FINE), borderType=cv2.BORDER_REPLICATE)
    fine = fine - cv2.blur(fine, (_WIDE, _WIDE), borderType=cv2.BORDER_REPLICATE)
    power = cv2.blur(fine * fine, (_WIDE, _WIDE), borderType=cv2.BORDER_REPLICATE)
    # Where there is next to nothing, nothing is made of it.
    floor = 0.05 * float(power.mean()) + 1e-12
    return np.asarray(fine / np.sqrt(power + floor), np.float32)


def _correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    both = float(np.vdot(a, a)) * float(np.vdot(b, b))
    return float(np.vdot(a, b)) / both**0.5 if both > 0 else 0.0


def _left_over(shown: NDArray[np.float32], stated: NDArray[np.float32]) -> tuple[float, float]:
    """How far the finished picture lies beyond the stated place, reduced pixels, by one step of least squares."""
    mean = 0.5 * (shown + stated)
    gx = 0.5 * (mean[1:-1, 2:] - mean[1:-1, :-2])
    gy = 0.5 * (mean[2:, 1:-1] - mean[:-2, 1:-1])
    difference = (stated - shown)[1:-1, 1:-1]
    xx, yy, xy = float(np.vdot(gx, gx)), float(np.vdot(gy, gy)), float(np.vdot(gx, gy))
    dx, dy = float(np.vdot(gx, difference)), float(np.vdot(gy, difference))
    area = xx * yy - xy * xy
    if not area > 1e-6 * xx * yy:
        return float("nan"), float("nan")
    return (dx * yy - dy * xy) / area, (dy * xx - dx * xy) / area


def find_shown(fits: NDArray[np.float64], *, block: int) -> NDArray[np.int8]:
    """What each frame shows: its source, one like its neighbours, another, the source elsewhere, or not told.

    Parameters
    ----------
    fits : array, shape (frames, 6)
        The fields of `FrameFit`, a row a frame.
    block : int
        Of the finished pictures.

    Returns
    -------
    int8 array, shape (frames,)
        SHOWN, ALIKE, ANOTHER, ELSEWHERE, NOT_TOLD.

    Notes
    -----
    A neighbour that correlates better by 0.01 and four standard errors of the difference's larger part shows that the
    frame is another. Source: derived (standard error of a correlation, (1 - r^2) / sqrt n), limits by trial.

    Examples
    --------
    >>> rows = [[0.99, 0.9, 0.9, 0, 0, 9000], [0.97, 0.97, 0.97, 0, 0, 9000], [0.9, 0.99, 0.9, 0, 0, 9000]]
    >>> find_shown(np.array(rows), block=8).tolist()
    [0, 1, 2]
    """
    stated, neighbour, alike, off_x, off_y, pixels = fits.T
    told = np.isfinite(stated) & (pixels > 0)
    sigma = (1 - np.nan_to_num(stated) ** 2) / np.sqrt(np.maximum(pixels, 1) / _PIXELS_EACH)
    lead = neighbour - stated
    out = np.full(len(fits), SHOWN, np.int8)
    out[lead > -LEAST_LEAD] = ALIKE
    with np.errstate(invalid="ignore"):
        off = np.hypot(off_x, off_y) > MOST_OFF_SMALL_PX * block
        out[off & (stated >= SURE_FIT)] = ELSEWHERE
        out[lead > LEAST_LEAD + 4 * sigma] = ANOTHER
        out[(stated < LEAST_FIT) & (alike > LIKE_NEIGHBOURS)] = ANOTHER
    out[~told] = NOT_TOLD
    return out
