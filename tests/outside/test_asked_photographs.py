"""Photographs of a whole reel: asked for in three ways, kept in a paper, packed, proved, shut by a hold, taken away again."""

import shutil
from dataclasses import replace

import numpy as np
import pytest
import tifffile
from PIL import Image

from smallgauge.deliver.bag import LONGEST_NAME, bag_parts
from smallgauge.deliver.content import report_content
from smallgauge.deliver.package import plan_parts
from smallgauge.deliver.papers import read_papers
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Settings, decide_on
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.whole import digest_file
from smallgauge.picture.display import srgb_of_display
from smallgauge.prove.bench import Ledger
from smallgauge.prove.fixity import expected_digests
from smallgauge.prove.photographs import check_photographs
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, write_json
from smallgauge.record.journal import Journal
from smallgauge.record.keptstills import ENDINGS, SHEET, STILLS_PAPER, read_stills
from smallgauge.record.marks import MARKS, StillMark
from smallgauge.record.treatment import treatment_of
from smallgauge.stills import StillsAsked, stills_folder

SETTINGS = Settings(at="2026-01-18T10:00:00Z", workers=1)


pytestmark = pytest.mark.campaign  # a reel of its own: too long for every day


@pytest.fixture(scope="module")
def kept(reel, tmp_path_factory):
    """A copy of the reel with a photograph by mark and one by scene; and what the command gave."""
    folder = tmp_path_factory.mktemp("stills") / reel.name
    shutil.copytree(reel, folder)
    mark = StillMark(film_position=5, frame=5, capture=0, by="ot", at=SETTINGS.at, words="Grandmother laughs")
    write_json(folder / MARKS, [mark])
    stills_folder(folder, SETTINGS, StillsAsked(by="mk", marks=True, dated="1968-07-14"))
    return folder, stills_folder(folder, SETTINGS, StillsAsked(by="mk", scenes=(2,), dated="1968~"))


@pytest.fixture
def folder(kept, tmp_path):
    """A copy that may be changed."""
    shutil.copytree(kept[0], tmp_path / "reel", ignore=shutil.ignore_patterns("package", "bag"))
    return tmp_path / "reel"


def checked(folder):
    bench = Ledger()
    capture = read_json(folder / "capture.json", Capture)
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    check_photographs(bench, folder, capture=capture, treatment=treatment, known={})
    return bench


def test_the_paper_says_what_went_into_each(kept):
    folder, paper = kept
    assert paper == read_stills(folder)
    first, second = paper.stills
    assert (first.film_position, first.asked, first.by, first.words) == (
        5,
        "mark",
        "ot",
        "Grandmother laughs",
    )
    assert (second.asked, second.by, second.scene, second.dated) == ("scene", "mk", 2, "1968~")
    for still in paper.stills:
        assert sum(frame.share for frame in still.frames) == pytest.approx(1, abs=1e-4)
        assert (
            still.film_position in {frame.film_position for frame in still.frames} and len(still.frames) > 2
        )
        assert [file.name for file in still.files] == [f"{still.name}{ending}" for ending in ENDINGS]
        assert all(digest_file(folder / file.name) == file.sha256 for file in still.files)


def test_the_frame_alone_is_the_finished_films_frame_and_the_fused_one_shows_the_same(kept):
    folder, paper = kept
    with open_picture(list_capture(folder / "finished.mkv")) as reader:
        for still in paper.stills:
            finished = np.asarray(reader.read(still.film_position).samples) * (
                65535 / 4095
            )  # of 12 bits, dithered
            alone, fused = (
                tifffile.imread(folder / f"{still.name}{e}").astype(np.int64)
                for e in ("-alone.tif", "-fused.tif")
            )
            srgb = srgb_of_display(16)[np.rint(finished).astype(int)].astype(np.int64)
            assert np.abs(alone - srgb).max() <= 28  # one code of 12 bits and a half, by sRGB's steepest
            assert np.std(fused - alone) / 65535 < 0.05 and not np.array_equal(fused, alone)
            jpeg = np.asarray(Image.open(folder / f"{still.name}-fused.jpg"), np.int64)
            assert np.abs(jpeg * 257 - fused).mean() < 400


def test_a_day_stands_in_exif_and_a_guess_does_not(kept):
    folder, paper = kept
    days = [
        Image.open(folder / f"{still.name}-fused.jpg").getexif().get_ifd(0x8769).get(0x9003)
        for still in paper.stills
    ]
    assert days == ["1968:07:14   :  :  ", None]
    said = (folder / f"{paper.stills[1].name}-fused.jpg").read_bytes()
    assert (
        b"<dcterms:created>1968~<" in said
        and "Omas Gärten 1968".encode() in said
        and b"about 1968, said mk" in said
    )


