"""Decode our files again, frame by frame, and compare: the job of one worker.

Nothing here runs the code that made the files: digests come from the papers, pictures from the decoder.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import CaptureListing, UnreadableFrame, open_picture

TILES = (24, 32)  # rows and columns of the small picture by which a copy is compared, at most
TILE_PX = 12  # a tile's least side: over fewer pixels the loss of coding is no longer averaged out


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesJob:
    """Frames `first` to `stop` of a file of ours.

    `digests` are the expected ones (empty: none to compare). `box` is (left, top, width, height) of
    the picture inside the frame. `small` asks for the small pictures.
    """

    listing: CaptureListing
    first: int
    stop: int
    digests: tuple[str, ...]
    box: tuple[int, int, int, int] | None
    small: bool
    tiles: tuple[int, int] = TILES


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FramesResult:
    """What was found: frames decoded, those whose digest differs, log lines, small pictures (0 to 1).

    A frame that can't be decoded counts as differing, is a line of the log, and its small picture is NaN.
    """

    decoded: int
    differing: tuple[int, ...]
    log: tuple[str, ...]
    small: NDArray[np.float32] | None  # (frames, rows of tiles, columns of tiles, 3)


def tiles_for(width: int, height: int) -> tuple[int, int]:
    """Rows and columns of the small picture of a picture of this size.

    Examples
    --------
    >>> tiles_for(1380, 1010), tiles_for(200, 150)
    ((24, 32), (12, 16))
    """
    return min(TILES[0], max(1, height // TILE_PX)), min(TILES[1], max(1, width // TILE_PX))


def prove_frames(job: FramesJob, tick: Callable[[int], None]) -> FramesResult:
    """Decode the frames of one job and compare them."""
    listing = job.listing
    bits = listing.encoding.bits
    differing: list[int] = []
    small: list[NDArray[np.float32]] = []
    said: list[str] = []
    decoded, number, stop = 0, job.first, min(job.stop, listing.count)
    with open_picture(listing) as reader:
        while number < stop:
            try:
                for frame in reader.frames(number, stop):
                    number = frame.number + 1
                    if (
                        job.digests
                        and digest_frame(frame.samples, bits) != job.digests[frame.number - job.first]
                    ):
                        differing.append(frame.number)
                    if job.small:
                        picture = small_picture(frame.samples, bits=bits, box=job.box, tiles=job.tiles)
                        small.append(picture)
                    decoded += 1
                    tick(1)
            except UnreadableFrame as error:
                said.append(f"frame {number}: {error.reason}")
                differing.append(number)
                small.append(np.full((*job.tiles, 3), np.nan, np.float32))
                number += 1
        log = (*reader.log, *said)
    return FramesResult(
        decoded=decoded,
        differing=tuple(differing),
        log=tuple(log),
        small=np.stack(small) if job.small and small else None,
    )


def small_picture(
    samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
    *,
    bits: int,
    box: tuple[int, int, int, int] | None = None,
    tiles: tuple[int, int] = TILES,
) -> NDArray[np.float32]:
    """Mean code value of tiles of the picture, 0 to 1.

    Examples
    --------
    >>> float(small_picture(np.full((48, 64, 3), 255, np.uint8), bits=8).mean())
    1.0
    """
    left, top, width, height = box or (0, 0, samples.shape[1], samples.shape[0])
    part = samples[top : top + height, left : left + width]
    rows = np.linspace(0, part.shape[0], tiles[0] + 1).round().astype(int)[:-1]
    columns = np.linspace(0, part.shape[1], tiles[1] + 1).round().astype(int)[:-1]
    sums = np.add.reduceat(np.add.reduceat(part.astype(np.float64), rows, axis=0), columns, axis=1)
    counts = (
        np.diff([*rows, part.shape[0]])[:, None, None] * np.diff([*columns, part.shape[1]])[None, :, None]
    )
    small: NDArray[np.float32] = (sums / counts / (2**bits - 1)).astype(np.float32)
    return small
