"""The pixel program on an NVIDIA card: what `kernels.finish_frame` makes, from the same numbers.

Card          a card with the kernels compiled for it; `finish_frame` as its namesake
find_cards    names of the cards that can be used; none without a card or without CuPy
open_card     one of them, for whoever brings kernels of his own

The kernels stand in two files. `finish_frame.cu` does what `kernels.py` and what it calls do, pixel by pixel and in the same
order, compiled without contraction, with constants handed over as exact bits: the same bytes. `finish_quick.cu` makes displaced
frames in colour of up to 12 bits with sums on the tensor cores, within half a code of the processor before rounding;
`kernels_quick.py` says when that holds. A card is used only where somebody asks for one. CuPy compiles for the card at hand and
keeps what it compiled.
"""

from collections.abc import Callable, Sequence
from functools import cache, partial
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture import kernels_colour, kernels_display, kernels_single
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels import _even_planes, _planes_of, _span, check_finished
from smallgauge.picture.kernels_colour import ColourProgram, colour_program
from smallgauge.picture.kernels_quick import (
    LIGHT_SCALE,
    SUM_SCALE,
    WEIGHT_SCALE,
    QuickKind,
    QuickTable,
    affine_colour,
    colour_gains,
    is_quick,
    most_part,
    quick_kind,
    quick_table,
)
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
_SPAN = 512  # SPAN of finish_frame.cu
_SIDE = 16  # as finish_quick.cu
# Columns and blocks of a multiprocessor, by the kind of table: registers allow sixteen warps, shared memory two tables of lines
_QUICK_SHAPES = {0: (64, 4), 1: (64, 4), 2: (128, 2)}
_COLOUR_LOSES = 3e-6  # of light: roundings of density in single precision, and the card's logarithm

_Call = tuple[
    Any, tuple[int, ...], tuple[int, ...], tuple[Any, ...], int
]  # kernel, grid, block, arguments, bytes of shared memory

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
        *((name, "u8") for name in ("steps", "numbers", "curves", "windows", "single", "surface")),
        *((name, "i4") for name in ("knots", "window_count", "single_count")),
    ],
    align=True,
)
_DITHER = np.dtype([("peak", "f4"), ("frame", "u4")])
_QUICK = np.dtype(
    [
        *((name, "u8") for name in ("curves", "lights")),
        *(
            (name, "i4")
            for name in (
                "knots",
                "light_count",
                "first_code",
                "last_code",
                "rows",
            )
        ),
        *(
            (name, "f4")
            for name in (
                "knots_share",
                "knots_most",
                "colour_loses",
                "most_scale",
                "most_part",
                "per_column",
                "per_row",
            )
        ),
        ("numbers", "f4", (kernels_colour._NUMBERS,)),
        ("before", "f4", (9,)),
        ("after", "f4", (9,)),
        ("surface", "f4", (18,)),
        ("mixed", "f4", (9,)),
    ],
    align=True,
)
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


def open_card(number: int) -> tuple[str, Any, Any]:
    """A card's name, CuPy, and the card as CuPy knows it.

    Raises
    ------
    CallerError
        Where there is no such card, or no CuPy to speak to it.
    """
    names = find_cards()
    if number >= len(names):
        raise CallerError(
            f"Working on a card needs NVIDIA card {number} and CuPy for its driver, found "
            f"{', '.join(names) or 'no card'}; leave --device out to work on the processor."
        )
    import cupy

    return names[number], cupy, cupy.cuda.Device(number)


def _single(value: object) -> str:
    return float(np.float32(value)).hex() + "f"  # type: ignore[arg-type]


def _constants() -> str:
    """Every number that the kernels share with those of the processor, as exact bits."""
    lines = [f"#define GOLDEN {int(kernels_display._GOLDEN)}u"]
    lines += [f"#define LEAST_LIGHT {_single(kernels_display._LEAST_LIGHT)}"]
    lines += [f"#define INVERSE_EXPONENT {_single(kernels_display._INVERSE_EXPONENT)}"]
    lines += [f"#define LIGHT_SCALE {_single(LIGHT_SCALE)}", f"#define WEIGHT_SCALE {_single(WEIGHT_SCALE)}"]
    lines += [f"#define F_L{n} {_single(value)}" for n, value in enumerate(kernels_display.LOG)]
    lines += [f"#define F_E{n} {_single(value)}" for n, value in enumerate(kernels_display.EXP, 1)]
    for name in ("SCALE", "FLOOR", "MIXED", "SHIFT", "MOST", "LOW", "HIGH", "KNEE"):
        lines.append(f"#define Q_{name} {getattr(kernels_single, 'S_' + name)}")
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
    folder = files("smallgauge.picture")
    texts = (
        folder.joinpath(name).read_text(encoding="utf-8") for name in ("finish_frame.cu", "finish_quick.cu")
    )
    return _constants() + "".join(texts)


