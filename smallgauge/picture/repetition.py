"""Repetition: does a captured frame show the same piece of film as one before it, or the piece that follows?

find_grain_layout   where the picture and its neighbours lie in a capture  -> GrainLayout        (analyse)
make_grain          light of one frame                                     -> GrainSheet
measure_repetition  sheets of a frame and the two before it                -> RepetitionReading  (analyse)
measure_step        proxies of a frame and the two before it               -> StepReading        (analyse)

Grain does not repeat: no other piece of film has the same. Two captures of one film frame show the same
grain at the same place. And where a capture shows more than one frame of film, the foot of one frame and
the head of the next show the same grain one pitch apart: that proves film frame after film frame that none
is missing, on a tripod shot as well as across a cut, without time stamps. Both are one correlation of
band-passed light, in parts of the picture that are calm of themselves, at the displacement that fits best.

Why this is long: layout, sheet and correlation share one geometry, and are read together.
"""

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError
from smallgauge.picture.ranks import find_percentiles

Plane = NDArray[np.float32]
Spectrum = NDArray[np.complex64]

_WORDS = "Correlation, -1 to 1, of the film's grain in this frame with that of the frame {0} before, "
_PLACES = {
    "match": "at the same place of the picture: near 1 where both show the same film frame.",
    "follows": "its head with the other's foot: near 1 where this piece of film comes next below the other's.",
    "precedes": "its foot with the other's head: near 1 where this piece of film comes next above the other's.",
}
COLUMNS: tuple[Column, ...] = (
    *(
        Column(
            name=f"grain_{place}{'_skip' if back == 2 else ''}",
            unit="1",
            type="float64",
            meaning=_WORDS.format(("one", "two")[back - 1]) + words,
            source="grain correlation",
            tolerance=1e-3,
            halo=back,
        )
        for place, words in _PLACES.items()
        for back in (1, 2)
    ),
    Column(
        name="grain_strength",
        unit="1",
        type="float64",
        meaning="Grain and noise of the calm parts of the picture: rms of the band-passed square root of light.",
        source="grain correlation",
        tolerance=1e-5,
    ),
    Column(
        name="edge_grain_strength",
        unit="1",
        type="float64",
        meaning="The same of the head of this frame and the foot of the one before, where they show the same film.",
        source="grain correlation",
        tolerance=1e-5,
        halo=1,
    ),
    *(
        Column(
            name=f"picture_step{'_skip' if back == 2 else ''}",
            unit="1",
            type="float64",
            meaning=f"Mean difference of this frame's log light from that of the frame {('one', 'two')[back - 1]} before, "
            "motion left in; 1 is one standard deviation of the picture.",
            source="definition",
            tolerance=1e-3,
            halo=back,
        )
        for back in (1, 2)
    ),
)

# All of these: chosen here on drawn reels (docs/decisions), common practice, no source.
GRAIN_PX_PER_MM = 100.0  # scale at which the band below is right: grain of some 8 micrometres
BAND_PX = (0.7, 2.0)  # sigma of the two low-passes whose difference is the band
CALM_PX = 3.0  # sigma over which the picture's own detail is averaged
TILE_PX = 112  # side of a tile
TILES = (3, 2)  # columns, rows
REACH_PX = 8  # greatest displacement looked for, beyond that of the film reference
REACH_SHARE = 0.025  # of the pitch, along the film, for the neighbour: splices and shrinkage
STRIP_PX = (448, 72)  # most width and height of the strip that two neighbours share
LEAST_STRIP_PX = 16  # less height shows too little grain
HIDDEN_SHARE = 0.1  # of a tile or strip out of view before it counts as not seen
LEAST_RMS = 1e-6
CALM_PERCENTILE = 25
LEAST_AREA_PX = 64  # of a picture area either way
LEAST_DEVIATION = 0.05  # of ln light: a blank frame's grain is not blown up
FINE = 4  # steps to a pixel when the peak is looked up


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainLayout:
    """Where grain is compared in every frame of a capture: whole pixels from the frame's film reference.

    `tiles` are upper left corners, `strip_above` and `strip_below` those of the strips at the frame's
    head and foot; all without the margin of `reach_px` (across, along) round them. `strip_px` is
    (0, 0) where the capture shows too little of the neighbouring frames.
    """

    tiles: tuple[tuple[int, int], ...]
    tile_px: tuple[int, int]
    strip_above: tuple[int, int]
    strip_below: tuple[int, int]
    strip_px: tuple[int, int]
    frame_line_px: tuple[int, int]  # rows of a strip [first, stop) that are not looked at
    strip_reach_px: tuple[int, int]
    band_px: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GrainSheet:
    """Band-passed light of one frame where it is compared; None where it is out of view or not known."""

    tiles: Plane | None  # (tiles, height, width), with margin
    above: Plane | None
    below: Plane | None
    spectra: dict[str, tuple[Plane, Spectrum, float]] = field(
        default_factory=dict, repr=False
    )  # as they are needed


