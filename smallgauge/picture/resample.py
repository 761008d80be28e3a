"""The one resampling: every geometry of a frame is a `Move`, and only this interpolator carries it out.

compose_moves  two moves              -> one             (render, plan)
invert_move    move                   -> the way back    (render, plan)
apply_move     light of a frame, move -> light in finished geometry   (render, frame)

A `Move` says where in the capture each finished pixel comes from. A captured picture is resampled
once: new geometry is composed into the move, never a second `apply_move`.

The interpolator. Twelve taps an axis, each a polynomial of sixth degree in the fraction of a pixel
(a Farrow structure). It was designed here by constrained least squares: the delay of a frequency f is
to be exact up to 0.36 cycles a pixel (weight falling as 1 / (1 + (f / 0.1)^2)), and beyond that the
response is drawn, lightly, towards one and the same half-cosine fall to zero at 0.5 whatever the
fraction, so that grain grows less sharper and softer as the film weaves (by 0.5 %). Exact constraints:
weights add up to 1, their first three moments are those of a pure displacement, and value and slope
are continuous from one pixel to the next. `benchmarks/resample.py` repeats the design and measures it
against other interpolators; docs/decisions/0030 has the table and the rejected ideas.

Two rules that a reader may trip over:

* Where both displacements are whole pixels and nothing is turned or scaled, pixels are copied, not
  filtered. At the fraction 0 of one axis alone, detail above 0.36 cycles a pixel is lowered a little
  (0.95 at 0.4, 0.86 at 0.5), towards what the other fractions do to it.
* Beyond the capture's outermost pixels the taps see the outermost pixel repeated; a finished pixel
  whose place lies more than half a pixel outside the outermost pixel centres is 0, no light.

Turned and scaled moves run in two passes, each along one axis (Catmull and Smith 1980), with the
fraction rounded to 1/4096 pixel (error at most 0.00013 pixel). Pure displacements, mirrored or
not, use their exact fraction.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

TAPS = 12
REACH = 5  # taps before the pixel at or before the place; REACH + 1 lie after it
PHASES = 4096  # fractions that turned and scaled moves are rounded to
_WHOLE = 1e-9  # px: a displacement this near a whole pixel is one; the rounding of composed moves

# Weight of tap k = -5 .. 0 as a polynomial in (fraction - 1/2), lowest power first; tap 1 - k has the
# same with the fraction counted from the other side. Made by benchmarks/resample.py (design_taps).
TAP_POLYNOMIALS = np.array(
    [
        (-0.002275203966, -0.005614906496, -0.003365367361, 0.035940686940,
         0.160696743240, -0.080351779628, -0.390472969785),
        (0.011687828348, 0.023414173619, -0.016006281720, -0.147127050420,
         -0.435064859013, 0.338536871051, 1.104738177975),
        (-0.033635188123, -0.044184070920, 0.111325170370, 0.274451508217,
         0.476581122689, -0.672392559581, -1.364723499861),
        (0.078661232213, 0.051544204602, -0.320428559439, -0.337889314824,
         -0.355553509933, 0.978922808084, 1.343821484152),
        (-0.179422791892, 0.008917285234, 0.753877983712, 0.117532523299,
         0.147371235197, -1.217876458267, -1.033410686263),
        (0.624984123421, -1.124147973388, -0.525402945562, 0.344484344136,
         0.005969267820, 1.302800987899, 0.340047493782),
    ]
)  # fmt: skip
TAP_POLYNOMIALS_SINGLE = TAP_POLYNOMIALS.astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """Where each finished pixel lies in the capture.

    `x_capture = a x + b y + c` and `y_capture = d x + e y + f`, in pixels, from pixel centre to pixel
    centre. Without arguments nothing moves.

    Examples
    --------
    >>> Move(c=12.25, f=-3.5).place(2.0, 4.0)
    (14.25, 0.5)
    """

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 0.0
    e: float = 1.0
    f: float = 0.0

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Place in the capture, `(x, y)` in pixels, of the finished pixel `(x, y)`."""
        return self.a * x + self.b * y + self.c, self.d * x + self.e * y + self.f


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightMove:
    """A displacement, mirrored or not, as whole pixels and two sets of weights.

    The capture is first mirrored where `mirrored_x`, `mirrored_y` say so; after that finished pixel x
    is the sum of `weights_x[k] * capture[x + offset_x + k - REACH]`, likewise for y.
    """

    mirrored_x: bool
    mirrored_y: bool
    offset_x: int
    offset_y: int
    weights_x: tuple[float, ...]
    weights_y: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedMove:
    """A move in two passes, first along the rows of the capture, then along its columns.

    `swapped` says that rows and columns of the capture change places first (a turn nearer to a
    quarter than to none); after that `mirrored_x` says that each row is turned end to end. The place in
    capture row v is `along_x x + along_v v + along_0`, `along_x` above 0; after that pass the place in
    the column is `down_x x + down_y y + down_0`.
    """

    swapped: bool
    mirrored_x: bool
    along_x: float
    along_v: float
    along_0: float
    down_x: float
    down_y: float
    down_0: float


