"""Display encoding, dither and storing in the pixel program: lines of light, a channel each, to the codes of finished pixels.

log2_single, exp2_single   logarithm and power to base 2 in single precision     (kernels)
encode                     one light -> its display value                        (kernels)
dither_row                 hashes of a row's pixels                              (kernels)
store_lines                lines of light -> codes, pixel by pixel               (kernels)

The reference is `display.apply_display`. Series are those of the least error (`benchmarks/series.py` makes them): logarithm good to
4e-8, power to 1.1e-7 of itself, the whole encoding to 0.05 of a 16-bit code. Work goes in short loops over lines that stay in the
cache that is nearest: a loop does one thing, so that all of it goes through the processor's vectors. Compiled without fastmath, as
`kernels.py`.
"""

import numpy as np
from numba import njit

from smallgauge.picture.display import GOLDEN
from smallgauge.picture.kernels_rows import PITCH

_kernel = njit(nogil=True, parallel=False, cache=True, fastmath=False, boundscheck=False, error_model="numpy")

_ONE = np.float32(1.0)
_LEAST_LIGHT = np.float32(1e-20)  # encodes to 0.0003 of a 16-bit code, which dither never lifts to 1
_INVERSE_EXPONENT = np.float32(1 / 2.4)  # ITU-R BT.1886, annex 1
_ROOT_BITS = np.int32(0x3F3504F3)  # square root of 1/2 as single-precision bits
_MANTISSA, _PLACES = np.int32(0x007FFFFF), np.int32(23)
_MAGIC = np.float32(
    12582912.0
)  # 1.5 * 2 ** 23: adding it rounds to a whole number, which stands in the last bits
# Made by benchmarks/series.py: 2 atanh(t) / (t ln 2) in t * t, and 2 ** x behind its 1
LOG = tuple(np.float32(value) for value in (2.8853912893721936, 0.9614708083626843, 0.5989739057586437))
EXP = tuple(
    np.float32(value)
    for value in (
        0.6931469775980218,
        0.24022242083574533,
        0.055507337441467935,
        0.009671512756684425,
        0.0013264727272138677,
    )
)
_L0, _L1, _L2 = LOG
_E1, _E2, _E3, _E4, _E5 = EXP
_U1, _U15, _U16 = np.uint32(1), np.uint32(15), np.uint32(16)
_GOLDEN, _MIX_1, _MIX_2 = np.uint32(GOLDEN), np.uint32(0x7FEB352D), np.uint32(0x846CA68B)
_DITHER_MASK, _DITHER_STEP, _DITHER_FIRST = np.uint32(127), np.float32(1 / 128), np.float32(1 / 256)
CHANNEL_SHIFT = (np.uint32(1), np.uint32(9), np.uint32(17))


@_kernel
def log2_single(value):  # type: ignore[no-untyped-def]
    """Logarithm to base 2 of a normal number above 0."""
    lifted = np.int32(np.float32(value).view(np.int32) - _ROOT_BITS)
    power = np.int32(lifted >> _PLACES)
    mantissa = np.int32(np.int32(lifted & _MANTISSA) + _ROOT_BITS).view(np.float32)
    t = (mantissa - _ONE) / (mantissa + _ONE)
    t2 = t * t
    return t * (_L0 + t2 * (_L1 + t2 * _L2)) + np.float32(power)


@_kernel
def exp2_single(value):  # type: ignore[no-untyped-def]
    """2 to the power of a number from -126 to 127; of 0 it is 1."""
    lifted = np.float32(value + _MAGIC)
    x = value - (lifted - _MAGIC)
    two = np.float32(_ONE + x * (_E1 + x * (_E2 + x * (_E3 + x * (_E4 + x * _E5)))))
    return np.int32(two.view(np.int32) + np.int32(lifted.view(np.int32) << _PLACES)).view(np.float32)


@_kernel
def _power_of(light):  # type: ignore[no-untyped-def]
    """Logarithm of a light's display value, white 0; NaN counts as no light."""
    bounded = light if light > _LEAST_LIGHT else _LEAST_LIGHT
    bounded = bounded if bounded < _ONE else _ONE
    return log2_single(bounded) * _INVERSE_EXPONENT


@_kernel
def encode(light, peak):  # type: ignore[no-untyped-def]
    """Display value of one light, 0 to `peak`: light ** (1 / 2.4)."""
    return exp2_single(_power_of(light)) * peak


@_kernel
def _mix(number):  # type: ignore[no-untyped-def]
    """`display.mix` of one number."""
    h = np.uint32(number ^ (number >> _U16))
    h = np.uint32(h * _MIX_1)
    h = np.uint32(h ^ (h >> _U15))
    h = np.uint32(h * _MIX_2)
    return np.uint32(h ^ (h >> _U16))


@_kernel
def dither_row(frame, row, left, hashes):  # type: ignore[no-untyped-def]
    """Fill `hashes` with one hash a pixel of this row, from column `left` on, as `display.dither_of`."""
    frame_seed = _mix(np.uint32(frame + 1))
    row_seed = _mix(np.uint32(frame_seed + np.uint32(np.uint32(row) * _GOLDEN)))
    for x in range(hashes.shape[0]):
        hashes[x] = _mix(np.uint32(row_seed + np.uint32(left + x)))


@_kernel
def dithered(value, hashed, shift, peak):  # type: ignore[no-untyped-def]
    """Code of a value and its dither."""
    step = np.int32((hashed >> shift) & _DITHER_MASK)
    lifted = value + (np.float32(step) * _DITHER_STEP + _DITHER_FIRST)
    return np.uint16(np.int32(lifted if lifted < peak else peak))


@_kernel
def store_lines(lines, count, channels, frame, row, left, peak, room, out):  # type: ignore[no-untyped-def]
    """Encode `count` columns of lines, from column `left` of a row on, dither them, lay them down; grey fills all channels."""
    powers, hashes, codes = room
    hashes = hashes[:count]
    dither_row(frame, row, left, hashes)
    for channel in range(channels):
        line, shift = lines[channel * PITCH : channel * PITCH + count], CHANNEL_SHIFT[channel]
        own = codes[channel * PITCH : channel * PITCH + count]
        for x in range(count):
            powers[x] = _power_of(line[x])
        for x in range(count):
            own[x] = dithered(exp2_single(powers[x]) * peak, hashes[x], shift, peak)
    red, green, blue = codes, codes[PITCH * (channels // 2) :], codes[PITCH * (channels - 1) :]
    for x in range(count):
        out[3 * x] = red[x]
        out[3 * x + 1] = green[x]
        out[3 * x + 2] = blue[x]


@_kernel
def store_room(width):  # type: ignore[no-untyped-def]
    """Room to store up to so many columns: powers, hashes and codes."""
    return np.empty(width, np.float32), np.empty(width, np.uint32), np.empty(3 * PITCH, np.uint16)
