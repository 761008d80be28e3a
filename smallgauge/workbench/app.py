"""The pages and their JSON twins: each route asks one function of this room and writes its answer down.

Pictures are made by two workers, so that a page stays quick while one frame is decoded. What goes wrong is one sentence with
a status: 400 nonsense asked, 404 nothing there, 409 somebody decided meanwhile, 422 the reel is not what it should be.
"""

import base64
import hashlib
import json
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
from smallgauge.workbench.decide import Asked, drafted, fields_paper, record
from smallgauge.workbench.opened import CORRECTED, OpenReel, Shown
from smallgauge.workbench.packs import PackMaker
from smallgauge.workbench.papers import frame_paper, lane_values, reel_paper, rows_paper
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.strip import strip_sheet

PICTURE_WORKERS = 2
MOST_BODY = 64 * 1024  # bytes of a change
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

    def __init__(self, shelf: Shelf, packs: PackMaker, now: Callable[[], str]) -> None:
        self.shelf, self.packs, self.now = shelf, packs, now
        self.page = (STATIC / "index.html").read_text(encoding="utf-8")
        self._workers: anyio.CapacityLimiter | None = None

    def routes(self) -> list[Route | Mount]:
        """Every address of the bench."""
        reel = "/api/reel/{reel}"
        return [
            Route("/", self._page),
            Route("/reel/{reel}", self._page),
            Route("/api/shelf", self._json(lambda request: self.shelf.paper())),
            Route(reel, self._json(self._opened)),
            Route(f"{reel}/lanes", self._bytes(lambda r: lane_values(self._reel(r)))),
            Route(f"{reel}/rows", self._json(self._rows)),
            Route(f"{reel}/strip", self._bytes(self._strip, kind="image/jpeg")),
            Route(f"{reel}/frame/{{row:int}}", self._json(lambda r: frame_paper(self._reel(r), _row(r)))),
            Route(f"{reel}/fields/{{row:int}}", self._json(lambda r: fields_paper(self._reel(r), _row(r)))),
            Route(f"{reel}/values/{{row:int}}", self._json(self._values)),
            Route(f"{reel}/rough/{{row:int}}", self._picture(lambda r: self._reel(r).rough(_row(r)))),
            Route(f"{reel}/roughs", self._bytes(self._run)),
            Route(f"{reel}/true/{{row:int}}", self._picture(self._true)),
            Route(f"{reel}/try/{{row:int}}", self._try, methods=["POST"]),
            Route(f"{reel}/decide", self._decide, methods=["POST"]),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]

    def _reel(self, request: Request) -> OpenReel:
        return self.shelf.open(request.path_params["reel"])

    async def _work(self, ask: Callable[[], Any]) -> Any:
        if self._workers is None:
            self._workers = anyio.CapacityLimiter(PICTURE_WORKERS)
        return await anyio.to_thread.run_sync(ask, limiter=self._workers)

    async def _page(self, request: Request) -> Response:
        return Response(self.page, media_type="text/html")

    def _json(self, ask: Callable[[Request], Any]) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            return JSONResponse(await self._work(lambda: ask(request)))

        return answer

    def _bytes(
        self, ask: Callable[[Request], bytes], kind: str = "application/octet-stream"
    ) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            return Response(await self._work(lambda: ask(request)), media_type=kind)

        return answer

    def _picture(self, ask: Callable[[Request], Shown]) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            return _shown(await self._work(lambda: ask(request)))

        return answer

    def _opened(self, request: Request) -> dict[str, Any]:
        """The reel along its strip; a reel without a pack gets one made."""
        reel = self._reel(request)
        if reel.pack() is None:
            self.packs.want(reel.folder)
        return reel_paper(reel)

    def _rows(self, request: Request) -> dict[str, Any]:
        return rows_paper(self._reel(request), _number(request, "first", 0), _number(request, "count", 100))

    def _strip(self, request: Request) -> bytes:
        reel = self._reel(request)
        first, stop = _number(request, "first", 0), _number(request, "stop", reel.count)
        return strip_sheet(reel, first, stop, _number(request, "pictures", 16))

    def _values(self, request: Request) -> dict[str, object]:
        x, y = _number(request, "x", 0), _number(request, "y", 0)
        return self._reel(request).values(_row(request), x, y, request.query_params.get("look", ""))

    def _run(self, request: Request) -> bytes:
        """Rough looks end to end, behind their number and lengths as little-endian uint32; none where there is no pack."""
        first, count = _number(request, "first", 0), _number(request, "count", 32)
        pictures = self._reel(request).rough_run(first, first + max(1, min(count, MOST_RUN)))
        head = [len(pictures), *(len(each) for each in pictures)]
        return b"".join(n.to_bytes(4, "little") for n in head) + b"".join(pictures)

    def _true(self, request: Request) -> Shown:
        return self._reel(request).true(_row(request), request.query_params.get("look", CORRECTED))

    async def _try(self, request: Request) -> Response:
        body = await _body(request)

        def shown() -> Shown:
            reel = self._reel(request)
            return reel.true(_row(request), CORRECTED, draft=drafted(reel, _asked(body, _row(request))))

        return _shown(await self._work(shown))

    async def _decide(self, request: Request) -> Response:
        body = await _body(request)

        def decided() -> Any:
            row, revision = body.get("row"), body.get("revision")
            if type(row) is not int or type(revision) is not int:
                raise CallerError(
                    "A decision names the drawn row and the revision that was seen, both whole numbers."
                )
            words = {key: _text(body, key) for key in ("stamp", "by", "why")}
            return record(self._reel(request), _asked(body, row), revision=revision, at=self.now(), **words)

        return JSONResponse(await self._work(decided))