def compose_moves(first: Move, second: Move) -> Move:
    """One move for two: `first` takes the finished pixel, `second` takes what `first` gave.

    Parameters
    ----------
    first, second : Move
        `first` goes from finished pixels to some place between, `second` from there to the capture.

    Returns
    -------
    Move
        From finished pixels to the capture.

    Notes
    -----
    Source: definition (product of affine maps).

    Examples
    --------
    >>> compose_moves(Move(c=2.0), Move(a=-1.0, c=9.0))
    Move(a=-1.0, b=0.0, c=7.0, d=0.0, e=1.0, f=0.0)
    """
    return Move(
        a=second.a * first.a + second.b * first.d,
        b=second.a * first.b + second.b * first.e,
        c=second.a * first.c + second.b * first.f + second.c,
        d=second.d * first.a + second.e * first.d,
        e=second.d * first.b + second.e * first.e,
        f=second.d * first.c + second.e * first.f + second.f,
    )


def invert_move(move: Move) -> Move:
    """The way back: from a place in the capture to the finished pixel.

    Parameters
    ----------
    move : Move

    Returns
    -------
    Move
        `compose_moves(move, invert_move(move))` moves nothing, but for rounding.

    Raises
    ------
    CallerError
        If the move flattens the picture.

    Notes
    -----
    Source: definition (inverse of an affine map).

    Examples
    --------
    >>> invert_move(Move(c=2.5, e=-1.0, f=8.0)).place(3.5, 8.0)
    (1.0, 0.0)
    """
    area = _area_of(move)
    a, b, d, e = move.e / area, -move.b / area, -move.d / area, move.a / area
    return Move(a=a, b=b, c=-(a * move.c + b * move.f), d=d, e=e, f=-(d * move.c + e * move.f))


def _area_of(move: Move) -> float:
    """Captured area of a finished pixel, negative where mirrored; refuses what is no picture."""
    area = move.a * move.e - move.b * move.d
    numbers = (move.a, move.b, move.c, move.d, move.e, move.f)
    if not all(math.isfinite(number) for number in numbers) or not 1e-4 < abs(area) < 1e4:
        raise CallerError(f"A move must be finite and keep the picture's area above nothing, got {move}.")
    return area


def interpolation_weights(fraction: NDArray[np.floating] | float) -> NDArray[np.float64]:
    """Weights of the twelve taps for places between two pixels.

    Parameters
    ----------
    fraction : float or array, any shape
        Place between the pixel before (0) and the pixel after (1).

    Returns
    -------
    float64 array, shape of `fraction` + (12,)
        Tap k weighs the pixel `k - 5` after the one at or before the place. They add up to 1.

    Notes
    -----
    Source: Farrow 1988; coefficients derived (see the head of this file). Multiplications
    and additions one by one, in this order, so that every machine has the same weights.

    Examples
    --------
    >>> weights = interpolation_weights(0.5)
    >>> print(weights.shape, weights.sum().round(9), (weights == weights[::-1]).all())
    (12,) 1.0 True
    """
    return _weights(np.asarray(fraction, np.float64), TAP_POLYNOMIALS)


def _weights(fraction: NDArray[Any], poly: NDArray[Any]) -> NDArray[Any]:
    """Weights in the precision of the polynomials."""
    centred = fraction[..., None] - poly.dtype.type(0.5)
    square = centred * centred
    even = ((poly[:, 6] * square + poly[:, 4]) * square + poly[:, 2]) * square + poly[:, 0]
    odd = ((poly[:, 5] * square + poly[:, 3]) * square + poly[:, 1]) * centred
    return np.concatenate([even + odd, (even - odd)[..., ::-1]], axis=-1)


