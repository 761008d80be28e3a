"""Sound and picture at the bench: the wave, slices and pairs, held to claps that were drawn at known frames.

Truth: the machine's head stands 12 frames after its gate and the stripe lies 18 ahead of its picture, so sound that nothing lays
yet is heard 6 frames early. Samples are read back by libsndfile, for itself.
"""

import io
import shutil
import subprocess
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from numbered_reel import AT, CLAPS, NAME, PLACES
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient
from test_access import findings
from test_browser import COLOURS

from smallgauge.line import decide_on
from smallgauge.record.decided import decided_value
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.soundfaults import read_faults
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.render.plan import plan_rendering
from smallgauge.render.track import for_viewing, render_track
from smallgauge.sound.speed import SoundMap
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.sound_lies import Lies, lies_of
from smallgauge.workbench.wave import BLOCK, CapturedWave

REEL = f"/api/reel/{NAME}"
FRAMES, RATE = 36, 18
EARLY = 6  # frames, while nothing lays the sound
QUARTER_MS = 1000 / RATE / 4


def client_of(shelf) -> TestClient:
    return TestClient(make_app(Shelf(shelf), Hand(), lambda: AT)[0])


@pytest.fixture(scope="module")
def bench(sounding_shelf):
    return client_of(sounding_shelf)


@pytest.fixture
def shelf(sounding_shelf, tmp_path):
    shutil.copytree(sounding_shelf.parent / "capture", tmp_path / "capture")
    return shutil.copytree(sounding_shelf, tmp_path / "shelf")


def wave_of(bench, **asked) -> np.ndarray:
    return np.frombuffer(bench.get(f"{REEL}/sound/peaks", params=asked).content, "<f4").reshape(-1, 2)


def loudest(bench, first: int, stop: int, parts_a_frame: int = 20) -> float:
    """Where the wave of a stretch is highest, in frames."""
    wave = wave_of(bench, first=first, stop=stop, parts=parts_a_frame * (stop - first))
    return first + float(np.abs(wave).max(axis=1).argmax()) / parts_a_frame


