"""Graticule: how many pixels one period of a glass with lines or squares takes, in both directions.

measure_graticule  plane -> Graticule, or the reason why the period can't be told   (analyse, calibrate)

Lines repeat across the picture as a wave does. For each of the glass's two directions: the strongest wave near that
axis says roughly how fast and how aslant; then the picture is folded by it, so that all lines lie on one, and frequency and
slope are moved until every part of the picture fits that one line best (least squares, Tukey's weights). Light that falls off,
a part that the glass does not cover, dirt, and the lines of the other direction weigh little or nothing. A chessboard has no
lines, but edges: its slopes are taken instead. Blocks of the picture, left out in turn, tell the error; where the
blocks' phases do not agree there is no regular pattern, and nothing is told.
"""

from dataclasses import dataclass
from math import atan2, degrees, hypot, pi, tan

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

Plane = NDArray[np.floating]
Field = NDArray[np.float64]
Waves = NDArray[np.complex128]

LEAST_PERIODS = 4.0  # in view, or the period is not told; common practice, no source
LEAST_PERIOD_PX = 6.0  # a line and its gap are no longer resolved below; common practice, no source
MOST_TILT_DEG = 8.0  # of the glass; common practice, no source
MOST_SKEW_DEG = 1.0  # of its two directions against a right angle; common practice, no source
BLOCKS = 8  # either way
LEAST_COHERENCE = (
    0.7  # of the blocks' phases, 1 is perfect; chosen here by trial on drawn glasses and textures
)
ALIKE = 0.25  # of the strongest wave of all: a weaker one along the axes is none of lines; chosen by the same trial
STANDS_OUT = 30.0  # times the median of all waves; common practice, no source
# A wave at half, a third, a fifth or a tenth of the frequency: from the first share of the strongest wave's strength on it is
# the lines' own and the strongest its overtone, as thin lines have it; above the second, lines differ from one to the next.
OWN_WAVE, SUB_WAVE = 0.5, 0.3  # common practice, no source
SUB_PEAK = 4.0  # times the waves around it, or that is no wave of its own; common practice, no source
DARK = 0.4  # of the glass's own light: darker than this all round is no glass; common practice, no source
RIM_PX = 10  # beside a dark rim that its blur may reach into; common practice, no source
EDGE_PX = 1.2  # blur before a slope is taken; common practice, no source
LEAST_STRENGTH = 0.01  # of the light's level; common practice, no source
TUKEY = 4.685  # SOURCES["tukey biweight"]
LINE_SHARE = 0.1  # of a line's own contrast: less than that off is no dirt; common practice, no source
PHASES = 96  # parts of a period that the picture is folded to
TURNS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class Graticule:
    """Periods in pixels along the glass's own two directions, nearest to the picture's; NaN where it has no lines.

    `sigma_*` is the standard error. `tilt` is the glass's turn, radians, positive clockwise as seen.
    `reason` is "" or says in a few words why nothing was told.
    """

    across_px: float
    along_px: float
    sigma_across_px: float
    sigma_along_px: float
    tilt: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wave:
    """One wave near the x axis: cycles a pixel across and down, and the standard error of the first."""

    across: float
    down: float
    sigma: float

    @property
    def period(self) -> float:
        return 1 / hypot(self.across, self.down)

    @property
    def tilt(self) -> float:
        return atan2(self.down, self.across)


def _untold(reason: str) -> Graticule:
    nan = float("nan")
    return Graticule(
        across_px=nan, along_px=nan, sigma_across_px=nan, sigma_along_px=nan, tilt=nan, reason=reason
    )


