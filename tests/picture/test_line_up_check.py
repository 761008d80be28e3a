"""Go or no-go of a machine on drawn captures: each fault alone gives exactly its reason."""

import json

import cv2
import numpy as np
import pytest

from smallgauge.calibration import line_up
from smallgauge.cli import main
from smallgauge.deliver.lineup_words import NO_GO_WORDS, line_up_check_words
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Settings
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.lineup import LIMITS
from smallgauge.picture.lineup_check import CHECK_LIMITS, SUBJECTS, measure_light_field, measure_weave
from smallgauge.picture.sensor import find_sensor_spots
from smallgauge.picture.synthetic import draw_frame, frame_truth, specimen_truth
from smallgauge.picture.synthetic_graticule import GraticuleTruth, draw_graticule
from smallgauge.record.lineups import LINE_UPS_FILE, read_line_ups

FRAMES = 9
SETTINGS = Settings(at="2026-01-17T10:00:00Z", workers=1)
TRUTH = specimen_truth(
    "super-8", width=560, height=428, frames=FRAMES, seed=3, fast_noise=True, tilt_deg=0.1,
    weave_um=(8.0, 10.0), drift_um=(0.0, 0.0), lens_blur_px=0.7, start_exposures=(),
)  # fmt: skip
HOLE_X = round(frame_truth(TRUTH, 0).perforations[0].x_px)


@pytest.fixture(scope="module")
def good():
    """Nine frames of a machine in good order: Super 8 at 17 micrometres a pixel."""
    return [draw_frame(TRUTH, number).samples for number in range(FRAMES)]


def write(folder, frames, words='gauge = "super 8"\n'):
    folder.mkdir(parents=True)
    for number, samples in enumerate(frames):
        write_capture_frame(folder / f"frame_{number:06d}.png", np.ascontiguousarray(samples), bits=16)
    (folder / "capture.toml").write_text('code_values = "linear"\n' + words)
    return folder


