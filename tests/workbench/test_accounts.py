"""A bench that a shop opens to its own network: by accounts and over TLS, or not at all.

Source: WSTG 4.2 of OWASP, session management (cookie attributes, session fixation, logout) and credentials (lockout), from memory.
"""

import http.client
import io
import json
import re
import shutil
import ssl
import stat
import subprocess
from urllib.parse import quote

import pytest
from axe import findings
from numbered_reel import AT, NAME
from served import browser, chromium, page_of, serve

from smallgauge.cli import main
from smallgauge.errors import CallerError, MaterialError
from smallgauge.record.files import read_decisions
from smallgauge.workbench.accounts import ACCOUNTS_FILE, Accounts, read_accounts, remove_account, set_account

WORDS = "quiet heron by the weir"


def test_an_account_keeps_a_digest_only_and_only_its_owner_reads_the_file(tmp_path):
    assert set_account(tmp_path, "mk", WORDS, at=AT) is True
    path = tmp_path / ACCOUNTS_FILE
    assert WORDS not in path.read_text() and "$argon2id$v=19$m=65536,t=3,p=4$" in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    accounts = Accounts(tmp_path)
    assert accounts.check("mk", WORDS, "here") == read_accounts(tmp_path)["mk"]["digest"]
    assert set_account(tmp_path, "mk", WORDS + "s", at=AT) is False
    assert accounts.check("mk", WORDS, "there") is None
    remove_account(tmp_path, "mk")
    assert accounts.check("mk", WORDS + "s", "elsewhere") is None
    with pytest.raises(CallerError, match="There is no account 'mk'"):
        remove_account(tmp_path, "mk")


def test_wrong_passphrases_make_a_place_wait_longer_each_time_and_no_other_place(tmp_path):
    set_account(tmp_path, "mk", WORDS, at=AT)
    now = [100.0]
    accounts = Accounts(tmp_path, clock=lambda: now[0])
    for wait in (1, 2, 4, 8, 16, 32, 60, 60):
        assert accounts.check("mk", "wrong", "a") is None
        assert accounts.wait_s("a") == wait
        assert accounts.check("mk", WORDS, "a") is None  # the right one is not heard while it waits
        now[0] += wait
    assert accounts.check("mk", WORDS, "b") is not None and accounts.check("mk", WORDS, "a") is not None
    assert accounts.wait_s("a") == 0


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("", WORDS, "named by the initials"),
        ("program", WORDS, "named by the initials"),
        ("a\nb", WORDS, "named by the initials"),
        ("mk", "short", "15 to 200 characters, found 5"),
    ],
)
def test_nonsense_makes_no_account(tmp_path, name, words, said):
    with pytest.raises(CallerError, match=said):
        set_account(tmp_path, name, words, at=AT)
    assert not (tmp_path / ACCOUNTS_FILE).exists()