def measure_graticule(plane: Plane) -> Graticule:
    """Period of a graticule across and along the picture.

    Parameters
    ----------
    plane : floating array, shape (height, width)
        Linear light of a capture of the glass, 0 to 1. Not altered.

    Returns
    -------
    Graticule
        Of a grid or lines from one line to the next; of a chessboard the side of a square. Everything NaN,
        and a reason, where no period is beyond doubt: fewer than four in view, no regular pattern, lines
        that are not alike, directions that are not square to each other, a tilt above eight degrees.

    Raises
    ------
    CallerError
        If `plane` is not one plane of at least 64 x 64 pixels.

    Notes
    -----
    The error is from leaving out one of 64 blocks in turn (jackknife, from memory), so uneven enlargement is in it.
    Source: "tukey biweight"; "derived".

    Examples
    --------
    >>> from smallgauge.picture.synthetic_graticule import GraticuleTruth, draw_graticule
    >>> truth = GraticuleTruth(period_across_px=41.3, period_along_px=38.9, tilt_deg=1.5)
    >>> found = measure_graticule(draw_graticule(truth))
    >>> round(found.across_px, 2), round(found.along_px, 2), round(degrees(found.tilt), 1)
    (41.3, 38.9, 1.5)
    """
    if plane.ndim != 2 or min(plane.shape) < 64:
        raise CallerError(
            f"measure_graticule needs one plane of at least 64 x 64 pixels, got shape {plane.shape}."
        )
    light = np.asarray(plane, np.float64)
    glass = _glass(light)
    found = [_direction(light, glass), _direction(light.T, glass.T)]
    across, along = (each if isinstance(each, _Wave) else None for each in found)
    if across is None and along is None:
        reasons = [each for each in found if isinstance(each, str)]
        return _untold(next((each for each in reasons if each != _NOTHING), _NOTHING))
    doubts = [each for each in found if isinstance(each, str) and each != _NOTHING]
    if doubts:
        return _untold(doubts[0])
    nan = float("nan")
    tilts = [each for each in (across.tilt if across else nan, -along.tilt if along else nan) if each == each]
    if len(tilts) == 2 and abs(degrees(tilts[0] - tilts[1])) > MOST_SKEW_DEG:
        return _untold("the two directions are not square to each other")
    return Graticule(
        across_px=across.period if across else nan,
        along_px=along.period if along else nan,
        sigma_across_px=across.sigma * across.period**2 if across else nan,
        sigma_along_px=along.sigma * along.period**2 if along else nan,
        tilt=float(np.mean(tilts)),
        reason="",
    )


_NOTHING = "no regular lines or squares stand out from the picture"


def _direction(light: Field, glass: Field) -> _Wave | str:
    """The wave of upright lines or edges; or why there is none. `glass` is 1 where the glass lies, else 0."""
    field = _levelled(light, glass)
    spectrum = _spectrum(field)
    start = _strongest(spectrum, field.shape)
    if start is None:
        from scipy.ndimage import gaussian_filter1d

        rim = glass * gaussian_filter1d(glass, 2 * EDGE_PX, axis=1)  # where the glass ends there is no line
        slope = np.where(rim > 0.999, np.abs(gaussian_filter1d(field, EDGE_PX, axis=1, order=1)), 0.0)
        field = np.where(rim > 0.999, slope - slope.sum() / max(float((rim > 0.999).sum()), 1.0), 0.0)
        spectrum = _spectrum(field)
        start = _strongest(spectrum, field.shape)
    if start is None:
        return _NOTHING
    place = _tuned(field, start)
    if place is None:
        return _NOTHING
    if hypot(*place) * field.shape[1] < LEAST_PERIODS:
        return f"fewer than {LEAST_PERIODS:g} periods are in view"
    if abs(degrees(atan2(place[1], place[0]))) > MOST_TILT_DEG:
        return f"the lines lie more than {MOST_TILT_DEG:g} degrees aslant"
    if _sub_waves(place, spectrum, field.shape)[0] > SUB_WAVE:
        return "the lines are not alike, so it is not sure which period is meant"
    return _fitted(field, glass, place)


