"""Folders of frames: every code as stored, what is refused, what is a finding."""

import hashlib
import io
import struct
import zlib

import imagecodecs
import numpy as np
import OpenImageIO as oiio
import pytest
import tifffile
from makers import dpx_bytes, noise, plain_video, scene

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.picture_in import UnreadableFrame, list_capture, open_picture


def read_one(folder, number=0):
    listing = list_capture(folder)
    with open_picture(listing) as reader:
        return listing, reader.read(number).samples


def put(folder, name, data):
    (folder / name).write_bytes(data)


def tiff_bytes(samples, **options):
    file = io.BytesIO()
    options.setdefault("photometric", "rgb" if samples.ndim == 3 else "minisblack")
    tifffile.imwrite(file, samples, **options)
    return file.getvalue()


def png_of_kind(bits, colour):
    """The head of a PNG of 16 x 16 with this depth and colour type (W3C PNG, 11.2.2, from memory)."""
    body = b"IHDR" + struct.pack(">IIBBBBB", 16, 16, bits, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))


def write_oiio(path, samples, kind, **attributes):
    height, width = samples.shape[:2]
    channels = 1 if samples.ndim == 2 else samples.shape[2]
    spec = oiio.ImageSpec(width, height, channels, kind)
    for name, value in attributes.items():
        spec.attribute(name.replace("__", ":"), value)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec), out.geterror()
    assert out.write_image(samples), out.geterror()
    out.close()


@pytest.mark.parametrize("end", ["<", ">"])
@pytest.mark.parametrize(
    ("bits", "packing"), [(8, 1), (10, 0), (10, 1), (10, 2), (12, 0), (12, 1), (12, 2), (16, 0), (16, 1)]
)
@pytest.mark.parametrize("channels", [1, 3])
def test_dpx_codes_are_the_stored_codes(tmp_path, end, packing, bits, channels):
    # Every 10- and 12-bit code occurs; the file is laid down by hand, so no library agrees with itself.
    width, height = 48, 4096 // 48 + 2
    step = 1 if bits < 16 else 13
    codes = (np.arange(height * width * channels) * step % 2**bits).astype(
        np.uint8 if bits == 8 else np.uint16
    )
    codes = codes.reshape((height, width) if channels == 1 else (height, width, 3))
    put(tmp_path, "f_0001.dpx", dpx_bytes(codes, bits, packing, end))
    listing, samples = read_one(tmp_path)
    assert (listing.format, listing.encoding.bits, listing.width, listing.height) == (
        "dpx",
        bits,
        width,
        height,
    )
    assert listing.encoding.layout == ("grey" if channels == 1 else "rgb")
    assert samples.dtype == codes.dtype and np.array_equal(samples, codes)


@pytest.mark.parametrize(("form", "bits"), [("gbrp10le", 10), ("gbrp12le", 12), ("rgb48le", 16)])
def test_dpx_of_another_writer(tmp_path, form, bits):
    # FFmpeg's DPX writer (version 1.0 header of 1664 bytes) as a second maker.
    codes = noise(40, 48, bits)
    planes = [codes.reshape(40, -1)] if form == "rgb48le" else [codes[:, :, c] for c in (1, 2, 0)]
    if form == "rgb48le":
        planes = [codes]
    plain_video(tmp_path / "f_%03d.dpx", [planes], codec="dpx", pixel_format=form, form="image2")
    _, samples = read_one(tmp_path)
    assert np.array_equal(samples, codes)


def test_dpx_specimen_against_a_second_reader(specimens):
    listing = list_capture(specimens / "standard8-torn" / "capture")
    assert (listing.format, listing.encoding.bits, listing.encoding.layout) == ("dpx", 10, "rgb")
    import av

    with open_picture(listing) as reader:
        samples = reader.read(3).samples
    with av.open(str(listing.root / listing.files[3])) as container:
        frame = next(container.decode(video=0))
        for channel, number in enumerate((2, 0, 1)):
            plane = frame.planes[number]
            rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            assert np.array_equal(rows.view(np.uint16)[:, : frame.width], samples[:, :, channel])


