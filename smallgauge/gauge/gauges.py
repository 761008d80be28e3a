"""The gauges: standard 8, Super 8, 16 mm with one and two rows, 9.5 mm and unslit double 8.

Why this is long: it is data. Each value stands beside its source, its confidence and the disagreements
between texts, and splitting a gauge from its sources would make neither readable.

Dimensions are those of new film when it was cut and perforated (23 +-1 C, 50 +-2 % relative humidity: ST149,
ST239); old film is smaller everywhere. "Width" is across the film, "height" along it.
"""

import difflib
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from smallgauge.errors import MaterialError
from smallgauge.gauge.facts import Confidence, Fact, Rank, RunningRate
from smallgauge.gauge.tracks import StripeTrack

Row = Literal["left", "right", "centre"]
HolesAt = Literal["mid-frame", "frame line"]

_SEEN: Confidence = "published, seen in text"
_SECOND: Confidence = "published, seen second-hand"
_STANDARD: Confidence = "from memory of standard, not seen"
_MEMORY: Confidence = "from memory, not checked"
_DERIVED: Confidence = "derived here by arithmetic"
_PRACTICE: Confidence = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationShape:
    """One perforation: a rectangle with rounded corners.

    Examples
    --------
    >>> SUPER_8.perforation.width_mm.value, SUPER_8.perforation.height_mm.value
    (0.914, 1.143)
    """

    width_mm: Fact  # across the film
    height_mm: Fact  # along the film
    corner_radius_mm: Fact
    edge_distance_mm: (
        Fact | None
    )  # film edge to the near side of the hole; None for a row in the film's centre


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageArea:
    """A picture area that some text gives: the camera's image, or the largest area to be projected.

    Examples
    --------
    >>> [area.height_mm.value for area in STANDARD_8.other_camera_images]
    [3.6, 3.3]
    """

    width_mm: Fact
    height_mm: Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One gauge of film.

    `rows` counts from the left of a picture seen upright. A capture may show a one-row film with its holes
    on either side (it depends on the machine and on which face of the film looks at the lens), so "left"
    there is the side on which this project draws it; the capture's own side is found or stated, never taken
    from here.

    Examples
    --------
    >>> NINE_FIVE.rows, NINE_FIVE.holes_at, NINE_FIVE.perforation.edge_distance_mm
    (('centre',), 'frame line', None)
    >>> SUPER_8.frames_per_foot, SUPER_8.usual_rates
    (Fraction(72, 1), (Fraction(18, 1), Fraction(24, 1)))
    """

    key: str  # short and stable: "super-8"
    name: str  # as a technician writes it: "Super 8"
    aliases: tuple[str, ...]  # other names that `gauge_named` takes
    film_width_mm: Fact
    pitch_long_mm: Fact  # from one perforation to the next, long-pitch stock
    pitch_short_mm: Fact | None  # short-pitch stock; None: none known
    length_100_long_mm: Fact  # 100 consecutive long pitches
    length_100_short_mm: Fact | None
    perforation: PerforationShape
    rows: tuple[Row, ...]
    rows_apart_mm: Fact | None  # inner side to inner side of two rows; None: one row
    holes_at: HolesAt  # where the perforation lies along the frame
    holes_at_source: str  # key in SOURCES
    holes_at_confidence: Confidence
    camera_image_width_mm: Fact
    camera_image_height_mm: Fact
    other_camera_images: tuple[ImageArea, ...]  # other values in print, with what is wrong or unsettled
    projectable: tuple[ImageArea, ...]  # largest areas to be projected, the best first
    picture_centre_from_edge_mm: Fact  # from the perforated (reference) edge
    nominal_frames_per_foot: Fact  # the trade's count, not the pitch's
    running_rates: tuple[RunningRate, ...]  # the usual first
    tracks: tuple[StripeTrack, ...]  # the usual first
    notes: tuple[str, ...] = ()

    @property
    def frames_per_foot(self) -> Fraction:
        """Frames to a foot as the trade counts them, exact."""
        return Fraction(int(self.nominal_frames_per_foot.value))

    @property
    def usual_rates(self) -> tuple[Fraction, ...]:
        """Rates that its cameras usually ran at, frames a second, the likeliest first; never a "
        "silent default."""
        return tuple(each.rate for each in self.running_rates if each.rank in ("usual", "second"))


