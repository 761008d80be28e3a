"""The tables that `render` writes: one row a finished frame, the sound's map, the frames of each copy."""

from dataclasses import dataclass
from fractions import Fraction
from math import nan

from smallgauge.columns import Column
from smallgauge.picture.flicker import TERMS
from smallgauge.picture.steadiness import Steadiness
from smallgauge.record.dirttable import DirtSummary
from smallgauge.record.finding import Finding
from smallgauge.record.toldcolour import GreyScale, SceneLight
from smallgauge.sound.loudness import LoudnessReading, ViewingGain

_c = Column
RENDER_COLUMNS: tuple[Column, ...] = (
    _c(
        name="finished_frame",
        unit="1",
        type="int32",
        meaning="Number of the frame in the finished film, from 0.",
        source="definition",
    ),
    _c(
        name="film_position",
        unit="1",
        type="int32",
        meaning="Frame of the film, from 0 in running order, with gaps where a frame was not captured.",
        source="definition",
    ),
    _c(
        name="source_capture",
        unit="1",
        type="int32",
        meaning="Which capture of the reel the picture comes from.",
        source="definition",
    ),
    _c(
        name="source_frame",
        unit="1",
        type="int32",
        meaning="Captured frame that the picture comes from.",
        source="definition",
    ),
    _c(
        name="other_capture",
        unit="1",
        type="int32",
        meaning="Another capture of the reel that shows the same film frame; -1 when none does.",
        source="definition",
    ),
    _c(
        name="other_frame",
        unit="1",
        type="int32",
        meaning="The captured frame there, not used; -1 when there is none.",
        source="definition",
    ),
    _c(
        name="kind",
        unit="",
        type="text",
        meaning="captured, or repeated (the frame before, kept so that sound stays in step).",
        source="definition",
    ),
    _c(name="scene", unit="1", type="int32", meaning="Scene, from 0.", source="definition"),
    _c(
        name="a",
        unit="1",
        type="float64",
        meaning="Move to the capture: x_capture = a x + b y + c, pixel centres.",
        source="definition",
    ),
    _c(name="b", unit="1", type="float64", meaning="Move to the capture, see a.", source="definition"),
    _c(name="c", unit="px", type="float64", meaning="Move to the capture, see a.", source="definition"),
    _c(
        name="d",
        unit="1",
        type="float64",
        meaning="Move to the capture: y_capture = d x + e y + f, pixel centres.",
        source="definition",
    ),
    _c(name="e", unit="1", type="float64", meaning="Move to the capture, see d.", source="definition"),
    _c(name="f", unit="px", type="float64", meaning="Move to the capture, see d.", source="definition"),
    _c(
        name="place_sigma_px",
        unit="px",
        type="float64",
        meaning="Standard error of the frame's place, the larger of across and along; NaN where nothing was moved.",
        source="robust path",
    ),
    _c(
        name="place_x_from",
        unit="",
        type="text",
        meaning="What told the place across: gate, perforation, film edge, picture, neighbours or nothing.",
        source="definition",
    ),
    _c(
        name="place_y_from",
        unit="",
        type="text",
        meaning="What told the place along the film, see place_x_from.",
        source="definition",
    ),
    _c(
        name="place_doubtful",
        unit="1",
        type="bool",
        meaning="The frame's evidence contradicts itself and nothing decides; the place may be wrong by place_sigma_px.",
        source="robust path",
    ),
    *(
        _c(
            name=f"lamp_{channel}",
            unit="1",
            type="float64",
            meaning=f"Lamp level that the light of this frame was divided by, {channel}, open gate 1; NaN where none was known.",
            source="definition",
        )
        for channel in ("red", "green", "blue")
    ),
    _c(
        name="exposure_before_ln",
        unit="1",
        type="float64",
        meaning="Path of the camera's exposure within its scene, natural logarithm of light, the scanner's lamp taken out; "
        "0 at the first frame of a scene and after a frame that told nothing.",
        source="flicker",
    ),
    _c(
        name="exposure_after_ln",
        unit="1",
        type="float64",
        meaning="The same once flicker is taken out.",
        source="flicker",
    ),
    *(
        _c(
            name=f"flicker_{channel}_{term}",
            unit="1",
            type="float64",
            meaning=f"Density added to {channel} against flicker, term {term}; x and y run from -1 to 1 over the finished "
            "picture, contrast multiplies the distance from the middle tone. NaN where nothing was changed.",
            source="flicker",
        )
        for channel in ("red", "green", "blue")
        for term in TERMS
    ),
    *(
        _c(
            name=f"flicker_{channel}_middle",
            unit="1",
            type="float64",
            meaning=f"Density of the middle tone in {channel} about which contrast was turned; NaN where nothing was changed.",
            source="flicker",
        )
        for channel in ("red", "green", "blue")
    ),
    _c(
        name="retouched_share",
        unit="1",
        type="float64",
        meaning="Share of pixels made from neighbouring frames.",
        source="definition",
    ),
    *(
        _c(name=name, unit="1", type="float64", meaning=meaning, source="less grain")
        for name, meaning in (
            (
                "grain_taken",
                "Share of the grain's deviation that was taken, mean over the picture; NaN: nobody asked for less.",
            ),
            (
                "grain_likeness",
                "Likeness of what was taken of the grain with the picture's edges; from 0.05 on the frame stays.",
            ),
        )
    ),
    _c(
        name="digest",
        unit="",
        type="text",
        meaning="Digest of the frame as it was handed to the encoder of the finished film.",
        source="definition",
    ),
)
SOUND_COLUMNS: tuple[Column, ...] = (
    _c(
        name="track",
        unit="1",
        type="int32",
        meaning="Channel of the captured sound, from 0; where only 0 stands its map is that of all.",
        source="definition",
    ),
    _c(
        name="out_sample",
        unit="1",
        type="float64",
        meaning="Sample of the finished sound at this knot.",
        source="definition",
    ),
    _c(
        name="in_sample",
        unit="1",
        type="float64",
        meaning="Place in the captured sound at this knot, in samples.",
        source="definition",
    ),
    _c(
        name="slope",
        unit="1",
        type="float64",
        meaning="Captured samples for each finished sample at this knot; cubic Hermite between knots.",
        source="definition",
    ),
    _c(name="gain", unit="1", type="float64", meaning="Gain applied at this knot.", source="definition"),
    _c(
        name="error_s",
        unit="s",
        type="float64",
        meaning="Standard error of the place, for sound with a clock of its own; NaN for sound captured with the picture.",
        source="RasmussenWilliams2006",
    ),
    _c(
        name="foreign_sound",
        unit="1",
        type="bool",
        meaning="From this knot to the next the sound belongs to pictures that were cut away: behind a splice of film that was "
        "cut after it was recorded.",
        source="derived",
    ),
)
REPAIR_COLUMNS: tuple[Column, ...] = (
    _c(
        name="track",
        unit="1",
        type="int32",
        meaning="Channel of the captured sound, from 0.",
        source="definition",
    ),
    _c(
        name="first_sample",
        unit="1",
        type="int64",
        meaning="First sample of the repaired place in the captured sound.",
        source="definition",
    ),
    _c(name="stop_sample", unit="1", type="int64", meaning="The first sample after it.", source="definition"),
    _c(
        name="out_sample",
        unit="1",
        type="float64",
        meaning="Where the middle of it plays in the finished sound, in samples; NaN where it is not heard there.",
        source="definition",
    ),
    _c(
        name="how",
        unit="",
        type="text",
        meaning="all: every sample is filled from the sound on either side; low part: only what lies below some 500 Hz.",
        source="AR interpolation",
    ),
    _c(
        name="before_db",
        unit="dB",
        type="float64",
        meaning="Level of the place before, rms over full scale, hum taken out where it was.",
        source="definition",
    ),
    _c(name="after_db", unit="dB", type="float64", meaning="The same after.", source="definition"),
)
STEADINESS_COLUMNS: tuple[Column, ...] = (
    _c(name="capture", unit="1", type="int32", meaning="Capture of the reel, from 0.", source="definition"),
    _c(name="frame", unit="1", type="int32", meaning="Captured frame, from 0.", source="definition"),
    _c(
        name="before_across_um",
        unit="um",
        type="float64",
        meaning="Place across the film, about its scene's middle, of evidence that did not steer: where it lay in the "
        "capture. The summary names the evidence; NaN where it says nothing.",
        source="derived",
    ),
    _c(
        name="after_across_um",
        unit="um",
        type="float64",
        meaning="What is left of it once the frame's place is taken out.",
        source="derived",
    ),
    _c(
        name="before_along_um",
        unit="um",
        type="float64",
        meaning="The same along the film, in the capture.",
        source="derived",
    ),
    _c(
        name="after_along_um",
        unit="um",
        type="float64",
        meaning="The same along the film, once the frame's place is taken out.",
        source="derived",
    ),
)
COPY_COLUMNS: tuple[Column, ...] = (
    _c(name="copy", unit="", type="text", meaning="Name of the copy's file.", source="definition"),
    _c(name="shown_frame", unit="1", type="int32", meaning="Frame of the copy, from 0.", source="definition"),
    _c(
        name="finished_frame",
        unit="1",
        type="int32",
        meaning="Frame of the finished film that it shows; of a synthetic one the frame before it.",
        source="definition",
    ),
    _c(
        name="kind",
        unit="",
        type="text",
        meaning="real (a frame of the film, repeated or not), or synthetic (made between two of them).",
        source="definition",
    ),
    _c(
        name="next_frame",
        unit="1",
        type="int32",
        meaning="Frame of the finished film behind a synthetic one; -1 for a real one.",
        source="definition",
    ),
    _c(
        name="share",
        unit="1",
        type="float64",
        meaning="Share of the way from finished_frame to next_frame; 0 for a real one.",
        source="definition",
    ),
    _c(
        name="unmatched_share",
        unit="1",
        type="float64",
        meaning="Share of the picture whose motion to the next frame and back misses by more than 1 px; above 0.1 the frame "
        "before is repeated. NaN where no picture between was wanted.",
        source="DIS flow",
    ),
)
REAL, SYNTHETIC = "real", "synthetic"  # kinds of a copy's frames


