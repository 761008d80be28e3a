"""Interpolators beside each other: where they put detail, what they do to edges and to grain, what they cost.

Run `python -m benchmarks.resample`. It repeats the design of the taps in `picture/resample.py`, compares
the result with the constants there, and prints one table, all of it measured in this run:

shift  displacement of the result against the ideal, least squares, worst of seven fractions, in px
rms    root mean square error, worst of the fractions, in % of full scale
       (both for sums of sixty random sinusoids below the frequency in the heading, cycles a pixel)
over   overshoot beside an edge blurred by a Gaussian of 1.0 and of 0.5 px, worst of the fractions, in %
noise  gain of white noise along one axis, least to greatest over the fractions
grain  the same for noise blurred by 0.6 px, as grain is by a lens
ms     processor time of one frame of 2048 x 1536 x 3, 16 bits to single precision or 16 bits
"""

import resource
from collections.abc import Callable

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from smallgauge.picture.resample import REACH, Move, apply_move, interpolation_weights

Shift = Callable[[NDArray[np.float64], float, float], NDArray[np.floating]]
FRACTIONS = (0.0131, 0.118, 0.25, 0.382, 0.5, 0.731, 0.9837)
BANDS = (0.1, 0.25, 0.35, 0.45)


def design_taps(
    taps: int,
    *,
    degree: int = 6,
    band: float = 0.36,
    beyond: float = 2e-5,
    fall: float = 0.1,
    moments: int = 3,
) -> NDArray[np.float64]:
    """Weights of `taps` taps as polynomials in (fraction - 1/2), shape (taps, degree + 1).

    Least squares over fraction and frequency of the response against a delay of `fraction`: full weight,
    falling as 1 / (1 + (f / fall)^2), up to `band`; weight `beyond` above it, against a half-cosine fall to
    nothing at half a cycle. Exact: sum of weights, `moments` moments, value and slope from pixel to pixel.
    """
    tap = np.arange(taps) - (taps // 2 - 1)
    frequency = np.linspace(0, 0.5, 201)
    target = np.where(
        frequency <= band, 1.0, 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency - band) / (0.5 - band), 0, 1))
    )
    weight = np.where(frequency <= band, 1 / (1 + (frequency / fall) ** 2), beyond) / len(frequency)
    nodes, shares = legendre.leggauss(16)
    size = taps * (degree + 1)
    normal, right = np.zeros((size, size)), np.zeros(size)
    for node, share in zip(nodes, shares, strict=True):
        angle = 2 * np.pi * frequency[:, None] * (tap - (node + 1) / 2)
        cosine, sine = np.cos(angle), np.sin(angle)
        powers = legendre.legvander(np.array([node]), degree)[0]
        quadratic = (cosine.T * weight) @ cosine + (sine.T * weight) @ sine
        normal += share / 2 * np.kron(quadratic, np.outer(powers, powers))
        right += share / 2 * np.kron((cosine.T * weight) @ target, powers)
    rows, values = _constraints(tap, degree=degree, moments=moments)
    left, singular, across = np.linalg.svd(rows, full_matrices=True)
    rank = int((singular > 1e-10 * singular[0]).sum())
    fixed = across[:rank].T @ ((left.T @ values)[:rank] / singular[:rank])
    free = across[rank:].T
    chosen = np.linalg.lstsq(free.T @ normal @ free, free.T @ (right - normal @ fixed), rcond=1e-13)[0]
    series = (fixed + free @ chosen).reshape(taps, degree + 1)
    polynomials = np.array([legendre.leg2poly(line) for line in series]) * 2.0 ** np.arange(degree + 1)
    return (polynomials + polynomials[::-1] * (-1.0) ** np.arange(degree + 1)) / 2


