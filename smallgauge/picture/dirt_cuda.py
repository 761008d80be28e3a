"""Dirt on an NVIDIA card: what `dirt.find_dirt_moves` and `dirt.find_dirt` find, from the same frames.

DirtCard      a card with the kernels compiled for it; `find_dirt_moves` and `find_dirt` as their namesakes

Flow and everything that is done with every pixel is done there (flow.cu, dirt.cu); sheets that come again stay there. What stands
out comes back, and the processor makes blobs of it as it always does (`measure_blobs`).
"""

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.dirt import (
    DETAIL,
    FILLED_AT,
    FILLED_FROM_PX,
    FLOW,
    GRAIN_BINS,
    GRAIN_PIXELS,
    MOST_STEP,
    REFINED,
    SOFTER_PX,
    THRESHOLD,
    DirtMoves,
    DirtSheet,
    grain_levels,
)
from smallgauge.picture.dirt_blobs import GRAIN_LEVELS, SOFT_PX, Blob, Searched, measure_blobs
from smallgauge.picture.flow import back_flow, dense_flow
from smallgauge.picture.flow_cuda import FlowCard, coarsest_scale, grid_of
from smallgauge.picture.kernels_cuda import open_card

_SHEETS = 4  # that are kept on the card: the three of a frame, and the next one
_LEVEL_EVERY, _LEVEL_SMALLER, _LEVEL_SOFT = 4, 8, 4.0  # as `dirt._level`

Floats = NDArray[np.float32]


