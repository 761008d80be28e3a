"""Hours of an operator's acts in a row against the running server: its memory stays, nothing complains, and what the page says was
decided is what the file holds.
"""

import contextlib
import random
import time

import httpx
import psutil
import pytest
from numbered_reel import FRAMES, NAME
from served import browser, chromium, serve

from smallgauge.record.files import read_decisions

REEL = f"/api/reel/{NAME}"
WARM = 0.15  # share of the acts after which memory is first looked at
MOST_GROWTH = 1.20  # the limit of the task
ACTS = (
    (60, "step"),
    (12, "look"),
    (10, "try"),
    (4, "decide"),
    (2, "take back"),
    (1, "decide on a picture that is not drawn"),
    (1, "decide on what somebody changed"),
    (4, "strip"),
    (3, "numbers"),
    (2, "shelf"),
    (1, "events"),
)


class Operator:
    """Somebody at the bench, by what the page would ask; `recorded` is what the bench said that it recorded."""

    def __init__(self, client: httpx.Client, seed: int) -> None:
        self.client, self.chance = client, random.Random(seed)
        self.recorded: list[tuple[int, str, bool]] = []
        self.row, self.refused, self.slow_s = 0, 0, 0.0

    def ask(self, path: str, status: tuple[int, ...] = (200,), **body: object) -> httpx.Response:
        began = time.perf_counter()
        answer = self.client.post(path, json=body) if body else self.client.get(path)
        self.slow_s = max(self.slow_s, time.perf_counter() - began)
        assert answer.status_code in status, (path, body, answer.status_code, answer.text)
        return answer

    def act(self) -> None:
        """One thing that an operator does."""
        what = self.chance.choices([name for _, name in ACTS], [weight for weight, _ in ACTS])[0]
        row = self.row
        if what == "step":
            by = self.chance.choice((-18, -1, 1, 1, 1, 18, 1000))
            self.row = self.chance.randrange(FRAMES) if by == 1000 else min(FRAMES - 1, max(0, row + by))
            self.ask(f"{REEL}/rough/{self.row}")
            self.ask(f"{REEL}/frame/{self.row}")
        elif what == "look":
            self.ask(f"{REEL}/true/{row}?look={self.chance.choice(('steadied', 'corrected'))}")
            self.ask(f"{REEL}/values/{row}?x={self.chance.randrange(256)}&y={self.chance.randrange(192)}")
        elif what == "try":
            self.ask(f"{REEL}/try/{row}", subject="primary", text=self.points())
        elif what in ("decide", "take back"):
            self.decide(None if what == "take back" else self.points())
        elif what == "decide on a picture that is not drawn":
            self.decide(self.points(), stamp="0123456789ab.0", status=(409,))
        elif what == "decide on what somebody changed":
            self.decide(self.points(), later=-1, status=(409,))
        elif what == "strip":
            first = self.chance.randrange(FRAMES - 8)
            self.ask(f"{REEL}/strip?first={first}&stop={FRAMES}&pictures=12")
            self.ask(f"{REEL}/roughs?first={first}&count=32")
        elif what == "numbers":
            self.ask(f"{REEL}/rows?first={row}&count=100")
            self.ask(f"{REEL}/lanes")
        elif what == "shelf":
            self.ask("/api/shelf")
            self.ask(REEL)
        else:
            with self.client.stream("GET", "/api/hand/events") as stream:
                assert next(stream.iter_lines()).startswith("retry:")

    def points(self) -> str:
        return f"points {self.chance.randrange(-8, 9)} {self.chance.randrange(-8, 9)} 0"

    def decide(
        self, text: str | None, *, stamp: str = "", later: int = 0, status: tuple[int, ...] = (200,)
    ) -> None:
        fields = self.ask(f"{REEL}/fields/{self.row}").json()
        stamp = stamp or self.ask(f"{REEL}/frame/{self.row}").json()["stamp"]
        why = f"act {len(self.recorded)}"
        body = {"subject": "primary", "text": text, "row": self.row, "stamp": stamp, "by": "mk", "why": why}
        told = self.ask(f"{REEL}/decide", status, **body, revision=fields["revision"] + later)
        if told.status_code == 200:
            self.recorded.append((told.json()["revision"], why, text is not None))
        else:
            self.refused += 1


def use(shelf, acts: int, seed: int) -> dict[str, float]:
    """So many acts; what they did to the server."""
    with serve(shelf) as served:
        with httpx.Client(base_url=served.origin, follow_redirects=True, timeout=60) as client:
            assert client.get(served.address).status_code == 200
            server = next(c for c in psutil.Process().children(recursive=True) if served.port in ports(c))
            operator, began, warm = Operator(client, seed), time.monotonic(), 0
            for number in range(acts):
                operator.act()
                if number == int(WARM * acts):
                    warm = server.memory_info().rss
            grown = server.memory_info().rss / warm
            log = [each for each in read_decisions(shelf / NAME / "decisions.jsonl") if each.by == "mk"]
            assert [(d.revision, d.why, d.value is not None) for d in log] == operator.recorded
            said = client.get(f"{REEL}/fields/0").json()["log"]
            assert [each["why"] for each in said] == [why for _, why, _ in reversed(operator.recorded)][:50]
            assert operator.refused >= 1 and grown < MOST_GROWTH, (operator.refused, grown)
            took = time.monotonic() - began
        if chromium() is not None:
            check_page(served, operator)
    return {"acts": acts, "decisions": len(log), "refused": operator.refused, "memory": grown, "s": took}


def ports(process: psutil.Process) -> list[int]:
    return [c.laddr.port for c in process.net_connections("tcp") if c.status == "LISTEN"]


def check_page(served, operator: Operator) -> None:
    """The list on the page, read by a person: the decisions of the file, the last one first."""
    with browser() as chrome, page_with(chrome, served, operator) as page:
        page.goto(f"{served.origin}/reel/{NAME}")
        page.wait_for_selector(".card")
        page.click("summary:has-text('What was decided')")
        lines = page.locator(".log li").all_inner_texts()
        assert [line.rpartition(": ")[2] for line in lines] == [
            why for _, why, _ in reversed(operator.recorded)
        ][:50]


@contextlib.contextmanager
def page_with(chrome, served, operator: Operator):
    """A page that has the operator's cookie, since the token was used."""
    context = chrome.new_context()
    ((name, value),) = operator.client.cookies.items()
    context.add_cookies([{"name": name, "value": value, "url": served.origin}])
    try:
        yield context.new_page()
    finally:
        context.close()


def test_an_operator_s_acts_leave_the_server_as_it_was(own_shelf):
    use(own_shelf, 300, seed=5)


@pytest.mark.campaign
def test_eight_hours_of_acts_leave_the_server_as_it_was(own_shelf):
    print(use(own_shelf, 10_000, seed=6))
