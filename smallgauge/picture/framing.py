"""Framing: the part of the film that is shown, scene by scene, and the shape that it is given.

propose_framing  gate sides, places, shape of the capture  -> FramingDecision   (treat)
solve_framing    places, gate sides, decision              -> one Move a frame  (render, plan)

A file has one size, so the crop's size is constant over a reel; its place changes only where a scene begins,
with the gate's rectangle on the film. Turn, skew and unequal scales are corrected in the same single resampling,
and only where they can be seen.
"""

from dataclasses import asdict, dataclass
from math import cos, isfinite, sin

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.picture.registration import FrameEvidence, Places
from smallgauge.picture.resample import Move

Series = NDArray[np.float64]

SHOWN = ("camera image", "projectable area", "whole capture")
MARGIN_SHARE = 0.01  # of the picture, kept clear of the gate's soft edge; picture science f
LEAST_TURN_RAD = 0.0035  # a fifth of a degree: less can't be seen in a picture; common practice, no source
LEAST_SKEW_RAD = 0.0035  # the same between upright and level sides; common practice, no source
LEAST_STRETCH = 0.02  # perforations are up to 1.1 % off their nominal width (ST149): twice that is told
LEAST_FRAMES = 3  # of a scene that must show a side
SMALLEST_SCENE = 0.97  # of the usual gate: a scene whose gate is smaller does not make the whole film smaller


