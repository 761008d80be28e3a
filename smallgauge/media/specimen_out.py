"""Captured frames and sound written as a scanner writes them: DPX, TIFF, PNG and 24-bit WAV.

Drawn specimens are written this way, and film frames taken out of a video, which are a capture like any other; what the
program makes of a capture goes through picture_out.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

__all__ = ["FRAME_SUFFIXES", "write_capture_frame", "write_capture_sound"]

FRAME_SUFFIXES = {"dpx": ".dpx", "png": ".png", "tiff": ".tif"}


def write_capture_frame(path: Path, samples: NDArray[np.uint8] | NDArray[np.uint16], *, bits: int) -> None:
    """Write one frame of code values.

    Parameters
    ----------
    path : Path
        `.dpx`, `.tif` or `.png`.
    samples : array, shape (height, width, 3), uint8 or uint16
        Code values, 0 to 2**bits - 1. Not altered.
    bits : int
        8, 10, 12 or 16. DPX holds each as it is; TIFF and PNG hold 10 and 12 bits in 16, not shifted.

    Raises
    ------
    CallerError
        For another suffix, depth or type.

    Notes
    -----
    Source: DPX as OpenImageIO writes it (`"ST 268"`).

    Examples
    --------
    >>> import tempfile, imagecodecs
    >>> target = Path(tempfile.mkdtemp()) / "frame.png"
    >>> write_capture_frame(target, np.full((4, 5, 3), 700, np.uint16), bits=10)
    >>> imagecodecs.png_decode(target.read_bytes())[0, 0].tolist()
    [700, 700, 700]
    """
    wanted = np.uint8 if bits == 8 else np.uint16
    if bits not in (8, 10, 12, 16) or samples.dtype != wanted or samples.ndim != 3:
        raise CallerError(
            f"A frame of 8 (uint8), 10, 12 or 16 bits (uint16) in R G B was needed for {path.name}, "
            f"found {bits} bits in {samples.dtype} {samples.shape}; draw it with one of these depths."
        )
    if path.suffix == ".dpx":
        _write_dpx(path, samples, bits)
    elif path.suffix == ".tif":
        import tifffile

        tifffile.imwrite(path, samples, photometric="rgb")
    elif path.suffix == ".png":
        import imagecodecs

        path.write_bytes(imagecodecs.png_encode(samples, level=1))
    else:
        raise CallerError(f"A name in .dpx, .tif or .png was needed, found '{path.name}'; use one of these.")


def _write_dpx(path: Path, samples: NDArray[np.uint8] | NDArray[np.uint16], bits: int) -> None:
    import OpenImageIO as oiio

    height, width, channels = samples.shape
    spec = oiio.ImageSpec(width, height, channels, "uint8" if bits == 8 else "uint16")
    spec.attribute("oiio:BitsPerSample", bits)
    spec.attribute("oiio:Endian", "big")
    # The writer takes 16-bit values and keeps the uppermost bits.
    raised = samples if bits == 8 else np.left_shift(samples, 16 - bits)
    out = oiio.ImageOutput.create(str(path))
    if out is None or not out.open(str(path), spec) or not out.write_image(raised) or not out.close():
        reason = oiio.geterror() if out is None else out.geterror()
        raise CallerError(
            f"{path.name} could not be written as DPX of {bits} bits: {reason}; try another format."
        )


def write_capture_sound(path: Path, samples: NDArray[np.float64], *, sample_rate: int) -> None:
    """Write captured sound as 24-bit WAV.

    Parameters
    ----------
    path : Path
    samples : array, shape (samples, channels), float64
        Full scale 1; what lies outside is clipped, as a converter does.
    sample_rate : int
        Samples a second.

    Notes
    -----
    Source: definition (24-bit two's complement, full scale 2**23).

    Examples
    --------
    >>> import tempfile, soundfile
    >>> target = Path(tempfile.mkdtemp()) / "sound.wav"
    >>> write_capture_sound(target, np.array([[0.5], [-0.25]]), sample_rate=48000)
    >>> soundfile.read(target)[0].tolist()
    [0.5, -0.25]
    """
    import soundfile

    codes = np.clip(np.rint(samples * 2.0**23), -(2**23), 2**23 - 1).astype(np.int32)
    soundfile.write(path, np.left_shift(codes, 8), sample_rate, subtype="PCM_24")
