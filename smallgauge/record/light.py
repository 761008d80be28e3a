"""How a capture's code values are read as light: stated by the operator, or assumed and said."""

import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import FixityError, MaterialError
from smallgauge.media.frame import PixelEncoding, Region
from smallgauge.media.still_in import read_header, read_still
from smallgauge.media.whole import digest_file
from smallgauge.picture.density import light_of_samples, light_planes_of_samples, light_table
from smallgauge.picture.evenness import Evenness, make_evenness
from smallgauge.record.capture import Capture, LampPicture, Light
from smallgauge.record.notes import CaptureNotes

USUAL_LOG_RANGE = 2.046  # 1023 codes of 0.002 density, 10-bit printing density; from memory, not checked


def choose_light(notes: CaptureNotes, encoding: PixelEncoding) -> Light:
    """The reading of code values: 8 bits without a word are taken as sRGB gamma, more bits as linear.

    Examples
    --------
    >>> choose_light(CaptureNotes(), PixelEncoding(bits=8, layout="rgb")).code_values
    'gamma'
    """
    values = notes.code_values or ("gamma" if encoding.bits == 8 else "linear")
    return Light(
        bits=min(notes.code_bits or encoding.bits, encoding.bits),
        code_values=values,
        gamma_curve=(notes.gamma_curve or "iec61966-2-1") if values == "gamma" else None,
        log_density_range=(notes.log_density_range or USUAL_LOG_RANGE) if values == "log" else None,
        code_black=notes.code_black or 0.0,
        code_open_gate=notes.code_open_gate,
        assumed=notes.code_values is None or (values == "log" and notes.log_density_range is None),
    )


def table_for(light: Light, encoding: PixelEncoding) -> NDArray[np.float32] | None:
    """Light of every code value that the file can hold; None for floating point, which is light as it is.

    Examples
    --------
    >>> encoding = PixelEncoding(bits=8, layout="rgb")
    >>> table_for(choose_light(CaptureNotes(code_values="linear"), encoding), encoding).shape
    (256,)
    """
    if encoding.bits == 32:
        return None
    table = light_table(
        bits=light.bits,
        code_values=light.code_values,
        gamma_curve=light.gamma_curve,
        log_density_range=light.log_density_range,
        code_black=light.code_black,
        code_open_gate=light.code_open_gate,
    )
    return np.pad(table, (0, 2**encoding.bits - table.size), mode="edge")


def light_of_capture(
    samples: Any,
    table: NDArray[np.float32] | None,
    evenness: Evenness | None,
    *,
    planes: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Light of a captured frame, even where that is known; each channel of colour lies in one piece of memory.

    `planes`, of shape (3, height, width), is where the light of a colour frame may be put.

    Examples
    --------
    >>> light_of_capture(np.array([[0, 255]], np.uint8), np.linspace(0, 1, 256, dtype=np.float32), None).tolist()
    [[0.0, 1.0]]
    """
    if table is None:
        light = np.asarray(samples, np.float32)
    else:
        light = light_planes_of_samples(samples, table, planes=planes)
    return light if evenness is None else light * evenness.gain + evenness.offset


def kept_name(picture: LampPicture, what: str) -> str:
    """Name of a picture of the lamp beside the archive copy; `what` is "open-gate" or "dark".

    Examples
    --------
    >>> kept_name(LampPicture(name="lamp.TIF", sha256=""), "open-gate")
    'archive.open-gate.tif'
    """
    return f"archive.{what}{Path(picture.name).suffix.lower()}"


def evenness_for(capture: Capture, root: Path, region: Region | None = None) -> Evenness | None:
    """What makes a capture's light even; None where no picture of the open gate was given.

    `root` holds the frames, or the archive copy, or is its folder of kept files. `region` is the part of the picture that is
    read.
    """
    if capture.open_gate is None:
        return None
    near = (0.0, 0.0) if capture.survey is None else (capture.survey.rows[0], capture.survey.usual_y_px)
    return _evenness(replace(capture, survey=None, files=(), findings=()), near, root, region)


@lru_cache(maxsize=1)
def _evenness(
    capture: Capture, near: tuple[float, float], root: Path, region: Region | None
) -> Evenness | None:
    """Made once for all chunks of a capture that one process works on."""
    if capture.open_gate is None:
        return None
    table = table_for(capture.light, capture.encoding)
    open_gate = _lamp_light(capture, capture.open_gate, "open-gate", root, table, region)
    dark = _lamp_light(capture, capture.dark, "dark", root, table, region) if capture.dark else None
    return make_evenness(
        open_gate,
        dark=dark,
        near=near,
        full_scale=float(table.max()) if table is not None else math.inf,
        where=capture.open_gate.name,
    )


def _lamp_light(
    capture: Capture,
    picture: LampPicture,
    what: str,
    root: Path,
    table: NDArray[np.float32] | None,
    region: Region | None,
) -> NDArray[np.float32]:
    """Light of a picture of the lamp, held to its digest."""
    kept = kept_name(picture, what)
    found = next((p for p in (root / picture.name, root / kept, root.parent / kept) if p.is_file()), None)
    if found is None or digest_file(found) != picture.sha256:
        raise FixityError(
            f"{picture.name} must be the picture of the lamp that was analysed, and {'none is' if found is None else 'it is not'} "
            f"in {root}; bring it back, or analyse the capture again."
        )
    header = read_header(found)
    samples: Any = read_still(found, header)[0]
    if region is not None:
        rows, columns = (
            slice(region.top, region.top + region.height),
            slice(region.left, region.left + region.width),
        )
        samples = samples[rows, columns]
    light = np.asarray(samples, np.float32) if table is None else light_of_samples(samples, table)
    wanted = (capture.height, capture.width, *((3,) if capture.encoding.layout != "grey" else ()))
    if light.shape != wanted or header.encoding.bits != capture.encoding.bits:
        raise MaterialError(
            f"{picture.name} must be of the frames' size, channels and depth ({capture.width} x {capture.height}, "
            f"{capture.encoding.bits} bits), found {light.shape[1]} x {light.shape[0]}, {header.encoding.bits} bits; take it "
            "with the capture's own settings."
        )
    return light
