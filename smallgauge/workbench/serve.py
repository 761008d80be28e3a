"""Starting the bench: a port of this machine, one server process, and the browser."""

import secrets
import socket
import ssl
import sys
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from smallgauge.deliver.phrases import list_words
from smallgauge.errors import CallerError, MaterialError
from smallgauge.workbench.accounts import Accounts, read_accounts
from smallgauge.workbench.app import make_app
from smallgauge.workbench.guard import Guard
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf
from smallgauge.workbench.tour import Tour

SWITCH_S = (
    0.0005  # between threads of Python code: a picture that is asked for does not wait while a plan is made
)
HERE = "127.0.0.1"  # the only address that is listened on, unless a shop opens the bench to its network


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A shop's word that its own network may come in: the name of this machine there, and its certificate."""

    name: str
    certificate: Path | None
    key: Path | None

    def checked(self, folder: Path) -> str:
        """The address of this machine under that name.

        Raises
        ------
        CallerError, MaterialError
            Where accounts, certificate or key are missing or can't be used.
        """
        missing = [
            words
            for there, words in (
                (self.certificate is not None, "a certificate (--certificate FILE)"),
                (self.key is not None, "its key (--key FILE)"),
                (read_accounts(folder), "an operator's account (smallgauge workbench SHELF --account NAME)"),
            )
            if not there
        ]
        if missing:
            raise CallerError(
                f"Opening the bench to the shop's network needs a certificate, its key and accounts, and {list_words(missing)} "
                "is missing; nothing was opened."
            )
        assert self.certificate is not None and self.key is not None
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self.certificate, self.key)
        except OSError as error:  # of which an SSLError is one
            raise MaterialError(
                f"The bench needs a certificate and the key that belongs to it, as PEM files, and {self.certificate} with "
                f"{self.key} can't be used ({error.strerror or error}); nothing was opened."
            ) from None
        try:
            return str(socket.getaddrinfo(self.name, None, socket.AF_INET, socket.SOCK_STREAM)[0][4][0])
        except (OSError, UnicodeError):
            raise CallerError(
                f"The bench is opened under the name that this machine has in the shop's network, and '{self.name[:80]}' is not "
                "known as one; give the name that the certificate was made for."
            ) from None


def serve(
    folder: Path,
    *,
    now: Callable[[], str],
    say: Callable[[str], None],
    browser: bool = True,
    port: int = 0,
    captures: Path | None = None,
    held: Callable[[Path, str, str], str] | None = None,
    opening: Opening | None = None,
    tour: bool = False,
) -> None:
    """Serve the bench over a shelf, or over one reel's folder, until it is stopped.

    `port` 0 takes one that is free. `say` is told the address, once; the address works once. Captures below `captures` can be put
    in hand from the page. `opening` lets the shop's own network in, by accounts and over TLS.
    `tour` shows the parts of the page in plain words, until somebody has ended it.
    """
    if not folder.is_dir():
        raise MaterialError(
            f"The bench needs a shelf, the folder in which the reels lie, and found none at {folder}; give the folder that "
            "`smallgauge finish` was given with --out."
        )
    place = opening.checked(folder) if opening is not None else HERE
    # The protocol is named, because asyncio sends small answers at once only on sockets that name it; else each waits 40 ms.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.bind((place, port))
        listening.listen(64)  # so that a browser that is quicker than the server waits
    except OSError as error:
        listening.close()
        raise CallerError(
            f"Port {port} of {place} can't be taken ({error.strerror}); give another with --port."
        ) from None
    port = int(listening.getsockname()[1])
    token = secrets.token_urlsafe(24)
    shelf, hand = Shelf(folder, captures), Hand(held)
    app, policy = make_app(shelf, hand, now, Tour(wanted=tour))
    if opening is None:
        guard = Guard(app, port=port, token=token, policy=policy)
        address = f"http://{HERE}:{port}/enter?t={token}"
    else:
        guard = Guard(app, port=port, token="", policy=policy, accounts=Accounts(folder), name=opening.name)
        address = f"https://{opening.name}:{port}/"
    config = uvicorn.Config(
        guard,
        log_level="warning",
        access_log=False,
        lifespan="off",
        server_header=False,
        proxy_headers=False,
        ws="none",
        ssl_certfile=opening.certificate if opening is not None else None,
        ssl_keyfile=opening.key if opening is not None else None,
    )
    say(address)
    if browser:
        webbrowser.open(address)
    sys.setswitchinterval(SWITCH_S)
    server = uvicorn.Server(config)
    hand.ending = lambda: server.should_exit
    try:
        server.run(sockets=[listening])
    finally:
        listening.close()
        hand.close()
        shelf.close()
