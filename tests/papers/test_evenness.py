"""A lamp that falls off to the corners: divided out where the capture holds a picture of the open gate."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from smallgauge.errors import FixityError, MaterialError
from smallgauge.line import Settings, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.density import light_of_samples
from smallgauge.picture.evenness import apply_evenness, make_evenness
from smallgauge.picture.synthetic import draw_frame, specimen_truth
from smallgauge.prove.fixity import captured_digests, captured_files, check_captured_files, read_files
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.light import evenness_for, table_for
from smallgauge.record.table import read_table
from smallgauge.record.work import silent

AT = "2026-01-17T10:00:00Z"
FRAMES, WIDTH, HEIGHT = 4, 256, 192
DARK = 0.002


def falling() -> np.ndarray:
    """Light of the lamp: a fifth less in the corners, and bluer there."""
    x, y = np.meshgrid(np.linspace(-1, 1, WIDTH), np.linspace(-1, 1, HEIGHT))
    fall = 0.1 * (x * x + y * y)
    return np.stack([0.9 - fall, 0.9 - 0.9 * fall, 0.9 - 0.8 * fall], axis=-1)


def write(path: Path, light: np.ndarray) -> None:
    write_capture_frame(path, np.rint(np.clip(light, 0, 1) * 65535).astype(np.uint16), bits=16)


def write_uneven(folder: Path, *, words: str = 'open_gate = "open-gate.tif"\ndark = "dark.tif"\n') -> Path:
    truth = specimen_truth("super 8", width=WIDTH, height=HEIGHT, frames=FRAMES, bits=16, flicker=0.0)
    folder.mkdir(parents=True)
    for number in range(FRAMES):
        light = draw_frame(truth, number).samples / 65535.0
        write(folder / f"frame_{number:06d}.tif", light * falling() + DARK)
    noise = np.random.default_rng(1).normal(1.0, 0.01, (HEIGHT, WIDTH, 3))
    write(folder / "open-gate.tif", falling() * noise + DARK)
    write(folder / "dark.tif", np.full((HEIGHT, WIDTH, 3), DARK))
    (folder / "capture.toml").write_text(f'code_values = "linear"\ngauge = "super 8"\n{words}')
    return folder


@pytest.fixture(scope="module")
def reel(tmp_path_factory):
    base = tmp_path_factory.mktemp("uneven")
    folder = write_uneven(base / "uneven")
    outcome = finish(folder, base / "shelf", Settings(at=AT, workers=1, last_step="analyse"))
    assert "files passed over" not in {f.code for f in outcome.findings}
    return folder, Path(outcome.folder)


def test_light_is_that_of_an_even_lamp(reel):
    source, folder = reel
    capture = read_json(folder / "capture.json", Capture)
    truth = specimen_truth("super 8", width=WIDTH, height=HEIGHT, frames=FRAMES, bits=16, flicker=0.0)
    table, even = table_for(capture.light, capture.encoding), evenness_for(capture, source)
    drawn = draw_frame(truth, 1).samples / 65535.0
    with open_picture(list_capture(source)) as reader:
        captured = light_of_samples(reader.read(1).samples, table)
    light = apply_evenness(captured, even)
    parts = [np.s_[4:40, 4:40], np.s_[4:40, -40:-4], np.s_[-40:-4, -40:-4], np.s_[80:110, 110:150]]
    before = [np.median(captured[p] / np.maximum(drawn[p], 1e-6), axis=(0, 1)) for p in parts]
    after = [np.median(light[p] / np.maximum(drawn[p], 1e-6), axis=(0, 1)) for p in parts]
    assert np.ptp(np.log(before), axis=0).max() > 0.1
    assert np.ptp(np.log(after), axis=0).max() < 0.01  # 1 %: reference on picture science, section j


def test_the_lamps_level_is_read_as_before(reel):
    frames = read_table(reel[1] / "frames.parquet", FRAME_COLUMNS, "frames")
    assert frames["light_evenness"].min() > 0.98
    assert np.ptp(frames["light_green"]) < 0.01


def test_the_archive_keeps_both_with_their_digests(reel, tmp_path):
    source, folder = reel
    capture = read_json(folder / "capture.json", Capture)
    for kept, name in (("archive.open-gate.tif", "open-gate.tif"), ("archive.dark.tif", "dark.tif")):
        assert (folder / kept).read_bytes() == (source / name).read_bytes()
    again = evenness_for(capture, folder)  # from beside the archive copy
    assert np.array_equal(again.gain, evenness_for(capture, source).gain)
    wanted = captured_digests(capture)

    def checked(place):
        return check_captured_files(
            place, wanted, read_files(captured_files(place, wanted), runner=None, progress=silent)
        )

    equal, found = checked(source)
    assert len(wanted) == equal == FRAMES + 2 and not found
    copy = tmp_path / "other"
    shutil.copytree(source, copy)
    write(copy / "open-gate.tif", 0.9 * falling())
    _, found = checked(copy)
    assert [f.values["file"] for f in found] == ["open-gate.tif"]
    with pytest.raises(FixityError, match=r"open-gate\.tif"):
        evenness_for(capture, copy)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ('open_gate = "lamp.tif"', "found no lamp.tif"),
        ('open_gate = "frame_000001.tif"', "makes it a frame"),
        ('dark = "dark.tif"', "alone"),
        ('open_gate = "../open-gate.tif"', "beside the frames"),
    ],
)
def test_a_picture_of_the_lamp_that_can_not_be_is_refused(tmp_path, words, said):
    folder = write_uneven(tmp_path / "uneven", words=words + "\n")
    with pytest.raises(MaterialError, match=said):
        finish(folder, tmp_path / "shelf", Settings(at=AT, workers=1, last_step="analyse"))


def test_a_picture_of_another_size_is_refused(tmp_path):
    folder = write_uneven(tmp_path / "uneven")
    write(folder / "open-gate.tif", falling()[:100])
    with pytest.raises(MaterialError, match="256 x 192"):
        finish(folder, tmp_path / "shelf", Settings(at=AT, workers=1, last_step="analyse"))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda light: np.where(light > 0.85, 1.0, light), "highest code value"),
        (lambda light: np.where(np.arange(WIDTH)[None, :, None] < 80, 0.05, light), "light all over"),
        (lambda light: np.where(light > 0.85, np.nan, light), "known in every pixel"),
    ],
)
def test_what_is_no_open_gate_is_refused(change, said):
    light = change(falling()).astype(np.float32)
    with pytest.raises(MaterialError, match=said):
        make_evenness(light, dark=None, near=(10, 10), full_scale=1.0, where="open-gate.tif")