@dataclass(frozen=True, slots=True, kw_only=True)
class FramingDecision:
    """The part of the film that is shown, in finished pixels from the frame's film reference, and its shape.

    What is None follows from the evidence, so an operator may say no more than what to show. `left_px`,
    `top_px` are the outer edge of the first pixels shown, in a scene whose gate lies as usual; width and height
    are even numbers. `turn_rad` levels a picture that lay aslant (positive clockwise as seen),
    `skew_rad` squares one whose upright sides lean against its level ones, `stretch` is how many captured
    pixels along the film one finished pixel holds.
    """

    show: str = "camera image"  # "projectable area", "whole capture"
    left_px: float | None = None
    top_px: float | None = None
    width: int | None = None
    height: int | None = None
    turn_rad: float | None = None
    skew_rad: float | None = None
    stretch: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A framing decision with nothing left open."""

    show: str
    left_px: float
    top_px: float
    width: int
    height: int
    turn_rad: float
    skew_rad: float
    stretch: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """Size of the finished picture, and the move of each captured frame."""

    width: int
    height: int
    moves: tuple[Move, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureShape:
    """How the film lies in a capture, and how large its scales are; NaN where not known."""

    width_px: int
    height_px: int
    upright_tilt: float  # of the picture's left and right sides: x grows by this for each pixel down
    level_tilt: float  # of its top and bottom: y falls by this for each pixel right
    across_px_per_mm: float
    along_px_per_mm: float
    stated_stretch: float = 1.0  # micrometres a pixel across over along, as stated
    projectable_mm: tuple[float, float] | None = None  # of the gauge


def propose_framing(
    evidence: FrameEvidence, *, shape: CaptureShape, show: str = "camera image"
) -> tuple[FramingDecision, str]:
    """Show the camera's picture less a narrow margin, levelled and squared where that can be seen.

    Parameters
    ----------
    evidence : FrameEvidence
        Its `area` is the gate's usual rectangle.
    shape : CaptureShape
    show : str
        "camera image", "projectable area" or "whole capture".

    Returns
    -------
    (FramingDecision, str)
        Width and height are even, as H.264 with 4:2:0 colour needs (ITU-T H.264, from memory).

    Raises
    ------
    CallerError
        If `show` is none of the three, or the projectable area is asked for and the gauge has none.

    Notes
    -----
    Where scenes were exposed through gates of different size the smallest is shown, as long as it is not
    below 97 % of the usual one. Source: common practice, no source.
    """
    layout, words = _layout(FramingDecision(show=show), evidence, shape)
    return FramingDecision(**asdict(layout)), "; ".join(words)


def _layout(
    decision: FramingDecision, evidence: FrameEvidence, shape: CaptureShape
) -> tuple[Layout, list[str]]:
    """The decision with what it leaves open, and the reason in words."""
    if decision.show not in SHOWN:
        raise CallerError(
            f"Framing shows one of {', '.join(SHOWN)}; found '{decision.show}'. Decide one of them."
        )
    turn, skew, stretch, said = _shape(shape)
    turn = turn if decision.turn_rad is None else decision.turn_rad
    skew = skew if decision.skew_rad is None else decision.skew_rad
    stretch = stretch if decision.stretch is None else decision.stretch
    (width, height), words = _size(decision.show, evidence, shape, stretch)
    across = _even(width) if decision.width is None else decision.width
    along = _even(height) if decision.height is None else decision.height
    matrix = _matrix(turn, skew, stretch)
    left, top, right, bottom = evidence.area
    middle = _finished(matrix, (left + right) / 2, (top + bottom) / 2)
    if decision.show == "whole capture":
        x, y = _usual_place(evidence)
        middle = _finished(matrix, (shape.width_px - 1) / 2 - x, (shape.height_px - 1) / 2 - y)
    layout = Layout(
        show=decision.show,
        left_px=round(middle[0] - across / 2, 3) if decision.left_px is None else decision.left_px,
        top_px=round(middle[1] - along / 2, 3) if decision.top_px is None else decision.top_px,
        width=across,
        height=along,
        turn_rad=turn,
        skew_rad=skew,
        stretch=stretch,
    )
    return layout, [words, *said]


def _size(
    show: str, evidence: FrameEvidence, shape: CaptureShape, stretch: float
) -> tuple[tuple[float, float], str]:
    """Width and height that are shown, finished pixels, and what that is."""
    if show == "whole capture":
        return (float(shape.width_px), shape.height_px / stretch), "the whole capture"
    width, height = _smallest(evidence)
    height /= stretch
    margin = MARGIN_SHARE * min(width, height)
    most = width - 2 * margin, height - 2 * margin
    if show == "camera image":
        return most, f"the camera's picture less a margin of {margin:.1f} px"
    if shape.projectable_mm is None:
        raise CallerError("The projectable area of this gauge is not known; decide another framing.")
    wide = shape.projectable_mm[0] * shape.across_px_per_mm
    high = shape.projectable_mm[1] * (
        shape.along_px_per_mm if isfinite(shape.along_px_per_mm) else shape.across_px_per_mm
    )
    return (min(wide, most[0]), min(high / stretch, most[1])), "the area that a projector shows"


def _usual_place(evidence: FrameEvidence) -> tuple[float, float]:
    """Median place of the film reference in the capture, by perforations or else by the gate."""
    out = []
    for axis in (0, 1):
        told = evidence.perforation_px[axis]
        if not np.isfinite(told).any():
            told = np.concatenate([evidence.gate_px[s] - evidence.area[s] for s in (axis, axis + 2)])
        told = told[np.isfinite(told)]
        out.append(float(np.median(told)) if told.size else 0.0)
    return out[0], out[1]


def _shape(shape: CaptureShape) -> tuple[float, float, float, list[str]]:
    """Turn, skew and stretch, each 0, 0 or as stated where it can't be seen, and what was corrected."""
    said = []
    upright = shape.upright_tilt if isfinite(shape.upright_tilt) else 0.0
    level = shape.level_tilt if isfinite(shape.level_tilt) else upright
    if not isfinite(shape.upright_tilt):
        upright = level
    turn, skew = -level, level - upright
    if abs(skew) < LEAST_SKEW_RAD:
        turn, skew = -(level + upright) / 2, 0.0
    if abs(turn) < LEAST_TURN_RAD:
        turn = 0.0
    else:
        said.append(f"turned by {np.degrees(turn):.2f} degrees")
    if skew:
        said.append(f"skew of {np.degrees(skew):.2f} degrees taken out")
    stretch = shape.stated_stretch
    ratio = shape.along_px_per_mm / shape.across_px_per_mm
    if isfinite(ratio) and abs(ratio / stretch - 1.0) >= LEAST_STRETCH:
        stretch = ratio
        said.append(f"scales along and across the film differ by {100 * (ratio - 1):.1f} %")
    return round(turn, 6), round(skew, 6), round(stretch, 6), said