def _seen(value: float, tolerance: float | None, source: str, note: str = "") -> Fact:
    return Fact(value=value, tolerance=tolerance, source=source, confidence=_SEEN, note=note)


def _second(
    value: float, tolerance: float | None, source: str, also: tuple[str, ...] = (), note: str = ""
) -> Fact:
    return Fact(value=value, tolerance=tolerance, source=source, confidence=_SECOND, also=also, note=note)


def _from_standard(value: float, tolerance: float | None, source: str, note: str = "") -> Fact:
    return Fact(value=value, tolerance=tolerance, source=source, confidence=_STANDARD, note=note)


def _remembered(value: float, tolerance: float | None = None, note: str = "") -> Fact:
    return Fact(value=value, tolerance=tolerance, source="memory", confidence=_MEMORY, note=note)


def _derived(
    value: float, tolerance: float | None = None, also: tuple[str, ...] = (), note: str = ""
) -> Fact:
    return Fact(value=value, tolerance=tolerance, source="derived", confidence=_DERIVED, also=also, note=note)


def _area(width: Fact, height: Fact) -> ImageArea:
    return ImageArea(width_mm=width, height_mm=height)


def _rate(
    rate: int,
    rank: Rank,
    where: str,
    source: str,
    confidence: Confidence,
    tolerance: float | None = None,
    note: str = "",
) -> RunningRate:
    return RunningRate(
        rate=Fraction(rate),
        rank=rank,
        where=where,
        source=source,
        confidence=confidence,
        tolerance=tolerance,
        note=note,
    )


_VIDEO_RATE = _rate(25, "slow setting", "shooting matched to 50 Hz television", "common practice", _PRACTICE)

_SIXTEEN_HOLE = PerforationShape(
    width_mm=_seen(1.83, 0.01, "Z22.5"),
    height_mm=_seen(1.27, 0.01, "Z22.5"),
    corner_radius_mm=_seen(0.25, None, "Z22.5"),
    edge_distance_mm=_seen(0.91, 0.05, "Z22.5"),
)

_TYPE_R_NOTE = "size seen for 16 mm; that Type R has the same hole at half the spacing is second-hand"
_TYPE_R_HOLE = PerforationShape(
    width_mm=_second(1.83, 0.01, "DEWIKI8", ("Z22.5", "ENC8"), _TYPE_R_NOTE),
    height_mm=_second(1.27, 0.01, "DEWIKI8", ("Z22.5", "ENC8"), _TYPE_R_NOTE),
    corner_radius_mm=_second(0.25, None, "DEWIKI8", ("Z22.5", "ENC8"), _TYPE_R_NOTE),
    edge_distance_mm=_second(0.91, 0.05, "DEWIKI8", ("Z22.5", "ENC8"), _TYPE_R_NOTE),
)
_TYPE_R_LONG = _seen(
    3.81, None, "ST239", "nominal seen in the scope; a tolerance of 0.013 is from memory (Z22.17)"
)
_TYPE_R_SHORT = _seen(3.802, None, "ST239", "nominal seen in the scope; no tolerance seen")
_TYPE_R_100_LONG = _derived(381.0, None, ("ST239",), "100 x 3.81")
_TYPE_R_100_SHORT = _derived(380.2, None, ("ST239",), "100 x 3.802")
_TYPE_R_CENTRE = _from_standard(
    5.21,
    0.05,
    "Z22.19",
    "agrees with the geometry: the perforation ends at 2.74, the image reaches from 2.81 to 7.61",
)
_TYPE_R_RATES = (
    _rate(16, "usual", "cameras to about 1960", "ENC8", _SECOND),
    _rate(18, "usual", "cameras from the early 1960s", "ENC8", _SECOND),
    _rate(12, "slow setting", "some cameras", "ENC8", _SECOND),
    _rate(15, "slow setting", "some cameras", "ENC8", _SECOND),
    _VIDEO_RATE,
)
_TYPE_R_PRINTED_AREAS = (
    _area(
        _second(4.9, None, "FSM", ("DEWIKI8",), "disagrees by 0.1 mm; fits 0.192 in, from memory"),
        _second(3.6, None, "FSM", ("DEWIKI8",), "disagrees by 0.1 mm; fits 0.145 in, from memory"),
    ),
    _area(
        _second(4.5, None, "POPULAR", (), "often printed as the frame size: not the camera's image"),
        _second(3.3, None, "POPULAR", (), "often printed as the frame size: not the camera's image"),
    ),
)
_TYPE_R_PROJECTABLE = (
    _area(_second(4.37, None, "KIEL"), _second(3.28, None, "KIEL")),
    _area(_second(4.3, None, "COLL"), _second(3.3, None, "COLL")),
)

