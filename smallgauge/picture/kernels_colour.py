"""Colour in the pixel program: what `colour.apply_colour` does to a picture, done to a row's pixels.

colour_program   FrameColour -> numbers that the kernels read                  (kernels)
exact_steps      lines of light -> lines of light, all steps in their order     (kernels_single)

The reference is the plain composition in `colour.py`. Density, light and their logarithms are in double precision:
near black the display curve is so steep that single precision would be wrong by several codes of 16 bits.
Logarithm and exponential are series on the bits of the number, so that whole rows go through the processor's
vectors; they are good to 2e-14. Compiled without fastmath, as `kernels.py`.

Steps that nobody asked for cost nothing. Where no step needs density (lamp, flare, printer points, white and black
only) light stays light: one multiplication, one addition.
"""

from dataclasses import dataclass
from math import cos, radians, sin
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from smallgauge.picture.colour import BRIGHTEST, FrameColour
from smallgauge.picture.selective import (
    CONES,
    CONES_BACK,
    HALF_CHROMA,
    LEAST_CHROMA,
    OPPONENTS,
    OPPONENTS_BACK,
)

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

# Places in `steps`
_DENSITY, _FLICKER, _FADE, _NEGATIVE, _MONO, _DECISIONS, _SATURATION, _SHOULDER, _MATRIX = range(9)
_AFFINE, _POLYNOMIAL = 1, 2
# Places in `numbers`
_SCALE, _SHIFT, _FLOOR, _OUT_POWER, _OUT_SCALE, _OUT_SHIFT = 0, 3, 6, 7, 10, 13
_SURFACE, _MIDDLE = 16, 37  # 3 x 7 and 3
_BEFORE, _AFTER = 40, 70  # 3 x 10 each; of the affine way 3 x 4 stand in `before`
_CURVE_FIRST, _CURVE_STEP = 100, 103
_WEIGHTS, _TONE = 106, 109  # 3 and 3 x 2
_SLOPE, _OFFSET, _POWERS, _AMOUNT = 115, 118, 121, 124
_KNEE, _PRIMARIES, _NUMBERS = 125, 126, 135

_ZERO, _HALF, _ONE = 0.0, 0.5, 1.0
_LOG2_10 = float(np.log2(10.0))
_LOG10_2 = float(np.log10(2.0))
_TINY, _BRIGHTEST = 1e-300, BRIGHTEST
_U52, _ONE_BITS = np.uint64(52), np.uint64(0x3FF0000000000000)
_ROOT_BITS = np.uint64(0x3FE6A09E667F3BCD)  # square root of 1/2
_LIFT = np.uint64(_ONE_BITS - _ROOT_BITS)
_MANTISSA = np.uint64(0x000FFFFFFFFFFFFF)
_MAGIC_BITS, _MAGIC = (
    np.uint64(0x4330000000000000),
    4503599627370496.0,
)  # 2 ** 52: whole numbers as their own bits
# 2 / ln 2 times the series of atanh, and the series of 2 ** x: derived, by Taylor
_L0, _L1, _L2, _L3, _L4, _L5, _L6, _L7 = tuple(
    float(2.0 / np.log(2.0) / n) for n in (1, 3, 5, 7, 9, 11, 13, 15)
)
_E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9, _E10, _E11, _E12 = tuple(
    float(np.log(2.0) ** n / factorial)
    for n, factorial in zip(
        range(1, 13),
        (1, 2, 6, 24, 120, 720, 5040, 40320, 362880, 3628800, 39916800, 479001600),
        strict=True,
    )
)
_CONES, _OPPONENTS = np.array(CONES), np.array(OPPONENTS)
_CONES_BACK, _OPPONENTS_BACK = np.array(CONES_BACK), np.array(OPPONENTS_BACK)
_HALF_CHROMA2, _LEAST_CHROMA2 = HALF_CHROMA**2, LEAST_CHROMA**2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourProgram:
    """A frame's colour as the kernels read it."""

    steps: NDArray[np.int64]
    numbers: NDArray[np.float64]
    curves: NDArray[np.float64]  # (3, knots)
    windows: NDArray[np.float64]  # (windows, 6)

    def parts(self) -> tuple[NDArray[Any], ...]:
        """Steps, numbers, curves and windows."""
        return (self.steps, self.numbers, self.curves, self.windows)


