"""Dense flow on an NVIDIA card: what `flow.dense_flow` and `flow.back_flow` find, by the same search.

FlowCard      a card with the kernels of flow.cu; `dense_flow` and `back_flow` on arrays that lie there
open_flow     a card, as `flow.dense_flow`
coarsest_scale    where the search begins
area_table    which pixels one of a smaller picture covers, and each one's share

Every step is OpenCV's, in the order in which one thread of a processor does it, without contraction; what differs are last bits of
float pictures made larger or carried, where a processor rounds once less.
"""

from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.flow import ROUNDS, dense_flow
from smallgauge.picture.kernels_cuda import open_card

STRIPES, ROOM, HALF_SWEEP_TILE = 8, 11520, 32  # STRIPES, ROOM and TILE of flow.cu
# What is added to differences before their root: OpenCV's own numbers, in its search and in its refinement by itself.
SEARCH_LEAST, BACK_LEAST = 0.01, 0.001
DESCENTS = 12  # steps of gradient descent in either of two passes: half of the medium preset's 25
_ACROSS, _DOWN = 32, 8  # threads of a block


def grid_of(width: int, height: int, planes: int = 1) -> tuple[tuple[int, int, int], tuple[int, int]]:
    """Blocks, and threads of a block, one a pixel.

    Examples
    --------
    >>> grid_of(65, 8)
    ((3, 1, 1), (32, 8))
    """
    return (-(-width // _ACROSS), -(-height // _DOWN), planes), (_ACROSS, _DOWN)


def coarsest_scale(size: tuple[int, int], patch_px: int) -> int:
    """The scale of halves at which the search begins: movements of a quarter of the width, and one patch at least.

    Examples
    --------
    >>> coarsest_scale((720, 540), 8), coarsest_scale((32, 32), 8)
    (4, 0)
    """
    width, height = size
    return min(
        int(np.log(max(width, height) / (4.0 * patch_px)) / np.log(2.0) + 0.5),
        int(np.log(min(width, height) // patch_px) / np.log(2.0)),
    )


@cache
def area_table(count: int, smaller: int) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    """The pixels that each of `smaller` ones covers, of `count` in a row.

    Parameters
    ----------
    count, smaller : int
        `smaller` at most `count`, 1 or more.

    Returns
    -------
    first : int32 array, shape (smaller,)
    share : float32 array, shape (smaller, most)
        Of `first` and those after it, together 1; 0 where no more are covered.

    Notes
    -----
    Source: definition; as OpenCV's INTER_AREA, which leaves out less than a thousandth of a pixel.

    Examples
    --------
    >>> first, share = area_table(5, 2)
    >>> first.tolist(), share.astype(float).round(2).tolist()
    ([0, 2], [[0.4, 0.4, 0.2], [0.2, 0.4, 0.4]])
    """
    scale = count / smaller
    rows = []
    for n in range(smaller):
        begin, end = n * scale, n * scale + scale
        cell = min(scale, count - begin)
        whole, last = int(np.ceil(begin)), min(int(np.floor(end)), count - 1)
        whole = min(whole, last)
        row = []
        if whole - begin > 1e-3:
            row.append((whole - 1, (whole - begin) / cell))
        row += [(place, 1.0 / cell) for place in range(whole, last)]
        if end - last > 1e-3:
            row.append((last, min(min(end - last, 1.0), cell) / cell))
        rows.append(row)
    most = max(len(row) for row in rows)
    share = np.zeros((smaller, most), np.float32)
    for n, row in enumerate(rows):
        share[n, : len(row)] = [each for _, each in row]
    first = np.array([row[0][0] for row in rows], np.int32)
    return first, share


class FlowCard:
    """The search on the card in use: `cupy` its driver, `more` kernels to stand behind those of flow.cu."""

    def __init__(self, cupy: Any, more: str = "") -> None:
        self.cupy = cupy
        text = files("smallgauge.picture").joinpath("flow.cu").read_text(encoding="utf-8")
        self._module = cupy.RawModule(code=text + more, options=("--std=c++17", "--fmad=false"))
        self._kernels: dict[str, Any] = {}
        self._areas: dict[tuple[int, int], tuple[Any, Any]] = {}

    def run(self, name: str, grid: tuple[int, ...], block: tuple[int, ...], *given: Any) -> None:
        """Start a kernel."""
        if name not in self._kernels:
            self._kernels[name] = self._module.get_function(name)
        self._kernels[name](grid, block, given)

    def area(self, count: int, smaller: int) -> tuple[Any, Any]:
        """`area_table` on the card."""
        if (count, smaller) not in self._areas:
            self._areas[count, smaller] = tuple(
                self.cupy.asarray(each) for each in area_table(count, smaller)
            )
        return self._areas[count, smaller]

    def shrunk(self, field: Any, size: tuple[int, int], *, channels: int = 1, scale: float = 1.0) -> Any:
        """Float planes (planes, height, width, channels) at `size` (width, height), times `scale`."""
        planes, down, across = field.shape[0], field.shape[1], field.shape[2]
        width, height = size
        (first_x, share_x), (first_y, share_y) = self.area(across, width), self.area(down, height)
        blocks = (across // width) * (down // height)
        whole = (
            across % width == 0 and down % height == 0 and blocks % 4 == 0 and (blocks, channels) != (4, 1)
        )
        out = self.cupy.empty((planes, height, width, channels), np.float32)
        tables = (first_x, share_x, np.int32(share_x.shape[1]), first_y, share_y, np.int32(share_y.shape[1]))
        plane = np.int64(down * across * channels)
        given = (
            np.int32(channels),
            plane,
            *tables,
            np.int32(whole),
            out,
            np.int32(width),
            np.int32(height),
            np.float32(scale),
        )
        self.run("shrink", *grid_of(width, height, planes), field, np.int32(across), *given)
        return out

    def enlarged(self, field: Any, size: tuple[int, int], scale: float, *, single: bool = False) -> Any:
        """A field (height, width, channels) at `size` (width, height), between its pixels, times `scale`.

        `single`: as OpenCV does it with planes one by one, otherwise as with pairs.
        """
        down, across, channels = field.shape
        width, height = size
        out = self.cupy.empty((height, width, channels), np.float32)
        numbers = (np.int32(across), np.int32(down), np.int32(channels), np.int32(single))
        self.run(
            "enlarge",
            *grid_of(width, height),
            field,
            *numbers,
            out,
            np.int32(width),
            np.int32(height),
            np.float32(scale),
        )
        return out

    def halved(self, picture: Any) -> Any:
        """A byte picture at half the size."""
        return self._reduced(picture, (picture.shape[1] // 2, picture.shape[0] // 2))

    def _reduced(self, picture: Any, size: tuple[int, int]) -> Any:
        """A byte picture at `size` (width, height)."""
        down, across = picture.shape
        width, height = size
        out = self.cupy.empty((height, width), np.uint8)
        numbers = (np.int32(width), np.int32(height))
        if (across, down) == (2 * width, 2 * height):
            self.run("halve", *grid_of(width, height), picture, np.int32(across), out, *numbers)
            return out
        (first_x, share_x), (first_y, share_y) = self.area(across, width), self.area(down, height)
        tables = (first_x, share_x, np.int32(share_x.shape[1]), first_y, share_y, np.int32(share_y.shape[1]))
        self.run("shrink_bytes", *grid_of(width, height), picture, np.int32(across), *tables, out, *numbers)
        return out

    def dense_flow(
        self, first: Any, second: Any, *, finest: int, patch_px: int, stride_px: int, refined: int
    ) -> Any:
        """As `flow.dense_flow`; byte pictures and flow lie on the card.

        Parameters
        ----------
        first, second : cupy uint8 arrays, shape (height, width)
            So large that `coarsest_scale` is `finest` or more.
        finest, stride_px, refined : int
        patch_px : int
            4 to 16.

        Notes
        -----
        Source: DIS flow.
        """
        height, width = first.shape
        size = (width >> finest, height >> finest)
        scales = [(first, second)]
        if finest:
            scales = [(self._reduced(first, size), self._reduced(second, size))]
        for _ in range(finest, coarsest_scale((width, height), patch_px)):
            one, other = scales[-1]
            scales.append((self.halved(one), self.halved(other)))
        flow = self.cupy.zeros((*scales[-1][0].shape, 2), np.float32)
        for one, other in reversed(scales):
            if flow.shape[:2] != one.shape:
                flow = self.enlarged(flow, one.shape[::-1], 2.0, single=True)
            self._searched(one, other, flow, patch_px, stride_px)
            self.refine(one, other, flow, refined, SEARCH_LEAST)
        return self.enlarged(flow, (width, height), float(1 << finest)) if finest else flow

    def _searched(self, one: Any, other: Any, flow: Any, patch_px: int, stride_px: int) -> None:
        """The flow of one scale, from a first guess, into `flow`."""
        cp = self.cupy
        height, width = one.shape
        size = (np.int32(width), np.int32(height))
        across, down = (cp.empty((height, width), np.int16) for _ in range(2))
        self.run("slope", *grid_of(width, height), one, *size, across, down)
        lines, patches = (1 + (side - patch_px) // stride_px for side in (height, width))
        found = cp.empty((lines, patches, 2), np.float32)
        numbers = tuple(np.int32(each) for each in (patch_px, stride_px, lines, patches))
        warps = min(-(-lines // STRIPES), 32, ROOM // (4 * patch_px**2))
        given = (one, other, across, down, flow, *size, *numbers, np.int32(DESCENTS), found)
        self.run("search", (STRIPES,), (32 * warps,), *given)
        self.run("spread_patches", *grid_of(width, height), found, one, other, *size, *numbers, flow)

    def refine(self, one: Any, other: Any, flow: Any, rounds: int, least: float) -> None:
        """Smooth a flow by what two byte pictures show, into `flow`.

        Notes
        -----
        Source: DIS flow's own refinement.
        """
        if rounds == 0:
            return
        cp = self.cupy
        height, width = one.shape
        size = (np.int32(width), np.int32(height))
        average, change = (cp.empty((height, width), np.float32) for _ in range(2))
        slopes, equations = cp.empty((7, height, width), np.float32), cp.empty((6, height, width), np.float32)
        self.run("carry_bytes", *grid_of(width, height), one, other, flow, *size, average, change)
        self.run("slopes", *grid_of(width, height), average, change, *size, slopes)
        moved, new = cp.zeros((height, width, 2), np.float32), cp.empty((height, width, 2), np.float32)
        tiles = (-(-width // HALF_SWEEP_TILE), -(-height // HALF_SWEEP_TILE))
        for _ in range(rounds):
            self.run(
                "equations",
                *grid_of(width, height),
                flow,
                moved,
                slopes,
                change,
                *size,
                np.float32(least),
                equations,
            )
            self.run("relax", tiles, (512,), moved, equations, *size, new)
            moved, new = new, moved
        count = 2 * height * width
        self.run("add", (-(-count // 256),), (256,), flow, moved, np.int32(count))

    def back_flow(self, first: Any, second: Any, there: Any, *, refined: int) -> Any:
        """As `flow.back_flow`; pictures and flow lie on the card.

        Notes
        -----
        Source: as `flow.back_flow`.
        """
        height, width = there.shape[:2]
        half = (width // 2, height // 2)
        coarse = self.shrunk(there[None], half, channels=2, scale=0.5)[0]
        back = self.cupy.empty_like(coarse)
        self.run(
            "turn_back", *grid_of(*half), coarse, np.int32(half[0]), np.int32(half[1]), np.int32(ROUNDS), back
        )
        self.refine(self.halved(second), self.halved(first), back, refined, BACK_LEAST)
        return self.enlarged(back, (width, height), 2.0)


def open_flow(number: int = 0) -> Callable[..., NDArray[np.float32]]:
    """`flow.dense_flow` on a card: pictures and flow lie here. The smallest pictures are searched on the processor.

    Raises
    ------
    CallerError
        Where there is no such card, or no CuPy to speak to it.

    Notes
    -----
    Source: DIS flow.
    """
    _, cupy, device = open_card(number)
    with device:
        card = FlowCard(cupy)

    def flow(
        first: NDArray[np.uint8], second: NDArray[np.uint8], *, finest: int, patch_px: int, **told: int
    ) -> NDArray[np.float32]:
        if coarsest_scale(first.shape[::-1], patch_px) < finest:
            return dense_flow(first, second, finest=finest, patch_px=patch_px, **told)
        with device:
            pictures = (cupy.asarray(each) for each in (first, second))
            found = card.dense_flow(*pictures, finest=finest, patch_px=patch_px, **told)
            return np.asarray(cupy.asnumpy(found), np.float32)

    return flow
