"""Where perforations may lie: edges in a reduced strip vote for the centre of a rectangle of known size.

find_edge_peaks           reduced plane  -> significant edges, by direction
measure_rectangle_votes   edges, size    -> votes for the centre, 0 to 4
find_candidates           plane, survey  -> places to within some pixels, over the whole height of the frame
"""

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.perforation_fix import Candidate, PerforationSurvey, Plane
from smallgauge.picture.ranks import find_percentiles

Edges = NDArray[np.uint8]


def find_edge_peaks(plane: Plane) -> tuple[Edges, Edges, Edges, Edges]:
    """Where light rises and falls to the right, and rises and falls downwards: significant peaks only.

    Parameters
    ----------
    plane : array, shape (rows, columns), float32
        Light (already reduced; turned in sign for dark perforations). Not altered.

    Returns
    -------
    four arrays, same shape, uint8
        1 at a local maximum of the gradient above 4 x its MAD noise, else 0.

    Notes
    -----
    Source: "hough"; the limit "common practice".

    Examples
    --------
    >>> import numpy as np
    >>> plane = np.zeros((9, 12), np.float32); plane[:, 6:] = 1
    >>> [int(each.sum(axis=1)[4]) for each in find_edge_peaks(plane)]
    [1, 0, 0, 0]
    """
    import cv2

    from smallgauge.picture.kernels_votes import mark_edges, slopes_of_some

    soft = cv2.GaussianBlur(plane, (3, 3), 0.8, borderType=cv2.BORDER_REPLICATE)
    high, wide = soft.shape
    rows, columns = max(1, high // 100), max(1, wide // 60)
    some = np.empty((2, -(-high // rows), -(-wide // columns)), np.float32)
    slopes_of_some(soft, rows, columns, some[0], some[1])
    least = []
    for slopes in some:
        middle, top = find_percentiles(slopes, (50, 99.5))
        # never so high that texture hides the strongest edges; common practice, no source
        least.append(max(min(4.0 * 1.4826 * middle, 0.3 * top), 1e-4))
    maps = np.zeros((4, high, wide), np.uint8)
    mark_edges(soft, np.float32(least[0]), np.float32(least[1]), maps)
    return maps[0], maps[1], maps[2], maps[3]


def measure_rectangle_votes(
    edges: tuple[Edges, Edges, Edges, Edges], *, width: float, height: float, corner: float
) -> Plane:
    """Votes of all significant edges for the centre of a bright rectangle of known size.

    The Hough transform for one known shape: an edge that rises to the right votes for a centre half a
    width to its right, and so on; each of the four sides gives at most 1, in proportion to the share of
    its length that has an edge. One visible side on each axis is enough for a peak.

    Parameters
    ----------
    edges : four arrays, shape (rows, columns), uint8
        From `find_edge_peaks`. Not altered.
    width, height, corner : float
        Size and corner radius in pixels of this plane.

    Returns
    -------
    array, shape (rows + 2 py, columns + 2 px), float32
        0 to 4. py = ceil(height / 2), px = ceil(width / 2): centres outside the plane are scored too.

    Notes
    -----
    Source: "hough".

    Examples
    --------
    >>> import numpy as np
    >>> plane = np.zeros((60, 60), np.float32); plane[20:40, 15:45] = 1
    >>> votes = measure_rectangle_votes(find_edge_peaks(plane), width=30, height=20, corner=2)
    >>> y, x = np.unravel_index(votes.argmax(), votes.shape)
    >>> abs(int(y) - 10 - 30) <= 1, abs(int(x) - 15 - 30) <= 1
    (True, True)
    """
    import cv2

    px, py = int(np.ceil(width / 2)), int(np.ceil(height / 2))
    tall, wide = max(3, round(height - 2 * corner)), max(3, round(width - 2 * corner))
    rows, columns = edges[0].shape
    out = np.zeros((rows + 2 * py, columns + 2 * px), np.float32)
    dx, dy = round(width / 2), round(height / 2)
    zero = cv2.BORDER_CONSTANT
    # An edge between pixels k and k + 1 has its gradient peak on either: three columns (rows) are added up.
    for peaks, (right, down), box, length in (
        (edges[0], (dx, 0), (3, tall), tall),
        (edges[1], (-dx, 0), (3, tall), tall),
        (edges[2], (0, dy), (wide, 3), wide),
        (edges[3], (0, -dy), (wide, 3), wide),
    ):
        edge_y, edge_x = box[1] // 2 + 1, box[0] // 2 + 1
        padded = cv2.copyMakeBorder(peaks, edge_y, edge_y, edge_x, edge_x, zero, value=0)
        share = cv2.boxFilter(padded, cv2.CV_32F, box, normalize=False, borderType=zero)
        # Place in `out` of the top left of `share`, after the move from the side to the centre.
        y0, x0 = py - edge_y + down, px - edge_x + right
        ya, xa = max(y0, 0), max(x0, 0)
        yb, xb = min(y0 + share.shape[0], out.shape[0]), min(x0 + share.shape[1], out.shape[1])
        if yb > ya and xb > xa:
            part = share[ya - y0 : yb - y0, xa - x0 : xb - x0]
            np.multiply(part, np.float32(1.0 / length), out=part)
            np.minimum(part, np.float32(1.0), out=part)
            out[ya:yb, xa:xb] += part
    return out


def find_candidates(
    plane: Plane, *, survey: PerforationSurvey, expected_y_px: float | None = None
) -> tuple[Candidate, ...]:
    """All places in the frame where a perforation may lie, over the whole height, from reduced strips.

    Parameters
    ----------
    plane : array, shape (height, width), float32
        Linear light of the survey's channel. Not altered.
    survey : PerforationSurvey
    expected_y_px : float, optional
        Expected y of the frame's film reference; a mild help, no limit.

    Returns
    -------
    tuple of Candidate
        From top to bottom, row by row; empty where nothing votes.

    Notes
    -----
    Source: "hough".
    """
    import cv2

    sign = -1.0 if survey.polarity == "dark hole" else 1.0
    width, height = survey.width_px, survey.height_px
    factor = max(1, int(min(width, height) // 40))
    found: list[Candidate] = []
    for row, usual_x in enumerate(survey.rows):
        margin = int(max(12.0, 0.12 * width) + 4.0 * survey.spread_x_px)
        x0 = max(0, int(usual_x - width / 2 - margin))
        x1 = min(plane.shape[1], int(usual_x + width / 2 + margin) + 1)
        if x1 - x0 < 4 * factor:
            continue
        strip = plane[: plane.shape[0] - plane.shape[0] % factor, x0 : x1 - (x1 - x0) % factor]
        size = (strip.shape[1] // factor, strip.shape[0] // factor)
        small = cv2.resize(strip, size, interpolation=cv2.INTER_AREA) if factor > 1 else strip
        small = small * np.float32(sign)
        w, h = width / factor, height / factor
        votes = measure_rectangle_votes(
            find_edge_peaks(small), width=w, height=h, corner=survey.corner_px / factor
        )
        px, py = int(np.ceil(w / 2)), int(np.ceil(h / 2))
        xs = (np.arange(votes.shape[1], dtype=np.float64) - px + 0.5) * factor - 0.5 + x0
        ys = (np.arange(votes.shape[0], dtype=np.float64) - py + 0.5) * factor - 0.5
        drift = 10.0 + 2.0 * survey.spread_x_px + 2.0 * factor
        score = votes + 0.4 * np.exp(-0.5 * ((xs - usual_x) / drift) ** 2).astype(np.float32)
        column = score.argmax(axis=1)
        height_votes = np.take_along_axis(votes, column[:, None], 1)[:, 0].astype(np.float64)
        found += _pick_from_profile(
            height_votes,
            xs[column],
            ys,
            small,
            survey=survey,
            row=row,
            factor=factor,
            sign=sign,
            expected_y_px=expected_y_px,
            left=x0,
        )
    return tuple(found)


def _pick_from_profile(
    votes: NDArray[np.float64],
    xs: NDArray[np.floating],
    ys: NDArray[np.floating],
    small: Plane,
    *,
    survey: PerforationSurvey,
    row: int,
    factor: int,
    sign: float,
    expected_y_px: float | None,
    left: int,
) -> list[Candidate]:
    """Peaks of one row's votes: the best first, then those that stand at the pitch from it."""
    pitch, height, full = survey.pitch_px, survey.height_px, survey.frame_height_px
    seen = (np.minimum(ys + height / 2, full - 0.5) - np.maximum(ys - height / 2, -0.5)) / height
    in_view = seen >= 0.3
    worth = np.where(in_view, votes, -1.0)
    if expected_y_px is not None and np.isfinite(expected_y_px):
        phase = 0.0 if survey.holes_at == "mid-frame" else 0.5
        off = (ys - expected_y_px) / pitch - phase
        off = (off - np.rint(off)) * pitch
        worth = worth + 0.4 * np.exp(-0.5 * (off / (10.0 + 2.0 * survey.spread_px)) ** 2)
    taken: list[Candidate] = []
    for _ in range(int(full / pitch) + 3):
        bonus = np.zeros_like(worth)
        if taken:
            off = (ys - taken[0].y_px) / pitch
            off = (off - np.rint(off)) * pitch
            bonus = 0.8 * np.exp(-0.5 * (off / (0.01 * pitch + 2.0 * factor)) ** 2)
        total = worth + bonus
        k = int(total.argmax())
        if worth[k] < 0.0 or not in_view[k]:
            break
        least = (1.6 if not taken or bonus[k] < 0.4 else 1.2) * min(1.0, 0.35 + 0.65 * float(seen[k]))
        if votes[k] >= least and _is_open(
            small, xs[k] - left, ys[k], survey=survey, factor=factor, sign=sign
        ):
            taken.append(Candidate(row=row, x_px=float(xs[k]), y_px=float(ys[k]), votes=float(votes[k])))
            worth = np.where(np.abs(ys - ys[k]) < 0.6 * height, -1.0, worth)
        else:
            worth = np.where(np.abs(ys - ys[k]) <= 1.5 * factor, -1.0, worth)
            if votes[k] + bonus[k] < 1.6:
                break
    return sorted(taken, key=lambda each: each.y_px)


def _is_open(
    small: Plane, x: float, y: float, *, survey: PerforationSurvey, factor: int, sign: float
) -> bool:
    """Whether light comes through the middle of the rectangle: nearer to the open gate than to the film."""
    half_w, half_h = 0.3 * survey.width_px / factor, 0.3 * survey.height_px / factor
    cx, cy = (x + 0.5) / factor - 0.5, (y + 0.5) / factor - 0.5
    part = small[
        max(0, int(cy - half_h)) : max(0, int(cy + half_h) + 1),
        max(0, int(cx - half_w)) : int(cx + half_w) + 1,
    ]
    if part.size == 0:
        return True  # only a strip at the edge is in view: the votes decide
    light = min(survey.hole_light, survey.clip_light) if survey.full_scale else survey.hole_light
    level = find_percentiles(part, (60.0,))[0]
    return level > sign * survey.base_light + 0.4 * abs(light - survey.base_light)
