"""Focus: sharpness of the picture at a scale that grain does not fill, and blur of the perforation's sides.

measure_sharpness    light             ->  SharpnessReading: whole, left and right half   (analyse)
measure_edge_blur    one plane, hole   ->  EdgeBlur: erf sigma of the left and right side (analyse)
make_edge_rows       one plane, hole   ->  one side's rows, laid over one another

Sharpness is gradient energy over brightness, less what grain and noise alone would give, so a lamp or
an exposure twice as bright reads the same. It depends on the subject: compare frames of one scene, or
the medians of many frames. The perforation's side is the punched wall, not the emulsion, and so a
*relative* monitor: its course along the reel, and left against right.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.ranks import find_median, find_percentiles

COLUMNS: tuple[Column, ...] = (
    Column(
        name="sharpness",
        unit="1/px2",
        type="float64",
        meaning="Gradient energy of the picture, smoothed by 1.2 px, over its squared brightness, "
        "less the share of grain and noise.",
        source="stills sharpness",
        tolerance=1e-6,
    ),
    Column(
        name="sharpness_left",
        unit="1/px2",
        type="float64",
        meaning="Sharpness of the left half of the picture area.",
        source="stills sharpness",
        tolerance=1e-6,
    ),
    Column(
        name="sharpness_right",
        unit="1/px2",
        type="float64",
        meaning="Sharpness of the right half of the picture area.",
        source="stills sharpness",
        tolerance=1e-6,
    ),
    Column(
        name="perforation_blur_left_px",
        unit="px",
        type="float64",
        meaning="Sigma of the error function that fits the left side of the perforation.",
        source="erf edge",
        tolerance=1e-3,
    ),
    Column(
        name="perforation_blur_right_px",
        unit="px",
        type="float64",
        meaning="Sigma of the error function that fits the right side of the perforation.",
        source="erf edge",
        tolerance=1e-3,
    ),
)

SMOOTHING_PX = 1.2  # stills sharpness
BLOCK_PX = 16  # blocks over which gradient energy is summed: common practice, no source
# Above this many pixels across, the picture is first averaged by a whole factor: speed, and at such a
# pitch grain is many pixels wide. Common practice, no source.
WIDEST_PX = 960
LEAST_LIGHT = 1e-3  # a darker picture has no sharpness to measure; common practice, no source
# The calmest tenth of the blocks of like brightness shows grain and noise alone. A block of pure grain
# scatters: its lower decile lies this much under its mean (measured in the tests for grain up to 1.2 px).
CALM_SHARE = 0.1
CALM_TO_MEAN = 1.3
SIDES: tuple[Literal["left", "right"], ...] = ("left", "right")
SEARCH_PX = 8.0  # half width of the strip across a side; common practice, no source
LEAST_ROWS = 24  # fewer rows of a side are no measurement; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpnessReading:
    """Sharpness of one frame; fields are named as the columns, NaN is "can't tell"."""

    sharpness: float
    sharpness_left: float
    sharpness_right: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeBlur:
    """Blur of the perforation's upright sides; fields are named as the columns, NaN is "can't tell"."""

    perforation_blur_left_px: float
    perforation_blur_right_px: float


