"""Operators' accounts of a bench that a shop opened to its own network: a name and the digest of a passphrase, beside the reels.

set_account, remove_account   what `smallgauge workbench --account` and `--remove-account` do
Accounts                      who may come in, and how long somebody waits who was wrong

Source: RFC 9106 (Argon2), its second recommended option as argon2-cffi sets it (argon2id, 3 passes, 64 MiB, 4 lanes). At least 15
characters where a passphrase is all that is asked: NIST SP 800-63B-4, from memory, not checked.
"""

import json
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.whole import write_whole_bytes

ACCOUNTS_FILE = "bench-accounts.json"
LEAST, MOST = 15, 200  # characters of a passphrase
NAME = re.compile(r"[^\W_][\w.\- ]{0,39}")
RESERVED = ("program", "trying")
MOST_WAIT_S = 60.0
MOST_WRONG = 1000  # places of which wrong passphrases are remembered


def set_account(folder: Path, name: str, passphrase: str, *, at: str) -> bool:
    """Make an account, or give one a new passphrase; whether it is new. Whoever is in under the old one is out."""
    from argon2 import PasswordHasher

    if not NAME.fullmatch(name) or name.casefold() in RESERVED:
        raise CallerError(
            f"An account is named by the initials or the name that decisions are signed with (letters, digits, space, . - and at "
            f"most 40), found '{name[:50]}'."
        )
    if not LEAST <= len(passphrase) <= MOST:
        raise CallerError(
            f"A passphrase has {LEAST} to {MOST} characters, found {len(passphrase)}; a few words that you don't use elsewhere do."
        )
    if not folder.is_dir():
        raise MaterialError(f"Accounts lie beside the reels, found no folder {folder}; name the shelf.")
    known = read_accounts(folder)
    made = {"digest": PasswordHasher().hash(passphrase), "since": at}
    _write(folder, {**known, name: made})
    return name not in known


def remove_account(folder: Path, name: str) -> None:
    """Take an account away; whoever is in under it is out."""
    known = read_accounts(folder)
    if name not in known:
        raise CallerError(f"There is no account '{name[:50]}'; those are {', '.join(known) or 'none'}.")
    _write(folder, {each: told for each, told in known.items() if each != name})


def _write(folder: Path, accounts: dict[str, Any]) -> None:
    paper = json.dumps({"format": 1, "accounts": accounts}, ensure_ascii=False, indent=1)
    write_whole_bytes(folder / ACCOUNTS_FILE, f"{paper}\n".encode())
    (folder / ACCOUNTS_FILE).chmod(0o600)


def read_accounts(folder: Path) -> dict[str, Any]:
    """The accounts of a shelf by name; none where there is no file."""
    path = folder / ACCOUNTS_FILE
    if not path.is_file():
        return {}
    try:
        told = json.loads(path.read_bytes())
        accounts = told["accounts"]
        right = told["format"] == 1 and all(
            isinstance(each["digest"], str) and isinstance(each["since"], str) for each in accounts.values()
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        right = False
    if not right:
        raise MaterialError(
            f"{path} must hold the bench's accounts as it wrote them, and it does not; bring it back from a copy, or remove it and "
            "make the accounts anew."
        )
    return dict(accounts)


class Accounts:
    """The accounts of a running bench. The file is read again when it changes."""

    def __init__(self, folder: Path, *, clock: Callable[[], float] = time.monotonic) -> None:
        from argon2 import PasswordHasher

        self.folder, self.clock = folder, clock
        self._hasher = PasswordHasher()
        self._nobody = self._hasher.hash("nobody has this passphrase")
        self._lock = threading.Lock()
        self._wrong: dict[str, tuple[int, float]] = {}  # times wrong in a row, and when the next try is heard
        self._read: tuple[object, dict[str, Any]] = (None, {})

    def known(self) -> dict[str, Any]:
        """The accounts as they stand now."""
        path = self.folder / ACCOUNTS_FILE
        seen = (
            (told.st_mtime_ns, told.st_size, told.st_ino) if path.exists() and (told := path.stat()) else None
        )
        if self._read[0] != seen:
            self._read = seen, read_accounts(self.folder)
        return self._read[1]

    def wait_s(self, place: str) -> float:
        """How long a place must wait before its next try is heard."""
        return max(0.0, self._wrong.get(place, (0, 0.0))[1] - self.clock())

    def check(self, name: str, passphrase: str, place: str) -> str | None:
        """The digest of an account whose passphrase this is; None where it is not, which makes the place wait, longer each time.

        A name that nobody has takes as long as one that is known.
        """
        from argon2.exceptions import VerificationError

        with self._lock:  # one at a time: each takes 64 MiB
            if self.wait_s(place) > 0:
                return None
            account = self.known().get(name)
            digest = str(account["digest"]) if account else self._nobody
            try:
                right = self._hasher.verify(digest, passphrase[:MOST]) and account is not None
            except VerificationError:
                right = False
            if right:
                self._wrong.pop(place, None)
                return digest
            times = self._wrong.pop(place, (0, 0.0))[0] + 1
            self._wrong[place] = times, self.clock() + min(MOST_WAIT_S, 2.0 ** (times - 1))
            while len(self._wrong) > MOST_WRONG:
                self._wrong.pop(next(iter(self._wrong)))
            return None
