"""Reels joined in the client's order: what is shown, what is left off and by whose word, and what the proof finds."""

import json
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from drawn_order import AT, Drawn, draw, write_reel

from smallgauge.cli import main
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Settings
from smallgauge.media.film_in import read_film
from smallgauge.picture.blank import find_blank, measure_blank
from smallgauge.programme import make_programme, propose_programme
from smallgauge.proving import prove_folder
from smallgauge.record.files import read_json
from smallgauge.record.programme import PROGRAMME_COLUMNS, ProgrammePaper, read_wishes
from smallgauge.record.table import read_table

LEADERED = Drawn(
    "0000013-R01-3",
    (("bare", 6), ("written", 4), ("bare", 2), ("picture", 10), ("fogged picture", 4), ("fogged", 5)),
    tone_db=-30.0,
)
EVEN = Drawn("0000013-R02-1", (("picture", 20),), rate=Fraction(25), tone_db=-12.0)
SILENT = Drawn("0000013-R03-7", (("picture", 20),), rate=Fraction(50, 3))
SETTINGS = Settings(at=AT, workers=1)


@pytest.fixture(scope="module")
def reels(tmp_path_factory):
    shelf = tmp_path_factory.mktemp("shelf")
    for drawn in (LEADERED, EVEN, SILENT):
        write_reel(shelf, drawn)
    return shelf


@pytest.fixture
def shelf(reels, tmp_path):
    return Path(shutil.copytree(reels, tmp_path / "shelf"))


def wish(shelf, *names, more="", order=True, **changes):
    """Propose, and write into the proposal what the client says."""
    folder = shelf / "order"
    propose_programme(folder, [shelf / name for name in names], SETTINGS)
    text = (folder / "programme.toml").read_text(encoding="utf-8")
    if order:
        text = text.replace('order_by = ""', 'order_by = "Mrs Example"').replace(
            'order_on = ""', 'order_on = "2026-01-16"'
        )
    for key, (before, after) in changes.items():
        assert before in text, key
        text = text.replace(before, after)
    (folder / "programme.toml").write_text(text + more, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("kind", "blank"),
    [("bare", True), ("fogged", True), ("written", False), ("fogged picture", False), ("picture", False)],
)
def test_what_a_frame_holds(kind, blank):
    found = [
        find_blank(measure_blank(draw(kind, n, seed=seed), bits=12)) for n in range(4) for seed in (3, 8)
    ]
    assert found == [blank] * 8


def test_bare_ends_are_proposed_and_writing_and_fogged_pictures_stay(shelf):
    folder = wish(shelf, LEADERED.name, EVEN.name)
    first, second = read_wishes(folder / "programme.toml").reels
    assert [(t.first, t.stop, t.by) for t in first.trims] == [(0, 6, "program"), (26, 31, "program")]
    assert second.trims == ()
    assert not (folder / "programme.mp4").exists()
    with pytest.raises(CallerError, match="never written over"):
        propose_programme(folder, [shelf / EVEN.name], SETTINGS)