def test_package_bag_and_report_hold_them(kept):
    folder, paper = kept
    papers = read_papers(folder)
    places = {part.of: part.place for part in plan_parts(papers)}
    for still in paper.stills:
        name = still.name.removeprefix("stills/")
        assert places[f"{still.name}-fused.jpg"] == f"Pictures/{name}-fused.jpg"
        assert places[f"{still.name}-alone.tif"] == f"For later/{still.name}-alone.tif"
    assert places[SHEET] == "Pictures/photographs.pdf" and places[STILLS_PAPER] == "For later/stills.json"
    in_bag = {part.of for part in bag_parts(papers)}
    assert {file.name for still in paper.stills for file in still.files} | {SHEET, STILLS_PAPER} <= in_bag
    assert all(
        len(name.rpartition("/")[2]) <= LONGEST_NAME for name in in_bag if name.startswith("stills/frame-")
    )
    content = report_content(papers)
    shown = [still.path.name for still in content.stills]
    assert f"scene-002-{paper.stills[1].film_position:06d}.jpg" not in shown and "scene-001-" in "".join(
        shown
    )  # each once
    assert [still.caption for still in content.stills[:2]] == [
        "Grandmother laughs, 14 July 1968 (photograph, film frame 5)",
        f"Scene 2, about 1968 (photograph, film frame {paper.stills[1].film_position})",
    ]
    assert any(row.place == "For later/stills/" for row in content.files)


def test_the_proof_reads_every_file_and_sees_one_flipped_bit(folder):
    good = checked(folder)
    assert [(c.name, c.made, c.passed) for c in good.checks] == [
        ("photographs", 8, 8)
    ] and good.findings == []
    assert set(expected_digests(folder, Journal(folder))) >= {
        STILLS_PAPER,
        SHEET,
        "stills/frame-000005-fused.tif",
    }
    path = folder / "stills/frame-000005-fused.tif"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    (folder / "stills/frame-000005-alone.jpg").unlink()
    found = checked(folder)
    assert found.checks[0].passed == 6
    assert sorted(f.code for f in found.findings) == ["file digest differs", "file missing"]


def test_a_later_look_is_told_and_does_not_lie_beside_the_old_one(folder):
    decide_on(
        folder, subject="primary", value={"points": [3.0, 0.0, 0.0]}, by="mk", at=SETTINGS.at, why="warmer"
    )
    assert [f.code for f in checked(folder).findings] == ["photographs of another look"]
    with pytest.raises(MaterialError, match=r"run `smallgauge finish`"):
        stills_folder(folder, SETTINGS, StillsAsked(by="mk", frames=(5,)))


@pytest.mark.parametrize("kind", ["film", "files"])
def test_a_hold_shuts_photographs_too(folder, kind):
    before = digest_file(folder / STILLS_PAPER)
    held = replace(SETTINGS, held=lambda shelf, number, asked: "a private matter" if asked == kind else "")
    with pytest.raises(MaterialError, match="a private matter"):
        stills_folder(folder, held, StillsAsked(by="mk", frames=(3,)))
    assert (
        digest_file(folder / STILLS_PAPER) == before
        and not (folder / "stills/frame-000003-fused.jpg").exists()
    )


def test_one_is_taken_away_and_the_others_stay(folder):
    paper = stills_folder(folder, SETTINGS, StillsAsked(by="mk", remove=(5,)))
    assert [still.asked for still in paper.stills] == ["scene"] and checked(folder).findings == []
    assert not list((folder / "stills").glob("frame-000005-*")) and (folder / SHEET).is_file()
    nothing = stills_folder(folder, SETTINGS, StillsAsked(by="mk", remove=(paper.stills[0].film_position,)))
    assert nothing.stills == () and not (folder / SHEET).exists() and checked(folder).checks == []


@pytest.mark.parametrize(
    ("asked", "words"),
    [(StillsAsked(by=" ", marks=True), "initials"), (StillsAsked(by="mk"), "Which photographs"),
     (StillsAsked(by="mk", frames=(3,), dated="July 1968"), "as far as it is known"),
     (StillsAsked(by="mk", frames=(999,)), "no captured picture"),
     (StillsAsked(by="mk", remove=(3,)), "no photograph of film frame 3"),
     (StillsAsked(by="mk", frames=(3,), reach=-1), "reach")],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_one_sentence(kept, asked, words):
    with pytest.raises(CallerError, match=words):
        stills_folder(kept[0], SETTINGS, asked)


def test_a_paper_that_somebody_changed_is_not_built_upon(folder):
    (folder / STILLS_PAPER).write_text((folder / STILLS_PAPER).read_text().replace("Grandmother", "Aunt"))
    with pytest.raises(FixityError, match="not the file that was written"):
        stills_folder(folder, SETTINGS, StillsAsked(by="mk", frames=(3,)))
