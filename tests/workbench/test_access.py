"""Every page and state for everybody: axe-core finds nothing, greys are neutral and stand out, a small page is usable.

Source: axe-core as axe-playwright-python brings it; WCAG 2.2 (W3C Recommendation of 5 October 2023) 1.4.3 and 1.4.11 contrast,
1.4.4 resize text, 1.4.10 reflow, 2.1.1 keyboard, 2.4.2 page titled.
"""

import re
from pathlib import Path

import pytest
from axe import findings
from numbered_reel import NAME
from served import browser, chromium, page_of, serve

STATIC = Path(__file__).parents[2] / "smallgauge" / "workbench" / "static"
WORDLESS = ("input[type", "progress", ".now", ".chosen", "canvas")  # parts that bear no words
needs_browser = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")


def open_reel(page) -> None:
    page.click(f"text={NAME}")
    page.wait_for_selector("#drawn")
    page.wait_for_selector(".card")


@needs_browser
def test_axe_finds_nothing_on_any_page_or_state(own_shelf):
    seen = {}
    with serve(own_shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.wait_for_selector(".reels li")
        page.wait_for_selector("#hand-upto option", state="attached")
        seen["Shelf"] = findings(page)
        page.check("text=done")
        seen["Shelf, nothing shown"] = findings(page)
        page.goto(f"{served.origin}/reel/none")
        page.wait_for_selector(".trouble")
        seen["a reel that is not there"] = findings(page)
        page.goto(served.origin)
        open_reel(page)
        seen["reel"] = findings(page)
        page.click("header button:has-text('keys')")
        seen["keys"] = findings(page)
        page.keyboard.press("Escape")
        page.click("text=read as numbers")
        page.wait_for_selector(".numbers tbody tr")
        seen["numbers"] = findings(page)
        page.focus(".window")
        page.keyboard.press("3")
        page.wait_for_selector("canvas[data-look=corrected]", timeout=60_000)
        page.click("[data-subject=primary] button >> nth=1", force=True)
        seen["true look"] = findings(page)
        page.focus(".window")
        page.keyboard.press("1")
        page.click(".specks summary")
        page.wait_for_selector("#specks-repair")
        seen["specks"] = findings(page)
        page.select_option("#hand-upto", "render")
        page.click(".work form button")
        page.wait_for_selector("[data-state=running] progress")
        page.click("[data-run] button:has-text('pause')")
        page.wait_for_selector("[data-state=paused]")
        seen["work in hand"] = findings(page)
        page.click("[data-run] button:has-text('stop')")
        page.wait_for_selector("[data-state=stopped]")
        seen["work stopped"] = findings(page)
    assert {state: said for state, said in seen.items() if said} == {} and len(seen) == 10


@needs_browser
def test_axe_would_find_a_fault(numbered_shelf):
    with serve(numbered_shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.wait_for_selector(".reels li")
        page.evaluate(
            "() => document.querySelector('.reels').insertAdjacentHTML('beforeend', '<button></button>')"
        )
        assert any(each.startswith("button-name") for each in findings(page))


REACH = """() => {
  const wide = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  const cut = [...document.querySelectorAll('a, button, input, select, summary, h1, h2, h3')].filter((e) => {
    if (e.closest('.numbers') || !e.offsetParent || e.closest('.flags')) return false;
    const box = e.getBoundingClientRect();
    return box.width > 0 && (box.left < -1 || box.right > document.documentElement.clientWidth + 1);
  }).map((e) => e.outerHTML.slice(0, 120));
  return {wide, cut};
}"""


@needs_browser
@pytest.mark.parametrize(
    "size", [pytest.param((1280, 800), marks=pytest.mark.campaign), (640, 400)]
)  # the second: 1280 x 800 enlarged to 200 %
def test_small_and_enlarged_pages_lose_nothing_at_their_sides(numbered_shelf, size):
    width, height = size
    with (
        serve(numbered_shelf) as served,
        browser() as chrome,
        page_of(chrome, served, width=width, height=height) as page,
    ):
        page.wait_for_selector("#hand-upto option", state="attached")
        assert page.evaluate(REACH) == {"wide": 0, "cut": []}
        assert page.title() == "Shelf shelf: 1 of 1 reels wait for me"
        open_reel(page)
        page.wait_for_selector("button:has-text('move the framing')")  # comes with the plan, a moment later
        assert page.evaluate(REACH) == {"wide": 0, "cut": []}
        reached = set()
        for _ in range(200):  # every control by the Tab key alone
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate("() => document.activeElement.dataset.tabbed ??= String(Math.random())")
            )
        left = page.evaluate(
            """() => [...document.querySelectorAll('a[href], button:not(:disabled), input, select, summary')].filter((e) =>
            e.offsetParent && !e.dataset.tabbed && e.type !== 'radio').map((e) => e.outerHTML.slice(0, 120))"""
        )
        assert left == [] and len(reached) > 20
        picture = page.locator(".surround canvas").bounding_box()
        assert picture["height"] >= 0.3 * height and picture["width"] <= width


def greys(css: str) -> set[str]:
    """Every colour that a style sheet names."""
    return set(re.findall(r"#[0-9a-fA-F]{3,8}\b|(?:rgb|hsl|hwb|lab|lch|oklab|oklch|color)a?\([^)]*\)", css))


def test_every_colour_that_the_files_name_is_a_neutral_grey():
    named = {}
    for path in [*STATIC.glob("*.css"), *STATIC.glob("*.js"), *STATIC.glob("*.html"), *STATIC.glob("*.svg")]:
        for colour in greys(path.read_text(encoding="utf-8")) - {"#page", "#go", "#told"}:
            red, green, blue = colour[1:3], colour[3:5], colour[5:7]
            if not (len(colour) == 7 and red.lower() == green.lower() == blue.lower()):
                named[f"{path.name}: {colour}"] = colour
    assert named == {}
    words = re.compile(
        r":\s*(?:[\w-]+\s+)*(red|green|blue|yellow|orange|purple|white|black|beige|navy)\s*[;}]"
    )
    assert words.findall((STATIC / "bench.css").read_text(encoding="utf-8")) == []


def luminance(grey: str) -> float:
    """Relative luminance of a neutral sRGB grey, WCAG 2.2."""
    share = int(grey[1:3], 16) / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_greys_that_meet_stand_out_from_one_another():
    css = (STATIC / "bench.css").read_text(encoding="utf-8")
    root = dict(re.findall(r"--(\w+):\s*(#\w{6})", css[: css.index("}")]))
    rules = re.findall(r"([^{}]+)\{([^{}]*)\}", re.sub(r"/\*.*?\*/|@media[^{]+\{", "", css, flags=re.DOTALL))
    told = []
    for name, body in rules:
        said = dict(re.findall(r"([\w-]+):\s*([^;]+)", body))
        ground = colour_in(said.get("background", ""), root)
        words = colour_in(said.get("color", ""), root) or root["words"]
        if ground and not any(part in name for part in WORDLESS):
            told.append((name.strip(), contrast(words, ground), 4.5))
    for ground in (root["ground"], root["raised"]):
        told += [
            ("words", contrast(root["words"], ground), 4.5),
            ("quiet words", contrast(root["quiet"], ground), 4.5),
        ]
        told.append(("edge of a control", contrast(root["line"], ground), 3.0))  # 1.4.11
    without_words = {".now", ".chosen", ".surround canvas"}
    low = [
        (name, round(ratio, 2)) for name, ratio, least in told if ratio < least and name not in without_words
    ]
    assert low == [] and len(told) > 20


def colour_in(said: str, root: dict[str, str]) -> str:
    """The grey that a declaration names, itself or by a variable of the root; "" where it names none."""
    named = re.search(r"var\(--(\w+)\)", said)
    plain = re.search(r"#\w{6}", said)
    return root.get(named.group(1), "") if named else plain.group(0) if plain else ""