STANDARD_8 = Gauge(
    key="standard-8",
    name="standard 8",
    aliases=("std8", "std 8", "regular 8", "double 8", "8 mm", "8 mm type r", "type r", "normal 8"),
    film_width_mm=_from_standard(
        7.976, 0.038, "ST149", "read for Type S; the same nominal 0.314 in for Type R is from memory"
    ),
    pitch_long_mm=_TYPE_R_LONG,
    pitch_short_mm=_TYPE_R_SHORT,
    length_100_long_mm=_TYPE_R_100_LONG,
    length_100_short_mm=_TYPE_R_100_SHORT,
    perforation=_TYPE_R_HOLE,
    rows=("left",),
    rows_apart_mm=None,
    holes_at="frame line",
    holes_at_source="DEWIKI8",
    holes_at_confidence=_SECOND,
    camera_image_width_mm=_seen(4.8, None, "WHEELER", "ENC8 and COLL print the same"),
    camera_image_height_mm=_seen(3.51, None, "WHEELER", "ENC8 and COLL print 3.5"),
    other_camera_images=_TYPE_R_PRINTED_AREAS,
    projectable=_TYPE_R_PROJECTABLE,
    picture_centre_from_edge_mm=_TYPE_R_CENTRE,
    nominal_frames_per_foot=_second(80, None, "ENCFOOT", (), "agrees with 304.8 / 3.81"),
    running_rates=_TYPE_R_RATES,
    tracks=(
        StripeTrack(
            kind="magnetic",
            ahead_frames=_second(56.0, 1.0, "ENC8", ("BTA",)),
            width_mm=_remembered(0.76, None, "0.030 in; must fit the margin of 0.91 mm"),
            balance_width_mm=None,
            place="on the perforation side, between the perforations and the near film edge",
        ),
    ),
    notes=("Some prints say 264 frames a metre: that is 0.6 % high; the pitch gives 262.467.",),
)

