"""Who may speak to the bench's server: only the page that this very start opened, from this machine; or, where a shop opened the
bench to its own network, an operator with an account, over TLS.

Every request is held to the same table before any page is looked up; what does not fit gets a status of its own and a sentence.
Host is compared whole, with the port: a name that somebody else's name server points here is refused (public guide
"Preventing DNS Rebinding Attacks", NCC Group, read second-hand).
"""

import html
import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs

import anyio

from smallgauge.errors import SmallgaugeError
from smallgauge.workbench.accounts import Accounts

Refusal = tuple[int, str]

HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
)
METHODS = ("GET", "HEAD", "POST")
MOST_ADDRESS = 2000  # bytes of a path and its query
MOST_ENTRY = 4096  # bytes of a name and a passphrase
ENTRY, LEAVE = "/enter", "/leave"
OPEN_FILES = ("/static/bench.css", "/static/icon.svg")  # that the entry page needs
SESSION_S = 12 * 3600.0  # without a request; common practice, no source
MOST_SESSIONS = 200
ENTRY_POLICY = b"default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
NO_ENTRY = "Open the address that `smallgauge workbench` opened; each start has a new one."
USED = "This address was used already; start `smallgauge workbench` again for a new one."
OTHERS = "Another page asked for this, and other pages may not."


@dataclass(slots=True, kw_only=True)
class Session:
    """Somebody who came in: under which account, with which passphrase's digest, and when last heard of."""

    name: str
    digest: str
    heard: float


