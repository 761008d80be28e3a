"""Shapes of drawn specimen pictures: edges from a signed distance, so any sub-pixel place is exact.

Everything here paints into planes of shape (channels, height, width) that the caller made; a `View`
says where the scene's own units (gate heights, u right, v down, (0, 0) in the middle of the gate) lie
in the pixels of those planes. `draw_shifted` is the one interpolation: a Gaussian kernel evaluated at
the exact sub-pixel phase, on layers that were drawn without content above its pass band.
"""

from dataclasses import dataclass
from math import ceil, cos, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

Planes = NDArray[np.float32]
Colour = tuple[float, float, float]

__all__ = [
    "View",
    "cover_of_distance",
    "draw_capsule",
    "draw_cover",
    "draw_disc",
    "draw_polygon",
    "draw_shifted",
    "rounded_rectangle_distance",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where scene units lie in the pixels of a set of planes.

    `x_px`, `y_px` is the pixel place of the gate's middle, `scale_px` the pixels of one gate height,
    `tilt_rad` the turn of the film (clockwise on the screen), `soft_px` the width of an edge
    (sigma of the step).
    """

    x_px: float
    y_px: float
    scale_px: float
    tilt_rad: float = 0.0
    soft_px: float = 1.0

    def place(self, u: float, v: float) -> tuple[float, float]:
        """Pixel place (x, y) of a point in scene units."""
        c, s = cos(self.tilt_rad), sin(self.tilt_rad)
        return self.x_px + self.scale_px * (c * u - s * v), self.y_px + self.scale_px * (s * u + c * v)

    def moved(self, u: float, v: float) -> "View":
        """The same view with everything moved by (u, v) scene units."""
        x, y = self.place(u, v)
        return View(x_px=x, y_px=y, scale_px=self.scale_px, tilt_rad=self.tilt_rad, soft_px=self.soft_px)


def cover_of_distance(distance: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Share of light behind an edge blurred by a Gaussian: 0 far outside, 1 far inside.

    Parameters
    ----------
    distance : array, float32
        Signed distance to the edge, pixels, positive outside. NaN gives NaN.
    sigma_px : float
        Standard deviation of the blur, pixels, above 0.

    Returns
    -------
    array, float32, same shape
        0 to 1.

    Notes
    -----
    Source: derived (a step convolved with a Gaussian is an error function).

    Examples
    --------
    >>> import numpy as np
    >>> cover_of_distance(np.float32([-9, 0, 9]), 1.0).round(6)
    array([1. , 0.5, 0. ], dtype=float32)
    """
    from scipy.special import erfc

    return np.asarray(np.float32(0.5) * erfc(distance * np.float32(0.5**0.5 / sigma_px)))


def rounded_rectangle_distance(
    x: NDArray[np.float32], y: NDArray[np.float32], half: tuple[float, float], radius: float
) -> NDArray[np.float32]:
    """Signed distance to a rectangle with round corners, centred on (0, 0); positive outside.

    Parameters
    ----------
    x, y : arrays, float32, that broadcast against each other
        Place, in the unit of `half` and `radius`.
    half : (float, float)
        Half width and half height.
    radius : float
        Corner radius, not more than the smaller half.

    Returns
    -------
    array, float32
        Distance in the same unit.

    Notes
    -----
    Source: derived (Euclidean distance to the rectangle shrunk by the radius, less the radius).

    Examples
    --------
    >>> import numpy as np
    >>> rounded_rectangle_distance(np.float32([0, 3]), np.float32([0, 0]), (2, 1), 0.5)
    array([-1.,  1.], dtype=float32)
    """
    qx = np.abs(x) - np.float32(half[0] - radius)
    qy = np.abs(y) - np.float32(half[1] - radius)
    inside = np.minimum(np.maximum(qx, qy), np.float32(0))
    np.maximum(qx, 0, out=qx)
    np.maximum(qy, 0, out=qy)
    return np.asarray(np.sqrt(qx * qx + qy * qy) + inside - np.float32(radius))


def _window(planes: Planes, x0: float, x1: float, y0: float, y1: float) -> tuple[int, int, int, int] | None:
    """Rows and columns of `planes` that a box of pixels touches, or None."""
    height, width = planes.shape[-2:]
    left, right = max(0, int(x0)), min(width, ceil(x1) + 1)
    top, bottom = max(0, int(y0)), min(height, ceil(y1) + 1)
    return (top, bottom, left, right) if left < right and top < bottom else None


def draw_cover(
    planes: Planes, window: tuple[int, int, int, int], cover: NDArray[np.float32], colour: Colour
) -> None:
    """Lay a colour over the planes, as far as `cover` (0 to 1) says; a fourth plane takes the cover."""
    top, bottom, left, right = window
    for plane, value in zip(planes, (*colour, 1.0)):
        part = plane[top:bottom, left:right]
        part += cover * (np.float32(value) - part)


def _soft(distance: NDArray[Any], soft_px: float) -> NDArray[np.float32]:
    """Cheap symmetric edge (cubic step) of about the same slope as a Gaussian of `soft_px`."""
    t = np.clip(np.float32(0.5) - distance * np.float32(1 / (3.76 * soft_px)), 0, 1)
    return np.asarray(t * t * (np.float32(3) - t - t))


def draw_disc(
    planes: Planes,
    view: View,
    centre: tuple[float, float],
    radii: tuple[float, float],
    colour: Colour,
    *,
    turn: float = 0.0,
    strength: float = 1.0,
    shade: float = 0.0,
) -> None:
    """Paint an ellipse: centre and radii in gate heights, `turn` in radians, `shade` darkens its foot."""
    x, y = view.place(*centre)
    rx, ry = radii[0] * view.scale_px, radii[1] * view.scale_px
    reach = max(rx, ry) + 2.5 * view.soft_px
    window = _window(planes, x - reach, x + reach, y - reach, y + reach)
    if window is None or min(rx, ry) <= 0:
        return
    dy = np.arange(window[0], window[1], dtype=np.float32)[:, None] - np.float32(y)
    dx = np.arange(window[2], window[3], dtype=np.float32)[None, :] - np.float32(x)
    angle = turn + view.tilt_rad
    if rx == ry:
        along, across = dx, dy
    else:
        c, s = np.float32(cos(angle)), np.float32(sin(angle))
        along, across = dx * c + dy * s, dy * c - dx * s
    q = np.sqrt((along / np.float32(rx)) ** 2 + (across / np.float32(ry)) ** 2)
    cover = _soft((q - np.float32(1)) * np.float32(min(rx, ry)), view.soft_px)
    if strength != 1.0:
        cover *= np.float32(strength)
    if shade == 0.0:
        draw_cover(planes, window, cover, colour)
        return
    light = np.float32(1) - np.float32(shade) * np.clip(across / np.float32(ry) * np.float32(0.5) + 0.5, 0, 1)
    top, bottom, left, right = window
    for plane, value in zip(planes, colour):
        part = plane[top:bottom, left:right]
        part += cover * (np.float32(value) * light - part)
    for plane in planes[3:]:
        part = plane[top:bottom, left:right]
        part += cover * (np.float32(1) - part)


def draw_capsule(
    planes: Planes,
    view: View,
    first: tuple[float, float],
    last: tuple[float, float],
    radius: float,
    colour: Colour,
    *,
    last_radius: float | None = None,
) -> None:
    """Paint a limb: a line from `first` to `last` with round ends, gate heights."""
    (x0, y0), (x1, y1) = view.place(*first), view.place(*last)
    r0 = radius * view.scale_px
    r1 = r0 if last_radius is None else last_radius * view.scale_px
    reach = max(r0, r1) + 2.5 * view.soft_px
    window = _window(
        planes, min(x0, x1) - reach, max(x0, x1) + reach, min(y0, y1) - reach, max(y0, y1) + reach
    )
    if window is None:
        return
    py = np.arange(window[0], window[1], dtype=np.float32)[:, None] - np.float32(y0)
    px = np.arange(window[2], window[3], dtype=np.float32)[None, :] - np.float32(x0)
    vx, vy = np.float32(x1 - x0), np.float32(y1 - y0)
    t = np.clip((px * vx + py * vy) / np.float32(max(float(vx * vx + vy * vy), 1e-6)), 0, 1)
    dx, dy = px - t * vx, py - t * vy
    distance = np.sqrt(dx * dx + dy * dy) - (np.float32(r0) + t * np.float32(r1 - r0))
    draw_cover(planes, window, _soft(distance, view.soft_px), colour)


def draw_polygon(
    planes: Planes,
    view: View,
    corners: tuple[tuple[float, float], ...],
    colour: Colour,
    *,
    strength: float = 1.0,
) -> None:
    """Paint a convex polygon; corners in gate heights, either way round."""
    places = [view.place(*corner) for corner in corners]
    if sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(places, places[1:] + places[:1])) < 0:
        places.reverse()
    reach = 2.5 * view.soft_px
    xs, ys = [p[0] for p in places], [p[1] for p in places]
    window = _window(planes, min(xs) - reach, max(xs) + reach, min(ys) - reach, max(ys) + reach)
    if window is None:
        return
    y = np.arange(window[0], window[1], dtype=np.float32)[:, None]
    x = np.arange(window[2], window[3], dtype=np.float32)[None, :]
    distance = np.full((window[1] - window[0], window[3] - window[2]), -np.inf, dtype=np.float32)
    for (ax, ay), (bx, by) in zip(places, places[1:] + places[:1]):
        ex, ey = bx - ax, by - ay
        length = max((ex * ex + ey * ey) ** 0.5, 1e-9)
        nx, ny = ey / length, -ex / length
        side = x * np.float32(nx) + (y * np.float32(ny) - np.float32(nx * ax + ny * ay))
        np.maximum(distance, side, out=distance)
    cover = _soft(distance, view.soft_px)
    if strength != 1.0:
        cover *= np.float32(strength)
    draw_cover(planes, window, cover, colour)


