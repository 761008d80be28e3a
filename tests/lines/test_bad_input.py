"""Bad input: one plain sentence, the right exit code, and nothing half-written under a final name."""

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import av
import pytest
from drawn_reels import copy_folder, small_reel

from smallgauge import cli
from smallgauge.media import whole
from smallgauge.media.picture_in import list_capture, open_picture


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> Path:
    """Small captures to be spoilt, one a format, drawn once."""
    base = tmp_path_factory.mktemp("drawn")
    for form in ("png", "dpx", "tiff"):
        small_reel(base / form, format=form, sound=form == "png")
    return base


@pytest.fixture
def run(tmp_path, capsys):
    """Run `smallgauge COMMAND CAPTURE --out SHELF`: exit code, and all words that were said."""

    def call(*captures: Path | str, command: str = "finish", extra: tuple[str, ...] = ()) -> tuple[int, str]:
        arguments = [command, *map(str, captures), "--out", str(tmp_path / "shelf")]
        code = cli.main([*arguments, "--workers", "1", "--quiet", *extra])
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out + said.err

    return call


def spoil(source: Path, tmp_path: Path) -> Path:
    return copy_folder(source, tmp_path / "capture")


def note(capture: Path, *lines: str, without: tuple[str, ...] = ()) -> None:
    """Add lines to capture.toml and take keys out of it."""
    path = capture / "capture.toml"
    kept = [line for line in path.read_text().splitlines() if line.partition(" ")[0] not in without]
    path.write_text("\n".join([*kept, *lines]) + "\n")


def shelf_is_clean(tmp_path: Path) -> None:
    """No unfinished file lies there, and no finished film whose making was refused."""
    shelf = tmp_path / "shelf"
    left = [p for p in shelf.rglob("*") if p.name.endswith(".part")] if shelf.exists() else []
    assert not left
    assert not list(shelf.rglob("lock")) if shelf.exists() else True


def one_sentence(words: str) -> str:
    """What was said is one paragraph without a list, a path dump or a traceback."""
    lines = words.strip().splitlines()
    assert len(lines) == 1, words
    return lines[0]


# -------------------------------------------------------------------------------------------------- refused


def test_an_empty_folder(run, tmp_path):
    (tmp_path / "empty").mkdir()
    code, words = run(tmp_path / "empty")
    assert code == 3
    assert "holds no frames" in one_sentence(words)
    assert not (tmp_path / "shelf").exists()


def test_no_folder_at_all(run, tmp_path):
    code, words = run(tmp_path / "nowhere")
    assert code == 3
    assert "nowhere" in one_sentence(words)


def test_a_frame_of_another_size(run, drawn, tmp_path):
    capture = spoil(drawn / "png", tmp_path)
    other = tmp_path / "other"
    small_reel(other, width=260, frames=1)
    shutil.copy(other / "frame_000000.png", capture / "frame_000003.png")
    code, words = run(capture)
    assert code == 3
    said = one_sentence(words)
    assert "frame_000003.png" in said and "260 x 192" in said and "256 x 192" in said
    assert not (tmp_path / "shelf").exists()


def test_a_stated_gauge_that_the_perforations_contradict(run, drawn):
    code, words = run(drawn / "png", extra=("--note", "gauge=standard 8"))
    assert code == 3
    said = one_sentence(words)
    assert "tandard 8" in said and "capture.toml" in said


def test_an_output_folder_of_another_capture(run, drawn, tmp_path):
    assert run(drawn / "dpx", command="analyse")[0] == 0
    capture = spoil(drawn / "tiff", tmp_path)
    code, words = run(capture, command="analyse", extra=("--note", "reel=dpx"))
    assert code == 3
    assert "belongs to another" in one_sentence(words)
    shelf_is_clean(tmp_path)


def test_a_full_disk(run, drawn, tmp_path, monkeypatch):
    """The system's refusal in the middle of a write; the volume itself is exercised in test_whole."""
    real = whole._sync_file

    def full(path: Path) -> None:
        if path.name.startswith("archive"):
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        real(path)

    monkeypatch.setattr(whole, "_sync_file", full)
    code, words = run(drawn / "dpx", command="analyse")
    assert code == 3
    assert "make room" in words
    shelf_is_clean(tmp_path)
    assert not (tmp_path / "shelf" / "dpx" / "archive.mkv").exists()
    monkeypatch.setattr(whole, "_sync_file", real)
    assert run(drawn / "dpx", command="analyse")[0] == 0