class DirtCard:
    """A card that searches frames for dirt.

    Raises
    ------
    CallerError
        Where there is no such card, or no CuPy to speak to it.
    """

    def __init__(self, number: int = 0) -> None:
        self.name, cupy, self._device = open_card(number)
        self._cupy = cupy
        with self._device:
            own = files("smallgauge.picture").joinpath("dirt.cu").read_text(encoding="utf-8")
            self._flow = FlowCard(cupy, own)
        self._sheets: list[tuple[DirtSheet, Any, Any]] = []
        self._taps: dict[float, tuple[Any, np.int32]] = {}
        self._room: Any = None

    def find_dirt_moves(self, first: DirtSheet, second: DirtSheet) -> DirtMoves:
        """How two frames in a row lie in each other, as `dirt.find_dirt_moves`; the fields stay on the card.

        Notes
        -----
        Source: DIS flow.
        """
        with self._device:
            one, other = (self._there(sheet)[1] for sheet in (first, second))
            if coarsest_scale(one.shape[::-1], FLOW["patch_px"]) >= FLOW["finest"]:
                there = self._flow.dense_flow(one, other, **FLOW)
                return DirtMoves(there=there, back=self._flow.back_flow(one, other, there, refined=REFINED))
            flow = dense_flow(
                first.small, second.small, **FLOW
            )  # a search of the smallest pictures is OpenCV's own
            back = back_flow(first.small, second.small, flow, refined=REFINED)
            return DirtMoves(there=self._cupy.asarray(flow), back=self._cupy.asarray(back))

    def find_dirt(
        self,
        before: DirtSheet,
        now: DirtSheet,
        after: DirtSheet,
        *,
        moves: tuple[DirtMoves, DirtMoves] | None = None,
    ) -> tuple[Blob, ...]:
        """Blobs on the middle one of three frames in a row, as `dirt.find_dirt`.

        Notes
        -----
        Source: as `dirt.find_dirt`, whose blobs these are where flow agrees to the last bits and none is at a limit by chance.
        """
        first, second = moves or (self.find_dirt_moves(before, now), self.find_dirt_moves(now, after))
        with self._device:
            searched = self._searched(before, now, after, (first.back, second.there))
        return () if searched is None else measure_blobs(searched)

    def _run(self, name: str, size: tuple[int, int], *given: Any, planes: int = 1) -> None:
        """A kernel on every pixel of a picture of `size` (width, height)."""
        self._flow.run(name, *grid_of(*size, planes), *given)

    def _line(self, name: str, count: int, *given: Any) -> None:
        """A kernel on so many values in a row."""
        self._flow.run(name, (-(-count // 256),), (256,), *given)

    def _there(self, sheet: DirtSheet) -> tuple[Any, Any]:
        """A sheet's two pictures on the card; the last ones are kept."""
        for known, light, small in self._sheets:
            if known is sheet:
                return light, small
        light, small = (self._cupy.asarray(each) for each in (sheet.lightness, sheet.small))
        self._sheets = [*self._sheets[1 - _SHEETS :], (sheet, light, small)]
        return light, small

    def _searched(
        self, before: DirtSheet, now: DirtSheet, after: DirtSheet, flows: tuple[Any, Any]
    ) -> Searched | None:
        """What `measure_blobs` needs; None where a neighbour's level is too far off."""
        cp = self._cupy
        light, small = self._there(now)
        beside = [self._there(sheet) for sheet in (before, after)]
        offsets = [self._level(small, other, flow) for (_, other), flow in zip(beside, flows, strict=True)]
        if max(abs(float(self._median(offset)[0])) for offset in offsets) > MOST_STEP:
            return None
        high, wide = small.shape
        height, width = light.shape
        size, coarse = (np.int32(width), np.int32(height)), (np.int32(wide), np.int32(high))
        stack = cp.empty(
            (7, height, width), np.float32
        )  # the frame, both sides; the same softened; what stands out
        stack[0] = light
        far = stack[6]
        for n in range(2):
            self._run(
                "carry", (width, height), beside[n][0], *size, flows[n], offsets[n], *coarse, stack[1 + n]
            )
        far[...] = 0
        self._spikes(stack[:3], self._grain(stack[:3]), far)
        under = self._under(far, (wide, high))
        filled = [self._filled(flow, under) for flow in flows]
        where = self._wider(under, 1)
        for n in range(2):
            given = (beside[n][0], *size, filled[n], offsets[n], *coarse, where, stack[1 + n])
            self._run("carry_again", (width, height), *given)
        far[...] = 0
        sigma = self._grain(stack[:3])
        self._spikes(stack[:3], sigma, far)
        stack[3:6] = self._softened(stack[:3], SOFT_PX)
        soft_sigma = self._grain(stack[3:6])
        self._spikes(stack[3:6], soft_sigma, far)
        self._softest(stack[3:6], far)
        told = self._back(stack[1:])
        there = [cp.asnumpy(each) for each in (*filled, *offsets)]
        return Searched(
            now=now.lightness,
            beside=(before.lightness, after.lightness),
            sides=(told[0], told[1]),
            sigma=sigma,
            soft=(told[2], told[3], told[4]),
            soft_sigma=soft_sigma,
            far=told[5],
            flows=(there[0], there[1]),
            offsets=(there[2], there[3]),
        )

    def _back(self, stack: Any) -> Floats:
        """Planes from the card, in room that is used again for the next frame."""
        if self._room is None or self._room.shape != stack.shape:
            import cupyx

            self._room = cupyx.empty_pinned(stack.shape, np.float32)
        return np.asarray(self._cupy.asnumpy(stack, out=self._room), np.float32)

    def _median(self, values: Any) -> Any:
        """One value, in an array."""
        rising = self._cupy.sort(values.ravel())
        count = rising.size
        low, high = rising[(count - 1) // 2 : (count + 1) // 2], rising[count // 2 : count // 2 + 1]
        return (low + high) * np.float32(0.5)

    def _level(self, now: Any, other: Any, flow: Any) -> Any:
        """As `dirt._level`."""
        cp = self._cupy
        height, width = now.shape
        count = np.int32(height * width)
        apart = cp.empty((height, width), np.float32)
        self._run("level_apart", (width, height), now, other, flow, np.int32(width), np.int32(height), apart)
        some = cp.ascontiguousarray(apart[::_LEVEL_EVERY, ::_LEVEL_EVERY])
        middle = self._median(some)
        usual = self._median(cp.abs(some - middle))
        counted = cp.empty((2, height, width), np.float32)
        self._line("level_counted", int(count), apart, middle, usual, count, counted)
        reduced = (max(8, width // _LEVEL_SMALLER), max(8, height // _LEVEL_SMALLER))
        planes = self._softened(self._flow.shrunk(counted[..., None], reduced)[..., 0], _LEVEL_SOFT)
        smooth = cp.empty((reduced[1], reduced[0], 1), np.float32)
        self._line("level_smooth", smooth.size, planes, middle, np.int32(smooth.size), smooth)
        return self._flow.enlarged(smooth, (width, height), 1.0, single=True)[..., 0]

    def _softened(self, planes: Any, sigma: float) -> Any:
        """Planes softened as OpenCV softens single precision."""
        import cv2

        if sigma not in self._taps:
            side = int(np.rint(sigma * 8 + 1)) | 1
            half = cv2.getGaussianKernel(side, sigma, cv2.CV_32F)[side // 2 :, 0]
            self._taps[sigma] = self._cupy.asarray(np.ascontiguousarray(half)), np.int32(side // 2)
        count, height, width = planes.shape
        across, out = (self._cupy.empty((count, height, width), np.float32) for _ in range(2))
        told = (np.int32(width), np.int32(height), *self._taps[sigma])
        self._run("soften_across", (width, height), planes, *told, across, planes=count)
        self._run("soften_down", (width, height), across, *told, out, planes=count)
        return out

    def _grain(self, planes: Any, *, every: int = 4) -> Floats:
        """As `dirt._grain`, of the frame and both sides."""
        cp = self._cupy
        _, height, width = planes.shape
        columns, rows = -(-width // every), -(-height // every)
        keys = cp.empty(rows * columns, np.uint64)
        numbers = (np.int32(width), np.int32(every), np.int32(columns), np.int32(rows))
        self._run("grain_keys", (columns, rows), planes[0], planes[1], planes[2], *numbers, keys)
        rising = cp.sort(keys)
        told = cp.empty((2, GRAIN_BINS), np.float32)
        self._flow.run("grain_medians", (1,), (GRAIN_BINS,), rising, np.int32(keys.size), told)
        counts, medians = cp.asnumpy(told)
        if (counts < GRAIN_PIXELS).all():
            off = (cp.asnumpy(keys) & np.uint64(0xFFFFFFFF)).astype(np.uint32).view(np.float32)
            return np.full(GRAIN_LEVELS, max(1.0, float(np.median(off)) * 1.25), np.float32)
        return grain_levels(np.where(counts < GRAIN_PIXELS, np.nan, medians).tolist())

    def _spikes(self, planes: Any, sigma: Floats, far: Any) -> None:
        """As `dirt._spikes`, into `far`."""
        height, width = far.shape
        least = np.float32(THRESHOLD)
        limits = (self._cupy.asarray(sigma), least * sigma.min(), least, np.float32(DETAIL))
        given = (planes[0], planes[1], planes[2], np.int32(width), np.int32(height), *limits, far)
        self._run("spikes", (width, height), *given)

    def _softest(self, soft: Any, far: Any) -> None:
        """What stands out of copies of half the size, softened further, into `far`."""
        height, width = far.shape
        half = (width // 2, height // 2)
        planes = self._softened(self._flow.shrunk(soft[..., None], half)[..., 0], SOFTER_PX / 2)
        coarse = self._cupy.zeros(half[::-1], np.float32)
        self._spikes(planes, self._grain(planes, every=2), coarse)
        sizes = (np.int32(half[0]), np.int32(half[1]), far, np.int32(width), np.int32(height))
        self._run("spread_out", (width, height), coarse, *sizes)

    def _wider(self, mask: Any, reach: int) -> Any:
        height, width = mask.shape
        out = self._cupy.empty((height, width), np.uint8)
        self._run("widen", (width, height), mask, np.int32(width), np.int32(height), np.int32(reach), out)
        return out

    def _under(self, far: Any, size: tuple[int, int]) -> Any:
        """As `dirt._under`."""
        (first_x, share_x), (first_y, share_y) = (
            self._flow.area(count, smaller) for count, smaller in zip(far.shape[::-1], size, strict=True)
        )
        out = self._cupy.empty(size[::-1], np.uint8)
        tables = (first_x, share_x, np.int32(share_x.shape[1]), first_y, share_y, np.int32(share_y.shape[1]))
        self._run(
            "touched", size, far, np.int32(far.shape[1]), *tables, out, np.int32(size[0]), np.int32(size[1])
        )
        return self._wider(out, 3)

    def _filled(self, flow: Any, under: Any) -> Any:
        """As `dirt._filled`."""
        cp = self._cupy
        height, width = under.shape
        count = height * width
        parts = cp.empty((3, height, width), np.float32)
        self._line("known_parts", count, flow, under, np.int32(count), parts)
        size = (max(8, width // FILLED_AT), max(8, height // FILLED_AT))
        planes = self._flow.shrunk(parts[..., None], size)[..., 0]
        softened: Sequence[Any] = [self._softened(planes, width / FILLED_AT) for width in FILLED_FROM_PX]
        filled, left = cp.empty((size[1], size[0], 2), np.float32), cp.empty((size[1], size[0]), np.uint8)
        self._line("choose", left.size, *softened, np.int32(left.size), filled, left)
        wide = self._flow.enlarged(filled, (width, height), 1.0)
        out = cp.empty((height, width, 2), np.float32)
        sizes = (np.int32(size[0]), np.int32(size[1]), np.int32(width), np.int32(height))
        self._run("fill", (width, height), flow, under, wide, left, *sizes, out)
        return out