@dataclass(frozen=True, slots=True, kw_only=True)
class CopySummary:
    """A copy as it was made: its picture lies in the middle of a canvas of square pixels."""

    file: str
    rate: Fraction
    frames: int
    width: int
    height: int
    picture_width: int
    picture_height: int
    synthetic: int = 0  # frames made between two of the film
    refused: int = 0  # frames that repeat because no motion between could be trusted
    order: str = ""  # the word of the order that asked for it; "" for what every reel gets
    coding: str = "h264"
    time_code: str = ""  # of the first frame; "" for none


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFix:
    """One thing that lays sound with a clock of its own, and how far it lies from where all others put it.

    `left_out_s` and its standard error are NaN for a fix that stands alone.
    """

    by: str  # "mark", "splice"
    film_position: float
    sound_s: float
    left_out_s: float
    left_out_sigma_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideTold:
    """How sound with a clock of its own lies on its guide.

    `used` is False where `refusal` says why the guide lays nothing. `windows` agreed, `kept` is their share of all;
    `left_rms_s`, `left_95_s`, `left_max_s` are what is left at each when it is left out. `jumps` and `not_found` as in
    `track.json`.
    """

    used: bool
    refusal: str
    windows: int = 0
    kept: float = nan
    speed: float = nan
    left_rms_s: float = nan
    left_95_s: float = nan
    left_max_s: float = nan
    jumps: tuple[tuple[float, float], ...] = ()
    not_found: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairSummary:
    """What was done to the finished sound. `hum` names the clocks whose hum was taken out: "film", "chain".

    `equalised` is the capture's speed over the film's own, NaN where no replay curve was changed.
    """

    hum: tuple[str, ...] = ()
    hum_lines: int = 0
    clicks: int = 0
    thumps: int = 0
    flutter: bool = False
    equalised: float = nan
    hiss_db: float = 0.0

    @property
    def any(self) -> bool:
        """Whether anything was done."""
        return bool(self.hum or self.clicks or self.thumps or self.flutter or self.hiss_db) or (
            self.equalised == self.equalised
        )