@pytest.mark.skipif(sys.platform == "win32", reason="left out: needs POSIX's limit of a file's size")
def test_a_file_that_the_volume_cannot_hold(drawn, tmp_path):
    """The system itself refuses to write more than 60 kB into one file, as FAT does at 4 GB."""
    program = (
        "import resource, sys, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))\n"
        "from smallgauge import cli\n"
        f"sys.exit(cli.main(['analyse', {str(drawn / 'dpx')!r}, '--out', {str(tmp_path / 'shelf')!r},"
        " '--workers', '1', '--quiet']))"
    )
    environment = os.environ | {"NUMBA_DISABLE_JIT": "0"}
    said = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, env=environment, check=False
    )
    assert said.returncode == 3, said.stdout + said.stderr
    assert "Traceback" not in said.stderr
    assert not list((tmp_path / "shelf").rglob("*.part"))
    assert not (tmp_path / "shelf" / "dpx" / "archive.mkv").exists()


def test_a_place_that_cannot_be_written(run, drawn, tmp_path):
    """A file stands where the shelf should be: rights mean nothing to a superuser, this does."""
    (tmp_path / "shelf").write_text("no folder")
    code, words = run(drawn / "dpx", command="analyse")
    assert code == 3
    assert "--out" in one_sentence(words)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="left out: a superuser may write anywhere"
)
def test_a_read_only_shelf(run, drawn, tmp_path):
    (tmp_path / "shelf").mkdir(mode=0o500)
    code, words = run(drawn / "dpx", command="analyse")
    assert code == 3
    assert "--out" in one_sentence(words)


@pytest.mark.parametrize("form", ["dpx", "png", "tiff"])
def test_a_truncated_frame(run, drawn, tmp_path, form):
    """Refused with its number and name; let pass by its number it is a finding, and its place stays open."""
    capture = spoil(drawn / form, tmp_path)
    note(capture, f'reel = "{form}"', without=("reel",))
    path = sorted(capture.glob("frame_*"))[2]
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    code, words = run(capture)
    assert code == 3
    said = one_sentence(words)
    assert path.name in said and "2" in said and "pass" in said
    shelf_is_clean(tmp_path)
    assert not list((tmp_path / "shelf").rglob("archive.mkv"))
    code, words = run(capture, extra=("--let-pass", "2"))
    assert code == 0, words
    assert path.name in words
    summary = json.loads((tmp_path / "shelf" / form / "render.json").read_text())
    if form == "png":  # with sound the frame before it stays
        assert summary["repeated"] == [2] and summary["frames"] == 6
    else:
        assert summary["left_out"] == [2] and summary["frames"] == 5


def test_a_frame_that_is_no_picture_at_all(run, drawn, tmp_path):
    capture = spoil(drawn / "dpx", tmp_path)
    (capture / "frame_000001.dpx").write_bytes(b"")
    code, words = run(capture)
    assert code == 3
    assert "frame_000001.dpx" in one_sentence(words)
    assert run(capture, command="analyse", extra=("--let-pass", "1"))[0] == 0


def test_a_wrong_value_in_capture_toml(run, drawn, tmp_path):
    capture = spoil(drawn / "dpx", tmp_path)
    note(capture, "micrometres_per_pixel = -3", 'film = "slide"', without=("micrometres_per_pixel", "film"))
    code, words = run(capture)
    assert code == 3
    said = one_sentence(words)
    assert "micrometres_per_pixel" in said and "film" in said  # all mistakes at once


def test_perforations_out_of_view_that_nobody_stated(run, tmp_path):
    small_reel(tmp_path / "capture", sound=False, perforations_in_view=False)
    code, words = run(tmp_path / "capture", extra=("--note", "perforations_in_view=true"))
    assert code == 3
    assert "perforations_in_view" in one_sentence(words)


# -------------------------------------------------------------------------------- a finding, and it goes on


def test_a_gap_in_the_numbering(run, drawn, tmp_path):
    capture = spoil(drawn / "png", tmp_path)
    (capture / "frame_000003.png").unlink()
    header, *rows = (capture / "frames.csv").read_text().splitlines()
    times = [row.split(",")[1] for n, row in enumerate(rows) if n != 3]
    (capture / "frames.csv").write_text(
        "\n".join([header, *(f"{n},{t}" for n, t in enumerate(times))]) + "\n"
    )
    code, words = run(capture)
    assert code == 0, words
    assert "skips 1 number " in words and "1 frame of the film was not captured" in words
    summary = json.loads((tmp_path / "shelf" / "png" / "render.json").read_text())
    assert summary["frames"] == 6 and summary["repeated"] == [3]  # the film has sound


