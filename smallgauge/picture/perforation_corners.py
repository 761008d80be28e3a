"""Corners of a perforation: the punch rounds them, nothing else that makes a straight edge does.

measure_corners   plane, places of the sides  -> how square each corner is, 0 round, 1 square

A cover that lies straight across the opening (tape, a label, a clip, dirt scraped along the film) gives an edge
as straight and sharp as the punch. What tells the two apart is where such an edge meets the sides beside it: the
punch leaves film in the corner, the cover leaves none but its own, and the opening runs into a square corner.
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.perforation_fix import Plane

STEPS = np.array([0.05, 0.15, 0.25, 0.35])  # of the corner's radius inwards, where a corner is sampled
LEAST_DIFFERENCE = 0.6  # sum of squares between round and square, share of light: less is no test
LEAST_CONTRAST = 0.4  # of the reel's, between the light inside and outside of this corner
# The four corners, their sides (left 0, right 1, top 2, bottom 3), and the way inwards.
CORNERS = np.array([[0, 2], [1, 2], [0, 3], [1, 3]])
INWARD = np.array([[1, 1], [-1, 1], [1, -1], [-1, -1]])


def measure_corners(
    plane: Plane,
    sides: NDArray[np.float64],
    centres: NDArray[np.float64],
    *,
    tilt: float,
    radius_px: float,
    blur_px: tuple[float, float],
    contrast: float,
    dark_opening: bool = False,
) -> NDArray[np.float64]:
    """How square each corner is: light where a round corner has film, between that of film and of opening.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel. Not altered.
    sides : array, shape (perforations, 4)
        Left, right, top, bottom, px, each at its perforation's centre; NaN where not seen.
    centres : array, shape (perforations, 2)
        x and y at which the sides' places hold, px.
    tilt : float
        Of the film in this frame, radians.
    radius_px : float
        Of the punched corner.
    blur_px : (float, float)
        Standard deviation of the edge across upright and across level sides.
    contrast : float
        Usual difference of light between opening and film; 0 where no level is known yet.
    dark_opening : bool
        True for reflected light.

    Returns
    -------
    array, shape (perforations, 4)
        Top left, top right, bottom left, bottom right: 0 round, 1 square, between and beyond by noise and
        damage. NaN where a side is not seen, where the corner leaves the picture, where it is too small
        against the blur to tell, or where there is no contrast between its inside and its outside.

    Notes
    -----
    Least squares on the share of light at 16 pixels inside the corner, each against its outside and its inside
    further along the diagonal. Source: "definition".

    Examples
    --------
    A square hole has square corners:

    >>> import numpy as np
    >>> plane = np.zeros((60, 70), np.float32); plane[15:45, 20:50] = 1
    >>> sides, centres = np.array([[19.5, 49.5, 14.5, 44.5]]), np.array([[34.5, 29.5]])
    >>> square = measure_corners(
    ...     plane, sides, centres, tilt=0.0, radius_px=8.0, blur_px=(0.5, 0.5), contrast=1.0
    ... )
    >>> print((square > 0.9).all())
    True
    """
    from scipy.special import ndtr

    blur_x, blur_y = blur_px
    x = sides[:, CORNERS[:, 0]]  # (perforations, 4)
    y = sides[:, CORNERS[:, 1]]
    x, y = x + tilt * (y - centres[:, 1:]), y - tilt * (x - centres[:, :1])
    known = np.isfinite(x + y) & (contrast > 0.0)
    x, y = np.where(known, x, 0.0), np.where(known, y, 0.0)
    out = np.full(x.shape, np.nan)
    if not known.any():
        return out
    inner = STEPS * radius_px
    beyond = 2.0 * max(blur_x, blur_y) + np.arange(1.0, 4.0)
    # along the diagonal: the corner itself, the film outside it, the opening well inside it
    steps = np.concatenate([inner, -beyond, radius_px + beyond])
    across = np.rint(x[..., None] + INWARD[:, :1] * steps)
    along = np.rint(y[..., None] + INWARD[:, 1:] * steps)
    height, width = plane.shape
    known &= (
        (across >= 0).all(-1) & (across < width).all(-1) & (along >= 0).all(-1) & (along < height).all(-1)
    )
    across_at = np.clip(across, 0, width - 1).astype(np.int64)
    along_at = np.clip(along, 0, height - 1).astype(np.int64)
    n = len(inner)

    def light(part: slice) -> NDArray[np.float64]:
        return np.asarray(plane[along_at[..., part, None], across_at[..., None, part]], dtype=np.float64)

    film = light(slice(n, n + 3)).mean((-2, -1))
    hole = light(slice(n + 3, n + 6)).mean((-2, -1))
    known &= (film - hole if dark_opening else hole - film) > LEAST_CONTRAST * contrast
    share = (light(slice(0, n)) - film[..., None, None]) / np.where(known, hole - film, 1.0)[..., None, None]
    u = ((across[..., :n] - x[..., None]) * INWARD[:, :1])[..., None, :]
    v = ((along[..., :n] - y[..., None]) * INWARD[:, 1:])[..., :, None]
    square = ndtr(u / blur_x) * ndtr(v / blur_y)
    from_centre = np.hypot(np.maximum(radius_px - u, 0.0), np.maximum(radius_px - v, 0.0))
    rounded = ndtr((radius_px - from_centre) / np.sqrt(blur_x * blur_y))
    between = square - rounded
    weight = (between**2).sum((-2, -1))
    known &= weight >= LEAST_DIFFERENCE
    score = ((share - rounded) * between).sum((-2, -1)) / np.where(known, weight, 1.0)
    return np.where(known, score, np.nan)
