"""`capture.toml`: what the operator knows of a capture and its reel, and the list of its keys.

Why this is long: the list of keys is one list.
"""

import difflib
import re
import tomllib
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any, Literal

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.mains import MAINS_HZ
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.gauge.rates import parse_rate
from smallgauge.record.finding import Finding
from smallgauge.record.ordered import check_copy

KeyKind = Literal[
    "text", "number", "whole number", "yes or no", "rate", "day", "list of whole numbers", "marks", "copies"
]

WITH_PICTURE, APART, WILD_TAPE = "with the picture", "apart", "wild tape"
LEAVE = "leave"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureKey:
    """One key of `capture.toml`: its kind, allowed words, what it means and what holds without it."""

    name: str
    kind: KeyKind
    meaning: str
    without: str  # what holds when the key is absent
    words: tuple[str, ...] = ()  # allowed values, empty when free
    measures: bool = True  # a change means that the frames are measured anew


_DAY = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")
_K = CaptureKey
CAPTURE_KEYS: tuple[CaptureKey, ...] = (
    _K(
        name="format",
        kind="whole number",
        meaning="Version of this document: 1.",
        without="1",
        measures=False,
    ),
    _K(
        name="reel",
        kind="text",
        meaning="Reel number with its check digit, or the shop's own.",
        without="the folder's name",
        measures=False,
    ),
    _K(
        name="box_words",
        kind="text",
        meaning="What is written on the box or can, word for word.",
        without="nothing",
        measures=False,
    ),
    _K(
        name="captured_on",
        kind="day",
        meaning="The day of the capture, such as 2026-01-17; it stands in the Broadcast Wave file of the sound.",
        without="not stated there",
        measures=False,
    ),
    _K(
        name="hold",
        kind="text",
        meaning="A reason why nothing may be finished for now; `finish` stops there.",
        without="no hold",
        measures=False,
    ),
    _K(
        name="length_feet",
        kind="number",
        meaning="Length of the film as stated at intake, feet, leaders included where they are captured.",
        without="not known: the number of frames is compared with nothing",
        measures=False,
    ),
    _K(
        name="film_base",
        kind="text",
        words=("acetate", "polyester", "nitrate", "not known"),
        meaning="What the film's base is made of, as found at inspection; it stands in the condition record for an archive. "
        "Film that may be nitrate is for licensed practice only: stop, and follow the local code.",
        without="not stated: no condition record is written for an archive",
        measures=False,
    ),
    _K(
        name="deformation",
        kind="text",
        words=("none", "slight", "medium", "strong"),
        meaning="How far the film is curled, cupped or warped, as found at inspection; for the condition record.",
        without="not stated: no condition record is written for an archive",
        measures=False,
    ),
    _K(
        name="gauge",
        kind="text",
        meaning="Gauge of the film as the operator sees it.",
        without="recognised from the perforations, or refused",
    ),
    _K(
        name="micrometres_per_pixel",
        kind="number",
        meaning="Scale at the film, along it.",
        without="that kept for the machine; without that, from the perforation, so shrinkage can't be stated",
    ),
    _K(
        name="micrometres_per_pixel_across",
        kind="number",
        meaning="Scale across the film where it differs.",
        without="the same as along it",
    ),
    _K(
        name="code_values",
        kind="text",
        words=("linear", "gamma", "log"),
        meaning="How code values stand for light.",
        without="gamma for 8 bits, linear for more; said",
    ),
    _K(
        name="gamma_curve",
        kind="text",
        meaning="Curve of gamma code values: iec61966-2-1, bt709, bt1886, or an exponent.",
        without="iec61966-2-1",
    ),
    _K(
        name="log_density_range",
        kind="number",
        meaning="Density between the lowest and the highest log code value.",
        without="2.046 for 10-bit log of 0.002 a code",
    ),
    _K(
        name="code_bits",
        kind="whole number",
        meaning="Bits of a code value where the file's depth is larger (12 bits in a 16-bit file).",
        without="the file's depth",
    ),
    _K(name="code_black", kind="number", meaning="Code value of no light.", without="0"),
    _K(
        name="code_open_gate",
        kind="number",
        meaning="Code value of the open gate.",
        without="the highest code value",
    ),
    _K(
        name="film",
        kind="text",
        words=("reversal", "negative", "black-and-white", "black-and-white negative"),
        meaning="What kind of film it is; a negative is finished only when somebody has seen it and signed.",
        without="reversal",
    ),
    _K(
        name="light",
        kind="text",
        words=("narrow", "broad"),
        meaning="Light of the scanner: narrow LED bands or broad white.",
        without="not known",
    ),
    _K(
        name="scanner_density_limit",
        kind="number",
        meaning="Highest density that the scanner tells, as something opaque in its gate reads.",
        without="told by samples that pile up at their lowest value",
        measures=False,
    ),
    _K(
        name="stock_density",
        kind="number",
        meaning="Density of this stock's unexposed border above its base when it was new, from a data sheet or an unfaded roll.",
        without="a usual one is taken, loosely: a loss that all three dyes share is not seen",
        measures=False,
    ),
    _K(
        name="illumination",
        kind="text",
        words=("transmitted", "reflected"),
        meaning="Light through the film or thrown back by it.",
        without="transmitted",
    ),
    _K(
        name="open_gate",
        kind="text",
        meaning="File beside the frames that shows the open gate, no film in it, taken with the capture's settings: what the "
        "lamp does unevenly is divided out. Its name holds no number, such as open-gate.tif.",
        without="the light counts as even",
    ),
    _K(
        name="dark",
        kind="text",
        meaning="File beside the frames that was taken with the lamp off; with open_gate only.",
        without="nothing is subtracted but code_black",
    ),
    _K(
        name="scan_rate",
        kind="rate",
        meaning="Frames a second of the scanner, where no frames.csv gives time stamps.",
        without="from frames.csv",
    ),
    _K(
        name="sound_head_offset_frames",
        kind="number",
        meaning="Film frames from the scanner's picture gate to its sound head, positive when the head comes after.",
        without="the stored value of the machine; without that, sync is not set",
    ),
    _K(
        name="sound_start_s",
        kind="number",
        meaning="Time of the first sound sample on the clock of frames.csv, in seconds.",
        without="0, said",
    ),
    _K(
        name="sound_clock_ppm",
        kind="number",
        meaning="How much faster the sound's clock runs than that of frames.csv, parts in a million.",
        without="0",
    ),
    _K(
        name="sync_marks",
        kind="marks",
        meaning="Things seen and heard: [{ frame = captured frame, sound_s = second in sound.wav }].",
        without="none",
        measures=False,
    ),
    _K(
        name="sound_run",
        kind="text",
        words=(WITH_PICTURE, APART, WILD_TAPE),
        meaning="How the sound was captured: in one run with the picture; from the film's own stripe in a run apart; or "
        "from a tape that ran beside camera or projector.",
        without="with the picture",
    ),
    _K(
        name="sound_run_rate",
        kind="rate",
        meaning="Frames a second at which the film ran past the sound head, where the sound was captured apart, or in the "
        "projector beside which a tape ran.",
        without="the gauge's usual rates are tried, then the camera speed holds",
    ),
    _K(
        name="sound_breaks",
        kind="list of whole numbers",
        meaning="Captured frames before which a wild tape was stopped or joined: its sound may jump there alone.",
        without="none",
        measures=False,
    ),
    _K(
        name="guide_rate",
        kind="rate",
        meaning="Frames a second at which guide.wav is in step with the picture, from the first captured frame on; where it "
        "is not stated the guide was captured with the picture.",
        without="the time stamps of frames.csv, else scan_rate, hold for the guide",
        measures=False,
    ),
    _K(
        name="guide_start_s",
        kind="number",
        meaning="Time of the guide's first sample: on the clock of frames.csv, or after the first captured frame where "
        "guide_rate is stated; seconds.",
        without="0",
        measures=False,
    ),
    _K(
        name="guide_shift_frames",
        kind="number",
        meaning="By how many frames the guide's sound belongs further on than the frame that was in the gate when it was "
        "heard: a stripe heard in the scanner lies ahead of its picture by the gauge's separation less the head distance.",
        without="0: it is in step",
        measures=False,
    ),
    _K(
        name="camera_speed",
        kind="rate",
        meaning="Frames a second at which the camera ran, on the operator's word.",
        without="proposed, with its evidence",
        measures=False,
    ),
    _K(
        name="mains_hz",
        kind="whole number",
        meaning="Mains frequency where the sound was recorded, 50 or 60: hum on the film then gives the speed.",
        without="that which gives a usual speed",
        measures=False,
    ),
    _K(
        name="television_rate",
        kind="rate",
        meaning="Rate of the television copy: 25 or 50, 30 or 60 by country.",
        without="what shop.toml says of its country; without that, 25",
        measures=False,
    ),
    _K(
        name="copies",
        kind="copies",
        meaning="Copies that the order asks for beyond what every reel gets: a list out of viewing, television, hd, hevc, hevc "
        "8-bit, av1 and editing; after television, hd or editing a rate may stand, such as 'television 50' (guide: copies).",
        without="none",
        measures=False,
    ),
    _K(
        name="masters",
        kind="yes or no",
        meaning="Whether the family's package holds the untouched copy of the scan and the finished film too, as ordered: "
        "tens of gigabytes a roll.",
        without="they stay in the shop, and the package says where and for how long",
        measures=False,
    ),
    _K(
        name="archive",
        kind="text",
        words=("matroska", "dpx", "tiff"),
        meaning="Form of the untouched copy of the scan, of captures that lie in single files without loss: one film in Matroska "
        "with FFV1, or one DPX or TIFF file a frame, not compressed.",
        without="matroska",
        measures=False,
    ),
    _K(
        name="dirt",
        kind="text",
        words=("repair", LEAVE),
        meaning="Whether specks of dirt are repaired in the finished film and its copies, or left, as an archive orders it. The "
        "untouched copy of the scan always keeps them.",
        without="repair",
        measures=False,
    ),
    _K(
        name="perforations_in_view",
        kind="yes or no",
        meaning="Whether the capture shows the perforations.",
        without="yes",
    ),
    _K(
        name="frames_let_pass",
        kind="list of whole numbers",
        meaning="Captured frames (counted from 0) that can't be read and are let pass.",
        without="none: an unreadable frame stops the work",
    ),
    _K(
        name="perforation_side",
        kind="text",
        words=("left", "right"),
        meaning="Side of the captured picture on which this machine shows the one row of perforations of film that was "
        "loaded as it should be.",
        without="not known",
        measures=False,
    ),
    _K(
        name="emulsion",
        kind="text",
        words=("to the lens", "to the lamp"),
        meaning="Where the emulsion lay. With emulsion_usual it says whether the film was flipped.",
        without="not known",
        measures=False,
    ),
    _K(
        name="emulsion_usual",
        kind="text",
        words=("to the lens", "to the lamp"),
        meaning="Where the emulsion lies on this machine when the captured picture is not mirrored.",
        without="not known",
        measures=False,
    ),
    _K(
        name="loaded",
        kind="text",
        words=("head", "tail"),
        meaning="Which end of the film ran first; from film that ran tail first the finished film is turned and put in order.",
        without="told by the evidence, or taken as captured",
        measures=False,
    ),
    _K(
        name="machine",
        kind="text",
        meaning="Name of the scanner, under which the shop keeps its head distance and scale.",
        without="none",
        measures=False,
    ),
)
# What looks like a number of this form is held to its check digits; a shop's own numbers are free.
_SHOP_NUMBER = re.compile(r"\d{7}-?[Rr]\d{2}-?\d")
_ABOVE_ZERO = ("micro", "log_", "scanner_density", "stock_density")  # how numbers begin that must be above 0
COPY_KEYS = ("copies", "television_rate")  # what the order wants made, and nothing of the capture
KEY_NAMED: dict[str, CaptureKey] = {key.name: key for key in CAPTURE_KEYS}


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncMark:
    """One thing that is seen in a captured frame and heard at a second of the captured sound."""

    frame: int
    sound_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureNotes:
    """The operator's word on a capture; None where nothing was said. Fields are the keys of CAPTURE_KEYS."""

    format: int = 1
    reel: str | None = None
    box_words: str | None = None
    captured_on: str | None = None
    hold: str | None = None
    length_feet: float | None = None
    film_base: str | None = None
    deformation: str | None = None
    gauge: str | None = None
    micrometres_per_pixel: float | None = None
    micrometres_per_pixel_across: float | None = None
    code_values: str | None = None
    gamma_curve: str | None = None
    log_density_range: float | None = None
    code_bits: int | None = None
    code_black: float | None = None
    code_open_gate: float | None = None
    film: str | None = None
    light: str | None = None
    scanner_density_limit: float | None = None
    stock_density: float | None = None
    illumination: str | None = None
    open_gate: str | None = None
    dark: str | None = None
    scan_rate: Fraction | None = None
    sound_head_offset_frames: float | None = None
    sound_start_s: float | None = None
    sound_clock_ppm: float | None = None
    sync_marks: tuple[SyncMark, ...] = ()
    sound_run: str | None = None
    sound_run_rate: Fraction | None = None
    sound_breaks: tuple[int, ...] = ()
    guide_rate: Fraction | None = None
    guide_start_s: float | None = None
    guide_shift_frames: float | None = None
    camera_speed: Fraction | None = None
    mains_hz: int | None = None
    television_rate: Fraction | None = None
    copies: tuple[str, ...] = ()
    masters: bool | None = None
    dirt: str | None = None
    archive: str | None = None
    perforations_in_view: bool | None = None
    frames_let_pass: tuple[int, ...] = ()
    perforation_side: str | None = None
    emulsion: str | None = None
    emulsion_usual: str | None = None
    loaded: str | None = None
    machine: str | None = None

    @property
    def is_negative(self) -> bool:
        """Whether dark is light on this film."""
        return self.film in ("negative", "black-and-white negative")

    @property
    def is_black_and_white(self) -> bool:
        """Whether the film holds one image in silver, not three in dyes."""
        return self.film in ("black-and-white", "black-and-white negative")


