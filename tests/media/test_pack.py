"""The proxy pack: every number gives its own picture, and what is not whole is refused."""

import io
import struct

import cv2
import imagecodecs
import numpy as np
import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.pack import (
    display_table,
    join_packs,
    open_pack,
    pack_files,
    pack_head,
    reduce_samples,
    write_pack,
)

LINEAR_16 = display_table(np.linspace(0, 1, 65536, dtype=np.float32))
SIZE = (96, 128)


def numbered(number: int) -> np.ndarray:
    """A 16-bit picture that carries its number as 16 black or white blocks."""
    picture = np.full((*SIZE, 3), 9000, np.uint16)
    for bit in range(16):
        left = 8 * bit
        picture[32:64, left : left + 8] = 65535 if number >> bit & 1 else 0
    return picture


def number_in(jpeg: bytes) -> int:
    """The number that a picture carries, read by a library that did not write it."""
    grey = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    return sum(int(grey[48, 8 * bit + 4] > 127) << bit for bit in range(16))


def write_numbered(folder, name, first, stop):
    head = pack_head(SIZE[1], SIZE[0], first=first, count=stop - first)
    with write_pack(folder, name, head, LINEAR_16) as pack:
        for number in range(first, stop):
            pack.add(numbered(number))


@pytest.fixture(scope="module")
def joined(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pack")
    names = []
    for first, stop in ((0, 100), (100, 170), (170, 301)):
        names.append(f"chunk-{first:06d}")
        write_numbered(folder, names[-1], first, stop)
    assert join_packs(folder, names, count=301, capture="a digest")
    return folder


def test_every_number_gives_its_own_picture(joined):
    reader = open_pack(joined)
    assert reader.head.count == 301 and reader.head.capture == "a digest"
    assert [number_in(reader.jpeg(n)) for n in range(301)] == list(range(301))
    assert [number_in(each) for each in reader.jpegs(95, 127)] == list(range(95, 127))
    assert sorted(p.name for p in joined.iterdir()) == ["frames.idx", "frames.pack"]


def test_the_files_are_as_their_description_says(joined):
    """Read with nothing but struct: a line, then little-endian uint64 offsets into JPEGs end to end."""
    pack, index = pack_files(joined)
    raw = index.read_bytes()
    offsets = raw[raw.index(b"\n") + 1 :]
    places = struct.unpack(f"<{len(offsets) // 8}Q", offsets)
    data = pack.read_bytes()
    assert len(places) == 302 and places[0] == 0 and places[-1] == len(data)
    assert all(data[p : p + 2] == b"\xff\xd8" for p in places[:-1])  # ITU-T T.81, table B.1: SOI


def test_pictures_are_small_jpegs_with_colour_at_half(tmp_path):
    from PIL import Image, JpegImagePlugin

    head = pack_head(1400, 1000, count=1)
    assert (head.factor, head.width, head.height) == (3, 466, 333)
    with write_pack(tmp_path, "frames", head, LINEAR_16) as pack:
        pack.add(np.full((1000, 1400, 3), 30000, np.uint16))
    picture = Image.open(io.BytesIO(open_pack(tmp_path).jpeg(0)))
    assert picture.size == (466, 333)
    assert JpegImagePlugin.get_sampling(picture) == 2  # 4:2:0 in Pillow's numbering


def test_reduction_is_the_mean_of_whole_blocks():
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 65536, (13, 17, 3)).astype(np.uint16)
    expected = picture[:12, :16].reshape(3, 4, 4, 4, 3).mean(axis=(1, 3))
    assert np.abs(reduce_samples(picture, 4) - expected).max() <= 0.5001


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(61, 83), (61, 83, 3), (16, 40, 3)])
def test_reduction_is_opencvs(kind, shape):
    codes = np.random.default_rng(2).integers(0, np.iinfo(kind).max + 1, shape).astype(kind)
    for factor in (2, 3, 4, 5, 8):
        height, width = shape[0] // factor, shape[1] // factor
        whole = np.ascontiguousarray(codes[: height * factor, : width * factor])
        expected = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
        assert np.array_equal(reduce_samples(codes, factor), expected)


@pytest.mark.parametrize("kind", ["grey 8", "grey 10", "float"])
def test_every_kind_of_capture_is_shown(tmp_path, kind):
    light = np.linspace(0, 1, {"grey 8": 256, "grey 10": 1024, "float": 2}[kind], dtype=np.float32)
    frame = {
        "grey 8": np.full((48, 64), 128, np.uint8),
        "grey 10": np.full((48, 64), 514, np.uint16),
        "float": np.full((48, 64, 3), 0.502, np.float32),
    }[kind]
    with write_pack(
        tmp_path, "frames", pack_head(64, 48, count=1), None if kind == "float" else display_table(light)
    ) as pack:
        pack.add(frame)
    shown = imagecodecs.jpeg8_decode(open_pack(tmp_path).jpeg(0))
    expected = round(255 * 0.502 ** (1 / 2.4))  # docs/conventions.md: light = code^2.4
    assert np.abs(shown.astype(int) - expected).max() <= 2


def test_what_is_not_whole_is_refused(tmp_path):
    write_numbered(tmp_path, "frames", 0, 3)
    pack, index = pack_files(tmp_path)
    with pytest.raises(CallerError, match="0 to 2"):
        open_pack(tmp_path).jpeg(3)
    whole = index.read_bytes()
    for broken in (whole[:-8], b"{}\n", b"", whole[:-3]):
        index.write_bytes(broken)
        with pytest.raises(MaterialError):
            open_pack(tmp_path)
    index.write_bytes(whole)
    reader = open_pack(tmp_path)
    pack.write_bytes(pack.read_bytes()[:-1])
    with pytest.raises(MaterialError, match="anew"):
        reader.jpeg(0)
    with pytest.raises(MaterialError):
        open_pack(tmp_path)


def test_a_stop_in_the_middle_leaves_no_pack(tmp_path):
    write_numbered(tmp_path, "frames", 0, 3)
    with pytest.raises(KeyboardInterrupt), write_pack(tmp_path, "frames", pack_head(8, 6, count=9)) as pack:
        pack.add_picture(b"one")
        raise KeyboardInterrupt
    with pytest.raises(MaterialError):
        open_pack(tmp_path)
    with pytest.raises(CallerError, match="9 pictures"), write_pack(tmp_path, "a", pack_head(8, 6, count=9)):
        pass


def test_parts_that_do_not_follow_one_another_are_not_joined(tmp_path):
    write_numbered(tmp_path, "one", 0, 3)
    write_numbered(tmp_path, "two", 4, 6)
    assert not join_packs(tmp_path, ["one", "two"], count=5, capture="")
    assert not join_packs(tmp_path, ["one"], count=5, capture="")
    assert not join_packs(tmp_path, ["one", "three"], count=5, capture="")
    assert open_pack(tmp_path, "one").head.count == 3
