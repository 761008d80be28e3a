"""Unslit double 8: two films in running order, every frame once, and together they are the capture."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loaded_film import WAYS, load_otherwise, turned

from smallgauge.cli import main
from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Settings, finish, finish_reel
from smallgauge.media.frame import Region
from smallgauge.media.picture_in import cut_listing, list_capture, open_picture
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.prove.reel import prove_reel
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal
from smallgauge.record.loading import Loading, loading_from, loading_of_half
from smallgauge.record.reel import Half
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table
from smallgauge.record.treatment import treatment_findings, treatment_of
from smallgauge.record.unslit import UNSLIT, Unslit, unslit_findings
from smallgauge.record.work import silent
from smallgauge.reels import unslit_folder

AT = "2026-01-17T10:00:00Z"
FRAMES, WIDE, HIGH = 12, 600, 190
TRUTH = specimen_truth(
    "unslit double 8",
    width=WIDE,
    height=HIGH,
    frames=FRAMES,
    seed=4,
    bits=8,
    code_values="gamma",
    scenes=(SceneTruth(kind="garden", first=0, stop=7), SceneTruth(kind="sea", first=7, stop=40)),
)


def settings(**changes: object) -> Settings:
    return Settings(**{"at": AT, "workers": 1, **changes})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory) -> Path:
    """A capture of unslit film, taken apart by the command, and both films finished."""
    base = tmp_path_factory.mktemp("unslit")
    write_specimen(base / "roll", TRUTH, format="png", sound=False, reel="roll", box_words="", processes=1)
    outcome = finish(base / "roll", base / "shelf", settings())
    assert outcome.steps == ("analyse",) and "smallgauge unslit" in str(outcome.findings[-1].values)
    assert main(["unslit", str(base / "shelf" / "roll"), "--workers", "1", "--quiet"]) == 0
    for name in ("roll-1", "roll-2"):
        outcome = finish_reel(base / "shelf" / name, settings())
        assert outcome.exit_code == 0 and outcome.proved, outcome.findings
    return base / "shelf"


def pictures(folder: Path) -> np.ndarray:
    """Finished frames, brightness only, a little reduced: what is on them, not their grain."""
    listing = list_capture(folder / "finished.mkv")
    with open_picture(listing) as reader:
        frames = np.stack([frame.samples.mean(axis=2) for frame in reader.frames(0, listing.count)])
    rows, columns = (size // 8 * 8 for size in frames.shape[1:])
    blocks = frames[:, :rows, :columns].reshape(len(frames), rows // 8, 8, columns // 8, 8).mean(axis=(2, 4))
    return (blocks - blocks.mean(axis=(1, 2), keepdims=True)) / blocks.std(axis=(1, 2), keepdims=True)


def test_two_films_in_running_order_every_frame_once(shelf):
    """Both drawn films show the same action: finished frame n of the one is that of the other, and of no other frame."""
    render = [
        read_table(shelf / n / "render.parquet", RENDER_COLUMNS, "render") for n in ("roll-1", "roll-2")
    ]
    assert render[0]["source_frame"].tolist() == list(range(FRAMES))
    assert render[1]["source_frame"].tolist() == list(reversed(range(FRAMES)))
    assert [table["film_position"].tolist() for table in render] == [list(range(FRAMES))] * 2
    assert render[0]["scene"].tolist() == render[1]["scene"].tolist()
    one, two = pictures(shelf / "roll-1"), pictures(shelf / "roll-2")
    rows, columns = (min(a, b) for a, b in zip(one.shape[1:], two.shape[1:], strict=True))
    alike = np.einsum("nij,mij->nm", one[:, :rows, :columns], two[:, :rows, :columns]) / (rows * columns)
    assert np.diag(alike).min() > 0.9, np.diag(alike)
    scene = render[0]["scene"]
    other = scene[:, None] != scene[None, :]
    assert alike[other].max() < 0.8 and (alike.argmax(axis=1) == np.arange(FRAMES)).mean() > 0.7, alike.round(
        2
    )


def test_both_films_add_up_to_the_capture(shelf):
    """Every captured frame is in both films; side by side they are the frame, sample for sample."""
    folder = shelf / "roll"
    paper = read_json(folder / UNSLIT, Unslit)
    capture = read_json(folder / "capture.json", Capture)
    assert unslit_findings(folder, paper, capture) == ()
    assert [film.frames for film in paper.films] == [FRAMES, FRAMES] and paper.wrong == ()
    assert [film.film_frames for film in paper.films] == [FRAMES, FRAMES]
    left, right = (film.half.region for film in paper.films)
    assert (left.left, left.width, right.width) == (0, right.left, WIDE - right.left)
    whole = list_capture(folder / "archive.mkv")
    one, two = cut_listing(whole, left), cut_listing(whole, right)
    with open_picture(whole) as all_of_it, open_picture(one) as first, open_picture(two) as second:
        for n in (0, FRAMES - 1):
            parts = np.hstack([first.read(n).samples, second.read(n).samples])
            assert np.array_equal(parts, all_of_it.read(n).samples)
    for film in (
        paper.films
    ):  # pictures lie as drawn: midway between perforations, by camera jitter of 10 micrometres
        assert abs(film.picture_along_mm) < 0.03
    lost = replace(paper, wrong=(3,))
    assert [f.code for f in unslit_findings(folder, lost, capture)] == ["films do not add up"]
    narrow = replace(right, left=right.left + 1, width=right.width - 1)
    cut = replace(paper.films[1], half=replace(paper.films[1].half, region=narrow))
    assert len(unslit_findings(folder, replace(paper, films=(paper.films[0], cut)), capture)) == 2


def test_each_film_s_proof_says_whose_its_archive_copy_is(shelf):
    for number in (1, 2):
        folder = shelf / f"roll-{number}"
        proof = read_json(folder / "proof.json", Proof)
        checks = {check.name: check for check in proof.checks}
        assert checks["film in the archive copy"].of == f"film {number} of roll"
        assert checks["film in the archive copy"].good and checks["film in the archive copy"].made == FRAMES
        assert checks["archive frames equal capture"].good
        assert "archive of both films" in [finding.code for finding in proof.findings]
        assert (folder / "archive.mkv").samefile(shelf / "roll" / "archive.mkv")  # made once
        treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
        loading = treatment.find("loading").decision
        said = [finding.code for finding in treatment_findings(treatment)]
        assert "loading not sure" in said  # that the roll was not flipped nobody stated
        wanted = Loading() if number == 1 else Loading(turn=180, backwards=True)
        assert loading_from(loading.value) == wanted and "unslit double 8" in loading.why
    journal = shelf / "roll-2" / "work" / "journal.jsonl"
    before = len(journal.read_text().splitlines())
    unslit_folder(shelf / "roll", settings())  # again: what stands is kept
    assert finish_reel(shelf / "roll-2", settings()).exit_code == 0
    made = [json.loads(line)["file"] for line in journal.read_text().splitlines()[before:]]
    assert not {"frames.parquet", "finished.mkv", "render.parquet", "viewing.mp4"} & set(made), made


def test_a_picture_that_is_not_the_film_s_part_of_the_archive_copy_is_found(shelf, tmp_path):
    folder = tmp_path / "roll-2"
    shutil.copytree(shelf / "roll-2", folder)
    capture = read_json(folder / "capture.json", Capture)
    files = tuple(replace(file, digest="0" * 64) if n == 5 else file for n, file in enumerate(capture.files))
    with Crew(1) as crew:
        proved = prove_reel(
            folder,
            source=None,
            capture=replace(capture, files=files),
            journal=Journal(folder),
            runner=crew,
            progress=silent,
        )
    checks = {check.name: (check.made, check.passed) for check in proved.proof.checks}
    assert checks["film in the archive copy"] == (FRAMES, FRAMES - 1)
    assert checks["archive frames equal capture"] == (FRAMES, FRAMES)
    assert [f.values["frame"] for f in proved.proof.findings if f.code == "frame digest differs"] == [5]


@pytest.mark.parametrize("way", WAYS)
def test_whichever_way_the_roll_was_loaded_both_films_come_out_right(way):
    """Places told by their own coordinates: each half's loading undoes what the roll's loading did to it, exactly."""
    y, x = np.mgrid[0:4, 0:8]
    order = np.arange(5)
    frames = np.stack(
        [y * 8 + x + 100 * n for n in order]
    )  # the roll, as it should be: frame n, place (x, y)
    films = {frames[:, :, :4].tobytes(), np.ascontiguousarray(frames[::-1, ::-1, :3:-1]).tobytes()}
    tail, flipped = WAYS[way]["tail"], WAYS[way]["flipped"]
    captured = np.stack([turned(frame, **WAYS[way]) for frame in (frames[::-1] if tail else frames)])
    found = set()
    for film, part in ((1, captured[:, :, :4]), (2, captured[:, :, 4:])):
        region = Region(left=0, top=0, width=4, height=4, of_width=8, of_height=4)
        half = Half(film=film, capture="", capture_digest="", region=region, mirror=flipped, face_stated=True)
        loading = loading_of_half(half)
        move = loading.move(4, 4)
        places = [[move.place(float(a), float(b)) for a in range(4)] for b in range(4)]
        rows = np.array([[int(p[1]) for p in line] for line in places])
        columns = np.array([[int(p[0]) for p in line] for line in places])
        shown = part[::-1] if loading.backwards else part
        found.add(np.ascontiguousarray(shown[:, rows, columns]).tobytes())
    assert found == films


def test_what_can_t_be_taken_apart_is_refused(shelf):
    with pytest.raises(MaterialError, match="Only unslit double 8"):
        unslit_folder(shelf / "roll-1", settings())
    with pytest.raises(CallerError, match="Two films need two"):
        unslit_folder(shelf / "roll", settings(), numbers=("one",))
    with pytest.raises(CallerError, match="number of its own"):
        unslit_folder(shelf / "roll", settings(), numbers=("roll", "other"))
    (shelf / "taken").mkdir()
    shutil.copy(shelf / "roll" / "reel.json", shelf / "taken" / "reel.json")
    with pytest.raises(MaterialError, match="belongs to another reel"):
        unslit_folder(shelf / "roll", settings(), numbers=("taken", "other"))
    assert sorted(path.name for path in (shelf / "taken").iterdir()) == ["reel.json"]
    listing = list_capture(shelf / "roll" / "archive.mkv")
    outside = Region(left=500, top=0, width=200, height=HIGH, of_width=WIDE, of_height=HIGH)
    with pytest.raises(CallerError, match="region must lie"):
        cut_listing(listing, outside)


@pytest.mark.campaign
@pytest.mark.parametrize("way", [way for way in WAYS if way != "head first"])
def test_a_roll_loaded_another_way_gives_the_same_two_films(shelf, tmp_path, way):
    """Through the whole line; what lay left may lie right now, so each film is looked for among both."""
    notes: dict[str, object] = {"reel": "other", "emulsion_usual": "to the lens"}
    notes["emulsion"] = "to the lamp" if WAYS[way]["flipped"] else "to the lens"
    load_otherwise(shelf.parent / "roll", tmp_path / "other", **WAYS[way], notes=notes)
    finish(tmp_path / "other", tmp_path / "shelf", settings())
    _, found = unslit_folder(tmp_path / "shelf" / "other", settings())
    assert found == ()
    films = []
    for name in ("other-1", "other-2"):
        outcome = finish_reel(tmp_path / "shelf" / name, settings())
        assert outcome.exit_code == 0 and "loading not sure" not in [f.code for f in outcome.findings]
        films.append(pictures(tmp_path / "shelf" / name))
    if WAYS[way]["tail"] != WAYS[way]["flipped"]:  # each film lies on the other side
        films.reverse()
    for name, theirs in zip(("roll-1", "roll-2"), films, strict=True):
        ours = pictures(shelf / name)
        rows, columns = (min(a, b) for a, b in zip(ours.shape[1:], theirs.shape[1:], strict=True))
        alike = (ours[:, :rows, :columns] * theirs[:, :rows, :columns]).mean(axis=(1, 2))
        assert alike.min() > 0.97, (way, name, alike)
