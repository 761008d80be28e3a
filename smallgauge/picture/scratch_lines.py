"""The scratches of some frames in a row, from all of them together.

find_scratch_lines   sheets of frames in a row, steps between them  ->  ScratchLines            (analyse)

The differences of all frames are explained by lines that lie still on the film: the one that explains the most, then the next
beside it, all fitted anew each time. A line is believed where every part of the frame's height and every frame says the same depth,
where what is left there is as little as elsewhere, and where the picture shows about as much contrast there. A post that
moves by itself, or a movement that was misread, fails one of these. Where the scene hardly moved, nothing can be told.

Why this is long: what a line is, and everything that speaks against it, is one argument.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.scratches import BANDS, ScratchSheet, ScratchStep

# Deviations of a line's profile, px of a picture of 360 rows; the last ones are wider than a scratch and explain what is no line.
# 12 to 70 micrometres on 8 mm; common practice, no source
WIDTHS_AT_360 = (0.6, 0.95, 1.5, 2.3, 3.6, 5.5)
WIDEST = 4  # of these that a line may have
AGREEING = 32  # parts of a frame's height, of which a line's frames say how many agree
DEVIATIONS = 6.0  # of its doubt that a line's depth has; common practice, no source
MOST_LINES = 60  # of a few frames; common practice, no source
LEAST_STEPS = 7  # pairs of frames; fewer tell nothing; common practice, no source
ALIKE_BANDS = 0.93  # of the bands that do not say the contrary; common practice, no source
SEEN_BANDS = 0.55  # of the bands in which it is seen; common practice, no source
ALIKE_FRAMES = 0.7  # of what all frames say that agrees to one half; common practice, no source
MISFIT = 1.4  # of what is left elsewhere, times the share that is left; common practice, no source
CONTRARY, FAR_MORE = (
    0.3,
    3.6,
)  # contrast of the picture at the line, in its own depth; common practice, no source
BESIDE_AT_360 = 10.0  # px within which a fainter line is the edge of a stronger one ...
FAINTER = 0.4  # ... where it has less than this of its depth; common practice, no source
GONE = (0.25, 3.0)  # of its depth that the picture loses where a line stops; common practice, no source
DEEPER = 1.5  # of its depth that the scene's own line beside it has, whose edge it then is; common practice, no source
CORRECTED = 0.25  # of its depth by which a line's curve may be wrong; common practice, no source
WANDER_AT_360 = 0.3  # px that a line wanders in some frames; common practice, no source
WANDER_STEPS = 2.5  # over which that is smooth; common practice, no source
EDGE_AT_360 = 3.0  # px of the picture's sides in which no line is told; common practice, no source
SURE = 10.0  # of its doubt that a line's contrast has for it to be the scene's; common practice, no source
LISTED = 0.03  # contrast, of the lightness, from which a line that can't be told is listed; common practice, no source
POWER = 2.4  # lightness is light to the power of 1/2.4: ITU-R BT.1886

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScratchLine:
    """A line on some frames. Places are px of the frame's picture.

    `x` and `present` have a value a frame; `bands` says where along the frame's height it is seen. `width` is two deviations of its
    profile; `profile` has its depth px by px, as shares of `depth`, the middle one at `x`. `depth` is the logarithm of lightness
    at its middle, below 0 darker, `doubt` its deviation, `contrast` what the picture itself shows there, `lightness` (0 to 255)
    what is there. `colours` are per cent of the light behind (logarithmic; first to last colour of the sheet). `frames_alike`,
    `bands_alike`, `misfit`, `explained` say how well frames, bands and all differences agree with it. Of each frame, `agree` says
    how many of 32 parts of its height are lighter, or darker, there than on both sides, and `scene_px` how far the scene moved
    across the film since the frame before, NaN where there is none before it.
    """

    kind: str
    x: tuple[float, ...]
    present: tuple[bool, ...]
    bands: tuple[bool, ...]
    width: float
    depth: float
    doubt: float
    contrast: float
    lightness: float
    profile: tuple[float, ...]
    colours: tuple[float, float, float]
    frames_alike: float
    bands_alike: float
    misfit: float
    explained: float
    agree: tuple[int, ...] = ()
    scene_px: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Steps:
    """All steps of a window as arrays: (steps, bands, columns), `off` (steps, 2), `tint` (steps, 2, bands, columns)."""

    difference: Floats
    worth: Floats
    moved: Floats
    tint: Floats
    off: Doubles


@dataclass(frozen=True, slots=True, kw_only=True)
class _Atom:
    """One profile in the film's columns."""

    column: int
    width: int
    depth: float
    doubt: float


