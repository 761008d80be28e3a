"""How a capture's code values are read as light: stated by the operator, or assumed and said."""

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.frame import PixelEncoding
from smallgauge.picture.density import light_table
from smallgauge.record.capture import Light
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