def _launch(calls: Sequence[_Call], kept: object) -> None:
    """Start kernels one after the other; `kept` holds what their addresses point to."""
    for kernel, grid, block, given, room in calls:
        kernel(grid, block, given, shared_mem=room)


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
        self.name, cupy, self._device = open_card(number)
        self._cupy = cupy
        self._modules: dict[tuple[object, ...], Any] = {}
        self._kept: dict[str, tuple[bytes, Any]] = {}
        self._known: tuple[bytes | None, QuickTable | None] | None = None
        self._multiprocessors = int(self._device.attributes["MultiProcessorCount"])
        with self._device:
            self._phases = cupy.asarray(phase_table())

    def _module(self, *key: object) -> Any:
        if key not in self._modules:
            kind, channels, looked_up, even, coloured, quick = key
            options = [
                "--std=c++17",
                "--fmad=false",
                f"-DSAMPLE={_C_TYPES[str(kind)]}",
                f"-DCHANNELS={channels}",
            ]
            options += [f"-DLOOKED_UP={looked_up:d}", f"-DEVEN={even:d}", f"-DCOLOURED={coloured:d}"]
            options.append(f"-DQUICK={quick is not None:d}")
            if isinstance(quick, QuickKind):
                across, blocks = _QUICK_SHAPES[quick.table]
                options += [f"-DACROSS={across}", f"-DBLOCKS={blocks}"]
                options += [f"-DTABLE={quick.table}", f"-DSTEPS={quick.steps}"]
                options += [f"-DAFFINE={quick.affine:d}", f"-DMIXES={quick.mixes:d}"]
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
        """A captured frame to a finished one, as `kernels.finish_frame`, with the same arguments.

        Notes
        -----
        Source: as `kernels.finish_frame`, whose values a displaced frame in colour of up to 12 bits is near by less than half a
        code before rounding, stored values by at most one; every other frame has the same bytes.
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
        small = max(planes.size, 3 * width * height) < 2**31
        quick = self._quick_table(planes, table, colour, bits) if straight is not None and small else None
        kinds = (str(planes.dtype), channels, table is not None, even[0].shape[0] > 0, colour is not None)
        program = colour_program(colour or FrameColour())
        module = self._module(*kinds, None if quick is None else quick_kind(quick, program))
        lights = self._there("table", np.zeros(1, np.float32) if table is None else table)
        capture = (on_card, lights, np.int32(lights.size - 1), gain, offset)
        told, kept = self._colour(colour, bits)
        dither = np.array((2**bits - 1, frame & 0xFFFFFFFF), _DITHER)[()]
        shape = np.array((on_card.shape[1], on_card.shape[0], width, height), _SHAPE)[()]
        finished = cp.empty((height, width, 3), cp.uint16)
        after = (told, dither, finished)
        calls: list[_Call]
        if straight is not None:
            moved, grid = _straight_numbers(straight, move, planes.shape, size)
            if quick is not None:
                given = (*capture, shape, moved, *after)
                deepest = (colour or FrameColour()).deepest
                calls, held = self._quick_calls(module, given, quick, program, deepest, size)
                return finished, partial(_launch, calls, (kept, held))
            kernel = module.get_function("finish_straight")
            calls = [(kernel, grid, (_TILE, _ROWS_OF_THREADS), (*capture, shape, moved, *after), 0)]
            return finished, partial(_launch, calls, kept)
        assert turned is not None
        moved, rows = _turned_numbers(turned, move, planes.shape, on_card.shape[0], size)
        along = cp.empty((on_card.shape[0], channels, width), cp.float32)
        count = max(min(int((_SPAN - 2 * TAPS) / turned.along_x), _LINE), 1)
        first = (*capture, self._phases, shape, moved, along, np.int32(count))
        second = (along, self._phases, shape, moved, *after)
        calls = [
            (module.get_function("turn_along"), (-(-width // count), rows), (_LINE,), first, 0),
            (module.get_function("turn_down"), (-(-width // _LINE), height), (_LINE,), second, 0),
        ]
        return finished, partial(_launch, calls, kept)

    def _quick_table(
        self,
        planes: NDArray[Any],
        table: NDArray[np.float32] | None,
        colour: FrameColour | None,
        bits: int,
    ) -> QuickTable | None:
        """The table of light for the quick kernel, made once; None where a frame is not made by it."""
        if planes.shape[2] != 3 or not is_quick(colour, bits):
            return None
        data = None if table is None else table.tobytes()
        if self._known is None or self._known[0] != data:
            self._known = data, quick_table(table)
        return self._known[1]

    def _quick_calls(
        self,
        module: Any,
        given: tuple[Any, ...],
        table: QuickTable,
        program: ColourProgram,
        deepest: float,
        size: tuple[int, int],
    ) -> tuple[list[_Call], tuple[Any, ...]]:
        """The start of the quick kernel, and what keeps what its addresses point to."""
        before, after = colour_gains(program, deepest)
        surface, mixed = affine_colour(program) or (np.zeros((3, 6)), np.zeros((3, 3)))
        lights = self._there("lights", table.lights)
        curves = self._cupy.asarray(program.curves.astype(np.float32))
        across, blocks = _QUICK_SHAPES[table.kind]
        strips = -(-size[0] // across)
        pieces = max(self._multiprocessors * blocks // strips, 1)
        rows = -(-size[1] // (pieces * _SIDE)) * _SIDE
        grid = strips, -(-size[1] // rows)
        scaled = program.numbers.copy()
        scaled[kernels_colour._SCALE : kernels_colour._SCALE + 3] /= SUM_SCALE
        numbers = np.zeros((), _QUICK)
        told = {
            "curves": curves.data.ptr,
            "lights": lights.data.ptr,
            "knots": program.curves.shape[1],
            "light_count": table.lights.nbytes // 4,
            "first_code": table.first,
            "last_code": min(table.last, 65535),
            "rows": rows,
            "knots_share": table.share,
            "knots_most": table.most,
            "colour_loses": _COLOUR_LOSES * (1.0 + before.sum(axis=1).max()),
            "most_scale": np.abs(program.numbers[kernels_colour._SCALE : kernels_colour._SCALE + 3]).max(),
            "most_part": most_part(program),
            "per_column": 2.0 / size[0],
            "per_row": 2.0 / size[1],
            "numbers": scaled,
            "before": before.ravel(),
            "after": after.ravel(),
            "surface": surface.ravel(),
            "mixed": mixed.ravel(),
        }
        for name, value in told.items():
            numbers[name] = value
        doubtful = self._cupy.empty(grid[0] * grid[1] * rows * across, self._cupy.uint32)
        warps, size_of = across // _SIDE, given[0].dtype.itemsize
        copies = -(-(2 * _SIDE + 16 // size_of - 4) * 3 // (16 // size_of))
        pitch = -(-(copies * 16 - 48 * size_of) // 128) * 128 + 48 * size_of
        room = table.lights.nbytes + warps * _SIDE * (pitch + 6 * _SIDE)  # COPIES, PITCH and ROOM there
        kernel = module.get_function("finish_quick")
        kernel.max_dynamic_shared_size_bytes = room
        call = (kernel, grid, (32 * warps,), (*given, numbers[()], doubtful), room)
        return [call], (lights, curves)

    def _colour(self, colour: FrameColour | None, bits: int) -> tuple[Any, tuple[Any, ...]]:
        """A colour program on the card: its addresses, and what keeps them."""
        parts = kernels_single.finish_program(colour or FrameColour(), bits)
        kept = tuple(self._cupy.asarray(np.ascontiguousarray(part)) for part in parts)
        addresses = [part.data.ptr for part in kept]
        knots, windows = parts[2].shape[1], parts[3].shape[0]
        return np.array((*addresses, knots, windows, parts[4].size), _COLOUR)[()], kept
