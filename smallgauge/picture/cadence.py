"""Camera speed and which finished frame a copy shows when.

propose_camera_speed  gauge's usual rates, stripe, operator's word -> CameraSpeedDecision   (treat)
solve_even_repeat     frames, film rate, copy's rate               -> shown frame -> frame  (render, plan)
"""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSpeedDecision:
    """Frames a second at which the camera ran, exact."""

    rate: Fraction


def propose_camera_speed(
    *, usual_rates: tuple[Fraction, ...], usual_source: str, with_sound: bool
) -> tuple[CameraSpeedDecision, str]:
    """The gauge's usual speed, with the words that say that it is a guess and from what.

    Parameters
    ----------
    usual_rates : tuple of Fraction
        The gauge's usual camera rates, the most usual first.
    usual_source : str
        Where that rank of rates comes from.
    with_sound : bool
        Whether the film carries recorded sound (evidence of a speed is not yet drawn from it).

    Returns
    -------
    (CameraSpeedDecision, str)
        The speed is a human decision; this is only where to begin.

    Raises
    ------
    CallerError
        If no rate is given.

    Notes
    -----
    Source: the gauge's running rates, each with its own source.

    Examples
    --------
    >>> propose_camera_speed(usual_rates=(Fraction(18), Fraction(24)), usual_source="ENC8", with_sound=False)[0].rate
    Fraction(18, 1)
    """
    if not usual_rates:
        raise CallerError(
            "propose_camera_speed needs at least one usual rate, got none. Pass the gauge's rates."
        )
    others = ", ".join(str(rate) for rate in usual_rates[1:])
    reason = (
        f"a guess: the most usual speed of this gauge ({usual_source}); "
        f"{f'{others} also occur; ' if others else ''}"
        f"{'the film has a sound track, which the wrong speed puts out of tune; ' if with_sound else ''}"
        "look at people walking, and decide"
    )
    return CameraSpeedDecision(rate=usual_rates[0]), reason


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
    step = film_rate / copy_rate
    shown = -((-frames * step.denominator) // step.numerator)
    index = np.arange(shown, dtype=np.int64) * step.numerator // step.denominator
    return index.astype(np.int32)
