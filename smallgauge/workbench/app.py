"""The pages and their JSON twins: each route asks one function of this room and writes its answer down.

A subject with addresses of its own gives them from its own file (`hand_pages.py`) and one line in `Bench.addresses`.

Pictures are made by two workers, so that a page stays quick while one frame is decoded. What goes wrong is one sentence with
a status: 400 nonsense asked, 404 nothing there, 409 somebody decided meanwhile, 422 the reel is not what it should be.
"""

import base64
import hashlib
import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

import anyio
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.record.treatment import StaleDecision
from smallgauge.workbench.addresses import (
    BYTES,
    JPEG,
    PAGE,
    PNG,
    TEXT,
    WHOLE,
    YES_NO,
    Address,
    Answer,
    Asked,
    change,
    describe,
    number,
    operator_of,
    or_nothing,
)
from smallgauge.workbench.agreed import Agreed
from smallgauge.workbench.back import back_addresses
from smallgauge.workbench.counter import Counter
from smallgauge.workbench.decide import Asked as Field
from smallgauge.workbench.decide import drafted, fields_paper, record
from smallgauge.workbench.hand import Hand, InHand
from smallgauge.workbench.hand_pages import hand_addresses
from smallgauge.workbench.kept import kept_addresses
from smallgauge.workbench.looks import CORRECTED, LOOKS, Shown
from smallgauge.workbench.marks import mark_addresses
from smallgauge.workbench.night_page import night_addresses
from smallgauge.workbench.notes import note_addresses
from smallgauge.workbench.opened import OpenReel
from smallgauge.workbench.outlines import crop_png, outlines_paper
from smallgauge.workbench.papers import frame_paper, lane_values, reel_paper, rows_paper
from smallgauge.workbench.photographs import photograph_addresses
from smallgauge.workbench.picks import pick_addresses
from smallgauge.workbench.release_page import Releasing, release_addresses
from smallgauge.workbench.scenes import scene_addresses
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.sound_page import sound_addresses
from smallgauge.workbench.strip import strip_sheet
from smallgauge.workbench.tour import Tour
from smallgauge.workbench.watching import watching_addresses

PICTURE_WORKERS = 2
REEL = "/api/reel/{reel}"
MOST_RUN = 64  # rough looks in one answer
STATIC = Path(str(files("smallgauge.workbench") / "static"))


def policy(page: str) -> str:
    """The page's Content-Security-Policy: nothing from anywhere else, the import map by its digest."""
    maps = re.findall(r'<script type="importmap">(.*?)</script>', page, re.DOTALL)
    digests = "".join(
        f" 'sha256-{base64.b64encode(hashlib.sha256(each.encode()).digest()).decode()}'" for each in maps
    )
    return (
        f"default-src 'self'; script-src 'self'{digests}; img-src 'self' blob:; object-src 'none'; base-uri 'none'; "
        "form-action 'self'; frame-ancestors 'none'"
    )