def draw_shifted(
    layer: Planes, x_px: float, y_px: float, shape: tuple[int, int], *, sigma_px: float
) -> Planes:
    """Part of a layer, moved by an exact sub-pixel amount and blurred by a Gaussian.

    Parameters
    ----------
    layer : array, shape (channels, height, width), float32
        Drawn without content near the Nyquist frequency. Not altered. Edges are repeated outside.
    x_px, y_px : float
        Place in the layer that falls on pixel (0, 0) of the result.
    shape : (int, int)
        Height and width of the result.
    sigma_px : float
        Blur, pixels; 0.6 or more keeps the sampling error below a thousandth.

    Returns
    -------
    array, shape (channels, *shape), float32

    Notes
    -----
    Source: derived (convolution with a Gaussian evaluated at the sub-pixel phase).

    Examples
    --------
    >>> import numpy as np
    >>> ramp = np.tile(np.arange(40, dtype=np.float32), (1, 30, 1))
    >>> out = draw_shifted(ramp, 10.25, 8.0, (2, 3), sigma_px=0.8)
    >>> bool(abs(out - [10.25, 11.25, 12.25]).max() < 1e-3)
    True
    """
    import cv2

    height, width = shape
    left, top = round(x_px), round(y_px)
    reach = ceil(3.2 * sigma_px) + 1
    kernels = []
    for fraction in (x_px - left, y_px - top):
        taps = np.exp(-((np.arange(-reach, reach + 1) - fraction) ** 2) / (2 * sigma_px**2))
        kernels.append((taps / taps.sum()).astype(np.float32))
    rows = np.clip(np.arange(top - reach, top + height + reach), 0, layer.shape[1] - 1)
    columns = np.clip(np.arange(left - reach, left + width + reach), 0, layer.shape[2] - 1)
    inside = bool((np.diff(rows) == 1).all() and (np.diff(columns) == 1).all())
    out = np.empty((len(layer), height, width), dtype=np.float32)
    for plane, result in zip(layer, out):
        part = plane[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        if not inside:
            part = plane[rows[:, None], columns[None, :]]
        filtered = cv2.sepFilter2D(part, cv2.CV_32F, kernels[0], kernels[1], borderType=cv2.BORDER_REPLICATE)
        result[:] = filtered[reach : reach + height, reach : reach + width]
    return out