class Guard:
    """Stands before the application.

    Without `accounts` the bench is this machine's: `token` opens it once, and a cookie that only this server knows afterwards.
    With them it is the network's under one name: operators come in by name and passphrase, and the application is told who asks.
    """

    def __init__(
        self,
        app: Any,
        *,
        port: int,
        token: str,
        policy: str,
        accounts: Accounts | None = None,
        name: str = "",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.app, self.token, self.accounts, self.clock = app, token, accounts, clock
        self.scheme = "http" if accounts is None else "https"
        names = ("127.0.0.1", "localhost") if accounts is None else (name,)
        self.hosts = tuple(f"{each}:{port}" for each in names)
        if accounts is not None and port == 443:  # which browsers leave out
            self.hosts = (*self.hosts, name)
        self.cookie, self.secret = f"smallgauge-{port}", secrets.token_urlsafe(32)
        self.sessions: dict[str, Session] = {}
        self.headers = (*HEADERS, (b"content-security-policy", policy.encode()))

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """One request: refused, let in, or handed on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await self._http(scope, receive, send)

    async def _http(self, scope: Any, receive: Any, send: Any) -> None:
        told: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            told.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        refused = self._refusal(scope, told)
        if refused is not None:
            await _answer(send, *refused)
        elif scope["path"] == ENTRY and self.accounts is None:
            await self._enter(scope, send)
        elif scope["path"] == ENTRY:
            await self._come_in(scope, receive, send, told)
        elif scope["path"] == LEAVE and scope["method"] == "POST" and self.accounts is not None:
            self.sessions.pop(self._carried(told), None)
            await self._lead(send, ENTRY, f"{self.cookie}=; Max-Age=0; {self._flags()}")
        elif (who := self._known(told)) is None and scope["path"] not in self._free():
            if (
                self.accounts is not None
                and scope["method"] == "GET"
                and not scope["path"].startswith("/api/")
            ):
                await self._lead(send, ENTRY)
            else:
                await _answer(send, 403, NO_ENTRY if self.accounts is None else "Come in first, at /enter.")
        else:

            async def answer(message: Any) -> None:
                if message["type"] == "http.response.start":
                    named = {name.lower() for name, _ in message["headers"]}
                    added = [pair for pair in self.headers if pair[0] not in named]
                    message = {**message, "headers": [*message["headers"], *added]}
                await send(message)

            await self.app({**scope, "operator": who or ""}, receive, answer)

    def _free(self) -> tuple[str, ...]:
        return OPEN_FILES if self.accounts is not None else ()

    def _refusal(self, scope: Any, told: dict[str, list[str]]) -> Refusal | None:
        """Why a request is refused, whoever sends it; None where it is not."""
        method, entry = scope["method"], scope["path"] == ENTRY and self.accounts is not None
        host = told.get("host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            whom = "this machine only" if self.accounts is None else "the shop's own network"
            return 403, f"This page is served to {whom}, under the address that was printed."
        origin, site = told.get("origin", []), told.get("sec-fetch-site", [])
        if origin and origin != [f"{self.scheme}://{host[0]}"]:
            return 403, OTHERS
        if entry and method == "POST" and not origin:
            return 403, OTHERS
        if any(each not in ("same-origin", "none") for each in site):
            return 403, OTHERS
        if len(scope["raw_path"]) + len(scope["query_string"]) > MOST_ADDRESS:
            return 414, "The address is longer than any of this bench."
        if method not in METHODS:
            return 405, f"The bench takes {', '.join(METHODS)}."
        kind = told.get("content-type", [""])[0].partition(";")[0].strip().lower()
        wanted = "application/x-www-form-urlencoded" if entry else "application/json"
        if method == "POST" and kind != wanted:
            return 415, f"A change is sent as {wanted}."
        return None

    def _carried(self, told: dict[str, list[str]]) -> str:
        """The one value of this server's cookie that a request carries; "" where it carries none, or several."""
        pairs = [part.strip().partition("=") for line in told.get("cookie", []) for part in line.split(";")]
        carried = [value for name, _, value in pairs if name == self.cookie]
        return carried[0] if len(carried) == 1 else ""

    def _known(self, told: dict[str, list[str]]) -> str | None:
        """Who asks: "" for whoever sits at this machine, an account's name; None where nobody came in."""
        carried = self._carried(told)
        if self.accounts is None:
            return "" if secrets.compare_digest(carried.encode(), self.secret.encode()) else None
        session, now = self.sessions.get(carried), self.clock()
        if session is None:
            return None
        try:
            account = self.accounts.known().get(session.name)
        except SmallgaugeError:  # a file of accounts that can't be read lets nobody in
            account = None
        if account is None or account["digest"] != session.digest or now - session.heard > SESSION_S:
            del self.sessions[carried]
            return None
        session.heard = now
        return session.name

    def _flags(self) -> str:
        return "HttpOnly; SameSite=Strict; Path=/" + ("" if self.accounts is None else "; Secure")

    async def _enter(self, scope: Any, send: Any) -> None:
        """The one use of the token: sets the cookie and leads to the Shelf, so that the token leaves the address bar."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("t", [""])[0]
        right = bool(self.token) and secrets.compare_digest(given.encode(), self.token.encode())
        if not right or scope["method"] != "GET":
            await _answer(send, 403, USED)
            return
        self.token = ""
        await self._lead(send, "/", f"{self.cookie}={self.secret}; {self._flags()}")

    async def _come_in(self, scope: Any, receive: Any, send: Any, told: dict[str, list[str]]) -> None:
        """The entry page of a bench on the network, and what was written on it."""
        assert self.accounts is not None
        if scope["method"] != "POST":
            await self._entry_page(send, 200, "")
            return
        data, more = b"", True
        while more and len(data) <= MOST_ENTRY:
            message = await receive()
            data, more = data + message.get("body", b""), message.get("more_body", False)
        asked = parse_qs(data[:MOST_ENTRY].decode("utf-8", "replace"))
        name, passphrase = asked.get("name", [""])[0].strip(), asked.get("passphrase", [""])[0]
        place = str((scope.get("client") or ("",))[0])
        wait_s = self.accounts.wait_s(place)
        if wait_s > 0:
            await self._entry_page(
                send, 429, f"Wait {wait_s:.0f} seconds after a wrong passphrase, then try again."
            )
            return
        accounts = self.accounts
        try:
            digest = await anyio.to_thread.run_sync(lambda: accounts.check(name, passphrase, place))
        except SmallgaugeError:  # its sentence names a file, which is nobody's business out there
            words = "The accounts of this bench can't be read; look for them at the machine on which it runs."
            await self._entry_page(send, 422, words)
            return
        if digest is None:
            await self._entry_page(
                send,
                403,
                "Name and passphrase don't belong together; try again, each time after a longer wait.",
            )
            return
        self.sessions.pop(self._carried(told), None)
        while len(self.sessions) >= MOST_SESSIONS:
            del self.sessions[min(self.sessions, key=lambda each: self.sessions[each].heard)]
        secret = secrets.token_urlsafe(32)
        self.sessions[secret] = Session(name=name, digest=digest, heard=self.clock())
        await self._lead(send, "/", f"{self.cookie}={secret}; {self._flags()}")

    async def _entry_page(self, send: Any, status: int, trouble: str) -> None:
        said = f'<p role="alert" class="trouble">{html.escape(trouble)}</p>' if trouble else ""
        page = f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>The bench: come in</title><link rel="icon" href="/static/icon.svg"><link rel="stylesheet" href="/static/bench.css"></head>
<body><main class="entry"><h1>The bench</h1><p>Your name stands on every decision that you record.</p>{said}
<form method="post" action="{ENTRY}">
<label>Name <input name="name" autocomplete="username" required maxlength="40" autofocus></label>
<label>Passphrase <input name="passphrase" type="password" autocomplete="current-password" required maxlength="200"></label>
<button>come in</button></form></main></body></html>"""
        # With no referrer at all, browsers call the origin of a form's answer "null".
        headers = ((b"content-security-policy", ENTRY_POLICY), (b"referrer-policy", b"same-origin"))
        await _answer(send, status, page, kind="text/html", more=headers)

    async def _lead(self, send: Any, to: str, cookie: str = "") -> None:
        headers = [*self.headers, (b"location", to.encode()), (b"content-length", b"0")]
        if cookie:
            headers.append((b"set-cookie", cookie.encode()))
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


async def _answer(
    send: Any,
    status: int,
    words: str,
    *,
    kind: str = "text/plain",
    more: tuple[tuple[bytes, bytes], ...] = (),
) -> None:
    body = words.encode()
    headers = [
        (b"content-type", f"{kind}; charset=utf-8".encode()),
        (b"content-length", str(len(body)).encode()),
        *(pair for pair in HEADERS if pair[0] not in dict(more)),
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
