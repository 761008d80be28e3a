"""The same pictures give the same bytes, whatever lies in the memory that an encoder is given."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import hashlib, sys
from fractions import Fraction
from pathlib import Path
import numpy as np
from smallgauge.media.picture_out import create_lossless, create_viewing

kind, width, height, path = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])
size = {"width": width, "height": height, "rate": Fraction(18)}
chance = np.random.default_rng(7)
ground = chance.integers(0, 200, (height // 8 + 2, width // 8 + 6, 3)).repeat(8, axis=0).repeat(8, axis=1)
if kind == "viewing":
    writer = create_viewing(path.with_suffix(".mp4"), **size)
else:
    writer = create_lossless(path.with_suffix(".mkv"), bits=12, layout="rgb", **size)
with writer:
    for n in range(6):
        part = ground[n : n + height, 3 * n : 3 * n + width] + chance.integers(0, 30, (height, width, 3))
        writer.write(part.astype(np.uint8 if kind == "viewing" else np.uint16))
print(hashlib.sha256(writer.path.read_bytes()).hexdigest())
"""


def encoded(tmp_path: Path, kind: str, size: tuple[int, int], fill: int) -> str:
    """Digest of the file that a process makes whose fresh memory holds one value (glibc, mallopt(3), M_PERTURB)."""
    arguments = [kind, *map(str, size), str(tmp_path / "film")]
    environment = os.environ | {"MALLOC_PERTURB_": str(fill)}
    said = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return said.stdout


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="left out: only glibc fills fresh memory on request"
)
@pytest.mark.parametrize(
    ("kind", "size"), [("viewing", (690, 518)), ("viewing", (160, 128)), ("lossless", (156, 118))]
)
def test_fresh_memory_changes_nothing(tmp_path, kind, size):
    assert len({encoded(tmp_path, kind, size, fill) for fill in (1, 85, 170)}) == 1