def _glass(light: Field) -> Field:
    """1 where the glass lies in the picture, 0 where its holder or the machine's gate is dark."""
    from scipy.ndimage import maximum_filter, minimum_filter

    step = max(1, max(light.shape) // 400)
    small = light[::step, ::step]
    reach = min(small.shape) // 4 | 1  # dark lines and squares are filled, a dark rim is not
    framed = np.pad(small, reach)
    bright = minimum_filter(maximum_filter(framed, reach), reach)[reach:-reach, reach:-reach]
    lies = minimum_filter(
        bright > DARK * float(np.quantile(bright, 0.9)), 2 * RIM_PX // step | 1, mode="nearest"
    )
    whole = np.repeat(np.repeat(lies, step, axis=0), step, axis=1)
    return np.asarray(whole[: light.shape[0], : light.shape[1]], np.float64)


def _levelled(light: Field, glass: Field) -> Field:
    """Light as a share of a smooth surface through it, less 1; 0 beside the glass."""
    height, width = light.shape
    step = max(1, max(light.shape) // 200)
    y, x = np.mgrid[:height, :width].astype(np.float64)
    x, y = 2 * x / width - 1, 2 * y / height - 1
    powers = [x**i * y**j for i in range(4) for j in range(4 - i)]
    here = glass[::step, ::step] > 0
    design = np.stack([each[::step, ::step][here] for each in powers], axis=1)
    if len(design) < 100:
        return np.zeros(light.shape)
    solved = np.linalg.lstsq(design, light[::step, ::step][here], rcond=None)[0]
    level = sum(float(value) * each for value, each in zip(solved, powers, strict=True))
    least = LEAST_STRENGTH * max(float(np.abs(light).mean()), 1e-6)
    return np.asarray(glass * np.clip(light / np.maximum(level, least) - 1.0, -4.0, 4.0))


def _spectrum(field: Field) -> Field:
    """Strength of each wave, (rows, columns) of the half plane, windowed and padded to twice the size."""
    from scipy import fft

    return np.asarray(
        np.abs(fft.rfft2(field * _window(field.shape), s=(2 * field.shape[0], 2 * field.shape[1])))
    )


def _window(shape: tuple[int, ...]) -> Field:
    return np.asarray(np.hanning(shape[0])[:, None] * np.hanning(shape[1]))


def _strongest(spectrum: Field, shape: tuple[int, ...]) -> tuple[float, float] | None:
    """The strongest wave near the x axis; None where it is not strong among all waves."""
    from scipy import fft

    fy, fx = fft.fftfreq(2 * shape[0])[:, None], fft.rfftfreq(2 * shape[1])[None, :]
    size = np.hypot(fx, fy)
    allowed = (size > 2.5 / min(shape)) & (size < 1 / LEAST_PERIOD_PX)
    near = allowed & (np.abs(fy) < tan(1.5 * MOST_TILT_DEG * pi / 180) * fx) & (fx > 2.5 / shape[1])
    strength = np.where(near, spectrum, 0.0)
    row, column = np.unravel_index(int(strength.argmax()), strength.shape)
    least = max(STANDS_OUT * float(np.median(spectrum[allowed])), ALIKE * float(spectrum[allowed].max()))
    if not strength[row, column] > least:
        return None
    x, y = float(fx[0, column]), float(fy[row, 0])
    share, part = _sub_waves((x, y), spectrum, shape)
    return (x / part, y / part) if share > OWN_WAVE else (x, y)


def _tuned(field: Field, start: tuple[float, float]) -> tuple[float, float] | None:
    """The frequency at which the windowed picture is strongest; None where its blocks' phases do not agree.

    Whatever part of a wave is covered, the peak's place stays: the spectrum of what is left of an even wave is
    that of the uncovered part, and is largest in its middle.
    """
    windowed = field * _window(field.shape)
    place = np.array(start)
    least = np.array([1 / field.shape[1], 1 / field.shape[0]])  # the width of the peak
    for _ in range(TURNS):
        step = _top_step(_moments(windowed, place).sum(axis=(1, 2)))
        if not np.isfinite(step).all() or (np.abs(place + step - start) > least).any():
            return None
        place = place + step
        if (np.abs(step) < 1e-6 * least).all():
            break
    blocks = _moments(windowed, place)[0]
    if abs(blocks.sum()) < LEAST_COHERENCE * float(np.abs(blocks).sum()):
        return None
    return float(place[0]), float(place[1])


def _moments(field: Field, place: Field) -> Waves:
    """Sums of each block against the wave: 1, x, y, xx, xy, yy; shape (6, BLOCKS, BLOCKS)."""
    rows, columns = (np.arange(side) - (side - 1) / 2 for side in field.shape)
    up, over = (np.exp(-2j * pi * f * at) for f, at in ((place[1], rows), (place[0], columns)))
    ends = [_ends(side)[:-1] for side in field.shape]
    out = []
    for power_x, power_y in ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)):
        along = np.add.reduceat(field * (over * columns**power_x), ends[1], axis=1)
        out.append(np.add.reduceat(along * (up * rows**power_y)[:, None], ends[0], axis=0))
    return np.array(out)


def _ends(side: int) -> NDArray[np.int64]:
    return np.linspace(0, side, BLOCKS + 1).round().astype(np.int64)


def _top_step(moments: Waves) -> Field:
    """Newton's step to the top of the squared strength from its sums."""
    s, sx, sy, sxx, sxy, syy = moments
    turn = -2j * pi
    slope = 2 * np.array([(np.conj(s) * turn * each).real for each in (sx, sy)])
    pairs = ((sx, sx, sxx), (sx, sy, sxy), (sy, sy, syy))
    xx, xy, yy = (2 * (np.conj(turn * a) * turn * b + np.conj(s) * turn**2 * ab).real for a, b, ab in pairs)
    bend = np.array([[xx, xy], [xy, yy]])
    if not (xx < 0 and np.linalg.det(bend) > 0):
        return np.array([np.nan, np.nan])
    return np.asarray(-np.linalg.solve(bend, slope))


