"""Black-and-white film captured in colour: one density out of three, and the film's own colour told apart.

measure_tone             light of a frame               ->  ToneReading: how its channels go together  (analyse)
propose_black_and_white  tone of a reel                 ->  MonoDecision, why                          (treat)
tone_of                  readings of a length           ->  Tone: tint, tone and noise of each channel
solve_mono               tone, decision                 ->  MonoCorrection                             (render, plan)
apply_mono               density of a frame, correction ->  density on one line                        (render)

*Tint* is the colour of the base: it is there where the film is clear, the same everywhere. *Tone* is the colour of the image
itself: it grows with density. Both belong to the film and are kept unless somebody wants a neutral copy.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError

Triple = tuple[float, float, float]
Rows = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]
Array = NDArray[np.float64]

KEPT, NEUTRAL = "as on the film", "neutral"
LOOKS = (KEPT, NEUTRAL)
CHANNELS = ("red", "green", "blue")
LIGHTNESS = (0.2126, 0.7152, 0.0722)  # share of R, G, B in luminance: ITU-R BT.709, item 3.2
BLOCKS, SIDE = (64, 48), 4  # blocks looked at across and along, and the side of each, px
LEAST_BLOCKS = 100
LEAST_LIGHT = 0.003  # darker is the scanner's noise; common practice, no source
LEAST_SPREAD = (
    1e-4  # variance of density below which pictures tell nothing of tone; common practice, no source
)
COLOURED = (
    0.05  # density off one line, rms, from which film is hardly black-and-white; common practice, no source
)
SEEN = 0.02  # density of blue against red from which film is called warm or cold; common practice, no source

PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
_SPREADS = tuple(f"tone_{CHANNELS[one]}_{CHANNELS[two]}" for one, two in PAIRS)


def _column(name: str, meaning: str, source: str = "definition") -> Column:
    return Column(
        name=name,
        unit="1",
        type="float64",
        meaning=f"{meaning}; not a number unless the film is stated as black-and-white.",
        source=source,
        tolerance=1e-6,
    )


COLUMNS: tuple[Column, ...] = (
    *(
        _column(
            f"tone_{name}", f"Mean density of the picture where it is neither black nor bare light, {name}"
        )
        for name in CHANNELS
    ),
    *(
        _column(name, f"Covariance of density there, {CHANNELS[one]} with {CHANNELS[two]}")
        for name, (one, two) in zip(_SPREADS, PAIRS, strict=True)
    ),
    *(
        _column(
            f"tone_noise_{name}",
            f"Variance of density from pixel to pixel that {name} does not share with the other channels",
            "one-factor model",
        )
        for name in CHANNELS
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneReading:
    """How a frame's channels go together; fields are the columns. NaN where the frame does not tell."""

    tone_red: float
    tone_green: float
    tone_blue: float
    tone_red_red: float
    tone_green_green: float
    tone_blue_blue: float
    tone_red_green: float
    tone_red_blue: float
    tone_green_blue: float
    tone_noise_red: float
    tone_noise_green: float
    tone_noise_blue: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """The film's own colour: D_c = tint[c] + slope[c] * d, where d is the density that the eye goes by.

    `noise` is the variance of each channel for itself, `off_line` the rms density by which pictures leave that one
    line, `frames` how many told it; with none tint is 0, slope 1, noise 1 and off_line NaN.
    """

    tint: Triple
    slope: Triple
    noise: Triple
    off_line: float
    frames: int

    @property
    def coloured(self) -> bool:
        """Whether the film holds colour that is neither tint nor tone: hand colouring, or colour film after all."""
        return self.off_line > COLOURED


