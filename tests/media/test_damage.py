"""One flipped bit anywhere is seen: by the digests of the frames, by the decoder's log, by the checksums."""

import random
from fractions import Fraction

import av
import av.logging
import pytest
from makers import noise

from smallgauge.errors import MaterialError
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.digest import digest_frame
from smallgauge.media.film_in import read_film, read_matroska_crcs
from smallgauge.media.matroska import MatroskaWalk
from smallgauge.media.picture_in import UnreadableFrame, list_capture, open_picture
from smallgauge.media.picture_out import create_lossless, join_segments
from smallgauge.media.whole import digest_file

COUNT = 31
FEW = 7


def make_film(folder, count):
    """A film of the archive's kind in a folder."""
    with create_lossless(
        folder / "s.mkv", width=96, height=72, bits=12, layout="rgb", rate=Fraction(18)
    ) as writer:
        for number in range(count):
            writer.write(noise(72, 96, 12, seed=number))
    join_segments([folder / "s.mkv"], folder / "film.mkv", rate=Fraction(18), frame_counts=[count])
    return folder / "film.mkv"


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    return make_film(tmp_path_factory.mktemp("film"), COUNT)


@pytest.fixture(scope="module")
def short_film(tmp_path_factory):
    """Frames of the same size, fewer of them: for what is read again and again."""
    return make_film(tmp_path_factory.mktemp("short-film"), FEW)


def digests(path):
    with read_film(path) as reader:
        return [digest_frame(samples, 12) for samples in reader.frames()], reader.log


def with_flip(path, folder, place, mask=0x10):
    data = bytearray(path.read_bytes())
    data[place] ^= mask
    out = folder / "flipped.mkv"
    out.write_bytes(data)
    return out


def test_a_whole_file_says_nothing(film):
    marks, log = digests(film)
    assert len(set(marks)) == COUNT and log == ()
    check = read_matroska_crcs(film)
    assert check.bad == () and check.complete
    assert check.of_picture() == read_film(film).packets and check.of_picture().count == COUNT
    # Every element of the first level is protected, one cluster a frame.
    assert check.unprotected == () and check.checked >= COUNT + 4


