"""FFV1 segments, joined files, and what other programs read of them."""

import contextlib
import hashlib
import io
import os
import shutil
import signal
import subprocess
import sys
import time
from fractions import Fraction

import av
import numpy as np
import pytest
from makers import noise

from smallgauge.errors import CallerError, FixityError
from smallgauge.media.digest import digest_frame, framemd5
from smallgauge.media.film_in import read_film, read_matroska_crcs
from smallgauge.media.picture_in import list_capture, list_film, open_picture
from smallgauge.media.picture_out import ColourTags, create_lossless, join_segments
from smallgauge.media.sound_out import write_flac

KINDS = [(layout, bits) for layout in ("grey", "rgb") for bits in (8, 10, 12, 14, 16)]


def pictures(count, bits, layout, height=50, width=66, seed=0):
    return [noise(height, width, bits, 1 if layout == "grey" else 3, seed=seed + n) for n in range(count)]


def write(path, frames, bits, layout, rate=Fraction(18), colour=None):
    height, width = frames[0].shape[:2]
    with create_lossless(
        path, width=width, height=height, bits=bits, layout=layout, rate=rate, colour=colour
    ) as writer:
        for frame in frames:
            writer.write(frame)
    assert writer.count == len(frames) and writer.log == ()
    return path


def same(got, wanted):
    got, wanted = list(got), list(wanted)
    return len(got) == len(wanted) and all(
        a.dtype == b.dtype and np.array_equal(a, b) for a, b in zip(got, wanted)
    )


def muxer_framemd5(path):
    """The same text from PyAV's own muxer: an implementation that isn't ours."""
    out = io.BytesIO()
    with (
        av.open(str(path)) as source,
        av.open(out, "w", format="framemd5", options={"fflags": "+bitexact"}) as sink,
    ):
        stream = source.streams.video[0]
        target = sink.add_stream("rawvideo", rate=stream.average_rate)
        target.width, target.height, target.pix_fmt = stream.width, stream.height, stream.pix_fmt
        for number, frame in enumerate(source.decode(stream)):
            frame.pts, frame.time_base = number, 1 / Fraction(stream.average_rate)
            sink.mux(target.encode(frame))
        sink.mux(target.encode(None))
    return out.getvalue().decode()


def rows(text):
    return [
        [cell.strip() for cell in line.split(",")] for line in text.splitlines() if not line.startswith("#")
    ]


@pytest.mark.parametrize(("layout", "bits"), KINDS)
def test_round_trip_is_bit_exact(tmp_path, layout, bits):
    frames = pictures(3, bits, layout)
    path = write(tmp_path / "a.mkv", frames, bits, layout)
    with read_film(path) as film:
        assert same(film.frames(), frames)
        assert (film.bits, film.grey, film.count, film.log) == (bits, layout == "grey", 3, ())
        assert film.rate == 18
    listing = list_capture(path)
    assert (listing.kind, listing.format, listing.count) == ("video", "ffv1", 3)
    assert (listing.encoding.bits, listing.encoding.layout) == (bits, layout)
    assert not listing.encoding.lossy and not listing.encoding.sub_sampled
    with open_picture(listing) as reader:
        assert same((frame.samples for frame in reader.frames(0, 3)), frames)
    # FFmpeg's own checksums of the same frames, from its muxer.
    assert rows(framemd5(path)) == rows(muxer_framemd5(path))


