"""Colour of finished lines: in single precision where that is known to be near enough, pixel by pixel, otherwise in double.

finish_program   FrameColour, bits of the file -> numbers that the kernels read     (kernels)
colour_lines     lines of light -> lines of light, all steps in their order         (kernels)
colour_row       the same for a row of pixels                                       (kernels_look)

Colour whose steps on density are all affine, and which mixes no channels afterwards, is one logarithm, one matrix, one surface
and one power a channel. In single precision its errors are bounded (`_share_lost`): near black, where the display's curve is
steep, they could be a tenth of a code of the file. Light that comes to lie there is made again by `kernels_colour.exact_steps`; so
is all of a colour that is not of this kind, or of a file so deep that the bound is passed elsewhere. Which pixels those are depends
on their own light alone. Compiled without fastmath, as `kernels.py`.
"""

from math import log
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from smallgauge.picture.colour import BRIGHTEST, FrameColour
from smallgauge.picture.display import DISPLAY_EXPONENT
from smallgauge.picture.kernels_colour import (
    _DECISIONS,
    _FLICKER,
    _FLOOR,
    _KNEE,
    _LOG2_10,
    _MATRIX,
    _OFFSET,
    _OUT_SHIFT,
    _POWERS,
    _SATURATION,
    _SCALE,
    _SHIFT,
    _SHOULDER,
    _SLOPE,
    ColourProgram,
    across,
    colour_program,
    exact_steps,
)
from smallgauge.picture.kernels_display import exp2_single, log2_single
from smallgauge.picture.kernels_quick import affine_colour
from smallgauge.picture.kernels_rows import PITCH

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

PIECE = 512  # pixels of a row whose lines stay in the cache that is nearest
MOST_OFF = 0.1  # of a code of the file, by single precision; a card's 0.4 comes on top
# Places in the numbers in single precision
S_SCALE, S_FLOOR, S_MIXED, S_SHIFT, S_MOST, S_LOW, S_HIGH, S_KNEE, S_NUMBERS = 0, 3, 4, 13, 16, 19, 22, 25, 27

_ZERO, _ONE, _TWO = np.float32(0.0), np.float32(1.0), np.float32(2.0)
_END = np.float32(125.0)  # powers of two beyond this, either way, count as this
_ROUNDING = 2.0**-24
_LOG_LOSES, _EXP_LOSES = 4e-8, 1.1e-7  # the series of kernels_display
_LEAST_REACH = 8.0  # captured light counts up to 2 ** 8 here

_Parts = tuple[NDArray[Any], ...]


def finish_program(colour: FrameColour, bits: int | None) -> _Parts:
    """What the kernels need of a frame's colour, whose light goes into a file of so many bits, or stays light (None).

    Parameters
    ----------
    colour : FrameColour
    bits : int or None

    Returns
    -------
    tuple of arrays
        Those of `kernels_colour.ColourProgram`; then the numbers in single precision (none where all is made in double) and the
        surfaces of the powers, float64 (18,).

    Notes
    -----
    Source: derived.

    Examples
    --------
    >>> [len(finish_program(FrameColour(), 12)[4])]
    [0]
    """
    program = colour_program(colour)
    none = np.zeros(0, np.float32), np.zeros(18)
    affine = affine_colour(program)
    if bits is None or affine is None or _mixes(program):
        return (*program.parts(), *none)
    surface, mixed = affine
    n, steps = program.numbers, program.steps
    single = np.zeros(S_NUMBERS)
    shift, most = n[_OUT_SHIFT : _OUT_SHIFT + 3].copy(), np.full(3, BRIGHTEST)
    if steps[_DECISIONS]:
        slope, offset = n[_SLOPE : _SLOPE + 3], n[_OFFSET : _OFFSET + 3]
        surface[:, 0] += np.log2(slope)
        shift, most = slope * shift + offset, slope * most + offset
    if steps[_SHOULDER]:
        most = np.minimum(most, 1.0 + n[_KNEE])
        single[S_KNEE : S_KNEE + 2] = n[_KNEE], 1.0 / (4.0 * n[_KNEE]) if n[_KNEE] > 0.0 else 0.0
    for channel in range(3):
        lost = _share_lost(surface[channel], mixed[channel], colour.deepest)
        ends = _doubtful(lost, float(shift[channel]), float(most[channel]), 2.0**bits - 1.0)
        if ends is None or ends[1] > 1.0 - single[S_KNEE]:
            return (*program.parts(), *none)
        single[S_LOW + channel], single[S_HIGH + channel] = ends
    single[S_SCALE : S_SCALE + 3], single[S_FLOOR] = n[_SCALE : _SCALE + 3], n[_FLOOR]
    single[S_MIXED : S_MIXED + 9] = mixed.ravel()
    single[S_SHIFT : S_SHIFT + 3], single[S_MOST : S_MOST + 3] = shift, most
    return (*program.parts(), single.astype(np.float32), surface.ravel())


