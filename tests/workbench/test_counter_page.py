"""The counter: what the page shows and changes, by its twins and in a browser by keyboard, scanner and camera."""

import pytest
from axe import findings
from numbered_reel import AT
from served import browser, chromium, page_of, serve
from starlette.testclient import TestClient

from smallgauge.gauge.numbers import reel_number
from smallgauge.workbench.app import make_app
from smallgauge.workbench.counter import scanned_number
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

needs_browser = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
PARCEL = {
    "by": "mk",
    "client": "Wim Oster",
    "reach": "by post",
    "delete_on": "2027-03-02",
    "signed_by": "Wim Oster",
}
REEL = {"gauge": "Super 8", "box_words": "garden", "forbids": "nothing", "decides": "Wim Oster", "by": "mk"}
HOLDS = '[holds]\nlifter = "Jo Bell"\n'


@pytest.fixture
def counter(tmp_path):
    app, _ = make_app(Shelf(tmp_path), Hand(), lambda: AT)
    return TestClient(app)


def post(bench, what, /, **body):
    answer = bench.post(f"/api/counter/{what}", json=body)
    return answer.status_code, answer.json()


def test_from_door_to_door_by_the_twins(counter, tmp_path):
    (tmp_path / "shop.toml").write_text(HOLDS)
    assert counter.get("/api/counter").json()["orders"] == []
    status, order = post(counter, "parcel", **PARCEL, reels=2, boxes=1, empty_spools=1)
    assert status == 200 and order["number"] == "0000013" and order["to_take_in"] == 2
    assert [each["client"] for each in counter.get("/api/counter").json()["orders"]] == ["Wim Oster"]
    status, first = post(counter, "intake", order="0000013", **REEL)
    assert status == 200 and first["words"].endswith("1 reel to take in.")
    status, second = post(
        counter, "intake", order="0000013", **(REEL | {"forbids": "mould", "gauge": "not sure"})
    )
    assert status == 200 and len(second["notices"]) == 4
    assert second["notices"][0].startswith("mould: Keep it apart")
    # The paragraph that defers to who is qualified stands once, below all of them.
    assert ["stop and ask them" in notice for notice in second["notices"]] == [False, False, False, True]
    assert post(counter, "intake", order="0000013", **REEL)[0] == 422, "two were counted"
    told = counter.get(f"/api/counter/reel/{second['reel']}").json()
    assert set(told["condition"].values()) == {"not looked at"} and told["holds"][0]["lifter"] == "Jo Bell"
    step = {"reel": second["reel"], "by": "mk", "step": "scanned", "place": "bench"}
    assert post(counter, "note", **step)[0] == 422
    assert post(counter, "lift", hold=1, by="mk", why="dry")[0] == 400
    assert post(counter, "lift", hold=1, by="Jo Bell", why="dry")[0] == 200
    assert post(counter, "note", **step)[0] == 200
    seen = ["strip level=1.5", "strip hours=24", "strip temperature=21 C"]
    status, told = post(counter, "condition", reel=second["reel"], by="mk", seen=seen)
    assert status == 200 and "autocatalytic" in told["advice"][0]["said"]
    status, told = post(counter, "hold", reel=second["reel"], by="mk", kind="files", why="rights")
    assert status == 200 and told["holds"][0]["kind"] == "files"
    back = {"order": "0000013", "by": "mk", "to": "Wim Oster", "boxes": 1, "empty_spools": 1}
    assert post(counter, "hand-back", reels=[first["reel"]], **back)[0] == 422
    status, told = post(counter, "hand-back", reels=[first["reel"], f"SG{second['reel']}"], **back)
    assert status == 200 and told["counted"]["boxes"] == {"came": 1, "went": 1}
    assert counter.get("/api/counter").json()["orders"] == []


def test_a_label_of_another_family_is_refused_by_name(counter):
    numbers = []
    for name in ("Wim Oster", "Ada Lund"):
        _, order = post(counter, "parcel", **(PARCEL | {"client": name}), reels=1)
        numbers.append(post(counter, "intake", order=order["number"], **REEL)[1]["reel"])
    mine, theirs = numbers
    told = counter.get(f"/api/counter/scan?text=SG{mine}&order={mine[:7]}").json()
    assert told["belongs"] and told["reel"] == mine
    told = counter.get(f"/api/counter/scan?text=SG{theirs}&order={mine[:7]}").json()
    assert not told["belongs"] and told["words"].endswith("put it back where it belongs.")
    post(counter, "hand-back", order=mine[:7], by="mk", reels=[mine], to="W")
    told = counter.get(f"/api/counter/scan?text={mine}").json()
    assert not told["belongs"] and "went back to its client already" in told["words"]