def find_scratch_lines(
    sheets: Sequence[ScratchSheet], steps: Sequence[ScratchStep | None]
) -> tuple[ScratchLine, ...]:
    """The lines of some frames in a row, from left to right; the scene's own and those that can't be told are among them.

    Parameters
    ----------
    sheets : sequence of ScratchSheet
        Of one size.
    steps : sequence of ScratchStep or None
        What each frame and the one before it differ by; None where there is none before it.

    Notes
    -----
    Source: a contrario lines for the question; lines sought one after the other in what the scene's movement leaves are our own.

    Examples
    --------
    >>> from smallgauge.picture.scratches import make_scratch_sheet, measure_scratch_step
    >>> random = np.random.default_rng(1)
    >>> view = 90 + 30 * np.sin(np.arange(200) / 5)[None, :] * np.cos(np.arange(96) / 7)[:, None]
    >>> pictures = [np.array(view[:, n : n + 128] + random.normal(0, 1, (96, 128)), np.float32) for n in range(0, 36, 3)]
    >>> for picture in pictures:
    ...     picture[:, 60:62] *= 1.2
    >>> sheets = [make_scratch_sheet(picture) for picture in pictures]
    >>> steps = [None, *(measure_scratch_step(*pair) for pair in zip(sheets, sheets[1:]))]
    >>> [(line.kind, abs(line.x[0] - 60.5) < 0.6, sum(line.bands)) for line in find_scratch_lines(sheets, steps)]
    [('scratch', True, 16)]
    """
    present = [step for step in steps if step is not None]
    picture = _Picture(sheets, [n for n, step in enumerate(steps) if step is not None])
    if len(present) < LEAST_STEPS:
        return tuple(_by_frame(line, picture, steps) for line in _untold(picture, [], None))
    stacked = _Steps(
        difference=np.stack([step.difference for step in present]),
        worth=np.stack([step.worth for step in present]),
        moved=np.stack([step.moved for step in present]),
        tint=np.stack([step.tint for step in present]),
        off=np.array([step.off for step in present], np.float64),
    )
    matrix, right = _equations(stacked)
    atoms, scale, rest = _pursued(
        matrix, right, [_profile(picture.sigma(k)) for k in range(len(WIDTHS_AT_360))]
    )
    taken = _lines(picture, stacked, atoms, lambda atom: _shape(picture, atom, atoms, matrix, rest))
    lines = [*taken, *_untold(picture, taken, np.diag(matrix) / scale**2)]
    return tuple(_by_frame(line, picture, steps) for line in sorted(lines, key=lambda line: line.x[0]))


