"""Repeats without coding: every sample of every repeated picture, in two decoders, and what players are told."""

import hashlib
from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from makers import noise, scene
from test_viewing import write

from smallgauge.errors import CallerError, FixityError
from smallgauge.media.film_in import read_film
from smallgauge.media.h264_repeats import RepeatWriter
from smallgauge.media.picture_out import join_segments
from smallgauge.picture.cadence import solve_even_repeat


def decoded(path):
    """Digest of each decoded picture, by PyAV, in the order of showing."""
    with av.open(str(path)) as container:
        container.streams.video[0].codec_context.thread_count = 1
        pictures = [frame.to_ndarray(format="yuv420p").tobytes() for frame in container.decode(video=0)]
    return [hashlib.sha256(picture).hexdigest() for picture in pictures]


@pytest.fixture(scope="module")
def native(tmp_path_factory):
    """A film of two segments with scene cuts, movement, still parts and B-pictures."""
    folder = tmp_path_factory.mktemp("native")
    still = [scene(48, 64, 20)] * 14
    frames = [scene(48, 64, n) for n in range(47)] + [noise(48, 64, 8, seed=n) for n in range(5)] + still
    frames = [np.ascontiguousarray(f) for f in frames]
    groups = [frames[:40], frames[40:]]
    paths = [write(folder / f"s{n}.mp4", group) for n, group in enumerate(groups)]
    target = folder / "viewing.mp4"
    join_segments(paths, target, rate=Fraction(18), frame_counts=[40, len(frames) - 40], container="mp4")
    return target, len(frames)


def times_for(count, film, copy):
    shown = solve_even_repeat(count, film_rate=Fraction(film), copy_rate=Fraction(copy))
    return np.bincount(shown, minlength=count).tolist()


@pytest.mark.parametrize(
    ("film", "copy"),
    [
        ("18", "25"),
        ("16", "25"),
        ("50/3", "25"),
        ("25", "25"),
        ("12", "60"),
        ("1", "50"),
        ("24", "60000/1001"),
    ],
)
def test_every_repeat_is_the_same_picture_and_the_rate_is_constant(native, tmp_path, film, copy):
    source, count = native
    times = times_for(count, film, copy)
    rate = Fraction(copy)
    target = tmp_path / "television.mp4"
    said = join_segments([source], target, rate=rate, frame_counts=[count], times=times, container="mp4")
    assert said == ()
    wanted = [digest for digest, n in zip(decoded(source), times) for _ in range(n)]
    assert decoded(target) == wanted
    with av.open(str(target)) as container:
        stream = container.streams.video[0]
        assert (stream.average_rate, stream.frames, stream.start_time) == (rate, sum(times), 0)
        packets = [p for p in container.demux(stream) if p.size]
        assert sorted(p.pts * p.time_base for p in packets) == [n / rate for n in range(sum(times))]
        assert [p.dts for p in packets] == sorted({p.dts for p in packets}) and all(
            p.dts <= p.pts for p in packets
        )
    with read_film(target) as film_read:
        assert len(list(film_read.frames())) == sum(times) and film_read.log == ()
    assert target.stat().st_size < source.stat().st_size * (1.5 if film != "1" else 12)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_any_repeats(native, tmp_path_factory, seed):
    source, count = native
    times = np.random.default_rng(seed).integers(1, 6, count).tolist()
    target = tmp_path_factory.mktemp("any") / "a.mp4"
    join_segments([source], target, rate=Fraction(25), frame_counts=[count], times=times, container="mp4")
    assert decoded(target) == [digest for digest, n in zip(decoded(source), times) for _ in range(n)]


def test_decoding_can_begin_at_any_group(native, tmp_path):
    source, count = native
    times = times_for(count, 16, 25)
    target = tmp_path / "a.mp4"
    join_segments([source], target, rate=Fraction(25), frame_counts=[count], times=times, container="mp4")
    whole = decoded(target)
    with av.open(str(target)) as container:
        stream = container.streams.video[0]
        keys = [p.pts for p in container.demux(stream) if p.size and p.is_keyframe]
        assert len(keys) >= 2
        container.seek(keys[-1], stream=stream)
        first = next(container.decode(stream))
        place = round(first.pts * stream.time_base * 25)
        assert hashlib.sha256(first.to_ndarray(format="yuv420p").tobytes()).hexdigest() == whole[place]


def test_what_cannot_be_repeated_is_refused(native, tmp_path):
    source, count = native
    target = tmp_path / "a.mp4"
    for times in ([1] * (count - 1), [1] * (count - 1) + [0]):
        with pytest.raises(CallerError):
            join_segments(
                [source], target, rate=Fraction(25), frame_counts=[count], times=times, container="mp4"
            )
    with pytest.raises(FixityError):
        join_segments(
            [source],
            target,
            rate=Fraction(25),
            frame_counts=[count - 1],
            times=[1] * (count - 1),
            container="mp4",
        )
    assert not target.exists()
    with pytest.raises(CallerError, match="create_viewing"):
        RepeatWriter(b"\x01\x64\x00\x0a\xff\xe1", [(0, True)], [1])
