"""What is known of perforations: the survey of a capture, the fix of one perforation, a frame's film reference.

Types and table columns only; `perforations` fills them, `gauge_reading` makes the survey.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.columns import Column

Polarity = Literal["bright hole", "dark hole"]
State = Literal["whole", "damaged", "cut off", "full scale"]
Plane = NDArray[np.float32]

SIDES = ("left", "right", "top", "bottom")


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationSurvey:
    """What one capture's perforations look like, measured once from frames spread over it, then frozen.

    Numbers and words only. NaN where the capture does not show it. Sizes are as measured by this
    finder on this capture, so they hold whatever the blur and the exposure did to both sides.
    """

    gauge: str  # key in GAUGES
    polarity: Polarity
    channel: int  # 0 red, 1 green, 2 blue: the one with the best contrast to noise
    frame_width_px: int
    frame_height_px: int
    width_px: float  # of the perforation, across the film
    height_px: float  # along the film
    corner_px: float  # corner radius
    pitch_px: float  # along the film
    pitch_measured: bool  # False: from the size of the perforation and the gauge's ratio
    across_px_per_mm: float  # of nominal film: shrinkage is in it
    along_px_per_mm: float
    scale_source: str
    blur_px: float  # standard deviation of the edge across upright sides
    blur_along_px: float  # across level sides; smear of the moving film is in it
    tilt: float  # radians: x of the film's edge grows by this for each pixel down
    rows: tuple[float, ...]  # usual x of each row of perforations, left to right, at usual_y_px
    usual_y_px: float  # of the frame's film reference (nominal picture centre)
    spread_px: float  # robust standard deviation of the reference's y over the survey's frames
    spread_x_px: float
    hole_light: float  # as fitted; above clip_light where the perforation is at full scale
    base_light: float
    noise_light: float  # standard deviation of one sample near the edges
    full_scale: bool  # perforation at the highest code
    clip_light: float  # light of the highest code; NaN when not full_scale
    holes_at: Literal["mid-frame", "frame line"]
    film_left_px: float  # film edges at usual_y_px; NaN when not in view
    film_right_px: float
    picture_side: Literal["left", "right", "both"]  # of the first row
    reference_x: Literal["left", "right", ""]  # side to trust where opposite sides disagree; "": neither
    reference_y: Literal["top", "bottom", ""]


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationFix:
    """Where one perforation lies. A side's position is that of its line at the perforation's centre.

    NaN where a side gives no measurement. `x_px` or `y_px` is NaN where opposite sides disagree and
    nothing tells which is right; the sides then still stand.
    """

    row: int
    x_px: float
    y_px: float
    sigma_x_px: float
    sigma_y_px: float
    left_px: float
    right_px: float
    top_px: float
    bottom_px: float
    sigma_left_px: float
    sigma_right_px: float
    sigma_top_px: float
    sigma_bottom_px: float
    tilt: float  # radians, of this frame's film, as the sides show it
    state: State
    confidence: float  # 0 to 1; below 0.2 it is no measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmReference:
    """The film-fixed point of a frame: across, the perforation's centre; along, the nominal picture centre."""

    x_px: float
    y_px: float
    sigma_x_px: float
    sigma_y_px: float
    source: str  # "two perforations", "one perforation", "film edge", "none"
    pitch_px: float  # NaN unless two neighbouring perforations were seen
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmEdgeFix:
    """The film's own edge: x at half the frame's height; weak, because slitting is not punching."""

    side: Literal["left", "right"]
    x_px: float
    sigma_px: float
    tilt: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A place where a perforation of the known size may lie, to within some pixels."""

    row: int
    x_px: float
    y_px: float
    votes: float  # 0 to 4: share of each side that has its edge there, added up


def _side_columns() -> tuple[Column, ...]:
    columns = []
    for side in SIDES:
        what = "x" if side in ("left", "right") else "y"
        columns.append(
            Column(
                name=f"{side}_px",
                unit="px",
                type="float64",
                source="tukey biweight",
                tolerance=0.01,
                meaning=f"{what} of the {side} side's line at the perforation's centre; NaN: not measured.",
            )
        )
        columns.append(
            Column(
                name=f"sigma_{side}_px",
                unit="px",
                type="float64",
                source="tukey biweight",
                tolerance=0.01,
                meaning=f"Standard deviation of {side}_px.",
            )
        )
    return tuple(columns)


COLUMNS: tuple[Column, ...] = (
    Column(
        name="film_perforation", unit="1", type="int32", source="definition",
        meaning="Number of the perforation along the film within its row; 0 stands at the capture's first frame.",
    ),
    Column(
        name="row", unit="1", type="int32", source="definition",
        meaning="Row of perforations, from the left of the capture.",
    ),
    Column(
        name="x_px", unit="px", type="float64", source="hough", tolerance=0.01,
        meaning="x of the perforation's centre; NaN: no measurement.",
    ),
    Column(
        name="y_px", unit="px", type="float64", source="hough", tolerance=0.01,
        meaning="y of the perforation's centre; NaN: no measurement.",
    ),
    Column(
        name="sigma_x_px", unit="px", type="float64", source="tukey biweight", tolerance=0.01,
        meaning="Standard deviation of x_px.",
    ),
    Column(
        name="sigma_y_px", unit="px", type="float64", source="tukey biweight", tolerance=0.01,
        meaning="Standard deviation of y_px.",
    ),
    *_side_columns(),
    Column(
        name="tilt", unit="rad", type="float64", source="tukey biweight", tolerance=1e-4,
        meaning="Tilt of the film in this frame: growth of x of its edge for each pixel down.",
    ),
    Column(
        name="state", unit="", type="text", source="definition",
        meaning="whole, damaged (sides missing or in disagreement), cut off (by the picture's edge), "
        "full scale (its light is not measured), or not found (it should be in view).",
    ),
    Column(
        name="confidence", unit="1", type="float64", source="common practice", tolerance=0.01,
        meaning="0 to 1; below 0.2 the perforation is not measured.",
    ),
)  # fmt: skip

# Of the frame table: the film's own edge.
EDGE_COLUMNS: tuple[Column, ...] = (
    Column(
        name="film_edge_side", unit="", type="text", source="definition",
        meaning="Which edge of the film was read: left or right; empty when none.",
    ),
    Column(
        name="film_edge_x_px", unit="px", type="float64", source="tukey biweight", tolerance=0.02,
        meaning="x of that edge at half the capture's height; NaN: not seen.",
    ),
    Column(
        name="film_edge_sigma_px", unit="px", type="float64", source="tukey biweight", tolerance=0.02,
        meaning="Standard deviation of film_edge_x_px, the edge's own roughness in it.",
    ),
    Column(
        name="film_width_px", unit="px", type="float64", source="tukey biweight", tolerance=0.03,
        meaning="Width of the film from edge to edge, square to them; NaN unless both are seen.",
    ),
)  # fmt: skip
