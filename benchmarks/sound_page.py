"""How quick sound and picture are at the bench on a reel of 30,000 frames with 28 minutes of sound, in a browser without a window.

    python -m benchmarks.sound_page FOLDER [FRAMES]

draws a striped reel of 24 frames of 512 x 384 into FOLDER once, analyses and treats it, and makes a reel of 30,000 of it: rows
again and again with time stamps that go on and scatter by 0.2 ms; noise and a knock each second are its sound. Needs Chromium on
the PATH and Playwright.
"""

import os
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from benchmarks.workbench import AT, DRAWN, LONG, SMALL, bench_page, numbered_pack, repeated, words
from smallgauge.demo import track_truth, write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.frame_files import frame_file_name
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.material import PACK_FOLDER
from smallgauge.record.reel import Reel
from smallgauge.record.soundfaults import FAULT_FILES
from smallgauge.record.table import read_table, write_table
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.sound_lies import lies_of, slice_wav
from smallgauge.workbench.sound_page import peaks, sound_paper

RATE, SOUND_RATE = 18, 48_000
WAVE = """() => new Promise((done) => {
  const from = performance.now();
  const canvas = document.querySelector('[data-place=wave] canvas');
  new MutationObserver((_, me) => { me.disconnect(); requestAnimationFrame(() => done(performance.now() - from)); })
    .observe(canvas, {attributes: true, attributeFilter: ['data-drawn']});
  const buttons = [...document.querySelectorAll('.under button')];
  buttons.find((b) => b.textContent.includes(window.step ? 'whole' : 'closer')).click();
  window.step = !window.step;
})"""


def small_reel(folder: Path) -> Path:
    """The drawn reel with sound, analysed and treated."""
    reel = folder / "made" / SMALL
    if not (reel / "treatment.toml").is_file():
        scenes = (SceneTruth(kind="garden", first=0, stop=200),)
        truth = specimen_truth(
            "super 8", width=512, height=384, frames=DRAWN, bits=8, seed=3, striped=True, scenes=scenes
        )
        track = track_truth(truth)
        write_specimen(folder / "capture", truth, format="tiff", track=track, reel=SMALL, processes=1)
        with (folder / "capture" / "capture.toml").open("a", encoding="utf-8") as notes:
            notes.write('archive = "tiff"\n')
        finish(folder / "capture", folder / "made", Settings(at=AT, workers=1, last_step="treat"))
    return reel


def long_reel(folder: Path, count: int) -> Path:
    """The reel of many frames, and its sound."""
    small, reel = small_reel(folder), folder / "shelf" / LONG
    if (reel / PACK_FOLDER / "frames.idx").is_file():
        return reel
    shutil.rmtree(reel, ignore_errors=True)
    (reel / "archive").mkdir(parents=True)
    for n in range(count):
        os.link(
            small / "archive" / frame_file_name("tiff", n % DRAWN),
            reel / "archive" / frame_file_name("tiff", n),
        )
    samples = write_sound(reel / "archive.wav", count)
    capture = read_json(small / "capture.json", Capture)
    assert capture.sound is not None
    files = tuple(
        replace(capture.files[n % DRAWN], name=f"frame_{n:06d}.tif", number=n) for n in range(count)
    )
    sound = replace(capture.sound, samples=samples)
    long = replace(capture, files=files, count=count, numbers=tuple(range(count)), sound=sound)
    write_json(reel / "capture.json", long)
    frames = repeated(read_table(small / "frames.parquet", FRAME_COLUMNS, "frames"), count)
    stamps = 2.0 + np.arange(count) / RATE + 0.0002 * np.random.default_rng(1).standard_normal(count)
    write_table(reel / "frames.parquet", replace(frames, values={**frames.values, "time_s": stamps}))
    said = read_json(small / "reel.json", Reel)
    write_json(
        reel / "reel.json",
        replace(said, number=LONG, runs=tuple(replace(run, stop=count) for run in said.runs)),
    )
    for name in ("decisions.jsonl", "treatment.toml", "perforations.parquet", "track.json", *FAULT_FILES):
        shutil.copy(small / name, reel / name)
    numbered_pack(small, reel, capture, count)
    return reel


def write_sound(path: Path, frames: int) -> int:
    """Noise and a knock each second, in 24 bits; how many samples."""
    chance, minutes = np.random.default_rng(2), -(-(frames // RATE + 3) // 60)
    with soundfile.SoundFile(str(path), "w", SOUND_RATE, 1, subtype="PCM_24") as out:
        for _ in range(minutes):
            minute = 0.02 * chance.standard_normal(60 * SOUND_RATE)
            minute[::SOUND_RATE] = 0.8
            out.write(minute)
    return minutes * 60 * SOUND_RATE


def timed(ask: Callable[[], Any], times: int) -> str:
    """Milliseconds of wall time of asking so often."""
    told = []
    for _ in range(times):
        began = time.perf_counter()
        ask()
        told.append(1e3 * (time.perf_counter() - began))
    return words(told)


def answers(shelf: Path, count: int) -> None:
    """What the answers cost in the process of the bench."""
    reel = Shelf(shelf).open(LONG)
    began = time.process_time()
    lies_of(reel)
    print(f"the sound laid for the first time: {time.process_time() - began:.2f} s of one core")
    began = time.process_time()
    peaks(reel, 0, count, 1400)
    print(f"the wave of the whole reel for the first time: {time.process_time() - began:.2f} s of one core")
    for name, stop in (("whole reel", count), ("240 frames", 240), ("8 frames", 8)):
        print(f"the wave again, {name}: {timed(lambda stop=stop: peaks(reel, 0, stop, 1400), 20)}")  # type: ignore[misc]
    slice_wav(reel, 10, 2000)
    print(f"a slice of 2 s: {timed(lambda: slice_wav(reel, count // 2, 2000), 20)}")
    print(f"the paper: {timed(lambda: sound_paper(reel), 20)}")
    decide_on(
        reel.folder,
        subject="sync",
        value={
            "shift_frames": 0.0,
            "set": True,
            "marks": [{"frame": reel.treatment().revision, "sound_s": 3.0}],
        },
        by="m.b.",
        at=AT,
        why="a knock",
    )
    began = time.process_time()
    lies_of(reel)
    print(f"the sound laid anew after a pair: {time.process_time() - began:.2f} s of one core")


def main() -> None:
    """Draw, measure, print."""
    folder, count = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 30_000
    long_reel(folder, count)
    print(f"load: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    answers(folder / "shelf", count)
    with bench_page(folder / "shelf") as (page, address):
        began = time.perf_counter()
        page.goto(address, wait_until="commit")
        page.wait_for_selector("canvas[data-row]")
        print(f"page asked for to first picture: {1e3 * (time.perf_counter() - began):.0f} ms")
        page.wait_for_selector(".card")
        print(f"to the fields: {1e3 * (time.perf_counter() - began):.0f} ms")
        page.wait_for_selector("[data-place=wave] canvas[data-drawn]", timeout=60_000)
        print(f"to the wave: {1e3 * (time.perf_counter() - began):.0f} ms")
        page.wait_for_timeout(1000)
        print(f"change of stretch to drawn wave: {words([float(page.evaluate(WAVE)) for _ in range(20)])}")
        for _ in range(3):
            page.focus(".window")
            page.keyboard.press("e")
            page.wait_for_selector("#heard:has-text('pictures drawn')", timeout=60_000)
            print(page.inner_text("#heard"))
            page.keyboard.press("Shift+ArrowRight")
            page.wait_for_timeout(500)
    print(f"load at the end: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
