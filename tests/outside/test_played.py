"""What a family opens, in a real browser: the pages ask nobody else and are found without fault, the film plays frame by frame.

Source of the rules: WCAG 2.2, as axe-core tests them; the frame is known by the number that the captured frames carry.
"""

import io
import shutil

import numpy as np
import pytest
from PIL import Image
from played_reel import BITS, BLOCK, FRAMES, LEFT, TOP

from smallgauge.media.film_in import read_film
from smallgauge.record.files import read_json
from smallgauge.record.rendertable import COPY_COLUMNS, RENDER_COLUMNS, RenderSummary
from smallgauge.record.table import read_table

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="left out: no chromium on this system")
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
PLAYER = '<!doctype html><title>film</title><body style="margin:0"><video src="{}" muted style="display:block"></video>'
SEEK = """(at) => new Promise((done, fail) => {
  const film = document.querySelector('video');
  film.onerror = () => fail(film.error.message);
  film.onseeked = () => requestAnimationFrame(() => requestAnimationFrame(() => done(film.currentTime)));
  film.currentTime = at;
})"""
PLAY = """() => new Promise((done, fail) => {
  const film = document.querySelector('video');
  film.onerror = () => fail(film.error.message);
  film.onended = () => done(film.getVideoPlaybackQuality().totalVideoFrames);
  film.currentTime = 0;
  film.play().catch(fail);
})"""


@pytest.fixture(scope="module")
def chrome():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def page(chrome):
    """A page that notes what it asks for and what goes wrong in it."""
    context = chrome.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.asked, page.said = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(message.text))
    page.on("pageerror", lambda error: page.said.append(str(error)))
    yield page
    context.close()


@pytest.mark.parametrize("name", ["Report.html", "Start here.html"])
def test_a_family_s_page_asks_nobody_and_has_no_fault(reel, page, name):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="left out: axe-core is not there"
    )
    path = next((reel / "package").rglob(name))
    page.goto(path.as_uri())
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    beside = path.parent.as_uri()
    assert page.asked and all(url.startswith((beside, "data:")) for url in page.asked)
    assert not page.said
    page.set_viewport_size({"width": 360, "height": 740})  # a telephone: nothing is cut off at the right
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def number_seen(picture: np.ndarray, reel, name: str, number: int) -> int:
    """The number in a frame of a copy, read where the finished frame's move lays it."""
    summary = read_json(reel / "render.json", RenderSummary)
    copy = next(each for each in summary.copies if each.file == name)
    render = read_table(reel / "render.parquet", RENDER_COLUMNS, "render")
    a, b, c, d, e, f = (float(render[key][number]) for key in "abcdef")
    scale = copy.picture_width / summary.width, copy.picture_height / summary.height
    left, top = (copy.width - copy.picture_width) // 2, (copy.height - copy.picture_height) // 2
    told = 0
    for bit in range(BITS):
        place = np.array([LEFT + BLOCK * (bit + 0.5) - 0.5 - c, TOP + BLOCK / 2 - 0.5 - f])
        x, y = np.linalg.solve([[a, b], [d, e]], place)
        column, row = round((x + 0.5) * scale[0] + left - 0.5), round((y + 0.5) * scale[1] + top - 0.5)
        told |= int(picture[row - 1 : row + 2, column - 1 : column + 2].mean() > 110) << bit
    return told


@pytest.mark.parametrize("name", ["viewing.mp4", "television.mp4"])
def test_the_h264_copy_plays_and_shows_its_frames(reel, page, tmp_path, name):
    """Duration, every frame played, and at three times the frame by its burnt-in number and by the finished frame's pixels."""
    (tmp_path / "player.html").write_text(PLAYER.format((reel / name).as_uri()))
    page.goto((tmp_path / "player.html").as_uri())
    page.wait_for_function("document.querySelector('video').readyState >= 2")
    summary = read_json(reel / "render.json", RenderSummary)
    copy = next(each for each in summary.copies if each.file == name)
    rows = read_table(reel / "copies.parquet", COPY_COLUMNS, "copies")
    shows = rows["finished_frame"][rows["copy"] == name].tolist()
    film = page.locator("video")
    size = page.evaluate(
        "(() => { const v = document.querySelector('video'); return [v.videoWidth, v.videoHeight]; })()"
    )
    assert size == [copy.width, copy.height]
    length = page.evaluate("document.querySelector('video').duration")
    assert (
        -0.001 < length - copy.frames / float(copy.rate) < 1024 / 48000 + 0.001
    )  # sound ends with a coded block
    with read_film(reel / "finished.mkv") as reader:
        finished = [np.asarray(frame, float)[:, :, 1] / 2**12 for frame in reader.frames()]
    for shown in (1, copy.frames // 2, copy.frames - 2):
        page.evaluate(SEEK, (shown + 0.5) / float(copy.rate))
        picture = np.asarray(Image.open(io.BytesIO(film.screenshot())).convert("RGB"), float)[:, :, 1]
        assert picture.shape == (copy.height, copy.width)
        assert number_seen(picture, reel, name, shows[shown]) == shows[shown]
        left, top = (copy.width - copy.picture_width) // 2, (copy.height - copy.picture_height) // 2
        inside = picture[top : top + copy.picture_height, left : left + copy.picture_width]
        likeness = []
        for each in finished:
            small = Image.fromarray(each.astype(np.float32)).resize(
                (copy.picture_width, copy.picture_height), Image.Resampling.BILINEAR
            )
            likeness.append(float(np.corrcoef(np.asarray(small).ravel(), inside.ravel())[0, 1]))
        assert int(np.argmax(likeness)) == shows[shown]
        assert max(likeness) > 0.95
    assert page.evaluate(PLAY) >= 0.8 * copy.frames  # a busy machine may drop some; none is refused
    assert len(set(shows)) == FRAMES