SUPER_8 = Gauge(
    key="super-8",
    name="Super 8",
    aliases=("super8", "s8", "8 mm type s", "type s"),
    film_width_mm=_seen(7.976, 0.038, "ST149"),
    pitch_long_mm=_seen(
        4.2342, 0.01, "ST149", "423.42 / 100; printed as 0.1667 in (4.23418 mm) and, rounded, as 4.234 mm"
    ),
    pitch_short_mm=_seen(
        4.2266, 0.01, "ST149", "422.66 / 100; printed as 0.1664 in (4.22656 mm) and, rounded, as 4.227 mm"
    ),
    length_100_long_mm=_seen(423.42, 0.43, "ST149"),
    length_100_short_mm=_seen(422.66, 0.43, "ST149"),
    perforation=PerforationShape(
        width_mm=_seen(0.914, 0.01, "ST149"),
        height_mm=_seen(1.143, 0.01, "ST149"),
        corner_radius_mm=_seen(0.13, 0.03, "ST149"),
        edge_distance_mm=_seen(0.51, 0.05, "ST149"),
    ),
    rows=("left",),
    rows_apart_mm=None,
    holes_at="mid-frame",
    holes_at_source="ST181",
    holes_at_confidence=_SEEN,
    camera_image_width_mm=_second(
        5.69, None, "FSM", ("DEWIKI8",), "0.224 in; ISO 3645 and SMPTE 157, which define it, were not seen"
    ),
    camera_image_height_mm=_second(4.22, None, "FSM", ("DEWIKI8",), "0.166 in"),
    other_camera_images=(
        _area(
            _second(6.22, None, "S8WIKI", (), "disagrees in width; may be a maximum; unresolved"),
            _second(4.22, None, "S8WIKI"),
        ),
        _area(
            _second(
                5.79, None, "POPULAR", (), "pairs a camera's width with a projector's height: do not use"
            ),
            _second(
                4.01, None, "POPULAR", (), "pairs a camera's width with a projector's height: do not use"
            ),
        ),
    ),
    projectable=(
        _area(
            _second(5.31, None, "S8WIKI", (), "quotes SMPTE 154; agrees with memory of it (0.209 in)"),
            _second(4.01, None, "S8WIKI", (), "quotes SMPTE 154; agrees with memory of it (0.158 in)"),
        ),
        _area(_second(5.36, None, "KIEL", (), "disagrees by 0.05 mm"), _second(4.01, None, "KIEL")),
    ),
    picture_centre_from_edge_mm=_derived(
        4.39,
        0.1,
        ("ST149", "ST164"),
        "an estimate, not published: the image of 5.69 set between the perforation, which ends at "
        "1.42, and the "
        "stripe, which starts at about 7.29; measure it on a real capture",
    ),
    nominal_frames_per_foot=_second(
        72, None, "ENC8", ("ENCFOOT",), "12 / 0.1667 is 71.986: one frame fewer in 5000"
    ),
    running_rates=(
        _rate(18, "usual", "silent cameras", "ENC8", _SECOND),
        _rate(24, "second", "sound cameras, the better quality", "ENC8", _SECOND),
        _rate(18, "other", "sound cameras", "memory", _MEMORY),
        _rate(9, "slow setting", "some cameras", "memory", _MEMORY),
        _rate(32, "slow motion", "some cameras", "memory", _MEMORY),
        _rate(36, "slow motion", "some cameras", "memory", _MEMORY),
        _rate(40, "slow motion", "some cameras", "memory", _MEMORY),
        _rate(54, "slow motion", "some cameras", "memory", _MEMORY),
        _VIDEO_RATE,
    ),
    tracks=(
        StripeTrack(
            kind="magnetic",
            ahead_frames=_second(
                18.0, 1.0, "ENC8", ("BTA",), "ST164 specifies it; the value was not in the part that was seen"
            ),
            width_mm=_seen(0.69, None, "ST164", "nominal 0.027 in"),
            balance_width_mm=_from_standard(
                0.3, None, "ST161", "about 0.012 in; lies in the margin of 0.51 mm outside the perforations"
            ),
            place="along the film edge opposite the perforations, on the film side that faces the lamp",
        ),
        StripeTrack(
            kind="optical",
            ahead_frames=_second(22.0, 1.0, "BTA", (), "another second-hand text prints 16: unresolved"),
            width_mm=None,
            balance_width_mm=None,
            place="same place as the magnetic stripe",
        ),
    ),
    notes=(
        "The standards place a printed image from the perforation two before its frame (ST153), "
        "because that one "
        "positions the print in the projector; a frame centred on the hole beside it differs by the "
        "local pitch "
        "error.",
    ),
)

