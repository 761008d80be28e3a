"""Sound files: 24 bits exactly, any place, plain refusals; read back by another library."""

import struct

import av
import numpy as np
import pytest
import soundfile

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_out import whole_samples, write_aac, write_flac


def on_grid(samples, channels, seed=1):
    codes = np.random.default_rng(seed).integers(-(2**23), 2**23, (samples, channels))
    codes[0], codes[-1] = 2**23 - 1, -(2**23)
    return codes / 2**23


@pytest.mark.parametrize("suffix", [".flac", ".mka"])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [48000, 96000])
def test_flac_is_24_bits_exactly(tmp_path, suffix, channels, rate):
    # The trap: left alone, the encoder takes s32 and writes 16 bits without a word.
    samples = on_grid(20001, channels)
    path = tmp_path / f"a{suffix}"
    written = write_flac(path, [samples[:1], samples[1:9000], samples[9000:]], rate=rate, channels=channels)
    assert (written.samples, written.clipped) == (20001, 0)
    if suffix == ".flac":
        assert soundfile.info(path).subtype == "PCM_24" and soundfile.info(path).frames == 20001
        got, read_rate = soundfile.read(path, always_2d=True)  # libsndfile with libFLAC: not FFmpeg
        assert read_rate == rate and np.array_equal(got, samples)
        with open_sound(path) as sound:
            assert (sound.rate, sound.channels, sound.samples, sound.bits) == (rate, channels, 20001, 24)
            assert np.array_equal(sound.read(0, 20001), samples)
    else:
        import av

        with av.open(str(path)) as container:
            got = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)
        assert np.array_equal(got.reshape(-1, channels) / 2**31, samples)
    other = tmp_path / f"b{suffix}"
    write_flac(other, [samples], rate=rate, channels=channels)
    assert other.read_bytes() == path.read_bytes()  # wherever the blocks are cut


def test_flac_carries_its_own_md5(tmp_path):
    import hashlib

    samples = on_grid(5000, 2)
    write_flac(tmp_path / "a.flac", [samples], rate=48000, channels=2)
    data = (tmp_path / "a.flac").read_bytes()
    # RFC 9639, 8.2: the last 16 bytes of STREAMINFO, MD5 of the samples as little-endian 3-byte words.
    codes = (samples * 2**23).astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    assert data[4 + 4 + 18 : 4 + 4 + 34] == hashlib.md5(codes.tobytes()).digest()


def test_quantising_says_what_it_cut():
    codes, clipped = whole_samples(np.array([1.0, -1.0, 1.2, -1.2, 0.3]))
    assert codes.tolist() == [2**23 - 1, -(2**23), 2**23 - 1, -(2**23), round(0.3 * 2**23)] and clipped == 3
    with pytest.raises(CallerError, match="NaN"):
        whole_samples(np.array([0.0, np.nan]))


def test_aac(tmp_path):
    import av

    time = np.arange(96000) / 48000
    tone = 0.5 * np.sin(2 * np.pi * 440 * time)[:, None]
    path = tmp_path / "a.m4a"
    write_aac(path, [tone[:1000], tone[1000:]], rate=48000, channels=1)
    write_aac(tmp_path / "b.m4a", [tone], rate=48000, channels=1)
    assert path.read_bytes() == (tmp_path / "b.m4a").read_bytes()
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        assert (stream.codec_context.name, stream.codec_context.profile, stream.rate) == ("aac", "LC", 48000)
        got = np.concatenate([f.to_ndarray() for f in container.decode(stream)], axis=1)[0, :96000]
    error = got[2000:90000] - tone[2000:90000, 0]
    assert 10 * np.log10(np.mean(tone**2) / np.mean(error**2)) > 40


