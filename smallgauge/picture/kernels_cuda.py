"""The pixel program on an NVIDIA card: the same bytes as `kernels.finish_frame` makes, from the same numbers.

Card          a card with the kernels compiled for it; `finish_frame` as its namesake
find_cards    names of the cards that can be used; none without a card or without CuPy

The kernels stand in `finish_frame.cu`. They do what `kernels.py` and `kernels_colour.py` do, pixel by pixel and in the same
order, compiled without contraction; constants are handed over as exact bits. A card is used only where somebody asks for one.
CuPy compiles for the card at hand and keeps what it compiled.
"""

from collections.abc import Callable, Sequence
from functools import cache, partial
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture import kernels, kernels_colour
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels import _even_planes, _planes_of, _span, check_finished
from smallgauge.picture.kernels_colour import colour_program
from smallgauge.picture.resample import (
    TAPS,
    Move,
    StraightMove,
    TurnedMove,
    invert_move,
    phase_table,
    straight_move,
    turned_move,
)

_TILE, _ROWS_OF_THREADS, _LINE = 32, 8, 128  # threads; TILE_X, TILE_Y and ROWS_OF_THREADS of finish_frame.cu

_SHAPE = np.dtype([(name, "i4") for name in ("captured_width", "captured_height", "width", "height")])
_STRAIGHT = np.dtype(
    [
        *(
            (name, "i4")
            for name in (
                "mirrored_x",
                "mirrored_y",
                "offset_x",
                "offset_y",
                "first_x",
                "stop_x",
                "first_y",
                "stop_y",
            )
        ),
        ("weights_x", "f4", (TAPS,)),
        ("weights_y", "f4", (TAPS,)),
    ]
)
_TURNED = np.dtype(
    [
        *((name, "f8") for name in ("slope", "per_row", "offset", "down_x", "down_y", "down_0", *"abcdef")),
        *((name, "i4") for name in ("mirrored", "low", "high", "captured_width", "captured_height")),
    ],
    align=True,
)
_COLOUR = np.dtype(
    [
        *((name, "u8") for name in ("steps", "numbers", "curves", "windows")),
        ("knots", "i4"),
        ("window_count", "i4"),
    ],
    align=True,
)
_DITHER = np.dtype([("peak", "f4"), ("frame", "u4")])
_C_TYPES = {"uint8": "unsigned char", "uint16": "unsigned short", "float32": "float"}


def find_cards() -> tuple[str, ...]:
    """Names of the NVIDIA cards that can be used, in the order of their numbers; none without CuPy.

    Examples
    --------
    >>> isinstance(find_cards(), tuple)
    True
    """
    try:
        import cupy
    except ImportError:
        return ()
    try:
        count = cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError:
        return ()
    return tuple(cupy.cuda.runtime.getDeviceProperties(n)["name"].decode() for n in range(count))


def _single(value: object) -> str:
    return float(np.float32(value)).hex() + "f"  # type: ignore[arg-type]


def _constants() -> str:
    """Every number that the kernels share with those of the processor, as exact bits."""
    lines = [f"#define GOLDEN {int(kernels._GOLDEN)}u"]
    lines += [f"#define LEAST_LIGHT {_single(kernels._LEAST_LIGHT)}"]
    lines += [f"#define INVERSE_EXPONENT {_single(kernels._INVERSE_EXPONENT)}"]
    lines += [f"#define F_L{n} {_single(value)}" for n, value in enumerate(kernels._LOG)]
    lines += [f"#define F_E{n} {_single(value)}" for n, value in enumerate(kernels._EXP)]
    for name in (*(f"_L{n}" for n in range(8)), *(f"_E{n}" for n in range(1, 13))):
        lines.append(f"#define D{name} {float(getattr(kernels_colour, name)).hex()}")
    lines += [f"#define {n} {float(getattr(kernels_colour, '_' + n)).hex()}" for n in ("LOG2_10", "LOG10_2")]
    lines += [f"#define BRIGHTEST {float(kernels_colour._BRIGHTEST).hex()}"]
    lines += [f"#define HALF_CHROMA2 {float(kernels_colour._HALF_CHROMA2).hex()}"]
    lines += [f"#define LEAST_CHROMA2 {float(kernels_colour._LEAST_CHROMA2).hex()}"]
    for name in (
        "DENSITY",
        "FLICKER",
        "FADE",
        "NEGATIVE",
        "MONO",
        "DECISIONS",
        "SATURATION",
        "SHOULDER",
        "MATRIX",
    ):
        lines.append(f"#define S_{name} {getattr(kernels_colour, '_' + name)}")
    for name in (
        *(
            "SCALE",
            "SHIFT",
            "FLOOR",
            "OUT_POWER",
            "OUT_SCALE",
            "OUT_SHIFT",
            "SURFACE",
            "MIDDLE",
            "BEFORE",
            "AFTER",
        ),
        *(
            "CURVE_FIRST",
            "CURVE_STEP",
            "WEIGHTS",
            "TONE",
            "SLOPE",
            "OFFSET",
            "POWERS",
            "AMOUNT",
            "KNEE",
            "PRIMARIES",
        ),
    ):
        lines.append(f"#define N_{name} {getattr(kernels_colour, '_' + name)}")
    for name in ("CONES", "OPPONENTS", "CONES_BACK", "OPPONENTS_BACK"):
        numbers = ", ".join(float(each).hex() for each in getattr(kernels_colour, "_" + name).ravel())
        lines.append(f"__constant__ double {name}[9] = {{{numbers}}};")
    return "\n".join(lines) + "\n"