def _constraints(
    tap: NDArray[np.int64], *, degree: int, moments: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the Legendre series of the taps must obey exactly, as rows and right sides."""
    rows, values = [], []
    for fraction in np.linspace(0, 1, degree + 1 + moments):
        powers = legendre.legvander(np.array([2 * fraction - 1]), degree)[0]
        for moment in range(moments + 1):
            rows.append(np.kron((tap - fraction) ** float(moment), powers))
            values.append(float(moment == 0))
    unit = np.eye(degree + 1)
    for derivative in (0, 1):
        ends = [
            np.array([legendre.legval(end, legendre.legder(line, derivative)) for line in unit])
            for end in (-1.0, 1.0)
        ]
        for index in range(len(tap) + 1):
            row = np.zeros((len(tap), degree + 1))
            if index < len(tap):
                row[index] += ends[1]
            if index > 0:
                row[index - 1] -= ends[0]
            rows.append(row.ravel())
            values.append(0.0)
    return np.array(rows), np.array(values)


def shift_by_taps(weights_of: Callable[[float], NDArray[np.float64]]) -> Shift:
    """A separable displacement with these weights, in double precision, wrapped round at the borders."""

    def shift(plane: NDArray[np.float64], x: float, y: float) -> NDArray[np.float64]:
        for axis, fraction in ((1, x), (0, y)):
            weights = weights_of(fraction)
            before = len(weights) // 2 - 1
            plane = sum(w * np.roll(plane, before - k, axis) for k, w in enumerate(weights))
        return plane

    return shift


def lanczos_weights(fraction: float) -> NDArray[np.float64]:
    """Eight taps of the Lanczos window, normalised."""
    place = np.arange(-3, 5) - fraction
    weights = np.sinc(place) * np.sinc(place / 4)
    return np.asarray(weights / weights.sum())


def cubic_weights(fraction: float) -> NDArray[np.float64]:
    """Four taps, Catmull-Rom."""
    t = fraction
    return 0.5 * np.array(
        [-t + 2 * t**2 - t**3, 2 - 5 * t**2 + 3 * t**3, t + 4 * t**2 - 3 * t**3, -(t**2) + t**3]
    )


def designed_weights(polynomials: NDArray[np.float64]) -> Callable[[float], NDArray[np.float64]]:
    """Weights of a design at a fraction."""
    return lambda fraction: polynomials @ (fraction - 0.5) ** np.arange(polynomials.shape[1])


def shift_by_cv2(kind: int) -> Shift:
    """OpenCV's warp, on single precision."""
    import cv2

    def shift(plane: NDArray[np.float64], x: float, y: float) -> NDArray[np.floating]:
        matrix = np.array([[1, 0, x], [0, 1, y]], np.float64)
        size = plane.shape[::-1]
        return cv2.warpAffine(plane.astype(np.float32), matrix, size, flags=kind | cv2.WARP_INVERSE_MAP)

    return shift


def shift_by_spline(order: int) -> Shift:
    """SciPy's B-spline with its recursive prefilter."""
    from scipy import ndimage

    return lambda plane, x, y: ndimage.shift(plane, (-y, -x), order=order, mode="grid-wrap")


def shift_by_apply_move(plane: NDArray[np.float64], x: float, y: float) -> NDArray[np.floating]:
    """The program's own reference, in single precision."""
    return apply_move(plane, move=Move(c=x, f=y), width=plane.shape[1], height=plane.shape[0])


def measure_waves(shift: Shift, *, highest: float) -> tuple[float, float]:
    """Worst displacement (px) and worst RMS error (% of full scale) over the fractions."""
    random = np.random.default_rng(11)
    frequency, direction = highest * np.sqrt(random.random(60)), random.random(60) * 2 * np.pi
    fx, fy, phase = (
        frequency * np.cos(direction),
        frequency * np.sin(direction),
        random.random(60) * 2 * np.pi,
    )
    grid_y, grid_x = np.mgrid[0:256, 0:256].astype(float)
    worst_shift, worst_rms = 0.0, 0.0

    def picture(x: float, y: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        total, slopes = np.zeros((256, 256)), np.zeros((2, 256, 256))
        for u, v, p in zip(fx, fy, phase, strict=True):
            angle = 2 * np.pi * (u * (grid_x + x) + v * (grid_y + y)) + p
            total += np.cos(angle)
            slopes -= 2 * np.pi * np.array([u, v])[:, None, None] * np.sin(angle)
        scale = 0.45 / (6 * np.sqrt(30))
        return 0.5 + scale * total, scale * slopes

    plane = picture(0.0, 0.0)[0]
    for x, y in zip(FRACTIONS, FRACTIONS[::-1], strict=True):
        ideal, slopes = picture(x, y)
        difference = (shift(plane, x, y) - ideal)[16:-16, 16:-16].ravel()
        basis = slopes[:, 16:-16, 16:-16].reshape(2, -1).T
        found = np.linalg.lstsq(basis, difference, rcond=None)[0]
        worst_shift = max(worst_shift, float(np.abs(found).max()))
        worst_rms = max(worst_rms, float(np.sqrt((difference**2).mean())) * 100)
    return worst_shift, worst_rms


def measure_overshoot(shift: Shift, *, blur: float) -> float:
    """Worst overshoot over the fractions, % of the edge's height."""
    from scipy.special import erf

    x = np.arange(128.0)
    worst = 0.0
    for place in np.arange(16) / 16:
        edge = np.tile(0.5 + 0.5 * erf((x - 64 - place) / (blur * np.sqrt(2))), (32, 1))
        for fraction in FRACTIONS:
            line = shift(edge, fraction, 0.0)[16, 24:-24]
            worst = max(worst, float(line.max() - 1), float(-line.min()))
    return worst * 100


def measure_gain(shift: Shift, *, blur: float) -> tuple[float, float]:
    """Least and greatest gain of noise along one axis over the fractions, for noise blurred by `blur` px."""
    frequency = np.fft.rfftfreq(128)
    power = np.exp(-4 * np.pi**2 * frequency**2 * blur**2)
    weight = power * np.where((frequency == 0) | (frequency == 0.5), 1.0, 2.0)
    point = np.zeros((128, 128))
    point[:, 64] = 1.0
    gains = []
    for fraction in np.linspace(0.004, 0.996, 33):
        response = np.abs(np.fft.rfft(shift(point, float(fraction), 0.0)[64].astype(float))) ** 2
        gains.append(float(np.sqrt((response * weight).sum() / weight.sum())))
    return min(gains), max(gains)


def processor_ms(work: Callable[[], object], *, repeats: int = 3) -> float:
    """Least processor time of a few runs, after one to warm up."""
    work()
    times = []
    for _ in range(repeats):
        before = resource.getrusage(resource.RUSAGE_SELF)
        work()
        after = resource.getrusage(resource.RUSAGE_SELF)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times) * 1000


def measure_cost() -> dict[str, float]:
    """Processor time of a frame, for what can be called on a whole frame."""
    import cv2
    from scipy import ndimage

    from smallgauge.picture.kernels import finish_frame

    cv2.setNumThreads(1)
    random = np.random.default_rng(0)
    table = np.linspace(0, 1, 65536, dtype=np.float32)
    matrix = np.array([[1, 0, 0.3], [0, 1, 0.4]])
    costs = {}
    for width, height in ((1440, 1080), (2048, 1536)):
        frame = random.integers(0, 65536, (height, width, 3)).astype(np.uint16)
        size = f"{width}x{height}"
        for name, move in (
            ("displaced", Move(c=0.3, f=0.4)),
            ("turned", Move(b=0.003, c=0.3, d=-0.003, f=0.4)),
        ):
            for kind, samples, lights in (
                ("8-bit", (frame >> 8).astype(np.uint8), table[::257]),
                ("10-bit", frame >> 6, table[::64]),
                ("16-bit", frame, table),
                ("16-bit grey", np.ascontiguousarray(frame[:, :, 0]), table),
            ):
                out = np.empty((height, width, 3), np.uint16)
                costs[f"finish_frame, {name}, {size}, {kind}"] = processor_ms(
                    lambda samples=samples, lights=lights, move=move, out=out: finish_frame(
                        samples,
                        np.ascontiguousarray(lights),
                        move=move,
                        width=out.shape[1],
                        height=out.shape[0],
                        bits=12,
                        frame=1,
                        out=out,
                    )
                )
        for name, flags in (("cubic", cv2.INTER_CUBIC), ("Lanczos4", cv2.INTER_LANCZOS4)):
            costs[f"cv2 {name}, displacement only, {size}, 16-bit"] = processor_ms(
                lambda frame=frame, flags=flags, width=width, height=height: cv2.warpAffine(
                    frame, matrix, (width, height), flags=flags | cv2.WARP_INVERSE_MAP
                )
            )
        for order in (3, 5):
            costs[f"SciPy spline {order}, displacement only, {size}, one channel"] = processor_ms(
                lambda frame=frame, order=order: ndimage.shift(
                    frame[:, :, 0].astype(np.float32), (0.3, 0.4), order=order
                ),
                repeats=1,
            )
        copied = np.empty_like(frame)
        costs[f"copy, {size}, 16-bit"] = processor_ms(
            lambda frame=frame, copied=copied: np.copyto(copied, frame)
        )
    return costs


def main() -> None:
    """Measure everything and print it."""
    import cv2

    ours = design_taps(12)
    stored = np.array([interpolation_weights(fraction) for fraction in np.linspace(0, 1, 33)])
    again = np.array([designed_weights(ours)(fraction) for fraction in np.linspace(0, 1, 33)])
    print(
        f"design repeated: weights differ from the stored ones by {np.abs(stored - again).max():.1e} at most\n"
    )
    assert REACH == 5
    candidates: dict[str, Shift] = {
        "cv2 INTER_CUBIC": shift_by_cv2(cv2.INTER_CUBIC),
        "cv2 INTER_LANCZOS4": shift_by_cv2(cv2.INTER_LANCZOS4),
        "Catmull-Rom, 4 taps": shift_by_taps(cubic_weights),
        "Lanczos4, 8 taps, exact": shift_by_taps(lanczos_weights),
        "B-spline 3, prefiltered": shift_by_spline(3),
        "B-spline 5, prefiltered": shift_by_spline(5),
        "designed, 8 taps": shift_by_taps(designed_weights(design_taps(8))),
        "designed, 10 taps": shift_by_taps(designed_weights(design_taps(10))),
        "designed, 12 taps": shift_by_taps(designed_weights(ours)),
        "designed, 12, steady weight x5": shift_by_taps(designed_weights(design_taps(12, beyond=1e-4))),
        "designed, 12, no steady weight": shift_by_taps(designed_weights(design_taps(12, beyond=0.0))),
        "apply_move (stored, float32)": shift_by_apply_move,
    }
    heading = " | ".join(f"f<{band}: shift, rms" for band in BANDS)
    print(f"| interpolator | {heading} | over 1.0, 0.5 | noise | grain |")
    print("|---" * (len(BANDS) + 4) + "|")
    for name, shift in candidates.items():
        waves = " | ".join("{:.5f}, {:.4f}".format(*measure_waves(shift, highest=band)) for band in BANDS)
        over = ", ".join(f"{measure_overshoot(shift, blur=blur):.3f}" for blur in (1.0, 0.5))
        gains = " | ".join("{:.3f}..{:.3f}".format(*measure_gain(shift, blur=blur)) for blur in (0.0, 0.6))
        print(f"| {name} | {waves} | {over} | {gains} |")
    print("\n| one frame | ms |\n|---|---|")
    for name, cost in measure_cost().items():
        print(f"| {name} | {cost:.1f} |")


if __name__ == "__main__":
    main()
