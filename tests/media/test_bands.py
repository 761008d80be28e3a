"""A frame of a film that is not laid to pixels as a whole: the same digest, the same green samples."""

from fractions import Fraction

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.media.digest import digest_bands, digest_frame
from smallgauge.media.frame import Region
from smallgauge.media.picture_in import cut_listing, list_capture, open_picture
from smallgauge.media.picture_out import create_lossless, create_viewing


def film(path, *, bits, layout, width=70, height=75):
    """Three frames of noise whose sides are no multiples of a band's lines or of the decoder's alignment."""
    random = np.random.default_rng(bits)
    kind, shape = (np.uint8 if bits == 8 else np.uint16), (height, width, *((3,) if layout == "rgb" else ()))
    frames = [random.integers(0, 2**bits, shape, kind) for _ in range(3)]
    with create_lossless(
        path, width=width, height=height, bits=bits, layout=layout, rate=Fraction(18)
    ) as writer:
        for frame in frames:
            writer.write(frame)
    return frames


@pytest.mark.parametrize(
    ("bits", "layout"), [(8, "rgb"), (10, "rgb"), (16, "rgb"), (8, "grey"), (16, "grey")]
)
def test_digest_and_green_are_those_of_the_samples(tmp_path, bits, layout):
    frames = film(tmp_path / "a.mkv", bits=bits, layout=layout)
    with open_picture(list_capture(tmp_path / "a.mkv")) as reader:
        seen = 0
        for decoded, frame in zip(reader.decoded(0, 3), frames, strict=True):
            assert decoded.digest(bits) == digest_frame(frame, bits)
            green = decoded.green()
            np.testing.assert_array_equal(
                green[:, :, 1] if green.ndim == 3 else green, frame[:, :, 1] if layout == "rgb" else frame
            )
            np.testing.assert_array_equal(decoded.frame().samples, frame)
            seen += 1
        assert seen == 3


def test_a_part_of_a_picture(tmp_path):
    frames = film(tmp_path / "a.mkv", bits=10, layout="rgb")
    region = Region(left=3, top=5, width=40, height=50, of_width=70, of_height=75)
    with open_picture(cut_listing(list_capture(tmp_path / "a.mkv"), region)) as reader:
        for decoded, frame in zip(reader.decoded(1, 3), frames[1:], strict=True):
            part = frame[5:55, 3:43]
            assert decoded.digest(10) == digest_frame(part, 10)
            np.testing.assert_array_equal(decoded.green()[:, :, 1], part[:, :, 1])


def test_a_film_that_is_no_planes_of_red_green_and_blue(tmp_path):
    with create_viewing(tmp_path / "a.mp4", width=64, height=48, rate=Fraction(18)) as writer:
        writer.write(np.random.default_rng(1).integers(0, 256, (48, 64, 3), np.uint8))
    with open_picture(list_capture(tmp_path / "a.mp4")) as reader:
        (decoded,) = reader.decoded(0, 1)
        samples = decoded.frame().samples
        assert decoded.digest(8) == digest_frame(samples, 8)
        np.testing.assert_array_equal(decoded.green(), samples)


def test_lines_that_are_missing_are_no_picture():
    picture = np.zeros((10, 6, 3), np.uint8)
    with pytest.raises(CallerError, match="10 lines"):
        digest_bands((picture[:4], picture[6:]), 10, 8)
    with pytest.raises(CallerError, match="10 lines"):
        digest_bands((), 10, 8)