_SIXTEEN_WIDTH = _seen(
    15.98, 0.03, "Z22.5", "later 15.95 (0.628 in): width reference in ST101, +-0.025 second-hand in HYWIKI"
)
_SIXTEEN_LONG = _seen(7.62, 0.013, "Z22.5")
_SIXTEEN_SHORT = _seen(7.605, None, "ST35x16", "tolerance not seen")
_SIXTEEN_100_LONG = _seen(762.0, 0.76, "Z22.5")
_SIXTEEN_100_SHORT = _derived(760.5, None, ("ST35x16",), "100 x 7.605")
_SIXTEEN_OTHER_AREAS = (
    _area(_seen(10.41, None, "WHEELER", "older practice"), _seen(7.47, None, "WHEELER", "older practice")),
    _area(_second(10.3, None, "FSM"), _second(7.5, None, "FSM")),
)
_SUPER_SIXTEEN_AREAS = (
    _area(
        _second(
            12.4, None, "RAMT", (), "the wide picture of one-row film (0.488 in), not a projection format"
        ),
        _second(7.49, None, "RAMT", (), "the wide picture of one-row film (0.295 in)"),
    ),
    _area(
        _from_standard(12.52, None, "ST201", "type W, the wide picture of one-row film"),
        _from_standard(7.41, None, "ST201", "type W, the wide picture of one-row film"),
    ),
)
_SIXTEEN_PROJECTABLE = (
    _area(_second(9.65, None, "VCBOOK"), _second(7.21, None, "VCBOOK")),
    _area(_from_standard(9.65, None, "ISO359"), _from_standard(7.26, None, "ISO359", "a maximum")),
)
_SIXTEEN_CENTRE = _from_standard(
    7.98, 0.05, "ISO466", "on the film's centre line; the wide picture lies elsewhere"
)
_SIXTEEN_IMAGE_WIDTH = _from_standard(10.26, None, "ISO466")
_SIXTEEN_IMAGE_HEIGHT = _from_standard(7.49, None, "ISO466")
_SIXTEEN_FOOTAGE = _second(40, None, "ENCFOOT", (), "agrees with 304.8 / 7.62")
_SIXTEEN_RATES = (
    _rate(24, "usual", "sound", "ISO26", _SEEN, 1.0, "projection rate of sound prints, required"),
    _rate(18, "second", "silent", "ISO26", _SEEN, 1.0, "projection rate of silent prints, preferred"),
    _rate(
        16,
        "second",
        "silent",
        "ISO26",
        _SEEN,
        1.0,
        "projection rate of silent prints, permitted; the tolerance is garbled in the text seen, read as 1",
    ),
    _VIDEO_RATE,
)
_SIXTEEN_PITCH_NOTE = (
    "New film changes its pitch by at most 0.025 mm within any four consecutive perforations (Z22.5): "
    "larger jumps in a capture are damage, a splice or an error of finding."
)

SIXTEEN = Gauge(
    key="16mm",
    name="16 mm",
    aliases=("16", "sixteen", "16 mm 1r", "16 mm one row", "16 mm single perforated"),
    film_width_mm=_SIXTEEN_WIDTH,
    pitch_long_mm=_SIXTEEN_LONG,
    pitch_short_mm=_SIXTEEN_SHORT,
    length_100_long_mm=_SIXTEEN_100_LONG,
    length_100_short_mm=_SIXTEEN_100_SHORT,
    perforation=_SIXTEEN_HOLE,
    rows=("left",),
    rows_apart_mm=None,
    holes_at="frame line",
    holes_at_source="ISO466",
    holes_at_confidence=_STANDARD,
    camera_image_width_mm=_SIXTEEN_IMAGE_WIDTH,
    camera_image_height_mm=_SIXTEEN_IMAGE_HEIGHT,
    other_camera_images=_SIXTEEN_OTHER_AREAS + _SUPER_SIXTEEN_AREAS,
    projectable=_SIXTEEN_PROJECTABLE,
    picture_centre_from_edge_mm=_SIXTEEN_CENTRE,
    nominal_frames_per_foot=_SIXTEEN_FOOTAGE,
    running_rates=_SIXTEEN_RATES,
    tracks=(
        StripeTrack(
            kind="magnetic",
            ahead_frames=_second(28.0, None, "BTA", (), "names ISO 490, whose value was not seen"),
            width_mm=_from_standard(2.54, None, "ST112", "the title says a 100 mil record"),
            balance_width_mm=_from_standard(0.79, None, "ST112", "by analogy with ST101"),
            place="along the edge opposite the perforations",
        ),
        StripeTrack(
            kind="optical",
            ahead_frames=_seen(
                26.0,
                None,
                "ST41",
                "ahead of the centre of its picture; the tolerance, half a frame from memory, is lost"
                " in the text",
            ),
            width_mm=None,
            balance_width_mm=None,
            place="along the edge opposite the perforations",
        ),
    ),
    notes=(_SIXTEEN_PITCH_NOTE,),
)

