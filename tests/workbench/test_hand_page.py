"""Work in hand on the page: a run started by the keyboard, seen going on, paused, stopped, and started again after a reload."""

import pytest
from numbered_reel import NAME
from served import browser, chromium, page_of, serve

pytestmark = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")


def test_a_run_is_started_paused_stopped_and_started_again_from_the_page(own_shelf):
    with serve(own_shelf) as served, browser() as chrome, page_of(chrome, served) as page:
        page.wait_for_selector("#hand-upto option", state="attached")
        page.select_option("#hand-upto", "render")
        page.focus(".work form button")
        page.keyboard.press("Enter")
        run = f"[data-run={NAME}]"
        page.wait_for_selector(f"{run}[data-state=running] progress")
        page.wait_for_selector("text=machine is working")
        page.click(f"{run} button:has-text('pause')")
        page.wait_for_selector(f"{run}[data-state=paused]")
        page.reload()
        page.wait_for_selector(f"{run}[data-state=paused]:has-text('pausing')")
        page.click(f"{run} button:has-text('stop')")
        page.wait_for_selector(f"{run}[data-state=stopped]:has-text('goes on from there')")
        page.click(f"{run} button:has-text('start again')")
        page.wait_for_selector(f"{run}[data-state=done]", timeout=60_000)
        page.wait_for_selector("text=copies made")
        page.click(f"{run} button:has-text('put away')")
        page.wait_for_selector("text=Nothing is in hand.")
        assert page.said == []
        page.click(f"text={NAME}")
        page.wait_for_selector(f".work:has-text('Put {NAME} in hand')")
