"""A capture that grows is followed to its end: the right verdict, the right reason, and `analyse` goes on from it.

The clock is the test's own. That the same holds beside a real process with the real clock is `test_follow_process`.
"""

import io
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
import soundfile
from growing_capture import RATE, Scanner, follow

from smallgauge.analyse.frozen import FOLLOWED, FollowedSurvey
from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.errors import MaterialError
from smallgauge.line import Settings, finish
from smallgauge.media.whole import digest_file
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.record.files import read_json, write_json
from smallgauge.record.journal import Journal

FRAMES = 130
SOUND_RATE = 8000
KEPT = ("frames.parquet", "perforations.parquet", "film.json", "archive.mkv", "capture.json")


def draw(folder, **changes):
    """A small reel; it is copied frame by frame while the clock goes on."""
    truth = specimen_truth("super 8", seed=5, bits=8, code_values="gamma", punching_um=1.0, **changes)
    write_specimen(folder, truth, format="png", sound=False, reel="followed", box_words="", processes=1)
    return folder


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """Frames for tests of numbers, stamps, files and sound."""
    return draw(tmp_path_factory.mktemp("drawn") / "reel", width=256, height=192, frames=40, fast_noise=True)


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    """Frames for tests of what the pictures show: more than a chunk of them."""
    return draw(tmp_path_factory.mktemp("long") / "reel", width=320, height=240, frames=FRAMES)


@pytest.fixture
def scanner(tmp_path):
    folder = tmp_path / "capture"
    folder.mkdir()
    return Scanner(folder)


def wav(levels_db):
    """Noise of one level a second, as 24-bit WAV."""
    noise = np.random.default_rng(3)
    seconds = [noise.normal(0, 10 ** (level / 20), SOUND_RATE) for level in levels_db]
    data = io.BytesIO()
    soundfile.write(data, np.clip(np.concatenate(seconds), -1, 1), SOUND_RATE, format="WAV", subtype="PCM_24")
    return data.getvalue()


def record(scanner, levels_db):
    scanner.record(wav(levels_db), header=44, until=len(levels_db), bytes_per_s=3 * SOUND_RATE)


def run_analyse(capture: Path, shelf: Path):
    kept = []

    def progress(what, done, of):
        if what == "frames read and measured" and not kept:
            kept.append(done)

    settings = Settings(at="2026-01-17T10:00:00Z", workers=1, last_step="analyse", progress=progress)
    return finish(capture, shelf, settings), kept[0]


@pytest.mark.campaign
def test_a_whole_capture_may_come_off_and_analyse_keeps_what_was_measured(long, scanner, tmp_path):
    last = scanner.copy(long, frames=range(FRAMES))
    shelf, other = tmp_path / "shelf", tmp_path / "other"
    followed = follow(scanner, shelf / "followed")
    assert followed.verdict.may_come_off and followed.reasons == [] and followed.calls == []
    assert followed.answered_at - last < 30 and followed.verdict.compared == FRAMES
    assert followed.verdict.chunks_kept == 1
    # the same frozen survey, and nothing else, in another folder
    (other / "followed" / "work").mkdir(parents=True)
    shutil.copy(shelf / "followed" / FOLLOWED, other / "followed" / FOLLOWED)
    Journal(other / "followed").add(Journal(shelf / "followed").lines[FOLLOWED])
    outcome, kept = run_analyse(scanner.folder, shelf)
    assert kept == 100
    assert "survey of the beginning" in [finding.code for finding in outcome.findings]
    _, kept = run_analyse(scanner.folder, other)
    assert kept == 0
    for name in KEPT:
        assert digest_file(shelf / "followed" / name) == digest_file(other / "followed" / name), name


@pytest.mark.campaign
def test_frames_dropped_silently_are_seen_by_grain_alone(long, scanner, tmp_path):
    numbers = {n: None if n in (60, 61, 62) else n - 3 for n in range(60, FRAMES)}
    scanner.copy(long, frames=range(FRAMES), numbers=numbers, stamps=False)
    followed = follow(scanner, tmp_path / "reel")
    assert followed.reasons == ["reel frames missing"]
    assert followed.verdict.reasons[0].values["places"][0][0] == 60


