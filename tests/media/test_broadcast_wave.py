"""Broadcast Wave: sample bytes carried over, fields read back by independent programs, more than 4 GiB."""

import struct
from math import isnan

import av
import numpy as np
import pymediainfo
import pytest
import soundfile

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.broadcast_wave import (
    BroadcastExtension,
    digest_sound,
    read_extension,
    wave_format,
    write_broadcast_wave,
)

SAID = BroadcastExtension(
    description="Sound of film reel 0004171-R03-7 as captured",
    originator="smallgauge",
    originator_reference="0004171-R03-7",
    origination_date="2026-01-17",
    origination_time="10:05:00",
    time_reference=2**33 + 7,
    loudness_lufs=-31.25,
    loudness_range_lu=9.5,
    true_peak_dbtp=-11.31,
    momentary_max_lufs=-20.0,
    short_term_max_lufs=-24.5,
    coding_history="A=ANALOGUE,M=mono,T=film\nA=PCM,F=96000,W=24,M=mono\n",
)


def captured(path, subtype="PCM_24", samples=4801, channels=1, form="WAV"):
    x = np.random.default_rng(3).uniform(-0.9, 0.9, (samples, channels))
    soundfile.write(path, x, 96000, subtype=subtype, format=form)
    return path


def data_of(path):
    """Sample bytes of a WAV file, by a reader of its own."""
    raw = path.read_bytes()
    at, long_size = 12, None
    while raw[at : at + 4] != b"data":
        if raw[at : at + 4] == b"ds64":
            long_size = struct.unpack_from("<Q", raw, at + 16)[0]
        at += 8 + struct.unpack_from("<I", raw, at + 4)[0]
        at += at % 2
    length = struct.unpack_from("<I", raw, at + 4)[0]
    return raw[at + 8 : at + 8 + (long_size if length == 0xFFFFFFFF else length)]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("form", ["WAV", "RF64"])
def test_the_samples_are_carried_over_byte_for_byte(tmp_path, subtype, channels, form):
    source, target = captured(tmp_path / "a.wav", subtype, 4801, channels, form), tmp_path / "b.wav"
    before = source.read_bytes()
    write_broadcast_wave(source, target, SAID)
    assert source.read_bytes() == before
    assert data_of(target) == data_of(source)
    assert digest_sound(target) == digest_sound(source)
    assert np.array_equal(soundfile.read(target)[0], soundfile.read(source)[0])
    assert soundfile.info(target).subtype == subtype


def test_independent_programs_read_the_fields(tmp_path):
    source, target = captured(tmp_path / "a.wav"), tmp_path / "b.wav"
    write_broadcast_wave(source, target, SAID)
    with av.open(str(target)) as container:  # FFmpeg's reader of bext
        read = {key.lower(): value for key, value in container.metadata.items()}
    assert read["time_reference"] == str(2**33 + 7)
    assert read["description" if "description" in read else "comment"] == SAID.description
    assert "A=PCM,F=96000" in read["coding_history"]
    assert int(read["umid"].replace("0x", "") or "0", 16) == 0 if "umid" in read else True
    info = pymediainfo.MediaInfo.parse(target).general_tracks[0].to_data()
    assert info["format"] == "Wave" and info["bext_present"] == "Yes"
    assert info["producer"] == "smallgauge" or "smallgauge" in str(info)
    assert "2026-01-17" in str(info)
    # By bytes, at the places that EBU Tech 3285 v2 gives them (from memory).
    raw = target.read_bytes()
    at = raw.index(b"bext") + 8
    assert struct.unpack_from("<IIH", raw, at + 338) == (7, 2, 2)
    assert raw[at + 348 : at + 412] == bytes(64)
    assert struct.unpack_from("<5h", raw, at + 412) == (-3125, 950, -1131, -2000, -2450)
    assert raw[at + 422 : at + 602] == bytes(180)


def test_what_is_said_comes_back(tmp_path):
    source, target = captured(tmp_path / "a.wav"), tmp_path / "b.wav"
    write_broadcast_wave(source, target, SAID)
    found = read_extension(target)
    assert found.coding_history == SAID.coding_history.replace("\n", "\r\n")
    for name in ("description", "originator", "originator_reference", "origination_date", "time_reference"):
        assert getattr(found, name) == getattr(SAID, name)
    assert (found.loudness_lufs, found.true_peak_dbtp) == (-31.25, -11.31)
    write_broadcast_wave(target, tmp_path / "c.wav", BroadcastExtension(description="Grün" + "x" * 300))
    again = read_extension(tmp_path / "c.wav")
    assert again.description == "Gr?n" + "x" * 252 and isnan(again.loudness_lufs)
    assert read_extension(source) is None
    assert digest_sound(tmp_path / "c.wav") == digest_sound(source)


def test_more_than_a_riff_file_holds_becomes_rf64(tmp_path):
    source, target = captured(tmp_path / "a.wav"), tmp_path / "b.wav"
    write_broadcast_wave(source, target, SAID, largest=10_000)
    raw = target.read_bytes()
    assert raw[:4] == b"RF64" and raw[12:16] == b"ds64"
    assert soundfile.info(target).format == "RF64" and soundfile.info(target).frames == 4801
    assert struct.unpack_from("<QQQ", raw, 20) == (len(raw) - 8, 4801 * 3, 4801)
    assert data_of(target) == data_of(source) and digest_sound(target) == digest_sound(source)
    assert read_extension(target).originator_reference == SAID.originator_reference
    with av.open(str(target)) as container:
        assert container.streams.audio[0].duration == 4801


def test_one_changed_sample_is_found(tmp_path):
    source, target = captured(tmp_path / "a.wav"), tmp_path / "b.wav"
    write_broadcast_wave(source, target, SAID)
    raw = bytearray(target.read_bytes())
    raw[-9] ^= 1
    target.write_bytes(bytes(raw))
    assert digest_sound(target) != digest_sound(source)


def test_what_is_no_whole_wave_file_is_refused(tmp_path):
    flac = captured(tmp_path / "a.flac", form="FLAC")
    short = captured(tmp_path / "b.wav")
    short.write_bytes(short.read_bytes()[:-5])
    target = tmp_path / "out.wav"
    for source in (flac, short):
        assert not wave_format(source)
        with pytest.raises(MaterialError):
            write_broadcast_wave(source, target, SAID)
    with pytest.raises(CallerError, match="time reference"):
        write_broadcast_wave(captured(tmp_path / "c.wav"), target, BroadcastExtension(time_reference=-1))
    assert not target.exists()
