"""Calibrating a machine on drawn glass and drawn film, and captures that use what was kept."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_captures import write_film, write_glass

from smallgauge.analyse.calibrate import calibrate_by_film, calibrate_by_graticule
from smallgauge.analyse.source import open_source
from smallgauge.calibration import calibrate
from smallgauge.cli import main
from smallgauge.deliver.words import sentence
from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import STANDARD_8
from smallgauge.gauge.geometry import new_pitch_mm
from smallgauge.line import Settings, finish, machines_beside
from smallgauge.picture.synthetic_graticule import GraticuleTruth
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.filmstate import FilmState
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.machines import EVERY_GAUGE, MachineScale, read_machines, with_scale
from smallgauge.record.table import read_table
from smallgauge.record.work import silent

AT = "2026-01-17T10:00:00Z"
SETTINGS = Settings(at=AT, workers=1)
GLASS = GraticuleTruth(width=400, height=300, period_across_px=25.0, period_along_px=24.9, tilt_deg=0.8)


@pytest.fixture
def glass(tmp_path):
    return write_glass(tmp_path / "glass", GLASS)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    """Fresh standard 8 film of the long pitch at 23.7 micrometres a pixel."""
    return write_film(tmp_path_factory.mktemp("film") / "fresh", shrinkage=0.0)


def test_a_glass_tells_both_directions_and_who_when_and_from_what(glass, tmp_path):
    shelf = tmp_path / "shelf"
    scale, gauge = calibrate(glass, shelf, SETTINGS, machine="bench two", by="m.k.", graticule="0.5")
    assert gauge == EVERY_GAUGE
    assert scale.across_um == pytest.approx(20.0, rel=2e-4)
    assert scale.along_um == pytest.approx(500 / 24.9, rel=2e-4)
    assert 0 < scale.across_sigma_um < 0.02 and 0 < scale.along_sigma_um < 0.02
    assert (scale.width_px, scale.height_px) == (400, 300)
    assert (scale.by, scale.at, scale.told_by) == ("m.k.", AT, "graticule of 0.5 mm") and len(
        scale.capture
    ) == 64
    assert machines_beside(shelf).scale("bench two", "super-8") == scale


def test_two_periods_and_one_gauge(glass, tmp_path):
    scale, gauge = calibrate(
        glass, tmp_path, SETTINGS, machine="bench two", by="mk", gauge="super 8", graticule="0.5x0.498"
    )
    assert gauge == "super-8" and scale.told_by == "graticule of 0.5 x 0.498 mm"
    assert scale.along_um == pytest.approx(20.0, rel=2e-4)
    assert machines_beside(tmp_path).scale("bench two", "standard-8") is None


def test_fresh_film_tells_the_scale_along(film, tmp_path):
    """Nothing is surer than what the film is known by: tolerance of manufacture, or which pitch it has."""
    scale, gauge = calibrate(film, tmp_path, SETTINGS, machine="bench two", by="mk", pitch="3.81")
    assert gauge == "standard-8" and scale.told_by == "standard 8 film, pitch 3.81 mm"
    assert scale.along_um == pytest.approx(23.7, rel=5e-4)
    assert scale.across_um == pytest.approx(23.7, rel=2e-3)
    assert scale.across_sigma_um / scale.across_um == pytest.approx(0.038 / 7.976 / np.sqrt(3), rel=1e-3)
    exact = scale.along_sigma_um
    either, _ = calibrate(film, tmp_path, SETTINGS, machine="bench two", by="mk", pitch="new")
    low, high = new_pitch_mm(STANDARD_8, "new")
    assert either.along_sigma_um / either.along_um == pytest.approx(
        np.hypot(exact / 23.7, (high - low) / (high + low) * 2 / np.sqrt(12)), rel=0.01
    )


def test_a_second_calibration_takes_the_first_one_s_place(glass, tmp_path):
    (tmp_path / "machines.toml").write_text('# ours\n["bench one"]\nsuper-8 = 4.0\n')
    for period in ("0.5", "0.51"):
        calibrate(glass, tmp_path, SETTINGS, machine="bench two", by="mk", graticule=period)
    text = (tmp_path / "machines.toml").read_text()
    assert text.startswith('# ours\n["bench one"]\nsuper-8 = 4.0\n') and text.count("along_um") == 1
    machines = read_machines(text, where="machines.toml")
    assert machines.scale("bench two", None).across_um == pytest.approx(20.4, rel=2e-4)
    assert machines.head_offset("bench one", "super-8") == 4.0


def test_what_is_no_glass_is_refused_in_one_sentence(film, glass, tmp_path):
    with pytest.raises(MaterialError, match=r"must fill the picture .* but no regular lines") as caught:
        calibrate(film, tmp_path, SETTINGS, machine="bench two", by="mk", graticule="1")
    assert str(caught.value).count(". ") == 0
    assert not (tmp_path / "machines.toml").exists()
    source = open_source(glass)
    with pytest.raises(MaterialError, match="state both, across x along"):
        calibrate_by_graticule(source, across_mm=0.5, along_mm=0.25, by="mk", at=AT, progress=silent)


def test_too_few_pitches_and_the_wrong_gauge_are_refused(glass, tmp_path):
    short = write_film(tmp_path / "short", frames=8, shrinkage=0.0)
    with pytest.raises(MaterialError, match="at least 20 frames"):
        calibrate(short, tmp_path, SETTINGS, machine="bench two", by="mk", pitch="long")
    with pytest.raises(MaterialError, match="must show standard 8 film"):
        calibrate(glass, tmp_path, SETTINGS, machine="bench two", by="mk", gauge="standard 8", pitch="long")


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({}, "either --graticule MM or --pitch"),
        ({"graticule": "0.5", "pitch": "long"}, "either --graticule MM or --pitch"),
        ({"graticule": "half"}, "--graticule needs"),
        ({"graticule": "-1"}, "above 0"),
        ({"graticule": "0.5", "machine": " "}, "--machine NAME"),
        ({"pitch": "long"}, "has a gauge"),
        ({"pitch": "short", "gauge": "9.5 mm"}, "one pitch only"),
        ({"pitch": "4..3", "gauge": "super 8"}, "known pitch"),
        ({"pitch": "wide", "gauge": "super 8"}, "--pitch needs"),
    ],
)
def test_nonsense_is_refused_before_any_work(glass, tmp_path, options, why):
    values = {"machine": "bench two", "by": "mk", **options}
    with pytest.raises(CallerError, match=why):
        calibrate(glass, tmp_path, SETTINGS, **values)


def test_the_command_says_what_it_kept(glass, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1768644000")
    words = [
        "calibrate",
        str(glass),
        "--out",
        str(tmp_path),
        "--machine",
        "bench two",
        "--by",
        "mk",
        "--quiet",
    ]
    assert main([*words, "--graticule", "0.5"]) == 0
    said = capsys.readouterr().out
    assert "bench two, every gauge: 20.0" in said and "400 x 300 pixels" in said
    assert main([*words, "--graticule", "0.5", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["scale"]["across_um"] == pytest.approx(20.0, rel=2e-4)
    assert main([*words, "--graticule", "x"]) == 2
    assert main(words) == 2


def keep(shelf, along_um=23.7):
    """machines.toml as `calibrate` would leave it for this film."""
    scale = MachineScale(
        along_um=along_um, along_sigma_um=0.003, across_um=23.7, across_sigma_um=0.06, width_px=384, height_px=288,
        told_by="standard 8 film, pitch 3.81 mm", by="mk", at=AT, capture="5a" * 32)  # fmt: skip
    text = with_scale("", machine="bench two", gauge="standard-8", scale=scale, where="machines.toml")
    (shelf / "machines.toml").write_text(text)


def opened(film, shelf, *stated):
    return open_source(film, stated=stated, machines=machines_beside(shelf))


def test_captures_use_the_machine_s_scale_unless_they_state_one(film, tmp_path):
    keep(tmp_path)
    kept = opened(film, tmp_path, "machine=bench two")
    scale = kept.scale("standard-8")
    assert scale.along_um == pytest.approx(23.7, rel=5e-4) and scale.machine == "bench two"
    assert "calibrated 2026-01-17 by mk" in scale.words and 0 < scale.along_sigma < 0.001
    assert [f.code for f in kept.scale_findings("standard-8")] == ["machine scale used"]
    stated = opened(film, tmp_path, "machine=bench two", "micrometres_per_pixel=20.0")
    assert stated.scale("standard-8").along_um == 20.0 and stated.scale("standard-8").machine == ""
    assert [f.code for f in stated.scale_findings("standard-8")] == ["scale stated over the machine's"]
    other = opened(film, tmp_path, "machine=bench one")
    assert other.scale("standard-8") is None and other.scale_findings("standard-8") == ()
    assert kept.scale("super-8") is None, "kept for one gauge"


def test_a_new_calibration_is_measured_anew_and_a_stated_scale_is_not(film, tmp_path):
    keep(tmp_path)
    before = opened(film, tmp_path, "machine=bench two").measured_with
    stated = opened(film, tmp_path, "machine=bench two", "micrometres_per_pixel=20.0").measured_with
    nobody = opened(film, tmp_path).measured_with
    keep(tmp_path, 23.6)
    assert opened(film, tmp_path, "machine=bench two").measured_with != before
    assert opened(film, tmp_path, "machine=bench two", "micrometres_per_pixel=20.0").measured_with == stated
    assert opened(film, tmp_path).measured_with == nobody == open_source(film).measured_with


def test_a_scale_of_pictures_of_another_size_is_not_used(film, glass, tmp_path):
    calibrate(glass, tmp_path, SETTINGS, machine="bench two", by="mk", graticule="0.5")
    source = opened(film, tmp_path, "machine=bench two")
    assert source.scale("standard-8") is None
    (finding,) = source.scale_findings("standard-8")
    assert finding.code == "machine scale not used" and finding.weight == "finding"
    assert finding.values["needed"] == "400 x 300" and finding.values["found"] == "384 x 288"


def test_film_that_is_unreadable_is_said(tmp_path, film):
    source = open_source(film)
    with pytest.raises(CallerError, match="known pitch"):
        calibrate_by_film(
            source, gauge=STANDARD_8, pitch_mm=(0.0, 1.0), words="", by="mk", at=AT, progress=silent
        )


def test_old_film_is_measured_against_the_kept_scale(tmp_path):
    """The whole chain, no scale stated: shrinkage to 0.05 percentage point of the truth, told by band with its source."""
    keep(tmp_path)
    old = write_film(tmp_path / "old", shrinkage=0.0093, seed=5)
    outcome = finish(
        old, tmp_path, Settings(at=AT, workers=1, last_step="analyse", stated=("machine=bench two",))
    )
    capture = read_json(Path(outcome.folder) / "capture.json", Capture)
    assert capture.scale.machine == "bench two"
    shrinkage = read_json(Path(outcome.folder) / "film.json", FilmState).shrinkage
    assert 1 - shrinkage.pitch_um / 3810 == pytest.approx(0.0093, abs=0.0005)
    assert shrinkage.low < 0.0093 < shrinkage.high and shrinkage.band == "above"
    assert shrinkage.low_across < 0.0093 < shrinkage.high_across
    codes = {finding.code: finding for finding in outcome.findings}
    assert {"machine scale used", "film shrunk"} <= set(codes)
    assert "DARTMOUTH" in sentence(codes["film shrunk"]) and "last word" in sentence(codes["film shrunk"])
    frames = read_table(Path(outcome.folder) / "frames.parquet", FRAME_COLUMNS, "frames")
    assert np.nanmedian(frames["shrinkage_low"]) < 0.0093 < np.nanmedian(frames["shrinkage_high"])
    assert np.isfinite(frames["film_width_px"]).all()