@_kernel
def _log2(value):  # type: ignore[no-untyped-def]
    """Logarithm to base 2 of a normal number above 0, good to 2e-14."""
    lifted = np.float64(value).view(np.uint64) + _LIFT
    power = np.uint64((lifted >> _U52) | _MAGIC_BITS).view(np.float64) - (_MAGIC + 1023.0)
    mantissa = np.uint64((lifted & _MANTISSA) + _ROOT_BITS).view(np.float64)
    t = (mantissa - _ONE) / (mantissa + _ONE)
    t2 = t * t
    series = _L0 + t2 * (_L1 + t2 * (_L2 + t2 * (_L3 + t2 * (_L4 + t2 * (_L5 + t2 * (_L6 + t2 * _L7))))))
    return t * series + power


@_kernel
def _exp2(value):  # type: ignore[no-untyped-def]
    """2 to the power of a number from -1000 to 1000, good to 1e-14 of itself."""
    bounded = value if value > -1000.0 else -1000.0
    bounded = bounded if bounded < 1000.0 else 1000.0
    whole = np.floor(bounded + _HALF)
    x = bounded - whole
    series = _E6 + x * (_E7 + x * (_E8 + x * (_E9 + x * (_E10 + x * (_E11 + x * _E12)))))
    two = _ONE + x * (_E1 + x * (_E2 + x * (_E3 + x * (_E4 + x * (_E5 + x * series)))))
    bits = np.float64(whole + (_MAGIC + 1023.0)).view(np.uint64) << _U52
    return two * np.uint64(bits).view(np.float64)


@_kernel
def _affine_light(line, scale, shift, least, out_scale, out_shift):  # type: ignore[no-untyped-def]
    """Light to light where no step needs density."""
    for i in range(line.shape[0]):
        light = line[i] * scale + shift
        light = light if light > least else least
        light = light * out_scale + out_shift
        line[i] = light if light < _BRIGHTEST else _BRIGHTEST


@_kernel
def _to_density(line, scale, shift, least):  # type: ignore[no-untyped-def]
    """Light to density of the film."""
    for i in range(line.shape[0]):
        light = line[i] * scale + shift
        light = light if light > least else least
        line[i] = _log2(light) * -_LOG10_2


@_kernel
def _to_light(line, power, scale, shift):  # type: ignore[no-untyped-def]
    """Density to light of the finished picture."""
    for i in range(line.shape[0]):
        light = _exp2(power - line[i] * _LOG2_10) * scale + shift
        line[i] = light if light < _BRIGHTEST else _BRIGHTEST


@_kernel
def across(first_x, width, places):  # type: ignore[no-untyped-def]
    """Places of columns, -1 at the left edge of the finished picture to 1 at its right edge."""
    for i in range(places.shape[0]):
        places[i] = np.float64(2 * (first_x + i) + 1) / width - _ONE


@_kernel
def _flicker_line(line, terms, middle, y, places):  # type: ignore[no-untyped-def]
    """A frame's surface and contrast, added to one line of density."""
    at_0 = terms[0] + terms[2] * y + terms[5] * y * y
    at_x, at_xx, contrast = terms[1] + terms[4] * y, terms[3], terms[6]
    for i in range(line.shape[0]):
        x = places[i]
        line[i] = line[i] + (at_0 + x * (at_x + x * at_xx)) + contrast * (line[i] - middle)


@_kernel
def _matrix(planes, m, offset):  # type: ignore[no-untyped-def]
    """Three rows of three, and three offsets."""
    a, b, c, d, e, f, g, h, k = m[0], m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8]
    p, q, r = offset[0], offset[1], offset[2]
    red, green, blue = planes[0], planes[1], planes[2]
    for i in range(red.shape[0]):
        x, y, z = red[i], green[i], blue[i]
        red[i] = p + a * x + b * y + c * z
        green[i] = q + d * x + e * y + f * z
        blue[i] = r + g * x + h * y + k * z


@_kernel
def _one_polynomial(planes, terms, out):  # type: ignore[no-untyped-def]
    """One value of second degree out of three."""
    c0, c1, c2, c3, c4 = terms[0], terms[1], terms[2], terms[3], terms[4]
    c5, c6, c7, c8, c9 = terms[5], terms[6], terms[7], terms[8], terms[9]
    red, green, blue = planes[0], planes[1], planes[2]
    for i in range(red.shape[0]):
        r, g, b = red[i], green[i], blue[i]
        out[i] = c0 + r * (c1 + c4 * r + c7 * g + c8 * b) + g * (c2 + c5 * g + c9 * b) + b * (c3 + c6 * b)


@_kernel
def _polynomial(planes, terms, spare):  # type: ignore[no-untyped-def]
    """Three values of second degree out of three; `spare` has room for them."""
    for channel in range(3):
        _one_polynomial(planes, terms[10 * channel : 10 * channel + 10], spare[channel])
    for channel in range(3):
        line, new = planes[channel], spare[channel]
        for i in range(line.shape[0]):
            line[i] = new[i]


