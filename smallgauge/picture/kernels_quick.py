"""What a card needs to make frames quickly: a table of light as lines between knots, and bounds for what single precision loses.

QuickTable    a table of light as it lies in a card's shared memory            (kernels_cuda)
quick_table   table of light -> the same, or None where lines are too far off  (kernels_cuda)
QuickKind     what finish_quick.cu is compiled for                             (kernels_cuda)
quick_kind    a table and a colour -> the same                                 (kernels_cuda)
is_quick      whether single precision is near enough for a colour and a depth (kernels_cuda)
colour_gains  how errors of light grow on their way through a colour           (kernels_cuda)
most_part     the largest error that light which is cut off at 0 can bear        (kernels_cuda)
affine_colour all steps on density as one, where they are affine               (kernels_cuda)
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.colour import FrameColour
from smallgauge.picture.kernels_colour import (
    _AFFINE,
    _AFTER,
    _AMOUNT,
    _BEFORE,
    _CURVE_STEP,
    _DECISIONS,
    _DENSITY,
    _FADE,
    _FLICKER,
    _LOG2_10,
    _LOG10_2,
    _MATRIX,
    _MIDDLE,
    _MONO,
    _NEGATIVE,
    _OUT_POWER,
    _OUT_SCALE,
    _PRIMARIES,
    _SATURATION,
    _SCALE,
    _SLOPE,
    _SURFACE,
    _TONE,
    _WEIGHTS,
    ColourProgram,
)

MOST_BITS = 12  # of a finished file: above, sums in single precision aren't within half a code near black
_KNOT_BITS = 10  # KNOT_BITS of finish_quick.cu
KNOTS = 1 << _KNOT_BITS  # of an octave of codes
MOST_WHOLE = 4096  # entries of a table that goes into shared memory as it is
# Light and weights are so many times as large where they are halves, which hold 2 ** -24 and 65,504
LIGHT_SCALE, WEIGHT_SCALE = 16.0, 64.0
SUM_SCALE = LIGHT_SCALE * WEIGHT_SCALE**2  # of light that was filtered along and down
_MOST_LOST = 2e-5  # of light, by lines between knots: a thirtieth of a code of 12 bits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuickTable:
    """Numbers for shared memory, the codes they are for, and what they lose (of light, and at most)."""

    kind: int  # TABLE of finish_quick.cu
    lights: NDArray[Any]
    first: int = 0
    last: int = 0
    share: float = 0.0
    most: float = 0.0


def quick_table(table: NDArray[np.float32] | None) -> QuickTable | None:
    """A table of light for a card's shared memory.

    Parameters
    ----------
    table : float32 array, one-dimensional, or None
        Light of every code value, as `density.light_table`; None where samples are light.

    Returns
    -------
    QuickTable or None
        None where straight lines between knots are off by more than 2e-5 of light: such a table is looked up elsewhere.

    Notes
    -----
    Source: derived. The codes above the last one that has no light of its own are counted from 1024, so that single precision has
    1024 knots an octave in its highest bits: the first 1024 codes are exact, the others lie between knots 2, 4, ... codes apart.

    Examples
    --------
    >>> quick_table(np.linspace(0, 1, 65536, dtype=np.float32)).share < 1e-6
    True
    """
    if table is None:
        return QuickTable(kind=0, lights=np.zeros(0, np.float32))
    if len(table) <= MOST_WHOLE:
        lights = np.zeros(-(-len(table) // 4) * 4, np.float32)
        lights[: len(table)] = table * np.float32(LIGHT_SCALE)
        with np.errstate(over="ignore"):  # light that no half can hold is for the processor's arithmetic
            nearest = lights.astype(np.float16)
            rest = (lights - nearest).astype(np.float16)
        return QuickTable(kind=1, lights=np.stack([nearest, rest], axis=1), last=len(table) - 1)
    first = max(int(np.argmax(table != table[0])) - 1, 0)
    last_key = len(table) - 1 - first + KNOTS
    octaves = np.arange(int(np.log2(last_key)) - _KNOT_BITS + 1)
    starts = ((KNOTS + np.arange(KNOTS)) << octaves[:, None]).ravel()
    ends = np.minimum(starts + np.repeat(1 << octaves, KNOTS), last_key)
    starts = np.minimum(starts, last_key)
    of_key = table.astype(np.float64)[first:]
    rise = of_key[ends - KNOTS] - of_key[starts - KNOTS]
    slope = np.where((ends > starts) & (octaves.repeat(KNOTS) > 0), rise / np.maximum(ends - starts, 1), 0.0)
    lines = np.stack([of_key[starts - KNOTS] - slope * starts, slope], axis=1).astype(np.float32)
    keys = np.arange(KNOTS, last_key + 1, dtype=np.float32)
    knots = (keys.view(np.int32) >> (23 - _KNOT_BITS)) - ((127 + _KNOT_BITS) << _KNOT_BITS)
    lines = lines[: int(knots[-1]) // 2 * 2 + 2]  # sixteen bytes are copied at once
    own = lines[knots].astype(np.float64)
    off = np.abs((own[:, 1] * keys + own[:, 0]).astype(np.float32) - of_key)
    if (off > _MOST_LOST * of_key).any():
        return None
    share = float((off / np.maximum(of_key, 1e-30)).max())
    return QuickTable(
        kind=2,
        lights=lines.ravel() * np.float32(LIGHT_SCALE),
        first=first,
        last=len(table) - 1,
        share=2.0 * share,
        most=2.0 * float(off.max()),
    )


@dataclass(frozen=True, slots=True)
class QuickKind:
    """What `finish_quick.cu` is compiled for: TABLE, STEPS, AFFINE and MIXES."""

    table: int
    steps: int
    affine: bool
    mixes: bool


def quick_kind(table: QuickTable, program: ColourProgram) -> QuickKind:
    """The kind of kernel for a table of light and a colour; frames of a reel share one or two.

    Parameters
    ----------
    table : QuickTable
    program : ColourProgram

    Returns
    -------
    QuickKind

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> from smallgauge.picture.kernels_colour import colour_program
    >>> quick_kind(quick_table(None), colour_program(FrameColour()))
    QuickKind(table=0, steps=0, affine=False, mixes=False)
    """
    steps = sum(int(step) << 2 * place for place, step in enumerate(program.steps))
    mixes = bool(program.steps[_DECISIONS] or program.steps[_MATRIX])
    return QuickKind(table.kind, steps, affine_colour(program) is not None, mixes)


def is_quick(colour: FrameColour | None, bits: int) -> bool:
    """Whether single precision is near enough: up to 12 bits, no window of hue, no power of light.

    Notes
    -----
    Source: derived. Roots and powers lift errors near 0 beyond any bound that is worth having.

    Examples
    --------
    >>> is_quick(None, 12), is_quick(None, 16)
    (True, False)
    """
    if bits > MOST_BITS:
        return False
    if colour is None:
        return True
    decisions = colour.decision_list
    return not colour.hues and (decisions is None or tuple(decisions.power) == (1.0, 1.0, 1.0))


def colour_gains(program: ColourProgram, deepest: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bounds for how errors grow: of captured light to shares of finished light, and among finished channels after that.

    Parameters
    ----------
    program : ColourProgram
    deepest : float
        Highest density that occurs; 1 more is allowed for what flicker and fade add.

    Returns
    -------
    two arrays of float64, shape (3, 3)
        Row: channel that is made, column: channel that an error is in. Nothing is below 0.

    Notes
    -----
    Source: derived (sums of absolute partial derivatives, step by step).

    Examples
    --------
    >>> from smallgauge.picture.kernels_colour import colour_program
    >>> before, after = colour_gains(colour_program(FrameColour(lamp=(0.5, 1.0, 1.0))), 4.0)
    >>> before.diagonal().tolist(), after.diagonal().tolist()
    ([2.0, 1.0, 1.0], [1.0, 1.0, 1.0])
    """
    steps, n = program.steps, program.numbers
    gain = np.eye(3)
    if steps[_FLICKER]:
        gain = np.diag(1.0 + np.abs(n[_SURFACE + 6 : _SURFACE + 21 : 7]))
    if steps[_FADE] == _AFFINE:
        gain = np.abs(n[_BEFORE : _BEFORE + 9].reshape(3, 3)) @ gain
    elif steps[_FADE]:
        first, second = (np.abs(n[at : at + 30].reshape(3, 10)) for at in (_BEFORE, _AFTER))
        top = deepest + 1.0
        gain = _slopes(first, top) @ gain
        gain = _slopes(second, float((first @ _terms(top)).max())) @ gain
    if steps[_NEGATIVE]:
        rise = np.abs(np.diff(program.curves, axis=1)).max(axis=1) / np.abs(n[_CURVE_STEP : _CURVE_STEP + 3])
        gain = np.diag(rise) @ gain
    if steps[_MONO]:
        tone = np.abs(n[_TONE : _TONE + 6].reshape(3, 2)[:, 1])
        gain = np.outer(tone, np.abs(n[_WEIGHTS : _WEIGHTS + 3])) @ gain
    after = _decision_gains(program)
    if steps[_MATRIX]:
        after = np.abs(n[_PRIMARIES : _PRIMARIES + 9].reshape(3, 3)) @ after
    return gain * np.abs(n[_SCALE : _SCALE + 3]), after


