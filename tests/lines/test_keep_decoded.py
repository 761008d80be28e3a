"""A film whose frames are kept as they were decoded: read without the film, by the same bytes, and gone when nothing needs them."""

import shutil
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from drawn_reels import settings, small_reel

from smallgauge.errors import MaterialError
from smallgauge.line import finish
from smallgauge.media import decoded, picture_in
from smallgauge.media.decoded import DECODED
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.picture_out import create_lossless
from smallgauge.media.whole import digest_file

MADE = ("finished.mkv", "frames.parquet", "dirt.parquet", "render.parquet")


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """A drawn reel as one FFV1 film, with its papers beside it."""
    base = tmp_path_factory.mktemp("film")
    small_reel(base / "drawn")
    listing = list_capture(base / "drawn")
    form = {"width": listing.width, "height": listing.height, "rate": Fraction(12)}
    form |= {"bits": listing.encoding.bits, "layout": listing.encoding.layout}
    with open_picture(listing) as reader, create_lossless(base / "reel.mkv", **form) as writer:
        for frame in reader.frames(0, listing.count):
            writer.write(frame.samples)
    for name, end in (("capture.toml", ".capture.toml"), ("sound.wav", ".wav")):
        if (base / "drawn" / name).is_file():
            shutil.copy(base / "drawn" / name, base / f"reel{end}")
    return base / "reel.mkv"


def test_the_same_film_is_made_and_nothing_is_left(film, tmp_path):
    asked = replace(settings(), keep_decoded=True)
    finish(film, tmp_path / "kept", replace(asked, last_step="treat"))
    folder = next((tmp_path / "kept").glob("*/capture.json")).parent
    listing = list_capture(film)
    assert len(list((folder / DECODED).iterdir())) == listing.count
    finish(film, tmp_path / "kept", replace(asked, last_step="render"))
    assert not (folder / DECODED).exists()
    finish(film, tmp_path / "plain", replace(settings(), last_step="render"))
    other = tmp_path / "plain" / folder.name
    assert [digest_file(folder / name) for name in MADE] == [digest_file(other / name) for name in MADE]


def test_frames_that_lie_decoded_are_read_without_the_film(film, tmp_path, monkeypatch):
    listing = list_capture(film)
    with open_picture(listing) as reader:
        first, second = (reader.read(n).samples for n in (0, 1))
    for number, samples in enumerate((first, second)):
        decoded.keep_decoded(tmp_path, number, samples)
    spoilt = bytearray((tmp_path / "000001.blosc2").read_bytes())
    spoilt[len(spoilt) // 2] ^= 1
    (tmp_path / "000001.blosc2").write_bytes(spoilt)
    asked = []
    decode = picture_in.FrameReader._decode

    def counted(self, begin, stop):
        asked.append(begin)
        return decode(self, begin, stop)

    monkeypatch.setattr(picture_in.FrameReader, "_decode", counted)
    with open_picture(replace(listing, decoded=tmp_path)) as reader:
        assert np.array_equal(reader.read(0).samples, first) and not asked
        assert np.array_equal(reader.read(1).samples, second)
        assert asked == [1]  # of the one whose file was spoilt alone


@pytest.mark.parametrize("bits, layout", [(8, "grey"), (8, "rgb"), (16, "grey"), (32, "rgb")])
def test_every_form_comes_back_as_it_was(tmp_path, bits, layout):
    kind = {8: np.uint8, 16: np.uint16, 32: np.float32}[bits]
    shape = (9, 7, 3) if layout == "rgb" else (9, 7)
    samples = (np.random.default_rng(bits).random(shape) * 250).astype(kind)
    decoded.keep_decoded(tmp_path, 4, samples)
    form = picture_in.PixelEncoding(bits=bits, layout=layout)
    back = decoded.read_decoded(tmp_path, 4, width=7, height=9, encoding=form)
    assert back.dtype == kind and np.array_equal(back, samples)
    assert back.flags.writeable  # as a decoder's frames are: no loop is compiled a second time for these
    for width in (6, 8):
        assert decoded.read_decoded(tmp_path, 4, width=width, height=9, encoding=form) is None


def test_too_little_room_is_said_before_anything_is_decoded(film, tmp_path, monkeypatch):
    monkeypatch.setattr(decoded, "free_bytes", lambda path: 1000)
    with pytest.raises(MaterialError, match=r"--keep-decoded needs up to .* found 1.0 kB free"):
        finish(film, tmp_path / "shelf", replace(settings(), keep_decoded=True, last_step="analyse"))