def test_one_bit_in_the_middle(film, tmp_path):
    flipped = with_flip(film, tmp_path, film.stat().st_size // 2)
    good, _ = digests(film)
    marks, log = digests(flipped)
    # FFmpeg gives all frames, raises nothing, marks nothing: the log alone tells, and the digests.
    assert len(marks) == COUNT
    wrong = [n for n, (a, b) in enumerate(zip(good, marks)) if a != b]
    assert len(wrong) == 1
    assert any("slice CRC mismatch" in line and line.startswith(f"packet {wrong[0]}:") for line in log)
    check = read_matroska_crcs(flipped)
    assert len(check.bad) == 1 and check.complete
    assert check.bad[0] < film.stat().st_size // 2 < check.bad[0] + film.stat().st_size // COUNT + 200
    assert digest_file(film) != digest_file(flipped)
    # As a capture from elsewhere the frame is given, and the line is there to be quoted.
    listing = list_capture(flipped)
    with open_picture(listing) as reader:
        assert len(list(reader.frames(0, COUNT))) == COUNT
        assert any(line.startswith(f"frame {wrong[0]}:") and "CRC" in line for line in reader.log)


def test_the_same_line_twice_is_not_swallowed(film, tmp_path):
    # The binding drops a line that equals the one before, even from another file; the log must not.
    for name in ("a.mkv", "b.mkv"):
        (tmp_path / name).write_bytes(film.read_bytes()[:-1500])
    logs = [digests(tmp_path / name)[1] for name in ("a.mkv", "b.mkv")]
    assert logs[0] and logs[0] == logs[1]


def test_the_log_setting_is_put_back(film):
    log = DecoderLog()
    assert av.logging.get_level() is None
    with log.listen("outer"), log.listen("inner"):
        assert av.logging.get_level() == av.logging.WARNING
        av.logging.log(av.logging.ERROR, "test", "words  with\nbreaks")
    assert av.logging.get_level() is None
    assert log.lines == ("inner: test: words with breaks",)


def test_flips_all_over_the_file(short_film, tmp_path):
    # Wherever the bit lies behind the EBML head, the walk over the checksums sees it; and where a picture
    # comes out other than it was, the decoder's log or the number of frames says so.
    good, _ = digests(short_film)
    size = short_film.stat().st_size
    generator = random.Random(4)
    places = [generator.randrange(60, size) for _ in range(40)]
    for place in places:
        flipped = with_flip(short_film, tmp_path, place, 1 << generator.randrange(8))
        try:
            check = read_matroska_crcs(flipped)
            seen = bool(check.bad) or not check.complete or dict(check.packets)[1].count != FEW
            assert check.of_picture() is None, place  # FFmpeg is asked what is in it
        except MaterialError:
            seen = True
        assert seen, place
        try:
            marks, log = digests(flipped)
        except MaterialError:
            continue
        assert marks == good or log or len(marks) != FEW, place


@pytest.mark.parametrize("cut", [1, 100, 1000, 20000])
def test_a_truncated_film(film, tmp_path, cut):
    path = tmp_path / "short.mkv"
    path.write_bytes(film.read_bytes()[:-cut])
    check = read_matroska_crcs(path)
    assert not check.complete and check.bad
    marks, log = digests(path)
    assert log or len(marks) < COUNT or cut == 1


def test_a_truncated_video_capture_names_the_frame(film, tmp_path):
    path = tmp_path / "short.mkv"
    path.write_bytes(film.read_bytes()[: film.stat().st_size // 2])
    listing = list_capture(path)
    assert 0 < listing.count < COUNT and listing.log
    with open_picture(listing) as reader:
        number = -1
        try:
            for frame in reader.frames(0, listing.count):
                number = frame.number
            assert listing.count - 1 == number
        except UnreadableFrame as error:
            assert error.number == number + 1 and error.file == "short.mkv"
        assert reader.log


def test_not_matroska(tmp_path):
    (tmp_path / "a.mkv").write_bytes(b"RIFF and so on")
    with pytest.raises(MaterialError, match="doesn't begin like"):
        read_matroska_crcs(tmp_path / "a.mkv")
    with pytest.raises(MaterialError, match=r"a\.mkv can't be opened"):
        read_film(tmp_path / "a.mkv")
    with pytest.raises(MaterialError, match=r"a\.mkv can't be opened"):
        list_capture(tmp_path / "a.mkv")


def test_an_unfinished_file_is_read_as_far_as_it_goes(tmp_path):
    # What a killed writer leaves: no index, sizes unknown.
    path = tmp_path / "a.mkv"
    writer = create_lossless(path, width=96, height=72, bits=12, layout="rgb", rate=Fraction(18))
    with pytest.raises(KeyError), writer:
        for number in range(12):
            writer.write(noise(72, 96, 12, seed=number))
        (tmp_path / "left.mkv").write_bytes((tmp_path / "a.mkv.part").read_bytes())
        raise KeyError
    check = read_matroska_crcs(tmp_path / "left.mkv")
    assert not check.complete
    listing = list_capture(tmp_path / "left.mkv")
    assert listing.count >= 8


@pytest.mark.parametrize("piece", [1, 13, 500, 65536])
def test_the_walk_finds_the_same_in_whatever_pieces_the_bytes_come(film, short_film, tmp_path, piece):
    film = film if piece > 100 else short_film
    size = film.stat().st_size
    short = tmp_path / "short.mkv"
    short.write_bytes(film.read_bytes()[: size // 3])
    for path in (film, with_flip(film, tmp_path, size // 2), short):
        data = path.read_bytes()
        walk = MatroskaWalk(path.name, len(data))
        for first in range(0, len(data), piece):
            walk.update(data[first : first + piece])
        assert walk.result() == read_matroska_crcs(path)


def test_a_file_that_gives_fewer_bytes_than_it_has_is_not_whole(film):
    data = film.read_bytes()
    walk = MatroskaWalk("film.mkv", len(data))
    walk.update(data[:-1])
    check = walk.result()
    assert not check.complete and len(check.bad) == 1