class _Picture:
    """The window's frames: the logarithm of their lightness, band by band, at their place of the film."""

    def __init__(self, sheets: Sequence[ScratchSheet], told: Sequence[int]) -> None:
        first = sheets[0]
        self.told = np.array(told, np.int64)  # frames that have a step from the one before
        self.across = first.across
        rows, columns = first.strip.shape[:2]
        self.unit = rows * first.along / 360 / first.across  # strip columns a px at 360 rows
        self.off = np.array([sheet.off_px / sheet.across for sheet in sheets])
        self.columns = columns
        self.frames = len(sheets)
        grey = np.stack([sheet.strip.mean(axis=2) for sheet in sheets])
        bands = grey.reshape(len(sheets), BANDS, rows // BANDS, columns).mean(axis=2)
        self.log = np.log(np.maximum(bands, np.float32(8.0)))
        edges = np.linspace(0, rows, AGREEING + 1).round().astype(int)
        fine = np.add.reduceat(grey, edges[:-1], axis=1) / np.diff(edges)[:, None]
        self._fine = np.cumsum(np.pad(fine, ((0, 0), (0, 0), (1, 0))), axis=2, dtype=np.float64)

    def agreeing(self, column: NDArray[np.int64], size: int, depth: float) -> NDArray[np.int64]:
        """Of each frame, how many of 32 parts of its height are lighter, or darker, than on both sides of a column."""
        frame = np.arange(self.frames)

        def mean(first: NDArray[np.int64], wide: int) -> Doubles:
            begin = np.clip(first, 0, self.columns - wide)
            return np.asarray((self._fine[frame, :, begin + wide] - self._fine[frame, :, begin]) / wide)

        left, gap = column - size // 2, 1 + size // 2
        inner = mean(left, size)
        off = [inner - mean(at, size + 1) for at in (left - gap - size - 1, left + size + gap)]
        alike = np.minimum(*off) > 0 if depth > 0 else np.maximum(*off) < 0
        return np.asarray(alike.sum(axis=1), np.int64)

    def sigma(self, width: int) -> float:
        """Deviation of a profile, columns of the strip; no finer than the strip shows."""
        return float(max(0.75, WIDTHS_AT_360[width] * self.unit))

    def places(self, column: int, away: Doubles | float = 0.0) -> tuple[float, ...]:
        """Where a column of the film lies in each frame, px of the frame's picture; `away`: columns beside it, frame by frame."""
        return tuple(((column + away - self.off + 0.5) * self.across - 0.5).tolist())

    def lightness(self, column: int) -> float:
        """What is there on the mean, 0 to 255."""
        return float(np.exp(self.log[:, :, column]).mean())

    def shown(self) -> tuple[Doubles, int, int]:
        """How much lighter each column is than both sides in nearly all bands, else 0; of how many columns, how far from them."""
        mean = self.log.mean(axis=0)
        size = max(1, round(1.5 * self.unit))
        total = np.cumsum(np.pad(mean, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
        column = np.arange(self.columns)

        def part(first: NDArray[np.int64]) -> Doubles:
            begin = np.clip(first, 0, self.columns - size)
            return np.asarray((total[:, begin + size] - total[:, begin]) / size)

        middle, far = part(column - size // 2), size + 2
        sides = part(column - size // 2 - far), part(column - size // 2 + far)
        lighter, darker = middle - np.maximum(*sides), np.minimum(*sides) - middle
        shown = np.where((lighter > 0).mean(axis=0) >= ALIKE_BANDS, np.median(lighter, axis=0), 0.0)
        shown -= np.where((darker > 0).mean(axis=0) >= ALIKE_BANDS, np.median(darker, axis=0), 0.0)
        return shown, size, far

    def contrasts(self, column: int, sigma: float) -> Doubles:
        """How far each band of each frame is lighter there than on both sides, as a share: (frames, bands)."""
        reach = int(np.ceil(2.5 * sigma)) + 4
        at = np.clip(np.arange(column - reach, column + reach + 1), 0, self.columns - 1)
        away = np.arange(-reach, reach + 1)
        basis = np.stack([np.exp(-0.5 * (away / sigma) ** 2), np.ones(len(away)), away], axis=1)
        return np.asarray(np.einsum("k,fbk->fb", np.linalg.pinv(basis)[0], self.log[:, :, at]))


def _by_frame(line: ScratchLine, picture: _Picture, steps: Sequence[ScratchStep | None]) -> ScratchLine:
    """A line with what each frame says by itself."""
    columns = [round((x + 0.5) / picture.across - 0.5) for x in line.x]
    moved = [
        float("nan")
        if step is None
        else picture.across * (step.off[0] - step.off[1] - float(step.moved[:, column].mean()))
        for step, column in zip(steps, np.clip(columns, 0, picture.columns - 1).tolist(), strict=True)
    ]
    agree = picture.agreeing(np.array(columns), max(1, round(line.width / picture.across)), line.depth)
    return replace(line, agree=tuple(agree.tolist()), scene_px=tuple(moved))


def _profile(sigma: float) -> Doubles:
    reach = int(np.ceil(3.5 * sigma))
    return np.asarray(np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2))


def _equations(steps: _Steps) -> tuple[Doubles, Doubles]:
    from smallgauge.picture.kernels_scratches import gather

    columns = steps.difference.shape[2]
    matrix, right = np.zeros((columns, columns)), np.zeros(columns)
    for n in range(len(steps.off)):
        gather(
            steps.difference[n],
            steps.worth[n],
            steps.moved[n],
            steps.off[n, 0],
            steps.off[n, 1],
            matrix,
            right,
        )
    return matrix, right


def _pursued(matrix: Doubles, right: Doubles, profiles: list[Doubles]) -> tuple[list[_Atom], float, Doubles]:
    """Lines that explain the differences, the strongest first; how many doubts deep one is where there is none; what is left."""
    from smallgauge.picture.kernels_scratches import smoothed

    columns = len(right)
    wide = [np.empty_like(matrix) for _ in profiles]
    squares = np.empty((len(profiles), columns))
    for k, profile in enumerate(profiles):
        smoothed(matrix, profile, wide[k])
        padded = np.pad(wide[k], ((len(profile) // 2,) * 2, (0, 0)))
        squares[k] = sum(
            share * padded[n : n + columns].diagonal() for n, share in enumerate(profile.tolist())
        )
    seen = squares > 1e-3 * squares.max(initial=1e-9)
    root = np.sqrt(np.where(seen, squares, 1.0))
    chosen: list[tuple[int, int]] = []
    depth, doubt, left, scale = np.zeros(0), np.zeros(0), right, 1.0
    closed = ~seen
    while len(chosen) < MOST_LINES:
        strength = np.abs(np.stack([np.convolve(left, profile, "same") for profile in profiles])) / root
        if not chosen:
            scale = max(1.0, 1.4826 * float(np.median(strength[seen]))) if seen.any() else 1.0
        strength[closed] = 0
        k, x = (int(v) for v in np.unravel_index(int(np.argmax(strength)), strength.shape))
        if strength[k, x] < DEVIATIONS * scale:
            break
        chosen.append((k, x))
        closed[:, max(0, x - 1) : x + 2] = True
        lines = np.stack([_placed(profiles[k], x, columns) for k, x in chosen])
        products = np.stack([wide[k][:, x] for k, x in chosen])
        gram = np.einsum("ic,jc->ij", lines, products)
        gram = (gram + gram.T) / 2 + 1e-7 * np.trace(gram) / len(gram) * np.eye(len(gram))
        inverse = np.linalg.inv(gram)
        depth = np.einsum("ij,j->i", inverse, np.einsum("ic,c->i", lines, right))
        doubt = np.sqrt(np.maximum(np.diag(inverse), 0)) * scale
        left = right - np.einsum("i,ic->c", depth, products)
    atoms = [
        _Atom(column=x, width=k, depth=float(a), doubt=float(d)) for (k, x), a, d in zip(chosen, depth, doubt)
    ]
    return atoms, scale, left


def _placed(profile: Doubles, column: int, columns: int) -> Doubles:
    """A profile at a column of the film."""
    out = np.zeros(columns)
    reach = len(profile) // 2
    first, stop = max(0, column - reach), min(columns, column + reach + 1)
    out[first:stop] = profile[first - column + reach : stop - column + reach]
    return out


def _shape(
    picture: _Picture, atom: _Atom, atoms: Sequence[_Atom], matrix: Doubles, rest: Doubles
) -> tuple[float, ...]:
    """A line's depth px by px, as shares of its depth: its own curve, its edges', and what is left, as far as that is sure."""
    sigma = picture.sigma(atom.width)
    reach = int(np.ceil(2.5 * sigma)) + 2
    near = np.arange(max(0, atom.column - reach), min(picture.columns, atom.column + reach + 1))
    own = np.zeros(picture.columns)
    for each in atoms:
        if each is atom or (
            abs(each.column - atom.column) <= reach and abs(each.depth) < FAINTER * abs(atom.depth)
        ):
            own += each.depth * _placed(_profile(picture.sigma(each.width)), each.column, picture.columns)
    part = matrix[np.ix_(near, near)] + np.eye(len(near)) / (CORRECTED * atom.depth) ** 2
    own[near] += np.linalg.solve(part, rest[near])
    away = np.arange(-reach * picture.across, reach * picture.across + 1) / picture.across
    shares = np.interp(atom.column + away, np.arange(picture.columns), own) / atom.depth
    taper = np.clip((reach - np.abs(away)) / 2.0, 0, 1)
    return tuple((shares * taper).round(3).tolist())


def _lines(
    picture: _Picture, steps: _Steps, atoms: list[_Atom], shape_of: Callable[[_Atom], tuple[float, ...]]
) -> list[ScratchLine]:
    """The lines of all atoms that are believed."""
    from smallgauge.picture.kernels_scratches import explained, looks

    if not atoms:
        return []
    shapes = [_placed(_profile(picture.sigma(atom.width)), atom.column, picture.columns) for atom in atoms]
    whole = np.einsum("i,ic->c", np.array([atom.depth for atom in atoms]), np.stack(shapes))
    model, own = np.empty_like(steps.difference), np.empty_like(steps.difference)
    explained(steps.worth, steps.moved, steps.off, whole, model)
    left = steps.difference - model
    usual = float((steps.worth * left**2)[steps.worth > 0].mean())
    lines = []
    edge, shown = EDGE_AT_360 * picture.unit, picture.shown()[0]
    for atom, shape in zip(atoms, shapes):
        inside = edge <= atom.column < picture.columns - edge
        if atom.width >= WIDEST or not inside or _is_wing(picture, atom, atoms, shown):
            continue
        explained(steps.worth, steps.moved, steps.off, shape, own)
        told = np.zeros((len(steps.off), BANDS, 6))
        put_back = left + np.float32(atom.depth) * own
        looks(put_back, steps.worth, steps.moved, steps.off, steps.tint, shape, told)
        slope = np.gradient(shape)
        steepest = float(np.abs(slope).max())
        aside = np.zeros_like(told)
        looks(left, steps.worth, steps.moved, steps.off, steps.tint, slope / steepest, aside)
        by_step = aside.sum(axis=1)
        away = _wander(picture, by_step, atom.depth * steepest, usual)
        moved = -away[picture.told] * atom.depth * steepest
        wandered = 2 * moved * by_step[:, 0] - moved**2 * by_step[:, 1]  # what that explains
        line = _line(picture, atom, told, wandered, usual)
        if line is not None:
            lines.append(replace(line, x=picture.places(atom.column, away), profile=shape_of(atom)))
    return lines


def _wander(picture: _Picture, aside: Doubles, steepest: float, usual: float) -> Doubles:
    """How far beside its column a line lies on each frame, columns: from what its slope explains of what is left, smooth in time.

    `aside` (steps, 6): see `looks`, of the slope as a share of its steepest; `steepest`: that, lightness a column.
    """
    steps = np.arange(len(aside))
    near = np.exp(-0.5 * ((steps[:, None] - steps[None]) / WANDER_STEPS) ** 2)
    product, square = near @ aside[:, 0], near @ aside[:, 1]
    sure = square * steepest**2 / usual
    away = -(product * steepest / usual) / (sure + 1 / (WANDER_AT_360 * picture.unit) ** 2)
    return np.asarray(np.interp(np.arange(picture.frames), picture.told, away))


def _is_wing(picture: _Picture, atom: _Atom, atoms: Sequence[_Atom], shown: Doubles) -> bool:
    """Whether it is the edge of a stronger line, of the film or of the scene."""
    sigma = picture.sigma(atom.width)
    for far in atoms:
        away = abs(far.column - atom.column)
        share = abs(atom.depth) / abs(far.depth)
        if far is not atom and (
            (away < BESIDE_AT_360 * picture.unit and share < FAINTER)
            or (away < 1.5 * (sigma + picture.sigma(far.width)) and share < 1)
        ):
            return True
    far_off = np.abs(np.arange(picture.columns) - atom.column)
    beside = (far_off > 1.5 * sigma + 0.5) & (far_off < BESIDE_AT_360 / 2 * picture.unit + 2 * sigma)
    return bool((np.abs(shown[beside]) > DEEPER * abs(atom.depth)).any())


def _line(
    picture: _Picture, atom: _Atom, told: Doubles, wandered: Doubles, usual: float
) -> ScratchLine | None:
    """The line of an atom where bands and frames agree on it, else None.

    `told` (steps, bands, 6): see `looks`; `wandered` (steps): how much less is left once its slow wandering is known.
    """
    contrasts = picture.contrasts(atom.column, picture.sigma(atom.width))
    steps, bands = _seen_where(told, atom.depth)
    present = np.zeros(picture.frames, bool)
    at = picture.told[steps]
    present[at] = present[np.maximum(at - 1, 0)] = True
    if not present.all():
        seen = contrasts[:, bands].mean(axis=1)
        gone = float(seen[present].mean() - seen[~present].mean()) if present.any() else 0.0
        if not GONE[0] < gone / atom.depth < GONE[1]:  # what stops there would be gone from the picture too
            steps[:], present[:] = True, True
    if steps.sum() < LEAST_STEPS or bands.sum() < SEEN_BANDS * BANDS:
        return None
    here = told[steps][:, bands]
    product, square, first, last, after, count = (float(here[..., k].sum()) for k in range(6))
    depth = product / max(square, 1e-9)
    before, after = (
        after,
        after - depth * product - float(wandered[steps].sum()),
    )  # the least that the line itself can leave
    frames = here.sum(axis=1)
    own = frames[:, 0] / np.maximum(frames[:, 1], 1e-9) / depth
    alike = float((frames[:, 1] * (np.abs(own - 1) < 0.5)).sum() / max(square, 1e-9))
    by_band = here[..., 0].sum(axis=0) / np.maximum(here[..., 1].sum(axis=0), 1e-9) / depth
    bands_alike = float((by_band > CONTRARY).mean())
    misfit, left = after / max(count, 1.0) / max(usual, 1e-9), max(after, 0.0) / max(before, 1e-9)
    contrast = float(np.median(contrasts[present].mean(axis=0)[bands]))
    if (
        depth * atom.depth <= 0
        or bands_alike < ALIKE_BANDS
        or alike < ALIKE_FRAMES
        or misfit * left > MISFIT
        or not -CONTRARY < contrast / depth < FAR_MORE
    ):
        return None
    green = 3 * depth - (2 * depth + (first + last) / max(square, 1e-9))
    colours = (depth + first / max(square, 1e-9), green, depth + last / max(square, 1e-9))
    return ScratchLine(
        kind="scratch",
        x=(),
        present=tuple(present.tolist()),
        bands=tuple(bands.tolist()),
        width=float(2 * picture.sigma(atom.width) * picture.across),
        depth=depth,
        doubt=abs(atom.doubt),
        contrast=contrast,
        lightness=picture.lightness(atom.column),
        profile=(),
        colours=(100 * POWER * colours[0], 100 * POWER * colours[1], 100 * POWER * colours[2]),
        frames_alike=alike,
        bands_alike=bands_alike,
        misfit=misfit,
        explained=1 - left,
    )


def _seen_where(told: Doubles, depth: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Steps and bands in which a line is seen: half as deep as where it is deepest, or deeper."""
    steps, bands = np.ones(len(told), bool), np.ones(told.shape[1], bool)
    for _ in range(2):
        by_step = told[:, bands].sum(axis=1)
        smooth = np.stack([np.convolve(by_step[:, k], np.ones(5), "same") for k in (0, 1)])
        steps = _deep_enough(smooth[0], smooth[1], depth)
        by_band = told[steps].sum(axis=0)
        bands = _deep_enough(by_band[:, 0], by_band[:, 1], depth)
    return steps, bands


def _deep_enough(product: Doubles, square: Doubles, depth: float) -> NDArray[np.bool_]:
    share = product / np.maximum(square, 1e-9) / depth
    told = square > 0.05 * square.mean()
    full = float(np.quantile(share[told], 0.75)) if told.any() else 1.0
    seen = share > 0.5 * max(full, 0.5)
    # One alone among others is no interruption.
    alone = np.convolve(seen, np.ones(3), "same")
    seen[1:-1] = np.where(alone[1:-1] == 2, True, np.where(alone[1:-1] == 1, seen[1:-1] & False, seen[1:-1]))
    return np.asarray(seen, np.bool_)


def _untold(picture: _Picture, taken: Sequence[ScratchLine], worth: Doubles | None) -> list[ScratchLine]:
    """What the picture shows as upright lines and no film says: the scene's, or, where the scene hardly moved, not to be told.

    `worth` says of each column how sure a light that lies still on the film would be.
    """
    shown, size, far = picture.shown()
    reach = BESIDE_AT_360 * picture.unit
    edge = round(EDGE_AT_360 * picture.unit) + far
    closed = np.zeros(picture.columns, bool)
    closed[:edge] = closed[-edge:] = True
    for line in taken:
        closed |= (
            np.abs((np.arange(picture.columns) + 0.5) * picture.across - 0.5 - line.x[0])
            < reach * picture.across
        )
    lines: list[ScratchLine] = []
    for x in np.argsort(-np.abs(shown), kind="stable")[:MOST_LINES].tolist():
        if closed[x] or abs(shown[x]) < LISTED:
            continue
        closed[max(0, round(x - reach)) : round(x + reach)] = True
        depth = float(shown[x])
        sure = worth is not None and worth[x] * depth**2 > SURE**2
        share = 100 * POWER * depth
        lines.append(
            ScratchLine(
                kind="scene" if sure else "unsure",
                x=picture.places(x),
                present=(True,) * picture.frames,
                bands=(True,) * BANDS,
                width=float(size * picture.across),
                depth=depth,
                doubt=float("nan") if worth is None else float(1 / np.sqrt(max(worth[x], 1e-9))),
                contrast=depth,
                lightness=picture.lightness(x),
                profile=(),
                colours=(share, share, share),
                frames_alike=float("nan"),
                bands_alike=1.0,
                misfit=float("nan"),
                explained=float("nan"),
            )
        )
    return lines
