"""Video files of other makers: codes, colour equations, seeking, pixel shape, interlace."""

from fractions import Fraction

import av
import numpy as np
import pytest
from makers import noise, plain_video, scene

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.picture_in import UnreadableFrame, list_capture, open_picture
from smallgauge.media.planes import MATRICES, YcbcrReading, rgb_from_ycbcr


def read_all(path):
    listing = list_capture(path)
    with open_picture(listing) as reader:
        return listing, [frame.samples for frame in reader.frames(0, listing.count)], reader.log


def ycbcr(rgb, matrix, bits, full):
    """Unrounded codes by the equations of the Recommendations (weights from memory), in float64."""
    kr, kb = {"BT.601": (0.299, 0.114), "BT.709": (0.2126, 0.0722), "BT.2020": (0.2627, 0.0593)}[matrix]
    r, g, b = (rgb[..., c].astype(float) / (2**bits - 1) for c in range(3))
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    scale = 2 ** (bits - 8)
    if full:
        top = 2**bits - 1
        return y * top, cb * top + 2 ** (bits - 1), cr * top + 2 ** (bits - 1)
    return (219 * y + 16) * scale, (224 * cb + 128) * scale, (224 * cr + 128) * scale


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("matrix", ["BT.601", "BT.709", "BT.2020"])
def test_equations_undone(matrix, bits, full):
    rgb = noise(40, 50, bits)
    planes = [np.rint(p).astype(np.uint16 if bits > 8 else np.uint8) for p in ycbcr(rgb, matrix, bits, full)]
    name, kr, kb = next(m for m in MATRICES.values() if m[0] == matrix)
    how = YcbcrReading(
        matrix=name, red_weight=kr, blue_weight=kb, full_range=full, step_x=1, step_y=1, centred=False,
        interlaced=False, notes=(),
    )  # fmt: skip
    got = rgb_from_ycbcr(*planes, bits=bits, how=how)
    # Rounding Y'CbCr to its own codes moves R'G'B' by up to 1/2 (255/219 + 1.88 * 255/224) codes.
    assert np.abs(got.astype(int) - rgb).max() <= 2


def test_against_ffmpegs_scaler(tmp_path):
    # 4:4:4, so only the equation is compared; the scaler rounds in its own way.
    rgb = scene(64, 96, 2)
    planes = [np.rint(p).astype(np.uint8) for p in ycbcr(rgb, "BT.709", 8, False)]

    def tag(target):
        target.colorspace, target.color_range = 1, 1

    path = plain_video(tmp_path / "a.mkv", [planes], codec="ffv1", pixel_format="yuv444p", setup=tag)
    listing, (got,), _ = read_all(path)
    assert listing.notes == () and not listing.encoding.sub_sampled
    with av.open(str(path)) as container:
        theirs = next(container.decode(video=0)).to_ndarray(format="rgb24")
    assert np.abs(got.astype(int) - theirs).max() <= 2


