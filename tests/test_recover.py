"""`smallgauge recover`: film frames out of drawn videos, from the command line."""

import json
from fractions import Fraction

import numpy as np
import pytest

from smallgauge import cli
from smallgauge.picture.synthetic import draw_frame, specimen_truth

FILM = 30


@pytest.fixture
def run(capsys):
    """Run `smallgauge recover`: exit code, words, complaint."""

    def call(*arguments):
        code = cli.main(["recover", *map(str, arguments)])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out, said.err

    return call


@pytest.fixture(scope="module")
def film():
    """Display pictures of a drawn film, cut to the camera's image."""
    truth = specimen_truth("super 8", width=288, height=216, frames=FILM, seed=21, camera_rate=Fraction(18))
    random = np.random.default_rng(1)
    pictures = []
    for n in range(FILM):
        light = np.clip(draw_frame(truth, n).samples[:, 80:].astype(np.float64) / 65535, 0, 1)
        pictures.append(light ** (1 / 2.2) * 250 + random.normal(0, 0.4, light.shape))
    return pictures


def write_video(path, pictures, rate, *, interlaced=False):
    """Lossless 8-bit R G B, so that a recovered frame can be compared with what went in."""
    import av

    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=rate)
        stream.height, stream.width = pictures[0].shape[:2]
        stream.pix_fmt = "bgr0"
        for picture in pictures:
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="bgr0")
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)


def codes(picture):
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def recovered(folder):
    import imagecodecs

    return [imagecodecs.png_decode(path.read_bytes()) for path in sorted(folder.glob("frame_*.png"))]


def test_repeated_frames_come_out_once_sample_for_sample(film, tmp_path, run):
    shown = [n * 18 // 25 for n in range(FILM * 25 // 18)]
    video = [codes(film[n] + np.random.default_rng(n).normal(0, 0.5, film[n].shape)) for n in shown]
    write_video(tmp_path / "old.mkv", video, 25)
    code, words, _ = run(tmp_path / "old.mkv", "--out", tmp_path / "film")
    assert code == 0 and "18 frames a second in 25 pictures" in words
    found = recovered(tmp_path / "film")
    assert len(found) == max(shown) + 1 and "whole frames" in words and "mixtures" not in words
    for n, picture in enumerate(found):
        assert any(np.array_equal(picture, video[k]) for k, film_frame in enumerate(shown) if film_frame == n)
    code, words, complaint = run(tmp_path / "old.mkv", "--out", tmp_path / "film")
    assert code == 3 and "is there already" in complaint


def test_fields_are_woven_into_film_frames(film, tmp_path, run):
    fields = [film[n * 18 // 50] for n in range(FILM * 50 // 18)]
    frames = []
    for upper, lower in zip(fields[::2], fields[1::2], strict=False):
        frame = codes(upper)
        frame[1::2] = codes(lower)[1::2]
        frames.append(frame)
    write_video(tmp_path / "tape.mkv", frames, 25)
    code, words, _ = run(tmp_path / "tape.mkv", "--out", tmp_path / "film", "--json")
    paper = json.loads(words)
    assert code == 0 and paper["film_rate"] == "18" and paper["read_as"] == "upper field first"
    found = recovered(tmp_path / "film")
    right = [np.array_equal(found[n], codes(film[n])) for n in range(min(len(found), FILM) - 1)]
    assert all(right), right


def test_mixtures_are_taken_apart(film, tmp_path, run):
    step = 18 / 25
    video = []
    for n in range(int((FILM - 1) / step)):
        begin, end = n * step, (n + 1) * step
        share = min(end, int(begin) + 1) - begin
        video.append(codes(film[int(begin)] * share / step + film[int(begin) + 1] * (1 - share / step)))
    write_video(tmp_path / "soft.mkv", video, 25)
    code, words, _ = run(tmp_path / "soft.mkv", "--out", tmp_path / "film", "--json")
    assert code == 0
    paper, found = json.loads(words), recovered(tmp_path / "film")
    assert paper["film_rate"] == "18" and abs(len(found) - FILM) <= 1 and paper["unmixed"] >= 5
    errors = [float(np.abs(found[n] - codes(film[n]).astype(float)).mean()) for n in range(1, len(found) - 1)]
    mixed = [float(np.abs(v - codes(film[int(k * step)]).astype(float)).mean()) for k, v in enumerate(video)]
    assert np.median(errors) < 0.5 * np.mean(mixed), (errors, np.mean(mixed))


def test_what_can_t_be_recovered_is_refused_and_nothing_is_written(film, tmp_path, run):
    write_video(tmp_path / "own.mkv", [codes(picture) for picture in film], 18)
    code, _, complaint = run(tmp_path / "own.mkv", "--out", tmp_path / "film")
    assert code == 3 and "no picture repeats" in complaint and not (tmp_path / "film").exists()
    (tmp_path / "folder").mkdir()
    code, _, complaint = run(tmp_path / "folder", "--out", tmp_path / "film")
    assert code == 3 and complaint.count("\n") <= 1