def test_a_gap_in_the_numbering_where_the_film_runs_on(run, drawn, tmp_path):
    capture = spoil(drawn / "png", tmp_path)
    (capture / "frame_000005.png").rename(capture / "frame_000007.png")
    code, words = run(capture)
    assert code == 0, words
    assert "skips 2 numbers" in words and "not captured" not in words
    assert (
        "sound goes on" in words and "beyond the picture" in words
    )  # drawn so: 3 seconds longer than the film
    summary = json.loads((tmp_path / "shelf" / "png" / "render.json").read_text())
    assert summary["frames"] == 6 and summary["repeated"] == []


def test_a_perforation_at_full_scale(run, tmp_path):
    small_reel(tmp_path / "capture", sound=False, open_gate_level=1.3)
    code, words = run(tmp_path / "capture", command="analyse")
    assert code == 0, words
    assert "highest code value in all 6 frames" in words


def test_perforations_not_in_view(run, tmp_path):
    small_reel(tmp_path / "capture", sound=False, perforations_in_view=False, width=384, height=288)
    code, words = run(tmp_path / "capture")
    assert code == 0, words
    assert "does not show the perforations" in words


def test_a_perforation_cut_off_by_the_edge(run, tmp_path):
    """The transport drifts so far that the perforation leaves the picture in some frames."""
    small_reel(tmp_path / "capture", sound=False, frames=10, drift_um=(0.0, 1500.0), drift_frames=20.0)
    code, words = run(tmp_path / "capture")
    assert code in (0, 1), words
    assert "perforation" in words.lower()


def test_sound_shorter_than_the_picture(run, drawn, tmp_path):
    import soundfile

    capture = spoil(drawn / "png", tmp_path)
    samples, rate = soundfile.read(capture / "sound.wav")
    soundfile.write(capture / "sound.wav", samples[: int(1.68 * rate)], rate, subtype="PCM_24")
    code, words = run(capture)
    assert code == 0, words
    assert "does not cover" in words


def test_the_head_distance_is_not_assumed_and_one_mark_sets_it(run, drawn, tmp_path, capsys):
    capture = spoil(drawn / "png", tmp_path)
    note(capture, without=("sound_head_offset_frames", "machine"))
    code, words = run(capture)
    assert code == 1, words
    assert "sync" in words.lower()
    folder = tmp_path / "shelf" / "png"
    assert json.loads((folder / "render.json").read_text())["sound"]["shift_frames"] == 0.0
    decide = ["treat", str(folder), "--decide", "sync", "3@2.1", "--by", "mk", "--why", "the door"]
    assert cli.main(decide) == 0
    capsys.readouterr()
    code, words = run(capture)
    assert code == 0, words
    assert json.loads((folder / "render.json").read_text())["sound"]["set"] is True


def test_an_unknown_key_is_told_with_the_nearest_name(run, drawn, tmp_path):
    capture = spoil(drawn / "dpx", tmp_path)
    note(capture, "micrometers_per_pixel = 9")
    code, words = run(capture, command="analyse")
    assert code == 0
    assert "micrometers_per_pixel" in words and "did you mean micrometres_per_pixel?" in words


def test_a_hold_stops_after_the_archive_copy(run, drawn, tmp_path):
    capture = spoil(drawn / "dpx", tmp_path)
    note(capture, 'hold = "owner asks for the reel back"')
    code, words = run(capture)
    assert code == 1
    assert "owner asks for the reel back" in words
    folder = tmp_path / "shelf" / "dpx"
    assert (folder / "archive.mkv").is_file()
    assert not (folder / "finished.mkv").exists()
    note(capture, without=("hold",))
    assert run(capture)[0] == 0


def test_stray_files_are_named_and_passed_over(run, drawn, tmp_path):
    capture = spoil(drawn / "dpx", tmp_path)
    (capture / "Thumbs.db").write_bytes(b"\0" * 100)
    (capture / "scanner.log").write_text("started")
    (capture / ".hidden").write_text("x")
    code, words = run(capture, command="analyse")
    assert code == 0
    for name in ("Thumbs.db", "scanner.log", ".hidden"):
        assert name in words


def test_one_bad_capture_never_stops_the_next(run, drawn, tmp_path):
    """And nothing is ever written into a capture."""
    capture = spoil(drawn / "dpx", tmp_path)
    before = {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in capture.iterdir()}
    (tmp_path / "empty").mkdir()
    code, words = run(tmp_path / "empty", capture, tmp_path / "nowhere")
    assert code == 3
    assert "holds no frames" in words
    assert (tmp_path / "shelf" / "dpx" / "package" / "SHA256SUMS").is_file()
    assert {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in capture.iterdir()} == before


