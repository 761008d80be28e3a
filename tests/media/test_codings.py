"""Copies in HEVC, AV1 and ProRes: what other readers say of them, joining, equal bytes, repeats, time code, PCM."""

import json
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest
from makers import noise, scene

from smallgauge.errors import CallerError
from smallgauge.media.copy_out import CODERS, create_copy, missing_coder
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import join_segments
from smallgauge.media.planes import ycbcr_from_rgb
from smallgauge.media.sound_out import write_pcm
from smallgauge.media.time_code_track import TimeCodeTrack, read_time_code

CODINGS = ("hevc", "hevc 8-bit", "av1", "prores")
HEIGHT, WIDTH = 96, 128
COUNTS = (9, 1, 2, 4)  # of segments: a coder looks further ahead than some of them are long


def picture(number, bits):
    codes = scene(HEIGHT, WIDTH, number)
    return codes if bits == 8 else codes.astype(np.uint16) * 4 + 2


def segments(folder, coding):
    coder, number, paths = CODERS[coding], 0, []
    for count in COUNTS:
        paths.append(folder / f"{number}.{coder.container}")
        with create_copy(
            paths[-1], coding=coding, width=WIDTH, height=HEIGHT, rate=Fraction(18), quality=16
        ) as writer:
            for _ in range(count):
                writer.write(picture(number, coder.bits))
                number += 1
            assert writer.log == ()
    return paths