class Bench:
    """The application's answers; `now` gives the moment of a decision."""

    def __init__(self, shelf: Shelf, hand: Hand, now: Callable[[], str], tour: Tour) -> None:
        self.shelf, self.hand, self.now, self.tour = shelf, hand, now, tour
        self.counter = Counter(shelf.folder, now)
        self.agreed, self.releasing = Agreed(self.counter), Releasing()
        self.page = (STATIC / "index.html").read_text(encoding="utf-8")
        self._workers: anyio.CapacityLimiter | None = None

    def addresses(self) -> tuple[Address, ...]:
        """Every address of the bench: the one list from which routes and description are made."""
        return (
            *self._pages(),
            *self._strip_of(),
            *self._pictures(),
            *self._capture_itself(),
            *self._treatment(),
            *kept_addresses(self),
            *pick_addresses(self),
            *scene_addresses(self),
            *back_addresses(self),
            *hand_addresses(self),
            *watching_addresses(self),
            *mark_addresses(self),
            *photograph_addresses(self),
            *note_addresses(self),
            *sound_addresses(self),
            *self.counter.addresses(self.twin, self._page),
            *self.agreed.addresses(self.twin, self.data),
            *night_addresses(self, self._page),
            *release_addresses(self, self._page),
        )

    def _pages(self) -> tuple[Address, ...]:
        """The pages, their twins and the description."""
        return (
            Address(path="/", says="The Shelf.", answer=self._page, gives=PAGE),
            Address(path="/reel/{reel}", says="One reel at the bench.", answer=self._page, gives=PAGE),
            Address(
                path="/api/description",
                says="This description.",
                answer=self.twin(lambda request: describe(self.addresses())),
                gives={"openapi": "string", "info": "object", "paths": "object"},
            ),
            Address(
                path="/api/session",
                says="Who asks: the account's name on a bench that a shop opened to its network, nobody's on one of this machine.",
                answer=self.twin(
                    lambda request: {"operator": operator_of(request) or None, "tour": self.tour.shown}
                ),
                gives={"operator": "string or null", "tour": "boolean"},
            ),
            Address(
                path="/api/tour/end",
                says="Never show the tour of a first run again.",
                answer=self.twin(lambda request: self.tour.end()),
                takes=change(),
                gives={"tour": "boolean"},
            ),
            Address(
                path="/api/shelf",
                says="The Shelf: where each reel stands, and how many places want a look.",
                answer=self.twin(lambda request: self.shelf.paper()),
                gives={
                    "shelf": "string",
                    "reels": "array",
                    "orders": "array",
                    "orders_trouble": "string",
                    "captures": "array",
                },
            ),
        )

    def _strip_of(self) -> tuple[Address, ...]:
        """What the strip shows."""
        return (
            Address(
                path=REEL,
                says="The reel along its strip; a reel without a pack gets one made.",
                answer=self.twin(self._opened),
                gives={
                    "reel": "string",
                    "frames": "integer",
                    "revision": "integer",
                    "scenes": "array",
                    "flags": "array",
                    "lanes": "array",
                },
            ),
            Address(
                path=f"{REEL}/lanes",
                says="The lanes one after the other, a 32-bit number a frame, little-endian; NaN where it is not known.",
                answer=self.data(lambda r: lane_values(self.reel(r))),
                gives=BYTES,
            ),
            Address(
                path=f"{REEL}/rows",
                says="A stretch of frames as a table.",
                answer=self.twin(self._rows),
                asks=(_FIRST, Asked(name="count", says="how many frames, at most 500; 100 unless said")),
                gives={
                    "first": "integer",
                    "stop": "integer",
                    "of": "integer",
                    "columns": "array",
                    "rows": "array",
                },
            ),
            Address(
                path=f"{REEL}/strip",
                says="Little pictures of a stretch, side by side.",
                answer=self.data(self._strip, kind=JPEG),
                asks=(
                    _FIRST,
                    Asked(name="stop", says="the first frame outside; the end of the reel unless said"),
                    Asked(name="pictures", says="how many, at most 64; 16 unless said"),
                ),
                gives=JPEG,
            ),
            Address(
                path=f"{REEL}/frame/{{row:int}}",
                says="Everything that is said about one drawn frame.",
                answer=self.twin(self._frame),
                gives={
                    "row": "integer",
                    "stamp": "string",
                    "file": "string",
                    "flags": "array",
                    "lanes": "object",
                },
            ),
        )

    def _pictures(self) -> tuple[Address, ...]:
        """What the picture window shows."""
        return (
            Address(
                path=f"{REEL}/values/{{row:int}}",
                says="Code values, light and density of one pixel of the capture.",
                answer=self.twin(self._values),
                asks=(
                    Asked(name="x", says="pixel across; 0 unless said"),
                    Asked(name="y", says="pixel along; 0 unless said"),
                    _LOOK,
                ),
                gives={
                    "row": "integer",
                    "x": "integer",
                    "y": "integer",
                    "code": "array",
                    "light": "array",
                    "density": "array",
                },
            ),
            Address(
                path=f"{REEL}/rough/{{row:int}}",
                says="The whole capture of a frame, small (rough look).",
                answer=self.picture(lambda r: self.reel(r).rough(row_of(r))),
                gives=JPEG,
            ),
            Address(
                path=f"{REEL}/roughs",
                says="Rough looks of a stretch, end to end, behind their number and lengths as little-endian uint32.",
                answer=self.data(self._run),
                asks=(_FIRST, Asked(name="count", says="how many, at most 64; 32 unless said")),
                gives=BYTES,
            ),
            Address(
                path=f"{REEL}/true/{{row:int}}",
                says="The frame as it is rendered from its capture, then reduced (true look).",
                answer=self.picture(self._true),
                asks=(_LOOK,),
                gives=JPEG,
            ),
        )

    def _capture_itself(self) -> tuple[Address, ...]:
        """What the picture window shows of the capture itself."""
        return (
            Address(
                path=f"{REEL}/outlines/{{row:int}}",
                says="What was measured in a captured frame, by place: perforations, gate, what is shown, specks.",
                answer=self.twin(lambda r: outlines_paper(self.reel(r), row_of(r))),
                gives={
                    "row": "integer",
                    "size": "array",
                    "perforations": "array",
                    "gate": "object",
                    "specks": "array",
                    "dirt": "object or null",
                },
            ),
            Address(
                path=f"{REEL}/pixels/{{row:int}}",
                says="A part of a captured frame, pixel for pixel, as PNG of 16 bits, encoded for display.",
                answer=self.data(self._pixels, kind=PNG),
                asks=(
                    Asked(name="x", says="first pixel across; 0 unless said"),
                    Asked(name="y", says="first pixel along; 0 unless said"),
                    Asked(name="width", says="pixels across, at most 1024; 512 unless said"),
                    Asked(name="height", says="pixels along, at most 1024; 512 unless said"),
                ),
                gives=PNG,
            ),
        )

    def _treatment(self) -> tuple[Address, ...]:
        """What is decided, tried and recorded."""
        return (
            Address(
                path=f"{REEL}/fields/{{row:int}}",
                says="The treatment of a drawn frame, field by field: measured, operator's, difference.",
                answer=self.twin(lambda r: fields_paper(self.reel(r), row_of(r))),
                gives={
                    "row": "integer",
                    "revision": "integer",
                    "fields": "array",
                    "names": "object",
                    "log": "array",
                },
            ),
            Address(
                path=f"{REEL}/try/{{row:int}}",
                says="The true look under a value that is tried and not kept.",
                answer=self.picture(self._tried),
                takes=change(("subject",), subject=TEXT, text=or_nothing(TEXT), at=TEXT, before=YES_NO),
                gives=JPEG,
            ),
            Address(
                path=f"{REEL}/decide",
                says="Record a decision for the drawn frame; refused where somebody decided since the revision that was seen.",
                answer=self.twin(self._decided),
                takes=change(
                    ("subject", "row", "stamp", "revision", "by", "why"),
                    subject=TEXT,
                    text=or_nothing(TEXT),
                    at=TEXT,
                    before=YES_NO,
                    row=WHOLE,
                    stamp=TEXT,
                    revision=WHOLE,
                    by=TEXT,
                    why=TEXT,
                ),
                gives={"revision": "integer"},
            ),
        )

    def routes(self) -> list[Route | Mount]:
        """Every address as a route, and the files of the page."""
        return [*(each.route() for each in self.addresses()), Mount("/static", StaticFiles(directory=STATIC))]

    def reel(self, request: Request) -> OpenReel:
        """The open reel that an address names, and a row of it, where the address names one."""
        reel = self.shelf.open(request.path_params["reel"])
        if "row" in request.path_params:
            reel.check_row(row_of(request))
        return reel

    async def _work(self, ask: Callable[[], Any]) -> Any:
        if self._workers is None:
            self._workers = anyio.CapacityLimiter(PICTURE_WORKERS)

        def asked() -> Any:
            try:
                return ask()
            except KeyboardInterrupt:  # which polars gives to every thread that reads a table
                raise HTTPException(503, "The bench is being stopped.") from None

        return await anyio.to_thread.run_sync(asked, limiter=self._workers)

    async def _page(self, request: Request) -> Response:
        return Response(self.page, media_type="text/html")

    def twin(self, ask: Callable[[Request], Any]) -> Answer:
        """An answer that is a JSON document."""

        async def answer(request: Request) -> Response:
            return JSONResponse(await self._work(lambda: ask(request)))

        return answer

    def data(self, ask: Callable[[Request], bytes], kind: str = BYTES) -> Answer:
        """An answer that is bytes of a kind."""

        async def answer(request: Request) -> Response:
            return Response(await self._work(lambda: ask(request)), media_type=kind)

        return answer

    def picture(self, ask: Callable[[Request], Shown]) -> Answer:
        """An answer that is a picture with its stamp."""

        async def answer(request: Request) -> Response:
            return _shown(await self._work(lambda: ask(request)))

        return answer

    def _opened(self, request: Request) -> dict[str, Any]:
        """The reel along its strip; a reel without a pack gets one made."""
        reel = self.reel(request)
        if reel.pack() is None:
            self.hand.want(reel.folder)
        return reel_paper(reel)

    def _frame(self, request: Request) -> dict[str, Any]:
        """What is said of a drawn frame; it and the scenes around it are decoded meanwhile."""
        reel, row = self.reel(request), row_of(request)
        reel.ahead(row)
        return frame_paper(reel, row)

    def _rows(self, request: Request) -> dict[str, Any]:
        return rows_paper(self.reel(request), number(request, "first", 0), number(request, "count", 100))

    def _strip(self, request: Request) -> bytes:
        reel = self.reel(request)
        first, stop = number(request, "first", 0), number(request, "stop", reel.count)
        return strip_sheet(reel, first, stop, number(request, "pictures", 16))

    def _values(self, request: Request) -> dict[str, object]:
        x, y = number(request, "x", 0), number(request, "y", 0)
        return self.reel(request).values(row_of(request), x, y, request.query_params.get("look", ""))

    def _run(self, request: Request) -> bytes:
        """Rough looks end to end, behind their number and lengths as little-endian uint32; none where there is no pack."""
        first, count = number(request, "first", 0), number(request, "count", 32)
        pictures = self.reel(request).rough_run(first, first + max(1, min(count, MOST_RUN)))
        head = [len(pictures), *(len(each) for each in pictures)]
        return b"".join(n.to_bytes(4, "little") for n in head) + b"".join(pictures)

    def _pixels(self, request: Request) -> bytes:
        x, y = number(request, "x", 0), number(request, "y", 0)
        width, height = number(request, "width", 512), number(request, "height", 512)
        return crop_png(self.reel(request), row_of(request), x, y, width, height)

    def _true(self, request: Request) -> Shown:
        return self.reel(request).true(row_of(request), request.query_params.get("look", CORRECTED))

    def _tried(self, request: Request) -> Shown:
        reel, row = self.reel(request), row_of(request)
        return reel.true(row, CORRECTED, draft=drafted(reel, _asked(request.state.body, row)))

    def _decided(self, request: Request) -> Any:
        body = request.state.body
        words = {key: body[key] for key in ("stamp", "by", "why")}
        asked = _asked(body, body["row"])
        return record(self.reel(request), asked, revision=body["revision"], at=self.now(), **words)