@_kernel
def _curve_line(line, first, step, curve):  # type: ignore[no-untyped-def]
    """Look up a curve, linear between its knots, its ends held."""
    last = curve.shape[0] - 1
    inverse, end = _ONE / step, np.float64(last)
    for i in range(line.shape[0]):
        place = (line[i] - first) * inverse
        place = place if place > _ZERO else _ZERO
        place = place if place < end else end
        knot = min(np.int64(place), last - 1)
        line[i] = curve[knot] + (place - np.float64(knot)) * (curve[knot + 1] - curve[knot])


@_kernel
def _mono(planes, weights, tone):  # type: ignore[no-untyped-def]
    """One density out of three, in its tone."""
    red, green, blue = planes[0], planes[1], planes[2]
    for i in range(red.shape[0]):
        silver = red[i] * weights[0] + green[i] * weights[1] + blue[i] * weights[2]
        red[i] = tone[0] + silver * tone[1]
        green[i] = tone[2] + silver * tone[3]
        blue[i] = tone[4] + silver * tone[5]


@_kernel
def _power_line(line, power):  # type: ignore[no-untyped-def]
    """A power of what lies above 0; the rest stays."""
    for i in range(line.shape[0]):
        value = line[i]
        raised = _exp2(_log2(value if value > _TINY else _TINY) * power)
        line[i] = raised if value > _ZERO else value


@_kernel
def _decide(planes, steps, numbers):  # type: ignore[no-untyped-def]
    """Slope, offset, power and saturation."""
    for channel in range(3):
        slope, offset, line = numbers[_SLOPE + channel], numbers[_OFFSET + channel], planes[channel]
        for i in range(line.shape[0]):
            line[i] = line[i] * slope + offset
        if numbers[_POWERS + channel] != _ONE:
            _power_line(line, numbers[_POWERS + channel])
    if steps[_SATURATION]:
        amount = numbers[_AMOUNT]
        red, green, blue = planes[0], planes[1], planes[2]
        for i in range(red.shape[0]):
            luma = 0.2126 * red[i] + 0.7152 * green[i] + 0.0722 * blue[i]
            red[i] = luma + amount * (red[i] - luma)
            green[i] = luma + amount * (green[i] - luma)
            blue[i] = luma + amount * (blue[i] - luma)


@_kernel
def _root_line(line):  # type: ignore[no-untyped-def]
    """Cube root, with the sign of the number."""
    for i in range(line.shape[0]):
        size = np.abs(line[i])
        root = _exp2(_log2(size if size > _TINY else _TINY) * (_ONE / 3.0))
        root = root - (root - size / (root * root)) * (_ONE / 3.0)  # Newton's step: good to the last bit
        root = root if size > _TINY else _ZERO
        line[i] = root if line[i] > _ZERO else -root


@_kernel
def _hues(planes, windows, spare, nothing):  # type: ignore[no-untyped-def]
    """Windows of hue, in Oklab."""
    _matrix(planes, _CONES.ravel(), nothing)
    for channel in range(3):
        _root_line(planes[channel])
    _matrix(planes, _OPPONENTS.ravel(), nothing)
    for channel in range(3):
        line, kept = planes[channel], spare[channel]
        for i in range(line.shape[0]):
            kept[i] = line[i]
    for number in range(windows.shape[0]):
        towards_a, towards_b, end, along, across, lighter = (
            windows[number, 0],
            windows[number, 1],
            windows[number, 2],
            windows[number, 3],
            windows[number, 4],
            windows[number, 5],
        )
        room = _ONE / (_ONE - end)
        for i in range(planes.shape[1]):
            lightness, a, b = spare[0, i], spare[1, i], spare[2, i]
            chroma2 = a * a + b * b
            chroma = np.sqrt(chroma2 if chroma2 > _LEAST_CHROMA2 else _LEAST_CHROMA2)
            s = ((a * towards_a + b * towards_b) / chroma - end) * room
            s = s if s > _ZERO else _ZERO
            s = s if s < _ONE else _ONE
            weight = s * s * (3.0 - 2.0 * s) * (chroma2 / (chroma2 + _HALF_CHROMA2))
            planes[0, i] += weight * lighter * lightness
            planes[1, i] += weight * (along * a - across * b - a)
            planes[2, i] += weight * (across * a + along * b - b)
    _matrix(planes, _OPPONENTS_BACK.ravel(), nothing)
    for channel in range(3):
        line = planes[channel]
        for i in range(line.shape[0]):
            line[i] = line[i] * line[i] * line[i]
    _matrix(planes, _CONES_BACK.ravel(), nothing)