def make_app(shelf: Shelf, packs: PackMaker, now: Callable[[], str]) -> tuple[Starlette, str]:
    """The application over a shelf, and the policy of its page."""
    bench = Bench(shelf, packs, now)
    app = Starlette(
        routes=bench.routes(),
        exception_handlers={SmallgaugeError: _refused, HTTPException: _nothing_there},
    )
    return app, policy(bench.page)


def _refused(request: Request, error: Exception) -> Response:
    status = 409 if isinstance(error, StaleDecision) else 400 if isinstance(error, CallerError) else 422
    return JSONResponse({"error": str(error)}, status_code=status)


def _nothing_there(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 404
    return JSONResponse({"error": "The bench has nothing under this address."}, status_code=status)


def _shown(picture: Shown) -> Response:
    headers = {
        "x-stamp": picture.stamp,
        "x-look": quote(picture.label),
        "x-reduced-by": str(picture.reduced_by),
    }
    return Response(picture.jpeg, media_type="image/jpeg", headers=headers)


def _row(request: Request) -> int:
    return int(request.path_params["row"])


def _number(request: Request, name: str, without: int) -> int:
    text = request.query_params.get(name, "")
    if not text:
        return without
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise CallerError(f"{name} needs a whole number from 0, found '{text[:40]}'.")
    return int(text)


async def _body(request: Request) -> dict[str, Any]:
    data = b""
    async for part in request.stream():
        data += part
        if len(data) > MOST_BODY:
            raise CallerError("A change is small, and this one is not.")
    try:
        body = json.loads(data)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise CallerError("A change is one JSON object.")
    return body


def _text(body: dict[str, Any], key: str) -> str:
    value = body.get(key, "")
    if not isinstance(value, str):
        raise CallerError(f"{key} needs text.")
    return value


def _asked(body: dict[str, Any], row: int) -> Asked:
    text = body.get("text")
    if text is not None and not isinstance(text, str):
        raise CallerError("text needs words, or nothing to take a value back.")
    subject, at, before = _text(body, "subject"), _text(body, "at"), body.get("before") is True
    return Asked(subject=subject, text=text, row=row, at=at, before=before)
