"""The series of the display's encoding: coefficients of the least error, made anew, and what they lose.

    python -m benchmarks.series

`picture/kernels_display.py` holds what this prints. Least squares whose weights follow the errors come near the least
largest error; the coefficients are not the same to the last digit on every machine, the errors are.
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.kernels_display import EXP, LOG

TURNS = 600
EDGE = (np.sqrt(2.0) - 1.0) / (np.sqrt(2.0) + 1.0)  # the largest t of a mantissa from sqrt(1/2) to sqrt(2)


def fit(
    basis: NDArray[np.float64], wanted: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Coefficients whose largest weighted error is least, and that error."""
    shares = np.ones_like(wanted)
    best, least = np.zeros(basis.shape[1]), np.inf
    for _ in range(TURNS):
        by = weight * np.sqrt(shares)
        found = np.linalg.lstsq(basis * by[:, None], wanted * by, rcond=None)[0]
        off = np.abs(basis @ found - wanted) * weight
        if off.max() < least:
            best, least = found, float(off.max())
        shares *= off / off.max() + 1e-2
        shares /= shares.sum()
    return best, least


def main() -> None:
    """Print both series, their errors, and those of the coefficients in use."""
    t = EDGE * np.sin(np.linspace(1e-3, np.pi / 2, 4001))
    basis, wanted = (
        np.stack([t ** (2 * n) for n in range(len(LOG))], axis=1),
        2 / np.log(2) * np.arctanh(t) / t,
    )
    used = np.abs(basis @ np.array(LOG, np.float64) - wanted) * t
    print("log2:", *fit(basis, wanted, t), "in use:", used.max())
    x = 0.5 * np.cos(np.linspace(0, np.pi, 4001))
    x = x[np.abs(x) > 1e-4]
    basis, wanted = np.stack([x**n for n in range(len(EXP))], axis=1), np.expm1(x * np.log(2)) / x
    weight = np.abs(x) / 2**x
    used = np.abs(basis @ np.array(EXP, np.float64) - wanted) * weight
    print("2 ** x - 1:", *fit(basis, wanted, weight), "in use:", used.max())


if __name__ == "__main__":
    main()