@dataclass(frozen=True, slots=True, kw_only=True)
class RepetitionReading:
    """Grain of one frame against the two before it; NaN is "can't tell". See COLUMNS."""

    grain_match: float
    grain_match_skip: float
    grain_follows: float
    grain_follows_skip: float
    grain_precedes: float
    grain_precedes_skip: float
    grain_strength: float
    edge_grain_strength: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """How far the picture moved on, motion left in; NaN is "can't tell". See COLUMNS."""

    picture_step: float
    picture_step_skip: float


def find_grain_layout(
    *,
    frame_px: tuple[int, int],
    reference_px: tuple[float, float],
    area_px: tuple[float, float, float, float],
    pitch_px: float,
    px_per_mm: float,
    tilt_rad: float = 0.0,
    spread_px: float = 0.0,
) -> GrainLayout:
    """Lay out tiles over the picture and a strip over each of its ends, for all frames of a capture.

    Parameters
    ----------
    frame_px : (int, int)
        Width and height of the captured frames.
    reference_px : (x, y)
        Usual place of the film reference.
    area_px : (left, top, right, bottom)
        The camera's picture, px from the film reference.
    pitch_px : float
        Pitch along the film; NaN where it is not known: then there are no strips.
    px_per_mm : float
        Scale at the film; NaN counts as 100.
    tilt_rad : float
        Turn of the film, radians: x of its edge grows by this for each pixel down (`PerforationSurvey.tilt`).
    spread_px : float
        Standard deviation of the reference's place over the capture.

    Returns
    -------
    GrainLayout

    Raises
    ------
    CallerError
        If the picture area is under 64 pixels either way.

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> layout = find_grain_layout(frame_px=(1024, 768), reference_px=(175.0, 383.0),
    ...     area_px=(64, -236, 702, 236), pitch_px=474.0, px_per_mm=112.0)
    >>> len(layout.tiles), layout.tile_px, layout.strip_px
    (6, (112, 112), (448, 72))
    """
    left, top, right, bottom = area_px
    width, height = right - left, bottom - top
    if not (width >= LEAST_AREA_PX and height >= LEAST_AREA_PX):
        raise CallerError(
            f"find_grain_layout needs a picture area of at least {LEAST_AREA_PX} px either way, got {width:.0f} x {height:.0f}."
        )
    columns, rows = TILES
    inset = 0.06  # of the picture, clear of the gate's edges
    cell = width * (1 - 2 * inset) / columns, height * (1 - 2 * inset) / rows
    tile = tuple(max(16, int(min(TILE_PX, side - 2 * REACH_PX))) for side in cell)
    tiles = tuple(
        (
            round(left + inset * width + (column + 0.5) * cell[0] - tile[0] / 2),
            round(top + inset * height + (row + 0.5) * cell[1] - tile[1] / 2),
        )
        for row in range(rows)
        for column in range(columns)
    )
    scale = min(max(px_per_mm / GRAIN_PX_PER_MM, 1.0), 3.0) if math.isfinite(px_per_mm) else 1.0
    strip = _strip(frame_px, reference_px, area_px, pitch_px, tilt_rad, spread_px)
    return GrainLayout(
        tiles=tiles,
        tile_px=(tile[0], tile[1]),
        strip_above=strip[0],
        strip_below=strip[1],
        strip_px=strip[2],
        frame_line_px=strip[3],
        strip_reach_px=strip[4],
        band_px=(BAND_PX[0] * scale, BAND_PX[1] * scale),
    )