def test_a_broken_file_of_accounts_lets_nobody_in(tmp_path):
    (tmp_path / ACCOUNTS_FILE).write_text('{"format": 1, "accounts": {"mk": {"digest": 3}}}')
    with pytest.raises(MaterialError, match="as it wrote them"):
        Accounts(tmp_path).check("mk", WORDS, "here")


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate that this test signs itself, and its key."""
    if shutil.which("openssl") is None:
        pytest.skip("left out: no openssl on this system to make a certificate with")
    place = tmp_path_factory.mktemp("tls")
    cert, key = place / "cert.pem", place / "key.pem"
    names = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    files = ["-keyout", str(key), "-out", str(cert)]
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *names, *files],
        check=True,
        capture_output=True,
    )
    return cert, key


def test_opening_is_refused_until_everything_is_there(tmp_path, certificate, capsys, monkeypatch):
    cert, key = map(str, certificate)
    shelf = str(tmp_path)

    def asked(*words: str) -> tuple[int, str]:
        code = main(["workbench", shelf, *words])
        told = capsys.readouterr()
        assert told.out == ""
        return code, told.err

    code, said = asked("--open-as", "localhost", "--no-browser")
    assert code == 2
    for words in (
        "a certificate (--certificate FILE)",
        "its key",
        "an operator's account",
        "nothing was opened",
    ):
        assert words in said
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{WORDS}\n"))
    assert main(["workbench", shelf, "--account", "mk"]) == 0
    assert capsys.readouterr().out == "The account mk is made.\n"
    code, said = asked("--open-as", "localhost", "--certificate", key, "--key", cert)
    assert code == 3 and "can't be used" in said
    code, said = asked("--certificate", cert)
    assert code == 2 and "goes with --open-as" in said
    assert main(["workbench", shelf, "--remove-account", "mk"]) == 0
    capsys.readouterr()
    code, said = asked("--open-as", "localhost", "--certificate", cert, "--key", key)
    assert code == 2 and "account" in said


@pytest.fixture
def opened(own_shelf, certificate):
    """A bench that is open as localhost, with two accounts."""
    for name in ("mk", "o.t."):
        set_account(own_shelf, name, f"{WORDS} {name}", at=AT)
    cert, key = map(str, certificate)
    with serve(own_shelf, "--open-as", "localhost", "--certificate", cert, "--key", key) as served:
        yield served, own_shelf, ssl.create_default_context(cafile=cert)


def speak(served, tls, method: str, path: str, body: str | None = None, **headers: str):
    connection = http.client.HTTPSConnection("localhost", served.port, context=tls)
    connection.request(method, path, body, {key.replace("_", "-"): value for key, value in headers.items()})
    answer = connection.getresponse()
    told = answer.status, dict(answer.getheaders()), answer.read().decode("utf-8", "replace")
    connection.close()
    return told


FORM = "application/x-www-form-urlencoded"


def come_in(served, tls, name: str, words: str, **headers: str):
    body = f"name={quote(name)}&passphrase={quote(words)}"
    headers = {"Content_Type": FORM, "Origin": served.origin, **headers}
    return speak(served, tls, "POST", "/enter", body, **headers)


def test_an_account_comes_in_decides_under_its_own_name_and_leaves(opened):
    served, shelf, tls = opened
    assert served.origin == f"https://localhost:{served.port}"
    status, told, _ = come_in(served, tls, "mk", f"{WORDS} mk")
    assert status == 303 and told["location"] == "/"
    said = told["set-cookie"]
    assert re.fullmatch(
        rf"smallgauge-{served.port}=[\w-]{{43}}; HttpOnly; SameSite=Strict; Path=/; Secure", said
    )
    cookie = said.partition(";")[0]
    assert json.loads(speak(served, tls, "GET", "/api/session", Cookie=cookie)[2])["operator"] == "mk"
    stamp = json.loads(speak(served, tls, "GET", f"/api/reel/{NAME}/frame/3", Cookie=cookie)[2])["stamp"]
    revision = json.loads(speak(served, tls, "GET", f"/api/reel/{NAME}", Cookie=cookie)[2])["revision"]
    body = {"subject": "camera_speed", "text": "16", "row": 3, "stamp": stamp, "revision": revision}
    body |= {"by": "somebody else", "why": "walking"}
    status, _, said = speak(
        served,
        tls,
        "POST",
        f"/api/reel/{NAME}/decide",
        json.dumps(body),
        Cookie=cookie,
        Content_Type="application/json",
    )
    assert status == 200, said
    assert read_decisions(shelf / NAME / "decisions.jsonl")[-1].by == "mk"
    speak(served, tls, "POST", "/leave", "{}", Cookie=cookie, Content_Type="application/json")
    assert speak(served, tls, "GET", "/api/session", Cookie=cookie)[0] == 403


def test_nobody_comes_in_without_account_passphrase_and_the_right_page(opened):
    served, _, tls = opened
    assert speak(served, tls, "GET", "/")[1]["location"] == "/enter"
    for path in ("/api/shelf", "/static/main.js", f"/api/reel/{NAME}", "/api/description"):
        status, _, said = speak(served, tls, "GET", path)
        assert status in (303, 403) and NAME not in said, path
    right = f"{WORDS} mk"
    refused = [
        come_in(served, tls, "mk", right, Origin="https://other.example"),
        come_in(served, tls, "mk", right, Origin="null"),
        come_in(served, tls, "mk", right, Host=f"127.0.0.1:{served.port}"),
        come_in(served, tls, "mk", right, Host=f"other.example:{served.port}"),
        come_in(served, tls, "mk", right, Sec_Fetch_Site="cross-site"),
        speak(served, tls, "POST", "/enter", f"name=mk&passphrase={quote(right)}", Content_Type=FORM),
        speak(served, tls, "GET", f"/enter?t={quote(right)}&name=mk&passphrase={quote(right)}", Host="x"),
        come_in(served, tls, "mk", f"{WORDS} o.t."),
    ]
    assert [status for status, _, _ in refused] == [403] * 8
    assert all("set-cookie" not in told for _, told, _ in refused)
    status, _, said = come_in(served, tls, "mk", right)  # the right one, too soon after a wrong one
    assert status == 429 and "Wait" in said
    with pytest.raises((ConnectionError, http.client.HTTPException, ssl.SSLError)):
        plain = http.client.HTTPConnection("localhost", served.port, timeout=5)
        plain.request("GET", "/enter")
        plain.getresponse()


def test_a_new_passphrase_or_a_removed_account_puts_its_sessions_out(opened):
    served, shelf, tls = opened
    cookie = come_in(served, tls, "mk", f"{WORDS} mk")[1]["set-cookie"].partition(";")[0]
    other = come_in(served, tls, "o.t.", f"{WORDS} o.t.")[1]["set-cookie"].partition(";")[0]
    assert speak(served, tls, "GET", "/api/shelf", Cookie=cookie)[0] == 200
    set_account(shelf, "mk", "another heron altogether", at=AT)
    remove_account(shelf, "o.t.")
    assert [speak(served, tls, "GET", "/api/shelf", Cookie=each)[0] for each in (cookie, other)] == [403, 403]
    (shelf / ACCOUNTS_FILE).write_text("nonsense")
    status, _, said = come_in(served, tls, "mk", "another heron altogether")
    assert status == 422 and "can't be read" in said.replace("&#x27;", "'") and str(shelf) not in said


@pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")
def test_an_operator_comes_in_by_the_page_and_the_page_says_who(opened):
    served, _, _ = opened
    with browser() as chrome, page_of(chrome, served, trusting=True) as page:
        assert page.title() == "The bench: come in"
        page.fill("[name=name]", "mk")
        page.fill("[name=passphrase]", "a wrong one altogether")
        page.keyboard.press("Enter")
        page.wait_for_selector("[role=alert]:has-text('belong together')")
        assert findings(page) == []
        page.wait_for_timeout(1100)
        page.fill("[name=name]", "mk")
        page.fill("[name=passphrase]", f"{WORDS} mk")
        page.keyboard.press("Enter")
        page.wait_for_selector("header:has-text('mk')")
        page.click(f"text={NAME}")
        page.wait_for_selector("#drawn")
        assert page.input_value("text=Who decides") == "mk"
        page.click("button:has-text('leave')")
        page.wait_for_selector("[name=passphrase]")
