"""Who may speak to the bench: the attack table, by raw sockets against the running server.

The table is that of common web weaknesses against servers of one's own machine: foreign Host (DNS rebinding), foreign Origin
(request forgery), no or a wrong token, other methods and kinds, and ways out of a folder.
"""

import re
import socket

import pytest
from served import serve


@pytest.fixture(scope="module")
def running(numbered_shelf):
    with serve(numbered_shelf) as served:
        cookie = entered(served, served.token)
        yield served, cookie


def speak(port: int, lines: list[str], body: str = "") -> tuple[int, str]:
    """Send a request as it stands; the status and everything that came back."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(("\r\n".join([*lines, "Connection: close", "", ""]) + body).encode())
        data = b""
        while part := connection.recv(65536):
            data += part
    return int(data.split(b" ", 2)[1]), data.decode("latin-1")


def entered(served, token: str) -> str:
    """Use the token; the cookie that came, or "" where the bench refused."""
    _, told = speak(served.port, [f"GET /enter?t={token} HTTP/1.1", f"Host: 127.0.0.1:{served.port}"])
    found = re.search(r"set-cookie: (smallgauge-\d+=[^;]+); HttpOnly; SameSite=Strict", told)
    return found.group(1) if found else ""


def get(path: str, host: str, *more: str) -> list[str]:
    return [f"GET {path} HTTP/1.1", f"Host: {host}", *more]


def test_the_right_page_is_served_and_its_answers_are_closed_to_others(running):
    served, cookie = running
    status, told = speak(served.port, get("/", f"127.0.0.1:{served.port}", f"Cookie: {cookie}"))
    assert status == 200
    head = told.partition("\r\n\r\n")[0].lower()
    for said in (
        "content-security-policy: default-src 'self'; script-src 'self' 'sha256-",
        "frame-ancestors 'none'",
        "x-content-type-options: nosniff",
        "cross-origin-resource-policy: same-origin",
        "referrer-policy: no-referrer",
    ):
        assert said in head, said
    assert "unsafe" not in head


def test_the_token_works_once(running):
    served, cookie = running
    assert cookie and entered(served, served.token) == "" and entered(served, "") == ""
    status, _ = speak(served.port, get("/", f"localhost:{served.port}", f"Cookie: {cookie}"))
    assert status == 200


ATTACKS = [
    ("no cookie", lambda p, c: get("/", f"127.0.0.1:{p}"), 403),
    ("no cookie on a twin", lambda p, c: get("/api/shelf", f"127.0.0.1:{p}"), 403),
    ("no cookie on a script", lambda p, c: get("/static/main.js", f"127.0.0.1:{p}"), 403),
    ("wrong cookie", lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: smallgauge-{p}=guessed"), 403),
    ("cookie twice", lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}; {c}"), 403),
    ("cookie of another port", lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: x{c}"), 403),
    ("wrong token", lambda p, c: get("/enter?t=guessed", f"127.0.0.1:{p}"), 403),
    ("foreign Host", lambda p, c: get("/", "bench.example", f"Cookie: {c}"), 403),
    ("foreign Host that begins right", lambda p, c: get("/", f"127.0.0.1:{p}.example", f"Cookie: {c}"), 403),
    ("Host without port", lambda p, c: get("/", "127.0.0.1", f"Cookie: {c}"), 403),
    ("Host with another port", lambda p, c: get("/", "127.0.0.1:1", f"Cookie: {c}"), 403),
    ("Host of all addresses", lambda p, c: get("/", f"0.0.0.0:{p}", f"Cookie: {c}"), 403),
    (
        "two Hosts",
        lambda p, c: get("/", f"127.0.0.1:{p}", f"Host: 127.0.0.1:{p}", f"Cookie: {c}"),
        (400, 403),
    ),
    ("no Host", lambda p, c: ["GET / HTTP/1.0", f"Cookie: {c}"], 403),
    (
        "foreign Origin",
        lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}", "Origin: http://other.example"),
        403,
    ),
    ("Origin null", lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}", "Origin: null"), 403),
    (
        "Origin of another port",
        lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}", "Origin: http://127.0.0.1:1"),
        403,
    ),
    (
        "asked for by another site",
        lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}", "Sec-Fetch-Site: cross-site"),
        403,
    ),
    (
        "asked for by the same machine's other server",
        lambda p, c: get("/", f"127.0.0.1:{p}", f"Cookie: {c}", "Sec-Fetch-Site: same-site"),
        403,
    ),
    (
        "PUT",
        lambda p, c: ["PUT / HTTP/1.1", f"Host: 127.0.0.1:{p}", f"Cookie: {c}", "Content-Length: 0"],
        405,
    ),
    ("DELETE", lambda p, c: ["DELETE / HTTP/1.1", f"Host: 127.0.0.1:{p}", f"Cookie: {c}"], 405),
    ("OPTIONS", lambda p, c: ["OPTIONS / HTTP/1.1", f"Host: 127.0.0.1:{p}", f"Cookie: {c}"], 405),
    ("out of the folder", lambda p, c: get("/static/../app.py", f"127.0.0.1:{p}", f"Cookie: {c}"), 404),
    (
        "out of the folder, hidden",
        lambda p, c: get("/static/%2e%2e/app.py", f"127.0.0.1:{p}", f"Cookie: {c}"),
        404,
    ),
    ("a path as a reel", lambda p, c: get("/api/reel/%2e%2e", f"127.0.0.1:{p}", f"Cookie: {c}"), (400, 404)),
    (
        "a path as a reel, deep",
        lambda p, c: get("/api/reel/..%2f..", f"127.0.0.1:{p}", f"Cookie: {c}"),
        (400, 404),
    ),
    ("generated documentation", lambda p, c: get("/docs", f"127.0.0.1:{p}", f"Cookie: {c}"), 404),
    (
        "a socket that stays open",
        lambda p, c: get(
            "/",
            f"127.0.0.1:{p}",
            "Upgrade: websocket",
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
            "Sec-WebSocket-Version: 13",
            "Origin: http://other.example",
        ),
        403,
    ),
]


@pytest.mark.parametrize(("what", "lines", "refused"), ATTACKS, ids=[each[0] for each in ATTACKS])
def test_attacks_are_refused(running, what, lines, refused):
    served, cookie = running
    status, told = speak(served.port, lines(served.port, cookie))
    assert status in (refused if isinstance(refused, tuple) else (refused,)), (what, told)
    assert "def make_app" not in told


@pytest.mark.parametrize(
    ("kind", "status"),
    [("text/plain", 415), ("application/x-www-form-urlencoded", 415), ("", 415), ("application/json", 400)],
)
def test_a_change_is_json_or_nothing(running, kind, status):
    served, cookie = running
    lines = [
        "POST /api/reel/numbered/decide HTTP/1.1",
        f"Host: 127.0.0.1:{served.port}",
        f"Cookie: {cookie}",
        f"Content-Type: {kind}",
        "Content-Length: 2",
    ]
    assert speak(served.port, lines, "{}")[0] == status


def test_nothing_listens_but_this_machine(running):
    import psutil

    served, _ = running
    listening = [
        c.laddr
        for c in psutil.net_connections("inet")
        if c.status == "LISTEN" and c.laddr.port == served.port
    ]
    assert [place.ip for place in listening] == ["127.0.0.1"]