@pytest.mark.parametrize(
    ("codec", "form", "suffix", "bits", "name", "lossy"),
    [
        ("v210", "yuv422p10le", ".mov", 10, "v210", False),
        ("prores_ks", "yuv422p10le", ".mov", 10, "prores", True),
        ("libx264", "yuv420p", ".mp4", 8, "h264", True),
        ("ffv1", "yuv422p10le", ".mkv", 10, "ffv1", False),
        ("ffv1", "yuv420p16le", ".mkv", 16, "ffv1", False),
        ("mjpeg", "yuvj420p", ".avi", 8, "mjpeg", True),
        ("ffv1", "yuv411p", ".mkv", 8, "ffv1", False),
    ],
)
def test_sub_sampled_codecs(tmp_path, codec, form, suffix, bits, name, lossy):
    # A picture smooth enough that sub-sampling costs little: straight lines between colour samples are right.
    count, height, width = 5, 48, 64
    y, x = np.mgrid[0:height, 0:width]
    fx, fy = {"0": (2, 2), "1": (4, 1), "2": (2, 1)}[form.split("p")[0][-1]]
    pictures, planes = [], []
    for number in range(count):
        rgb = np.stack([0.2 + 0.5 * x / width, 0.7 - 0.4 * y / height, 0.3 + 0.3 * (x + y) / 112], axis=2)
        rgb = np.rint((rgb + 0.01 * number) * (2**bits - 1))
        pictures.append(rgb)
        luma, blue, red = ycbcr(rgb, "BT.601", bits, "j" in form)
        kind = np.uint8 if bits == 8 else np.uint16
        small = []
        for plane in (blue, red):
            rows = plane.reshape(height // fy, fy, width).mean(axis=1)
            co_sited = rows[:, ::fx] if "j" not in form else rows.reshape(-1, width // 2, 2).mean(axis=2)
            small.append(np.rint(co_sited).astype(kind))
        planes.append([np.rint(luma).astype(kind), *small])
    path = plain_video(tmp_path / f"a{suffix}", planes, codec=codec, pixel_format=form)
    listing, got, log = read_all(path)
    assert (listing.format, listing.count, listing.rate, log) == (name, count, 25, ())
    assert (listing.encoding.bits, listing.encoding.lossy, listing.encoding.sub_sampled) == (
        bits,
        lossy,
        True,
    )
    assert any("spread between" in note for note in listing.notes)
    tolerance = (10 if lossy else 3) * 2 ** (bits - 8)
    inner = (slice(4, -4), slice(4, -4))
    for samples, picture in zip(got, pictures):
        assert samples.dtype == (np.uint8 if bits == 8 else np.uint16)
        assert np.abs(samples[inner].astype(float) - picture[inner]).max() <= tolerance


def test_what_a_file_does_not_say_is_taken_by_rule_and_said(tmp_path):
    for width, height, matrix in ((64, 48, "BT.601"), (1280, 16, "BT.709")):
        flat = [np.full((height, width), 120, np.uint8)] + [np.full((height, width), 90, np.uint8)] * 2
        path = plain_video(tmp_path / "a.mkv", [flat], codec="ffv1", pixel_format="yuv444p")
        notes = " ".join(list_capture(path).notes)
        assert matrix in notes and "limited range" in notes


def test_dv_carries_pixel_shape_and_interlace(tmp_path):
    luma = np.tile(60 + 100 * (np.arange(720) / 720), (576, 1)).astype(np.uint8)
    planes = [luma, np.full((288, 360), 128, np.uint8), np.full((288, 360), 128, np.uint8)]

    def wide(target):
        if hasattr(target, "sample_aspect_ratio"):
            target.sample_aspect_ratio = Fraction(16, 15)

    path = plain_video(
        tmp_path / "a.dv", [planes] * 3, codec="dvvideo", pixel_format="yuv420p", setup=wide, form="dv"
    )
    listing, got, _ = read_all(path)
    assert (listing.format, listing.width, listing.height, listing.count) == ("dvvideo", 720, 576, 3)
    assert listing.encoding.interlaced and listing.encoding.lossy
    assert listing.encoding.pixel_aspect == (16, 15) and listing.rate == 25
    wanted = (luma.astype(float) - 16) * 255 / 219
    assert np.abs(got[1][:, :, 1].astype(float) - wanted).mean() < 2


def test_pixel_shape_of_h264(tmp_path):
    def shape(target):
        if hasattr(target, "sample_aspect_ratio"):
            target.sample_aspect_ratio = Fraction(4, 3)

    planes = [np.full((48, 64), 90, np.uint8)] + [np.full((24, 32), 128, np.uint8)] * 2
    path = plain_video(tmp_path / "a.mp4", [planes], codec="libx264", pixel_format="yuv420p", setup=shape)
    assert list_capture(path).encoding.pixel_aspect == (4, 3)


@pytest.mark.parametrize(
    ("codec", "form", "suffix"),
    [
        ("rawvideo", "bgr24", ".avi"),
        ("ffv1", "bgra", ".mkv"),
        ("ffv1", "rgb48le", ".mkv"),
        ("png", "rgb24", ".mov"),
    ],
)
def test_packed_and_other_rgb_is_exact(tmp_path, codec, form, suffix):
    bits = 16 if "48" in form else 8
    rgb = noise(46, 52, bits)
    order = [2, 1, 0] if form.startswith("bgr") else [0, 1, 2]
    plane = rgb[:, :, order]
    if form == "bgra":
        plane = np.dstack([plane, noise(46, 52, 8, 1)])
    path = plain_video(tmp_path / f"a{suffix}", [[plane]], codec=codec, pixel_format=form)
    listing, (got,), _ = read_all(path)
    assert np.array_equal(got, rgb)
    assert any("transparency" in note for note in listing.notes) == (form == "bgra")


@pytest.mark.parametrize(("suffix", "frames"), [(".mp4", 3), (".mkv", 3), (".mp4", 0)])
def test_any_frame_from_any_place(tmp_path, suffix, frames):
    # H.264 with B-frames, a key frame every 12: every way of asking gives the picture that counting gives.
    count = 40
    planes = []
    for number in range(count):
        luma = np.full((48, 64), 40 + 4 * number, np.uint8)
        luma[:, number : number + 8] = 250
        planes.append([luma, np.full((24, 32), 128, np.uint8), np.full((24, 32), 128, np.uint8)])
    path = plain_video(
        tmp_path / f"a{suffix}", planes, codec="libx264", pixel_format="yuv420p", rate=Fraction(18),
        options={"g": "12", "bf": str(frames), "crf": "10", "x264-params": "scenecut=0:open-gop=1"},
    )  # fmt: skip
    listing = list_capture(path)
    assert (listing.count, listing.numbers[-1], listing.rate) == (count, count - 1, 18)
    with open_picture(listing) as reader:
        straight = [frame.samples for frame in reader.frames(0, count)]
        assert len(straight) == count
        for number, samples in enumerate(straight):
            assert abs(int(samples[40, 60, 1]) - (24 + 4 * number) * 255 / 219) < 12 or number > 48
        for first, stop in ((0, 1), (11, 14), (12, 13), (13, 25), (35, 40), (39, 40), (7, 7)):
            got = list(reader.frames(first, stop))
            assert [frame.number for frame in got] == list(range(first, stop))
            assert all(np.array_equal(frame.samples, straight[frame.number]) for frame in got)
        for number in (5, 6, 7, 30, 2, 39, 38, 0, *reversed(range(count)), 3, 2, 4, 3):
            assert np.array_equal(reader.read(number).samples, straight[number])
        assert reader.read_bytes_digest(3) is None and reader.log == ()
        with pytest.raises(CallerError):
            reader.read(count)


def test_a_broken_frame_in_a_video_is_named_and_passed(tmp_path):
    # ProRes: each frame by itself; the packet of frame 4 is overwritten.
    planes = [
        [noise(48, 64, 10, 1, seed=n), noise(48, 32, 10, 1, seed=90 + n), noise(48, 32, 10, 1, seed=60 + n)]
        for n in range(8)
    ]
    path = plain_video(tmp_path / "a.mov", planes, codec="prores_ks", pixel_format="yuv422p10le")
    with av.open(str(path)) as container:
        place, size = [(p.pos, p.size) for p in container.demux(video=0) if p.size][4]
    data = bytearray(path.read_bytes())
    data[place : place + size] = bytes(size)
    path.write_bytes(data)
    listing = list_capture(path)
    assert listing.count == 8
    with open_picture(listing) as reader:
        got = []
        with pytest.raises(UnreadableFrame) as raised:
            got.extend(frame.number for frame in reader.frames(0, 8))
        got = [frame.number for frame in reader.frames(0, 4)]
        assert raised.value.number == 4 and raised.value.file == "a.mov" and got == [0, 1, 2, 3]
        assert [frame.number for frame in reader.frames(5, 8)] == [5, 6, 7]
        assert [reader.read(n).number for n in (3,)] == [3]
        with pytest.raises(UnreadableFrame):
            reader.read(4)
        assert reader.read(5).number == 5
        assert any(line.startswith("frame 4:") for line in reader.log)


def test_a_folder_with_one_video(tmp_path):
    plain_video(tmp_path / "reel.mkv", [[noise(48, 64, 8, 1)]], codec="ffv1", pixel_format="gray")
    (tmp_path / "capture.toml").write_text("format = 1\n")
    (tmp_path / "scan.log").write_text("")
    listing = list_capture(tmp_path)
    assert (listing.kind, listing.root, listing.path) == ("video", tmp_path, tmp_path / "reel.mkv")
    assert dict(listing.passed_over) == {"scan.log": "a text or log"}
    plain_video(tmp_path / "reel2.mkv", [[noise(48, 64, 8, 1)]], codec="ffv1", pixel_format="gray")
    with pytest.raises(MaterialError, match="2 video files"):
        list_capture(tmp_path)


def test_files_that_are_no_picture(tmp_path):
    import soundfile

    soundfile.write(tmp_path / "a.wav", np.zeros(100), 48000)
    with pytest.raises(MaterialError, match="no moving picture"):
        list_capture(tmp_path / "a.wav")
    palette = plain_video(tmp_path / "a.avi", [[noise(16, 16, 8, 1)]], codec="rawvideo", pixel_format="pal8")
    with pytest.raises(MaterialError, match="pal8"):
        list_capture(palette)
