"""What lies in the memory beside a picture's rows never comes into a file: the same pictures, the same bytes."""

import hashlib
from fractions import Fraction

import av
import numpy as np
import pytest

from smallgauge.media import picture_out
from smallgauge.media.picture_out import create_lossless, create_viewing

WIDTH, HEIGHT = 156, 118  # neither a multiple of 16: rows are longer in memory than in the picture


class _DirtyFrames:
    """The library, whose new frames hold one value everywhere."""

    def __init__(self, value: int) -> None:
        self.value = value

    def __getattr__(self, name: str) -> object:
        return getattr(av, name)

    def VideoFrame(self, *arguments: object) -> av.VideoFrame:
        frame = av.VideoFrame(*arguments)
        for plane in frame.planes:
            np.frombuffer(plane, np.uint8)[:] = self.value
        return frame


def pictures(dtype):
    chance = np.random.default_rng(7)
    ground = chance.integers(0, 200, (HEIGHT // 8 + 2, WIDTH // 8 + 6, 3)).repeat(8, axis=0).repeat(8, axis=1)
    for n in range(4):
        part = ground[n : n + HEIGHT, 3 * n : 3 * n + WIDTH] + chance.integers(0, 30, (HEIGHT, WIDTH, 3))
        yield part.astype(dtype)


@pytest.mark.parametrize("kind", ["viewing", "rgb 12", "rgb 8"])
def test_the_same_pictures_give_the_same_bytes(tmp_path, monkeypatch, kind):
    digests = set()
    for value in (0, 16, 128, 255):
        monkeypatch.setattr(picture_out, "av", _DirtyFrames(value))
        path = tmp_path / ("a.mp4" if kind == "viewing" else "a.mkv")
        size = {"width": WIDTH, "height": HEIGHT, "rate": Fraction(18)}
        if kind == "viewing":
            writer = create_viewing(path, **size)
        else:
            writer = create_lossless(path, bits=int(kind.split()[1]), layout="rgb", **size)
        with writer:
            for picture in pictures(np.uint16 if kind == "rgb 12" else np.uint8):
                writer.write(picture)
        digests.add(hashlib.sha256(path.read_bytes()).hexdigest())
    assert len(digests) == 1