@pytest.mark.parametrize(
    ("layout", "bits"), [("grey", 8), ("grey", 16), ("rgb", 8), ("rgb", 10), ("rgb", 16)]
)
def test_an_independent_ffmpeg_reads_the_same(tmp_path, layout, bits):
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("left out: no ffmpeg executable on this machine")
    path = write(tmp_path / "a.mkv", pictures(4, bits, layout), bits, layout)
    done = subprocess.run(
        [program, "-v", "warning", "-i", str(path), "-f", "framemd5", "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    theirs = [line for line in done.stdout.splitlines() if not line.startswith("#software")]
    assert theirs == framemd5(path).splitlines()


def test_planes_by_hand_give_the_same_md5(tmp_path):
    # FFmpeg's order of planes is G, B, R; MD5 by the standard library on bytes laid down here.
    frames = pictures(2, 12, "rgb")
    path = write(tmp_path / "a.mkv", frames, 12, "rgb")
    for frame, row in zip(frames, rows(framemd5(path))):
        data = b"".join(np.ascontiguousarray(frame[:, :, c]).astype("<u2").tobytes() for c in (1, 2, 0))
        assert row[4:] == [str(len(data)), hashlib.md5(data).hexdigest()]


def test_the_same_input_gives_the_same_bytes(tmp_path):
    frames = pictures(3, 12, "rgb")
    first = write(tmp_path / "a.mkv", frames, 12, "rgb").read_bytes()
    assert first == write(tmp_path / "b.mkv", frames, 12, "rgb").read_bytes()


def test_mediainfo_reads_version_slices_rate_and_depth(tmp_path):
    from pymediainfo import MediaInfo

    path = join(tmp_path, [pictures(6, 12, "rgb", 120, 160)], 12, "rgb", rate=Fraction(50, 3))
    track = next(t for t in MediaInfo.parse(path).tracks if t.track_type == "Video").to_data()
    assert track["format"] == "FFV1" and track["format_version"] == "Version 3.4"
    assert track["maxslicescount"] == "24" and track["errordetectiontype"] == "Per slice"
    assert track["compression_mode"] == "Lossless" and track["color_space"] == "RGB"
    assert track["bit_depth"] == 12 and track["gop"] == "N=1" if "gop" in track else True
    assert (track["width"], track["height"], track["frame_count"]) == (160, 120, "6")
    assert abs(float(track["frame_rate"]) - 50 / 3) < 0.001 and track["frame_rate_mode"] == "CFR"
    assert float(track["pixel_aspect_ratio"]) == 1
    # ITU-T H.273: primaries 1, transfer 1, matrix 0, full range, in MediaInfo's words.
    assert track["color_primaries"] == track["transfer_characteristics"] == "BT.709"
    assert track["matrix_coefficients"] == "Identity" and track["color_range"] == "Full"


def test_grey_and_depth_in_mediainfo(tmp_path):
    from pymediainfo import MediaInfo

    path = write(tmp_path / "a.mkv", pictures(2, 10, "grey"), 10, "grey", colour=ColourTags(transfer=2))
    track = next(t for t in MediaInfo.parse(path).tracks if t.track_type == "Video").to_data()
    assert track["color_space"] == "Y" and track["bit_depth"] == 10


def test_the_writer_refuses_what_does_not_fit(tmp_path):
    def make(**more):
        options = {"width": 32, "height": 24, "bits": 10, "layout": "rgb", "rate": Fraction(18)} | more
        return create_lossless(tmp_path / "a.mkv", **options)

    for bits in (7, 11, 32):
        with pytest.raises(CallerError, match="FFV1 takes"):
            make(bits=bits)
    with pytest.raises(CallerError, match="Fraction"):
        make(rate=18.0)
    for samples in (
        np.zeros((24, 31, 3), np.uint16),
        np.zeros((24, 32), np.uint16),
        np.zeros((24, 32, 3), np.uint8),
        np.full((24, 32, 3), 1024, np.uint16),
    ):
        with pytest.raises(CallerError), make() as writer:
            writer.write(samples)
    assert list(tmp_path.iterdir()) == []


def test_a_writer_that_fails_leaves_what_was_there(tmp_path):
    path = write(tmp_path / "a.mkv", pictures(1, 8, "grey"), 8, "grey")
    before = path.read_bytes()
    with (
        contextlib.suppress(RuntimeError),
        create_lossless(path, width=66, height=50, bits=8, layout="grey", rate=Fraction(18)) as writer,
    ):
        writer.write(noise(50, 66, 8, 1))
        raise RuntimeError("the work stops here")
    assert path.read_bytes() == before and list(tmp_path.iterdir()) == [path]


def join(folder, groups, bits, layout, *, rate=Fraction(18), name="joined.mkv", **more):
    paths = []
    for number, frames in enumerate(groups):
        paths.append(write(folder / f"s{number}.mkv", frames, bits, layout, rate))
    log = join_segments(paths, folder / name, rate=rate, frame_counts=[len(g) for g in groups], **more)
    assert log == ()
    return folder / name


@pytest.mark.parametrize("rate", [Fraction(18), Fraction(50, 3), Fraction(24000, 1001), Fraction(1673, 100)])
def test_joined_is_the_one_pass_file(tmp_path, rate):
    frames = pictures(31, 12, "rgb", 24, 32)
    joined = join(tmp_path, [frames[:7], frames[7:20], frames[20:]], 12, "rgb", rate=rate)
    whole = write(tmp_path / "whole.mkv", frames, 12, "rgb", rate)
    with read_film(joined) as film, read_film(whole) as one:
        assert same(film.frames(), frames) and same(one.frames(), frames)
        assert film.times == one.times and film.count == 31
        assert all(abs(t - n / rate) <= Fraction(1, 2000) for n, t in enumerate(film.times))
        assert film.rate == rate and film.tags["SMALLGAUGE_RATE"] == f"{rate.numerator}/{rate.denominator}"
        assert film.container_rate == one.container_rate == rate
        assert film.log == ()


def test_joining_carries_sound_tags_chapters_and_attachments(tmp_path):
    frames = pictures(20, 10, "rgb", 24, 32)
    sound = np.random.default_rng(5).uniform(-1, 1, (53333, 2))
    sound = np.round(sound * 2**23).clip(-(2**23), 2**23 - 1) / 2**23
    write_flac(tmp_path / "s.flac", [sound[:9999], sound[9999:]], rate=48000, channels=2)
    more = {
        "tags": {"reel": "0004171-R03-7", "SMALLGAUGE_ENCODING": "BT.1886"},
        "sound": tmp_path / "s.flac",
        "chapters": [(0, 9, "Garden"), (9, 20, "Sea")],
        "attachments": [("render.csv", "text/csv", b"frame\n0\n")],
    }
    path = join(tmp_path, [frames[:9], frames[9:]], 10, "rgb", **more)
    with read_film(path) as film:
        assert same(film.frames(), frames)
        assert (film.sound_rate, film.sound_channels, film.sound_samples) == (48000, 2, 53333)
        assert np.array_equal(np.concatenate(list(film.sound_blocks())), sound)
        assert film.tags["REEL"] == "0004171-R03-7" and film.tags["SMALLGAUGE_ENCODING"] == "BT.1886"
        assert [c[2] for c in film.chapters] == ["Garden", "Sea"]
        assert [abs(c[0] - Fraction(n, 18)) < Fraction(1, 10**6) for c, n in zip(film.chapters, (0, 9))] == [
            True
        ] * 2
        assert film.log == ()
    with av.open(str(path)) as container:
        attached = [s for s in container.streams if s.type == "attachment"]
        assert attached[0].name == "render.csv" and bytes(attached[0].data) == b"frame\n0\n"
        # Sound and picture lie side by side: never more than a second apart in the order of the file.
        last = {"video": Fraction(0), "audio": Fraction(0)}
        for packet in container.demux():
            if packet.size and packet.stream.type in last:
                last[packet.stream.type] = packet.pts * packet.time_base
                if last["video"] < 1:
                    assert last["audio"] - last["video"] < Fraction(1, 4)
    check = read_matroska_crcs(path)
    assert check.bad == () and check.complete and check.checked > 20
    # What the walk tells of the picture's packets is what FFmpeg tells of them.
    with read_film(path) as film:
        assert check.of_picture() == film.packets and film.packets.count == film.packets.keys == 20
        assert list_film(path, film.packets) == list_capture(path)
    again = join(tmp_path, [frames[:9], frames[9:]], 10, "rgb", name="again.mkv", **more)
    assert again.read_bytes() == path.read_bytes()


def test_joining_refuses_other_settings_and_counts(tmp_path):
    ten = write(tmp_path / "a.mkv", pictures(3, 10, "rgb"), 10, "rgb")
    twelve = write(tmp_path / "b.mkv", pictures(3, 12, "rgb"), 12, "rgb")
    target = tmp_path / "out.mkv"
    with pytest.raises(FixityError, match=r"b\.mkv was coded with other settings"):
        join_segments([ten, twelve], target, rate=Fraction(18), frame_counts=[3, 3])
    for count in (2, 4):
        with pytest.raises(FixityError, match=rf"a\.mkv holds 3 frames, {count} were"):
            join_segments([ten], target, rate=Fraction(18), frame_counts=[count])
    with pytest.raises(CallerError):
        join_segments([], target, rate=Fraction(18), frame_counts=[])
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.mkv", "b.mkv"]


KILLED = """
import sys, numpy as np
from fractions import Fraction
from pathlib import Path
from smallgauge.media.picture_out import create_lossless
with create_lossless(Path(sys.argv[1]), width=64, height=48, bits=16, layout="rgb", rate=Fraction(18)) as writer:
    while True:
        writer.write(np.random.default_rng(1).integers(0, 65536, (48, 64, 3)).astype(np.uint16))
        print(writer.count, flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is a POSIX signal")
def test_killed_in_the_middle_leaves_no_final_name(tmp_path):
    target = tmp_path / "a.mkv"
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(target)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    while int(process.stdout.readline() or 99) < 5:
        time.sleep(0)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert [p.name for p in tmp_path.iterdir()] == ["a.mkv.part"]
    frames = pictures(2, 16, "rgb")
    write(target, frames, 16, "rgb")  # the next run writes over what was left
    assert [p.name for p in tmp_path.iterdir()] == ["a.mkv"]


def test_digest_frame_by_hand():
    # The bytes laid down here as design and docstring say them, hashed by the standard library.
    samples = np.array([[[1, 2, 3], [4, 5, 1023]]], np.uint16)
    header = b"sg1" + bytes([1, 0, 0, 0, 2, 0, 0, 0, 3, 0, 0, 0, 10, 0, 0, 0])
    body = bytes([1, 0, 2, 0, 3, 0, 4, 0, 5, 0, 255, 3])
    wanted = hashlib.sha256(header + body).hexdigest()
    assert digest_frame(samples, 10) == wanted
    assert digest_frame(samples.astype(">u2"), 10) == wanted
    assert digest_frame(np.asfortranarray(samples), 10) == wanted
    assert digest_frame(samples, 12) != wanted
    assert digest_frame(samples.astype(np.float32), 32) != wanted
    for wrong, bits in ((samples, 8), (samples, 17), (samples.astype(np.int32), 10), (samples[None], 10)):
        with pytest.raises(CallerError):
            digest_frame(wrong, bits)
