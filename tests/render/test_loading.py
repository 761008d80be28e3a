"""Film loaded another way and put right: pictures, order, scenes, copies and sound are those of film loaded as it should be."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from loaded_film import WAYS, load_otherwise

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.rendertable import COPY_COLUMNS, RENDER_COLUMNS
from smallgauge.record.table import read_table

AT = "2026-01-17T10:00:00Z"
FRAMES, FIRST_SCENE = 11, 6
TRUTH = specimen_truth(
    "super 8",
    width=256,
    height=192,
    frames=FRAMES,
    seed=31,
    striped=True,
    bits=8,
    code_values="gamma",
    scenes=(
        SceneTruth(kind="garden", first=0, stop=FIRST_SCENE),
        SceneTruth(kind="sea", first=FIRST_SCENE, stop=40),
    ),
)


@dataclass(frozen=True)
class Finished:
    """What came of a capture."""

    folder: Path

    def pictures(self) -> np.ndarray:
        listing = list_capture(self.folder / "finished.mkv")
        with open_picture(listing) as reader:
            return np.stack([frame.samples for frame in reader.frames(0, listing.count)]).astype(np.float64)

    def sound(self) -> np.ndarray:
        with read_film(self.folder / "finished.mkv") as film:
            return np.concatenate(list(film.sound_blocks()))[:, 0]

    def table(self, name: str, columns: tuple) -> dict:
        return read_table(self.folder / f"{name}.parquet", columns, name).values


def finished(capture: Path, shelf: Path) -> Finished:
    outcome = finish(capture, shelf, Settings(at=AT, workers=1, last_step="prove"))
    assert outcome.exit_code == 0, outcome.findings
    return Finished(Path(outcome.folder))


@pytest.fixture(scope="module")
def base(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("loading")
    write_specimen(base / "right", TRUTH, format="png", reel="right", box_words="", processes=1)
    return base


@pytest.fixture(scope="module")
def right(base) -> Finished:
    return finished(base / "right", base / "shelf")


@pytest.mark.parametrize(
    "way",
    [
        pytest.param("tail first", marks=pytest.mark.campaign),
        pytest.param("head first, flipped", marks=pytest.mark.campaign),
        "tail first, flipped",
    ],
)
def test_put_right_when_stated(base, right, way):
    """The same film: each frame, the copy's order, scenes, stills and sound as of the capture that was loaded rightly.

    Registration is measured anew on turned pictures, so places differ by what capture noise does to them.
    """
    tail, flipped = WAYS[way]["tail"], WAYS[way]["flipped"]
    notes: dict[str, object] = {
        "reel": way.replace(",", "").replace(" ", "-"),
        "loaded": "tail" if tail else "head",
    }
    notes |= {"emulsion_usual": "to the lens", "emulsion": "to the lamp" if flipped else "to the lens"}
    load_otherwise(base / "right", base / notes["reel"], **WAYS[way], notes=notes)
    other = finished(base / str(notes["reel"]), base / "shelf")
    ours, theirs = right.pictures(), other.pictures()
    assert theirs.shape == ours.shape
    inside = (slice(None), slice(8, -8), slice(8, -8))
    off = np.sqrt(((theirs - ours)[inside] ** 2).mean(axis=(1, 2, 3)))
    assert off.max() < 6, off  # of 4095; two frames that follow one another differ by 100 and more
    assert np.sqrt((np.diff(ours, axis=0)[inside] ** 2).mean(axis=(1, 2, 3))).min() > 100
    render, before = other.table("render", RENDER_COLUMNS), right.table("render", RENDER_COLUMNS)
    for name in ("finished_frame", "film_position", "scene", "kind"):
        assert render[name].tolist() == before[name].tolist()
    source = before["source_frame"]
    assert render["source_frame"].tolist() == (FRAMES - 1 - source if tail else source).tolist()
    copies = [each.table("copies", COPY_COLUMNS)["finished_frame"].tolist() for each in (other, right)]
    assert copies[0] == copies[1]
    stills = [json.loads((each.folder / "render.json").read_text())["stills"] for each in (other, right)]
    assert [still[:16] for still in stills[0]] == [still[:16] for still in stills[1]]
    heard, wanted = other.sound(), right.sound()
    assert heard.shape == wanted.shape and np.sqrt(np.mean(wanted**2)) > 0.01
    assert np.sqrt(np.mean((heard - wanted) ** 2)) < 1e-4 * np.sqrt(np.mean(wanted**2))
    checks = {check.name for check in read_json(other.folder / "proof.json", Proof).checks if check.good}
    assert {
        "archive frames equal capture",
        "finished frames equal render",
        "copy shows the right frames",
    } <= checks