def _smallest(evidence: FrameEvidence) -> tuple[float, float]:
    """Size of the smallest scene's gate, not below 97 % of the usual one; never more than the usual one."""
    left, top, right, bottom = evidence.area
    out = []
    for usual, low, high in ((right - left, 0, 2), (bottom - top, 1, 3)):
        size = evidence.gate_px[high] - evidence.gate_px[low]
        sizes = [usual]
        for scene in np.unique(evidence.scene):
            here = size[(evidence.scene == scene) & np.isfinite(size)]
            if here.size >= LEAST_FRAMES:
                sizes.append(float(np.median(here)))
        out.append(min(each for each in sizes if each >= SMALLEST_SCENE * usual))
    return out[0], out[1]


def _even(size: float) -> int:
    return max(2, int(size) // 2 * 2)


_Matrix = tuple[float, float, float, float]


def _matrix(turn: float, skew: float, stretch: float) -> _Matrix:
    """a, b, d, e: captured distance of one finished pixel right (a, d) and down (b, e)."""
    return cos(turn), -sin(turn + skew) * stretch, sin(turn), cos(turn + skew) * stretch


def _finished(matrix: _Matrix, x: float, y: float) -> tuple[float, float]:
    """A captured distance from the film reference in finished pixels."""
    a, b, d, e = matrix
    whole = a * e - b * d
    return (e * x - b * y) / whole, (a * y - d * x) / whole


def scene_shifts(evidence: FrameEvidence, places: Places) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """How far each frame's scene has its gate from the usual place on the film, px, and where that was seen.

    Returns
    -------
    array, shape (2, frames)
        x and y; 0 where the scene shows no side: the same for all frames of a scene.
    array of bool, shape (2, frames)
    """
    count = evidence.scene.size
    shift, seen = np.zeros((2, count)), np.zeros((2, count), bool)
    place = (places.x_px, places.y_px)
    for scene in np.unique(evidence.scene):
        here = evidence.scene == scene
        for axis in (0, 1):
            rest = [
                evidence.gate_px[s][here] - place[axis][here] - evidence.area[s] for s in (axis, axis + 2)
            ]
            both = (rest[0] + rest[1]) / 2
            if np.isfinite(both).sum() >= LEAST_FRAMES:
                value = float(np.nanmedian(both))
            else:
                sides = [np.nanmedian(r) for r in rest if np.isfinite(r).sum() >= min(LEAST_FRAMES, r.size)]
                if not sides:
                    continue
                value = float(np.mean(sides))
            shift[axis, here], seen[axis, here] = value, True
    return shift, seen


def solve_framing(
    evidence: FrameEvidence, places: Places, *, decision: FramingDecision, shape: CaptureShape
) -> Framing:
    """The move of each frame: where in the capture each finished pixel lies.

    Parameters
    ----------
    evidence : FrameEvidence
        Its gate sides say where each scene's picture lies on the film.
    places : Places
        The film reference of each frame in the capture.
    decision : FramingDecision
        What is shown. The whole capture is shown as it lies; the others follow the gate from scene to scene.
    shape : CaptureShape
        What the decision leaves open follows from it.

    Returns
    -------
    Framing
        x_capture = a x + b y + c and y_capture = d x + e y + f for finished pixel (x, y), centres.

    Notes
    -----
    Source: definition.
    """
    layout, _ = _layout(decision, evidence, shape)
    left, top = layout.left_px + 0.5, layout.top_px + 0.5
    a, b, d, e = _matrix(layout.turn_rad, layout.skew_rad, layout.stretch)
    shift = np.zeros((2, places.x_px.size))
    if layout.show != "whole capture":
        shift, _ = scene_shifts(evidence, places)
    moves = tuple(
        Move(a=a, b=b, c=float(x) + a * left + b * top, d=d, e=e, f=float(y) + d * left + e * top)
        for x, y in zip(places.x_px + shift[0], places.y_px + shift[1], strict=True)
    )
    return Framing(width=layout.width, height=layout.height, moves=moves)
