"""H.264 viewing copies: the colour equations, the groups, joining with B-frames, sound in step."""

import itertools
import shutil
import subprocess
from fractions import Fraction
from io import BytesIO

import av
import numpy as np
import pytest
from makers import noise, scene
from PIL import Image, ImageCms

from smallgauge.errors import CallerError
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import create_viewing, join_segments
from smallgauge.media.planes import ycbcr_from_rgb
from smallgauge.media.sound_out import write_aac
from smallgauge.media.stills import write_still


def bt709(rgb):
    """Y', Cb, Cr codes by ITU-R BT.709-6 items 3.2 to 3.5 (from memory), in float64, not yet rounded."""
    red, green, blue = (rgb[..., c] / 255.0 for c in range(3))
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return 219 * luma + 16, 224 * (blue - luma) / 1.8556 + 128, 224 * (red - luma) / 1.5748 + 128


def test_conversion_is_the_equation_to_half_a_code():
    # Every colour of a 52^3 lattice as flat blocks, so that sub-sampling plays no part.
    steps = np.arange(0, 256, 5, dtype=np.uint8)
    colours = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 52, 3)
    picture = colours.repeat(2, axis=0).repeat(6, axis=1)
    luma, blue, red = ycbcr_from_rgb(picture)
    wanted = bt709(colours.astype(np.float64))
    assert np.abs(luma[::2, ::6] - wanted[0]).max() <= 0.51
    middle = slice(1, None, 3)  # the middle of each six-pixel block, away from its neighbours
    assert np.abs(blue[:, middle] - wanted[1]).max() <= 0.51
    assert np.abs(red[:, middle] - wanted[2]).max() <= 0.51


def test_conversion_against_a_published_table():
    # 100 % colour bars in 8 bits, BT.709: SMPTE RP 219-1 colour bars (from memory).
    bars = {
        (255, 255, 255): (235, 128, 128),
        (255, 255, 0): (219, 16, 138),
        (0, 255, 255): (188, 154, 16),
        (0, 255, 0): (173, 42, 26),
        (255, 0, 255): (78, 214, 230),
        (255, 0, 0): (63, 102, 240),
        (0, 0, 255): (32, 240, 118),
        (0, 0, 0): (16, 128, 128),
    }
    for colour, codes in bars.items():
        flat = np.broadcast_to(np.array(colour, np.uint8), (4, 4, 3))
        assert tuple(int(plane[1, 1]) for plane in ycbcr_from_rgb(flat)) == codes


def test_sub_sampling_weights():
    # One red pixel in black, with the weights written out: 1 2 1 along the row, 1 1 down.
    picture = np.zeros((4, 8, 3), np.uint8)
    for x, weights in ((4, {2: 0.25}), (5, {2: 0.125, 3: 0.125}), (0, {0: 0.375})):
        picture[:] = 0
        picture[2, x] = (255, 0, 0)
        red = ycbcr_from_rgb(picture)[2].astype(float) - 128
        for column in range(4):
            assert abs(red[1, column] - 112 * weights.get(column, 0)) <= 0.5, (x, column)
        assert np.all(red[0] == 0)


def write(path, frames, rate=Fraction(18), **more):
    height, width = frames[0].shape[:2]
    with create_viewing(path, width=width, height=height, rate=rate, **more) as writer:
        for frame in frames:
            writer.write(frame)
    return path


def decoded(path):
    with av.open(str(path)) as container:
        return [frame.to_ndarray(format="yuv420p") for frame in container.decode(video=0)]


@pytest.mark.parametrize("rate", [Fraction(18), Fraction(50, 3), Fraction(25)])
@pytest.mark.parametrize("suffix", [".mkv", ".mp4"])
def test_joined_viewing_copy(tmp_path, rate, suffix):
    frames = [scene(48, 64, n) for n in range(63)]
    groups = [frames[:25], frames[25:26], frames[26:28], frames[28:]]
    paths = [write(tmp_path / f"s{n}{suffix}", group, rate) for n, group in enumerate(groups)]
    target = tmp_path / "viewing.mp4"
    log = join_segments(paths, target, rate=rate, frame_counts=[len(g) for g in groups], container="mp4")
    assert log == ()
    singly = [picture for path in paths for picture in decoded(path)]
    together = decoded(target)
    assert len(together) == 63 and all(np.array_equal(a, b) for a, b in zip(singly, together))
    with av.open(str(target)) as container:
        stream = container.streams.video[0]
        assert (stream.average_rate, stream.frames, stream.start_time) == (rate, 63, 0)
        assert stream.duration * stream.time_base == 63 / rate
        context = stream.codec_context
        assert (context.profile, context.pix_fmt) == ("High", "yuv420p")
        assert (context.color_primaries, context.color_trc, context.colorspace, context.color_range) == (
            1,
            1,
            1,
            1,
        )
        packets = [p for p in container.demux(stream) if p.size]
        stamps = sorted(p.pts * p.time_base for p in packets)
        assert stamps == [n / rate for n in range(63)]
        assert all(p.dts <= p.pts for p in packets) and [p.dts for p in packets] == sorted(
            {p.dts for p in packets}
        )
        assert any(p.pts != q.pts for p, q in zip(packets, sorted(packets, key=lambda p: p.pts)))  # B-frames
    with read_film(target) as film:
        assert film.rate == rate and film.count == 63
        assert len(list(film.frames())) == 63 and film.log == ()


