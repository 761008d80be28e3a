"""Who may speak to the bench's server: only the page that this very start opened, from this machine.

Every request is held to the same table before any page is looked up; what does not fit gets 403, 405 or 415 and a sentence.
Host is compared whole, with the port: a name that somebody else's name server points here is refused (public guide
"Preventing DNS Rebinding Attacks", NCC Group, read second-hand).
"""

import secrets
from typing import Any
from urllib.parse import parse_qs

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
ENTRY = "/enter"


class Guard:
    """Stands before the application; `token` opens it once, and a cookie that only this server knows afterwards."""

    def __init__(self, app: Any, *, port: int, token: str, policy: str) -> None:
        self.app, self.token = app, token
        self.hosts = (f"127.0.0.1:{port}", f"localhost:{port}")
        self.cookie, self.secret = f"smallgauge-{port}", secrets.token_urlsafe(32)
        self.headers = (*HEADERS, (b"content-security-policy", policy.encode()))

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """One request: refused, let in by the token, or handed on."""
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
        refused = self._refusal(scope["method"], told)
        if len(scope["raw_path"]) + len(scope["query_string"]) > MOST_ADDRESS:
            refused = refused or (414, "The address is longer than any of this bench.")
        if refused is None and scope["path"] == ENTRY:
            await self._enter(scope, send)
        elif refused is None and not self._known(told):
            await _answer(
                send, 403, "Open the address that `smallgauge workbench` opened; each start has a new one."
            )
        elif refused is not None:
            await _answer(send, *refused)
        else:

            async def answer(message: Any) -> None:
                if message["type"] == "http.response.start":
                    named = {name.lower() for name, _ in message["headers"]}
                    added = [pair for pair in self.headers if pair[0] not in named]
                    message = {**message, "headers": [*message["headers"], *added]}
                await send(message)

            await self.app(scope, receive, answer)

    def _refusal(self, method: str, told: dict[str, list[str]]) -> Refusal | None:
        """Why a request is refused, whoever sends it; None where it is not."""
        host = told.get("host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return 403, "This page is served to this machine only, under the address that was printed."
        origin, site = told.get("origin", []), told.get("sec-fetch-site", [])
        if origin and origin != [f"http://{host[0]}"]:
            return 403, "Another page asked for this, and other pages may not."
        if any(each not in ("same-origin", "none") for each in site):
            return 403, "Another page asked for this, and other pages may not."
        if method not in METHODS:
            return 405, f"The bench takes {', '.join(METHODS)}."
        kind = told.get("content-type", [""])[0].partition(";")[0].strip().lower()
        if method == "POST" and kind != "application/json":
            return 415, "A change is sent as application/json."
        return None

    def _known(self, told: dict[str, list[str]]) -> bool:
        """Whether the request carries this server's cookie."""
        pairs = [part.strip().partition("=") for line in told.get("cookie", []) for part in line.split(";")]
        carried = [value for name, _, value in pairs if name == self.cookie]
        return len(carried) == 1 and secrets.compare_digest(carried[0].encode(), self.secret.encode())

    async def _enter(self, scope: Any, send: Any) -> None:
        """The one use of the token: sets the cookie and leads to the Shelf, so that the token leaves the address bar."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("t", [""])[0]
        right = bool(self.token) and secrets.compare_digest(given.encode(), self.token.encode())
        if not right or scope["method"] != "GET":
            await _answer(
                send, 403, "This address was used already; start `smallgauge workbench` again for a new one."
            )
            return
        self.token = ""
        cookie = f"{self.cookie}={self.secret}; HttpOnly; SameSite=Strict; Path=/"
        headers = [
            *self.headers,
            (b"location", b"/"),
            (b"set-cookie", cookie.encode()),
            (b"content-length", b"0"),
        ]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


async def _answer(send: Any, status: int, words: str) -> None:
    body = words.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
