"""Scenes: where the camera was stopped and started again.

make_proxy        light, picture area          ->  small picture of log light, moves with the film
make_proxies      light, picture area          ->  the same, and small light with its channels
measure_change    proxy t-2, t-1, t            ->  ChangeReading                          (analyse)
find_scenes       columns of change, light     ->  first frame of each scene              (analyse, join)
find_fades        column of the picture light  ->  fades out and in again: first, darkest, stop

Flicker changes the light of a picture, not its pattern: the logarithm of light is brought to zero mean
and unit deviation first. A pan or a passing car moves the pattern: dense flow takes the motion out. What
is left is compared with what is left in the frames around, so one fixed threshold serves every film.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.reduction import make_smaller

COLUMNS: tuple[Column, ...] = (
    Column(
        name="change",
        unit="1",
        type="float64",
        meaning="What is left between this frame and the one before it once exposure and motion are "
        "taken out; 1 is one standard deviation of the picture's log light.",
        source="scene change",
        tolerance=1e-3,
        halo=1,
    ),
    Column(
        name="change_skip",
        unit="1",
        type="float64",
        meaning="The same between this frame and the one two before it: tells a flash from a cut.",
        source="scene change",
        tolerance=1e-3,
        halo=2,
    ),
)

PROXY_WIDTH = 160  # scene change
LEAST_LIGHT = 0.002  # added before the logarithm: light at density 2.7; common practice, no source
LEAST_DEVIATION = 0.05  # of ln light: a blank frame's grain is not blown up; common practice, no source
THRESHOLD = 3.0  # scene change
HALF_WINDOW = 9  # frames; scene change
SOFTENING = 0.03  # scene change
SMOOTHING_PX = 1.5  # scene change
KEPT_SHARE = 0.6  # of the picture, the calmer part, that must have changed; scene change
FITS = 3
# Starts closer than this are one: over-exposed frames while the motor runs up. Common practice, no source.
RUN_UP_FRAMES = 3
# A fade in camera: the light falls by this much (ln, a seventh), over so many frames, and comes back the same way.
# Common practice, no source.
FADE_DEPTH = 2.0
FADE_FRAMES = (4, 48)  # of the fall, and of the rise
BLACK, BLACK_DEPTH = math.log(LEAST_LIGHT + 0.0015), 1.0  # to black itself a third is enough
STEEPEST = 0.4  # of a fade's depth may come from one frame to the next; a cut's comes at once
QUIET_FRAMES = 8  # a fade's top is not passed, nor its bottom, for so long
FADE_END = 0.5  # of ln light: nearer to a fade's top or bottom than this is at it


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeReading:
    """Change of one frame against the one before and the one two before; NaN is "can't tell"."""

    change: float
    change_skip: float


def make_proxy(
    light: NDArray[np.float32], *, box: tuple[float, float, float, float], width: int = PROXY_WIDTH
) -> NDArray[np.float32]:
    """Small picture of the natural logarithm of light, cut out where this frame's picture lies.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3), float32
        Linear light, 0 to 1.
    box : (left, top, right, bottom)
        Picture area in this frame, px: the reel's area moved by this frame's film reference, so the
        scanner's weave is no motion. Its size must be the same for all frames of a reel. It is cut
        at whole pixels, which leaves under a tenth of a proxy pixel.
    width : int
        Width of the proxy, px; the height follows from the box.

    Returns
    -------
    array, shape (proxy height, width), float32
        ln(light + 0.002), mean of the channels, averaged over area; NaN throughout where the box is
        unknown or reaches out of the frame by more than a tenth of its size. Parts of it that are
        out of view repeat the frame's last row or column.

    Raises
    ------
    CallerError
        If the box has no area, or `width` is under 16.

    Examples
    --------
    >>> import numpy as np
    >>> make_proxy(np.full((120, 160), 0.5, np.float32), box=(10, 10, 149.6, 109.7), width=32).shape
    (23, 32)
    """
    return make_proxies(light, box=box, width=width)[0]


def make_proxies(
    light: NDArray[np.float32], *, box: tuple[float, float, float, float], width: int = PROXY_WIDTH
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What `make_proxy` gives, and the same small picture as light with its channels.

    Parameters as in `make_proxy`. The second array has the shape (proxy height, width, channels), linear light averaged over
    area; NaN throughout where the first is.

    Examples
    --------
    >>> proxy, small = make_proxies(np.full((120, 160, 3), 0.5, np.float32), box=(10, 10, 149.6, 109.7), width=32)
    >>> proxy.shape, small.shape, round(float(small.max()), 3)
    ((23, 32), (23, 32, 3), 0.5)
    """
    left, top, right, bottom = box
    if width < 16:
        raise CallerError(f"make_proxy needs a width of at least 16 px, got {width}.")
    channels = light.shape[2] if light.ndim == 3 else 1
    if not all(math.isfinite(side) for side in box):
        return _unknown(max(16, round(width * 0.74)), width, channels)
    columns, rows = round(right - left), round(bottom - top)
    if columns < 2 or rows < 2:
        raise CallerError(f"make_proxy needs a picture area of at least 2 x 2 px, got {columns} x {rows}.")
    height = max(16, round(width * rows / columns))
    first_x, first_y = round(left), round(top)
    over_x = max(0, -first_x, first_x + columns - light.shape[1])
    over_y = max(0, -first_y, first_y + rows - light.shape[0])
    if over_x > 0.1 * columns or over_y > 0.1 * rows:
        return _unknown(height, width, channels)
    import cv2

    part = light[max(first_y, 0) : max(first_y, 0) + rows, max(first_x, 0) : max(first_x, 0) + columns]
    if over_x or over_y:
        pad_left, pad_top = max(0, -first_x), max(0, -first_y)
        part = light[max(first_y, 0) : first_y + rows, max(first_x, 0) : first_x + columns]
        part = cv2.copyMakeBorder(
            part,
            pad_top,
            rows - pad_top - part.shape[0],
            pad_left,
            columns - pad_left - part.shape[1],
            cv2.BORDER_REPLICATE,
        )
    # A whole factor first (fast), then the rest of the way.
    factor = max(1, columns // (2 * width))
    if factor > 1:
        whole = part[: part.shape[0] // factor * factor, : part.shape[1] // factor * factor]
        part = make_smaller(whole, width=whole.shape[1] // factor, height=whole.shape[0] // factor)
    colour = make_smaller(part, width=width, height=height).reshape(height, width, channels)
    if part.ndim == 3:
        part = cv2.transform(part, np.full((1, part.shape[2]), 1.0 / part.shape[2], np.float32))
    small = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)
    logarithm: NDArray[np.float32] = np.log(np.maximum(small, 0.0) + np.float32(LEAST_LIGHT))
    return logarithm, colour


def _unknown(height: int, width: int, channels: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Proxies of a frame whose picture is not known."""
    return np.full((height, width), np.nan, np.float32), np.full(
        (height, width, channels), np.nan, np.float32
    )


def measure_change(
    current: NDArray[np.float32],
    previous: NDArray[np.float32] | None,
    before_previous: NDArray[np.float32] | None,
) -> ChangeReading:
    """What changed between this frame and the two before it, exposure and motion taken out.

    Parameters
    ----------
    current, previous, before_previous : array, shape (height, width), float32, or None
        Proxies from `make_proxy`, all of one size; None where the reel has no such frame.

    Returns
    -------
    ChangeReading
        NaN where a proxy is missing or holds a NaN.

    Notes
    -----
    Each proxy is brought to zero mean and unit deviation; dense flow (inverse search, "DIS flow")
    carries the other frame to this one, and both are smoothed by 1.5 px, so that grain and small errors
    of flow do not count. Gain and offset between the two are fitted on the six tenths of the picture
    that changed least, and the reading is the mean absolute difference over these: a cut
    changes the picture everywhere, a person or a board that comes in changes part of it. Both
    directions are averaged: a blank frame is easily fitted by any other, not the other way about.

    Examples
    --------
    >>> import numpy as np
    >>> scene = make_proxy(np.random.default_rng(1).random((120, 160), np.float32), box=(0, 0, 160, 120))
    >>> reading = measure_change(scene + 0.2, scene, None)   # the lamp is brighter, nothing moved
    >>> reading.change < 0.01, reading.change_skip
    (True, nan)
    """
    return ChangeReading(
        change=_pair_change(current, previous), change_skip=_pair_change(current, before_previous)
    )


def find_scenes(
    change: NDArray[np.float64],
    change_skip: NDArray[np.float64],
    *,
    threshold: float = THRESHOLD,
    half_window: int = HALF_WINDOW,
    run_up_frames: int = RUN_UP_FRAMES,
    picture_light: ArrayLike | None = None,
) -> NDArray[np.int64]:
    """First frame of each scene, from the whole columns of change, and of the picture's light where it is given.

    Parameters
    ----------
    change, change_skip : array, shape (frames,), float
        Columns as `measure_change` gives them, all frames of the reel in order.
    threshold, half_window : float, int
        A frame starts a scene where q > threshold, ``q = r / (median of r over +-half_window frames
        without this one + 0.02)``, q the least over the pairs (t-1, t), (t-1, t+1), (t-2, t), so
        that one flash or one spoilt frame is no cut ("scene change").
    run_up_frames : int
        Starts within so many frames after a start are the same start (over-exposed frames
        while the camera's motor runs up); of these the frame with the largest change counts.
    picture_light : array, shape (frames,), optional
        Mean ln light of each picture. Between a fade out and a fade in the picture is black and has no pattern to
        compare: where no start was found within such a fade, its darkest frame is one.

    Returns
    -------
    array of int64
        Begins with 0; empty for no frames.

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Examples
    --------
    >>> import numpy as np
    >>> change, skip = np.full(40, 0.05), np.full(40, 0.06)
    >>> change[20], skip[20], skip[21] = 1.1, 1.1, 1.1
    >>> find_scenes(change, skip).tolist()
    [0, 20]
    >>> change[31] = change[32] = skip[33] = 1.1     # one flash at 31
    >>> find_scenes(change, skip).tolist()
    [0, 20]
    """
    change = np.asarray(change, np.float64)
    change_skip = np.asarray(change_skip, np.float64)
    if change.shape != change_skip.shape or change.ndim != 1:
        raise CallerError(
            f"find_scenes needs two columns of one length, got shapes {change.shape} and {change_skip.shape}."
        )
    if change.size == 0:
        return np.zeros(0, np.int64)
    one = _against_neighbours(change, half_window)
    two = _against_neighbours(change_skip, half_window)
    after = np.append(two[1:], np.nan)
    q = np.fmin(one, np.fmin(two, after))
    # No pair but the direct one at the reel's ends: a start there cannot be told from a flash.
    q[np.isnan(one) | (np.isnan(two) & np.isnan(after))] = np.nan
    candidates = np.flatnonzero(q > threshold)
    starts = [0]
    group: list[int] = []
    for frame in [*candidates.tolist(), None]:
        if group and (frame is None or frame - group[0] > run_up_frames):
            starts.append(max(group, key=lambda t: (change[t], -t)))
            group = []
        if frame is not None:
            group.append(frame)
    if picture_light is not None:
        for first, darkest, stop in find_fades(picture_light):
            if not any(first < start < stop for start in starts):
                starts.append(darkest)
    return np.array(sorted(starts), np.int64)


def find_fades(picture_light: ArrayLike) -> tuple[tuple[int, int, int], ...]:
    """Fades out that are followed by a fade in.

    Parameters
    ----------
    picture_light : array, shape (frames,)
        Mean ln light of each picture, all frames of the reel in order; NaN where it was not measured.

    Returns
    -------
    tuple of (first, darkest, stop)
        First frame that is darker, the middle of the darkest frames, and the first frame that is light again.

    Notes
    -----
    The light falls to a seventh or less (to black: to a third) in 4 to 48 frames and comes back so, at most two fifths of it
    from one frame to the next (source "scene change"; limits common practice). A cut to a dark scene falls at once and is
    none; nor is a fade that nothing follows.

    Examples
    --------
    >>> import numpy as np
    >>> ramp = np.linspace(-1.5, -6.0, 10)
    >>> find_fades(np.concatenate([np.full(20, -1.5), ramp, ramp[::-1], np.full(20, -1.5)]))
    ((23, 30, 37),)
    >>> find_fades(np.repeat([-1.5, -5.0, -1.5], 20))
    ()
    """
    light = np.asarray(picture_light, np.float64)
    if light.size < 3 or not np.isfinite(light).any():
        return ()
    level = without_flashes(light)
    least, most = FADE_FRAMES
    around = np.pad(level, QUIET_FRAMES, mode="edge")
    lowest = np.lib.stride_tricks.sliding_window_view(around, 2 * QUIET_FRAMES + 1).min(axis=1)
    found: list[tuple[int, int, int]] = []
    for frame in np.flatnonzero(level == lowest).tolist():
        if found and frame < found[-1][2]:
            continue
        black = level <= level[frame] + FADE_END
        first = frame - int(np.argmin(black[frame::-1])) + 1
        stop = frame + int(np.argmin(black[frame:]))
        depth = BLACK_DEPTH if level[frame] <= BLACK else FADE_DEPTH
        fall, rise = find_way_out(level[frame::-1], depth), find_way_out(level[frame:], depth)
        if least <= fall <= most and least <= rise <= most:
            found.append((frame - fall + 1, (first + stop) // 2, frame + rise))
    return tuple(found)


def without_flashes(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """A column of light with gaps filled in and no single frame that stands out."""
    known = np.flatnonzero(np.isfinite(light))
    filled = np.interp(np.arange(light.size), known, light[known])
    padded = np.pad(filled, 1, mode="edge")
    return np.asarray(np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0))


def find_way_out(level: NDArray[np.float64], depth: float) -> int:
    """Frames from the bottom of a fade to where the light no longer rises; 0 where it does not rise by `depth`, or at once."""
    ahead = level[: 3 * FADE_FRAMES[1]]
    top = np.maximum.accumulate(ahead)
    # The top of this fade: the first light that the frames after it do not pass by more than flicker does.
    for frame in range(1, ahead.size):
        risen = top[frame] - level[0] >= depth
        if risen and ahead[frame + 1 : frame + QUIET_FRAMES].max(initial=-np.inf) <= top[frame] + FADE_END:
            arrived = int(np.flatnonzero(ahead >= top[frame] - FADE_END)[0])
            steepest = float(np.diff(ahead[: arrived + 1]).max())
            return arrived if steepest <= STEEPEST * (top[frame] - level[0]) else 0
    return 0


def _against_neighbours(series: NDArray[np.float64], half_window: int) -> NDArray[np.float64]:
    """Each value over the median of its neighbours plus the softening; NaN stays NaN."""
    result = np.full(series.shape, np.nan)
    for t in np.flatnonzero(np.isfinite(series)):
        first = max(t - half_window, 0)
        around = np.concatenate([series[first:t], series[t + 1 : t + half_window + 1]])
        around = around[np.isfinite(around)]
        if around.size >= 3:
            result[t] = series[t] / (np.median(around) + SOFTENING)
    return result


def _normalised(proxy: NDArray[np.float32]) -> NDArray[np.float32]:
    mean = float(np.mean(proxy, dtype=np.float64))
    deviation = math.sqrt(float(np.var(proxy, dtype=np.float64)) + LEAST_DEVIATION**2)
    return ((proxy - np.float32(mean)) / np.float32(deviation)).astype(np.float32)


def _pair_change(current: NDArray[np.float32], other: NDArray[np.float32] | None) -> float:
    if other is None or not (np.isfinite(current).all() and np.isfinite(other).all()):
        return math.nan
    if current.shape != other.shape:
        raise CallerError(
            f"measure_change needs proxies of one size, got {current.shape} and {other.shape}. "
            "Give every frame a picture area of the same size."
        )
    planes = [_normalised(current), _normalised(other)]
    # DIS takes 8 bits: three deviations either way fill the scale.
    codes = [np.clip(np.rint(127.5 + 42.5 * plane), 0, 255).astype(np.uint8) for plane in planes]
    soft = [_softened(plane) for plane in planes]
    return 0.5 * (
        _residual(soft[0], planes[1], codes[0], codes[1]) + _residual(soft[1], planes[0], codes[1], codes[0])
    )


def _softened(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    import cv2

    soft: NDArray[np.float32] = cv2.GaussianBlur(plane, (0, 0), SMOOTHING_PX)
    return soft


def _residual(
    here: NDArray[np.float32], there: NDArray[np.float32], code: NDArray[np.uint8], other: NDArray[np.uint8]
) -> float:
    """Mean absolute smoothed difference once `there` is carried to `here`, which is smoothed already; their codes show the way."""
    import cv2

    from smallgauge.picture.kernels_pairs import calm_fit, seen_in_both

    flow = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST).calc(code, other, None)
    columns, rows = pixel_places(*here.shape)
    x, y = columns + flow[..., 0], rows + flow[..., 1]
    carried = _softened(cv2.remap(there, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    # After the smoothing every second pixel of every second row says all there is.
    a, b = np.empty((2, -(-here.shape[0] // 2) * -(-here.shape[1] // 2)))
    count = seen_in_both(here, carried, x, y, a, b)
    a, b, kept = a[:count], b[:count], int(KEPT_SHARE * count)
    gain, offset = 1.0, 0.0
    for _ in range(FITS):
        difference = np.abs(b - gain * a - offset)
        gain, offset = calm_fit(a, b, difference, np.partition(difference, kept - 1)[kept - 1], kept)
    difference = np.abs(b - gain * a - offset)
    return float(np.partition(difference, kept - 1)[:kept].mean())


@lru_cache(maxsize=4)
def pixel_places(height: int, width: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Column and row of each pixel, (height, width) each, not to be altered.

    Examples
    --------
    >>> pixel_places(1, 3)[0].tolist()
    [[0.0, 1.0, 2.0]]
    """
    rows, columns = np.indices((height, width), np.float32)
    return columns, rows
