"""Registration and framing: from the frame's place on the film to one move a finished frame.

propose_registration  how well each frame's place was measured -> RegistrationDecision   (treat)
solve_registration    places, decision                         -> one place a frame      (render, plan)
propose_framing       picture area and film tilt               -> FramingDecision        (treat)
solve_framing         places, decision                         -> one Move a frame       (render, plan)

A sprocketless transport has white jitter from frame to frame, so a measured place is used as it was
measured; smoothing is for gaps only (picture science, section a: common practice, no source).
"""

from dataclasses import dataclass
from math import cos, sin

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.resample import Move

Series = NDArray[np.float64]

WEAKEST_CONFIDENCE = 0.2  # below this nothing counts as a measurement
GAP_NEIGHBOURS = 10  # frames on either side that a filled place rests on; common practice, no source
MARGIN_SHARE = 0.01  # of the measured picture, kept clear of the gate's soft edge; common practice, no source
LEAST_TILT_RAD = 0.0035  # a fifth of a degree: less can't be seen in a picture; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistrationDecision:
    """Hold the film still by this evidence; frames without it are filled from this many neighbours."""

    by: str  # "perforation", "film edge", "picture" or "nothing"
    gap_neighbours: int = GAP_NEIGHBOURS


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingDecision:
    """The part of the film that is shown, in pixels from the frame's film reference, and the turn.

    `left_px` to `right_px` and `top_px` to `bottom_px` are the outer edges of the first and last
    pixels shown; width and height are even numbers. `turn_rad` levels a film that lay aslant.
    """

    left_px: float
    top_px: float
    width: int
    height: int
    turn_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """One place a frame: x and y of the film reference in the capture, px, and how it came about.

    `filled` marks frames without a measurement of their own.
    """

    x_px: Series
    y_px: Series
    filled: NDArray[np.bool_]


def propose_registration(*, position_from: str, confidence: Series) -> tuple[RegistrationDecision, str]:
    """Choose what holds the film still, with the reason in words.

    Parameters
    ----------
    position_from : str
        What the analysis measured places from: "perforation", "film edge", "picture" or "nothing".
    confidence : array, shape (frames,)
        Confidence of each frame's place, 0 to 1; NaN or below 0.2 is no measurement.

    Returns
    -------
    (RegistrationDecision, str)
        "nothing" when fewer than one frame in five has a place: then no frame is moved.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> propose_registration(position_from="perforation", confidence=np.array([1.0, 0.9, np.nan, 0.8]))
    (RegistrationDecision(by='perforation', gap_neighbours=10), 'measured in 3 of 4 frames')
    """
    measured = int(np.count_nonzero(np.nan_to_num(confidence) >= WEAKEST_CONFIDENCE))
    reason = f"measured in {measured} of {confidence.size} frames"
    if measured * 5 < confidence.size:
        return RegistrationDecision(by="nothing"), f"{reason}, too few to hold the film by"
    return RegistrationDecision(by=position_from), reason


def solve_registration(
    x_px: Series, y_px: Series, confidence: Series, *, decision: RegistrationDecision
) -> Places:
    """One place for every frame: measured where it was, filled from neighbours where it was not.

    Parameters
    ----------
    x_px, y_px : arrays, shape (frames,)
        Measured places, px; NaN where nothing was measured.
    confidence : array, shape (frames,)
        0 to 1; below 0.2 the place is not used.
    decision : RegistrationDecision
        With `by="nothing"` every frame gets the same place, so nothing is moved.

    Returns
    -------
    Places
        Never NaN, unless no frame at all was measured: then all are 0.

    Raises
    ------
    CallerError
        If the series differ in length.

    Notes
    -----
    A gap is filled by a straight line fitted to the measured neighbours (up to `gap_neighbours` each
    side, median of pairwise slopes), which a slow drift of the transport follows.
    Source: common practice, no source; slope after Theil (1950) and Sen (1968), from memory.

    Examples
    --------
    >>> x = np.array([10.0, 11.0, np.nan, 13.0])
    >>> solve_registration(x, x, np.ones(4), decision=RegistrationDecision(by="perforation")).x_px
    array([10., 11., 12., 13.])
    """
    if not x_px.shape == y_px.shape == confidence.shape:
        raise CallerError(
            f"solve_registration needs series of one length, got {x_px.shape}, {y_px.shape} and {confidence.shape}."
        )
    good = np.isfinite(x_px) & np.isfinite(y_px) & (np.nan_to_num(confidence) >= WEAKEST_CONFIDENCE)
    if not good.any() or decision.by == "nothing":
        middle_x = float(np.median(x_px[good])) if good.any() else 0.0
        middle_y = float(np.median(y_px[good])) if good.any() else 0.0
        return Places(
            x_px=np.full(x_px.shape, middle_x),
            y_px=np.full(y_px.shape, middle_y),
            filled=np.ones(x_px.shape, bool),
        )
    return Places(
        x_px=_filled(x_px, good, decision.gap_neighbours),
        y_px=_filled(y_px, good, decision.gap_neighbours),
        filled=~good,
    )


