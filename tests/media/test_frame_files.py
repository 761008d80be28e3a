"""Single frames of the archive copy: every code comes back, in our reader and in others; what can't be held is refused.

The other readers: FFmpeg's own DPX and TIFF decoders (a program of its own), ExifTool and MediaInfo for the header, where
they are installed.
"""

import json
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.digest import digest_frame
from smallgauge.media.frame import PixelEncoding
from smallgauge.media.frame_files import (
    FrameHead,
    frame_file_bytes,
    frame_file_name,
    stored_form,
    write_frame_file,
)
from smallgauge.media.still_in import read_header, read_still

HEAD = FrameHead(rate=Fraction(18), count=40, document="0004171-R03-7", device="bench one", code_values="log")
FORMS = [
    *(("dpx", layout, bits) for layout, bits in [("rgb", 8), ("rgb", 10), ("rgb", 12), ("rgb", 16)]),
    *(("dpx", "grey", bits) for bits in (8, 12, 16)),
    *(("tiff", layout, bits) for layout in ("rgb", "grey") for bits in (8, 10, 12, 14, 16)),
]


def codes(layout: str, bits: int, *, height: int = 37, width: int = 61) -> np.ndarray:
    """Every kind of code: noise over the whole range, with both ends in it; an odd width tells padding."""
    chance = np.random.default_rng(bits)
    shape = (height, width, 3) if layout == "rgb" else (height, width)
    samples = chance.integers(0, 2**bits, shape).astype(np.uint8 if bits == 8 else np.uint16)
    samples[0, 0], samples[-1, -1] = 0, 2**bits - 1
    return samples


def written(folder: Path, form: str, layout: str, bits: int, **changes: object) -> tuple[Path, np.ndarray]:
    samples = codes(layout, bits)
    path = folder / frame_file_name(form, 7)
    encoding = PixelEncoding(bits=bits, layout=layout)
    write_frame_file(path, samples, number=7, encoding=encoding, form=form, head=replace(HEAD, **changes))
    return path, samples