def measure_sharpness(
    light: NDArray[np.float32], *, box: tuple[float, float, float, float] | None = None
) -> SharpnessReading:
    """Sharpness of the picture area and of its left and right half.

    Parameters
    ----------
    light : array, shape (height, width) or (height, width, 3), float32
        Linear light, 0 to 1.
    box : (left, top, right, bottom), optional
        Picture area, px; the whole array where it is not given. Pass it a little inside the camera's
        gate, so that the gate's own edge does not count.

    Returns
    -------
    SharpnessReading
        Energy per squared pixel *of the scan*, not below 0. NaN where the area holds no block of 16 x 16,
        or no light.

    Raises
    ------
    CallerError
        If `light` is neither one plane nor three.

    Notes
    -----
    ``sum |grad (G * I)|^2 / sum (G * I)^2`` with G a Gaussian of 1.2 px ("stills sharpness"), over
    blocks of 16 x 16. The floor is what the calmest tenth of the blocks of like brightness
    show (grain rises with light, so classes of brightness are kept apart), raised to a block's mean. Where
    the whole picture is textured the floor takes some texture with it, about the same share at every
    focus: the reading falls a little and stays comparable.

    Examples
    --------
    >>> import numpy as np
    >>> picture = np.full((128, 256), 0.2, np.float32)
    >>> picture[40:90, 60:200] = 0.6  # a sharp-edged card on a plain wall
    >>> soft = picture.copy()
    >>> soft[40:90, 58:63] = soft[40:90, 197:202] = 0.4
    >>> a, b, half = (measure_sharpness(p).sharpness for p in (picture, soft, 0.5 * picture))
    >>> a > b, abs(a - half) < 0.001 * a
    (True, True)
    """
    plane, factor = _picture_plane(light, box)
    rows, columns = plane.shape[0] // BLOCK_PX, plane.shape[1] // BLOCK_PX
    if rows < 1 or columns < 1:
        return SharpnessReading(sharpness=math.nan, sharpness_left=math.nan, sharpness_right=math.nan)
    energy, brightness = _block_energy(plane)
    energy /= factor * factor
    half = columns // 2

    def over(part: slice) -> float:
        power = float(np.sum(np.square(brightness[:, part])))
        if not power > LEAST_LIGHT**2 * brightness[:, part].size:
            return math.nan
        return max(float(np.sum(energy[:, part])), 0.0) / power

    return SharpnessReading(
        sharpness=over(slice(None)),
        sharpness_left=over(slice(None, half)) if half else math.nan,
        sharpness_right=over(slice(-half, None)) if half else math.nan,
    )


def measure_edge_blur(
    plane: NDArray[np.float32],
    *,
    hole: tuple[float, float, float, float],
    corner_px: float = 0.0,
    search_px: float = SEARCH_PX,
) -> EdgeBlur:
    """Blur of the left and right side of one perforation.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        One channel of linear light, the one with the best contrast of hole and film.
    hole : (x, y, width, height)
        Centre and size, px.
    corner_px : float
        Radius of the corners: those rows are left out, and 4 px more.
    search_px : float
        Half width of the strip that is fitted.

    Returns
    -------
    EdgeBlur
        Sigma of the error function in px. NaN where a side is out of view, has under 24 rows, or
        where rows disagree (torn, covered).

    Raises
    ------
    CallerError
        If `plane` is not two-dimensional.

    Notes
    -----
    As the edge profile of ISO 12233: each row gives its edge, a robust line goes through the rows'
    edges, all rows are laid over one another by that line, and ``m + (A/2) erf((x - x0)/(s sqrt 2))``
    is fitted to medians over quarter pixels. The width of a pixel is taken out as its variance, 1/12.

    Examples
    --------
    >>> import numpy as np
    >>> from scipy.special import ndtr
    >>> x = np.arange(200.0)
    >>> row = ndtr((x - 60) / 1.5) - ndtr((x - 140) / 2.5)
    >>> blur = measure_edge_blur(np.tile(row, (120, 1)).astype(np.float32), hole=(100, 60, 80, 100))
    >>> round(blur.perforation_blur_left_px, 1), round(blur.perforation_blur_right_px, 1)
    (1.5, 2.5)
    """
    if plane.ndim != 2:
        raise CallerError(f"measure_edge_blur needs one plane, got shape {plane.shape}. Pass one channel.")
    reach = min(search_px, hole[2] / 3)
    left, right = (
        make_edge_rows(plane, hole=hole, side=side, corner_px=corner_px, search_px=search_px)
        for side in SIDES
    )
    return EdgeBlur(
        perforation_blur_left_px=_side_blur(*left, reach),
        perforation_blur_right_px=_side_blur(*right, reach),
    )