def _filled(series: Series, good: NDArray[np.bool_], neighbours: int) -> Series:
    out = np.where(good, series, 0.0)
    places = np.flatnonzero(good)
    for frame in np.flatnonzero(~good):
        split = int(np.searchsorted(places, frame))
        near = places[max(0, split - neighbours) : split + neighbours]
        values = series[near]
        if near.size < 3:
            out[frame] = float(np.interp(frame, near, values))
            continue
        first, second = np.triu_indices(near.size, 1)
        slope = float(np.median((values[second] - values[first]) / (near[second] - near[first])))
        inside = near[0] < frame < near[-1]
        if not inside:
            slope = 0.0
        out[frame] = float(np.median(values - slope * near)) + slope * float(frame)
    return out


def propose_framing(
    *, left_px: float, right_px: float, top_px: float, bottom_px: float, tilt_rad: float
) -> tuple[FramingDecision, str]:
    """Show the camera's picture less a narrow margin, levelled when the film lay visibly aslant.

    Parameters
    ----------
    left_px, right_px, top_px, bottom_px : float
        Edges of the camera's picture from the film reference, px, as measured or nominal.
    tilt_rad : float
        Turn of the film against the capture's columns, radians, positive clockwise as seen.

    Returns
    -------
    (FramingDecision, str)
        Width and height are even, as H.264 with 4:2:0 colour needs (ITU-T H.264, from memory).

    Notes
    -----
    Source: common practice, no source.

    Examples
    --------
    >>> decision, why = propose_framing(left_px=40.2, right_px=540.9, top_px=-190.0, bottom_px=190.0, tilt_rad=0.001)
    >>> decision.width, decision.height, decision.turn_rad
    (492, 372, 0.0)
    """
    margin = MARGIN_SHARE * min(right_px - left_px, bottom_px - top_px)
    width = _even(right_px - left_px - 2 * margin)
    height = _even(bottom_px - top_px - 2 * margin)
    decision = FramingDecision(
        left_px=round((left_px + right_px - width) / 2, 3),
        top_px=round((top_px + bottom_px - height) / 2, 3),
        width=width,
        height=height,
        turn_rad=tilt_rad if abs(tilt_rad) >= LEAST_TILT_RAD else 0.0,
    )
    return decision, f"the camera's picture less a margin of {margin:.1f} px"


def _even(size: float) -> int:
    return max(2, int(size) // 2 * 2)


def solve_framing(places: Places, *, decision: FramingDecision) -> tuple[Move, ...]:
    """The move of each frame: where in the capture each finished pixel lies.

    Parameters
    ----------
    places : Places
        The film reference of each frame in the capture.
    decision : FramingDecision
        What is shown.

    Returns
    -------
    tuple of Move
        x_capture = a x + b y + c and y_capture = d x + e y + f for finished pixel (x, y), centres.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> place = Places(x_px=np.array([100.0]), y_px=np.array([200.0]), filled=np.array([False]))
    >>> move = solve_framing(place, decision=FramingDecision(left_px=20.0, top_px=-50.0, width=64, height=48))[0]
    >>> move.c, move.f
    (120.5, 150.5)
    """
    left, top = decision.left_px + 0.5, decision.top_px + 0.5
    along, across = cos(decision.turn_rad), sin(decision.turn_rad)
    return tuple(
        Move(
            a=along,
            b=-across,
            c=float(x) + along * left - across * top,
            d=across,
            e=along,
            f=float(y) + across * left + along * top,
        )
        for x, y in zip(places.x_px, places.y_px, strict=True)
    )