def make_app(
    shelf: Shelf, hand: Hand, now: Callable[[], str], tour: Tour | None = None
) -> tuple[Starlette, str]:
    """The application over a shelf, and the policy of its page."""
    bench = Bench(shelf, hand, now, tour or Tour())
    app = Starlette(
        routes=bench.routes(),
        exception_handlers={SmallgaugeError: _refused, HTTPException: _nothing_there, Exception: _failed},
    )
    return app, policy(bench.page)


def _refused(request: Request, error: Exception) -> Response:
    status = (
        409 if isinstance(error, StaleDecision | InHand) else 400 if isinstance(error, CallerError) else 422
    )
    return JSONResponse({"error": str(error)}, status_code=status)


def _failed(request: Request, error: Exception) -> Response:
    """A mistake of ours: the server's log has the rest."""
    words = (
        f"The program itself failed ({type(error).__name__}); please report this with what the bench printed."
    )
    return JSONResponse({"error": words}, status_code=500)


def _nothing_there(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    words = "The bench has nothing under this address."
    if status == 503 and isinstance(error, HTTPException):
        words = error.detail
    return JSONResponse({"error": words}, status_code=status)


def _shown(picture: Shown) -> Response:
    headers = {
        "x-stamp": picture.stamp,
        "x-look": quote(picture.label),
        "x-reduced-by": str(picture.reduced_by),
    }
    return Response(picture.jpeg, media_type="image/jpeg", headers=headers)


def row_of(request: Request) -> int:
    """The row that an address names."""
    return int(request.path_params["row"])


def _asked(body: dict[str, Any], row: int) -> Field:
    subject, at, before = body["subject"], body.get("at", ""), body.get("before") is True
    return Field(subject=subject, text=body.get("text"), row=row, at=at, before=before)


_FIRST = Asked(name="first", says="the first frame; 0 unless said")
_LOOK = Asked(name="look", says="which look", schema={"type": "string", "enum": ["", "capture", *LOOKS]})
