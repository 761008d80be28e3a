"""Starting the bench: a port of this machine, one server process, and the browser."""

import secrets
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from smallgauge.errors import CallerError, MaterialError
from smallgauge.workbench.app import make_app
from smallgauge.workbench.guard import Guard
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

HERE = "127.0.0.1"  # the only address that is listened on


def serve(
    folder: Path,
    *,
    now: Callable[[], str],
    say: Callable[[str], None],
    browser: bool = True,
    port: int = 0,
    captures: Path | None = None,
    held: Callable[[Path, str, str], str] | None = None,
) -> None:
    """Serve the bench over a shelf, or over one reel's folder, until it is stopped.

    `port` 0 takes one that is free. `say` is told the address, once; the address works once. Captures below `captures` can be put
    in hand from the page.
    """
    if not folder.is_dir():
        raise MaterialError(
            f"The bench needs a shelf, the folder in which the reels lie, and found none at {folder}; give the folder that "
            "`smallgauge finish` was given with --out."
        )
    # The protocol is named, because asyncio sends small answers at once only on sockets that name it; else each waits 40 ms.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.bind((HERE, port))
        listening.listen(64)  # so that a browser that is quicker than the server waits
    except OSError as error:
        listening.close()
        raise CallerError(
            f"Port {port} of this machine can't be taken ({error.strerror}); give another with --port."
        ) from None
    port = int(listening.getsockname()[1])
    token = secrets.token_urlsafe(24)
    shelf, hand = Shelf(folder, captures), Hand(held)
    app, policy = make_app(shelf, hand, now)
    config = uvicorn.Config(
        Guard(app, port=port, token=token, policy=policy),
        log_level="warning",
        access_log=False,
        lifespan="off",
        server_header=False,
        ws="none",
    )
    address = f"http://{HERE}:{port}/enter?t={token}"
    say(address)
    if browser:
        webbrowser.open(address)
    server = uvicorn.Server(config)
    hand.ending = lambda: server.should_exit
    try:
        server.run(sockets=[listening])
    finally:
        listening.close()
        hand.close()
        shelf.close()
