"""The bench as a person starts it, in a process of its own, and a browser that looks at it."""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

FLAGS = [
    "--headless",
    "--no-sandbox",  # only because tests may run as root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


class Served:
    """A running bench: its address with the token, and its port."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.port = urlsplit(address).port or 0
        self.origin = f"{urlsplit(address).scheme}://{urlsplit(address).netloc}"
        self.token = urlsplit(address).query.removeprefix("t=")


@contextmanager
def serve(shelf: Path, *more: str) -> Iterator[Served]:
    """`smallgauge workbench` over a shelf; it must end quietly when it is stopped."""
    command = [sys.executable, "-m", "smallgauge", "workbench", str(shelf), "--no-browser", "--json", *more]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ)
    )
    try:
        assert process.stdout is not None and process.stderr is not None
        line = process.stdout.readline()
        if not line:
            raise RuntimeError(process.stderr.read())
        yield Served(json.loads(line)["address"])
    finally:
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
        assert "Traceback" not in said and "leaked" not in said, said


def chromium() -> str | None:
    """The system's browser; None where there is none."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def browser():
    """The system's browser, without a window; one at a time in a process."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        try:
            yield started
        finally:
            started.close()


@contextmanager
def page_of(browser, served: Served, *, width: int = 1280, height: int = 800, trusting: bool = False):
    """A page, with no memory of any other, that has entered the bench.

    `trusting`: takes a certificate that nobody vouches for.
    `page.asked` are the addresses of all its requests, `page.said` what the console said.
    """
    context = browser.new_context(viewport={"width": width, "height": height}, ignore_https_errors=trusting)
    page = context.new_page()
    page.asked, page.said = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: page.said.append(f"error: {error}"))
    page.goto(served.address)
    try:
        yield page
    finally:
        context.close()