@pytest.mark.campaign
def test_focus_lost_half_way(long, scanner, tmp_path):
    soft = tmp_path / "soft"
    shutil.copytree(long, soft)
    for path in sorted(soft.glob("frame_*.png"))[FRAMES // 2 :]:
        samples = imagecodecs.png_decode(path.read_bytes())
        path.write_bytes(imagecodecs.png_encode(cv2.GaussianBlur(samples, (0, 0), 2.5)))
    scanner.copy(soft, frames=range(FRAMES))
    followed = follow(scanner, tmp_path / "reel", keep=False)
    assert followed.reasons == ["reel focus lost"]
    assert followed.verdict.reasons[0].values["first"] == FRAMES // 2
    calls = {finding.code: at for at, finding in followed.calls}
    assert calls["now out of focus"] < FRAMES / RATE + 1, "said while the scanner runs"


class TestFiles:
    """Numbers, stamps and files alone: a few frames are enough."""

    def few(self, drawn, scanner, tmp_path, count=30, **changes):
        copied = {key: changes.pop(key) for key in ("numbers", "stamps") if key in changes}
        scanner.copy(drawn, frames=range(count), **copied)
        return follow(scanner, tmp_path / "reel", **changes)

    def test_stamps_alone_show_silent_drops(self, drawn, scanner, tmp_path):
        numbers = {n: None if n in (12, 13, 14) else n - 3 for n in range(12, 30)}
        followed = self.few(drawn, scanner, tmp_path, numbers=numbers)
        assert followed.reasons == ["reel frames missing"]
        assert followed.verdict.reasons[0].values["places"] == [[12, 3]]

    def test_skipped_numbers(self, drawn, scanner, tmp_path):
        followed = self.few(drawn, scanner, tmp_path, numbers={12: None, 13: None, 14: None})
        assert followed.reasons == ["reel numbers missing"]
        assert followed.verdict.reasons[0].values["places"] == [[12, 3]]

    def test_a_number_that_comes_late_is_not_missing(self, drawn, scanner, tmp_path):
        late = next(drawn.glob("frame_000011.*"))
        scanner.write(late.name, late.read_bytes(), at=4.0)
        (scanner.folder / "note.txt").write_text("x")
        followed = self.few(drawn, scanner, tmp_path, numbers={11: None}, stamps=False)
        assert followed.verdict.may_come_off and followed.verdict.frames == 30

    @pytest.mark.parametrize("part", ["", ".part"])
    def test_a_frame_that_is_still_being_written_is_waited_for(self, drawn, scanner, tmp_path, part):
        slow = next(drawn.glob("frame_000029.*"))
        scanner.write(slow.name, slow.read_bytes(), at=29 / RATE, half_for=4.0, part=part)
        scanner.copy(drawn, frames=range(29), stamps=False)
        followed = follow(scanner, tmp_path / "reel")
        assert followed.verdict.may_come_off and followed.verdict.frames == 30
        assert followed.calls == []

    def test_a_frame_that_is_never_finished(self, drawn, scanner, tmp_path):
        slow = next(drawn.glob("frame_000029.*"))
        scanner.write(slow.name, slow.read_bytes(), at=29 / RATE, half_for=400.0)
        scanner.copy(drawn, frames=range(29), stamps=False)
        followed = follow(scanner, tmp_path / "reel")
        assert followed.reasons == ["reel frame unfinished"]
        assert followed.verdict.reasons[0].values["names"] == [slow.name]

    def test_stamps_of_frames_whose_files_never_came(self, drawn, scanner, tmp_path):
        lines = (drawn / "frames.csv").read_text().splitlines()
        scanner.at(1.9, lambda: (scanner.folder / "frames.csv").write_text("\n".join(lines[:36]) + "\n"))
        followed = self.few(drawn, scanner, tmp_path)
        assert followed.reasons == ["reel stamps disagree"]

    def test_the_stated_count_ends_it_at_once_and_is_compared(self, drawn, scanner, tmp_path):
        followed = self.few(drawn, scanner, tmp_path, stamps=False, frames=30)
        assert followed.verdict.may_come_off and followed.answered_at < 30 / RATE + 2

    def test_fewer_than_stated(self, drawn, scanner, tmp_path):
        assert self.few(drawn, scanner, tmp_path, stamps=False, frames=31).reasons == ["reel count differs"]

    def test_the_operator_asks_while_the_scanner_writes(self, drawn, scanner, tmp_path):
        asked = self.few(drawn, scanner, tmp_path, stamps=False, asked=lambda: scanner.now > 0.8)
        assert "reel still written" in asked.reasons

    def test_the_operator_asks_before_the_first_frame(self, scanner, tmp_path):
        with pytest.raises(KeyboardInterrupt):
            follow(scanner, tmp_path / "reel", asked=lambda: scanner.now > 1)

    def test_a_video_is_refused_in_plain_words(self, scanner, tmp_path):
        scanner.at(1.0, lambda: (scanner.folder / "reel.mov").write_bytes(b"\0" * 64))
        with pytest.raises(MaterialError, match="before the scanner closes it"):
            follow(scanner, tmp_path / "reel")

    def test_a_frame_of_another_size(self, drawn, scanner, tmp_path):
        small = imagecodecs.png_encode(np.zeros((24, 32, 3), np.uint8))
        scanner.write("frame_000030.png", small, at=1.3)
        assert self.few(drawn, scanner, tmp_path, stamps=False).reasons == ["reel files differ"]


class TestSound:
    """The level of the stripe while it is recorded."""

    @pytest.mark.parametrize(
        ("levels", "reason", "called"),
        [
            pytest.param([-30] * 12, None, False, marks=pytest.mark.campaign),
            ([-30] * 6 + [-92] * 6, "reel sound gone", True),
            pytest.param([-92] * 12, "reel sound silent", True, marks=pytest.mark.campaign),
            ([-30] * 6, "reel sound stopped", True),
            ([-300] * 12, "reel sound silent", True),
        ],
    )
    def test_the_cable(self, drawn, scanner, tmp_path, levels, reason, called):
        record(scanner, levels)
        shown = 30
        for n in range(shown):  # slowly: 12 seconds of film
            path = next(drawn.glob(f"frame_{n:06d}.*"))
            scanner.write(path.name, path.read_bytes(), at=n * 12 / shown)
        followed = follow(scanner, tmp_path / "reel", keep=False)
        assert followed.reasons == ([reason] if reason else [])
        calls = [finding.code for at, finding in followed.calls if at < 60]
        assert ("now no sound level" in calls) is called

    @pytest.mark.parametrize(("sound", "reasons"), [(True, ["reel sound missing"]), (None, []), (False, [])])
    def test_no_sound_at_all(self, drawn, scanner, tmp_path, sound, reasons):
        scanner.copy(drawn, frames=range(24), stamps=False)
        assert follow(scanner, tmp_path / "reel", keep=False, sound=sound).reasons == reasons


@pytest.mark.campaign
def test_a_frame_that_changed_after_it_was_measured_is_measured_again(long, scanner, tmp_path):
    scanner.copy(long, frames=range(FRAMES))
    shelf = tmp_path / "shelf"
    followed = follow(scanner, shelf / "followed")
    assert followed.verdict.chunks_kept == 1
    path = next(scanner.folder.glob("frame_000050.*"))
    samples = imagecodecs.png_decode(path.read_bytes())
    other = bytearray(imagecodecs.png_encode(np.ascontiguousarray(samples[::-1])))
    size = path.stat().st_size
    if len(other) > size:
        pytest.fail("the other picture must fit into the same number of bytes")
    # A chunk of the size that is left keeps the file whole and as long as it was.
    pad = size - len(other) - 12
    end = bytes(other[-12:])
    filler = pad.to_bytes(4, "big") + b"prVt" + b"\0" * pad
    path.write_bytes(bytes(other[:-12]) + filler + b"\0\0\0\0" + end)
    assert path.stat().st_size == size
    _, kept = run_analyse(scanner.folder, shelf)
    assert kept == 0


@pytest.mark.campaign
def test_a_frozen_survey_that_does_not_serve_is_set_aside(long, scanner, tmp_path):
    scanner.copy(long, frames=range(FRAMES))
    shelf = tmp_path / "shelf"
    folder = shelf / "followed"
    follow(scanner, folder)
    paper = read_json(folder / FOLLOWED, FollowedSurvey)
    survey = paper.found.reading.survey
    wrong = replace(survey, width_px=survey.width_px * 1.12, height_px=survey.height_px * 0.9)
    found = replace(paper.found, reading=replace(paper.found.reading, survey=wrong))
    write_json(folder / FOLLOWED, replace(paper, found=found))
    journal = Journal(folder)
    journal.add_file("follow", FOLLOWED, key=journal.lines[FOLLOWED].key)
    outcome, kept = run_analyse(scanner.folder, shelf)
    assert "survey of the beginning set aside" in [finding.code for finding in outcome.findings]
    assert kept == 0


@pytest.mark.campaign
def test_a_second_follow_goes_on_from_the_first(long, scanner, tmp_path):
    scanner.copy(long, frames=range(FRAMES))
    first = follow(scanner, tmp_path / "reel")
    before = digest_file(tmp_path / "reel" / "work" / "rows" / "frames-000000.parquet")
    lines = len(Journal(tmp_path / "reel").path.read_text().splitlines())
    again = follow(scanner, tmp_path / "reel")
    assert again.verdict.may_come_off and again.verdict.compared == first.verdict.compared
    assert digest_file(tmp_path / "reel" / "work" / "rows" / "frames-000000.parquet") == before
    assert len(Journal(tmp_path / "reel").path.read_text().splitlines()) == lines


def test_a_single_worker_apart_does_not_hold_the_watch_up():
    with Crew(1, apart=True) as crew:
        future = crew.submit(int.__add__, 3)
        assert not future.done()
        future.cancel()