def read_notes(
    text: str, *, where: str, stated: tuple[str, ...] = ()
) -> tuple[CaptureNotes, tuple[Finding, ...]]:
    """Read `capture.toml` and `key=value` words stated on the command line, which win.

    Unknown keys are findings with the nearest known name; a wrong value of a known key is a
    MaterialError that names all mistakes at once.

    Examples
    --------
    >>> notes, findings = read_notes('guage = "super 8"', where="capture.toml", stated=("gauge=super 8",))
    >>> notes.gauge, findings[0].values["nearest"]
    ('super 8', 'gauge')
    """
    try:
        table: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise MaterialError(
            f"{where} must be TOML, but {error}; mend that line and run the command again."
        ) from None
    for word in stated:
        name, equals, value = word.partition("=")
        if not equals:
            raise MaterialError(
                f"--note needs KEY=VALUE, found '{word}'; write for example --note gauge='super 8'."
            )
        table[name.strip()] = _from_command_line(name.strip(), value.strip())
    findings: list[Finding] = []
    mistakes: list[str] = []
    values: dict[str, Any] = {}
    for name, value in table.items():
        key = KEY_NAMED.get(name)
        if key is None:
            nearest = difflib.get_close_matches(name, KEY_NAMED, n=1, cutoff=0.4)
            findings.append(
                Finding(
                    code="unknown key",
                    where=where,
                    values={"key": name, "nearest": nearest[0] if nearest else ""},
                )
            )
            continue
        try:
            values[name] = _value(key, value)
            if name == "reel" and _SHOP_NUMBER.fullmatch(value):
                check_reel_number(value)
        except ValueError as error:
            mistakes.append(f"{name} {error}")
        except MaterialError as error:
            mistakes.append(f"reel: {str(error).rstrip('.')}")
    if values.get("format", 1) != 1:
        mistakes.append(f"format must be 1 (the version that this program reads), found {values['format']}")
    if mistakes:
        raise MaterialError(f"{where}: {'; '.join(mistakes)}. Mend these and run the command again.")
    return CaptureNotes(**values), tuple(findings)


