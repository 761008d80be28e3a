"""The sound inside a video: every whole sample, when it begins, gaps, and what can't be read."""

from fractions import Fraction

import av
import numpy as np
import pytest
import soundfile

from smallgauge.analyse.source import open_source
from smallgauge.errors import MaterialError
from smallgauge.media.sound_inside import (
    count_sounds_inside,
    digest_samples,
    digest_samples_inside,
    find_sound_inside,
    frame_times_inside,
    read_sound_inside,
    write_sound_inside,
)
from smallgauge.media.video_in import scan_video

RATE = 48000


def video(path, codec, *, form, samples, late=0, gap=(0, 0), frames=9, picture_late=0):
    """A small video with sound by FFmpeg's own writer; `samples` (n, channels) as whole numbers or floating point.

    The sound begins `late` samples after its stamps' zero, and `gap` (after, long) leaves samples out of the stamps.
    """
    with av.open(str(path), "w") as out:
        picture = out.add_stream("ffv1", rate=18)
        picture.width, picture.height, picture.pix_fmt = 32, 24, "gray"
        sound = out.add_stream(codec, rate=RATE)
        sound.layout, sound.format = {1: "mono", 2: "stereo"}[samples.shape[1]], form
        for n in range(frames):
            frame = av.VideoFrame.from_ndarray(np.full((24, 32), 20 * n, np.uint8), format="gray")
            frame.pts = n + picture_late
            out.mux(picture.encode(frame))
        block = 1024
        for first in range(0, len(samples), block):
            part = samples[first : first + block]
            shaped = part.T if form.endswith("p") else part.reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(shaped), format=form, layout=sound.layout.name
            )
            frame.sample_rate, frame.time_base = RATE, Fraction(1, RATE)
            frame.pts = first + late + (gap[1] if first >= gap[0] else 0)
            out.mux(sound.encode(frame))
        for stream in (picture, sound):
            out.mux(stream.encode(None))


def whole(bits, channels, n=24000, seed=1):
    step = 1 << (32 - bits) if bits > 16 else 1
    top = 1 << (bits - 1)
    codes = np.random.default_rng(seed).integers(-top, top, (n, channels))
    return (codes * step).astype(np.int32 if bits > 16 else np.int16), codes


@pytest.mark.parametrize(
    ("codec", "form", "bits", "channels"),
    [
        ("pcm_s16le", "s16", 16, 1),
        ("pcm_s24le", "s32", 24, 2),
        ("pcm_s32le", "s32", 32, 1),
        ("flac", "s16", 16, 2),
    ],
)
def test_whole_samples_come_out_as_they_went_in(tmp_path, codec, form, bits, channels):
    samples, codes = whole(bits, channels)
    video(tmp_path / "a.mkv", codec, form=form, samples=samples)
    inside = find_sound_inside(tmp_path / "a.mkv")
    assert (inside.codec, inside.rate, inside.channels, inside.lossy) == (codec, RATE, channels, False)
    assert inside.bits == bits and inside.starts_s == 0.0 and inside.streams == 1
    write_sound_inside(tmp_path / "a.mkv", tmp_path / "a.wav", inside)
    got, rate = soundfile.read(tmp_path / "a.wav", dtype="int32", always_2d=True)
    assert rate == RATE and np.array_equal(got >> (32 - bits), codes)
    assert soundfile.info(tmp_path / "a.wav").subtype == f"PCM_{bits}"
    assert digest_samples_inside(tmp_path / "a.mkv") == digest_samples(tmp_path / "a.wav")