def straight_move(move: Move, *, width: int, height: int) -> StraightMove | None:
    """The move as displacements along rows and columns, or None where it turns or scales.

    Parameters
    ----------
    move : Move
    width, height : int
        Size of the capture, in pixels.

    Returns
    -------
    StraightMove or None

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> straight_move(Move(c=3.0, f=-1.0), width=640, height=480).offset_x
    3
    """
    if move.b != 0.0 or move.d != 0.0 or abs(move.a) != 1.0 or abs(move.e) != 1.0:
        return None
    shift_x = move.c if move.a > 0.0 else width - 1 - move.c
    shift_y = move.f if move.e > 0.0 else height - 1 - move.f
    whole_x, whole_y = math.floor(shift_x + 0.5), math.floor(shift_y + 0.5)
    if abs(shift_x - whole_x) < _WHOLE and abs(shift_y - whole_y) < _WHOLE:
        copied = tuple(1.0 if tap == REACH else 0.0 for tap in range(TAPS))
        weights_x, weights_y = copied, copied
    else:
        whole_x, whole_y = math.floor(shift_x), math.floor(shift_y)
        weights_x = tuple(interpolation_weights(shift_x - whole_x).tolist())
        weights_y = tuple(interpolation_weights(shift_y - whole_y).tolist())
    return StraightMove(
        mirrored_x=move.a < 0.0,
        mirrored_y=move.e < 0.0,
        offset_x=whole_x,
        offset_y=whole_y,
        weights_x=weights_x,
        weights_y=weights_y,
    )


def turned_move(move: Move, *, width: int, height: int) -> TurnedMove:
    """The move as two passes, along the rows and down the columns.

    Parameters
    ----------
    move : Move
    width, height : int
        Size of the capture, in pixels.

    Returns
    -------
    TurnedMove

    Raises
    ------
    CallerError
        If the move flattens the picture.

    Notes
    -----
    Source: Catmull and Smith 1980.

    Examples
    --------
    >>> turned_move(Move(a=0.0, b=1.0, d=-1.0, e=0.0), width=640, height=480).swapped
    True
    """
    area = _area_of(move)
    swapped = abs(move.d) > abs(move.e)
    a, b, c, d, e, f = move.a, move.b, move.c, move.d, move.e, move.f
    if swapped:
        a, b, c, d, e, f, area, width = d, e, f, a, b, c, -area, height
    mirrored = area / e < 0.0
    if mirrored:
        a, b, c, area = -a, -b, width - 1 - c, -area
    return TurnedMove(
        swapped=swapped,
        mirrored_x=mirrored,
        along_x=area / e,
        along_v=b / e,
        along_0=c - b * f / e,
        down_x=d,
        down_y=e,
        down_0=f,
    )


def phase_table() -> NDArray[np.float32]:
    """Weights for every fraction that a turned or scaled move is rounded to.

    Returns
    -------
    float32 array, shape (4096, 12)

    Notes
    -----
    Source: derived, as `interpolation_weights`, but in single precision, which is good to 2e-7.

    Examples
    --------
    >>> phase_table().shape
    (4096, 12)
    """
    fractions = np.arange(PHASES, dtype=np.float32) / np.float32(PHASES)  # exact
    return _weights(fractions, TAP_POLYNOMIALS_SINGLE)


def inside_capture(
    move: Move, *, width: int, height: int, capture_width: int, capture_height: int
) -> NDArray[np.bool_]:
    """Which finished pixels lie on the capture, the half pixel around its outermost centres included.

    Parameters
    ----------
    move : Move
    width, height : int
        Finished size.
    capture_width, capture_height : int
        Captured size.

    Returns
    -------
    bool array, shape (height, width)

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> inside_capture(Move(c=1.0), width=3, height=1, capture_width=3, capture_height=1)
    array([[ True,  True, False]])
    """
    x = np.arange(width, dtype=np.float64)[None, :]
    y = np.arange(height, dtype=np.float64)[:, None]
    across = move.a * x + move.b * y + move.c
    down = move.d * x + move.e * y + move.f
    return (
        (across >= -0.5) & (across <= capture_width - 0.5) & (down >= -0.5) & (down <= capture_height - 0.5)
    )