def _from_command_line(name: str, value: str) -> Any:
    key = KEY_NAMED.get(name)
    if key is None or key.kind in ("text", "rate", "day"):
        return value
    try:
        return tomllib.loads(f"x = {value}")["x"]
    except (ValueError, RecursionError):
        return value


def _value(key: CaptureKey, value: Any) -> Any:
    """One value checked against its key's kind; ValueError says needed and found."""
    found = f"found {value!r}"
    is_number = (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and value == value
        and abs(value) < 1e300
    )
    if key.kind == "text":
        if not isinstance(value, str):
            raise ValueError(f"must be text in quotes, {found}")
        if key.words and value not in key.words:
            raise ValueError(f"must be one of {', '.join(key.words)}, {found}")
        return value
    if key.kind == "number":
        if not is_number or (key.name.startswith(_ABOVE_ZERO) and value <= 0):
            raise ValueError(
                f"must be a {'positive ' if key.name.startswith(_ABOVE_ZERO) else ''}number, {found}"
            )
        return float(value)
    if key.kind == "whole number":
        if not is_number or int(value) != value:
            raise ValueError(f"must be a whole number, {found}")
        if key.name == "mains_hz" and int(value) not in MAINS_HZ:
            raise ValueError(f"must be 50 or 60, {found}")
        return int(value)
    if key.kind == "yes or no":
        if not isinstance(value, bool):
            raise ValueError(f"must be true or false, {found}")
        return value
    if key.kind == "rate":
        return _rate(value, found)
    if key.kind == "day":
        day = value.isoformat() if isinstance(value, date) else value
        if not isinstance(day, str) or not _DAY.fullmatch(day):
            raise ValueError(f"must be a day such as 2026-01-17, {found}")
        return day
    if key.kind == "copies":
        if not isinstance(value, list):
            raise ValueError(f'must be a list such as ["hd 25", "editing"], {found}')
        return tuple(dict.fromkeys(check_copy(word) for word in value))
    if key.kind == "list of whole numbers":
        if not isinstance(value, list) or not all(
            isinstance(v, int) and not isinstance(v, bool) and v >= 0 for v in value
        ):
            raise ValueError(f"must be a list of frame numbers such as [17, 18], {found}")
        return tuple(sorted(set(value)))
    if not isinstance(value, list) or not value:
        raise ValueError(f"must be a list such as [{{ frame = 26, sound_s = 1.44 }}], {found}")
    return tuple(sorted((_mark(each) for each in value), key=lambda mark: mark.frame))


def _mark(value: Any) -> SyncMark:
    found = f"found {value!r}"
    if not isinstance(value, dict) or set(value) != {"frame", "sound_s"}:
        raise ValueError(f"must hold marks such as {{ frame = 26, sound_s = 1.44 }}, {found}")
    frame, sound_s = value["frame"], value["sound_s"]
    whole = isinstance(frame, int) and not isinstance(frame, bool) and frame >= 0
    if not whole or not isinstance(sound_s, int | float) or not abs(sound_s) < 1e6:
        raise ValueError(f"must hold a frame number from 0 and a second of the sound, {found}")
    return SyncMark(frame=frame, sound_s=float(sound_s))


def _rate(value: Any, found: str) -> Fraction:
    try:
        rate = parse_rate(str(value))
    except CallerError:
        raise ValueError(f'must be frames a second such as 18 or "50/3", {found}') from None
    if not 1 <= rate <= 200:
        raise ValueError(f"must lie between 1 and 200 frames a second, {found}")
    return rate
