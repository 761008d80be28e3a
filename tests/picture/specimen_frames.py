"""Frames of the shared specimens as linear light, for tests that use material which nobody here drew."""

import json
import tomllib
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest

SPECIMENS = Path(__file__).parents[2].parent / "shared" / "specimens"

CODES = {bits: np.arange(2**bits) / (2**bits - 1) for bits in (8, 10, 16)}
LIGHT = {  # of each code, by bits: PNG as IEC 61966-2-1 says, DPX with code = 1023 (1 + log10(light) / 3), TIFF linear
    8: np.where(CODES[8] <= 0.04045, CODES[8] / 12.92, ((CODES[8] + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    ),
    10: (10 ** (3 * (CODES[10] - 1))).astype(np.float32),
    16: CODES[16].astype(np.float32),
}


def stated_um(name):
    """Micrometres per pixel that the specimen's notes state."""
    return tomllib.loads((SPECIMENS / name / "capture" / "capture.toml").read_text())["micrometres_per_pixel"]


def read_specimen(name, stop=None):
    """Truth, and a list of (light, samples, bits); the test is left out where the specimen is missing."""
    folder = SPECIMENS / name
    if not folder.is_dir():
        pytest.skip(f"left out: the specimen {name} is not at ../shared/specimens")
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    frames = []
    for path in sorted((folder / "capture").glob("frame_*"))[:stop]:
        samples = oiio.ImageBuf(str(path)).get_pixels(oiio.UINT16)
        if path.suffix == ".dpx":
            samples, bits = samples >> 6, 10
        elif path.suffix == ".png":
            samples, bits = (samples >> 8).astype(np.uint8), 8  # 257 times the value that the file holds
        else:
            bits = 16
        light = np.take(LIGHT[bits], samples)
        frames.append((light, samples, bits))
    return truth, frames
