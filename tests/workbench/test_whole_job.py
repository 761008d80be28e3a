"""The whole job by keyboard alone: from the Shelf to the verdict, without one click or a focus that was not tabbed to.

Source: WCAG 2.2, 2.1.1 keyboard, 2.1.2 no keyboard trap, 2.4.3 focus order.
"""

import time

import pytest
from numbered_reel import NAME
from served import browser, chromium, page_of, serve

from smallgauge.record.files import read_decisions
from smallgauge.record.watching import read_judged

pytestmark = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
MOST_TABS = 150


def tab_to(page, selector: str) -> None:
    """Press Tab until the focus is there."""
    for _ in range(MOST_TABS):
        if page.evaluate("(s) => document.activeElement?.matches(s) ?? false", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{MOST_TABS} times Tab never came to {selector}")


def region(page, name: str) -> None:
    """Press F6 until the region has the focus."""
    for _ in range(12):
        if page.evaluate("() => document.activeElement?.dataset.region ?? ''") == name:
            return
        page.keyboard.press("F6")
    raise AssertionError(f"F6 never came to {name}")


def decide_by_keyboard(page) -> None:
    """A colour point for the scene, tried and then recorded."""
    region(page, "fields")
    tab_to(page, "input.short")
    page.keyboard.type("jt")
    page.keyboard.press("Tab")
    page.keyboard.type("the sky is too red")
    tab_to(page, "[data-channel=red]")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.wait_for_selector("text=a value that is not recorded yet")
    tab_to(page, "[data-subject=primary] button")
    page.keyboard.press("Enter")
    page.wait_for_selector("#told:has-text('recorded, revision')")


def test_from_the_shelf_to_the_verdict_by_keyboard_alone(own_shelf):
    with serve(own_shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.wait_for_selector(".reels a")
        tab_to(page, f".reels a[href$='{NAME}']")
        page.keyboard.press("Enter")
        page.wait_for_selector(".card")
        page.wait_for_selector("#drawn")
        for key in ("PageDown", "ArrowRight", "ArrowRight", "3"):  # the window has the focus from the start
            page.keyboard.press(key)
        page.wait_for_selector("canvas[data-look=corrected][data-row='32']", timeout=60_000)
        decide_by_keyboard(page)
        region(page, "work")
        tab_to(page, "#hand-upto")
        page.keyboard.type("making the films")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector(f"[data-run={NAME}][data-state=done]", timeout=60_000)
        region(page, "verdict")
        tab_to(page, "[data-region=verdict] summary")
        page.keyboard.press("Enter")
        page.wait_for_selector("video.film")
        page.evaluate("() => (document.querySelector('video.film').muted = true)")  # nobody listens here
        tab_to(page, "video.film")
        page.keyboard.press("Space")
        stop = time.monotonic() + 30
        while time.monotonic() < stop and not page.evaluate(
            "() => document.querySelector('video.film').ended"
        ):
            page.wait_for_timeout(200)
        page.wait_for_selector(
            "#watched:not(:has-text('Nothing of it'))"
        )  # all of it, on a machine with time for it
        tab_to(page, "[data-region=verdict] select")
        page.keyboard.type("ready with")
        tab_to(page, "[data-region=verdict] input.long")
        page.keyboard.type("a little red is left")
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Judged ready with remarks by jt")
        assert page.said == []
    last = read_decisions(own_shelf / NAME / "decisions.jsonl")[-1]
    assert (last.subject, last.by, last.why) == ("primary", "jt", "the sky is too red")
    assert last.value["points"][0] == 2.0 and last.anchor == "scene@32"
    assert read_judged(own_shelf / NAME)[-1].verdict == "ready with remarks"