def apply_move(light: NDArray[np.floating], *, move: Move, width: int, height: int) -> NDArray[np.float32]:
    """Resample a frame, once: the reference in plain NumPy.

    Parameters
    ----------
    light : floating array, shape (height, width) or (height, width, 3)
        Linear light of the captured frame. Not altered.
    move : Move
        Where each finished pixel lies in the capture.
    width, height : int
        Size of the result, in pixels.

    Returns
    -------
    float32 array, shape (height, width) or (height, width, 3)
        Linear light, which may lie a little outside the range of the input beside hard edges;
        0 outside the capture. A NaN in the capture spreads to what its taps reach.

    Raises
    ------
    CallerError
        For another shape, a size below 1, or a move that flattens the picture.

    Notes
    -----
    Source: derived (see the head of this file). Single precision, taps added in order, which the
    fused kernel does alike.

    Examples
    --------
    >>> ramp = np.tile(np.arange(40.0), (30, 1))
    >>> print(apply_move(ramp, move=Move(c=10.25, f=8.0), width=3, height=1).round(4))
    [[10.25 11.25 12.25]]
    """
    if light.ndim not in (2, 3) or (light.ndim == 3 and light.shape[2] != 3) or 0 in light.shape:
        raise CallerError(f"A frame is (height, width) or (height, width, 3), got shape {light.shape}.")
    if width < 1 or height < 1:
        raise CallerError(f"A finished frame has at least one pixel, got {width} x {height}.")
    _area_of(move)
    capture_height, capture_width = light.shape[:2]
    planes = light.astype(np.float32).reshape(capture_height, capture_width, -1)
    straight = straight_move(move, width=capture_width, height=capture_height)
    if straight is not None:
        moved = _apply_straight(planes, straight, width=width, height=height)
    else:
        moved = _apply_turned(
            planes, turned_move(move, width=capture_width, height=capture_height), width=width, height=height
        )
    inside = inside_capture(
        move, width=width, height=height, capture_width=capture_width, capture_height=capture_height
    )
    moved[~inside] = 0.0
    return moved.reshape((height, width, *light.shape[2:]))


def _apply_straight(
    planes: NDArray[np.float32], straight: StraightMove, *, width: int, height: int
) -> NDArray[np.float32]:
    """Rows first, then columns, every tap in order."""
    planes = planes[:: -1 if straight.mirrored_y else 1, :: -1 if straight.mirrored_x else 1]
    columns = np.arange(width) + (straight.offset_x - REACH)
    along = np.zeros((planes.shape[0], width, planes.shape[2]), np.float32)
    for tap in range(TAPS):
        weight = np.float32(straight.weights_x[tap])
        along += weight * planes[:, np.clip(columns + tap, 0, planes.shape[1] - 1)]
    rows = np.arange(height) + (straight.offset_y - REACH)
    down = np.zeros((height, width, planes.shape[2]), np.float32)
    for tap in range(TAPS):
        weight = np.float32(straight.weights_y[tap])
        down += weight * along[np.clip(rows + tap, 0, planes.shape[0] - 1)]
    return down


def _apply_turned(
    planes: NDArray[np.float32], turned: TurnedMove, *, width: int, height: int
) -> NDArray[np.float32]:
    """Each row of the capture to its finished columns, then each column to its finished rows."""
    if turned.swapped:
        planes = planes.transpose(1, 0, 2)
    if turned.mirrored_x:
        planes = planes[:, ::-1]
    table = phase_table()
    x = np.arange(width, dtype=np.float64)[None, :]
    v = np.arange(planes.shape[0], dtype=np.float64)[:, None]
    y = np.arange(height, dtype=np.float64)[:, None]
    across = turned.along_x * x + (turned.along_v * v + turned.along_0)
    along = _gather(planes, _steps(across), table, axis=1)
    down = turned.down_x * x + (turned.down_y * y + turned.down_0)
    return _gather(along, _steps(down), table, axis=0)


def _steps(place: NDArray[np.float64]) -> NDArray[np.int64]:
    """Places in whole steps of 1/4096 pixel; those far outside count as somewhere outside."""
    return np.floor(np.clip(place, -1e6, 1e6) * PHASES + 0.5).astype(np.int64)


def _gather(
    planes: NDArray[np.float32], steps: NDArray[np.int64], table: NDArray[np.float32], *, axis: int
) -> NDArray[np.float32]:
    """Interpolate along one axis at places of which each row and column has its own."""
    whole = steps // PHASES - REACH
    weights = table[steps % PHASES]
    total = np.zeros((*steps.shape, planes.shape[2]), np.float32)
    for tap in range(TAPS):
        index = np.clip(whole + tap, 0, planes.shape[axis] - 1)
        total += weights[:, :, tap, None] * np.take_along_axis(planes, index[:, :, None], axis=axis)
    return total
