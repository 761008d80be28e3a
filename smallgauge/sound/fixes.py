"""Sound with a clock of its own, laid to film position from fixes: what is known between them, and how well.

solve_fixes   fixes, what the transport may do -> FixedMap: second of the sound at any film position, with error

A fix says: what belongs to this film position is heard at this second of the captured sound. Between fixes the
sound runs at a speed that is nearly constant and wanders. How it may wander is stated as two Ornstein-Uhlenbeck
processes of the speed, a faster and a slower one; the second at which a film position is heard is then a
Gaussian process, and its mean and spread given the fixes are plain linear algebra [RasmussenWilliams2006]. The
spread is the error band: small at a fix, wide between distant fixes and beyond the last one. Where the fixes
scatter more than the statement allows, the band is widened by as much.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.errors import CallerError
from smallgauge.sound.curves import Floats

OFFSET_SIGMA_S = 100.0  # of the start, about the median of the fixes: as good as not known
# A stated band is this many standard errors to either side: so that the error stays inside it all along a run. Two
# hold 95 % of the places but only 7 runs of 10 whole, three hold 97 runs of 100 (tests/sound/test_separate.py).
BAND_SIGMAS = 3.0


class Fix(NamedTuple):
    """What belongs to a film position is heard at a second of the captured sound."""

    film_position: float  # frames of the picture, a real number
    sound_s: float
    sigma_s: float  # standard error, above 0
    shared: bool = False  # errs together with all other shared fixes (the separation's tolerance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """How the speed of a run may differ from the nominal one, as shares of it; rms. common practice, no source."""

    mean: float  # of the mean speed of the whole run
    fast: float  # wander with a time constant of `fast_s`
    fast_s: float
    slow: float
    slow_s: float


# A film transport at the speed of recording: governed or synchronous motor, sprocket or capstan.
FILM_RUN = Transport(mean=0.015, fast=0.0008, fast_s=30.0, slow=0.002, slow_s=600.0)
# A domestic tape recorder beside a projector: both wander, batteries and the growing reel add a sag.
TAPE_RUN = Transport(mean=0.03, fast=0.004, fast_s=60.0, slow=0.01, slow_s=900.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedMap:
    """Second of the captured sound against film position, as fixes show it.

    `left_out_s` (n,) is how far each fix lies from the place that all others give it, seconds, and
    `left_out_sigma_s` its standard error; NaN where a fix stands alone in its piece. `scale` is by how much the
    stated wander had to be widened, 1 where it held. `breaks` are film positions at which the sound may jump.
    """

    fixes: tuple[Fix, ...]
    breaks: tuple[float, ...]
    rate: float  # nominal frames a second of the run
    left_out_s: Floats
    left_out_sigma_s: Floats
    scale: float
    _model: "_Model"
    _weights: Floats
    _half: Floats  # inverse of the lower triangle of the fixes' covariance
    _base: Floats  # of each piece, s

    def at(self, film_position: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Second of the sound, seconds a frame, and standard error (s) at film positions, each (m,).

        Examples
        --------
        >>> fixed = solve_fixes([Fix(0.0, 5.0, 0.01), Fix(1800.0, 105.1, 0.01)], rate=18.0, transport=FILM_RUN)
        >>> second, pace, sigma = fixed.at([0.0, 900.0])
        >>> second.round(2).tolist(), round(float(pace[1] * 18), 4), bool(sigma[1] > sigma[0])
        ([5.0, 55.05], 1.001, True)
        """
        n = np.atleast_1d(np.asarray(film_position, dtype=np.float64))
        u = n / self.rate
        piece = np.searchsorted(self.breaks, n, side="right")
        cross, slope, own = self._model.against(u, piece)
        second = u + self._base[piece] + cross @ self._weights
        pace = (1.0 + slope @ self._weights) / self.rate
        spread = own - np.sum((cross @ self._half.T) ** 2, axis=1)
        return second, pace, np.sqrt(np.maximum(spread, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Model:
    """Covariances of the sound's second, between film times of fixes and any others."""

    u: Floats  # film times of the fixes, nominal seconds
    piece: NDArray[np.intp]
    origin: float
    transport: Transport
    scale: float
    start_known_s: float

    def against(self, u: Floats, piece: NDArray[np.intp]) -> tuple[Floats, Floats, Floats]:
        """Covariance with the fixes (m, n), its derivative over u, and the variance (m,)."""
        cross, slope = self._covariance(u[:, None], self.u[None, :])
        cross = cross + np.where(piece[:, None] == self.piece[None, :], self.start_known_s**2, 0.0)
        own = self._covariance(u, u)[0] + self.start_known_s**2
        return cross, slope, own

    def _covariance(self, a: Floats, b: Floats) -> tuple[Floats, Floats]:
        a, b = a - self.origin, b - self.origin
        total = self.transport.mean**2 * a * b
        slope = self.transport.mean**2 * b + 0.0 * a
        for sigma, tau in (
            (self.transport.fast, self.transport.fast_s),
            (self.transport.slow, self.transport.slow_s),
        ):
            power = (self.scale * sigma * tau) ** 2
            low, apart = np.minimum(np.abs(a), np.abs(b)), np.exp(-np.abs(a - b) / tau)
            at_a, at_b = np.exp(-np.abs(a) / tau), np.exp(-np.abs(b) / tau)
            total = total + power * (2.0 * low / tau - 1.0 + at_a + at_b - apart)
            slope = slope + power / tau * (np.where(a < b, 2.0 - apart, apart) - at_a)
        return total, slope


def solve_fixes(
    fixes: "list[Fix] | tuple[Fix, ...]",
    *,
    rate: float,
    transport: Transport,
    breaks: tuple[float, ...] = (),
    shared_sigma_s: float = 0.0,
    spare_strays: bool = True,
) -> FixedMap:
    """Lay sound with a clock of its own to film position.

    Parameters
    ----------
    fixes : sequence of Fix
        One or more.
    rate : float
        Nominal frames a second of the run: one second of sound lies beside so many frames.
    transport : Transport
        How far its speed may stray from that.
    breaks : tuple of float
        Film positions at which the recorder stopped or the tape was joined: the sound may jump there, and
        nowhere else.
    shared_sigma_s : float
        Standard error that all shared fixes have in common, seconds.
    spare_strays : bool
        False: fixes that lie further than five standard errors from where all others put them are left out,
        one after the other; for fixes made by the program in great number.

    Returns
    -------
    FixedMap

    Raises
    ------
    CallerError
        No fix, a number that is not finite, or a standard error or rate that is not above 0.

    Notes
    -----
    Source: RasmussenWilliams2006 (equations 2.25, 2.26; left out: 5.10 to 5.12); covariance of the integrated
    Ornstein-Uhlenbeck process derived.

    Examples
    --------
    >>> fixed = solve_fixes([Fix(0.0, 5.0, 0.01)], rate=18.0, transport=FILM_RUN)
    >>> second, _, sigma = fixed.at([1800.0])
    >>> float(second[0].round(6)), bool(1.4 < sigma[0] < 1.6)
    (105.0, True)
    """
    held = sorted(fixes, key=lambda fix: fix.film_position)
    numbers = np.array([fix[:3] for fix in held], dtype=np.float64)
    if not held or not np.isfinite(numbers).all() or rate <= 0 or numbers[:, 2].min() <= 0:
        raise CallerError(
            f"Sound with a clock of its own needs at least one fix of finite numbers, and a rate and errors above 0; found "
            f"{len(held)} fixes and a rate of {rate:g}: mark one thing that is seen and heard."
        )
    scale = 1.0
    solved = _solved(held, rate, transport, breaks, shared_sigma_s, scale)
    while not spare_strays and len(held) > 4:
        far = np.abs(np.nan_to_num(solved.left_out_s / solved.left_out_sigma_s))
        if far.max() <= 5.0:
            break
        # the worst of each stretch of its neighbours, so that one stray does not take others with it
        padded = np.pad(far, 3)
        worst = far >= np.lib.stride_tricks.sliding_window_view(padded, 7).max(axis=1)
        held = [fix for fix, gone in zip(held, worst & (far > 5.0), strict=True) if not gone]
        solved = _solved(held, rate, transport, breaks, shared_sigma_s, scale)
    for _ in range(3):
        z = solved.left_out_s / solved.left_out_sigma_s
        z = z[np.isfinite(z)]
        if z.size < 3 or float(np.mean(z**2)) <= 1.0:
            break
        scale *= min(float(np.sqrt(np.mean(z**2))), 10.0)
        solved = _solved(held, rate, transport, breaks, shared_sigma_s, scale)
    return solved


def _solved(
    held: list[Fix],
    rate: float,
    transport: Transport,
    breaks: tuple[float, ...],
    shared_sigma_s: float,
    scale: float,
) -> FixedMap:
    from scipy.linalg import solve_triangular

    n = np.array([fix.film_position for fix in held])
    u, second = n / rate, np.array([fix.sound_s for fix in held])
    sigma = np.array([fix.sigma_s for fix in held])
    shared = np.array([fix.shared for fix in held], dtype=np.float64)
    piece = np.searchsorted(breaks, n, side="right")
    base = np.full(len(breaks) + 1, float(np.median(second - u)))
    for number in np.unique(piece):
        base[number] = float(np.median((second - u)[piece == number]))
    model = _Model(
        u=u,
        piece=piece,
        origin=min(0.0, float(u.min())),
        transport=transport,
        scale=scale,
        start_known_s=OFFSET_SIGMA_S,
    )
    cover = model.against(u, piece)[0]
    cover += np.diag(sigma**2) + shared_sigma_s**2 * np.outer(shared, shared)
    half = solve_triangular(np.linalg.cholesky(cover), np.eye(len(n)), lower=True)
    weights = half.T @ (half @ (second - u - base[piece]))
    own = np.sum(half**2, axis=0)
    alone = np.array([np.count_nonzero(piece == number) < 2 for number in piece])
    return FixedMap(
        fixes=tuple(held),
        breaks=tuple(breaks),
        rate=rate,
        left_out_s=np.where(alone, np.nan, weights / own),
        left_out_sigma_s=np.where(alone, np.nan, 1.0 / np.sqrt(own)),
        scale=scale,
        _model=model,
        _weights=weights,
        _half=half,
        _base=base,
    )
