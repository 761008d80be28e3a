"""How quick the bench is on a reel of 30,000 frames while another reel is rendered, in a browser without a window.

    python -m benchmarks.workbench FOLDER [FRAMES]

draws a reel of 24 frames of 2048 x 1536 in 16 bits into FOLDER once, analyses it with an archive copy of single frames, and
makes a reel of 30,000 of it: the frames and their rows again and again (hard links, and rows of the tables; the pack has a
picture of its own for every frame, with its number burnt in). The framing is the whole capture, so that 2048 x 1536 is shown as
1024 x 768. Needs Chromium on the PATH and Playwright. While it measures, a process at the priority of a run of the bench
renders the small reel over and over.
"""

import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, decide_on, finish
from smallgauge.media.frame_files import frame_file_name
from smallgauge.media.pack import encode_look, open_pack, pack_head, write_pack
from smallgauge.picture.synthetic import SceneTruth, specimen_truth
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json, write_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.material import PACK_FOLDER
from smallgauge.record.reel import Reel
from smallgauge.record.table import Table, read_table, write_table

AT = "2026-01-17T10:00:00Z"
SMALL, LONG = "small", "long"
DRAWN, BLOCK = 24, 16  # frames that are drawn; px of a block of the number in the pack
SCENE = 240  # frames of a scene of the long reel
NICE = 10
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
RENDERS = """
import shutil, sys
from pathlib import Path
from smallgauge.line import Settings, finish
home = Path(sys.argv[1])
while True:
    shutil.rmtree(home / "again", ignore_errors=True)
    finish(home / "capture", home / "again", Settings(at="2026-01-17T10:00:00Z", workers=1, last_step="render"))
"""


def small_reel(folder: Path) -> Path:
    """The drawn reel, analysed and treated."""
    reel = folder / "made" / SMALL
    if not (reel / "treatment.toml").is_file():
        truth = specimen_truth(
            "super 8",
            width=2048,
            height=1536,
            frames=DRAWN,
            bits=16,
            seed=3,
            scenes=(
                SceneTruth(kind="garden", first=0, stop=12),
                SceneTruth(kind="sea", first=12, stop=DRAWN),
            ),
        )
        write_specimen(folder / "capture", truth, format="tiff", sound=False, reel=SMALL, processes=1)
        with (folder / "capture" / "capture.toml").open("a", encoding="utf-8") as notes:
            notes.write('archive = "tiff"\n')
        finish(folder / "capture", folder / "made", Settings(at=AT, workers=1, last_step="treat"))
    return reel