def test_groups_are_closed_and_two_seconds(tmp_path):
    path = write(tmp_path / "a.mp4", [scene(48, 64, n) for n in range(110)])
    with av.open(str(path)) as container:
        keys = [p.pts * p.time_base * 18 for p in container.demux(video=0) if p.size and p.is_keyframe]
    assert keys[0] == 0 and all(b - a <= 36 for a, b in itertools.pairwise(keys)) and len(keys) >= 4
    # From each key frame on, everything decodes without what was before it.
    whole = decoded(path)
    for key in keys[1:]:
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            container.seek(int(key / 18 / stream.time_base), stream=stream)
            got = [frame.to_ndarray(format="yuv420p") for frame in container.decode(stream)]
        assert len(got) == 110 - key and all(np.array_equal(a, b) for a, b in zip(got, whole[int(key) :]))


def test_quality_and_repeatability(tmp_path):
    frames = [scene(96, 128, n) for n in range(24)]
    path = write(tmp_path / "a.mp4", frames, quality=18)
    assert path.read_bytes() == write(tmp_path / "b.mp4", frames, quality=18).read_bytes()
    for got, frame in zip(decoded(path), frames):
        error = got[:96].astype(float) - ycbcr_from_rgb(frame)[0]
        assert 10 * np.log10(255**2 / np.mean(error**2)) > 38
    assert write(tmp_path / "c.mp4", frames, quality=30).stat().st_size < 0.7 * path.stat().st_size
    # The index stands before the pictures, so playing can begin at once.
    head = path.read_bytes()
    assert 0 < head.find(b"moov") < head.find(b"mdat")


def test_mediainfo_reads_the_viewing_copy(tmp_path):
    from pymediainfo import MediaInfo

    path = write(tmp_path / "a.mp4", [scene(48, 64, n) for n in range(20)])
    track = next(t for t in MediaInfo.parse(path).tracks if t.track_type == "Video").to_data()
    assert track["format"] == "AVC" and track["format_profile"].startswith("High@")
    assert (track["frame_rate"], track["frame_count"], track["frame_rate_mode"]) == ("18.000", "20", "CFR")
    assert (track["color_range"], track["matrix_coefficients"]) == ("Limited", "BT.709")
    assert track["chroma_subsampling"] == "4:2:0" and float(track["pixel_aspect_ratio"]) == 1


def test_sound_stays_in_step(tmp_path):
    rate = Fraction(18)
    frames = [scene(48, 64, n) for n in range(90)]
    sound = np.zeros((240000, 2))
    sound[48000:48020] = 0.9
    written = write_aac(tmp_path / "s.m4a", [sound[:100001], sound[100001:]], rate=48000, channels=2)
    assert (written.samples, written.clipped) == (240000, 0)
    path = write(tmp_path / "s0.mkv", frames, rate)
    target = tmp_path / "viewing.mp4"
    more = {"rate": rate, "frame_counts": [90], "container": "mp4", "sound": tmp_path / "s.m4a"}
    assert join_segments([path], target, **more, tags={"reel": "R03"}, chapters=[(0, 45, "Garden")]) == ()
    with read_film(target) as film:
        heard = np.concatenate(list(film.sound_blocks()))
        assert film.sound_codec == "aac" and (film.sound_rate, film.sound_channels) == (48000, 2)
        assert 240000 <= film.sound_samples < 240000 + 1024  # padded to whole blocks of 1024
        assert abs(int(np.argmax(np.abs(heard[:, 0]))) - 48010) <= 12
        assert film.tags["REEL"] == "R03" and film.chapters[0][2] == "Garden" and film.log == ()
        assert film.times[0] == 0 and film.times[-1] == Fraction(89, 18)


def test_what_the_viewing_writer_refuses(tmp_path):
    options = {"width": 64, "height": 48, "rate": Fraction(18)}
    for wrong in ({"width": 63}, {"height": 0}, {"quality": 52}):
        with pytest.raises(CallerError, match="even size"):
            create_viewing(tmp_path / "a.mp4", **{**options, **wrong})
    with pytest.raises(CallerError, match=r"a\.avi"):
        create_viewing(tmp_path / "a.avi", **options)
    with pytest.raises(CallerError, match="uint8"), create_viewing(tmp_path / "a.mp4", **options) as writer:
        writer.write(noise(48, 64, 16))
    assert list(tmp_path.iterdir()) == []


def test_still_is_full_colour_jpeg(tmp_path):
    import OpenImageIO as oiio

    picture = scene(48, 64, 1)
    write_still(tmp_path / "a.jpg", picture)
    file = oiio.ImageInput.open(str(tmp_path / "a.jpg"))
    assert file.spec().get_string_attribute("jpeg:subsampling") == "4:4:4"
    got = np.asarray(file.read_image(0, 0, 0, 3, "uint8")).astype(int)
    file.close()
    assert np.abs(got - picture).mean() < 3
    with Image.open(tmp_path / "a.jpg") as opened:  # another reader finds sRGB's profile
        told = ImageCms.ImageCmsProfile(BytesIO(opened.info["icc_profile"]))
    assert "sRGB" in ImageCms.getProfileDescription(told)
    if shutil.which("exiftool"):  # and so does a program that only reads what is in a file
        asked = [
            "exiftool",
            "-s",
            "-s",
            "-s",
            "-ProfileDescription",
            "-ProfileConnectionSpace",
            str(tmp_path / "a.jpg"),
        ]
        said = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split("\n")
        assert "sRGB" in said[0]
        assert said[1].strip() == "XYZ"
    for wrong in (picture[:, :, :2], picture.astype(np.uint16), picture[:, :, 0]):
        with pytest.raises(CallerError):
            write_still(tmp_path / "b.jpg", wrong)
    with pytest.raises(CallerError, match=r"b\.png"):
        write_still(tmp_path / "b.png", picture)
