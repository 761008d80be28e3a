"""Pictures of the bench for docs/workbench.md, from a drawn reel in a real browser: `python tools/make_workbench_pictures.py`."""

import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "workbench"))

from PIL import Image  # noqa: E402
from served import browser, chromium, page_of, serve  # noqa: E402

from smallgauge.demo import track_truth, write_specimen  # noqa: E402
from smallgauge.line import Settings, finish  # noqa: E402
from smallgauge.picture.synthetic import PerforationDamage, SceneTruth, specimen_truth  # noqa: E402

PICTURES = ROOT / "docs" / "pictures"
AT = "2026-01-17T10:00:00Z"
REEL = "0000013-R01-3"


def draw_shelf(base: Path) -> Path:
    """A shelf of two invented reels: one with sound, taken to its package, one torn and waiting."""
    truth = specimen_truth(
        "super 8",
        width=1024,
        height=768,
        frames=120,
        seed=11,
        striped=True,
        bits=10,
        code_values="log",
        flicker=0.01,
        scenes=(
            SceneTruth(kind="garden", first=0, stop=40),
            SceneTruth(kind="birthday", first=40, stop=80, begins_s=1.0),
            SceneTruth(kind="sea", first=80, stop=200),
        ),
    )
    one = base / "one"
    write_specimen(
        one,
        truth,
        format="dpx",
        sound=True,
        track=track_truth(truth),
        reel=REEL,
        box_words="Garden, invented",
    )
    finish(one, base / "shelf", Settings(at=AT))
    torn = tuple(PerforationDamage(film_perforation=n, kind=kind) for n, kind in ((9, "claw"), (31, "torn")))
    scenes = (SceneTruth(kind="sea", first=0, stop=35), SceneTruth(kind="garden", first=35, stop=99))
    truth = specimen_truth(
        "standard 8",
        width=512,
        height=384,
        frames=60,
        seed=12,
        bits=8,
        code_values="gamma",
        damage=torn,
        scenes=scenes,
    )
    two = base / "two"
    write_specimen(
        two, truth, format="png", sound=False, reel="0000013-R02-1", box_words="At the sea, invented"
    )
    finish(two, base / "shelf", Settings(at=AT, last_step="treat"))
    return base / "shelf"


def make_pictures(shelf: Path) -> None:
    """The Shelf, a reel with its whole capture, its looks, and a value that is tried on the true look."""
    PICTURES.mkdir(exist_ok=True)
    with serve(shelf) as served, browser() as started, page_of(started, served) as page:
        page.set_viewport_size({"width": 1280, "height": 330})
        page.wait_for_selector("#hand-upto option", state="attached")
        page.screenshot(path=PICTURES / "workbench-shelf.jpg", type="jpeg", quality=82)
        take_work(page)
        page.set_viewport_size({"width": 1280, "height": 900})
        page.click(f"a:has-text('{REEL}')")
        page.wait_for_selector("#drawn")
        for key in ("PageDown", "ArrowRight", "ArrowRight"):
            page.keyboard.press(key)
        page.wait_for_selector("canvas[data-row='42']")
        box = page.locator(".surround canvas").bounding_box()
        page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 0.6 * box["height"])
        page.wait_for_selector("text=captured pixel")
        page.wait_for_timeout(400)
        page.screenshot(path=PICTURES / "workbench-reel.jpg", type="jpeg", quality=82)
        take_sound(page)
        take_looks(page)
        page.focus("[data-channel=blue]")
        for _ in range(8):
            page.keyboard.press("ArrowLeft")
        page.wait_for_selector("canvas[data-look=corrected]", timeout=60_000)
        page.wait_for_timeout(600)
        page.evaluate("() => window.scrollTo(0, document.body.scrollHeight)")
        page.wait_for_timeout(200)
        page.screenshot(path=PICTURES / "workbench-fields.jpg", type="jpeg", quality=82, full_page=True)
        take_picks(page)


