"""Whole lines on captures from an independent renderer, against the part of their truth that is given.

Registration is scored as the specimens' own paper says: after removing one constant offset a scene.
"""

import json

import numpy as np
import pytest
from drawn_reels import settings

from smallgauge.line import finish
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.hairtable import read_hairs
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table

STRIPED = pytest.param("super8-striped-18fps", marks=pytest.mark.campaign)  # the longest of the three
NAMES = (STRIPED, "standard8-torn", "super8-faded")


@pytest.fixture(scope="module")
def finished(specimens, tmp_path_factory):
    """Finishes a specimen when it is first asked for: its outcome, its truth."""
    base = tmp_path_factory.mktemp("specimens")
    done = {}

    def get(name):
        if name not in done:
            capture = specimens / name / "capture"
            outcome = finish(capture, base / name, settings())
            truth = json.loads((specimens / name / "truth" / "truth.json").read_text(encoding="utf-8"))
            done[name] = base / name / "capture", outcome, truth
        return done[name]

    return get


def scenes_of(truth):
    starts = truth["scene_starts"]
    return np.searchsorted(starts, np.arange(len(truth["frames"])), side="right") - 1


def rms_without_mean(errors, scenes):
    left = errors.copy()
    for scene in np.unique(scenes):
        left[scenes == scene] -= left[scenes == scene].mean(axis=0)
    return float(np.sqrt((left**2).mean()))


@pytest.mark.parametrize("name", NAMES)
def test_the_line_ends_proven(finished, name):
    folder, outcome, _ = finished(name)
    assert outcome.exit_code == 0
    assert outcome.proved
    assert (folder / "package" / "SHA256SUMS").is_file()


@pytest.mark.parametrize("name", NAMES)
def test_scenes_begin_where_they_do(finished, name):
    folder, _, truth = finished(name)
    scene = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")["scene"]
    assert np.flatnonzero(np.diff(scene, prepend=-1)).tolist() == truth["scene_starts"]


@pytest.mark.parametrize("name", NAMES)
def test_no_hair_is_said_where_none_is(finished, name):
    """The specimens have none in either gate; what may be the scene's own is listed as unsure."""
    folder, outcome, _ = finished(name)
    hairs = read_hairs(folder)
    assert hairs is None or set(hairs["kind"].tolist()) <= {"unsure"}
    assert not [finding for finding in outcome.findings if finding.code.startswith("hairs in")]


@pytest.mark.parametrize("name", NAMES)
def test_the_place_of_each_frame_is_found(finished, name):
    """Within 0.15 px rms of the film-fixed point, torn perforations and all."""
    folder, _, truth = finished(name)
    table = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
    found = np.stack([table["perforation_x_px"], table["perforation_y_px"]], axis=1)
    true = np.array([frame["film_reference"] for frame in truth["frames"]])
    seen = np.isfinite(found).all(axis=1)
    assert seen.all()
    assert rms_without_mean(found - true, scenes_of(truth)) <= 0.15


@pytest.mark.parametrize(
    ("name", "most_px"),
    [
        pytest.param("super8-striped-18fps", 0.1, marks=pytest.mark.campaign),
        ("standard8-torn", 0.15),
        ("super8-faded", 0.15),
    ],
)
def test_the_finished_film_stands_still(finished, name, most_px):
    """The picture lies still in the rendered frames, in all of them, and none is off by 2 px without a flag.

    The program says that the camera gate held these films, so they are scored by the picture.
    """
    folder, _, truth = finished(name)
    table = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    assert (table["place_x_from"] == "gate").mean() > 0.9 and (table["place_y_from"] == "gate").mean() > 0.9
    places = []
    for n in range(len(table)):
        move = np.array([[table[c][n] for c in row] for row in ("abc", "def")], dtype=float)
        point = np.array(truth["frames"][int(table["source_frame"][n])]["picture_centre"]) - move[:, 2]
        places.append(np.linalg.solve(move[:, :2], point))
    scenes = scenes_of(truth)[table["source_frame"]]
    assert rms_without_mean(np.array(places), scenes) <= most_px
    flagged = table["place_doubtful"] | (table["place_sigma_px"] > 1.0)
    for scene in np.unique(scenes):
        here = np.array(places)[scenes == scene]
        off = np.abs(here - np.median(here, axis=0)).max(axis=1)
        assert (off[~flagged[scenes == scene]] < 2.0).all()