@cache
def _source() -> str:
    return _constants() + files("smallgauge.picture").joinpath("finish_frame.cu").read_text(encoding="utf-8")


def _launch(
    calls: Sequence[tuple[Any, tuple[int, ...], tuple[int, ...], tuple[Any, ...]]], kept: object
) -> None:
    """Start kernels one after the other; `kept` holds what their addresses point to."""
    for kernel, grid, block, given in calls:
        kernel(grid, block, given)


def _straight_numbers(
    straight: StraightMove, move: Move, captured: tuple[int, ...], size: tuple[int, int]
) -> tuple[Any, tuple[int, int]]:
    """A displacement as the kernel takes it, and how many tiles there are."""
    box = _span(move.a, move.c, size[0], captured[1]) + _span(move.e, move.f, size[1], captured[0])
    turns = (straight.mirrored_x, straight.mirrored_y, straight.offset_x, straight.offset_y)
    numbers = (*turns, *box, straight.weights_x, straight.weights_y)
    return np.array(numbers, _STRAIGHT)[()], (-(-size[0] // _TILE), -(-size[1] // _TILE))


def _turned_numbers(
    turned: TurnedMove, move: Move, captured: tuple[int, ...], rows: int, size: tuple[int, int]
) -> tuple[Any, int]:
    """A turn as the kernels take it, and how many captured rows (of `rows`, as they lie on the card) its first pass makes."""
    right, end = turned.down_x * (size[0] - 1), turned.down_y * (size[1] - 1)
    corners = (0.0, right, end, right + end)
    low = min(max(int(np.floor(min(corners) + turned.down_0)) - TAPS, 0), rows - 1)
    high = max(min(int(np.ceil(max(corners) + turned.down_0)) + TAPS, rows), low + 1)
    places = (turned.along_x, turned.along_v, turned.along_0, turned.down_x, turned.down_y, turned.down_0)
    affine = (move.a, move.b, move.c, move.d, move.e, move.f)
    numbers = (*places, *affine, turned.mirrored_x, low, high, captured[1], captured[0])
    return np.array(numbers, _TURNED)[()], high - low


class Card:
    """A card with the kernels compiled for it; each kind of capture is compiled when it first comes.

    Raises
    ------
    CallerError
        Where there is no such card, or no CuPy to speak to it.
    """

    def __init__(self, number: int = 0) -> None:
        names = find_cards()
        if number >= len(names):
            raise CallerError(
                f"Rendering on a card needs NVIDIA card {number} and CuPy for its driver, found "
                f"{', '.join(names) or 'no card'}; leave --device out to render on the processor."
            )
        import cupy

        self.name = names[number]
        self._cupy, self._device = cupy, cupy.cuda.Device(number)
        self._modules: dict[tuple[object, ...], Any] = {}
        self._kept: dict[str, tuple[bytes, Any]] = {}
        with self._device:
            self._phases = cupy.asarray(phase_table())

    def _module(self, *key: object) -> Any:
        if key not in self._modules:
            kind, channels, looked_up, even, coloured = key
            options = [
                "--std=c++17",
                "--fmad=false",
                f"-DSAMPLE={_C_TYPES[str(kind)]}",
                f"-DCHANNELS={channels}",
            ]
            options += [f"-DLOOKED_UP={looked_up:d}", f"-DEVEN={even:d}", f"-DCOLOURED={coloured:d}"]
            self._modules[key] = self._cupy.RawModule(code=_source(), options=tuple(options))
        return self._modules[key]

    def _there(self, name: str, values: NDArray[Any]) -> Any:
        """An array on the card; the last one of a name is kept, as a capture's table is the same for every frame."""
        known = self._kept.get(name)
        data = values.tobytes()
        if known is None or known[0] != data:
            known = self._kept[name] = data, self._cupy.asarray(values)
        return known[1]

    def finish_frame(
        self,
        samples: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32],
        table: NDArray[np.float32] | None,
        *,
        move: Move,
        width: int,
        height: int,
        bits: int,
        frame: int,
        colour: FrameColour | None = None,
        evenness: Evenness | None = None,
        out: NDArray[np.uint16] | None = None,
    ) -> NDArray[np.uint16]:
        """A captured frame to a finished one, as `kernels.finish_frame`: the same arguments, the same bytes.

        Notes
        -----
        Source: as `kernels.finish_frame`.
        """
        check_finished(width, height, bits)
        planes, even = _planes_of(samples, table), _even_planes(evenness, samples)
        invert_move(move)  # refuses a move that flattens the picture
        with self._device:
            finished, launch = self.prepare(planes, even, table, move, (width, height), bits, frame, colour)
            launch()
            return np.asarray(finished.get(out=out) if out is not None else finished.get(), np.uint16)

    def prepare(
        self,
        planes: NDArray[Any],
        even: Sequence[NDArray[np.float32]],
        table: NDArray[np.float32] | None,
        move: Move,
        size: tuple[int, int],
        bits: int,
        frame: int,
        colour: FrameColour | None,
    ) -> tuple[Any, Callable[[], None]]:
        """Room on the card for the finished frame, and what fills it; `planes` and `even` may lie there already."""
        cp = self._cupy
        width, height = size
        if colour is not None and planes.shape[2] == 1:
            planes, even = np.repeat(planes, 3, axis=2), tuple(np.repeat(each, 3, axis=2) for each in even)
        captured_height, captured_width, channels = planes.shape
        straight = straight_move(move, width=captured_width, height=captured_height)
        turned = (
            None if straight is not None else turned_move(move, width=captured_width, height=captured_height)
        )
        on_card, gain, offset = (cp.asarray(each) for each in (planes, *even))
        if turned is not None and turned.swapped:
            on_card, gain, offset = (
                cp.ascontiguousarray(each.transpose(1, 0, 2)) for each in (on_card, gain, offset)
            )
        module = self._module(
            str(planes.dtype), channels, table is not None, even[0].shape[0] > 0, colour is not None
        )
        lights = self._there("table", np.zeros(1, np.float32) if table is None else table)
        capture = (on_card, lights, np.int32(lights.size - 1), gain, offset)
        told, kept = self._colour(colour)
        dither = np.array((2**bits - 1, frame & 0xFFFFFFFF), _DITHER)[()]
        shape = np.array((on_card.shape[1], on_card.shape[0], width, height), _SHAPE)[()]
        finished = cp.empty((height, width, 3), cp.uint16)
        after = (told, dither, finished)
        calls: list[tuple[Any, tuple[int, ...], tuple[int, ...], tuple[Any, ...]]]
        if straight is not None:
            moved, grid = _straight_numbers(straight, move, planes.shape, size)
            kernel = module.get_function("finish_straight")
            calls = [(kernel, grid, (_TILE, _ROWS_OF_THREADS), (*capture, shape, moved, *after))]
            return finished, partial(_launch, calls, kept)
        assert turned is not None
        moved, rows = _turned_numbers(turned, move, planes.shape, on_card.shape[0], size)
        along = cp.empty((on_card.shape[0], channels, width), cp.float32)
        lines = -(-width // _LINE)
        first = (*capture, self._phases, shape, moved, along)
        second = (along, self._phases, shape, moved, *after)
        calls = [
            (module.get_function("turn_along"), (lines, rows), (_LINE,), first),
            (module.get_function("turn_down"), (lines, height), (_LINE,), second),
        ]
        return finished, partial(_launch, calls, kept)

    def _colour(self, colour: FrameColour | None) -> tuple[Any, tuple[Any, ...]]:
        """A colour program on the card: its addresses, and what keeps them."""
        parts = colour_program(colour or FrameColour()).parts()
        kept = tuple(self._cupy.asarray(np.ascontiguousarray(part)) for part in parts)
        addresses = [part.data.ptr for part in kept]
        knots, windows = parts[2].shape[1], parts[3].shape[0]
        return np.array((*addresses, knots, windows), _COLOUR)[()], kept
