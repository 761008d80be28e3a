"""Flicker between two frames: how the exposure of one differs from that of the frame before it.

make_flicker_sheet    small light of a frame           ->  FlickerSheet
measure_flicker       sheets of a frame and the one before  ->  FlickerReading       (analyse)

Exposure adds to the logarithm of light. Motion is taken out first, by dense flow between pictures brought to equal mean and
deviation; both frames are carried half the way, so that both are blurred alike. What is left is fitted, robustly, as a
surface of second degree that all channels share, and a level and a contrast of each channel. Whatever moved by itself,
came or went is an outlier and does not count.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.ranks import find_median
from smallgauge.picture.scenes import pixel_places

CHANNELS = ("red", "green", "blue")
SURFACE = ("x", "y", "xx", "xy", "yy")

_UNIT = "natural logarithm of light, against the frame before, motion taken out"


def _column(name: str, meaning: str, unit: str = "1") -> tuple[Column, Column]:
    return (
        Column(
            name=name, unit=unit, type="float64", meaning=meaning, source="flicker", tolerance=2e-3, halo=1
        ),
        Column(
            name=f"{name}_sigma",
            unit=unit,
            type="float64",
            meaning=f"Standard error of {name}, from how parts of the picture agree.",
            source="flicker",
            tolerance=2e-3,
            halo=1,
        ),
    )


COLUMNS: tuple[Column, ...] = (
    *(
        column
        for channel in CHANNELS
        for column in _column(
            f"flicker_{channel}",
            f"Change of the {channel} channel at the picture's middle and middle tone: {_UNIT}.",
        )
    ),
    *(
        column
        for channel in CHANNELS
        for column in _column(
            f"flicker_contrast_{channel}",
            f"Change of the {channel} channel's contrast against the frame before: share of the distance of a tone's "
            "logarithm from the middle tone.",
        )
    ),
    *(
        column
        for term in SURFACE
        for column in _column(
            f"flicker_{term}",
            f"Change that goes with {term}, of all channels; x and y run from -1 to 1 over the picture area: {_UNIT}.",
        )
    ),
    *(
        Column(
            name=f"flicker_middle_{channel}",
            unit="1",
            type="float64",
            meaning=f"Middle tone of the two frames in the {channel} channel: natural logarithm of light.",
            source="flicker",
            tolerance=2e-3,
            halo=1,
        )
        for channel in CHANNELS
    ),
    Column(
        name="flicker_share",
        unit="1",
        type="float64",
        meaning="Share of the picture that told the change of exposure: neither clipped nor too dark, in view in both "
        "frames, and not moving by itself.",
        source="flicker",
        tolerance=1e-2,
        halo=1,
    ),
)

LEAST_LIGHT = 0.004  # density 2.4: below it a scanner's floor and flare count; common practice, no source
MOST_OF_LAMP = (
    0.9  # of bare light: what is brighter is a hole or a scratch, not film; common practice, no source
)
MOST_OF_SCALE = 0.95  # of the highest code: beyond, part of the pixels under a small one is clipped
LEAST_DEVIATION = 0.05  # of ln light: a blank frame's grain is not blown up; common practice, no source
LEAST_SIDE = 16  # small pixels
BORDER = 2  # small pixels left out on every side
BLUR = 1.0  # small pixels, so that what interpolation blurs no longer counts
CELL = 4  # small pixels a side of the cells that are fitted
BLOCK = 6  # cells: parts of the picture that are taken to err independently
LEAST_SHARE = 0.03  # of the picture; fewer cells are no measurement; common practice, no source
LEAST_CELLS = 100
TUKEY = 4.685  # 95 % efficiency, Tukey biweight
LEAST_SCATTER = 1e-4  # of ln light: keeps the fit defined where two pictures are equal
FITS, CHANNEL_FITS = 6, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FlickerReading:
    """Change of exposure from the frame before, in natural logarithms of light; NaN is "can't tell".

    `level`, `contrast` and `middle` are of red, green and blue, `surface` of x, y, xx, xy and yy; each with its standard
    error. The same change applies to a light L: ``ln L += level + surface + contrast * (ln L - middle)``, ln L on the right
    being the mean of both frames.
    """

    level: tuple[float, ...]
    level_sigma: tuple[float, ...]
    contrast: tuple[float, ...]
    contrast_sigma: tuple[float, ...]
    surface: tuple[float, ...]
    surface_sigma: tuple[float, ...]
    middle: tuple[float, ...]
    share: float

    def columns(self) -> dict[str, float]:
        """The reading by the names of its columns."""
        row = {"flicker_share": self.share}
        for n, channel in enumerate(CHANNELS):
            row[f"flicker_{channel}"] = self.level[n]
            row[f"flicker_{channel}_sigma"] = self.level_sigma[n]
            row[f"flicker_contrast_{channel}"] = self.contrast[n]
            row[f"flicker_contrast_{channel}_sigma"] = self.contrast_sigma[n]
            row[f"flicker_middle_{channel}"] = self.middle[n]
        for n, term in enumerate(SURFACE):
            row[f"flicker_{term}"] = self.surface[n]
            row[f"flicker_{term}_sigma"] = self.surface_sigma[n]
        return row


_NAN3, _NAN5 = (math.nan,) * 3, (math.nan,) * 5
NOT_TOLD = FlickerReading(
    level=_NAN3,
    level_sigma=_NAN3,
    contrast=_NAN3,
    contrast_sigma=_NAN3,
    surface=_NAN5,
    surface_sigma=_NAN5,
    middle=_NAN3,
    share=math.nan,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlickerSheet:
    """One frame made ready to be compared: small logarithm of light, which of it counts, and what the flow looks at.

    `log` and `good` have the shape (height, width, channels), `good` 1 or 0; `equal` (height, width), 8 bits.
    """

    log: NDArray[np.float32]
    good: NDArray[np.float32]
    equal: NDArray[np.uint8]


def make_flicker_sheet(
    small: NDArray[np.float32], *, lamp: float = math.nan, full_scale: float = 1.0
) -> FlickerSheet | None:
    """A frame's small light made ready for `measure_flicker`.

    Parameters
    ----------
    small : array, shape (height, width, channels), float32
        Small linear light as `scenes.make_proxies` gives it, 1 or 3 channels. Not altered.
    lamp : float
        Light of the frame's open perforation: what is brighter than nine tenths of it is a hole or a scratch, not film. NaN
        where it is not known. The lamp's level itself stays in what is measured.
    full_scale : float
        Light of the highest code value; what is brighter than 0.95 of it is clipped.

    Returns
    -------
    FlickerSheet or None
        None where the picture holds a NaN.

    Raises
    ------
    CallerError
        If the picture has no channels, or is under 16 small pixels a side.

    Examples
    --------
    >>> make_flicker_sheet(np.full((30, 40, 3), 0.2, np.float32)).log.shape
    (30, 40, 3)
    """
    if small.ndim != 3 or min(small.shape[:2]) < LEAST_SIDE:
        raise CallerError(
            f"make_flicker_sheet needs a picture of shape (height, width, channels), {LEAST_SIDE} px a side or more, got "
            f"{small.shape}."
        )
    if not np.isfinite(small).all():
        return None
    import cv2

    most = MOST_OF_SCALE * full_scale
    most = min(most, MOST_OF_LAMP * lamp) if math.isfinite(lamp) else most
    good = cv2.erode(((small > LEAST_LIGHT) & (small < most)).view(np.uint8), np.ones((3, 3), np.uint8))
    log = cv2.GaussianBlur(np.log(np.maximum(small, np.float32(LEAST_LIGHT))), (0, 0), BLUR).reshape(
        small.shape
    )
    return FlickerSheet(log=log, good=good.reshape(small.shape).astype(np.float32), equal=_equalised(log))


def measure_flicker(current: FlickerSheet | None, previous: FlickerSheet | None) -> FlickerReading:
    """How the exposure of a frame differs from that of the frame before it.

    Parameters
    ----------
    current, previous : FlickerSheet or None
        Both of one size; None where the reel has no such frame.

    Returns
    -------
    FlickerReading
        One channel is read as three equal ones. NaN throughout where a picture is missing, where less than a thirtieth of
        the picture tells anything, and for a single channel that tells nothing.

    Raises
    ------
    CallerError
        If the pictures differ in size.

    Notes
    -----
    Source: flicker. Dense inverse search flow without its variational step, which would explain brightness away as motion;
    half the way from either side, linear interpolation of the logarithm, which keeps its mean. Tukey's biweight on the
    mean of the channels gives the surface and which cells count; level and contrast of each channel follow on those.
    Standard errors: sandwich with blocks of 6 x 6 cells as independent parts; what errors of the flow have in common
    all over the picture is not in them, see `flicker.PAIR_NOISE`.

    Examples
    --------
    >>> random = np.random.default_rng(1)
    >>> scene = np.exp(random.normal(-2, 0.3, (120, 160, 1))).astype(np.float32)
    >>> reading = measure_flicker(make_flicker_sheet(scene * np.float32(1.1)), make_flicker_sheet(scene))
    >>> [round(each, 2) for each in reading.level], round(math.log(1.1), 2)
    ([0.1, 0.1, 0.1], 0.1)
    """
    if current is None or previous is None:
        return NOT_TOLD
    if current.log.shape != previous.log.shape:
        raise CallerError(
            f"measure_flicker needs two pictures of one shape, got {current.log.shape} and {previous.log.shape}. "
            "Give every frame a picture area of the same size."
        )
    difference, tone, counts = _compensated(current, previous)
    told = np.asarray(counts.any(axis=2), np.bool_)
    if np.count_nonzero(told) < max(LEAST_SHARE * told.size, LEAST_CELLS):
        return NOT_TOLD
    return _fitted(difference[told], tone[told], counts[told], told)


def _compensated(
    current: FlickerSheet, previous: FlickerSheet
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Difference and mean of the logarithms where both show the same, and which of them count; in cells."""
    import cv2

    from smallgauge.picture.kernels_pairs import compensated

    height, width, channels = current.log.shape
    half = 0.5 * _flow(current.equal, previous.equal)
    columns, rows = pixel_places(height, width)
    places = [(columns - half[..., 0], rows - half[..., 1]), (columns + half[..., 0], rows + half[..., 1])]
    here, there = (
        # Beyond the picture nothing counts: the marks are 0 there.
        cv2.remap(
            np.concatenate([sheet.log, sheet.good], axis=2),
            x,
            y,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
        ).reshape(height, width, 2 * channels)
        for sheet, (x, y) in zip((current, previous), places, strict=True)
    )
    size = (height // CELL, width // CELL, channels)
    difference, tone = np.empty((2, *size), np.float32)
    counts = np.empty(size, np.bool_)
    compensated(here, there, CELL, BORDER, 0.99, difference, tone, counts)
    return difference, tone, counts


def _equalised(log: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Mean of the channels at equal mean and deviation, in 8 bits: three deviations either way fill the scale."""
    import cv2

    plane = (
        cv2.transform(log, np.full((1, log.shape[2]), 1.0 / log.shape[2], np.float32))
        if log.shape[2] > 1
        else log[..., 0]
    )
    deviation = max(float(plane.std()), LEAST_DEVIATION)
    scaled = 127.5 + (42.5 / deviation) * (plane - float(plane.mean()))
    codes: NDArray[np.uint8] = np.clip(np.rint(scaled), 0, 255).astype(np.uint8)
    return codes


def _flow(here: NDArray[np.uint8], there: NDArray[np.uint8]) -> NDArray[np.float32]:
    import cv2

    finder = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    finder.setVariationalRefinementIterations(0)
    flow: NDArray[np.float32] = finder.calc(here, there, None)
    return flow


@lru_cache(maxsize=4)
def _basis(height: int, width: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """1, x, y, xx, xy, yy at each cell's centre, and the number of the block that the cell lies in."""
    x = np.broadcast_to(((2 * np.arange(width) + 1) / width - 1)[None, :], (height, width))
    y = np.broadcast_to(((2 * np.arange(height) + 1) / height - 1)[:, None], (height, width))
    across = -(-width // BLOCK)
    block = (np.arange(height) // BLOCK)[:, None] * across + (np.arange(width) // BLOCK)[None, :]
    return np.stack([np.ones((height, width)), x, y, x * x, x * y, y * y], axis=2), block


def _fitted(
    difference: NDArray[np.float32],
    tone: NDArray[np.float32],
    counts: NDArray[np.bool_],
    told: NDArray[np.bool_],
) -> FlickerReading:
    basis, block = _basis(*told.shape)
    surface, block = basis[told], block[told]
    channels = counts.sum(axis=1)
    mean_difference = np.where(counts, difference, 0).sum(axis=1, dtype=np.float64) / channels
    mean_tone = np.where(counts, tone, 0).sum(axis=1, dtype=np.float64) / channels
    design = np.column_stack([surface, mean_tone - find_median(mean_tone)])
    start = np.zeros(design.shape[1])
    start[0] = find_median(mean_difference)
    common, sigma, weight = _tukey(design, mean_difference, block, start, np.ones(block.size), FITS)
    if not np.isfinite(common).all():
        return NOT_TOLD
    spatial = surface[:, 1:] @ common[1:6]
    level, contrast = [(math.nan, math.nan)] * 3, [(math.nan, math.nan)] * 3
    middle = [math.nan] * 3
    for channel in range(counts.shape[1]):
        used = counts[:, channel] & (weight > 0)
        if np.count_nonzero(used) < LEAST_CELLS:
            continue
        tones = tone[used, channel].astype(np.float64)
        middle[channel] = _median(tones)
        own = np.column_stack([np.ones(tones.size), tones - middle[channel]])
        rest = difference[used, channel] - spatial[used]
        found, error, _ = _tukey(
            own, rest, block[used], np.array([find_median(rest), 0.0]), weight[used], CHANNEL_FITS
        )
        level[channel], contrast[channel] = (
            (float(found[0]), float(error[0])),
            (float(found[1]), float(error[1])),
        )
    if counts.shape[1] == 1:
        level, contrast, middle = level[:1] * 3, contrast[:1] * 3, middle[:1] * 3
    return FlickerReading(
        level=tuple(each[0] for each in level),
        level_sigma=tuple(each[1] for each in level),
        contrast=tuple(each[0] for each in contrast),
        contrast_sigma=tuple(each[1] for each in contrast),
        surface=tuple(common[1:6].tolist()),
        surface_sigma=tuple(sigma[1:6].tolist()),
        middle=tuple(middle),
        share=float(np.count_nonzero(weight > 0)) / told.size,
    )


def _median(values: NDArray[np.float64]) -> float:
    """The upper median: near enough among hundreds, and several times faster."""
    middle = values.size // 2
    return float(np.partition(values, middle)[middle])


def _tukey(
    design: NDArray[np.float64],
    values: NDArray[np.float64],
    block: NDArray[np.int64],
    start: NDArray[np.float64],
    given: NDArray[np.float64],
    fits: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients, their standard errors and the weight of each value; NaN where the fit is not determined."""
    found = start
    nothing = np.full(start.size, math.nan)
    for _ in range(fits):
        rest = values - design @ found
        scatter = max(1.4826 * _median(np.abs(rest)), LEAST_SCATTER)
        weight = given * np.square(np.maximum(0.0, 1.0 - np.square(rest / (TUKEY * scatter))))
        weighted = design * weight[:, None]
        normal = design.T @ weighted
        # A picture of one tone has no contrast to tell: a mere trace of a prior keeps the rest determined.
        normal[np.diag_indices_from(normal)] += 1e-6 * weight.sum()
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return nothing, nothing, weight
        found = inverse @ (weighted.T @ values)
    scores = weighted * (values - design @ found)[:, None]
    parts = np.stack([np.bincount(block, score) for score in scores.T], axis=1)
    parts = parts[np.bincount(block, minlength=parts.shape[0]) > 0]
    independent = parts.shape[0]
    if independent <= start.size:
        return found, np.full(start.size, math.inf), weight
    covariance = inverse @ (parts.T @ parts) @ inverse * (independent / (independent - start.size))
    return found, np.sqrt(np.maximum(np.diag(covariance), 0.0)), weight