def test_a_programme_is_what_was_wished_and_is_proved(shelf):
    read = 'read_by = "Mrs Example"\nread_on = 2026-01-16\nseconds = 1\n'
    more = f'\n[[card]]\nbefore = "0000013-R02-1"\nwords = "Zürich, Łódź 1968"\n{read}'
    folder = wish(shelf, SILENT.name, LEADERED.name, EVEN.name, more=more)
    outcome = make_programme(folder, SETTINGS)
    assert outcome.proved and outcome.exit_code == 0, outcome.findings
    paper = read_json(folder / "programme.json", ProgrammePaper)
    assert [r.number for r in paper.reels] == [SILENT.name, LEADERED.name, EVEN.name]
    assert [r.even for r in paper.reels] == [False, False, True] and not paper.packets
    table = read_table(folder / "programme.parquet", PROGRAMME_COLUMNS, "programme")
    own = table["reel"] == 1
    # Source of the expected pattern: floor(j 18/25) of the whole reel, frames 0 to 5 and 26 to 30 taken out.
    laid = np.arange(44) * 18 // 25
    assert table["finished_frame"][own].tolist() == [n for n in laid.tolist() if 6 <= n < 26]
    assert table["finished_frame"][table["reel"] == 2].tolist() == list(range(20))
    assert int((table["reel"] == -1).sum()) == 25
    assert [title for _, _, title in paper.chapters] == [
        f"{name}: The garden" for name in (SILENT.name, LEADERED.name, EVEN.name)
    ]
    with read_film(folder / "programme.mp4") as film:
        assert (film.count, film.rate, film.chapters[1][2]) == (
            paper.frames,
            25,
            f"{LEADERED.name}: The garden",
        )
        assert abs(film.sound_samples - paper.frames * 1920) <= 2048
    page = (folder / "package" / "Start here.html").read_text(encoding="utf-8")
    assert "Zürich, Łódź 1968" in page and "Film frames 0 to 5 are left off" in page and "Mrs Example" in page
    again = folder / "programme.mp4"
    before = again.read_bytes()
    shutil.rmtree(folder / "work")
    again.unlink()
    make_programme(folder, SETTINGS)
    assert again.read_bytes() == before


def test_levels_are_even_and_peaks_are_kept(shelf):
    folder = wish(shelf, LEADERED.name, EVEN.name)
    make_programme(folder, SETTINGS)
    paper = read_json(folder / "programme.json", ProgrammePaper)
    for reel in paper.reels:
        # A steady tone: the noise floor that is measured is the tone itself, which only holds back a gain above 0.
        assert reel.true_peak_dbtp + reel.gain_db <= -1.0
        assert reel.limit in ("target", "noise floor")
    assert paper.reels[1].loudness_lufs + paper.reels[1].gain_db == pytest.approx(-18.0, abs=0.02)


def test_copies_of_one_recipe_are_joined_by_their_packets(shelf):
    other = Drawn("0000013-R04-9", (("picture", 12),), rate=Fraction(25), tone_db=-12.0)
    write_reel(shelf, other)
    folder = wish(shelf, EVEN.name, other.name)
    assert make_programme(folder, SETTINGS).proved
    assert read_json(folder / "programme.json", ProgrammePaper).packets


def test_a_reel_left_out_is_kept_and_told(shelf):
    said = '\nleft_out_by = "Mrs Example"\nleft_out_on = "2026-01-16"\nleft_out_why = "private"\n'
    title = f'title = "{SILENT.name}"\n'
    folder = wish(shelf, EVEN.name, SILENT.name, out=(title, title + said))
    outcome = make_programme(folder, SETTINGS)
    paper = read_json(folder / "programme.json", ProgrammePaper)
    assert outcome.proved and [r.number for r in paper.reels] == [EVEN.name]
    page = (folder / "package" / "Start here.html").read_text(encoding="utf-8")
    assert "is in no copy, at the word of Mrs Example" in page and "kept, proved and returned" in page
    (shelf / SILENT.name / "finished.mkv").unlink()
    found = prove_folder(folder, SETTINGS, source=None)
    assert "reel left out not kept" in {f.code for f in found.findings}