def _fitted(field: Field, glass: Field, place: tuple[float, float]) -> _Wave | str:
    """The frequency by which the picture, folded, fits its own mean line best, and its error."""
    from scipy.ndimage import gaussian_filter1d

    rows, columns = (np.arange(side) - (side - 1) / 2 for side in field.shape)
    x = np.broadcast_to(columns / field.shape[1], field.shape)
    y = np.broadcast_to((rows / field.shape[0])[:, None], field.shape)
    scale = np.array([1 / field.shape[1], 1 / field.shape[0]])
    now = np.array(place)
    coarse = gaussian_filter1d(field, 1 / (8 * place[0]), axis=1)
    blocks = np.zeros((BLOCKS * BLOCKS, 3, 4))
    for values, turns in ((coarse, 6), (field, TURNS)):
        for _ in range(turns):
            blocks = _normal(values, glass, now, x, y)
            step = _solved(blocks.sum(axis=0)) * scale
            now = now + step
            if (np.abs(step) < 1e-7 * scale).all():
                break
    if (np.abs(now - place) > scale).any():
        return _NOTHING
    whole = blocks.sum(axis=0)
    without = np.array([_solved(whole - part) for part in blocks]) * scale
    count = len(without)
    errors = np.sqrt((count - 1) / count * np.square(without - without.mean(axis=0)).sum(axis=0))
    return _Wave(across=float(now[0]), down=float(now[1]), sigma=float(errors[0]))


def _normal(values: Field, glass: Field, now: Field, x: Field, y: Field) -> Field:
    """Normal equations of phase and both frequencies in each block: shape (blocks, 3, 4)."""
    height, width = values.shape
    phase = now[0] * width * x + now[1] * height * y
    part = np.minimum(((phase - np.floor(phase)) * PHASES).astype(np.int64), PHASES - 1)
    flat = part.ravel()
    weight = glass.ravel()
    line = np.zeros(PHASES)
    inside = np.flatnonzero(weight)
    inside = inside[:: max(1, inside.size // 20_000)]
    for _ in range(3):
        total = np.bincount(flat, weight, minlength=PHASES)
        line = np.bincount(flat, weight * values.ravel(), minlength=PHASES) / np.maximum(total, 1e-9)
        rest = values.ravel() - line[flat]
        spread = 1.4826 * float(np.median(np.abs(rest[inside])))
        spread = max(spread, LINE_SHARE * float(np.ptp(line)), 1e-3)
        weight = glass.ravel() * np.clip(1 - np.square(rest / (TUKEY * spread)), 0.0, None) ** 2
    slope = (np.roll(line, -1) - np.roll(line, 1)) * PHASES / 2
    slopes = slope[flat]
    # within one part of a period the line goes on with its slope
    rest = values.ravel() - line[flat] - slopes * ((phase.ravel() * PHASES) % 1.0 - 0.5) / PHASES
    design = (np.ones(values.size), x.ravel(), y.ravel())
    out = np.empty((BLOCKS * BLOCKS, 3, 4))
    heavy = weight * slopes
    for i in range(3):
        for j in range(i, 3):
            sums = _block_sums((heavy * slopes * design[i] * design[j]).reshape(values.shape))
            out[:, i, j] = out[:, j, i] = sums
        out[:, i, 3] = _block_sums((heavy * rest * design[i]).reshape(values.shape))
    return out


def _block_sums(values: Field) -> Field:
    ends = [_ends(side)[:-1] for side in values.shape]
    return np.asarray(np.add.reduceat(np.add.reduceat(values, ends[0], axis=0), ends[1], axis=1).ravel())


def _solved(normal: Field) -> Field:
    """Change of both frequencies, in cycles a picture width and height."""
    held = normal[:, :3] + 1e-9 * np.trace(normal[:, :3]) * np.eye(3)
    return np.asarray(np.linalg.solve(held, normal[:, 3])[1:])


def _sub_waves(place: tuple[float, float], spectrum: Field, shape: tuple[int, ...]) -> tuple[float, int]:
    """The strongest slower wave at a whole part of the frequency: its share of the wave's own strength, and the part."""
    own = float(_around(*place, spectrum, shape, 2).max())
    found = (0.0, 1)
    for part in (2, 3, 5, 10):
        x, y = place[0] / part, place[1] / part
        if x * shape[1] < 2.5:
            continue
        strength = float(_around(x, y, spectrum, shape, 2).max())
        if strength > SUB_PEAK * float(np.median(_around(x, y, spectrum, shape, 12))):
            found = max(found, (strength / own, part))
    return found


def _around(x: float, y: float, spectrum: Field, shape: tuple[int, ...], reach: int) -> Field:
    """The spectrum about a frequency."""
    column, row = round(x * 2 * shape[1]), round(y * 2 * shape[0])
    rows = np.arange(row - reach, row + reach + 1) % spectrum.shape[0]
    columns = np.clip(np.arange(column - reach, column + reach + 1), 0, spectrum.shape[1] - 1)
    return np.asarray(spectrum[np.ix_(rows, columns)])
