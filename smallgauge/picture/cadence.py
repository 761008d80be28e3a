"""Camera speed and which finished frame a copy shows when.

propose_camera_speed  gauge, hum on the film, house value -> CameraSpeedDecision   (treat)
solve_even_repeat     frames, film rate, copy's rate      -> shown frame -> frame  (render, plan)
solve_scene_repeat    runs of frames and their rates      -> the same, speeds by scene
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, isfinite
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.facts import RunningRate
from smallgauge.gauge.gauges import Gauge
from smallgauge.gauge.mains import GRID_SHARE, LOCKED_TO_TELEVISION, MAINS_HZ, HouseSpeed
from smallgauge.gauge.rates import even_repeat, shown_count

# A measured speed this close to a usual one is taken for it: the grid's wander and a camera that keeps its
# speed well; 24 and 25, or 16 and 50/3, lie 4 % apart. common practice, no source.
CLOSE = 0.015
SLOWEST, FASTEST = (
    8.0,
    30.0,
)  # frames a second that a camera with sound may have run at; common practice, no source
TELEVISION = (
    LOCKED_TO_TELEVISION,
    Fraction(25),
)  # kept to by cameras and projectors of 50 Hz countries alone

Basis = Literal["hum", "house value"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSpeedDecision:
    """Frames a second at which the camera ran, exact, and what that rests on."""

    rate: Fraction
    basis: Basis


@dataclass(frozen=True, slots=True, kw_only=True)
class _Match:
    """One way to read the hum: its mains frequency, the speed it gives, and the usual speed beside it."""

    mains_hz: int
    measured: float
    usual: Fraction | None
    likely: bool


def propose_camera_speed(
    *,
    gauge: Gauge,
    house: HouseSpeed,
    hum_cycles_a_frame: float = float("nan"),
    hum_sigma: float = float("nan"),
    mains_hz: int | None = None,
) -> tuple[CameraSpeedDecision, str]:
    """The camera's speed by the evidence there is, or the shop's own value with the words that say so.

    Hum that was recorded with the sound gives the speed: mains frequency over cycles a frame. Hum alone never
    tells 50 from 60 Hz: the mains frequency is that of the country where it is stated, otherwise that which
    gives a speed at which cameras of this gauge ran; where both do, and neither is likelier, hum decides
    nothing. The operator's word stands above all of this and is no proposal.

    Parameters
    ----------
    gauge : Gauge
        Its running rates are the usual speeds; slow motion is left out.
    house : HouseSpeed
        What the shop takes without evidence.
    hum_cycles_a_frame, hum_sigma : float
        Hum of the film, cycles a frame, and its standard error as a share; NaN where none was found.
    mains_hz : int, optional
        50 or 60, where the country is known in which the sound was recorded.

    Returns
    -------
    (CameraSpeedDecision, str)
        The evidence in words; the speed stays a human decision.

    Raises
    ------
    CallerError
        A mains frequency that is neither 50 nor 60.

    Notes
    -----
    Source: grid frequency, and the gauge's running rates, each with its own source.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> from smallgauge.gauge.mains import HOUSE_SPEEDS, house_speed
    >>> house = house_speed(HOUSE_SPEEDS, "super-8", with_sound=True)
    >>> decision, why = propose_camera_speed(gauge=SUPER_8, house=house, hum_cycles_a_frame=2.5, hum_sigma=1e-4)
    >>> str(decision.rate), decision.basis
    ('24', 'hum')
    >>> propose_camera_speed(gauge=SUPER_8, house=house)[1][:26]
    'house value, no evidence: '
    """
    if mains_hz is not None and mains_hz not in MAINS_HZ:
        raise CallerError(f"The mains must be 50 or 60 Hz, found {mains_hz}.")
    usual = ", ".join(f"{each.rate} ({each.where})" for each in _running(gauge))
    rest = f"cameras of this gauge ran at {usual}; look at people walking, and decide"
    origin = "the shop's own value" if house.source == "shop.toml" else f"as shipped, {house.source}"
    from_house = CameraSpeedDecision(rate=house.rate, basis="house value")
    if not isfinite(hum_cycles_a_frame):
        return from_house, f"house value, no evidence: {house.rate} for this kind of film ({origin}); {rest}"
    ways = [_match(gauge, mains, mains / hum_cycles_a_frame) for mains in MAINS_HZ]
    chosen = _chosen([way for way in ways if mains_hz in (None, way.mains_hz)], sure=mains_hz is not None)
    seen = f"hum recorded with the sound, {hum_cycles_a_frame:.4f} cycles a frame"
    share = GRID_SHARE + 2.0 * (hum_sigma if isfinite(hum_sigma) else 0.0)
    if chosen is None:
        both = " or ".join(_reading(way, share) for way in ways)
        return from_house, (
            f"house value: {house.rate} for this kind of film ({origin}); {seen}, does not decide it: {both}; "
            f"state mains_hz if the country is known; {rest}"
        )
    rate = chosen.usual if chosen.usual is not None else Fraction(round(chosen.measured * 10), 10)
    words = [f"{seen}: {_reading(chosen, share)}"]
    if mains_hz is not None:
        words.append("mains frequency stated")
    else:
        other = next(way for way in ways if way.mains_hz != chosen.mains_hz)
        words.append(
            f"not {_reading(other, share)}; hum alone does not tell 50 from 60 Hz, the usual speeds do"
        )
    if chosen.usual is None:
        words.append("taken to a tenth of a frame")
    return CameraSpeedDecision(rate=rate, basis="hum"), "; ".join(words)


def _running(gauge: Gauge) -> tuple[RunningRate, ...]:
    return tuple(each for each in gauge.running_rates if each.rank != "slow motion")


def _match(gauge: Gauge, mains_hz: int, measured: float) -> _Match:
    """The usual speed nearest to a measured one; the likelier one counts where a rate has two ranks."""
    likely = {each.rate: each.rank in ("usual", "second", "other") for each in reversed(_running(gauge))}
    rates = {LOCKED_TO_TELEVISION: False} | likely
    near = [
        rate
        for rate in rates
        if abs(measured / float(rate) - 1.0) < CLOSE and (mains_hz == 50 or rate not in TELEVISION)
    ]
    usual = min(near, key=lambda rate: abs(measured / float(rate) - 1.0), default=None)
    return _Match(
        mains_hz=mains_hz, measured=measured, usual=usual, likely=usual is not None and rates[usual]
    )


def _chosen(ways: list[_Match], *, sure: bool) -> _Match | None:
    """The one way to read the hum that stands out, None where none does."""
    for group in ([way for way in ways if way.likely], [way for way in ways if way.usual is not None]):
        if len(group) == 1:
            return group[0]
        if group:
            return None
    way = ways[0]
    return way if sure and SLOWEST <= way.measured <= FASTEST else None


def _reading(way: _Match, share: float) -> str:
    """One way to read the hum, in words."""
    what = "no usual speed of this gauge" if way.usual is None else f"usual speed {way.usual}"
    return (
        f"{way.measured:.2f} frames a second at {way.mains_hz} Hz, give or take {100 * share:.2f} % "
        f"of which 0.2 % are the grid's own ({what})"
    )


def solve_even_repeat(frames: int, *, film_rate: Fraction, copy_rate: Fraction) -> NDArray[np.int32]:
    """Which finished frame each frame of a copy shows: repeats spread evenly, exact arithmetic.

    Parameters
    ----------
    frames : int
        Number of finished frames, 0 or more.
    film_rate, copy_rate : Fraction
        Frames a second.

    Returns
    -------
    array of int32, shape (shown frames,)
        Entry j is floor(j p / q), p/q = film rate / copy rate in lowest terms.

    Raises
    ------
    CallerError
        If a rate is not positive.

    Notes
    -----
    Repeat counts differ by at most one (Bresenham, IBM Systems Journal 4, 25, 1965, from memory).

    Examples
    --------
    >>> solve_even_repeat(3, film_rate=Fraction(18), copy_rate=Fraction(24)).tolist()
    [0, 0, 1, 2]
    """
    if film_rate <= 0 or copy_rate <= 0:
        raise CallerError(f"solve_even_repeat needs positive rates, got {film_rate} and {copy_rate}.")
    step = even_repeat(film_rate, copy_rate)
    shown = shown_count(frames, step)
    index = np.arange(shown, dtype=np.int64) * step.numerator // step.denominator
    return index.astype(np.int32)


def solve_scene_repeat(runs: Sequence[tuple[int, Fraction]], *, copy_rate: Fraction) -> NDArray[np.int32]:
    """Which finished frame each frame of a copy shows where the camera's speed changes from scene to scene.

    Parameters
    ----------
    runs : sequence of (int, Fraction)
        Frames of each scene in film order, and the frames a second at which they are to be seen.
    copy_rate : Fraction
        Frames a second of the copy.

    Returns
    -------
    array of int32, shape (shown frames,)
        Entry j is the frame on show at the moment j / copy_rate; no frame is off by more than one shown frame.

    Raises
    ------
    CallerError
        If a rate is not positive, or a scene runs faster than the copy: frames would be left out.

    Notes
    -----
    Exact arithmetic all through, so that no scene drifts against the next. Source: definition.

    Examples
    --------
    >>> solve_scene_repeat([(2, Fraction(12)), (3, Fraction(24))], copy_rate=Fraction(24)).tolist()
    [0, 0, 1, 1, 2, 3, 4]
    """
    if copy_rate <= 0 or any(rate <= 0 for _, rate in runs):
        raise CallerError(
            f"solve_scene_repeat needs positive rates, got {copy_rate} and {[str(r) for _, r in runs]}."
        )
    fastest = max((rate for _, rate in runs), default=copy_rate)
    if fastest > copy_rate:
        raise CallerError(
            f"A copy of {copy_rate} frames a second can't show every frame of a scene of {fastest}; choose a slower speed "
            "for the scene or a faster copy."
        )
    shown: list[int] = []
    first, begin = 0, Fraction(0)
    for count, rate in runs:
        end = begin + count / rate
        shown += [
            first + int((j / copy_rate - begin) * rate)
            for j in range(ceil(begin * copy_rate), ceil(end * copy_rate))
        ]
        first, begin = first + count, end
    return np.array(shown, np.int32)