def _picture_plane(
    light: NDArray[np.float32], box: tuple[float, float, float, float] | None
) -> tuple[NDArray[np.float32], int]:
    """Mean of the channels over the box, averaged by a whole factor where it is wide."""
    if light.ndim not in (2, 3):
        raise CallerError(f"measure_sharpness needs light of one or three channels, got shape {light.shape}.")
    from smallgauge.picture.kernels_focus import mean_plane

    nothing = np.zeros((0, 0), np.float32), 1
    top, left, bottom, right = 0, 0, light.shape[0], light.shape[1]
    if box is not None:
        if not all(math.isfinite(side) for side in box):
            return nothing
        left, top = max(math.ceil(box[0]), 0), max(math.ceil(box[1]), 0)
        right, bottom = min(math.floor(box[2]) + 1, right), min(math.floor(box[3]) + 1, bottom)
    if right <= left or bottom <= top:
        return nothing
    factor = max(1, math.ceil((right - left) / WIDEST_PX))
    height, width = (bottom - top) // factor, (right - left) // factor
    if height == 0 or width == 0:
        return nothing
    planes = light.transpose(2, 0, 1) if light.ndim == 3 else light[None]
    plane = np.empty((height, width), np.float32)
    mean_plane(planes, top, left, factor, plane)
    return plane, factor