def test_the_package_is_proved_without_the_reels(shelf, tmp_path):
    folder = wish(shelf, EVEN.name)
    make_programme(folder, SETTINGS)
    stamp = (folder / "programme.mp4").stat().st_mtime_ns
    make_programme(folder, SETTINGS)
    assert (folder / "programme.mp4").stat().st_mtime_ns == stamp  # what stands is kept
    stick = Path(shutil.copytree(folder / "package", tmp_path / "stick"))
    outcome = prove_folder(stick, SETTINGS, source=None)
    assert outcome.exit_code == 0 and "check not made" in {f.code for f in outcome.findings}
    film = next((stick / "Watch these").glob("*.mp4"))
    data = bytearray(film.read_bytes())
    data[len(data) // 2] ^= 1
    film.write_bytes(data)
    assert prove_folder(stick, SETTINGS, source=None).exit_code == 4


@pytest.fixture(scope="module")
def leadered(reels, tmp_path_factory):
    """A shelf with a programme of one reel, made once; tests that harm it work on a copy."""
    shelf = Path(shutil.copytree(reels, tmp_path_factory.mktemp("leadered") / "shelf"))
    make_programme(wish(shelf, LEADERED.name), SETTINGS)
    return shelf


@pytest.mark.parametrize(
    "fault",
    [
        "another frame",
        pytest.param("frames that are not there", marks=pytest.mark.campaign),
        "a picture left off by the program",
        pytest.param("reel rendered again", marks=pytest.mark.campaign),
    ],
)
def test_the_proof_finds(leadered, tmp_path, fault):
    folder = Path(shutil.copytree(leadered, tmp_path / "shelf")) / "order"
    path = folder / "programme.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    if fault == "a picture left off by the program":
        document["reels"][0]["trims"][0]["stop"] = 8
        wanted = {"frame left off holds something", "programme not as told"}
    elif fault in ("another frame", "frames that are not there"):
        import polars as pl

        step = 3 if fault == "another frame" else 300
        rows = pl.read_parquet(folder / "programme.parquet")
        meta = pl.read_parquet_metadata(folder / "programme.parquet")
        shifted = rows.with_columns(
            (pl.col("finished_frame") + step).cast(pl.Int32), (pl.col("film_position") + step).cast(pl.Int32)
        )
        shifted.write_parquet(
            folder / "programme.parquet", metadata={k: v for k, v in meta.items() if k != "ARROW:schema"}
        )
        wanted = {"file digest differs", "programme not as told"}
    else:
        document["reels"][0]["frames_key"] = "0" * 64
        wanted = {"programme is of other frames"}
    path.write_text(json.dumps(document), encoding="utf-8")
    outcome = prove_folder(folder, SETTINGS, source=None)
    assert not outcome.proved and wanted <= {f.code for f in outcome.findings}


@pytest.mark.parametrize(
    ("more", "change", "said"),
    [
        ('[[card]]\nbefore = "0000013-R02-1"\nwords = "Mum"\n', None, "read_by"),
        (
            '[[card]]\nbefore = "nothing"\nwords = "M"\nread_by = "a"\nread_on = "2026-01-16"\n',
            None,
            "no such reel",
        ),
        ("colour = 1\n", None, "not known"),
        ("", ("Mrs Example", ""), "order_by"),
        ("", ('rate = "25"', 'rate = "12"'), "never blended"),
        (
            '[[reel.trim]]\nfirst = 90\nstop = 95\nby = "mk"\non = "2026-01-16"\nwhy = "w"\n',
            None,
            "no film frames",
        ),
        ("[[reel.trim]]\nfirst = 0\nstop = 3\n", None, "why"),
        (
            '[[reel.trim]]\nfirst = 0\nstop = 99\nby = "mk"\non = "2026-01-16"\nwhy = "w"\n',
            None,
            "leave nothing",
        ),
        ('left_out_by = "Mrs Example"\n', None, "left_out_why"),
    ],
)
def test_what_can_not_be_is_refused_in_words(shelf, more, change, said):
    folder = wish(shelf, EVEN.name, more=more, **({"it": change} if change else {}))
    with pytest.raises(MaterialError, match=said):
        make_programme(folder, SETTINGS)
    assert not (folder / "programme.mp4").exists()


def test_the_command_line(shelf, capsys):
    folder = shelf / "order"
    assert main(["programme", str(shelf / EVEN.name), "--out", str(folder), "--json", "--quiet"]) == 0
    assert json.loads(capsys.readouterr().out)["wishes"]["rate"] == "25"
    assert main(["programme", str(folder), "--quiet"]) == 3
    assert "order_by" in capsys.readouterr().err
    assert main(["programme", str(shelf / EVEN.name), str(folder)]) == 2