def test_specimens_list_as_they_are(specimens):
    faded = list_capture(specimens / "super8-faded" / "capture")
    assert (faded.format, faded.encoding.bits, faded.count, faded.numbers[-1]) == ("tiff", 16, 16, 15)
    striped = list_capture(specimens / "super8-striped-18fps" / "capture")
    assert (striped.format, striped.encoding.bits, striped.gaps) == ("png", 8, ())
    assert striped.passed_over == () and striped.unreadable == ()


TIFFS = [
    {},
    {"compression": "zlib"},
    {"compression": "lzw", "predictor": True},
    {"compression": "zstd", "predictor": True},
    {"compression": "packbits"},
    {"tile": (16, 16)},
    {"tile": (32, 16), "compression": "zlib"},
    {"byteorder": ">"},
    {"rowsperstrip": 7, "compression": "zlib", "byteorder": ">"},
    {"bigtiff": True},
]


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("options", TIFFS, ids=str)
def test_tiff_round_trip_and_second_reader(tmp_path, bits, channels, options):
    samples = noise(50, 61, bits, channels)
    put(tmp_path, "f1.tif", tiff_bytes(samples, **options))
    listing, got = read_one(tmp_path)
    assert listing.encoding.bits == bits
    assert got.dtype == samples.dtype and np.array_equal(got, samples)
    if options.get("compression") == "zstd":
        return  # the second reader doesn't know it
    file = oiio.ImageInput.open(str(tmp_path / "f1.tif"))
    other = file.read_image(0, 0, 0, channels, "uint8" if bits == 8 else "uint16")
    file.close()
    assert np.array_equal(np.asarray(other).reshape(samples.shape), got)


def test_tiff_planes_and_transparency(tmp_path):
    samples = noise(20, 30, 16)
    put(tmp_path, "f1.tif", tiff_bytes(np.moveaxis(samples, 2, 0), planarconfig="separate"))
    assert np.array_equal(read_one(tmp_path)[1], samples)
    rgba = np.dstack([samples, np.full((20, 30), 65535, np.uint16)])
    put(tmp_path, "f1.tif", tiff_bytes(rgba, extrasamples=["unassalpha"]))
    listing, got = read_one(tmp_path)
    assert np.array_equal(got, samples)
    assert any("transparency" in note for note in listing.notes)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda s: tiff_bytes(s[:, :, 0], photometric="palette", colormap=np.zeros((3, 256), np.uint16)),
            "palette",
        ),
        (lambda s: tiff_bytes(s[:, :, 0], photometric="miniswhite"), "white as 0"),
        (lambda s: tiff_bytes(s.astype(np.float32)), "32-bit"),
        (lambda s: tiff_bytes(np.stack([s, s])), "2 pictures"),
        (lambda s: tiff_bytes(s, compression="jpeg"), "YCbCr"),
        (lambda s: png_of_kind(1, 0), "1-bit"),
        (lambda s: png_of_kind(8, 3), "a palette"),
    ],
)
def test_kinds_that_are_refused(tmp_path, make, words):
    put(tmp_path, "f1.tif", make(noise(16, 32, 8)))
    with pytest.raises(MaterialError, match=words) as raised:
        list_capture(tmp_path)
    assert "f1.tif" in str(raised.value)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [1, 3, 4])
def test_png(tmp_path, bits, channels):
    samples = noise(33, 47, bits, channels)
    put(tmp_path, "f1.png", imagecodecs.png_encode(samples))
    listing, got = read_one(tmp_path)
    want = samples[:, :, :3] if channels == 4 else samples
    assert listing.encoding.bits == bits and np.array_equal(got, want)
    assert bool(listing.notes) == (channels == 4)