def _strip(
    frame_px: tuple[int, int],
    reference_px: tuple[float, float],
    area_px: tuple[float, float, float, float],
    pitch_px: float,
    tilt_rad: float,
    spread_px: float,
) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int], tuple[int, int], tuple[int, int]]:
    """Corners above and below, size, rows of the frame line, and reach of the strips."""
    nothing = ((0, 0),) * 5
    if not (math.isfinite(pitch_px) and pitch_px > 0):
        return nothing
    left, top, right, bottom = area_px
    middle = (top + bottom) / 2
    reach = REACH_PX, max(REACH_PX, round(REACH_SHARE * pitch_px))
    slack = reach[1] + 3 * spread_px + 2
    over = reference_px[1] + middle - pitch_px / 2  # film in view beyond the frame line, at either end
    under = frame_px[1] - 1 - (reference_px[1] + middle + pitch_px / 2)
    half = math.floor(min(over, under, STRIP_PX[1] / 2 + slack) - slack)
    if 2 * half < LEAST_STRIP_PX:
        return nothing
    width = int(min(STRIP_PX[0], (right - left) * 0.88))
    lean = math.tan(tilt_rad) * pitch_px / 2
    centre = (left + right) / 2 - width / 2
    above = round(centre - lean), round(middle - pitch_px / 2 - half)
    below = round(centre + lean), round(middle + pitch_px / 2 - half)
    line = max(pitch_px - (bottom - top), 0.0) / 2 + 4
    rows = max(0, math.floor(half - line)), min(2 * half, math.ceil(half + line))
    return above, below, (width, 2 * half), rows, reach


def make_grain(
    light: NDArray[np.float32], *, reference_px: tuple[float, float], layout: GrainLayout
) -> GrainSheet:
    """Band-passed light of one frame at the places of the layout.

    Parameters
    ----------
    light : array, shape (height, width), float32
        One plane of linear light, 0 to 1 (green of a colour film). Not altered.
    reference_px : (x, y)
        This frame's film reference, good to a few pixels: a place filled in from its neighbours will do,
        a wrong one gives a break that is none. NaN gives an empty sheet: nothing is told.
    layout : GrainLayout

    Returns
    -------
    GrainSheet

    Raises
    ------
    CallerError
        If `light` is not one plane.

    Notes
    -----
    The square root makes shot noise the same at all light levels, so that dark parts, whose grain can't be
    told from noise, weigh little. Where the picture has detail of its own the band is turned down.
    Source: grain correlation.

    Examples
    --------
    >>> layout = find_grain_layout(frame_px=(300, 300), reference_px=(20.0, 150.0),
    ...     area_px=(20, -100, 260, 100), pitch_px=210.0, px_per_mm=100.0)
    >>> sheet = make_grain(np.full((300, 300), 0.5, np.float32), reference_px=(20.0, 150.0), layout=layout)
    >>> sheet.tiles.shape, sheet.above.shape
    ((6, 88, 70), (84, 227))
    """
    if light.ndim != 2:
        raise CallerError(f"make_grain needs one plane of light, got shape {light.shape}. Pass one channel.")
    if not all(math.isfinite(place) for place in reference_px):
        return GrainSheet(tiles=None, above=None, below=None)
    x, y = (round(place) for place in reference_px)
    margin = REACH_PX, REACH_PX
    corners = [(x + place[0], y + place[1]) for place in layout.tiles]
    tiles = _bands(light, corners, layout.tile_px, margin, layout.band_px)
    strips: list[Plane | None] = [None, None]
    if layout.strip_px[1]:
        corners = [(x + place[0], y + place[1]) for place in (layout.strip_above, layout.strip_below)]
        strips = _bands(light, corners, layout.strip_px, layout.strip_reach_px, layout.band_px)
    seen = [tile for tile in tiles if tile is not None]
    return GrainSheet(
        tiles=np.stack(seen) if len(seen) == len(tiles) else None, above=strips[0], below=strips[1]
    )


