"""The description of the bench's addresses is true of the bench.

Source: OpenAPI Specification 3.1.0.
"""

import pytest
from numbered_reel import AT, NAME
from starlette.testclient import TestClient

from smallgauge.workbench.addresses import describe, unfit
from smallgauge.workbench.app import Bench, make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.tour import Tour

NONSENSE = [
    (f"/api/reel/{NAME}/rows?first=x", "first needs a whole number"),
    (f"/api/reel/{NAME}/rows?first=-1", "first needs a whole number from 0"),
    (f"/api/reel/{NAME}/rows?first=1&first=2", "first is given once"),
    (f"/api/reel/{NAME}/rows?last=1", "knows no 'last'"),
    (f"/api/reel/{NAME}/true/1?look=other", "look needs one of"),
]


@pytest.fixture(scope="module")
def bench(numbered_shelf):
    app, _ = make_app(Shelf(numbered_shelf), Hand(), lambda: AT)
    return TestClient(app)


def test_every_route_is_described_and_every_description_is_a_route(bench, numbered_shelf):
    told = bench.get("/api/description").json()
    addresses = Bench(Shelf(numbered_shelf), Hand(), lambda: AT, Tour()).addresses()
    assert told == describe(addresses) and told["openapi"] == "3.1.0"
    for each in addresses:
        path = each.path.replace(":int", "")
        assert each.method.lower() in told["paths"][path], each.path
        assert each.says.endswith(".") and told["paths"][path][each.method.lower()]["summary"] == each.says
    twins = {path for path, told in told["paths"].items() if path.startswith("/api/")}
    assert {"/api/shelf", "/api/reel/{reel}"} <= twins  # of the two pages


@pytest.mark.parametrize(("address", "words"), NONSENSE)
def test_a_query_that_is_not_as_described_is_refused(bench, address, words):
    answer = bench.get(address)
    assert answer.status_code == 400 and words in answer.json()["error"]


def test_what_is_asked_while_the_bench_is_stopped_is_no_failure(numbered_shelf, monkeypatch):
    # polars gives an interrupt to every thread that reads a table, not to the first one alone
    app, _ = make_app(Shelf(numbered_shelf), Hand(), lambda: AT)

    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("smallgauge.workbench.app.outlines_paper", stopped)
    answer = TestClient(app).get(f"/api/reel/{NAME}/outlines/1")
    assert (answer.status_code, answer.json()) == (503, {"error": "The bench is being stopped."})


@pytest.mark.parametrize(
    "body", [b"", b"[]", b'"x"', b"{", b'{"subject": NaN}', b'{"subject": "\\ud800"}', b"[" * 50_000, b"\xff"]
)
def test_a_body_that_is_no_object_is_refused(bench, body):
    answer = bench.post(f"/api/reel/{NAME}/try/1", content=body)
    assert answer.status_code == 400 and answer.json()["error"].startswith("A change")


@pytest.mark.parametrize(
    ("value", "schema", "words"),
    [
        (True, {"type": "integer"}, "a whole number"),
        (1, {"type": "boolean"}, "yes or no (true, false)"),
        (None, {"type": ["string", "null"]}, ""),
        (5, {"type": ["integer", "null"], "minimum": 0, "maximum": 4}, "a whole number or nothing (null) from 0 to 4"),
        ("long", {"type": "string", "maxLength": 3}, "text of at most 3 characters"),
        ([1, "x"], {"type": "array", "items": {"type": "integer"}}, "a list in which each is a whole number"),
        ("c", {"type": "string", "enum": ["a", "b"]}, "one of a, b"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_said(value, schema, words):
    assert unfit(value, schema) == words
