"""Plots of colour, drawn as SVG text: what is left of each dye, and the grey scale of a look.

draw_shares   lengths of stock -> a bar for each dye, with its range
draw_scale    a grey scale     -> finished code over the density of the film, red, green and blue

Grey tones only, told apart by dashes and by their labels, so that a print in black shows them too.
"""

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass

from smallgauge.deliver.phrases import number_words
from smallgauge.picture.dyefade import LAYERS

Triple = tuple[float, float, float]
WIDTH = 760
_ROW, _GAP, _LEFT, _RIGHT, _TOP = 16, 10, 178, 150, 22
_HEIGHT, _PLOT_LEFT, _PLOT_RIGHT, _PLOT_BOTTOM = 250, 64, 96, 36
_CHANNELS = (("red", "", "#111"), ("green", "7 3", "#444"), ("blue", "2 3", "#111"))
_LABEL_APART = 14.0  # of names beside curves, px


@dataclass(frozen=True, slots=True, kw_only=True)
class DyeShares:
    """What is left of cyan, magenta and yellow in one length of stock; `sigma` None where it is not known.

    `applied` is whether the finished film was made by them; what waits is drawn as an outline.
    """

    name: str
    left: Triple
    sigma: Triple | None
    words: tuple[str, str, str]
    applied: bool


def draw_shares(lengths: Sequence[DyeShares], *, title: str) -> str:
    """A bar for each dye of each length, from none to all of it, with twice its standard error as a range.

    Parameters
    ----------
    lengths : sequence of DyeShares
        In running order; drawn one below the other.
    title : str
        Read out by a screen reader.

    Returns
    -------
    str
        An `svg` element; "" for no length.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> shares = DyeShares(name="Length 1", left=(0.55, 0.9, 0.8), sigma=(0.06, 0.05, 0.07), words=("border",) * 3,
    ...                    applied=True)
    >>> draw_shares([shares], title="Dyes").count("<rect")
    3
    """
    if not lengths:
        return ""
    most = max(1.0, *(value for each in lengths for value in each.left))
    height = _TOP + len(lengths) * (3 * _ROW + _GAP) + 24

    def x(share: float) -> float:
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * min(max(share, 0.0), most) / most

    parts = [_begin(WIDTH, height, title)]
    bottom = height - 24
    for tick in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(
            f'<path d="M{x(tick):.1f} {_TOP - 6}V{bottom}" stroke="{"#888" if tick == 1.0 else "#ccc"}" stroke-width="0.6"/>'
        )
        parts.append(_text(x(tick), bottom + 15, f"{100 * tick:.0f} %", "middle"))
    for number, each in enumerate(lengths):
        top = _TOP + number * (3 * _ROW + _GAP)
        parts.append(_text(4, top + 11, each.name, "start", "#111"))
        for layer in range(3):
            y = top + layer * _ROW
            share = each.left[layer]
            look = (
                'fill="#999"'
                if each.applied
                else 'fill="none" stroke="#777" stroke-width="1" stroke-dasharray="3 2"'
            )
            parts.append(_text(_LEFT - 8, y + 11, LAYERS[layer], "end"))
            parts.append(
                f'<rect x="{_LEFT}" y="{y + 2}" width="{x(share) - _LEFT:.1f}" height="{_ROW - 5}" {look}/>'
            )
            said = f"{100 * share:.0f} %"
            if each.sigma is not None and math.isfinite(each.sigma[layer]):
                sigma = each.sigma[layer]
                low, high = x(share - 2 * sigma), x(share + 2 * sigma)
                middle = y + 2 + (_ROW - 5) / 2
                parts.append(
                    f'<path d="M{low:.1f} {middle}H{high:.1f}M{low:.1f} {middle - 3}v6M{high:.1f} {middle - 3}v6" '
                    'stroke="#111" stroke-width="1.1" fill="none"/>'
                )
            parts.append(_text(WIDTH - _RIGHT + 12, y + 11, f"{said}, {each.words[layer]}", "start"))
    return "".join(parts) + "</svg>"


