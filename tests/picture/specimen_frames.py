"""Frames of the shared specimens as linear light, for tests that use material which nobody here drew."""

import json
from pathlib import Path

import numpy as np
import OpenImageIO as oiio
import pytest

SPECIMENS = Path(__file__).parents[2].parent / "shared" / "specimens"


def read_specimen(name, stop=None):
    """Truth, and a list of (light, samples, bits); the test is left out where the specimen is missing."""
    folder = SPECIMENS / name
    if not folder.is_dir():
        pytest.skip(f"left out: the specimen {name} is not at ../shared/specimens")
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    frames = []
    for path in sorted((folder / "capture").glob("frame_*"))[:stop]:
        samples = oiio.ImageBuf(str(path)).get_pixels(oiio.UINT16)
        if path.suffix == ".dpx":  # code = 1023 (1 + log10(light) / 3)
            samples = samples >> 6
            light, bits = 10 ** (3 * (samples / 1023 - 1)), 10
        elif path.suffix == ".png":  # IEC 61966-2-1
            samples = (samples // 257).astype(np.uint8)
            code = samples / 255
            light, bits = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4), 8
        else:
            light, bits = samples / 65535, 16
        frames.append((light.astype(np.float32), samples, bits))
    return truth, frames