def test_a_failure_of_the_program_never_stops_the_next(drawn, tmp_path, monkeypatch, capsys):
    import smallgauge.line

    real = smallgauge.line.finish

    def finish(path, out, settings):
        if path.name == "tiff":
            raise ZeroDivisionError("a mistake of ours")
        return real(path, out, settings)

    monkeypatch.setattr(smallgauge.line, "finish", finish)
    captures = [str(drawn / "tiff"), str(drawn / "dpx")]
    code = cli.main(["finish", *captures, "--out", str(tmp_path / "shelf"), "--workers", "1", "--quiet"])
    assert code == 70
    assert "The program itself failed" in capsys.readouterr().err
    assert (tmp_path / "shelf" / "dpx" / "package" / "SHA256SUMS").is_file()


# ------------------------------------------------------------------------------------- kept as they came


def jpegs(folder: Path, source: Path) -> None:
    import imagecodecs

    folder.mkdir()
    with open_picture(list_capture(source)) as reader:
        for frame in reader.frames(0, reader.listing.count):
            data = imagecodecs.jpeg_encode(frame.samples, level=95)
            (folder / f"frame_{frame.number:06d}.jpg").write_bytes(data)
    shutil.copy(source / "capture.toml", folder / "capture.toml")


def video(path: Path, source: Path, codec: str, form: str, rate: int = 25) -> None:
    with av.open(str(path), "w") as out, open_picture(list_capture(source)) as reader:
        listing = reader.listing
        width, height = (720, 576) if codec == "dvvideo" else (listing.width, listing.height)
        stream = out.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, form
        for frame in reader.frames(0, listing.count):
            picture = av.VideoFrame.from_ndarray(frame.samples, format="rgb24")
            for packet in stream.encode(picture.reformat(width, height, form)):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    shutil.copy(source / "capture.toml", path.with_name(path.stem + ".capture.toml"))


def test_a_folder_of_jpegs_is_kept_as_it_came(run, drawn, tmp_path):
    jpegs(tmp_path / "jpegs", drawn / "png")
    code, words = run(tmp_path / "jpegs", extra=("--note", "reel=jpegs"))
    assert code == 0, words
    folder = tmp_path / "shelf" / "jpegs"
    assert not (folder / "archive.mkv").exists()
    for path in (tmp_path / "jpegs").glob("*.jpg"):
        assert (folder / "archive" / path.name).read_bytes() == path.read_bytes()


@pytest.mark.parametrize(
    ("codec", "suffix", "form"),
    [("prores_ks", "mov", "yuv422p10le"), ("libx264", "mp4", "yuv420p"), ("dvvideo", "avi", "yuv420p")],
)
def test_a_video_file_is_kept_as_it_came(run, drawn, tmp_path, codec, suffix, form):
    path = tmp_path / f"reel.{suffix}"
    video(path, drawn / "png", codec, form)
    extra = ("--note", "reel=video", "--note", "code_values=gamma")
    if codec == "dvvideo":  # stretched to another shape, so that the scale is no longer one number
        extra += ("--note", "micrometres_per_pixel_across=13.5", "--note", "micrometres_per_pixel=12.7")
    code, words = run(path, extra=extra)
    if codec == "dvvideo" and code == 3:
        assert (
            "perforations" in words.lower()
        )  # refused in words is as good: the picture was made for no film
        return
    assert code == 0, words
    assert (tmp_path / "shelf" / "video" / "archive" / path.name).read_bytes() == path.read_bytes()


# ---------------------------------------------------------------------------------------------------- Ctrl-C


@pytest.mark.skipif(sys.platform == "win32", reason="left out: sends POSIX's signal")
def test_ctrl_c_leaves_what_can_be_gone_on_with(drawn, tmp_path):
    arguments = ["finish", str(drawn / "dpx"), "--out", str(tmp_path / "shelf"), "--workers", "2", "--quiet"]
    process = subprocess.Popen(
        [sys.executable, "-m", "smallgauge", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    journal = tmp_path / "shelf" / "dpx" / "work" / "journal.jsonl"
    until = time.monotonic() + 120
    while not journal.exists() and time.monotonic() < until:
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    _, words = process.communicate(timeout=120)
    assert process.returncode == 130, words
    assert "goes on from here" in words
    assert "Traceback" not in words
    shelf_is_clean(tmp_path)
    assert cli.main([*arguments[:4], "--workers", "1", "--quiet"]) == 0
