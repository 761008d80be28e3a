"""`frames.parquet`: a row a captured frame; `perforations.parquet`: a perforation; `overlap.parquet`: a frame in two captures."""

from smallgauge.columns import Column
from smallgauge.picture.alignment import COLUMNS as ALIGNMENT_COLUMNS
from smallgauge.picture.base import COLUMNS as BASE_COLUMNS
from smallgauge.picture.border import COLUMNS as BORDER_COLUMNS
from smallgauge.picture.damage import COLUMNS as DAMAGE_COLUMNS
from smallgauge.picture.exposure import COLUMNS as EXPOSURE_COLUMNS
from smallgauge.picture.flicker_pairs import COLUMNS as FLICKER_COLUMNS
from smallgauge.picture.focus import COLUMNS as FOCUS_COLUMNS
from smallgauge.picture.gate import COLUMNS as GATE_COLUMNS
from smallgauge.picture.loading import COLUMNS as LOADING_COLUMNS
from smallgauge.picture.mono import COLUMNS as TONE_COLUMNS
from smallgauge.picture.overlap import COLUMNS as JOINT_COLUMNS
from smallgauge.picture.perforation_fix import EDGE_COLUMNS
from smallgauge.picture.perforations import COLUMNS as FIX_COLUMNS
from smallgauge.picture.pitch import COLUMNS as PITCH_COLUMNS
from smallgauge.picture.repetition import COLUMNS as REPETITION_COLUMNS
from smallgauge.picture.scenes import COLUMNS as SCENE_COLUMNS
from smallgauge.picture.splice_evidence import COLUMNS as SPLICE_COLUMNS
from smallgauge.sound.levels import COLUMNS as LEVEL_COLUMNS

_c = Column
_KEY = (
    _c(name="capture", unit="1", type="int32", meaning="Capture of the reel, from 0.", source="definition"),
    _c(
        name="frame",
        unit="1",
        type="int32",
        meaning="Captured frame, from 0, kept for ever.",
        source="definition",
    ),
)
FRAME_COLUMNS: tuple[Column, ...] = (
    *_KEY,
    _c(
        name="time_s",
        unit="s",
        type="float64",
        meaning="Time at which the frame was in the scanner's gate.",
        source="definition",
    ),
    _c(
        name="film_position",
        unit="1",
        type="int32",
        meaning="Frame of the film, from 0, in the order in which the capture ran; frames that were not captured are "
        "left open, and one captured twice has one place.",
        source="definition",
    ),
    _c(
        name="perforation_x_px",
        unit="px",
        type="float64",
        meaning="Place of the frame on the film, across: the perforation's centre line.",
        source="definition",
    ),
    _c(
        name="perforation_y_px",
        unit="px",
        type="float64",
        meaning="Place of the frame on the film, along: the nominal picture centre as the perforations give it.",
        source="definition",
    ),
    _c(
        name="perforation_sigma_px",
        unit="px",
        type="float64",
        meaning="Standard error of that place, the larger of across and along.",
        source="definition",
    ),
    _c(
        name="perforation_source",
        unit="",
        type="text",
        meaning="What the place rests on: two perforations, one perforation, film edge, picture, or nothing.",
        source="definition",
    ),
    _c(
        name="perforation_confidence",
        unit="1",
        type="float64",
        meaning="How far the place may be trusted, 0 to 1; below 0.2 nothing was measured.",
        source="definition",
    ),
    _c(
        name="pitch_px",
        unit="px",
        type="float64",
        meaning="Distance of the two perforations in view along the film.",
        source="definition",
    ),
    _c(
        name="shrinkage_low",
        unit="1",
        type="float64",
        meaning="Lowest shrinkage that the pitch allows, as a share; only with a stated scale.",
        source="ST149",
    ),
    _c(
        name="shrinkage_high",
        unit="1",
        type="float64",
        meaning="Highest shrinkage that the pitch allows, as a share; only with a stated scale.",
        source="ST149",
    ),
    *PITCH_COLUMNS,
    *EDGE_COLUMNS,
    *GATE_COLUMNS,
    *ALIGNMENT_COLUMNS,
    *EXPOSURE_COLUMNS,
    *FOCUS_COLUMNS,
    *SCENE_COLUMNS,
    *FLICKER_COLUMNS,
    *LOADING_COLUMNS,
    *BORDER_COLUMNS,
    *TONE_COLUMNS,
    *BASE_COLUMNS,
    *REPETITION_COLUMNS,
    *SPLICE_COLUMNS,
    _c(
        name="scene",
        unit="1",
        type="int32",
        meaning="Scene that the material shows, from 0.",
        source="definition",
    ),
    _c(
        name="splice",
        unit="1",
        type="bool",
        meaning="A physical splice before this frame.",
        source="definition",
    ),
    _c(
        name="splice_kind",
        unit="",
        type="text",
        meaning="Its kind: tape or cement; empty where it can't be told.",
        source="definition",
    ),
    _c(
        name="splice_confidence",
        unit="1",
        type="float64",
        meaning="How sure it is that a splice lies before this frame, 0 to 1; one is told from 0.5.",
        source="common practice",
    ),
    _c(
        name="duplicate_of",
        unit="1",
        type="int32",
        meaning="Captured frame before that shows the same frame of the film; -1 when none.",
        source="definition",
    ),
    _c(
        name="missing_before",
        unit="1",
        type="int32",
        meaning="How many frames of the film were not captured before this one, as far as can be told.",
        source="definition",
    ),
    _c(
        name="numbers_skipped",
        unit="1",
        type="int32",
        meaning="How many numbers the file names skip before this frame.",
        source="definition",
    ),
    _c(
        name="account",
        unit="",
        type="text",
        meaning="The frame in the account: captured once, captured twice, swapped, or not known.",
        source="definition",
    ),
    _c(name="flags", unit="1", type="int64", meaning="What is doubtful, one bit each.", source="definition"),
)
PERFORATION_COLUMNS: tuple[Column, ...] = (*_KEY, *FIX_COLUMNS, *DAMAGE_COLUMNS)
TRACK_COLUMNS: tuple[Column, ...] = LEVEL_COLUMNS
OVERLAP_COLUMNS: tuple[Column, ...] = JOINT_COLUMNS  # one row a film frame that two captures of a reel show