def _mixes(program: ColourProgram) -> bool:
    """Whether a step after density mixes channels, or raises light to a power, so that no bound of one channel tells enough."""
    steps, n = program.steps, program.numbers
    if steps[_MATRIX] or steps[_SATURATION] or len(program.windows):
        return True
    powers, slope = n[_POWERS : _POWERS + 3], n[_SLOPE : _SLOPE + 3]
    return bool(steps[_DECISIONS] and ((powers != 1.0).any() or (slope <= 0.0).any()))


def _share_lost(surface: NDArray[np.float64], mixed: NDArray[np.float64], deepest: float) -> float:
    """The share of a channel's light, before its offset, that single precision can lose: all roundings at their worst."""
    reach = max(deepest * _LOG2_10, _LEAST_REACH)
    gains, bend = float(np.abs(mixed).sum()), float(np.abs(surface).sum())
    of_log = _LOG_LOSES + 3.0 * _ROUNDING + reach * _ROUNDING + 3.0 * _ROUNDING
    sums = 2.0 * _ROUNDING * gains * reach + 3.0 * _ROUNDING * (bend + gains * reach) + 6.0 * _ROUNDING * bend
    return 1.01 * log(2.0) * (gains * of_log + sums) + _EXP_LOSES + 5.0 * _ROUNDING


def _doubtful(lost: float, shift: float, most: float, peak: float) -> tuple[float, float] | None:
    """Finished light between these two could be off by more than `MOST_OFF`; None where brighter light could be, too."""
    lights = np.concatenate([np.geomspace(1e-12, max(most, 1.0), 4001), [max(most, 1.0)]])
    off = lost * (lights + abs(shift)) + 2.0 * _ROUNDING * (lights + abs(shift))
    below = np.maximum(lights - off, 0.0)
    codes = peak * (
        np.minimum(lights, 1.0) ** (1 / DISPLAY_EXPONENT) - np.minimum(below, 1.0) ** (1 / DISPLAY_EXPONENT)
    )
    wrong = np.flatnonzero(codes > 0.9 * MOST_OFF)
    if len(wrong) and wrong[-1] + 1 >= len(lights):
        return None
    if shift == 0.0 and not len(wrong):
        return 0.0, 0.0
    return -1.01 * abs(shift) * (lost + 2.0 * _ROUNDING), float(lights[wrong[-1] + 1]) if len(
        wrong
    ) else 1e-12


@_kernel
def _logarithms(lines, begin, count, numbers, single, logs):  # type: ignore[no-untyped-def]
    """Logarithms of light under the lamp, flare taken off."""
    floor = single[S_FLOOR]
    for channel in range(3):
        line = lines[channel * PITCH + begin : channel * PITCH + begin + count]
        own = logs[channel * PIECE : channel * PIECE + count]
        scale, shift, factor = numbers[_SCALE + channel], numbers[_SHIFT + channel], single[S_SCALE + channel]
        if shift == 0.0:
            for i in range(count):
                light = line[i] * factor
                own[i] = log2_single(light if light > floor else floor)
        else:
            for i in range(count):
                light = np.float32(line[i] * scale + shift)
                own[i] = log2_single(light if light > floor else floor)


@_kernel
def _powers(logs, count, channel, program, y, first_x, width, out):  # type: ignore[no-untyped-def]
    """Powers of a channel's finished light: matrix and surface."""
    steps, _, _, _, single, surface = program
    t, m = surface[6 * channel : 6 * channel + 6], single[S_MIXED + 3 * channel : S_MIXED + 3 * channel + 3]
    red, green, blue = logs, logs[PIECE:], logs[2 * PIECE :]
    m0, m1, m2 = m[0], m[1], m[2]
    at_0 = np.float32(t[0] + t[2] * y + t[5] * y * y)
    if steps[_FLICKER]:
        at_x, at_xx, step = np.float32(t[1] + t[4] * y), np.float32(t[3]), np.float32(1.0 / width)
        begin = np.float32(2 * first_x + 1)
        for i in range(count):
            x = (begin + _TWO * np.float32(np.int32(i))) * step - _ONE
            out[i] = at_0 + x * (at_x + x * at_xx) + (m0 * red[i] + m1 * green[i] + m2 * blue[i])
    else:
        for i in range(count):
            out[i] = at_0 + (m0 * red[i] + m1 * green[i] + m2 * blue[i])