def _bands(
    light: Plane,
    corners: list[tuple[int, int]],
    size: tuple[int, int],
    margin: tuple[int, int],
    band: tuple[float, float],
) -> list[Plane | None]:
    """Band-passed places, each with its margin, turned down where there is more detail than in the calmest."""
    places = [
        _band(
            light,
            (left - margin[0], top - margin[1]),
            (size[0] + 2 * margin[0], size[1] + 2 * margin[1]),
            band,
        )
        for left, top in corners
    ]
    details = [place[1][::4, ::4].ravel() for place in places if place is not None]
    if not details:
        return [None] * len(places)
    usual = np.float32(find_percentiles(np.concatenate(details), (CALM_PERCENTILE,))[0] + LEAST_RMS**2)
    return [None if place is None else place[0] * (usual / (usual + place[1])) for place in places]


def _band(
    light: Plane, corner: tuple[int, int], size: tuple[int, int], band: tuple[float, float]
) -> tuple[Plane, Plane] | None:
    """Band-passed square root of light, and the picture's own detail; 0 where out of view, None if too much is."""
    import cv2

    (left, top), (width, height) = corner, size
    x0, x1 = max(left, 0), min(left + width, light.shape[1])
    y0, y1 = max(top, 0), min(top + height, light.shape[0])
    if max(x1 - x0, 0) * max(y1 - y0, 0) < (1 - HIDDEN_SHARE) * width * height:
        return None
    pad = math.ceil(3 * band[1])
    first_x, first_y = max(x0 - pad, 0), max(y0 - pad, 0)
    root = np.sqrt(np.maximum(light[first_y : y1 + pad, first_x : x1 + pad], np.float32(0)))
    coarse = cv2.GaussianBlur(root, (0, 0), band[1])
    across = cv2.Sobel(coarse, cv2.CV_32F, 1, 0, scale=0.125)
    along = cv2.Sobel(coarse, cv2.CV_32F, 0, 1, scale=0.125)
    power = cv2.GaussianBlur(across * across + along * along, (0, 0), CALM_PX)
    grain, detail = np.zeros((2, height, width), np.float32)
    inside = slice(y0 - first_y, y1 - first_y), slice(x0 - first_x, x1 - first_x)
    target = slice(y0 - top, y1 - top), slice(x0 - left, x1 - left)
    grain[target] = (cv2.GaussianBlur(root, (0, 0), band[0]) - coarse)[inside]
    detail[target] = power[inside]
    return grain, detail