@_kernel
def _positive_line(line):  # type: ignore[no-untyped-def]
    """Nothing below 0; where no channel is mixed with another the display's encoding sees to that."""
    for i in range(line.shape[0]):
        line[i] = line[i] if line[i] > _ZERO else _ZERO


@_kernel
def _shoulder_line(line, share):  # type: ignore[no-untyped-def]
    """Roll light off near white."""
    inverse = _ONE / (4.0 * share) if share > _ZERO else _ZERO
    for i in range(line.shape[0]):
        light = line[i] if line[i] < _ONE + share else _ONE + share
        over = light - (_ONE - share)
        over = over if over > _ZERO else _ZERO
        line[i] = light - over * over * inverse


@_kernel
def _density_steps(planes, spare, program, y, places):  # type: ignore[no-untyped-def]
    """Flicker, fade, negative and one density, on density."""
    steps, numbers, curves, _ = program
    if steps[_FLICKER]:
        for channel in range(3):
            terms = numbers[_SURFACE + 7 * channel : _SURFACE + 7 * channel + 7]
            _flicker_line(planes[channel], terms, numbers[_MIDDLE + channel], y, places)
    if steps[_FADE] == _AFFINE:
        _matrix(planes, numbers[_BEFORE : _BEFORE + 9], numbers[_BEFORE + 9 : _BEFORE + 12])
    elif steps[_FADE] == _POLYNOMIAL:
        _polynomial(planes, numbers[_BEFORE : _BEFORE + 30], spare)
        _polynomial(planes, numbers[_AFTER : _AFTER + 30], spare)
    if steps[_NEGATIVE]:
        for channel in range(3):
            first, step = numbers[_CURVE_FIRST + channel], numbers[_CURVE_STEP + channel]
            _curve_line(planes[channel], first, step, curves[channel])
    if steps[_MONO]:
        _mono(planes, numbers[_WEIGHTS : _WEIGHTS + 3], numbers[_TONE : _TONE + 6])


@_kernel
def exact_steps(lines, spare, program, y, places):  # type: ignore[no-untyped-def]
    """All steps in their order, in double precision, on three lines of pixels of a row at `y`, whose columns are at `places`.

    Places go from -1 at the top and left edges of the finished picture to 1 at the others. `spare` has room for three lines.
    """
    steps, numbers, _, windows = program
    nothing = np.zeros(3)
    least = numbers[_FLOOR]
    for channel in range(3):
        scale, shift = numbers[_SCALE + channel], numbers[_SHIFT + channel]
        if steps[_DENSITY]:
            _to_density(lines[channel], scale, shift, least)
        else:
            out_scale, out_shift = numbers[_OUT_SCALE + channel], numbers[_OUT_SHIFT + channel]
            _affine_light(lines[channel], scale, shift, least, out_scale, out_shift)
    if steps[_DENSITY]:
        _density_steps(lines, spare, program, y, places)
        for channel in range(3):
            power = numbers[_OUT_POWER + channel]
            _to_light(lines[channel], power, numbers[_OUT_SCALE + channel], numbers[_OUT_SHIFT + channel])
    if steps[_DECISIONS]:
        _decide(lines, steps, numbers)
    if windows.shape[0] > 0 or steps[_MATRIX]:
        for channel in range(3):
            _positive_line(lines[channel])
    if windows.shape[0] > 0:
        _hues(lines, windows, spare, nothing)
    if steps[_SHOULDER]:
        for channel in range(3):
            _shoulder_line(lines[channel], numbers[_KNEE])
    if steps[_MATRIX]:
        _matrix(lines, numbers[_PRIMARIES : _PRIMARIES + 9], nothing)