SIXTEEN_TWO_ROWS = Gauge(
    key="16mm-two-rows",
    name="16 mm two rows",
    aliases=("16 mm 2r", "16 2r", "16 mm double perforated", "sixteen two rows"),
    film_width_mm=_SIXTEEN_WIDTH,
    pitch_long_mm=_SIXTEEN_LONG,
    pitch_short_mm=_SIXTEEN_SHORT,
    length_100_long_mm=_SIXTEEN_100_LONG,
    length_100_short_mm=_SIXTEEN_100_SHORT,
    perforation=_SIXTEEN_HOLE,
    rows=("left", "right"),
    rows_apart_mm=_seen(10.49, 0.025, "Z22.5", "15.98 - 2 x (0.91 + 1.83) is 10.50"),
    holes_at="frame line",
    holes_at_source="ISO466",
    holes_at_confidence=_STANDARD,
    camera_image_width_mm=_SIXTEEN_IMAGE_WIDTH,
    camera_image_height_mm=_SIXTEEN_IMAGE_HEIGHT,
    other_camera_images=_SIXTEEN_OTHER_AREAS,
    projectable=_SIXTEEN_PROJECTABLE,
    picture_centre_from_edge_mm=_SIXTEEN_CENTRE,
    nominal_frames_per_foot=_SIXTEEN_FOOTAGE,
    running_rates=_SIXTEEN_RATES,
    tracks=(
        StripeTrack(
            kind="magnetic",
            ahead_frames=_second(28.0, None, "BTA", (), "names ISO 490, whose value was not seen"),
            width_mm=_seen(0.8, None, "ST101", "+0.00 / -0.15"),
            balance_width_mm=_seen(0.8, None, "ST101", "+0.00 / -0.15; stripe No. 2, optional"),
            place=(
                "between the perforations and the film edge; the second stripe, on the other edge, is "
                "for balance"
            ),
        ),
    ),
    notes=(_SIXTEEN_PITCH_NOTE,),
)

_NINE_FIVE_STRIPE = _second(
    1.0, None, "ENC8", (), "it narrows the picture by about as much, and moves its centre"
)

NINE_FIVE = Gauge(
    key="9.5mm",
    name="9.5 mm",
    aliases=("9.5", "9,5 mm", "95mm", "nine five", "9½ mm"),
    film_width_mm=_second(
        9.525, 0.05, "DEWIKI95", (), "nominal slit width, called 9.5; the tolerance is from memory"
    ),
    pitch_long_mm=_second(7.54, 0.02, "ENCSTEP", (), "the tolerance is from memory"),
    pitch_short_mm=None,
    length_100_long_mm=_derived(754.0, None, ("ENCSTEP",), "100 x 7.54"),
    length_100_short_mm=None,
    perforation=PerforationShape(
        width_mm=_remembered(2.4, 0.05),
        height_mm=_remembered(1.0, 0.05),
        corner_radius_mm=_remembered(0.2),
        edge_distance_mm=None,
    ),
    rows=("centre",),
    rows_apart_mm=None,
    holes_at="frame line",
    holes_at_source="ENC8",
    holes_at_confidence=_SECOND,
    camera_image_width_mm=_seen(8.5, None, "WHEELER"),
    camera_image_height_mm=_seen(6.5, None, "WHEELER"),
    other_camera_images=(
        _area(
            _second(8.3, None, "FSM", (), "disagrees; near the projected size"),
            _second(6.2, None, "FSM", (), "disagrees; near the projected size"),
        ),
    ),
    projectable=(_area(_remembered(8.2), _remembered(6.15)),),
    picture_centre_from_edge_mm=_derived(
        4.7625, 0.05, ("DEWIKI95",), "by symmetry, silent film; a stripe or track on one edge moves it"
    ),
    nominal_frames_per_foot=_second(40, None, "ENCFOOT", (), "the trade's count; 304.8 / 7.54 is 40.42"),
    running_rates=(
        _rate(16, "usual", "cameras after the first years", "ENC8", _SECOND),
        _rate(14, "second", "cameras of the first years", "ENC8", _SECOND),
        _VIDEO_RATE,
    ),
    tracks=(
        StripeTrack(
            kind="magnetic",
            ahead_frames=_remembered(28.0),
            width_mm=_NINE_FIVE_STRIPE,
            balance_width_mm=None,
            place="along one edge",
        ),
        StripeTrack(
            kind="optical",
            ahead_frames=_remembered(26.0),
            width_mm=_NINE_FIVE_STRIPE,
            balance_width_mm=None,
            place="along one edge",
        ),
    ),
    notes=("No ISO, SMPTE or BS number was found for this gauge.",),
)