def turned(samples, degrees):
    height, width = samples.shape[:2]
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), degrees, 1.0)
    return cv2.warpAffine(
        samples, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


def moved(samples, x, y):
    matrix = np.float32([[1, 0, x], [0, 1, y]])
    return cv2.warpAffine(samples, matrix, samples.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)


def soft_on_the_right(samples):
    """Nothing is sharp any more from the middle of the perforation on."""
    soft = cv2.GaussianBlur(samples, (0, 0), 1.9)
    return np.concatenate([samples[:, :HOLE_X], soft[:, HOLE_X:]], axis=1)


def clear_leader(samples, fall=1.0):
    """The same film with nothing in the picture; the light falls to `fall` at the right edge."""
    width = samples.shape[1]
    light = np.full(samples.shape, 0.55) * np.linspace(1.0, fall, width)[None, :, None]
    picture = np.arange(width)[None, :, None] > HOLE_X + 36
    out = np.where(picture, light * 65535, samples)
    return (out + np.random.default_rng(2).normal(0, 200, out.shape)).clip(0, 65535).astype(np.uint16)


def wandering(frames):
    way = np.random.default_rng(4).normal(0, (12.0, 12.0), (len(frames), 2))
    return [moved(each, *np.clip(step, -20, 20)) for each, step in zip(frames, way)]


FAULTS = {
    "": lambda frames: frames,
    "tilt": lambda frames: [turned(each, 1.6) for each in frames],
    "focus": lambda frames: [cv2.GaussianBlur(each, (0, 0), 1.9) for each in frames],
    "light level": lambda frames: [each // 3 for each in frames],
    "clipping": lambda frames: [
        np.minimum(each.astype(np.uint32) * 16, 65535).astype(np.uint16) for each in frames
    ],
    "weave": wandering,
    "focus of the sides": lambda frames: [soft_on_the_right(each) for each in frames],
    "perforations": lambda frames: [moved(each, 34 - HOLE_X, 0)[:, :-20] for each in frames],
    "picture": lambda frames: [each[:, :-130] for each in frames],
    "scale": lambda frames: [
        cv2.resize(each, None, fx=0.72, fy=0.72, interpolation=cv2.INTER_AREA) for each in frames
    ],
}


EVERY_DAY = ("", "tilt", "focus")  # the others are campaigns: seconds each


@pytest.mark.parametrize(
    "fault", [pytest.param(each, marks=() if each in EVERY_DAY else pytest.mark.campaign) for each in FAULTS]
)
def test_each_fault_alone_gives_its_reason(good, fault, tmp_path):
    folder = write(tmp_path / "leader", FAULTS[fault](good))
    paper, before = line_up(folder, tmp_path / "shelf", SETTINGS, machine="bench two", by="mk")
    print(*line_up_check_words(paper), sep="\n")
    assert tuple(each.subject for each in paper.no_go) == ((fault,) if fault else ())
    assert paper.go is not bool(fault) and before is None and paper.frames == FRAMES
    assert read_line_ups(tmp_path / "shelf") == (paper,)


def test_perforations_out_of_view_are_a_no_go_and_no_crash(good, tmp_path):
    folder = write(tmp_path / "cut", [each[:, 150:] for each in good])
    paper, _ = line_up(folder, tmp_path, SETTINGS, machine="bench two", by="mk")
    assert [(each.subject, each.figures) for each in paper.no_go] == [("perforations", ())]
    assert line_up_check_words(paper)[1].startswith("- The perforations are not wholly in view. Move")


@pytest.mark.campaign
def test_light_field_of_clear_leader(good, tmp_path):
    shelf = tmp_path / "shelf"
    for name, fall in (("even", 0.97), ("uneven", 0.4)):
        folder = write(tmp_path / name, [clear_leader(each, fall) for each in good])
        paper, before = line_up(folder, shelf, SETTINGS, machine="bench two", by="mk", clear=True)
        assert [each.subject for each in paper.no_go] == ([] if fall > 0.9 else ["light field"])
    assert before == read_line_ups(shelf)[0] and len(read_line_ups(shelf)) == 2
    field = next(each for each in paper.figures if each.name == "light field")
    assert 0.4 <= field.value < 0.75
    assert any(
        line.startswith("light field") and "(2026-01-17: 0.9" in line
        for line in line_up_check_words(paper, before)
    )


@pytest.mark.campaign
def test_spots_that_stand_still(good, tmp_path):
    """Dust on the sensor is in every frame at one place; specks on the film are not counted."""
    random = np.random.default_rng(6)
    frames = [clear_leader(each, 0.97) for each in good]
    for each in frames:
        for x, y in random.integers((HOLE_X + 80, 120), (440, 300), (3, 2)):
            each[y : y + 3, x : x + 3] //= 3  # on the film
        for x, y in ((250, 150), (300, 220), (350, 260), (380, 180)):
            each[y : y + 3, x : x + 3] = each[y : y + 3, x : x + 3] * 0.7
    folder = write(tmp_path / "dusty", frames)
    paper, _ = line_up(folder, tmp_path, SETTINGS, machine="bench two", by="mk", clear=True)
    assert [each.subject for each in paper.no_go] == ["sensor"]
    assert next(each.value for each in paper.figures if each.name == "sensor spots") == 4


def test_spots_where_they_are():
    light = 0.4 + np.random.default_rng(2).normal(0, 2e-3, (200, 260)).astype(np.float32)
    light *= np.linspace(1.0, 0.7, 260, dtype=np.float32)
    light[60, 90] *= 1.4  # hot
    light[120:125, 200:205] *= 0.9
    assert find_sensor_spots(light[:20], area=(0, 0, 259, 19), frames=50) == ()
    hot, dust = find_sensor_spots(light, area=(0, 0, 259, 199), frames=50)
    assert (round(hot.x_px), round(hot.y_px), hot.pixels) == (90, 60, 1)
    assert hot.depth == pytest.approx(0.4, abs=0.03)
    assert (round(dust.x_px), round(dust.y_px)) == (202, 122) and dust.depth == pytest.approx(-0.1, abs=0.03)
    assert find_sensor_spots(light, area=(np.nan, 0, 9, 9), frames=50) == ()
    with pytest.raises(CallerError):
        find_sensor_spots(light, area=(0, 0, 9, 9), frames=2)


@pytest.mark.campaign
def test_the_head_distance_of_a_test_loop(good, tmp_path, capsys):
    """Common practice, no source: the sound of Super 8 lies 18 frames ahead; this machine's head is 4 frames from the gate."""
    folder = write(tmp_path / "loop", good)
    (folder / "frames.csv").write_text(
        "frame,time_s\n" + "".join(f"{n},{2 + n / 18:.6f}\n" for n in range(FRAMES))
    )
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    given = [str(folder), "--out", str(shelf), "--machine", "bench two", "--by", "mk", "--quiet"]
    heard = ["--mark", f"1={2 + 5 / 18:.6f}", "--mark", f"2={2 + 6 / 18:.6f}"]
    assert main(["line-up", *given, *heard]) == 0
    assert "head distance: 4 frames, look" in capsys.readouterr().out
    for kept, code in ((4.2, 0), (6.0, 1)):
        (shelf / "machines.toml").write_text(f'["bench two"]\nsuper-8 = {kept}\n')
        assert main(["line-up", *given, *heard, "--json"]) == code
        paper = json.loads(capsys.readouterr().out)
        assert [each["subject"] for each in paper["no_go"]] == (["head distance"] if code else [])
    assert main(["line-up", *given, "--mark", "1"]) == 2
    assert main(["line-up", *given, "--mark", "1=900"]) == 2
    assert len(read_line_ups(shelf)) == 3  # what was refused is not kept
    with (shelf / LINE_UPS_FILE).open("a") as file:
        file.write('{"machine": "torn')
    assert len(read_line_ups(shelf)) == 3


@pytest.mark.parametrize(
    ("tilt", "period", "no_go"), [(0.1, 33.0, []), (1.5, 33.0, ["tilt"]), (0.1, 22.0, ["scale"])]
)
def test_a_graticule_tells_tilt_and_scale(tilt, period, no_go, tmp_path):
    truth = GraticuleTruth(
        width=400, height=300, period_across_px=period, period_along_px=period, tilt_deg=tilt
    )
    light = np.repeat((draw_graticule(truth) * 65535).astype(np.uint16)[:, :, None], 3, axis=2)
    folder = write(tmp_path / "glass", [light], words="")
    paper, _ = line_up(folder, tmp_path, SETTINGS, machine="bench two", by="mk", graticule="0.5")
    assert [each.subject for each in paper.no_go] == no_go and paper.gauge == "every gauge"
    assert {each.name: each.value for each in paper.figures}["scale across"] == pytest.approx(
        500 / period, rel=1e-3
    )


def test_what_is_refused(good, tmp_path):
    folder = write(tmp_path / "short", good[:3])
    with pytest.raises(MaterialError, match="at least 9 frames"):
        line_up(folder, tmp_path, SETTINGS, machine="bench two", by="mk")
    with pytest.raises(CallerError, match="signed"):
        line_up(folder, tmp_path, SETTINGS, machine="", by="mk")
    with pytest.raises(CallerError, match="a run of its own"):
        line_up(folder, tmp_path, SETTINGS, machine="bench two", by="mk", graticule="0.5", clear=True)
    assert not (tmp_path / LINE_UPS_FILE).exists()


def test_every_subject_has_words_and_known_figures():
    assert set(NO_GO_WORDS) == set(SUBJECTS)
    assert {name for names in SUBJECTS.values() for name in names} <= {*LIMITS, *CHECK_LIMITS}
    assert np.isnan(measure_weave(np.zeros((3, 2)), um_across=1, um_along=1)).all()
    assert np.isnan(measure_light_field(np.ones((8, 8), np.float32), area=(0, 0, 4, 4)))