def repeated(table: Table, count: int) -> Table:
    """The rows again and again, with frames, film positions and scenes that count on."""
    times = -(-count // len(table))
    values = {name: np.tile(column, times)[:count] for name, column in table.values.items()}
    turn = np.repeat(np.arange(times), len(table))[:count]
    for name in ("frame", "film_position", "number"):
        if name in values:
            values[name] = (values[name] + turn * len(table)).astype(values[name].dtype)
    values["scene"] = (np.arange(count) // SCENE).astype(values["scene"].dtype)
    return replace(table, values=values)


def long_reel(folder: Path, count: int) -> Path:
    """The reel of many frames."""
    small, reel = small_reel(folder), folder / "shelf" / LONG
    if (reel / PACK_FOLDER / "frames.idx").is_file():
        return reel
    shutil.rmtree(reel, ignore_errors=True)
    (reel / "archive").mkdir(parents=True)
    for number in range(count):
        os.link(
            small / "archive" / frame_file_name("tiff", number % DRAWN),
            reel / "archive" / frame_file_name("tiff", number),
        )
    capture = read_json(small / "capture.json", Capture)
    files = tuple(
        replace(capture.files[n % DRAWN], name=f"frame_{n:06d}.tif", number=n) for n in range(count)
    )
    numbers = tuple(range(count))
    write_json(reel / "capture.json", replace(capture, files=files, count=count, numbers=numbers))
    write_table(
        reel / "frames.parquet",
        repeated(read_table(small / "frames.parquet", FRAME_COLUMNS, "frames"), count),
    )
    said = read_json(small / "reel.json", Reel)
    runs = tuple(replace(run, stop=count) for run in said.runs)
    write_json(reel / "reel.json", replace(said, number=LONG, runs=runs))
    for name in ("decisions.jsonl", "treatment.toml", "perforations.parquet"):
        shutil.copy(small / name, reel / name)
    decide_on(
        reel, subject="framing", value={"show": "whole capture"}, by="m.b.", at=AT, why="reference size"
    )
    numbered_pack(small, reel, capture, count)
    return reel


def numbered_pack(small: Path, reel: Path, capture: Capture, count: int) -> None:
    """A pack in which every picture carries its number as sixteen black or white blocks."""
    import imagecodecs

    given = open_pack(small / PACK_FOLDER)
    pictures = [imagecodecs.jpeg8_decode(given.jpeg(n)) for n in range(DRAWN)]
    head = replace(pack_head(capture.width, capture.height, count=count), capture=capture.digest)
    plain = np.arange(256, dtype=np.uint8)
    (reel / PACK_FOLDER).mkdir(parents=True, exist_ok=True)
    with write_pack(reel / PACK_FOLDER, "frames", head) as pack:
        for number in range(count):
            shown = pictures[number % DRAWN].copy()
            for bit in range(16):
                shown[:BLOCK, BLOCK * bit : BLOCK * (bit + 1)] = 255 * (number >> bit & 1)
            pack.add_picture(encode_look(shown, plain))


@contextmanager
def rendering(folder: Path) -> Iterator[None]:
    """Another reel is rendered meanwhile."""
    home = folder / "other"
    if not (home / "capture").is_dir():
        shutil.copytree(folder / "capture", home / "capture")
    command = ["nice", "-n", str(NICE), sys.executable, "-c", RENDERS, str(home)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.kill()
        process.wait()


@contextmanager
def bench_page(shelf: Path) -> Iterator[tuple[Any, str]]:
    """A page that has entered the bench, and the reel's address."""
    import json

    from playwright.sync_api import sync_playwright

    command = [sys.executable, "-m", "smallgauge", "workbench", str(shelf), "--no-browser", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        address = json.loads(process.stdout.readline())["address"]
        with sync_playwright() as playwright:
            found = shutil.which("chromium") or shutil.which("chromium-browser")
            browser = playwright.chromium.launch(executable_path=found, args=FLAGS)
            page = browser.new_context(viewport={"width": 1440, "height": 1000}).new_page()
            page.goto(address)
            page.wait_for_selector(".reels a")
            yield page, address.partition("/enter")[0] + f"/reel/{LONG}"
            browser.close()
    finally:
        process.terminate()
        process.wait()


def words(times_ms: Sequence[float]) -> str:
    """Median and 95th percentile."""
    return (
        f"median {statistics.median(times_ms):.0f} ms, 95th percentile {np.percentile(times_ms, 95):.0f} ms, "
        f"most {max(times_ms):.0f} ms ({len(times_ms)})"
    )


READ = """() => {
  const canvas = document.querySelector('.surround canvas');
  const size = canvas.width / 512 * 16;
  const row = canvas.getContext('2d').getImageData(0, Math.floor(size / 2), Math.ceil(size * 16), 1).data;
  let number = 0;
  for (let bit = 0; bit < 16; bit += 1) if (row[4 * Math.floor(size * (bit + 0.5)) + 1] > 127) number |= 1 << bit;
  return {number, row: Number(canvas.dataset.row), said: Number(document.querySelector('#drawn').textContent)};
}"""
SLIDES = """() => {
  window.slid = [];
  let from = 0;
  document.querySelector('[data-channel=red]').addEventListener('input', () => { from = performance.now(); }, true);
  new MutationObserver(() => {
    if (from) requestAnimationFrame(() => { window.slid.push(performance.now() - from); from = 0; });
  }).observe(document.querySelector('.surround canvas'), {attributes: true, attributeFilter: ['data-serial']});
}"""
COUNTS = """() => {
  window.drawnAt = [];
  window.counting?.disconnect();
  window.counting = new MutationObserver(() => window.drawnAt.push(performance.now()));
  window.counting.observe(document.querySelector('.surround canvas'), {attributes: true, attributeFilter: ['data-row']});
}"""
LANES = """() => new Promise((done) => {
  const from = performance.now();
  const buttons = [...document.querySelectorAll('.under button')];
  buttons.find((b) => b.textContent.includes(window.step ? 'whole' : 'closer')).click();
  window.step = !window.step;
  requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - from)));
})"""


def opening(page: Any, address: str) -> tuple[float, float]:
    """Milliseconds from asking for the page to the first picture, and to the fields."""
    began = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_selector("canvas[data-row]")
    picture = time.perf_counter()
    page.wait_for_selector(".card")
    return 1e3 * (picture - began), 1e3 * (time.perf_counter() - began)


def slides(page: Any, count: int) -> list[float]:
    """Milliseconds from moves of a slider to the drawn true look."""
    page.focus(".window")
    page.keyboard.press("3")
    page.wait_for_selector("canvas[data-look=corrected]", timeout=120_000)
    page.evaluate(SLIDES)
    page.focus("[data-channel=red]")
    for n in range(count):
        page.keyboard.press("ArrowRight" if n % 9 else "ArrowLeft")
        stop = time.monotonic() + 10
        while page.evaluate("() => window.slid.length") <= n and time.monotonic() < stop:
            page.wait_for_timeout(20)
    return list(page.evaluate("() => window.slid"))


def jumps(page: Any, count: int, frames: int) -> tuple[list[float], int]:
    """Milliseconds from a wish for any frame to its picture, and how many pictures were another frame."""
    chance, times, wrong = np.random.default_rng(5), [], 0
    for _ in range(count):
        row = int(chance.integers(frames))
        began = time.perf_counter()
        page.fill("#go", str(row))
        page.keyboard.press("Enter")
        page.wait_for_selector(f"canvas[data-row='{row}']")
        times.append(1e3 * (time.perf_counter() - began))
        told = page.evaluate(READ)
        wrong += not told["number"] == told["row"] == told["said"] == row
    return times, wrong


def scrub(page: Any, seconds: float) -> float:
    """Pictures a second while the pointer is drawn over the whole reel."""
    page.evaluate("() => window.scrollTo(0, 0)")
    box = page.locator(".scenes").bounding_box()
    page.evaluate(COUNTS)
    page.mouse.move(box["x"] + 2, box["y"] + 5)
    page.mouse.down()
    began = time.perf_counter()
    while (spent := time.perf_counter() - began) < seconds:
        page.mouse.move(box["x"] + 2 + (box["width"] - 4) * spent / seconds, box["y"] + 5)
    page.mouse.up()
    return len(page.evaluate("() => window.drawnAt")) / seconds


def lanes(page: Any, count: int) -> list[float]:
    """Milliseconds from a change of the stretch shown to the frame after all lanes are drawn."""
    return [float(page.evaluate(LANES)) for _ in range(count)]


def main() -> None:
    """Draw, open, measure, print."""
    folder, count = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 30_000
    long_reel(folder, count)
    with rendering(folder), bench_page(folder / "shelf") as (page, address):
        time.sleep(5)
        told = [opening(page, address) for _ in range(5)]
        print(f"load while measuring: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        print(f"first opening: picture {told[0][0]:.0f} ms, fields {told[0][1]:.0f} ms")
        print(f"openings after it, picture: {words([t[0] for t in told[1:]])}")
        print(f"openings after it, fields: {words([t[1] for t in told[1:]])}")
        times, wrong = jumps(page, 100, count)
        print(f"jump to any frame: {words(times)}; {wrong} pictures were another frame")
        rates = [scrub(page, 5.0) for _ in range(3)]
        print(
            f"scrub over the whole reel in 5 s: {', '.join(f'{each:.0f}' for each in rates)} pictures a second"
        )
        print(f"lanes of {count} points: {words(lanes(page, 20))}")
        page.fill("#go", str(count // 2))
        page.keyboard.press("Enter")
        began = time.perf_counter()
        page.focus(".window")
        page.keyboard.press("3")
        page.wait_for_selector("canvas[data-look=corrected]", timeout=120_000)
        print(f"first true look of the reel: {1e3 * (time.perf_counter() - began):.0f} ms")
        print(f"slider to drawn true look: {words(slides(page, 60))}")
        print(f"load at the end: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