@_kernel
def _lights(powers, count, channel, single, out):  # type: ignore[no-untyped-def]
    """Finished light out of its powers; how many are doubtful."""
    shift, most = single[S_SHIFT + channel], single[S_MOST + channel]
    low, high = single[S_LOW + channel], single[S_HIGH + channel]
    for i in range(count):
        power = powers[i] if powers[i] < _END else _END
        light = exp2_single(power if power > -_END else -_END) + shift
        out[i] = light if light < most else most
    doubts = np.int32(0)
    for i in range(count):
        doubts = np.int32(doubts + np.int32((out[i] > low) & (out[i] < high)))
    share, inverse = single[S_KNEE], single[S_KNEE + 1]
    if share > _ZERO:
        for i in range(count):
            over = out[i] - (_ONE - share)
            over = over if over > _ZERO else _ZERO
            out[i] = out[i] - over * over * inverse
    return doubts


@_kernel
def _exactly(lines, begin, count, chosen, program, y, first_x, width, planes, out):  # type: ignore[no-untyped-def]
    """The chosen pixels of a piece, all where `chosen` is empty, in double precision."""
    steps, numbers, curves, windows, _, _ = program
    many = chosen.shape[0] if chosen.shape[0] > 0 else count
    both = planes[PIECE : PIECE + 6 * many].reshape((6, many))
    own, spare, places = both[:3], both[3:], planes[:PIECE]
    across(first_x, width, places[:count])
    for channel in range(3):
        line, plane = lines[channel * PITCH + begin :], own[channel]
        if chosen.shape[0] > 0:
            for i in range(many):
                plane[i] = line[chosen[i]]
        else:
            for i in range(many):
                plane[i] = line[i]
    for i in range(chosen.shape[0]):
        places[i] = places[chosen[i]]  # chosen ones grow: none is overwritten before it is read
    exact_steps(own, spare, (steps, numbers, curves, windows), y, places[:many])
    for channel in range(3):
        made, plane = out[channel * PIECE :], own[channel]
        if chosen.shape[0] > 0:
            for i in range(many):
                made[chosen[i]] = np.float32(plane[i])
        else:
            for i in range(many):
                made[i] = np.float32(plane[i])


@_kernel
def _doubts(made, count, single, chosen):  # type: ignore[no-untyped-def]
    """Which pixels have a doubtful channel."""
    many = 0
    for i in range(count):
        for channel in range(3):
            light = made[channel * PIECE + i]
            if light > single[S_LOW + channel] and light < single[S_HIGH + channel]:
                chosen[many] = i
                many += 1
                break
    return many


@_kernel
def colour_lines(lines, count, program, y, first_x, width, room):  # type: ignore[no-untyped-def]
    """Colour of `count` pixels of a row, three lines `PITCH` apart, in place.

    `y` is the row's place, -1 at the top edge of the finished picture to 1 at its bottom edge; the pixels begin at column `first_x`
    of `width`. A light that is doubtful is so before the shoulder, which is far from it.
    """
    planes, logs, powers, made, chosen = room
    numbers, single = program[1], program[4]
    for begin in range(0, count, PIECE):
        many, x = min(PIECE, count - begin), first_x + begin
        if single.shape[0] > 0:
            _logarithms(lines, begin, many, numbers, single, logs)
            doubts = 0
            for channel in range(3):
                _powers(logs, many, channel, program, y, x, width, powers)
                doubts += _lights(powers, many, channel, single, made[channel * PIECE :])
            if doubts > 0:
                found = chosen[: _doubts(made, many, single, chosen)]
                _exactly(lines, begin, many, found, program, y, x, width, planes, made)
        else:
            _exactly(lines, begin, many, chosen[:0], program, y, x, width, planes, made)
        for channel in range(3):
            line, own = lines[channel * PITCH + begin :], made[channel * PIECE :]
            for i in range(many):
                line[i] = own[i]


@_kernel
def colour_room():  # type: ignore[no-untyped-def]
    """Room to work in: places and lines in double precision; logarithms, powers and lights; numbers of doubtful pixels."""
    return (
        np.empty(7 * PIECE),
        np.empty(3 * PIECE, np.float32),
        np.empty(PIECE, np.float32),
        np.empty(3 * PIECE, np.float32),
        np.empty(PIECE, np.int64),
    )


@_kernel
def colour_row(light, program, y, width, lines, room):  # type: ignore[no-untyped-def]
    """Colour of a whole row of pixels, in place; `lines` has room for three lines `PITCH` apart."""
    for begin in range(0, light.shape[0] // 3, PITCH):
        count = min(PITCH, light.shape[0] // 3 - begin)
        red, green, blue = lines, lines[PITCH:], lines[2 * PITCH :]
        row = light[3 * begin : 3 * (begin + count)]
        for i in range(count):
            red[i], green[i], blue[i] = row[3 * i], row[3 * i + 1], row[3 * i + 2]
        colour_lines(lines, count, program, y, begin, width, room)
        for i in range(count):
            row[3 * i], row[3 * i + 1], row[3 * i + 2] = red[i], green[i], blue[i]
