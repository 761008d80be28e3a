"""Scratches through a whole line: fainter in the finished film, whole in the archive copy, left where somebody refused one."""

import shutil

import numpy as np
import pytest
import tifffile

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, frame_truth, specimen_truth
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_json
from smallgauge.record.rendertable import RENDER_COLUMNS, RenderSummary
from smallgauge.record.scratchtable import read_scratches
from smallgauge.record.table import read_table

pytestmark = pytest.mark.campaign  # five renderings of a small reel

AT = "2026-01-17T10:00:00Z"
TRUTH = specimen_truth(
    "super 8", width=384, height=288, frames=16, seed=11, bits=16, code_values="linear", punching_um=1.0,
    start_exposures=(), scenes=(SceneTruth(kind="road", first=0, stop=40),),
)  # fmt: skip
PLACES = (95.3, 150.6)  # px from the film's reference: one darker, of the base; one of the emulsion
GAINS = np.exp([[-0.3, -0.3, -0.3], [0.15, 0.45, 0.3]])


def settings():
    return Settings(at=AT, workers=1, last_step="render")


def column_of(n, k):
    """The column of line k in captured frame n."""
    reference = frame_truth(TRUTH, n).film_reference_px[0]
    side = 1 if frame_truth(TRUTH, n).picture_centre_px[0] > reference else -1
    return reference + side * PLACES[k]


def frames_of(path, count=TRUTH.frames):
    with open_picture(list_capture(path)) as reader:
        return np.stack([np.array(reader.read(n).samples, np.float64) for n in range(count)])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The finished films of a reel drawn clean; scratched; with one line refused; with all lines refused."""
    base = tmp_path_factory.mktemp("scratched")
    write_specimen(base / "clean", TRUTH, format="tiff", sound=False, reel="clean", box_words="", processes=1)
    shutil.copytree(base / "clean", base / "scratched")
    words = (base / "clean" / "capture.toml").read_text(encoding="utf-8")
    (base / "scratched" / "capture.toml").write_text(words.replace("clean", "scratched"), encoding="utf-8")
    for n, path in enumerate(sorted((base / "scratched").glob("frame_*.tif*"))):
        light = tifffile.imread(path).astype(np.float64)
        for k in range(2):
            cover = np.exp(-0.5 * ((np.arange(TRUTH.width) - column_of(n, k)) / 0.9) ** 2)
            light *= np.exp(cover[:, None] * np.log(GAINS[k]))
        tifffile.imwrite(path, np.clip(np.rint(light), 0, 65535).astype(np.uint16), photometric="rgb")
    finish(base / "clean", base / "shelf", settings())
    finish(base / "scratched", base / "shelf", settings())
    folder = base / "shelf" / "scratched"
    films = {
        "clean": frames_of(base / "shelf" / "clean" / "finished.mkv"),
        "repaired": frames_of(folder / "finished.mkv"),
    }
    lines = read_scratches(folder)
    own = lines["kind"] == "scratch"
    track = int(lines["track"][own & (np.abs(lines["x"] - column_of(int(lines["frame"][own][0]), 0)) < 4)][0])
    for name, value in (("one refused", f"repair but line:{track}"), ("all refused", "repair but lines")):
        decide_on(folder, subject="dirt", value=decided_value("dirt", value), by="mk", at=AT, why="a wire")
        finish(base / "scratched", base / "shelf", settings())
        films[name] = frames_of(folder / "finished.mkv")
    return base, folder, films


def beside(film, folder, k, reach=3):
    """The finished film's columns at line k, frame by frame: mean over its rows and colours."""
    table = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    out = []
    for n, picture in enumerate(film):
        x = round(column_of(int(table["source_frame"][n]), k) - table["c"][n])
        out.append(picture[20:-20, x - reach : x + reach + 1].mean(axis=(0, 2)))
    return np.array(out)


def test_both_lines_are_found_where_they_were_drawn(made):
    _, folder, _ = made
    lines = read_scratches(folder)
    for k, side in enumerate(("base side", "emulsion side")):
        at = np.array([column_of(int(n), k) for n in lines["frame"]])
        here = (lines["kind"] == "scratch") & (np.abs(lines["x"] - at) < 1.0)
        assert len(set(lines["frame"][here].tolist())) >= TRUTH.frames - 2
        assert set(lines["side"][here].tolist()) == {side}
    assert read_json(folder / "render.json", RenderSummary).dirt.lines_found == 2


@pytest.mark.parametrize("k", [0, 1])
def test_what_is_repaired_is_nearer_to_the_clean_film(made, k):
    _, folder, films = made
    clean, repaired, left = (beside(films[name], folder, k) for name in ("clean", "repaired", "all refused"))
    before, after = np.abs(left - clean).sum(axis=1), np.abs(repaired - clean).sum(axis=1)
    assert after.sum() < 0.5 * before.sum()
    assert (after < before).mean() > 0.9  # in each frame by itself too


def test_a_refused_line_is_left_as_it_was_and_the_other_is_not(made):
    _, folder, films = made
    refused, left, repaired = (films[name] for name in ("one refused", "all refused", "repaired"))
    assert np.abs(beside(refused, folder, 0) - beside(left, folder, 0)).max() < 1.0
    assert np.abs(beside(refused, folder, 1) - beside(repaired, folder, 1)).max() < 1.0


def test_the_archive_copy_has_every_scratch(made):
    base, folder, _ = made
    kept = frames_of(folder / "archive.mkv")
    came = [tifffile.imread(path) for path in sorted((base / "scratched").glob("frame_*.tif*"))]
    assert (kept == np.stack(came)).all()