@pytest.mark.parametrize(
    "text", ["SG0000013-R01-3", "0000013-R01-3", "SG0000013ßR01ß3", "0000013R013", "sg0000013/r01/3"]
)
def test_what_scanners_type(text):
    assert scanned_number(text) == reel_number(1, 1)


@pytest.mark.parametrize(
    "text", ["", "SG0000013-R01-4", "4006381333931", "SG0000031-R01-3", "x" * 500, "0000013-R01-3x" * 3]
)
def test_what_is_no_label_is_refused(counter, text):
    answer = counter.get("/api/counter/scan", params={"text": text})
    assert answer.status_code in (400, 422) and answer.json()["error"].endswith(".")


@pytest.mark.parametrize(
    ("what", "body", "status"),
    [
        ("parcel", PARCEL, 400),  # nothing was counted
        ("parcel", PARCEL | {"reels": 1, "client": " "}, 400),
        ("parcel", PARCEL | {"reels": 1, "delete_on": "soon"}, 400),
        ("parcel", PARCEL | {"reels": -1}, 400),
        ("parcel", PARCEL | {"reels": 1, "client": "a\x00b"}, 400),
        ("intake", REEL | {"order": "0000013"}, 422),  # no book
        ("intake", REEL, 400),
        ("hold", {"reel": "0000013-R01-3", "by": "mk", "kind": "all", "why": "x"}, 422),
        ("lift", {"hold": 0, "by": "mk", "why": "x"}, 400),
        ("hand-back", {"order": "0000013", "by": "mk", "reels": "all", "to": "W"}, 400),
    ],
)
def test_nonsense_is_one_sentence_and_nothing_is_written(counter, tmp_path, what, body, status):
    told, answer = post(counter, what, **body)
    assert told == status and answer["error"].endswith(".")
    orders = counter.get("/api/counter").json()["orders"]
    assert orders == []


def type_keys(page, keys):
    for key in keys:
        page.keyboard.press(key)
    return len(keys)


WEDGE = """(keys) => keys.forEach((key) => document.body.dispatchEvent(
    new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true })))"""


@needs_browser
def test_a_parcel_by_the_keyboard_alone(tmp_path):
    """Why this is long: one parcel from the count to the receipt, as a person does it; and the keys of twelve reels are counted."""
    (tmp_path / "shop.toml").write_text(HOLDS)
    seen = {}
    with serve(tmp_path) as served, browser() as chrome, page_of(chrome, served) as page:
        page.goto(f"{served.origin}/counter")
        page.wait_for_selector("#scan")
        page.wait_for_selector("summary")
        seen["empty"] = findings(page)
        page.focus("#by")
        page.keyboard.type("mk")
        page.focus("summary")
        page.keyboard.press("Enter")
        page.focus("[name=client]")
        page.keyboard.type("Wim Oster")
        page.keyboard.press("Tab")
        page.keyboard.type("by post")
        page.fill("[name=delete_on]", "2027-03-02")
        page.focus("[name=reels]")
        page.keyboard.type("12")
        page.focus("[name=boxes]")
        page.keyboard.type("1")
        page.focus("[name=signed_by]")
        page.keyboard.type("Wim Oster")
        seen["parcel"] = findings(page)
        page.keyboard.press("Enter")
        page.wait_for_selector("#intake")
        page.select_option("#gauge", "super-8")
        page.focus("#box-words")
        counts = []
        for at in range(12):
            page.keyboard.type(f"box {at}")  # words on the box: not counted
            keys = 0
            if at == 5:
                keys += type_keys(page, ["Tab", "m"])  # mould, by its first letter
                keys += type_keys(page, ["Shift+Tab"])
            if at == 6:
                keys += type_keys(page, ["Tab", "n", "Shift+Tab"])
            keys += type_keys(page, ["Enter"])
            page.wait_for_function(f"() => document.querySelectorAll('.order .reels li').length === {at + 1}")
            counts.append(keys)
        assert max(counts) <= 8 and page.evaluate("() => document.activeElement.id") != "gauge"
        print(
            f"twelve reels on the page: {max(counts)} keys at most, {sum(counts)} in all, besides the words"
        )
        assert page.inner_text("main").count("mould") >= 1
        reels = page.inner_text(".order .reels")
        assert "Super 8" in reels and "super-8" not in reels  # the trade's word, not the book's key
        seen["taken in"] = findings(page)
        # a wedge scanner: the keys of a label, faster than a hand, wherever the focus is
        page.evaluate("() => document.activeElement.blur()")
        page.evaluate(WEDGE, [*f"SG{reel_number(1, 3)}", "Enter"])
        page.wait_for_selector("#reel")
        assert reel_number(1, 3) in page.inner_text("#reel h2")
        assert "Not looked at: base" in page.inner_text("#reel")
        page.select_option("#reel [name=subject]", "shrinkage")
        page.focus("#reel [data-what=condition] [name=words]")
        page.keyboard.type("1.2")
        page.keyboard.press("Enter")
        page.wait_for_selector("#reel >> text=don't project it")
        seen["reel"] = findings(page)
        page.focus("#scan")
        page.keyboard.type("0000031-R01-3\n")
        page.wait_for_selector("[role=alert]")
        seen["refused"] = findings(page)
        for at in range(1, 13):
            page.focus("#scan")
            page.keyboard.type(f"SG{reel_number(1, at)}\n")
            page.wait_for_function(
                f"() => document.querySelector('#reel h2').innerText.includes('{reel_number(1, at)}')"
            )
        page.click("summary:has-text('12 scanned')")
        page.fill("#hand-back [name=to]", "Wim Oster")
        seen["hand-back"] = findings(page)
        page.keyboard.press("Enter")
        page.wait_for_function("() => document.querySelector('#told').innerText.includes('does not agree')")
        page.fill("#hand-back [name=boxes]", "1")
        page.keyboard.press("Enter")
        page.wait_for_function(
            "() => document.querySelector('#told').innerText.includes('12 reels went back')"
        )
        assert {state: said for state, said in seen.items() if said} == {} and len(seen) == 6
        refused = [said for said in page.said if "422" not in said and "400" not in said]
        assert refused == []


