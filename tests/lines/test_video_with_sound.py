"""A captured video with sound inside goes through the line like one with sound beside it."""

import shutil
from fractions import Fraction

import av
import numpy as np
import soundfile
from drawn_reels import settings, small_reel

from smallgauge.line import finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof

RATE, LATE_S = 48000, 0.25


def as_video(capture, target, sound):
    """The drawn frames as one FFV1 video, 12 frames a second, with 24-bit sound that begins `LATE_S` after them."""
    listing = list_capture(capture)
    with av.open(str(target), "w") as out, open_picture(listing) as reader:
        picture = out.add_stream("ffv1", rate=12)
        picture.width, picture.height, picture.pix_fmt = listing.width, listing.height, "gbrp16le"
        stream = out.add_stream("pcm_s24le", rate=RATE)
        stream.layout, stream.format = "mono", "s32"
        for n in range(listing.count):
            codes = np.asarray(reader.read(n).samples, np.uint16) << (16 - listing.encoding.bits)
            frame = av.VideoFrame(listing.width, listing.height, "gbrp16le")
            for plane, channel in zip(frame.planes, (1, 2, 0), strict=True):
                rows = np.frombuffer(plane, np.uint16).reshape(plane.height, plane.line_size // 2)
                rows[:, : listing.width] = codes[..., channel]
            frame.pts = n
            out.mux(picture.encode(frame))
        block = av.AudioFrame.from_ndarray((sound[None] << 8).astype(np.int32), format="s32", layout="mono")
        block.sample_rate, block.time_base, block.pts = RATE, Fraction(1, RATE), round(LATE_S * RATE)
        out.mux(stream.encode(block))
        for each in (picture, stream):
            out.mux(each.encode(None))


def test_the_sound_inside_a_video_is_the_captures(tmp_path):
    small_reel(tmp_path / "drawn")
    sound = np.random.default_rng(2).integers(-(1 << 20), 1 << 20, RATE)
    as_video(tmp_path / "drawn", tmp_path / "reel.mkv", sound)
    shutil.copy(tmp_path / "drawn" / "capture.toml", tmp_path / "reel.capture.toml")
    words = (tmp_path / "reel.capture.toml").read_text(encoding="utf-8").splitlines()
    kept = [line for line in words if not line.startswith(("sound_start_s", "scan_rate"))]
    (tmp_path / "reel.capture.toml").write_text("\n".join(kept) + "\n", encoding="utf-8")
    outcome = finish(tmp_path / "reel.mkv", tmp_path / "shelf", settings())
    folder = next((tmp_path / "shelf").glob("*/capture.json")).parent
    assert outcome.exit_code == 0, outcome.findings
    capture = read_json(folder / "capture.json", Capture)
    assert (capture.sound.name, capture.sound.inside, capture.sound.bits) == ("reel.mkv", "pcm_s24le", 24)
    assert abs(capture.notes.sound_start_s - LATE_S) < 0.001
    codes, rate = soundfile.read(folder / "archive.wav", dtype="int32")
    assert rate == RATE and np.array_equal(codes >> 8, sound)
    assert (folder / "archive" / "reel.mkv").read_bytes() == (tmp_path / "reel.mkv").read_bytes()
    said = {finding.code: finding.values for finding in capture.findings}
    assert said["sound inside the video"]["codec"] == "pcm_s24le" and "sound none" not in said
    proof = read_json(folder / "proof.json", Proof)
    checks = {(check.name, check.of): check.good for check in proof.checks}
    assert checks["sound equal capture", "archive.wav"] and checks["captured files unchanged", "capture"]
    with av.open(str(folder / "finished.mkv")) as film:
        assert film.streams.audio