def _block_energy(plane: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gradient energy less the floor of grain and noise, and brightness, of each whole block of 16 x 16."""
    import cv2

    from smallgauge.picture.kernels_focus import block_means

    smooth = cv2.GaussianBlur(plane, (9, 9), SMOOTHING_PX, borderType=cv2.BORDER_REFLECT_101)
    blocks = np.empty((2, plane.shape[0] // BLOCK_PX, plane.shape[1] // BLOCK_PX), np.float32)
    block_means(smooth, BLOCK_PX, blocks[0], blocks[1])
    energy, brightness = 0.25 * blocks[0].astype(np.float64), blocks[1].astype(np.float64)
    return energy - _floor_of_like_blocks(energy, brightness), brightness


def _floor_of_like_blocks(
    energy: NDArray[np.float64], brightness: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Energy of grain and noise: from the calmest blocks of like brightness (up to 8 classes)."""
    flat, level = energy.ravel(), brightness.ravel()
    order = np.argsort(level, kind="stable")
    classes = min(8, max(1, flat.size // 32))
    floor = np.empty_like(flat)
    for members in np.array_split(order, classes):
        # Relative to brightness, since grain is a relative fluctuation within a class.
        power = np.square(np.maximum(level[members], 1e-6))
        floor[members] = (
            CALM_TO_MEAN * find_percentiles(flat[members] / power, (100 * CALM_SHARE,))[0] * power
        )
    return floor.reshape(energy.shape)


def make_edge_rows(
    plane: NDArray[np.float32],
    *,
    hole: tuple[float, float, float, float],
    side: Literal["left", "right"],
    corner_px: float = 0.0,
    search_px: float = SEARCH_PX,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows of one upright side of a perforation, laid over one another by the side's own line.

    Parameters
    ----------
    plane, hole, corner_px, search_px : as in `measure_edge_blur`
    side : "left" or "right"

    Returns
    -------
    distance, value : arrays, shape (samples,)
        Pixels from the side, growing into the hole, and light there. Both are empty where the side is out of view, has
        under 24 rows, or where rows disagree.

    Examples
    --------
    >>> import numpy as np
    >>> plane = np.zeros((120, 200), np.float32)
    >>> plane[:, 60:140] = 1.0
    >>> distance, value = make_edge_rows(plane, hole=(99.5, 60, 80, 100), side="right")
    >>> bool(np.all(value[distance < -0.6] == 0)), bool(np.all(value[distance > 0.6] == 1))
    (True, True)
    """
    x, y, width, height = hole
    nothing = np.zeros(0), np.zeros(0)
    if not all(math.isfinite(each) for each in hole):
        return nothing
    keep_off = corner_px + 4.0
    top = max(math.ceil(y - height / 2 + keep_off), 0)
    stop = min(math.floor(y + height / 2 - keep_off) + 1, plane.shape[0])
    reach = min(search_px, width / 3)
    inwards = 1.0 if side == "left" else -1.0
    position = x - inwards * width / 2
    first, last = round(position - reach), round(position + reach)
    if first < 0 or last >= plane.shape[1] or stop - top < LEAST_ROWS or last - first < 6:
        return nothing
    strip = plane[top:stop, first : last + 1].astype(np.float64)
    slope = np.diff(strip, axis=1) * inwards
    # Each row's edge: centroid of its rise, where the rise is not hidden in noise.
    rise = (find_median(strip[:, -2:].mean(axis=1)) - find_median(strip[:, :2].mean(axis=1))) * inwards
    if not rise > 0:
        return nothing
    weight = np.where(slope > 0.05 * rise, slope, 0.0)
    total = weight.sum(axis=1)
    good = total > 0.5 * rise
    if int(good.sum()) < LEAST_ROWS:
        return nothing
    middle = np.arange(slope.shape[1]) + 0.5
    edge = np.where(good, (weight * middle).sum(axis=1) / np.where(good, total, 1.0), np.nan)
    rows = np.arange(edge.size, dtype=np.float64)
    line = _robust_line(rows[good], edge[good])
    good &= np.abs(edge - line[0] - line[1] * rows) < 1.0
    if int(good.sum()) < max(LEAST_ROWS, 0.5 * edge.size):
        return nothing
    distance = (np.arange(strip.shape[1])[None, :] - (line[0] + line[1] * rows)[:, None])[good]
    return inwards * distance.ravel(), strip[good].ravel()


def _side_blur(distance: NDArray[np.float64], value: NDArray[np.float64], reach: float) -> float:
    """Erf sigma of one side from its rows."""
    return _fit_sigma(distance, value, reach) if distance.size else math.nan


def _robust_line(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Intercept and slope by Tukey's biweight, c = 4.685 ("tukey biweight").

    `edges.measure_lines` is not used: its rows are crossed with a blur that is known, and here it is sought.
    """
    from smallgauge.picture.kernels_focus import follow_line

    intercept, slope = follow_line(x, y, 4.685, 0.02, 0.03, 12)
    return float(intercept), float(slope)


def _fit_sigma(distance: NDArray[np.float64], value: NDArray[np.float64], reach: float) -> float:
    """Gauss-Newton fit of an error function to medians over quarter pixels."""
    from scipy.special import ndtr

    from smallgauge.picture.kernels_focus import bin_medians

    widest = math.floor(4 * (reach - 1))
    medians, counts = np.empty(max(2 * widest + 1, 0)), np.empty(max(2 * widest + 1, 0), np.int64)
    bin_medians(distance, value, -widest, medians, counts)
    kept = np.flatnonzero(counts >= 3)
    if kept.size < 12:
        return math.nan
    x, y = (kept - widest) / 4.0, medians[kept]
    middle, height, centre, sigma = (float(y[0] + y[-1]) / 2, float(y[-1] - y[0]), 0.0, 1.2)
    for _ in range(30):
        z = (x - centre) / sigma
        cumulative, density = ndtr(z), np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
        model = middle + height * (cumulative - 0.5)
        jacobian = np.stack(
            [np.ones_like(x), cumulative - 0.5, -height * density / sigma, -height * density * z / sigma], 1
        )
        normal = jacobian.T @ jacobian
        normal[np.diag_indices(4)] *= 1.0 + 1e-9
        step = np.linalg.solve(normal, jacobian.T @ (y - model))
        middle, height = middle + step[0], height + step[1]
        centre += float(np.clip(step[2], -0.5, 0.5))
        sigma = float(np.clip(sigma + np.clip(step[3], -0.3, 0.3), 0.1, reach))
        if abs(step[2]) < 1e-3 and abs(step[3]) < 1e-3:
            break
    if not height > 0 or sigma > 0.6 * reach or abs(centre) > 1.0:
        return math.nan
    # A quarter-pixel bin after a one-pixel aperture: 1/12 px^2 of the pixel's own width.
    return math.sqrt(max(sigma * sigma - 1.0 / 12.0, 0.0))