def ffmpeg_codes(path: Path, shape: tuple[int, ...]) -> np.ndarray:
    """The codes that FFmpeg's decoder gives, in the order R G B."""
    form = subprocess.run(
        ["ffprobe", "-v", "error", "-show_entries", "stream=pix_fmt", "-of", "csv=p=0", str(path)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-f", "rawvideo", "-"], capture_output=True, check=True
    )
    assert raw.stderr == b"", raw.stderr
    kind = "u1" if form in ("gray", "rgb24") else ">u2" if form.endswith("be") else "<u2"
    flat = np.frombuffer(raw.stdout, kind)
    if form.startswith("gbrp"):
        return flat.reshape(3, *shape[:2])[[2, 0, 1]].transpose(1, 2, 0)
    return flat.reshape(shape)


@pytest.mark.parametrize(("form", "layout", "bits"), FORMS)
def test_every_code_comes_back_here_and_in_ffmpeg(tmp_path, form, layout, bits):
    path, samples = written(tmp_path, form, layout, bits)
    header = read_header(path)
    assert header.encoding.bits == stored_form(form, PixelEncoding(bits=bits, layout=layout)).word_bits
    back, said = read_still(path, header)
    assert said == () and digest_frame(back, bits) == digest_frame(samples, bits)
    assert path.stat().st_size <= frame_file_bytes(
        form, width=61, height=37, encoding=PixelEncoding(bits=bits, layout=layout)
    )
    if shutil.which("ffmpeg") is None or shutil.which("ffprobe") is None:
        pytest.skip("left out: no ffmpeg here, so no other decoder was asked")
    other = ffmpeg_codes(path, samples.shape).astype(samples.dtype)
    assert digest_frame(other, bits) == digest_frame(samples, bits)


def test_the_same_frame_gives_the_same_bytes_and_none_of_this_machine(tmp_path):
    for form in ("dpx", "tiff"):
        (tmp_path / "a").mkdir(exist_ok=True)
        one, _ = written(tmp_path, form, "rgb", 10)
        two, _ = written(tmp_path / "a", form, "rgb", 10)
        assert one.read_bytes() == two.read_bytes()
        assert str(tmp_path).encode() not in one.read_bytes() and b".part" not in one.read_bytes()


def test_the_dpx_header_in_exiftools_words(tmp_path):
    """SMPTE ST 268 fields, read by a program that has its own parser."""
    if shutil.which("exiftool") is None:
        pytest.skip("left out: no exiftool here, so no other reader of the header was asked")
    path, _ = written(tmp_path, "dpx", "rgb", 12)
    done = subprocess.run(["exiftool", "-j", str(path)], capture_output=True, text=True, check=True)
    tags = json.loads(done.stdout)[0]
    wanted = {
        "HeaderVersion": "V2.0",
        "ImageFileName": "000007.dpx",
        "BitDepth": 12,
        "TransferCharacteristic": "Logarithmic",
        "InputDeviceName": "bench one",
        "OriginalFrameRate": 18,
        "FrameRate": 18,
        "Project": "0004171-R03-7",
        "ComponentsConfiguration": "R, G, B",
    }
    assert {key: tags[key] for key in wanted} == wanted
    data = path.read_bytes()
    assert int.from_bytes(data[1712:1716]) == 7 and int.from_bytes(data[1716:1720]) == 40  # position, length


def test_the_dpx_header_in_mediainfos_words(tmp_path):
    if shutil.which("mediainfo") is None:
        pytest.skip("left out: no mediainfo here, so no other reader of the header was asked")
    path, _ = written(tmp_path, "dpx", "rgb", 10)
    done = subprocess.run(
        ["mediainfo", "--Output=JSON", str(path)], capture_output=True, text=True, check=True
    )
    general, image = json.loads(done.stdout)["media"]["track"][:2]
    assert general["Format"] == "DPX" and image["Format_Version"].startswith("2")
    assert (image["Width"], image["Height"], image["BitDepth"], image["ColorSpace"]) == (
        "61",
        "37",
        "10",
        "RGB",
    )


def test_tiff_is_valid_and_says_what_its_codes_are(tmp_path):
    path, _ = written(tmp_path, "tiff", "rgb", 12)
    import tifffile

    with tifffile.TiffFile(path) as tiff:
        tags = tiff.pages[0].tags
        assert tags["Compression"].value == 1 and tuple(tags["MaxSampleValue"].value) == (4095,) * 3
        assert "codes of 12 bits, not shifted" in tags["ImageDescription"].value
        assert tags["Model"].value == "bench one"
    if shutil.which("exiftool") is None:
        pytest.skip("left out: no exiftool here, so the TIFF was not validated by another program")
    done = subprocess.run(
        ["exiftool", "-validate", "-s3", str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "OK"


@pytest.mark.parametrize(
    ("said", "curve", "word"),
    [("linear", None, 2), ("log", None, 3), ("gamma", "bt709", 6), ("gamma", "2.2", 0), (None, None, 0)],
)
def test_the_transfer_is_what_was_stated_and_user_defined_where_it_was_not(tmp_path, said, curve, word):
    """Numbers of transfer characteristics: SMPTE ST 268, as OpenImageIO and ExifTool name them."""
    path, _ = written(tmp_path, "dpx", "rgb", 10, code_values=said, gamma_curve=curve)
    assert path.read_bytes()[801] == word


@pytest.mark.parametrize(("layout", "bits"), [("grey", 10), ("rgb", 14), ("rgb", 9), ("grey", 14)])
def test_what_dpx_cannot_hold_is_refused_in_one_sentence(layout, bits):
    with pytest.raises(MaterialError, match=f'found {bits} bits; state archive = "matroska"'):
        stored_form("dpx", PixelEncoding(bits=bits, layout=layout))


def test_floating_point_is_refused_and_wrong_arrays_too(tmp_path):
    with pytest.raises(MaterialError, match="32 bits"):
        stored_form("tiff", PixelEncoding(bits=32, layout="rgb"))
    encoding = PixelEncoding(bits=10, layout="rgb")
    for samples in (
        np.zeros((4, 4), np.uint16),
        np.zeros((4, 4, 3), np.uint8),
        np.full((4, 4, 3), 1024, np.uint16),
    ):
        with pytest.raises(CallerError):
            write_frame_file(tmp_path / "a.dpx", samples, number=0, encoding=encoding, form="dpx", head=HEAD)
    assert list(tmp_path.iterdir()) == []