@pytest.mark.parametrize("kind", ["half", "float"])
def test_openexr(tmp_path, kind):
    samples = np.random.default_rng(2).normal(0.4, 0.3, (24, 32, 3)).astype(np.float32)
    samples[0, 0] = (np.nan, 4.5, -0.25)
    if kind == "half":
        samples = samples.astype(np.float16).astype(np.float32)
    write_oiio(tmp_path / "f1.exr", samples, kind, compression="zip")
    listing, got = read_one(tmp_path)
    assert listing.encoding.bits == 32 and not listing.encoding.lossy
    assert got.dtype == np.float32 and np.array_equal(got, samples, equal_nan=True)


@pytest.mark.parametrize("sampling", ["444", "420"])
def test_jpeg_against_a_second_decoder(tmp_path, sampling):
    data = imagecodecs.jpeg8_encode(scene(96, 128, 0), level=92, subsampling=sampling)
    put(tmp_path, "f1.jpg", data)
    listing, got = read_one(tmp_path)
    assert listing.encoding.lossy and listing.encoding.sub_sampled == (sampling == "420")
    other = imagecodecs.jpeg8_decode(data).astype(int)
    assert np.abs(got.astype(int) - other).max() <= (0 if sampling == "444" else 2)


def files_of_every_kind(tmp_path):
    eight, wide = scene(64, 80, 0), noise(64, 80, 16)
    write_oiio(tmp_path / "a.exr", wide / np.float32(65535), "half", compression="zip")
    exr = (tmp_path / "a.exr").read_bytes()
    (tmp_path / "a.exr").unlink()
    return {
        "f2.dpx": (
            dpx_bytes(noise(64, 80, 10), 10, 1, ">"),
            dpx_bytes(noise(64, 80, 10, seed=9), 10, 1, ">"),
        ),
        "f2.tif": (tiff_bytes(wide), tiff_bytes(noise(64, 80, 16, seed=9))),
        "f2.tiff": (tiff_bytes(wide, compression="lzw"), tiff_bytes(noise(64, 80, 16, seed=9))),
        "f2.png": (imagecodecs.png_encode(wide), imagecodecs.png_encode(noise(64, 80, 16, seed=9))),
        "f2.exr": (exr, exr),
        "f2.jpg": (imagecodecs.jpeg8_encode(eight, level=92), imagecodecs.jpeg8_encode(eight, level=92)),
    }


