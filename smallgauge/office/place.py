"""Where the shop's book is: a file on the shelf, or a database that the shop names.

`SMALLGAUGE_OFFICE` in the environment, or `database` in the table `office` of the shelf's shop.toml, names a PostgreSQL
server. Nothing heavy is imported: the line asks here for every reel, and most shelves have no book.
"""

import os
import tomllib
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from smallgauge.errors import MaterialError

BOOK_FILE = "office.sqlite"
VARIABLE = "SMALLGAUGE_OFFICE"
SHOP_FILE = "shop.toml"


def named_server(shelf: Path) -> str:
    """The URL of the server that the shop names; empty where it names none.

    Raises
    ------
    MaterialError
        Where shop.toml can't be read, or holds a password; the sentence never repeats the URL.
    """
    stated = os.environ.get(VARIABLE, "").strip()
    if stated:
        return stated
    path = shelf / SHOP_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise MaterialError(f"{path} must be a text file that can be read, but {error}; mend it.") from None
    try:
        office = tomllib.loads(text).get("office", {})
    except (ValueError, RecursionError) as error:
        raise MaterialError(f"{path} must be TOML, but {error}; mend that line.") from None
    url = office.get("database", "") if isinstance(office, dict) else None
    if not isinstance(url, str):
        raise MaterialError(f"office in {path} must be a table with database as words; mend it.")
    if url and _has_password(url):
        raise MaterialError(
            f"{path} must hold no password, and office.database has one; take it out there and keep it in PostgreSQL's own "
            f"password file (.pgpass), in PGPASSWORD, or in {VARIABLE}."
        )
    return url.strip()


def _has_password(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.password) or "password" in parse_qs(parts.query)
    except ValueError:
        return True  # not a URL that can be looked into: better refused than shown


def book_place(shelf: Path) -> Path | str:
    """The place of a shelf's book: its file, or the URL of its server.

    Raises
    ------
    MaterialError
        Where a server is named and a file lies there too: a hold in one would be missed by whoever reads the other.
    """
    url, path = named_server(shelf), shelf / BOOK_FILE
    if url and path.exists():
        raise MaterialError(
            f"A shop has one book, and {path} lies there while a server is named too; move the file's book to the server with "
            "`smallgauge office backup` and `office restore`, then move the file away, or name no server."
        )
    return url or path


def has_book(shelf: Path) -> bool:
    """Whether a shelf has a book, or names a server that should have it."""
    return (shelf / BOOK_FILE).exists() or bool(named_server(shelf))