def clap_second(shelf, clap: int) -> float:
    """When a clap is heard in the captured file itself: its loudest sample of the second half of the way to the next."""
    samples, rate = soundfile.read(shelf / NAME / "archive.wav")
    near = int((2.0 + (clap - EARLY - 4) / RATE) * rate)  # the scan runs at 18 frames a second from second 2
    return (near + int(np.abs(samples[near : near + rate // 2]).argmax())) / rate


def pair(bench, row, sound_s=None, *, keep=True, by="mk", why="a clap", **other):
    stamp = bench.get(f"{REEL}/frame/{row}").json()["stamp"]
    revision = bench.get(REEL).json()["revision"]
    body = {"row": row, "stamp": stamp, "revision": revision, "by": by, "why": why, "keep": keep}
    body |= {} if sound_s is None else {"sound_s": sound_s}
    return bench.post(f"{REEL}/pair", json={**body, **other})


def test_a_silent_reel_says_so(numbered_shelf):
    bench = client_of(numbered_shelf)
    told = bench.get(f"{REEL}/sound").json()
    assert (told["how"], told["words"], told["pairs"]) == (
        "none",
        "This reel was captured without sound.",
        [],
    )
    for address in ("peaks", "rows", "moment", "steps/3", "slice/3"):
        refused = bench.get(f"{REEL}/sound/{address}")
        assert refused.status_code == 400 and "without sound" in refused.json()["error"], address
    assert pair(bench, 3, 1.0).status_code == 400


def test_the_wave_is_that_of_the_samples(bench, sounding_shelf):
    samples, rate = soundfile.read(sounding_shelf / NAME / "archive.wav")
    wave = wave_of(bench, parts=FRAMES)
    assert wave.shape == (FRAMES, 2) and np.isfinite(wave).all()
    for row in (0, 7, 20, 35):  # unmoved, at 18 frames a second from second 2
        first, stop = (int((2.0 + each / RATE) * rate) for each in (row, row + 1))
        inside, around = samples[first + 2 : stop - 1], samples[first - 2 : stop + 3]
        assert around.min() - 1e-6 <= wave[row, 0] <= inside.min() + 1e-6
        assert inside.max() - 1e-6 <= wave[row, 1] <= around.max() + 1e-6
    for clap in CLAPS:
        assert loudest(bench, clap - EARLY - 4, clap - EARLY + 5) == pytest.approx(clap - EARLY, abs=0.25)


def test_blocks_and_samples_tell_the_same_extremes(tmp_path, monkeypatch):
    samples = np.random.default_rng(3).uniform(-0.5, 0.5, (50_000, 2))
    path = tmp_path / "archive.wav"
    soundfile.write(path, samples, 48000, subtype="DOUBLE")
    first = np.array([-500.0, 0.0, 1000.4, 30_000.0, 49_990.0, 60_000.0, np.nan])
    stop = np.array([-1.0, 640.0, 2500.6, 30_001.0, 70_000.0, 70_000.0, 5.0])
    exact = CapturedWave(path).between(first, stop)
    monkeypatch.setattr("smallgauge.workbench.wave.READ", 3 * BLOCK)
    rough = CapturedWave(path).between(first, stop)
    for n, (a, b) in enumerate(zip(first, stop, strict=True)):
        inside = (
            samples[max(0, int(np.floor(a))) : max(0, int(np.ceil(b)))] if np.isfinite(a) else samples[:0]
        )
        if not inside.size:
            assert np.isnan(exact[n]).all() and np.isnan(rough[n]).all()
            continue
        assert exact[n].tolist() == pytest.approx([inside.min(), inside.max()], abs=1e-7)
        around = samples[max(0, int(a) // BLOCK * BLOCK) : -(-int(np.ceil(b)) // BLOCK) * BLOCK]
        assert rough[n].tolist() == pytest.approx([around.min(), around.max()], abs=1e-7)


def test_the_table_is_the_wave(bench):
    wave = wave_of(bench, first=5, stop=15, parts=10)
    told = bench.get(f"{REEL}/sound/rows?first=5&count=10").json()
    assert (told["first"], told["stop"], told["of"]) == (5, 15, FRAMES)
    assert [row[3:5] for row in told["rows"]] == [[round(float(v), 5) for v in each] for each in wave]
    seconds = [row[1] for row in told["rows"]]
    assert np.allclose(np.diff(seconds), 1 / RATE, atol=2e-4)


def test_a_slice_is_what_the_finished_film_has_and_its_pictures_follow(shelf):
    bench = client_of(shelf)
    assert pair(bench, CLAPS[0], clap_second(shelf, CLAPS[0])).status_code == 200
    heard = bench.get(f"{REEL}/sound/slice/4")
    assert heard.headers["content-type"] == "audio/wav"
    samples, rate = soundfile.read(io.BytesIO(heard.content))
    steps = bench.get(f"{REEL}/sound/steps/4").json()
    assert samples.shape[1] == 2 and rate == 48000 and steps["how"] == "laid"
    assert steps["seconds"] == pytest.approx(len(samples) / rate, abs=1 / rate)
    assert [row for row, _ in steps["steps"]] == list(range(4, FRAMES))
    assert steps["steps"][:2] == [[4, 0.0], [5, round(1 / RATE, 6)]]
    clap_s = float(np.abs(samples[: rate // 2 + rate // 10, 0]).argmax()) / rate
    due = [row for row, begins in steps["steps"] if begins <= clap_s + 1e-3][-1]
    assert due == CLAPS[0]  # what is heard and what is seen
    short = bench.get(f"{REEL}/sound/slice/4?milliseconds=500")
    assert np.array_equal(soundfile.read(io.BytesIO(short.content))[0], samples[: rate // 2])
    assert bench.get(f"{REEL}/sound/slice/4?milliseconds=60000").status_code == 400


def test_a_slice_equals_the_sound_that_rendering_writes(shelf):
    """Held to `render_track`, whose FLAC is read back by libsndfile."""
    opened = Shelf(shelf).open(NAME)
    whole = plan_rendering(
        opened.capture,
        opened.frames,
        opened.treatment(),
        opened.material(),
        read_json(shelf / NAME / TRACK_PAPER, TrackPaper),
        read_faults(shelf / NAME),
    )
    plan, alone = whole.sound, lies_of(opened)
    for name in ("out_sample", "in_sample", "slope", "gain"):  # without the pictures' plan the same map
        assert np.array_equal(getattr(plan.map, name), getattr(alone.plan.map, name))
    assert alone.rows.tolist() == [frame.source for frame in whole.frames]
    render_track(shelf / NAME / "archive.wav", plan, flac=shelf / "whole.mka", watch=lambda done: None)
    opened.close()
    subprocess.run(
        ["ffmpeg", "-v", "error", "-i", "whole.mka", "-c:a", "pcm_s24le", "whole.wav"], cwd=shelf, check=True
    )
    whole, rate = soundfile.read(shelf / "whole.wav", always_2d=True)
    part, _ = soundfile.read(io.BytesIO(client_of(shelf).get(f"{REEL}/sound/slice/9").content))
    first = 9 * rate // RATE
    assert np.array_equal(part, for_viewing(whole, "both")[first : first + len(part)])


def test_a_moment_is_found_from_its_place_and_back(bench):
    told = bench.get(f"{REEL}/sound/moment?row=20&thousandths=250").json()
    assert told == {"sound_s": pytest.approx(2 + 20.25 / RATE, abs=2e-5), "place": 20.25}
    back = bench.get(f"{REEL}/sound/moment?microseconds={round(told['sound_s'] * 1e6)}").json()
    assert back["place"] == pytest.approx(20.25, abs=1e-3)
    assert bench.get(f"{REEL}/sound/moment?microseconds=500000").json()["place"] is None  # before the film
    assert bench.get(f"{REEL}/sound/moment?microseconds=900000000").status_code == 400


def test_a_pair_is_the_decision_of_the_command_line(shelf):
    bench, log = client_of(shelf), shelf / NAME / "decisions.jsonl"
    second = round(clap_second(shelf, CLAPS[0]), 6)
    told = pair(bench, CLAPS[0], second).json()
    made = read_decisions(log)[-1]
    assert made.value == decided_value("sync", f"{CLAPS[0]}@{second}")
    assert (made.subject, made.anchor, made.by, made.at, made.why) == ("sync", "reel", "mk", AT, "a clap")
    assert told["pairs"][0]["left_ms"] == pytest.approx(0, abs=0.05) and told["revision"] == made.revision
    for clap in CLAPS:  # now both are heard where they are seen
        assert loudest(bench, clap - 4, clap + 5) == pytest.approx(clap, abs=0.25)
    assert told["words"].startswith("Laid by 1 pair (mk: a clap)")


def test_what_is_left_at_each_pair_is_told_in_milliseconds(shelf):
    bench = client_of(shelf)
    seconds = [clap_second(shelf, clap) for clap in CLAPS]
    pair(bench, CLAPS[0], seconds[0])
    told = pair(
        bench, CLAPS[1], seconds[1] + 0.020
    ).json()  # marked 20 ms late: the map takes the mean of both
    left = [each["left_ms"] for each in told["pairs"]]
    assert left == pytest.approx([-10, 10], abs=1.5)
    assert told["pairs"][0]["left_frames"] == pytest.approx(left[0] * RATE / 1000, abs=1e-3)
    minutes = (CLAPS[1] - CLAPS[0]) / RATE / 60
    assert told["drift_ms_a_minute"] == pytest.approx((left[1] - left[0]) / minutes, rel=1e-4)
    told = pair(bench, CLAPS[1], seconds[1]).json()  # the same picture anew: in place of the one before
    assert [each["row"] for each in told["pairs"]] == list(CLAPS)
    assert all(abs(each["left_ms"]) < 1.5 for each in told["pairs"])
    told = pair(bench, CLAPS[0], keep=False, why="the wrong door").json()
    assert [each["row"] for each in told["pairs"]] == [CLAPS[1]]
    told = pair(bench, CLAPS[1], keep=False, why="no clap").json()
    assert told["pairs"] == [] and told["words"].startswith("Sync is not set")
    assert read_decisions(shelf / NAME / "decisions.jsonl")[-1].value is None


def test_pairs_that_can_not_be_are_refused_and_nothing_is_recorded(shelf):
    bench, log = client_of(shelf), shelf / NAME / "decisions.jsonl"
    before = log.read_bytes()
    assert pair(bench, 4, 1.0, stamp="other").status_code == 409
    assert pair(bench, 4, 1.0, by=" ").status_code == 400
    assert "What is seen and heard" in pair(bench, 4, 1.0, why=" ").json()["error"]
    assert "second of the captured sound" in pair(bench, 4).json()["error"]
    assert "ends at" in pair(bench, 4, 99.0).json()["error"]
    assert "no pair at frame 4" in pair(bench, 4, keep=False).json()["error"]
    assert pair(bench, 4, -1.0).status_code == 400
    assert log.read_bytes() == before
    stale = bench.get(REEL).json()["revision"]
    decide_on(shelf / NAME, subject="camera_speed", value={"rate": "16"}, by="o.t.", at=AT, why="walking")
    refused = pair(bench, 4, 2.5, revision=stale)
    assert refused.status_code == 409 and "o.t. decided on camera speed" in refused.json()["error"]


def test_a_reel_that_was_not_treated_has_its_sound_as_captured(shelf):
    """Nothing lays it: the first half of the captured file stands under the first half of the strip."""
    (shelf / NAME / "decisions.jsonl").unlink()
    bench = client_of(shelf)
    told = bench.get(f"{REEL}/sound").json()
    assert told["how"] == "captured" and "as captured" in told["words"]
    samples, rate = soundfile.read(shelf / NAME / "archive.wav")
    moment = bench.get(f"{REEL}/sound/moment?row=18").json()
    assert moment["sound_s"] == pytest.approx(len(samples) / rate / 2, abs=1e-4)
    part, _ = soundfile.read(io.BytesIO(bench.get(f"{REEL}/sound/slice/18").content))
    half = len(samples) // 2
    assert np.array_equal(part, samples[half : half + len(part)])
    assert bench.get(f"{REEL}/sound/steps/18").json()["how"] == "captured"


def test_film_that_ran_tail_first_is_heard_from_right_to_left():
    """Three frames captured as 2, 1, 0 at 2 frames a second: what the film plays first lies at the strip's right end."""
    ends = np.array([0.0, 72_000.0])
    knots = SoundMap(
        out_sample=ends,
        in_sample=72_000.0 - ends,
        slope=np.full(2, -1.0),
        gain=np.ones(2),
        out_samples=72_000,
    )
    lies = Lies(
        how="laid",
        rate=Fraction(2),
        begins=np.array([2.0, 1.0, 0.0]),
        ends=np.array([3.0, 2.0, 1.0]),
        rows=np.array([2, 1, 0]),
        sound_rate=48_000,
        samples=72_000,
        plan=SimpleNamespace(map=knots),
    )
    assert lies.backwards and lies.finished([2, 0], [0.75, 0.0]).tolist() == [0.25, 3.0]
    assert lies.sample(lies.finished([0, 2], [0.0, 1.0])).tolist() == [0.0, 72_000.0]
    assert lies.heard_at(0.5) == pytest.approx(2.0) and lies.place(2.0) == pytest.approx(1.0)
    assert lies.place(0.25) == pytest.approx(2.75) and lies.place(3.5) is None


WATCH = """(places) => {
  window.shown = [];
  const canvas = document.querySelector('.surround canvas');
  new MutationObserver(() => {
    const context = canvas.getContext('2d'), scale = canvas.width / 256;
    const bits = places.map(([x, y]) => context.getImageData(Math.floor(x * scale), Math.floor(y * scale), 1, 1).data[1]);
    requestAnimationFrame(() => {
      if (canvas.dataset.row === row) window.shown.push([bits, row, document.querySelector('#drawn').textContent]);
    });
    const row = canvas.dataset.row;
  }).observe(canvas, {attributes: true, attributeFilter: ['data-row']});
}"""


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_listen_and_make_a_pair_by_keyboard(shelf):
    log = shelf / NAME / "decisions.jsonl"
    with browser() as chrome, serve(shelf) as served, page_of(chrome, served) as page:
        page.click(f"text={NAME}")
        page.wait_for_selector("#drawn")
        page.wait_for_selector("[data-place=wave] .value:has-text('dB of full scale')")
        assert page.inner_text("#laid").startswith("Sync is not set")
        page.evaluate(WATCH, PLACES)
        page.focus(".window")
        page.keyboard.press("ArrowRight")
        page.wait_for_selector("canvas[data-row='1']")
        page.keyboard.press("e")
        page.wait_for_selector("#heard:has-text('pictures drawn')", timeout=30_000)
        shown = page.evaluate("() => window.shown")
        rows = [int(row) for _, row, _ in shown]
        for bits, row, said in shown:  # the picture's own number, the canvas's and the page's
            assert sum(int(grey > 127) << bit for bit, grey in enumerate(bits)) == int(row) == int(said)
        assert (
            len(set(rows)) >= 10 and rows[:-1] == sorted(rows[:-1]) and rows[-1] == 1
        )  # back to where it began
        page.fill("#go", str(CLAPS[0]))
        page.keyboard.press("Enter")
        page.wait_for_selector(f"canvas[data-row='{CLAPS[0]}']")
        page.focus(".window")
        page.keyboard.press("s")
        page.fill("label:has-text('Who decides') input", "mk")
        page.focus("#pair-seen")
        page.keyboard.type("the clap")
        page.focus("[data-place=wave]")
        page.keyboard.press("ArrowRight")  # the moment begins at the drawn picture
        page.wait_for_selector("[data-place=wave][aria-valuetext*='of the captured sound']")
        page.fill("#pair-second", f"{clap_second(shelf, CLAPS[0]) - 0.005:.4f}")
        page.keyboard.press("Tab")
        page.focus("[data-place=wave]")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        page.wait_for_selector("#paired:has-text('Recorded')")
        (mark,) = read_decisions(log)[-1].value["marks"]
        assert mark["frame"] == CLAPS[0] and abs(mark["sound_s"] - clap_second(shelf, CLAPS[0])) < 1e-4
        page.wait_for_selector("td:has-text('in step')")
        page.click("text=the sound as numbers")
        page.wait_for_selector("caption:has-text('Sound of frames')")
        assert page.evaluate(COLOURS) == [] and findings(page) == []
        page.fill("#pair-seen", "another door")
        page.focus("button:has-text('take away')")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=No pair yet.")
        assert read_decisions(log)[-1].value is None and page.said == []