@pytest.mark.parametrize("name", ["f2.dpx", "f2.tif", "f2.tiff", "f2.png", "f2.exr", "f2.jpg"])
def test_a_truncated_frame_is_never_silent(tmp_path, name):
    # At every length from nothing to one byte short: an error that names the frame, never invented rows.
    whole, other = files_of_every_kind(tmp_path)[name]
    (tmp_path / name.replace("2", "1")).write_bytes(other)
    lengths = sorted(
        {0, 1, 3, 100, 700, 1500, len(whole) // 4, len(whole) // 2, len(whole) - 9, len(whole) - 1}
    )
    for length in lengths:
        (tmp_path / name).write_bytes(whole[:length])
        listing = list_capture(tmp_path)
        assert listing.count == 2
        with open_picture(listing) as reader:
            assert reader.read(0).samples.shape[:2] == (64, 80)
            with pytest.raises(UnreadableFrame) as raised:
                reader.read(1)
        assert (raised.value.number, raised.value.file) == (1, name), length
        assert name in str(raised.value) and raised.value.reason and "\n" not in str(raised.value)
        assert raised.value.exit_code == 3


def test_a_large_hole_in_a_jpeg_is_seen(tmp_path):
    # libjpeg only warns and fills up with grey. A few changed bytes can't be seen at all: JPEG has no checksum.
    data = imagecodecs.jpeg8_encode(scene(96, 128, 0), level=92)
    put(tmp_path, "f1.jpg", data[: len(data) // 2] + data[-200:])
    with open_picture(list_capture(tmp_path)) as reader, pytest.raises(UnreadableFrame):
        reader.read(0)


def test_order_gaps_and_what_is_passed_over(tmp_path):
    data = imagecodecs.png_encode(noise(8, 8, 8))
    for number in (0, 1, 2, 9, 10, 11, 100):
        put(tmp_path, f"reel 7_{number}.PNG", data)
    for name in (
        "Thumbs.db",
        ".DS_Store",
        "._reel 7_3.png",
        ".hidden.png",
        "scan.log",
        "notes.pdf",
        "x.png.part",
    ):
        put(tmp_path, name, b"x")
    for name in ("capture.toml", "frames.csv", "sound.wav"):
        put(tmp_path, name, b"")
    (tmp_path / "thumbnails").mkdir()
    listing = list_capture(tmp_path)
    assert listing.numbers == (0, 1, 2, 9, 10, 11, 100)
    assert listing.files[3] == "reel 7_9.PNG"
    assert listing.gaps == ((2, 6), (5, 88))
    reasons = dict(listing.passed_over)
    assert set(reasons) == {
        "Thumbs.db", ".DS_Store", "._reel 7_3.png", ".hidden.png", "scan.log", "notes.pdf", "thumbnails",
        "x.png.part",
    }  # fmt: skip
    assert all(reasons.values())
    with open_picture(listing) as reader:
        assert [frame.number for frame in reader.frames(2, 5)] == [2, 3, 4]
        assert reader.read_bytes_digest(4) == hashlib.sha256(data).hexdigest()
        with pytest.raises(CallerError, match="count from 0"):
            reader.read(7)


def test_folders_that_are_refused(tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    put(empty, "scan.log", b"")
    with pytest.raises(MaterialError, match="empty holds no frames"):
        list_capture(empty)
    with pytest.raises(MaterialError, match="no capture at"):
        list_capture(tmp_path / "nowhere")
    small, large = (imagecodecs.png_encode(noise(8, width, 8)) for width in (8, 9))
    two = tmp_path / "two"
    two.mkdir()
    put(two, "garden_1.png", small)
    put(two, "sea_1.png", small)
    with pytest.raises(MaterialError, match=r"garden_….*sea_…"):
        list_capture(two)
    odd = tmp_path / "odd"
    odd.mkdir()
    for number in range(4):
        put(odd, f"f{number}.png", large if number == 2 else small)
    with pytest.raises(MaterialError, match=r"f2\.png in odd is png 9 x 8.*other frames are png 8 x 8"):
        list_capture(odd)
    put(odd, "f2.png", imagecodecs.png_encode(noise(8, 8, 16)))
    with pytest.raises(MaterialError, match=r"f2\.png.*16-bit"):
        list_capture(odd)
    (odd / "f2.png").unlink()
    put(odd, "f2.tif", tiff_bytes(noise(8, 8, 8)))
    with pytest.raises(MaterialError, match=r"f2\.tif.*tiff 8 x 8"):
        list_capture(odd)
    (odd / "f2.tif").unlink()
    put(odd, "f03.png", small)
    with pytest.raises(MaterialError, match=r"f03\.png and f3\.png.*same number 3"):
        list_capture(odd)
    with pytest.raises(MaterialError, match="single picture"):
        list_capture(odd / "f3.png")


def test_a_frame_changed_behind_the_reader_is_refused(tmp_path):
    put(tmp_path, "f1.png", imagecodecs.png_encode(noise(8, 8, 8)))
    listing = list_capture(tmp_path)
    put(tmp_path, "f1.png", imagecodecs.png_encode(noise(8, 9, 8)))
    with open_picture(listing) as reader, pytest.raises(MaterialError, match="list it again"):
        reader.read(0)


def test_a_frame_that_went_away_is_unreadable(tmp_path):
    for number in range(2):
        put(tmp_path, f"f{number}.png", imagecodecs.png_encode(noise(8, 8, 8)))
    listing = list_capture(tmp_path)
    (tmp_path / "f1.png").unlink()
    with open_picture(listing) as reader:
        with pytest.raises(UnreadableFrame, match="can't be opened"):
            reader.read(1)
        with pytest.raises(UnreadableFrame, match="can't be opened"):
            reader.read_bytes_digest(1)