def _decision_gains(program: ColourProgram) -> NDArray[np.float64]:
    """How errors grow through slope, offset and saturation."""
    n, gains = program.numbers, np.eye(3)
    if program.steps[_DECISIONS]:
        gains = np.diag(np.abs(n[_SLOPE : _SLOPE + 3]))
        if program.steps[_SATURATION]:
            amount = float(n[_AMOUNT])
            mixed = np.abs((1.0 - amount) * np.array([0.2126, 0.7152, 0.0722])) + np.abs(amount) * np.eye(3)
            gains = mixed @ gains
    return gains


def most_part(program: ColourProgram) -> float:
    """The share of light after density that an error may be, so that it doesn't reach light a quarter of it below 0.

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> from smallgauge.picture.kernels_colour import colour_program
    >>> most_part(colour_program(FrameColour()))
    0.25
    """
    return 0.25 / float(_decision_gains(program).sum(axis=1).max())


def affine_colour(program: ColourProgram) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """All steps on density as one matrix between logarithms of light and one surface, where they are affine.

    Parameters
    ----------
    program : ColourProgram

    Returns
    -------
    two arrays of float64, shapes (3, 6) and (3, 3), or None
        `log2(made light) = surface(x, y) + matrix . log2(light)`, the surface's terms 1, x, y, xx, xy, yy. None where
        no step needs density, or one is not affine.

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> from smallgauge.picture.kernels_colour import colour_program
    >>> affine_colour(colour_program(FrameColour())) is None
    True
    """
    steps, n = program.steps, program.numbers
    if not steps[_DENSITY] or steps[_NEGATIVE] or steps[_FADE] not in (0, _AFFINE):
        return None
    matrix, surface = np.eye(3) * -_LOG10_2, np.zeros((3, 6))
    if steps[_FLICKER]:
        terms = n[_SURFACE : _SURFACE + 21].reshape(3, 7)
        matrix *= 1.0 + terms[:, 6:]
        surface += terms[:, :6]
        surface[:, 0] -= terms[:, 6] * n[_MIDDLE : _MIDDLE + 3]
    if steps[_FADE]:
        fade = n[_BEFORE : _BEFORE + 9].reshape(3, 3)
        matrix, surface = fade @ matrix, fade @ surface
        surface[:, 0] += n[_BEFORE + 9 : _BEFORE + 12]
    if steps[_MONO]:
        tone = n[_TONE : _TONE + 6].reshape(3, 2)
        weights = n[_WEIGHTS : _WEIGHTS + 3]
        matrix, surface = np.outer(tone[:, 1], weights @ matrix), np.outer(tone[:, 1], weights @ surface)
        surface[:, 0] += tone[:, 0]
    matrix, surface = -_LOG2_10 * matrix, -_LOG2_10 * surface
    surface[:, 0] += n[_OUT_POWER : _OUT_POWER + 3] + np.log2(n[_OUT_SCALE : _OUT_SCALE + 3])
    return surface, matrix


def _terms(top: float) -> NDArray[np.float64]:
    """The terms of a polynomial of second degree at their highest."""
    return np.array([1.0, top, top, top, *(top * top,) * 6])


def _slopes(terms: NDArray[Any], top: float) -> NDArray[np.float64]:
    """Bounds of a polynomial's partial derivatives; its terms are r, g, b, rr, gg, bb, rg, rb, gb."""
    linear, squares, mixed = terms[:, 1:4], terms[:, 4:7], terms[:, 7:10]
    pairs = mixed @ np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 1.0, 1.0]])
    slopes: NDArray[np.float64] = linear + top * (2.0 * squares + pairs)
    return slopes