CAMERA = """
window.BarcodeDetector = class {
  async detect() { return window.code ? [{rawValue: '4006381333931'}, {rawValue: window.code}] : []; }
};
navigator.mediaDevices.getUserMedia = async () => {
  if (window.shut) throw new Error('not allowed');
  const canvas = document.createElement('canvas');
  canvas.getContext('2d').fillRect(0, 0, 10, 10);
  return canvas.captureStream(10);
};
"""


@needs_browser
def test_a_label_by_the_camera_where_the_browser_reads_codes(tmp_path):
    """The browser's own reader stands in as a stub, because the system's browser for tests has none; that is said on the page."""
    app, _ = make_app(Shelf(tmp_path), Hand(), lambda: AT)
    client = TestClient(app)
    post(client, "parcel", **PARCEL, reels=1)
    number = post(client, "intake", order="0000013", **REEL)[1]["reel"]
    with serve(tmp_path) as served, browser() as chrome, page_of(chrome, served) as page:
        page.goto(f"{served.origin}/counter")
        page.wait_for_selector("#scan")
        if not page.evaluate("() => 'BarcodeDetector' in window"):
            assert "does not read labels by camera" in page.inner_text(".labels")
        page.add_init_script(CAMERA)
        page.goto(f"{served.origin}/counter")
        page.click("text=read with the camera")
        page.wait_for_selector("video")
        assert findings(page) == []
        page.evaluate(f"() => {{ window.code = 'SG{number}'; }}")
        page.wait_for_selector("#reel")
        assert number in page.inner_text("#reel h2") and page.query_selector("video") is None
        page.evaluate("() => { window.shut = true; }")
        page.click("text=read with the camera")
        page.wait_for_selector(".labels [role=alert]")
        assert "can't be used (not allowed)" in page.inner_text(".labels")


@needs_browser
@pytest.mark.parametrize("size", [pytest.param((1280, 800), marks=pytest.mark.campaign), (640, 400)])
def test_a_small_page_loses_nothing_at_its_sides(tmp_path, size):
    from test_access import REACH

    app, _ = make_app(Shelf(tmp_path), Hand(), lambda: AT)
    client = TestClient(app)
    post(client, "parcel", **PARCEL, reels=2)
    post(client, "intake", order="0000013", **REEL)
    width, height = size
    with (
        serve(tmp_path) as served,
        browser() as chrome,
        page_of(chrome, served, width=width, height=height) as page,
    ):
        page.goto(f"{served.origin}/counter")
        page.click("text=0000013 Wim Oster")
        page.click("button.plain")
        page.wait_for_selector("#reel")
        assert findings(page) == []
        assert page.evaluate(REACH) == {"wide": 0, "cut": []}