UNSLIT_DOUBLE_8 = Gauge(
    key="unslit-double-8",
    name="unslit double 8",
    aliases=("unslit 8", "double 8 unslit", "16 mm perforated 8 mm type r", "unslit standard 8"),
    film_width_mm=_seen(15.98, 0.03, "Z22.5", "before slitting it is 16 mm wide film"),
    pitch_long_mm=_TYPE_R_LONG,
    pitch_short_mm=_TYPE_R_SHORT,
    length_100_long_mm=_TYPE_R_100_LONG,
    length_100_short_mm=_TYPE_R_100_SHORT,
    perforation=_TYPE_R_HOLE,
    rows=("left", "right"),
    rows_apart_mm=_second(
        10.49,
        0.025,
        "DEWIKI8",
        ("Z22.5",),
        "seen for 16 mm film with two rows; that Type R keeps it is second-hand",
    ),
    holes_at="frame line",
    holes_at_source="DEWIKI8",
    holes_at_confidence=_SECOND,
    camera_image_width_mm=_seen(4.8, None, "WHEELER", "ENC8 and COLL print the same"),
    camera_image_height_mm=_seen(3.51, None, "WHEELER", "ENC8 and COLL print 3.5"),
    other_camera_images=_TYPE_R_PRINTED_AREAS,
    projectable=_TYPE_R_PROJECTABLE,
    picture_centre_from_edge_mm=_TYPE_R_CENTRE,
    nominal_frames_per_foot=_second(
        80, None, "ENCFOOT", (), "of each half: a foot of unslit film carries 160 pictures, in two runs"
    ),
    running_rates=_TYPE_R_RATES,
    tracks=(),
    notes=(
        "The two halves were exposed one after the other, so their pictures run in opposite "
        "directions (ENC8); "
        "each picture centre is counted from the edge of its own half.",
        "It looks like 16 mm film with two rows: the pitch, half of that of 16 mm, tells them apart.",
    ),
)

GAUGES: tuple[Gauge, ...] = (STANDARD_8, SUPER_8, SIXTEEN, SIXTEEN_TWO_ROWS, NINE_FIVE, UNSLIT_DOUBLE_8)


def _plain(text: str) -> str:
    """Letters and digits only, lower case; a decimal comma and a decimal point are the same."""
    pointed = re.sub(r"(?<=\d),(?=\d)", ".", text.casefold())
    return re.sub(r"[^a-z0-9½.]", "", pointed).strip(".")


def gauge_named(text: str) -> Gauge:
    """Find a gauge by its key, its name or another usual name; capitals, spaces and hyphens do not matter.

    Parameters
    ----------
    text : str
        What a person wrote, such as "Super 8", "super-8" or "9,5 mm".

    Returns
    -------
    Gauge

    Raises
    ------
    MaterialError
        If no gauge has that name; the sentence says which are known and which is nearest.

    Notes
    -----
    Source: definition (the names are common practice).

    Examples
    --------
    >>> gauge_named("SUPER-8").name
    'Super 8'
    >>> gauge_named("16 mm two rows").key
    '16mm-two-rows'
    >>> gauge_named("super 9")
    Traceback (most recent call last):
    smallgauge.errors.MaterialError: A gauge was needed and 'super 9' is not one: known are 'standard 8', \
'Super 8', '16 mm', '16 mm two rows', '9.5 mm', 'unslit double 8'; did you mean 'Super 8'?
    """
    names = {_plain(name): gauge for gauge in GAUGES for name in (gauge.key, gauge.name, *gauge.aliases)}
    found = names.get(_plain(text))
    if found is not None:
        return found
    known = ", ".join(f"'{gauge.name}'" for gauge in GAUGES)
    near = difflib.get_close_matches(_plain(text), list(names), n=1, cutoff=0.5)
    advice = f"did you mean '{names[near[0]].name}'?" if near else "write one of these."
    raise MaterialError(f"A gauge was needed and '{text}' is not one: known are {known}; {advice}")