NOTHING_REPAIRED = RepairSummary()


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundSummary:
    """The finished sound as it was made. `band_s` is the widest stated error, three standard errors."""

    rate: int
    channels: int
    samples: int
    digest: str  # SHA-256 of the 24-bit samples handed to the encoder, int32 little-endian, interleaved
    shift_frames: float
    set: bool
    stamp_jitter_ms: float
    loudness: LoudnessReading  # of the finished sound, as the viewing copies would play it without gain
    viewing: ViewingGain  # with which they play
    run: str = "with the picture"
    band_s: float = nan
    fixes: tuple[SoundFix, ...] = ()
    guide: GuideTold | None = None
    repairs: RepairSummary = NOTHING_REPAIRED


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneFlicker:
    """Flicker of one scene of the finished film, rms natural logarithm of light; NaN where a scene is too short to tell.

    `before_ln` is measured, `after_ln` worked out from what was measured and what was changed. `share` is the part of the
    frames that were changed by more than 10 per cent. `scene` counts from 0.
    """

    scene: int
    frames: int
    on: bool
    before_ln: float
    after_ln: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderSummary:
    """`render.json`: what was made, in numbers, and what there is to say about it."""

    version: int = 1
    capture_digest: str
    revision: int  # of the treatment that was rendered
    rate: Fraction
    width: int
    height: int
    bits: int
    frames: int
    filled: int
    left_out: tuple[int, ...]
    repeated: tuple[int, ...]
    copies: tuple[CopySummary, ...]
    stills: tuple[str, ...]
    sound: SoundSummary | None
    findings: tuple[Finding, ...]
    steadiness: tuple[Steadiness, ...] = ()  # across and along, by evidence that did not steer
    flicker: tuple[SceneFlicker, ...] = ()  # a scene each, in running order
    before: tuple[str, ...] = ()  # stills as the film is today, beside those whose colour was corrected
    grey_scales: tuple[GreyScale, ...] = ()
    light: tuple[SceneLight, ...] = ()  # a scene each, in running order
    dirt: DirtSummary | None = None  # where it was looked for
    made_on: tuple[str, ...] = ()  # "processor", or the name of a card: where the finished frames were made
    scene_titles: tuple[str, ...] = ()  # of the chapters, from the first scene on
