"""What the requirements say of the archive copy (delivery reference, section 8), asked of other people's readers.

FFmpeg's own probe says form, depth, field order and rate; it is left out in words where it is not installed.
"""

import json
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.media.whole import digest_file
from smallgauge.picture.synthetic import draw_frame, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json

SHOP = Settings(at="2026-01-17T10:00:00Z", workers=1, last_step="analyse")


def probed(path: Path) -> dict[str, str]:
    if shutil.which("ffprobe") is None:
        pytest.skip("left out: no ffprobe here, so no other reader was asked")
    entries = ["-show_entries", "stream:frame=interlaced_frame,top_field_first", "-show_frames"]
    asked = [*entries, "-select_streams", "v:0", "-count_packets", "-of", "json"]
    done = subprocess.run(
        ["ffprobe", "-v", "error", *asked, str(path)], capture_output=True, text=True, check=True
    )
    answer = json.loads(done.stdout)
    stream: dict[str, str] = answer["streams"][0] | answer["frames"][0]
    return stream


@pytest.mark.parametrize(
    ("bits", "format", "stored"),
    [(8, "png", "bgr0"), (10, "dpx", "gbrp10le"), (12, "dpx", "gbrp12le"), (16, "tiff", "gbrp16le")],
)
def test_the_film_has_the_captures_own_depth_colour_and_rate(tmp_path, bits, format, stored):
    """R4, R9, R10: FFV1, every frame a key frame, R G B of full range, 12 bits not written as 16, the rate as it is."""
    truth = specimen_truth("super 8", width=256, height=192, frames=3, bits=bits, striped=False, seed=5)
    write_specimen(tmp_path / "r", truth, format=format, sound=False, reel="r", box_words="", processes=1)
    folder = Path(finish(tmp_path / "r", tmp_path / "shelf", SHOP).folder)
    stream = probed(folder / "archive.mkv")
    wanted = {"codec_name": "ffv1", "pix_fmt": stored, "color_range": "pc", "color_space": "gbr"}
    wanted |= {"width": 256, "height": 192, "nb_read_packets": "3"}  # R8: edge to edge
    assert {key: stream[key] for key in wanted} == wanted
    capture = read_json(folder / "capture.json", Capture)
    assert Fraction(stream["r_frame_rate"]) == Fraction(capture.rate)
    assert capture.archive_form == "matroska"


@pytest.mark.parametrize("interlaced", [True, False])
def test_ycbcr_is_kept_in_its_own_sub_sampling_and_field_order(tmp_path, interlaced):
    """A video is its own archive copy: the very bytes, so nothing is coded again."""
    truth = specimen_truth(
        "super 8", width=256, height=192, frames=3, bits=8, striped=False, seed=5, code_values="gamma"
    )
    (tmp_path / "v").mkdir()
    video = tmp_path / "v" / "reel.mov"
    with av.open(str(video), "w") as out:
        stream = out.add_stream("prores_ks", rate=18)
        stream.width, stream.height, stream.pix_fmt = 256, 192, "yuv422p10le"
        if interlaced:
            stream.codec_context.flags |= av.codec.context.Flags.interlaced_dct
        for number in range(3):
            frame = av.VideoFrame.from_ndarray(
                np.ascontiguousarray(draw_frame(truth, number).samples), "rgb24"
            )
            out.mux(stream.encode(frame.reformat(format="yuv422p10le")))
        out.mux(stream.encode(None))
    (tmp_path / "v" / "reel.capture.toml").write_text('reel = "v"\ngauge = "super 8"\narchive = "dpx"\n')
    folder = Path(finish(video, tmp_path / "shelf", SHOP).folder)
    kept = folder / "archive" / "reel.mov"
    assert digest_file(kept) == digest_file(video)
    one, two = probed(video), probed(kept)
    assert bool(two["interlaced_frame"]) == interlaced and two["pix_fmt"] == "yuv422p10le"
    same = ("pix_fmt", "interlaced_frame", "top_field_first", "codec_name")
    assert [one[key] for key in same] == [two[key] for key in same]
    capture = read_json(folder / "capture.json", Capture)
    assert capture.archive_form == "" and any(f.code == "archive kept as it came" for f in capture.findings)
    assert not (folder / "archive.mkv").exists() and not (folder / "archive" / "frames.sha256").exists()
