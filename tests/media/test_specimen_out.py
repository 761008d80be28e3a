"""Drawn captures on disk: every depth comes back code for code, through readers that did not write it."""

import struct

import numpy as np
import pytest
import soundfile

from smallgauge.errors import CallerError
from smallgauge.media.specimen_out import write_capture_frame, write_capture_sound


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("suffix", [".dpx", ".tif", ".png"])
def test_code_values_come_back(bits, suffix, tmp_path):
    import cv2
    import OpenImageIO as oiio

    random = np.random.default_rng(5)
    codes = random.integers(0, 1 << bits, (31, 46, 3)).astype(np.uint8 if bits == 8 else np.uint16)
    path = tmp_path / f"frame_000000{suffix}"
    write_capture_frame(path, codes, bits=bits)
    if suffix == ".dpx":
        read = oiio.ImageInput.open(str(path)).read_image("uint8" if bits == 8 else "uint16")
        read = read if bits == 8 else read >> (16 - bits)
    else:
        read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1]
    assert read.dtype == codes.dtype and np.array_equal(read, codes)


def test_ten_bit_dpx_has_the_words_of_the_standard(tmp_path):
    # SMPTE ST 268: bit size at byte 803; big-endian files begin "SDPX"; 10 bits filled, method A: three to a
    # 32-bit word from the top, two spare bits at the bottom. Read here from the bytes alone.
    codes = np.random.default_rng(6).integers(0, 1024, (9, 14, 3)).astype(np.uint16)
    path = tmp_path / "frame.dpx"
    write_capture_frame(path, codes, bits=10)
    data = path.read_bytes()
    assert data[:4] == b"SDPX" and data[803] == 10
    words = np.frombuffer(data, ">u4", 9 * 14, struct.unpack(">I", data[4:8])[0])
    read = np.stack([words >> 22 & 1023, words >> 12 & 1023, words >> 2 & 1023], axis=1)
    assert np.array_equal(read.reshape(9, 14, 3), codes)


def test_sound_is_whole_24_bit_and_clips(tmp_path):
    path = tmp_path / "sound.wav"
    samples = np.array([[0.1, -0.1], [1.5, -1.5], [0.0, 2.0**-23]])
    write_capture_sound(path, samples, sample_rate=48_000)
    assert soundfile.info(path).subtype == "PCM_24"
    read, rate = soundfile.read(path, dtype="int32")
    assert rate == 48_000
    wanted = [[round(0.1 * 2**23), -round(0.1 * 2**23)], [2**23 - 1, -(2**23)], [0, 1]]
    assert (read >> 8).tolist() == wanted


def test_what_cannot_be_written_is_refused(tmp_path):
    codes = np.zeros((4, 4, 3), np.uint16)
    with pytest.raises(CallerError, match="14 bits"):
        write_capture_frame(tmp_path / "frame.dpx", codes, bits=14)
    with pytest.raises(CallerError, match="A name in"):
        write_capture_frame(tmp_path / "frame.gif", codes, bits=16)