def colour_program(colour: FrameColour) -> ColourProgram:
    """What the kernels need of a frame's colour.

    Parameters
    ----------
    colour : FrameColour

    Returns
    -------
    ColourProgram

    Notes
    -----
    Source: derived. Steps that follow each other and are affine are made one: the linear model of fade is one matrix;
    printer points, white and black are one factor and one offset of light.

    Examples
    --------
    >>> colour_program(FrameColour(lamp=(0.9, 0.9, 0.9))).steps.any()
    np.False_
    """
    steps, numbers = np.zeros(9, np.int64), np.zeros(_NUMBERS)
    lamp, flare = np.asarray(colour.lamp or (1.0,) * 3), np.asarray(colour.flare or (0.0,) * 3)
    numbers[_SCALE : _SCALE + 3] = 1.0 / (lamp * (1.0 - flare))
    numbers[_SHIFT : _SHIFT + 3] = -flare / (1.0 - flare)
    numbers[_FLOOR] = 10.0**-colour.deepest
    curves = _density_numbers(colour, steps, numbers)
    _output_numbers(colour, steps, numbers)
    if colour.decision_list is not None:
        decisions = colour.decision_list
        steps[_DECISIONS] = 1
        numbers[_SLOPE : _SLOPE + 3], numbers[_OFFSET : _OFFSET + 3] = decisions.slope, decisions.offset
        numbers[_POWERS : _POWERS + 3], numbers[_AMOUNT] = decisions.power, decisions.saturation
        steps[_SATURATION] = int(decisions.saturation != 1.0)
    windows = np.zeros((len(colour.hues), 6))
    for row, window in zip(windows, colour.hues, strict=True):
        centre, turn = radians(window.centre_deg), radians(window.turn_deg)
        row[:3] = cos(centre), sin(centre), cos(radians(window.width_deg / 2.0))
        row[3:] = window.saturation * cos(turn), window.saturation * sin(turn), window.lightness - 1.0
    return ColourProgram(steps=steps, numbers=numbers, curves=curves, windows=windows)


def _density_numbers(
    colour: FrameColour, steps: NDArray[np.int64], numbers: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fill in the steps that need density; the curves of a negative."""
    if colour.flicker is not None:
        steps[_FLICKER] = 1
        numbers[_SURFACE : _SURFACE + 21] = np.ravel(colour.flicker.terms)
        numbers[_MIDDLE : _MIDDLE + 3] = colour.flicker.middle
    if colour.fade is not None:
        before = np.asarray(colour.fade.before) * np.asarray(colour.fade.gain)[:, None]
        after = np.asarray(colour.fade.after)
        steps[_FADE] = _AFFINE if colour.fade.linear else _POLYNOMIAL
        if colour.fade.linear:
            numbers[_BEFORE : _BEFORE + 9] = _product(after[:, 1:4], before[:, 1:4]).ravel()
            numbers[_BEFORE + 9 : _BEFORE + 12] = after[:, 0] + _product(after[:, 1:4], before[:, :1])[:, 0]
        else:
            numbers[_BEFORE : _BEFORE + 30], numbers[_AFTER : _AFTER + 30] = before.ravel(), after.ravel()
    curves = np.zeros((3, 2))
    if colour.negative is not None:
        steps[_NEGATIVE] = 1
        numbers[_CURVE_FIRST : _CURVE_FIRST + 3] = colour.negative.first
        numbers[_CURVE_STEP : _CURVE_STEP + 3] = colour.negative.step
        curves = np.array([np.asarray(curve, np.float64) for curve in colour.negative.curves])
    if colour.mono is not None:
        steps[_MONO] = 1
        numbers[_WEIGHTS : _WEIGHTS + 3] = colour.mono.weights
        numbers[_TONE : _TONE + 6] = np.ravel(colour.mono.tone)
    steps[_DENSITY] = int(steps[_FLICKER : _MONO + 1].any())
    return curves


def _output_numbers(colour: FrameColour, steps: NDArray[np.int64], numbers: NDArray[np.float64]) -> None:
    """Fill in printer points, white, black, shoulder and primaries."""
    exponent = -np.asarray(colour.points.density) if colour.points is not None else np.zeros(3)
    scale, shift = np.ones(3), np.zeros(3)
    if colour.output is not None:
        white, black = np.asarray(colour.output.white), np.asarray(colour.output.black)
        darkest = np.power(10.0, white - black)
        exponent, scale, shift = exponent + white, 1.0 / (1.0 - darkest), -darkest / (1.0 - darkest)
        steps[_SHOULDER], numbers[_KNEE] = 1, colour.output.shoulder
        steps[_MATRIX] = int(not np.array_equal(colour.output.matrix, np.eye(3)))
        numbers[_PRIMARIES : _PRIMARIES + 9] = np.ravel(colour.output.matrix)
    numbers[_OUT_SHIFT : _OUT_SHIFT + 3] = shift
    if steps[_DENSITY]:
        numbers[_OUT_POWER : _OUT_POWER + 3] = exponent * _LOG2_10
        numbers[_OUT_SCALE : _OUT_SCALE + 3] = scale
    else:
        numbers[_OUT_SCALE : _OUT_SCALE + 3] = np.power(10.0, exponent) * scale


def _product(left: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Product of two small matrices, added in order, so that every machine has the same."""
    return np.array([[sum(a * b for a, b in zip(row, column)) for column in right.T] for row in left])
