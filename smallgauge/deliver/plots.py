"""Plots along a reel, drawn as SVG text: what was measured at each frame, and where the scenes lie.

draw_along_reel   one or two series over captured frames -> SVG

Thirty thousand frames are drawn as at most 300 columns, each from its lowest to its highest value with its
median as a line, so that no single frame that stands out is lost. Frames without a measurement leave a gap.
Grey tones only, told apart by lightness and by their labels.
"""

import html
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from smallgauge.deliver.phrases import number_words

Series = NDArray[np.float64]

WIDTH, HEIGHT = 760, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 12, 14, 34
_COLUMNS = 300
_TICKS = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One series of a plot: a value a captured frame, NaN where nothing was measured."""

    name: str
    values: Series


def draw_along_reel(
    lines: Sequence[Line],
    *,
    title: str,
    unit: str,
    scenes: NDArray[np.int32] | None = None,
    least_span: float = 0.0,
    axis: str = "captured frame",
) -> str:
    """A plot over the captured frames of a reel, as SVG.

    Parameters
    ----------
    lines : sequence of Line
        One or two series of equal length, shape (frames,).
    title : str
        What the plot shows, read out by a screen reader.
    unit : str
        Unit of the values, "" for a pure number.
    scenes : array of int32, shape (frames,), optional
        Scene of each frame: every second scene is shaded.
    least_span : float
        The scale spans at least this much, so that noise is not blown up.
    axis : str
        What the frames are.

    Returns
    -------
    str
        An `svg` element; "" where no value is finite.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> svg = draw_along_reel([Line(name="light", values=np.array([0.9, 0.91, np.nan]))], title="Light", unit="")
    >>> svg.startswith("<svg"), svg.count("<polyline")
    (True, 1)
    """
    frames = lines[0].values.size
    finite = np.concatenate([line.values[np.isfinite(line.values)] for line in lines])
    if finite.size == 0:
        return ""
    low, high = float(finite.min()), float(finite.max())
    spread = max(high - low, least_span, 1e-9 * max(abs(low), abs(high)), 1e-12)
    middle = (low + high) / 2
    ticks = _ticks(middle - 0.54 * spread, middle + 0.54 * spread)
    bottom, top = min(ticks[0], middle - 0.54 * spread), max(ticks[-1], middle + 0.54 * spread)
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{html.escape(title)}" '
        'xmlns="http://www.w3.org/2000/svg" font-family="inherit" font-size="12">'
    ]
    if scenes is not None:
        parts += _scene_bands(scenes)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    decimals = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    for tick in ticks:
        y = _y(tick, bottom, top)
        parts.append(f'<path d="M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}" stroke="#ccc" stroke-width="0.6"/>')
        parts.append(
            f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" fill="#444">{number_words(tick, decimals=decimals)}</text>'
        )
    for number, line in reversed(list(enumerate(lines))):  # the first one on top
        parts += _drawn(line.values, bottom, top, "#111" if number == 0 else "#888")
    parts += _frame_axis(frames, axis)
    if unit:
        parts.append(f'<text x="4" y="{_TOP - 2}" fill="#444">{html.escape(unit)}</text>')
    return "".join(parts) + "</svg>"


def _ticks(low: float, high: float) -> list[float]:
    """Round values inside a range, about four of them."""
    rough = (high - low) / _TICKS
    scale = 10.0 ** np.floor(np.log10(rough))
    step = float(scale * min((1, 2, 5, 10), key=lambda factor: abs(factor * scale - rough)))
    first = int(np.ceil(low / step - 1e-9))
    return [n * step for n in range(first, int(np.floor(high / step + 1e-9)) + 1)]


def _x(frame: float, frames: int) -> float:
    return _LEFT + (WIDTH - _LEFT - _RIGHT) * (frame + 0.5) / frames


def _y(value: float, bottom: float, top: float) -> float:
    return _TOP + (HEIGHT - _TOP - _BOTTOM) * (top - value) / (top - bottom)


def _drawn(values: Series, bottom: float, top: float, colour: str) -> list[str]:
    """Lowest to highest value of each column as a pale stroke, medians as a line broken at gaps."""
    frames = values.size
    edges = np.unique(np.linspace(0, frames, min(frames, _COLUMNS) + 1).round().astype(int))
    bars: list[str] = []
    runs: list[list[str]] = [[]]
    for first, stop in pairwise(edges.tolist()):
        part = values[first:stop]
        part = part[np.isfinite(part)]
        if part.size == 0:
            runs.append([])
            continue
        x = _x((first + stop - 1) / 2, frames)
        if part.size > 1:
            bars.append(
                f"M{x:.1f} {_y(float(part.max()), bottom, top):.1f}V{_y(float(part.min()), bottom, top):.1f}"
            )
        runs[-1].append(f"{x:.1f},{_y(float(np.median(part)), bottom, top):.1f}")
    out = []
    if bars:
        out.append(
            f'<path d="{"".join(bars)}" stroke="{colour}" stroke-width="1.6" stroke-opacity="0.3" fill="none"/>'
        )
    for run in runs:
        if len(run) == 1:
            cx, cy = run[0].split(",")
            out.append(f'<circle cx="{cx}" cy="{cy}" r="1.2" fill="{colour}"/>')
        elif run:
            out.append(
                f'<polyline points="{" ".join(run)}" fill="none" stroke="{colour}" stroke-width="1.1"/>'
            )
    return out


def _scene_bands(scenes: NDArray[np.int32]) -> list[str]:
    """Every second scene as a pale band, numbered where there is room."""
    frames = scenes.size
    starts = [0, *(np.flatnonzero(np.diff(scenes)) + 1).tolist(), frames]
    out = []
    for number, (first, stop) in enumerate(pairwise(starts)):
        left, right = _x(first - 0.5, frames), _x(stop - 0.5, frames)
        if number % 2 == 0:
            out.append(
                f'<rect x="{left:.1f}" y="{_TOP}" width="{right - left:.1f}" height="{HEIGHT - _TOP - _BOTTOM}" fill="#f0f0f0"/>'
            )
        if right - left > 16:
            out.append(
                f'<text x="{(left + right) / 2:.1f}" y="{_TOP - 3}" text-anchor="middle" fill="#666" font-size="10">'
                f"{number + 1}</text>"
            )
    return out


def _frame_axis(frames: int, axis: str) -> list[str]:
    y = HEIGHT - _BOTTOM
    out = [f'<path d="M{_LEFT} {_TOP}V{y}H{WIDTH - _RIGHT}" stroke="#444" stroke-width="0.8" fill="none"/>']
    marks = sorted({*(int(t) for t in _ticks(0, max(frames - 1, 1)) if t == int(t) and t < frames), 0})
    for mark in marks:
        x = _x(mark, frames)
        out.append(f'<path d="M{x:.1f} {y}v4" stroke="#444" stroke-width="0.8"/>')
        out.append(f'<text x="{x:.1f}" y="{y + 16}" text-anchor="middle" fill="#444">{mark:,}</text>')
    middle = (_LEFT + WIDTH - _RIGHT) / 2
    out.append(
        f'<text x="{middle:.1f}" y="{HEIGHT - 3}" text-anchor="middle" fill="#444">{html.escape(axis)}</text>'
    )
    return out