def take_looks(page) -> None:
    """Outlines over the whole capture with the specks of its frame; the wipe with its measures."""
    page.focus(".window")
    page.wait_for_selector(".outlines .shown", state="attached", timeout=60_000)  # comes with the plan
    page.click(".specks summary")
    page.wait_for_selector("#specks-repair")
    page.wait_for_timeout(300)
    page.locator(".window").screenshot(path=PICTURES / "workbench-outlines.jpg", type="jpeg", quality=82)
    page.click(".specks summary")
    page.focus(".window")
    page.keyboard.press("3")
    page.wait_for_selector("canvas[data-look=corrected]", timeout=60_000)
    page.keyboard.press("w")
    page.wait_for_selector(".wipe-line")
    page.click(".measures summary")
    page.wait_for_timeout(600)
    page.locator(".window").screenshot(path=PICTURES / "workbench-wipe.jpg", type="jpeg", quality=82)
    page.click(".measures summary")
    page.focus(".window")
    page.keyboard.press("w")


def take_picks(page) -> None:
    """A spot that is said to be grey, over it what a set that cuts edges shows; the list of scenes; a note along the strip."""
    page.fill("label:has-text('Who decides') input", "mk")
    page.fill("#note", "she waves to the camera")
    page.press("#note", "Enter")
    page.wait_for_selector(".notes button")
    page.click("[data-subject=primary] button:has-text('use for scenes')")
    page.wait_for_selector(".chosen-scenes li")
    page.locator(".chosen-scenes").screenshot(path=PICTURES / "workbench-scenes.jpg", type="jpeg", quality=82)
    page.click(".chosen-scenes button:has-text('leave it')")
    page.focus(".window")
    page.keyboard.press("c")
    page.wait_for_selector("svg.kept path", state="attached")
    page.click("text=point at grey")
    box = page.locator(".surround canvas").bounding_box()
    page.mouse.click(box["x"] + 0.4 * box["width"], box["y"] + 0.93 * box["height"])
    page.wait_for_selector("#picked")
    page.wait_for_timeout(600)
    page.locator(".window").screenshot(path=PICTURES / "workbench-picks.jpg", type="jpeg", quality=82)


def take_sound(page) -> None:
    """A stretch of the wave, a pair that is being made, and a slice that was listened to."""
    strip = page.locator("section.strip")
    for _ in range(2):
        strip.locator("button:has-text('closer')").click()
    page.focus(".window")
    page.keyboard.press("s")
    box = page.locator("[data-place=wave]").bounding_box()
    page.mouse.click(box["x"] + 0.55 * box["width"], box["y"] + 50)
    page.wait_for_selector("[data-place=wave] .moment")
    page.fill("#pair-seen", "a lid falls shut")
    page.focus(".window")
    page.keyboard.press("e")
    page.wait_for_selector("#heard:has-text('pictures drawn')", timeout=60_000)
    page.wait_for_timeout(600)
    parts = [page.locator(each) for each in ("section.strip", "[data-region=sound]")]
    with tempfile.TemporaryDirectory() as place:
        files = [Path(place) / f"{n}.png" for n in range(len(parts))]
        for part, file in zip(parts, files, strict=True):
            part.screenshot(path=file)
        pictures = [Image.open(file).convert("RGB") for file in files]
        whole = Image.new("RGB", (max(p.width for p in pictures), sum(p.height for p in pictures)), "#262626")
        top = 0
        for picture in pictures:
            whole.paste(picture, (0, top))
            top += picture.height
        whole.save(PICTURES / "workbench-sound.jpg", quality=82)
    page.fill("#pair-seen", "")
    strip.locator("button:has-text('whole reel')").click()


def take_work(page) -> None:
    """Runs: one that goes on and one that waits; both are stopped again."""
    for name in ("0000013-R02-1", REEL):
        page.select_option("#hand-name", name)
        page.click(".work form button")
        page.wait_for_selector(f"[data-run='{name}']")
    page.wait_for_selector("[data-state=running] progress")
    page.wait_for_timeout(1500)
    page.locator(".work").screenshot(path=PICTURES / "workbench-work.jpg", type="jpeg", quality=82)
    for name in (REEL, "0000013-R02-1"):
        page.click(f"[data-run='{name}'] button:has-text('stop')")
        page.wait_for_selector(f"[data-run='{name}'][data-state=stopped]")


def main() -> int:
    """Draw the shelf and take the pictures; a shelf that is given is used as it stands."""
    if chromium() is None:
        print("There is no chromium on this system, so no picture was made.")
        return 1
    if len(sys.argv) > 1:
        make_pictures(Path(sys.argv[1]))
        return 0
    with tempfile.TemporaryDirectory() as place:
        make_pictures(draw_shelf(Path(place)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