NOT_TOLD = Tone(
    tint=(0.0, 0.0, 0.0), slope=(1.0, 1.0, 1.0), noise=(1.0, 1.0, 1.0), off_line=float("nan"), frames=0
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MonoDecision:
    """Whether the film's tint and tone are kept, or a neutral copy is made: one of LOOKS."""

    look: str = KEPT


@dataclass(frozen=True, slots=True, kw_only=True)
class MonoCorrection:
    """One density d = weights . (D_R, D_G, D_B), and the colour that it gets: D_c = tone[c][0] + tone[c][1] * d."""

    weights: Triple
    tone: Rows


def measure_tone(
    light: NDArray[np.float32],
    *,
    box: tuple[float, float, float, float],
    lamp: Triple = (1.0, 1.0, 1.0),
) -> ToneReading:
    """How the channels of a picture go together.

    Parameters
    ----------
    light : float32 array, shape (height, width, 3)
        Linear light, open gate 1.
    box : left, top, right, bottom
        The picture in it, px.
    lamp : three floats
        Light of the open perforation in this frame; a NaN counts as 1.

    Returns
    -------
    ToneReading
        NaN where there is one channel only, the box is too small, or fewer than 100 blocks are film in all channels.

    Notes
    -----
    Source: one-factor model. Three channels show one thing, and each has noise of its own: that of a is
    C_aa - C_ab C_ac / C_bc, taken of the differences between neighbouring pixels, so that grain, which all three
    see, is no noise.

    Examples
    --------
    >>> ramp = np.linspace(0.2, 2.0, 400)[None, :, None] * np.array([1.0, 1.0, 1.1])
    >>> frame = np.repeat(10.0 ** -ramp, 300, axis=0).astype(np.float32)
    >>> read = measure_tone(frame, box=(0, 0, 399, 299))
    >>> round(read.tone_blue / read.tone_red, 3), round(read.tone_blue_blue / read.tone_red_red, 3)
    (1.1, 1.21)
    """
    blocks = _blocks(light, box)
    if blocks is not None:
        blocks = blocks[((blocks > LEAST_LIGHT) & (blocks < 1.0)).all(axis=(1, 2, 3))]
    if blocks is None or len(blocks) < LEAST_BLOCKS:
        return ToneReading(**dict.fromkeys((column.name for column in COLUMNS), float("nan")))
    density = -np.log10(blocks)
    level = np.array([value if np.isfinite(value) and value > 0 else 1.0 for value in lamp])
    means = density.mean(axis=(1, 2), dtype=np.float64) + np.log10(level)
    spread = np.cov(means.T, bias=True)
    steps = (density[:, :, 1:] - density[:, :, :-1]).reshape(-1, 3).astype(np.float64)
    noise = _own_noise(steps.T @ steps / (2 * len(steps)))
    values = (*means.mean(axis=0), *(spread[pair] for pair in PAIRS), *noise)
    return ToneReading(**{c.name: float(v) for c, v in zip(COLUMNS, values, strict=True)})


def tone_of(readings: Array) -> Tone:
    """Tint and tone of film from the readings of its frames.

    Parameters
    ----------
    readings : float64 array, shape (frames, 12)
        The columns of this file in their order. Frames with a NaN are left out.

    Returns
    -------
    Tone
        NOT_TOLD where no frame tells, or pictures hold too little between dark and light.

    Raises
    ------
    CallerError
        If `readings` has another shape.

    Notes
    -----
    Source: one-factor model (slope of a squared is C_ab C_ac / C_bc), on covariances within frames, so that neither
    the lamp nor scenes that were exposed otherwise count as tone; normed so that d is the density weighted like
    luminance.

    Examples
    --------
    >>> s = np.array([1.0, 1.0, 1.1])
    >>> row = [0.8, 0.8, 1.03, *(0.2 * s[one] * s[two] for one, two in PAIRS), 1e-4, 1e-4, 1e-4]
    >>> tone = tone_of(np.array([row]))
    >>> [round(value, 3) for value in tone.slope], [round(value, 3) for value in tone.tint]
    ([0.993, 0.993, 1.092], [-0.011, -0.011, 0.138])
    """
    if readings.ndim != 2 or readings.shape[1] != len(COLUMNS):
        raise CallerError(f"Readings of tone have {len(COLUMNS)} columns, got shape {readings.shape}.")
    told = readings[np.isfinite(readings).all(axis=1)]
    if not len(told):
        return NOT_TOLD
    pooled = told.mean(axis=0)
    own, (rg, rb, gb) = pooled[3:6], pooled[6:9]
    if min(rg, rb, gb) < LEAST_SPREAD:
        return NOT_TOLD
    slope = np.sqrt(np.array([rg * rb / gb, rg * gb / rb, rb * gb / rg]))
    off = np.maximum(own - slope**2, 0.0)
    share = np.asarray(LIGHTNESS)
    slope = slope / (share @ slope)
    return Tone(
        tint=_triple(pooled[:3] - slope * (share @ pooled[:3])),
        slope=_triple(slope),
        noise=_triple(np.maximum(pooled[9:12], 1e-8)),
        off_line=float(np.sqrt(off.mean())),
        frames=len(told),
    )


def propose_black_and_white(tone: Tone) -> tuple[MonoDecision, str]:
    """Keep tint and tone, and say what they are.

    Parameters
    ----------
    tone : Tone

    Returns
    -------
    decision : MonoDecision
    why : str

    Notes
    -----
    Source: common practice, no source (the colour of a tinted or toned film was meant, or came with its age, and is the
    film's own).

    Examples
    --------
    >>> warm = Tone(tint=(0.0, 0.0, 0.05), slope=(0.98, 1.0, 1.06), noise=(1e-4,) * 3, off_line=0.01, frames=40)
    >>> propose_black_and_white(warm)[1]
    'the base is warm (tint +0.00, +0.00, +0.05), the image is warm (tone 0.98, 1.00, 1.06); told by 40 frames'
    """
    if not tone.frames:
        return MonoDecision(), "no frame tells tint and tone, so nothing is taken away"
    base = ", ".join(f"{value:+.2f}" for value in tone.tint)
    image = ", ".join(f"{value:.2f}" for value in tone.slope)
    why = (
        f"the base is {_warmth(tone.tint)} (tint {base}), the image is {_warmth(tone.slope)} (tone {image}); told by "
        f"{tone.frames} frame{'' if tone.frames == 1 else 's'}"
    )
    if tone.coloured:
        why += (
            f"; there is colour that is neither, {tone.off_line:.2f} of density, which one density leaves out"
        )
    return MonoDecision(), why


def solve_mono(tone: Tone, decision: MonoDecision) -> MonoCorrection | None:
    """The one density and its colour, for one length of one stock; None where nothing is told and all is kept.

    Parameters
    ----------
    tone : Tone
        Of that length.
    decision : MonoDecision

    Returns
    -------
    MonoCorrection or None

    Raises
    ------
    CallerError
        If the look is none of LOOKS, or a slope or noise is not above 0.

    Notes
    -----
    Source: derived (least squares with each channel weighted by its inverse noise variance:
    d = sum s (D - tint) / noise over sum s s / noise).

    Examples
    --------
    >>> warm = Tone(tint=(0.0, 0.0, 0.1), slope=(1.0, 1.0, 1.2), noise=(1e-4, 1e-4, 1e-2), off_line=0.0, frames=9)
    >>> film = np.array([1.0, 1.0, 1.3])  # density 1 of that film
    >>> print(apply_mono(film, solve_mono(warm, MonoDecision())).round(6))
    [1.  1.  1.3]
    >>> print(apply_mono(film, solve_mono(warm, MonoDecision(look=NEUTRAL))).round(6))
    [1. 1. 1.]
    """
    if decision.look not in LOOKS:
        raise CallerError(f"black_and_white needs one of {', '.join(LOOKS)}, found '{decision.look}'.")
    if not tone.frames and decision.look == KEPT:
        return None
    slope, noise, tint = (np.asarray(each, np.float64) for each in (tone.slope, tone.noise, tone.tint))
    if not ((slope > 0).all() and (noise > 0).all()):
        raise CallerError(
            f"Tone needs slopes and noise above 0, got {tone.slope} and {tone.noise}; read the film again."
        )
    weights = slope / noise
    weights /= weights @ slope
    shift = float(weights @ tint)  # what the weighted mean has of the tint
    if decision.look == NEUTRAL:
        tint, slope = np.zeros(3), np.ones(3)
    rows = [(float(t - s * shift), float(s)) for t, s in zip(tint, slope, strict=True)]
    return MonoCorrection(weights=_triple(weights), tone=(rows[0], rows[1], rows[2]))


def apply_mono(density: NDArray[np.floating], correction: MonoCorrection) -> NDArray[np.floating]:
    """One density out of three, with the tone that was decided.

    Parameters
    ----------
    density : floating array, shape (..., 3)
        Densities R, G, B. Not altered.
    correction : MonoCorrection

    Returns
    -------
    array of the same shape and type
        Densities R, G, B on one line. NaN in all channels where one is NaN.

    Raises
    ------
    CallerError
        If the last axis is not 3 long.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> plain = MonoCorrection(weights=(0.25, 0.5, 0.25), tone=((0.0, 1.0),) * 3)
    >>> print(apply_mono(np.array([[1.0, 1.2, 1.4]]), plain))
    [[1.2 1.2 1.2]]
    """
    if density.ndim < 1 or density.shape[-1] != 3:
        raise CallerError(
            f"Densities must stand in an array whose last axis holds 3 channels, got shape {density.shape}."
        )
    kind = density.dtype.type
    one = density @ np.asarray(correction.weights, kind)
    tone = np.asarray(correction.tone, kind)
    return np.asarray(tone[:, 0] + tone[:, 1] * one[..., None], density.dtype)


def _blocks(light: NDArray[np.float32], box: tuple[float, float, float, float]) -> NDArray[np.float32] | None:
    """Blocks of pixels spread evenly over the inner picture, shape (blocks, SIDE, SIDE, 3)."""
    if light.ndim != 3 or light.shape[2] != 3:
        return None
    height, width = light.shape[:2]
    inset_x, inset_y = 0.04 * (box[2] - box[0]), 0.04 * (box[3] - box[1])  # the gate's soft edge is no tone
    left, right = max(round(box[0] + inset_x), 0), min(round(box[2] - inset_x) + 1, width)
    top, bottom = max(round(box[1] + inset_y), 0), min(round(box[3] - inset_y) + 1, height)
    across, along = min(BLOCKS[0], (right - left) // SIDE), min(BLOCKS[1], (bottom - top) // SIDE)
    if across < 1 or along < 1:
        return None
    step_x, step_y = (right - left) // across, (bottom - top) // along
    cut = light[top : top + along * step_y, left : left + across * step_x]
    cells = cut.reshape(along, step_y, across, step_x, 3)[:, :SIDE, :, :SIDE]
    return np.ascontiguousarray(cells.transpose(0, 2, 1, 3, 4)).reshape(-1, SIDE, SIDE, 3)


def _own_noise(spread: Array) -> Array:
    """Variance that each channel has for itself, from the covariance of three; never below a millionth of all."""
    own = np.diag(spread).copy()
    rg, rb, gb = spread[0, 1], spread[0, 2], spread[1, 2]
    least = 0.02 * np.sqrt(own.prod() ** (2 / 3))
    if (
        min(rg, rb, gb) > least
    ):  # else the channels share too little to tell it, and all that they have is noise
        own -= np.array([rg * rb / gb, rg * gb / rb, rb * gb / rg])
    return np.asarray(np.maximum(own, 1e-6 * np.trace(spread)), np.float64)


def _warmth(values: Triple) -> str:
    """Warm where blue is held back more than red, cold where less."""
    more = values[2] - values[0]
    return "neutral" if abs(more) < SEEN else "warm" if more > 0 else "cold"


def _triple(values: Array) -> Triple:
    red, green, blue = values.tolist()
    return red, green, blue