def measure_repetition(
    current: GrainSheet,
    previous: GrainSheet | None,
    before_previous: GrainSheet | None,
    *,
    layout: GrainLayout,
) -> RepetitionReading:
    """Grain of a frame against that of the two frames captured before it.

    Parameters
    ----------
    current, previous, before_previous : GrainSheet or None
        From `make_grain`, all with the same layout; None where the capture has no such frame.
    layout : GrainLayout

    Returns
    -------
    RepetitionReading
        Correlations at the displacement that fits best, found to a quarter of a pixel, one for all tiles.
        NaN where a frame is missing or out of view.

    Notes
    -----
    ``rho = sum g_a g_b / sqrt(sum g_a^2 sum g_b^2)``: the same film frame gives S / (S + N), S the power of
    the grain and N that of the capture's own noise; another gives little, unless detail of a picture that
    stands still passes the band. The whole columns tell these apart. Source: grain correlation.

    Examples
    --------
    >>> layout = find_grain_layout(frame_px=(300, 300), reference_px=(20.0, 150.0),
    ...     area_px=(20, -100, 260, 100), pitch_px=210.0, px_per_mm=100.0)
    >>> film = np.random.default_rng(1).uniform(0.2, 0.4, (900, 300)).astype(np.float32)
    >>> frames = [film[top : top + 300] for top in (0, 210, 420)]   # the film runs upwards
    >>> sheets = [make_grain(f, reference_px=(20.0, 150.0), layout=layout) for f in frames]
    >>> reading = measure_repetition(sheets[1], sheets[0], None, layout=layout)
    >>> reading.grain_follows > 0.9, abs(reading.grain_match) < 0.2, abs(reading.grain_precedes) < 0.2
    (True, True, True)
    >>> measure_repetition(sheets[1], sheets[1], None, layout=layout).grain_match > 0.99
    True
    """
    values = {"grain_strength": math.nan, "edge_grain_strength": math.nan}
    inner = slice(REACH_PX, -REACH_PX)
    if current.tiles is not None:
        values["grain_strength"] = _rms(current.tiles[:, inner, inner])
    for other, suffix in ((previous, ""), (before_previous, "_skip")):
        match = follows = precedes = math.nan
        if other is not None:
            margin = REACH_PX, REACH_PX
            if current.tiles is not None and other.tiles is not None:
                match = _correlation((current, other), ("tiles", "tiles"), margin, (0, 0))[0]
            reach, line = layout.strip_reach_px, layout.frame_line_px
            if current.above is not None and other.below is not None:
                follows, strength = _correlation((current, other), ("above", "below"), reach, line)
                if not suffix:
                    values["edge_grain_strength"] = strength
            if current.below is not None and other.above is not None:
                precedes, _ = _correlation((current, other), ("below", "above"), reach, line)
        values |= {
            f"grain_match{suffix}": match,
            f"grain_follows{suffix}": follows,
            f"grain_precedes{suffix}": precedes,
        }
    return RepetitionReading(**values)


def _stack(sheet: GrainSheet, part: str) -> Plane:
    """A field of a sheet as a stack."""
    found: Plane = getattr(sheet, part)
    return found if found.ndim == 3 else found[None]


def _rms(planes: Plane, line: tuple[int, int] = (0, 0)) -> float:
    """Of a stack of planes, some rows of each left out."""
    from smallgauge.picture.kernels_pairs import root_mean_square

    return float(root_mean_square(planes, *line))


def _correlation(
    sheets: tuple[GrainSheet, GrainSheet],
    parts: tuple[str, str],
    margin: tuple[int, int],
    line: tuple[int, int],
) -> tuple[float, float]:
    """Greatest correlation of the inner part of one sheet within another, and the grain's strength there.

    `parts` are fields, stacks of one shape or single planes; one displacement serves the whole stack. `line` are inner rows
    left out. Transforms are kept with their sheet: each frame is compared with two others.
    """
    from scipy import fft

    reach_x, reach_y = margin
    current, other = (_stack(sheet, part) for sheet, part in zip(sheets, parts, strict=True))
    _, height, width = other.shape
    size = fft.next_fast_len(height, real=True), fft.next_fast_len(width, real=True)
    inside = f"inside {parts[0]}"
    if inside not in sheets[0].spectra:
        inner = current[:, reach_y : height - reach_y, reach_x : width - reach_x].copy()
        strength = _rms(inner, line)
        inner[:, line[0] : line[1]] = 0
        sheets[0].spectra[inside] = inner, np.conj(fft.rfft2(inner, s=size)), strength
    if parts[1] not in sheets[1].spectra:
        sheets[1].spectra[parts[1]] = other, fft.rfft2(other, s=size), math.nan
    inner, two, strength = sheets[0].spectra[inside]
    _, one, _ = sheets[1].spectra[parts[1]]
    cross = one[0] * two[0] if len(one) == 1 else (one * two).sum(axis=0)
    # Of the correlation's surface no more is worked out than is looked at.
    turned = fft.ifft(cross, axis=0, norm="forward")[: 2 * reach_y + 1]
    surface = fft.irfft(turned, n=size[1], axis=1, norm="forward")[:, : 2 * reach_x + 1]
    surface *= np.float32(1 / (size[0] * size[1]))
    row, column = np.unravel_index(int(surface.argmax()), surface.shape)
    best = max(float(surface[row, column]), _fine_peak(cross, size, (int(row), int(column))))
    there = other[:, row : row + inner.shape[1], column : column + inner.shape[2]]
    strengths = strength, _rms(there, line)
    count = (inner.shape[1] - max(line[1] - line[0], 0)) * inner.shape[0] * inner.shape[2]
    if count == 0 or min(strengths) < LEAST_RMS:
        return math.nan, min(strengths) if count else math.nan
    return best / (count * strengths[0] * strengths[1]), math.sqrt(strengths[0] * strengths[1])


