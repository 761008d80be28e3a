"""`capture.json`: which files a capture is made of, the digest of each frame, its encoding and its survey.

A capture and a reel are two things: a reel may have several captures, a capture several reels. Here a
reel has one capture, whose number is 0, and both keep their papers in one folder.
"""

import hashlib
from dataclasses import dataclass

from smallgauge.media.frame import PixelEncoding
from smallgauge.picture.perforations import PerforationSurvey
from smallgauge.record.finding import Finding
from smallgauge.record.notes import CaptureNotes


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedFile:
    """One captured frame: its file as received, and its picture.

    `file_sha256` proves the bytes received (of a video, the one file that all frames share), `digest` the
    picture ("" for a frame that could not be read and was let pass).
    """

    name: str
    number: int  # number in the file name
    file_sha256: str
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CapturedSound:
    """The captured sound as received."""

    name: str
    rate: int
    channels: int
    samples: int
    bits: int
    sha256: str
    inside: str = (
        ""  # of sound inside the video `name`: its codec; the digest is then that of the samples' WAV file
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LampPicture:
    """A picture of the lamp beside the frames, as received: of the open gate, or with the lamp off."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """How code values are read as light: what was stated, or assumed (then `assumed` says so)."""

    bits: int
    code_values: str
    gamma_curve: str | None
    log_density_range: float | None
    code_black: float
    code_open_gate: float | None
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureAreaPx:
    """The camera's picture, in pixels from the frame's film reference (pixel centres).

    `measured` names the sides that were seen; the others are the gauge's nominal place at this scale.
    """

    left: float
    right: float
    top: float
    bottom: float
    measured: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LineUpFigure:
    """One line-up figure as printed: what, value with unit, and a plain word (good, look, bad)."""

    name: str
    value: float
    unit: str
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureScale:
    """Micrometres of film a captured pixel, from outside the film: as stated, or as kept for the machine.

    None where a direction is not known. `sigma` is the relative standard error, NaN where it was not measured; `words` say
    where the scale comes from: "stated", or machine, day, by whom and from what.
    """

    along_um: float | None
    across_um: float | None
    along_sigma: float
    across_sigma: float
    machine: str  # "": stated
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """Everything that is known of a capture before and after its frames were all read.

    `stage` is "surveyed" (survey frozen, digests not yet known) or "complete". `identity` tells two
    captures apart before all frames are read: names, sizes and the first and last file. `digest` is
    SHA-256 over all frame digests in order, the sound's and the guide's. `archive_form` is the form of the archive copy
    ("matroska", "dpx", "tiff"; "" for files kept as they came, and in older papers).
    """

    version: int = 1
    program: str
    stage: str
    identity: str
    measured_with: str  # digest of the operator's words that the measuring depends on
    name: str
    kind: str
    format: str
    width: int
    height: int
    count: int
    encoding: PixelEncoding
    rate: str | None
    numbers: tuple[int, ...]
    notes: CaptureNotes
    light: Light
    gauge: str
    gauge_sure: bool
    gauge_reason: str
    gauge_scores: tuple[tuple[str, float], ...]
    survey: PerforationSurvey | None
    position_from: str  # "perforation", "film edge" or "picture"
    picture_area: PictureAreaPx
    line_up: tuple[LineUpFigure, ...]
    sound: CapturedSound | None
    findings: tuple[Finding, ...]
    files: tuple[CapturedFile, ...] = ()
    scale: CaptureScale | None = None
    open_gate: LampPicture | None = None
    dark: LampPicture | None = None
    digest: str = ""
    archive_form: str = ""
    guide: CapturedSound | None = None  # sound in step with the picture, beside sound that is not


def digest_capture(
    files: tuple[CapturedFile, ...], sound: CapturedSound | None, guide: CapturedSound | None = None
) -> str:
    """SHA-256 over the frame digests in order, the sound's file digest and, where there is one, the guide's.

    Examples
    --------
    >>> digest_capture((), None)[:8]
    'ba0dca39'
    """
    total = hashlib.sha256(b"smallgauge capture 1\n")
    for file in files:
        total.update(f"{file.digest}\n".encode())
    total.update(f"{sound.sha256 if sound else ''}\n".encode())
    if guide is not None:
        total.update(f"{guide.sha256}\n".encode())
    return total.hexdigest()
