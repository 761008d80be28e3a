"""Faults that the system makes: a command is killed at its n-th write, or a kind of call fails from its n-th time on.

Nothing of the program is patched: `strace` (6.1) tampers with the calls themselves, so that SQLite's, FFmpeg's and Python's own
writes are met alike. Source: strace(1), "Tampering". Where strace is not installed or may not trace, tests say so and are left out.
"""

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

WRITES = "write,pwrite64,writev,pwritev,ftruncate,fsync,fdatasync"
WRITES += ",rename,renameat,renameat2,link,linkat,unlink,unlinkat,mkdir,mkdirat"
ROOM = "write,pwrite64,writev,pwritev,mkdir,mkdirat,fallocate"  # calls that a full disk refuses
KILLED = 137
LIMIT_S = 300


@cache
def can_trace() -> bool:
    """Whether strace is there and may trace."""
    if shutil.which("strace") is None:
        return False
    tried = subprocess.run(
        ["strace", "-qq", "-o", os.devnull, "-e", "trace=none", "true"], capture_output=True
    )
    return tried.returncode == 0


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def killed(self) -> bool:
        return self.code in (KILLED, -9)


def run(arguments: list[str], *traced: str, env: dict[str, str] | None = None) -> Ended:
    """`smallgauge` with arguments, under strace's options; without any, plain."""
    settled = os.environ | {"PYTHONDONTWRITEBYTECODE": "1", "SOURCE_DATE_EPOCH": "1772442000"} | (env or {})
    command = [sys.executable, "-m", "smallgauge", *arguments]
    if traced:
        command = ["strace", "-f", "-qq", *traced, *command]
    done = subprocess.run(command, capture_output=True, text=True, env=settled, timeout=LIMIT_S, check=False)
    return Ended(done.returncode, done.stdout, done.stderr)


def count_writes(arguments: list[str], log: Path, *, env: dict[str, str] | None = None) -> int:
    """How many writing calls a command makes in the process that makes most of them; the command is carried out."""
    ended = run(arguments, "-e", f"trace={WRITES}", "-o", str(log), env=env)
    assert ended.code in (0, 1), ended
    counts: dict[str, int] = {}
    for line in log.read_text(errors="replace").splitlines():
        found = re.match(r"(\d+) +[a-z0-9]+\(", line)
        if found:
            counts[found[1]] = counts.get(found[1], 0) + 1
    log.unlink()
    return max(counts.values())


def run_killed(arguments: list[str], nth: int, *, env: dict[str, str] | None = None) -> Ended:
    """The command, killed before its n-th writing call has ended."""
    tamper = f"inject={WRITES}:signal=SIGKILL:when={nth}"
    return run(arguments, "-e", f"trace={WRITES}", "-e", tamper, "-o", os.devnull, env=env)


def run_failing(
    arguments: list[str],
    calls: str,
    error: str,
    first: int,
    *,
    only: Path | None = None,
    env: dict[str, str] | None = None,
) -> Ended:
    """The command, in which calls fail with an error from the `first` one on; `only`: those that touch one path."""
    tamper = ["-e", f"trace={calls}", "-e", f"inject={calls}:error={error}:when={first}+", "-o", os.devnull]
    return run(arguments, *(["-P", str(only)] if only is not None else []), *tamper, env=env)