@lru_cache(maxsize=256)
def _turns(place: int, size: int, kept: int) -> Spectrum:
    """Turn of each of the first frequencies for places within a pixel of a whole one, (places, frequencies)."""
    near = place + np.arange(-FINE, FINE + 1) / FINE
    frequency = np.fft.fftfreq(size) if kept == size else np.arange(kept) / size
    return np.exp(2j * np.pi * np.outer(near, frequency)).astype(np.complex64)


def _fine_peak(cross: Spectrum, size: tuple[int, int], peak: tuple[int, int]) -> float:
    """Highest value of the correlation surface within a pixel of a whole-pixel peak (upsampled transform)."""
    from smallgauge.picture.kernels_edges import highest_near

    along, across = _turns(peak[0], size[0], size[0]), _turns(peak[1], size[1], cross.shape[1])
    weight = np.full(cross.shape[1], 2.0, np.float32)  # both halves of the spectrum
    weight[0] = 1.0
    if size[1] % 2 == 0:
        weight[-1] = 1.0
    # Plain sums: a matrix product this small costs more in threads than in sums, and hangs on the machine's library.
    return float(highest_near(cross * weight, along, across)) / (size[0] * size[1])


def measure_step(current: Plane, previous: Plane | None, before_previous: Plane | None) -> StepReading:
    """How much the picture changed from the two frames before, motion left in.

    Parameters
    ----------
    current, previous, before_previous : array, shape (height, width), float32, or None
        Proxies from `scenes.make_proxy`, all of one size.

    Returns
    -------
    StepReading
        NaN where a proxy is missing or holds a NaN.

    Notes
    -----
    Each proxy is brought to zero mean and unit deviation, so that flicker does not count. Source:
    definition.

    Examples
    --------
    >>> proxy = np.random.default_rng(1).normal(size=(60, 80)).astype(np.float32)
    >>> reading = measure_step(np.roll(proxy, 1, 1), proxy, None)
    >>> reading.picture_step > 0.5, reading.picture_step_skip
    (True, nan)
    """
    return StepReading(
        picture_step=_step(current, previous), picture_step_skip=_step(current, before_previous)
    )


def _step(current: Plane, other: Plane | None) -> float:
    if other is None or not (np.isfinite(current).all() and np.isfinite(other).all()):
        return math.nan
    if current.shape != other.shape:
        raise CallerError(
            f"measure_step needs proxies of one size, got {current.shape} and {other.shape}. "
            "Give every frame a picture area of the same size."
        )
    planes = []
    for proxy in (current, other):
        centred = proxy - np.float32(np.mean(proxy, dtype=np.float64))
        planes.append(centred / np.float32(_rms(centred[None]) + LEAST_DEVIATION))
    return float(np.mean(np.abs(planes[0] - planes[1]), dtype=np.float64))
