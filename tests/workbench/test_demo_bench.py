"""A first run: `smallgauge workbench --demo` draws a small reel and shows round, by the keyboard alone; once ended, never again."""

import pytest
from axe import findings
from served import browser, chromium, page_of, serve

from smallgauge.crew import prepare_kernels
from smallgauge.demo import DEMO_REEL

pytestmark = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
TITLES = ["The strip", "Places that want a look", "The picture", "The treatment", "Work in hand"]


@pytest.mark.campaign  # the whole demonstration reel is drawn
def test_a_first_run_is_shown_round_by_keyboard_and_not_again(tmp_path, monkeypatch):
    prepare_kernels()  # so that only the tour's mark lies elsewhere
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    place = tmp_path / "demo"
    with (
        serve(tmp_path, "--demo", str(place)) as served,
        browser() as chrome,
        page_of(chrome, served) as page,
    ):
        page.wait_for_selector(".tour:has-text('The Shelf'):has-text('step 1 of 6')")
        assert page.evaluate("() => document.activeElement.className") == "tour"
        assert page.locator("[data-pointed]").get_attribute("class") == "reels"
        assert findings(page) == []
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        for title in TITLES:
            page.wait_for_selector(f".tour h2:has-text('{title}')")
            page.wait_for_selector("[data-pointed]")
            page.wait_for_function(
                "() => document.activeElement.className === 'tour'"
            )  # this step has the keyboard
            page.keyboard.press("Tab")
            page.keyboard.press("Enter")
        page.wait_for_selector(".tour", state="detached")
        page.wait_for_selector("[data-pointed]", state="detached")  # its mark goes with it
        assert page.said == []
        page.goto(served.origin)
        page.wait_for_selector(f"text={DEMO_REEL}")
        page.wait_for_timeout(200)
        assert page.locator(".tour").count() == 0
    assert (place / "shelf" / DEMO_REEL / "treatment.toml").is_file()
    with (
        serve(tmp_path, "--demo", str(place)) as served,
        browser() as chrome,
        page_of(chrome, served) as page,
    ):
        page.wait_for_selector(f"text={DEMO_REEL}")
        page.wait_for_timeout(200)
        assert page.locator(".tour").count() == 0


def test_the_tour_can_be_left_at_any_step(tmp_path, numbered_shelf, monkeypatch):
    from smallgauge.workbench.tour import Tour

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    first = Tour(wanted=True)
    assert first.shown and not Tour().shown
    first.end()
    assert not first.shown and not Tour(wanted=True).shown