def test_writers_refuse(tmp_path):
    block = np.zeros((10, 1))
    for call, words in (
        (lambda: write_flac(tmp_path / "a.wav", [block], rate=48000, channels=1), r"a\.wav"),
        (lambda: write_flac(tmp_path / "a.flac", [block], rate=48000, channels=2), "shape"),
        (lambda: write_flac(tmp_path / "a.flac", [block], rate=48000, channels=6), "one or two channels"),
        (lambda: write_flac(tmp_path / "a.flac", [], rate=48000, channels=1), "no sound"),
        (lambda: write_aac(tmp_path / "a.m4a", [block], rate=44100, channels=1), "48000"),
    ):
        with pytest.raises(CallerError, match=words):
            call()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("form", "subtype", "bits"),
    [
        ("WAV", "PCM_16", 16),
        ("WAV", "PCM_24", 24),
        ("RF64", "PCM_24", 24),
        ("WAV", "FLOAT", 32),
        ("FLAC", "PCM_24", 24),
    ],
)
def test_reading_from_any_place(tmp_path, form, subtype, bits):
    samples = on_grid(5000, 2)
    if bits == 16:
        samples = np.round(samples * 2**15).clip(-(2**15), 2**15 - 1) / 2**15
    path = tmp_path / ("sound.flac" if form == "FLAC" else "sound.wav")
    soundfile.write(path, samples, 48000, subtype=subtype, format=form)
    with open_sound(path) as sound:
        assert (sound.rate, sound.channels, sound.samples, sound.bits) == (48000, 2, 5000, bits)
        assert sound.notes == ()
        for first, stop in ((0, 10), (4990, 6000), (-5, 3), (100, 100), (7000, 8000), (3000, 3001), (0, 1)):
            assert np.array_equal(sound.read(first, stop), samples[max(0, first) : max(0, stop)])
        with pytest.raises(CallerError, match="before the beginning"):
            sound.read(5, 4)


def test_broken_and_empty_files(tmp_path):
    path = tmp_path / "sound.wav"
    soundfile.write(path, np.zeros((0, 1)), 48000)
    with pytest.raises(MaterialError, match="no samples"):
        open_sound(path)
    for data in (b"", b"RIFF", b"this is no sound at all" * 20):
        path.write_bytes(data)
        with pytest.raises(MaterialError, match=r"sound\.wav can't be opened as sound") as raised:
            open_sound(path)
        assert "\n" not in str(raised.value)
    with pytest.raises(MaterialError):
        open_sound(tmp_path / "missing.wav")


def test_a_wave_file_that_ends_early_is_said(tmp_path):
    path = tmp_path / "sound.wav"
    for form in ("WAV", "RF64"):
        soundfile.write(path, on_grid(5000, 1), 48000, subtype="PCM_24", format=form)
        path.write_bytes(path.read_bytes()[:-3000])
        with open_sound(path) as sound:
            assert sound.notes and "3000 bytes" in sound.notes[0], form
            assert sound.samples == 4000
            assert np.array_equal(sound.read(3990, 9999), on_grid(5000, 1)[3990:4000])


def test_a_flac_file_that_breaks_raises(tmp_path):
    path = tmp_path / "sound.flac"
    soundfile.write(path, on_grid(50000, 1), 48000, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[:60000])
    with open_sound(path) as sound, pytest.raises(MaterialError, match="breaks"):
        sound.read(0, 50000)


def test_extensible_wave_with_odd_chunks(tmp_path):
    # A chunk of odd length before the samples, padded to even as RIFF wants.
    path = tmp_path / "sound.wav"
    soundfile.write(path, np.array([0.5, -0.5]), 8000, subtype="PCM_16")
    data = path.read_bytes()
    place = data.index(b"data")
    extra = b"note" + struct.pack("<I", 3) + b"abc\0"
    data = data[:place] + extra + data[place:]
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
    with open_sound(path) as sound:
        assert sound.notes == () and sound.read(0, 2)[:, 0].tolist() == [0.5, -0.5]


def test_equal_channels_stay_equal_in_a_copy(tmp_path):
    """Hiss of one track on two channels: no noise of the coder's own on either side."""
    hiss = 0.1 * np.random.default_rng(2).standard_normal((48000, 1))
    write_aac(tmp_path / "a.m4a", [hiss.repeat(2, axis=1)], rate=48000, channels=2)
    with av.open(str(tmp_path / "a.m4a")) as container:
        left, right = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)
    assert np.array_equal(left, right) and np.std(left) > 0.05