@pytest.fixture(scope="module", params=CODINGS)
def joined(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("coding")
    paths, coder = segments(folder, request.param), CODERS[request.param]
    target = folder / f"whole.{coder.container}"
    log = join_segments(
        paths,
        target,
        rate=Fraction(50, 3),
        frame_counts=COUNTS,
        container=coder.container,
        tags={"title": "Sea"},
    )
    assert log == ()
    return request.param, target, paths


def test_every_frame_comes_back_in_its_place(joined):
    coding, target, _ = joined
    coder = CODERS[coding]
    with av.open(str(target)) as container:
        frames = list(container.decode(video=0))
        assert [frame.pts * frame.time_base for frame in frames] == [n * Fraction(3, 50) for n in range(16)]
    for number, frame in enumerate(frames):
        assert frame.format.name == coder.pixel_format
        luma = ycbcr_from_rgb(picture(number, coder.bits), bits=coder.bits, step_y=coder.step_y)[0].astype(
            float
        )
        plane = frame.planes[0]
        got = np.frombuffer(plane, picture(0, coder.bits).dtype)
        got = got.reshape(plane.height, -1)[:HEIGHT, :WIDTH].astype(float)
        off = np.abs(got - luma).mean() / 2 ** (coder.bits - 8)
        beside = ycbcr_from_rgb(picture(number + 1, coder.bits), bits=coder.bits, step_y=coder.step_y)[0]
        assert off < 3 and np.abs(got - beside).mean() / 2 ** (coder.bits - 8) > 3 * off


def test_the_same_frames_give_the_same_bytes(joined, tmp_path):
    coding, _, paths = joined
    for one, two in zip(paths, segments(tmp_path, coding), strict=True):
        assert one.read_bytes() == two.read_bytes()


def test_ffprobe_reads_what_was_ordered(joined):
    """An FFmpeg of its own, of another version, where one is installed."""
    coding, target, _ = joined
    if not shutil.which("ffprobe"):
        pytest.skip("left out: ffprobe is not installed here")
    asked = ("-v", "error", "-count_frames", "-show_streams", "-of", "json", str(target))
    done = subprocess.run(["ffprobe", *asked], capture_output=True, text=True, check=True)
    stream = json.loads(done.stdout)["streams"][0]
    coder = CODERS[coding]
    assert (stream["codec_name"], stream["profile"]) == (coder.codec, coder.profile)
    assert (stream["codec_tag_string"], stream["pix_fmt"]) == (coder.tag, coder.pixel_format)
    colour = [stream[f"color_{name}"] for name in ("range", "space", "transfer", "primaries")]
    assert colour == ["tv", "bt709", "bt709", "bt709"]
    assert (
        stream["avg_frame_rate"] == "50/3" and int(stream["nb_read_frames"]) == int(stream["nb_frames"]) == 16
    )
    assert done.stderr == ""


def test_mediainfo_reads_what_was_ordered(joined):
    from pymediainfo import MediaInfo

    coding, target, _ = joined
    video = MediaInfo.parse(str(target)).video_tracks[0]
    wanted = {
        "hevc": ("HEVC", "hvc1", 10, "4:2:0"),
        "hevc 8-bit": ("HEVC", "hvc1", 8, "4:2:0"),
        "av1": ("AV1", "av01", 10, "4:2:0"),
        "prores": ("ProRes", "apch", None, "4:2:2"),
    }[coding]
    assert (video.format, video.codec_id, video.bit_depth, video.chroma_subsampling) == wanted
    assert (video.frame_rate, video.frame_rate_mode, int(video.frame_count)) == ("16.667", "CFR", 16)
    assert video.color_primaries == "BT.709"


def test_groups_are_closed_and_two_seconds(tmp_path):
    for coding in ("hevc", "av1"):
        path = tmp_path / f"{coding}.mp4"
        with create_copy(path, coding=coding, width=64, height=64, rate=Fraction(8), quality=30) as writer:
            for number in range(40):
                writer.write(scene(64, 64, number).astype(np.uint16) * 4)
        with av.open(str(path)) as container:
            packets = sorted((p for p in container.demux(video=0) if p.size), key=lambda p: p.pts)
        assert [n for n, p in enumerate(packets) if p.is_keyframe] == [0, 16, 32]
        # Closed: from the second key frame on, everything decodes without what stood before.
        with av.open(str(path)) as container:
            whole = [frame.to_ndarray() for frame in container.decode(video=0)]
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            container.seek(packets[16].pts, stream=stream)
            late = [frame.to_ndarray() for frame in container.decode(video=0) if frame.pts >= packets[16].pts]
        assert len(late) == 24 and all(np.array_equal(a, b) for a, b in zip(whole[16:], late))


def test_repeats_are_the_same_packets_with_time_code_and_exact_sound(tmp_path):
    paths = segments(tmp_path, "prores")
    times = [1 + (n * 7 % 18 < 7) for n in range(16)]
    samples = noise(4800 * 3, 2, 16, channels=1).astype(np.float64) / 2**15 - 1
    write_pcm(tmp_path / "sound.mov", [samples[:5000], samples[5000:]], rate=48000, channels=2)
    target = tmp_path / "editing.mov"
    join_segments(
        paths,
        target,
        rate=Fraction(25),
        frame_counts=COUNTS,
        times=times,
        container="mov",
        sound=tmp_path / "sound.mov",
        time_code="01:00:00:00",
        chapters=((0, 5, "Garden"), (5, sum(times), "The sea")),
    )
    with av.open(str(target)) as container:
        packets = [bytes(p) for p in container.demux(video=0) if p.size]
    shown = np.repeat(np.arange(16), times)
    assert len(packets) == sum(times)
    assert all((a == b) == (i == j) for a, b, i, j in zip(packets, packets[1:], shown, shown[1:]))
    with read_film(target) as film:
        assert film.packets.keys == film.count == sum(times) and film.rate == 25
        assert np.array_equal(np.concatenate(list(film.sound_blocks())), samples) and film.log == ()
        assert [title for _, _, title in film.chapters] == ["Garden", "The sea"]
    assert read_time_code(target) == TimeCodeTrack(
        first="01:00:00:00", rate=25, drops=False, frames=sum(times)
    )
    if shutil.which("ffprobe"):
        asked = ("-v", "error", "-show_entries", "stream_tags=timecode", "-of", "csv=p=0", str(target))
        done = subprocess.run(["ffprobe", *asked], capture_output=True, text=True, check=True)
        assert set(done.stdout.split()) == {"01:00:00:00"}


def test_a_file_without_time_code_has_none(joined):
    assert read_time_code(joined[1]) is None


def test_ten_bits_by_the_equations():
    # Colour bars of 100 % in 10 bits by ITU-R BT.709-6, items 3.2 to 3.5 (from memory), worked out by hand.
    for colour, codes in {
        (1023, 0, 0): (250, 409, 960),
        (0, 0, 1023): (127, 960, 471),
        (1023,) * 3: (940, 512, 512),
    }.items():
        flat = np.broadcast_to(np.array(colour, np.uint16), (4, 8, 3))
        for step in (1, 2):
            planes = ycbcr_from_rgb(flat, bits=10, step_y=step)
            assert [plane.shape for plane in planes[1:]] == [(4 // step, 4)] * 2
            assert all(int(plane[1, 1]) == code for plane, code in zip(planes, codes, strict=True))


@pytest.mark.parametrize("wrong", [{"coding": "dvd"}, {"width": 65}, {"quality": 52}, {"name": "a.mov"}])
def test_nonsense_is_refused(tmp_path, wrong):
    asked = {"coding": "hevc", "width": 64, "height": 48, "rate": Fraction(18), "quality": 20, **wrong}
    with pytest.raises(CallerError):
        create_copy(tmp_path / asked.pop("name", "a.mp4"), **asked)


def test_a_coder_that_is_not_there_is_named(monkeypatch):
    assert {missing_coder(coding) for coding in CODERS} == {""}
    monkeypatch.setitem(CODERS, "av1", replace(CODERS["av1"], encoder="nowhere"))
    assert missing_coder("av1") == "nowhere"