def draw_scale(densities: Sequence[float], codes: Sequence[Sequence[float]], *, title: str) -> str:
    """Finished code of neutral film over its density, red, green and blue, and pale what it would be without any step.

    Parameters
    ----------
    densities : sequence of float
        Of the film as scanned, the same in all channels, rising.
    codes : three sequences of float
        Finished code value, 0 to 1, red, green, blue, at each density.
    title : str
        Read out by a screen reader.

    Returns
    -------
    str
        An `svg` element.

    Notes
    -----
    Source: definition. The pale line is light of the open gate in the display's encoding, light = code^2.4.

    Examples
    --------
    >>> draw_scale([0.0, 1.0], [[1.0, 0.4]] * 3, title="Grey scale").count("<polyline")
    4
    """
    last, bottom = max(densities), _HEIGHT - _PLOT_BOTTOM

    def x(density: float) -> float:
        return _PLOT_LEFT + (WIDTH - _PLOT_LEFT - _PLOT_RIGHT) * density / last

    def y(code: float) -> float:
        return _TOP + (bottom - _TOP) * (1.0 - code)

    parts = [_begin(WIDTH, _HEIGHT, title)]
    for code in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(
            f'<path d="M{_PLOT_LEFT} {y(code):.1f}H{WIDTH - _PLOT_RIGHT}" stroke="#ccc" stroke-width="0.6"/>'
        )
        parts.append(_text(_PLOT_LEFT - 6, y(code) + 4, f"{100 * code:.0f} %", "end"))
    for density in range(math.floor(last) + 1):
        parts.append(f'<path d="M{x(density):.1f} {bottom}v4" stroke="#444" stroke-width="0.8"/>')
        parts.append(_text(x(density), bottom + 16, number_words(density), "middle"))
    parts.append(
        f'<path d="M{_PLOT_LEFT} {_TOP}V{bottom}H{WIDTH - _PLOT_RIGHT}" stroke="#444" stroke-width="0.8" fill="none"/>'
    )
    parts.append(
        _text(
            (_PLOT_LEFT + WIDTH - _PLOT_RIGHT) / 2, _HEIGHT - 3, "density of grey film as scanned", "middle"
        )
    )
    untouched = " ".join(f"{x(d):.1f},{y(10.0 ** (-d / 2.4)):.1f}" for d in densities)
    parts.append(f'<polyline points="{untouched}" fill="none" stroke="#bbb" stroke-width="1.6"/>')
    for (_, dashes, shade), values in zip(_CHANNELS, codes, strict=True):
        points = " ".join(f"{x(d):.1f},{y(code):.1f}" for d, code in zip(densities, values, strict=True))
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="{shade}" stroke-width="1.4"{_dashed(dashes)}/>'
        )
    parts += _key(WIDTH - _PLOT_RIGHT + 10)
    return "".join(parts) + "</svg>"


def _key(left: float) -> list[str]:
    """What each line is, beside the plot."""
    out = []
    lines = [*_CHANNELS, ("as scanned", "", "#bbb")]
    for number, (name, dashes, shade) in enumerate(lines):
        y = _TOP + 8 + number * _LABEL_APART
        out.append(f'<path d="M{left} {y}h22" stroke="{shade}" stroke-width="1.6"{_dashed(dashes)}/>')
        out.append(_text(left + 26, y + 4, name, "start", size=10))
    return out


def _dashed(dashes: str) -> str:
    return f' stroke-dasharray="{dashes}"' if dashes else ""


def _begin(width: int, height: float, title: str) -> str:
    return (
        f'<svg viewBox="0 0 {width} {height:.0f}" role="img" aria-label="{html.escape(title)}" '
        'xmlns="http://www.w3.org/2000/svg" font-family="inherit" font-size="12">'
    )


def _text(x: float, y: float, words: str, anchor: str, shade: str = "#444", size: int = 12) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{shade}" font-size="{size}">'
        f"{html.escape(words)}</text>"
    )