def test_aac_is_kept_as_its_decoder_gives_it(tmp_path):
    tone = 0.3 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)[:, None].astype(np.float32)
    video(tmp_path / "a.mp4", "aac", form="fltp", samples=tone)
    inside = find_sound_inside(tmp_path / "a.mp4")
    assert inside.codec == "aac" and inside.lossy and inside.bits == 0
    write_sound_inside(tmp_path / "a.mp4", tmp_path / "a.wav", inside)
    got = soundfile.read(tmp_path / "a.wav", always_2d=True)[0][:, 0]
    assert soundfile.info(tmp_path / "a.wav").subtype == "FLOAT"
    begins = 4800 - round(
        inside.starts_s * RATE
    )  # where the tone's first tenth of a second is over, by the stamps
    likeness = [
        np.corrcoef(got[at : at + 9600], tone[4800:14400, 0])[0, 1] for at in range(begins - 9, begins + 10)
    ]
    assert (
        abs(int(np.argmax(likeness)) - 9) <= 1 and max(likeness) > 0.99
    )  # in place to a sample; the rest is the coder's
    assert digest_samples_inside(tmp_path / "a.mp4") == digest_samples(tmp_path / "a.wav")


def test_the_start_is_that_of_the_files_own_stamps(tmp_path):
    samples, _ = whole(16, 1)
    video(tmp_path / "late.mkv", "pcm_s16le", form="s16", samples=samples, late=4800)
    assert find_sound_inside(tmp_path / "late.mkv").starts_s == pytest.approx(0.1, abs=0.001)
    video(tmp_path / "early.mkv", "pcm_s16le", form="s16", samples=samples, picture_late=9)
    assert find_sound_inside(tmp_path / "early.mkv").starts_s == pytest.approx(-0.5, abs=0.001)
    stamps = scan_video(tmp_path / "early.mkv").stamps
    assert np.allclose(frame_times_inside(tmp_path / "early.mkv", stamps), np.arange(9) / 18, atol=0.001)


def test_a_gap_in_the_stamps_is_silence(tmp_path):
    samples, _ = whole(16, 1, n=8192)
    video(tmp_path / "gap.mkv", "pcm_s16le", form="s16", samples=samples, gap=(4096, 9600))
    got = np.concatenate(list(read_sound_inside(tmp_path / "gap.mkv", rate=RATE)))[:, 0]
    silent = np.flatnonzero(got == 0.0)
    longest = got[4096 + 48 : 4096 + 9600 - 48]  # stamps of Matroska are whole milliseconds
    assert abs(len(got) - 8192 - 9600) <= 48 and not longest.any() and len(silent) >= 9500


def test_a_video_without_sound_and_one_that_is_broken(tmp_path):
    with av.open(str(tmp_path / "mute.mkv"), "w") as out:
        picture = out.add_stream("ffv1", rate=18)
        picture.width, picture.height, picture.pix_fmt = 32, 24, "gray"
        out.mux(picture.encode(av.VideoFrame.from_ndarray(np.zeros((24, 32), np.uint8), format="gray")))
        out.mux(picture.encode(None))
    assert (
        find_sound_inside(tmp_path / "mute.mkv") is None and count_sounds_inside(tmp_path / "mute.mkv") == 0
    )
    with pytest.raises(MaterialError, match="found none"):
        digest_samples_inside(tmp_path / "mute.mkv")


def test_a_sound_file_beside_goes_before_sound_that_cannot_even_be_decoded(tmp_path, monkeypatch):
    samples, _ = whole(16, 1)
    video(tmp_path / "reel.mkv", "pcm_s16le", form="s16", samples=samples)
    used = open_source(tmp_path / "reel.mkv")
    assert used.sound is None and used.inside is not None and used.notes.sound_start_s == 0.0
    assert {finding.code for finding in used.findings} >= {"sound inside the video"}
    assert np.allclose(used.times_s, np.arange(9) / 18, atol=0.001)

    def broken(path):
        raise MaterialError("the sound can't be decoded")

    monkeypatch.setattr("smallgauge.analyse.source.find_sound_inside", broken)
    with pytest.raises(MaterialError, match="can't be decoded"):
        open_source(tmp_path / "reel.mkv")
    soundfile.write(tmp_path / "reel.wav", samples, RATE, subtype="PCM_16")
    beside = open_source(tmp_path / "reel.mkv")
    assert beside.sound == tmp_path / "reel.wav" and beside.inside is None
    assert {finding.code for finding in beside.findings} >= {"sound inside not used"}
    assert np.isnan(beside.times_s).all()  # its own stamps tie nothing to a file beside it