@pytest.mark.campaign
def test_the_clap_is_heard_where_it_is_seen(finished):
    """The highest peak of the finished sound lies within a quarter of a frame of the frame of the clap."""
    import av

    folder, _, truth = finished("super8-striped-18fps")
    with av.open(str(folder / "finished.mkv")) as film:
        sound = np.concatenate(
            [f.to_ndarray().reshape(-1, len(f.layout.channels)) for f in film.decode(audio=0)]
        )
    mono = np.abs(sound[:, 0] / 2.0**31)
    rate = truth["camera_fps"]
    heard = float(np.argmax(mono)) / 48_000 * rate
    assert abs(heard - truth["clap_frames"][0]) < 0.25


@pytest.mark.campaign
@pytest.mark.parametrize("film", ["finished.mkv", "viewing.mp4"])
def test_the_clap_is_seen_and_heard_within_10_ms(finished, film):
    """Decoded by FFmpeg alone: the clapper stands still from the frame on in which it is heard to close."""
    import av

    folder, _, _ = finished("super8-striped-18fps")
    with av.open(str(folder / film)) as container:
        shown = [
            (float(f.time), f.to_ndarray(format="gray").astype(float)) for f in container.decode(video=0)
        ]
    with av.open(str(folder / film)) as container:
        begins, parts = None, []
        for frame in container.decode(audio=0):
            begins = float(frame.time) if begins is None else begins
            samples = frame.to_ndarray()
            planar = frame.format.is_planar
            parts.append(samples[0] if planar else samples.reshape(-1, len(frame.layout.channels))[:, 0])
    sound = np.abs(np.concatenate(parts).astype(float))
    heard_s = begins + int(np.argmax(sound)) / 48_000
    times, pictures = np.array([t for t, _ in shown]), np.stack([p for _, p in shown])
    height, width = pictures.shape[1:]
    board = pictures[:, height // 6 : height * 6 // 10, width // 8 : width * 7 // 10]
    moved = np.abs(np.diff(board, axis=0)).mean(axis=(1, 2))  # into frame n + 1
    first, stop = 14, 34  # within one scene, well before and after
    stretch = moved[first:stop]
    closed = first + int(np.flatnonzero(stretch > (stretch.max() + np.median(stretch[-6:])) / 2)[-1]) + 1
    assert abs(times[closed] - heard_s) <= 0.010


@pytest.mark.campaign
def test_the_speed_is_proposed_with_its_evidence(finished):
    """Film hum at 60 Hz and 18 frames a second, told from the 60 Hz of the capture chain; no operator."""
    folder, outcome, truth = finished("super8-striped-18fps")
    first = json.loads((folder / "decisions.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert (first["subject"], first["value"], first["basis"]) == ("camera_speed", {"rate": "18"}, "hum")
    assert "hum recorded with the sound" in first["why"] and "60 Hz" in first["why"]
    hum = json.loads((folder / "track.json").read_text(encoding="utf-8"))["hum"]
    assert hum["refusal"] == ""
    assert hum["cycles_a_frame"] == pytest.approx(60 / truth["camera_fps"], rel=1e-3)
    assert hum["chain_hz"] == pytest.approx(60, abs=0.1)
    codes = [finding.code for finding in outcome.findings]
    assert "camera speed from hum" in codes and "hum of the capture chain" in codes


@pytest.mark.parametrize("name", ["standard8-torn", "super8-faded"])
def test_a_silent_reel_ends_with_a_package_marked_house_value(finished, name):
    folder, outcome, _ = finished(name)
    assert outcome.exit_code == 0
    assert "camera speed house value" in [finding.code for finding in outcome.findings]
    assert "SPEED: HOUSE VALUE" in (folder / "package" / "Read me first.txt").read_text(encoding="utf-8")
    assert "house value" in (folder / "reels.csv").read_text(encoding="utf-8").splitlines()[1]
    assert "Speed: house value" in (folder / "report.html").read_text(encoding="utf-8")
