"""A command of the program in a forked process, and what can be done to it: killed, refused, or its folder taken away.

The process that forks has everything loaded, so that a fault costs the work and not the start. The faults are counted in steps:
each opening of a file for writing, renaming, linking, removing, making of a folder and flush that happens below one folder, in
the process and in those that it makes. Python tells of them by itself (PEP 578, audit hooks); a flush is told by a wrapper of
`os.fsync`. Nothing else of the program is touched. Writes of the libraries between two steps are met by a kill that waits, by a
volume that is full and by a limit on a file's length.
"""

import contextlib
import ctypes
import fcntl
import json
import mmap
import os
import random
import resource
import signal
import struct
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
LIMIT_S = 240
F_SETPIPE_SZ = 1031  # fcntl(2), Linux


@dataclass(frozen=True)
class Fault:
    """What happens at one step: "kill", "kill later", "torn" (unflushed bytes are lost, then killed), "gone" (the folder is
    taken away), "short" (no file grows past `amount` bytes), or an error's number from that step on."""

    kind: str | int
    step: int = 0
    amount: int = 0  # of "kill later" in microseconds, of "short" in bytes


@dataclass
class Ended:
    """How a command ended, and what was counted."""

    code: int
    out: str
    err: str
    steps: int
    peak_kb: int
    versions: dict[str, set[str]] = field(default_factory=dict)  # name -> digests of all that was named so

    @property
    def killed(self) -> bool:
        return self.code == -signal.SIGKILL


class _Steps:
    """Counts steps below a folder and lets the fault happen; lives in the forked process."""

    def __init__(self, top: Path, fault: Fault | None, shared: mmap.mmap, record: Path | None) -> None:
        self.top, self.fault, self.shared, self.record = str(top), fault, shared, record
        self.busy = False
        self.fsync = os.fsync
        self.flushed: dict[
            tuple[int, int], int
        ] = {}  # bytes of a file that a flush has brought to the medium

    def install(self) -> None:
        os.fsync = self._flush
        sys.addaudithook(self._hear)
        if self.fault is not None and self.fault.step == 0 and self.fault.kind == "kill later":
            self._kill_later(self.fault.amount)

    def _below(self, path: object) -> bool:
        with contextlib.suppress(TypeError, ValueError):
            return str(Path(os.fsdecode(path)).absolute()).startswith(self.top)  # type: ignore[arg-type]
        return False

    def _hear(self, event: str, told: tuple[Any, ...]) -> None:
        if self.busy:
            return
        if event == "open":
            path, mode, flags = told
            wanted = isinstance(flags, int) and flags & WRITING
            wanted = wanted or (isinstance(mode, str) and set(mode) & set("wax+"))
            if not wanted or isinstance(path, int) or not self._below(path):
                return
        elif event in ("os.rename", "os.link"):
            if not (self._below(told[0]) or self._below(told[1])):
                return
        elif event not in ("os.remove", "os.rmdir", "os.mkdir", "os.truncate") or not self._below(told[0]):
            return
        if event == "os.rename" and self.record is not None:
            self._note(Path(os.fsdecode(told[0])), Path(os.fsdecode(told[1])))
        self._step(event, told[0])

    def _note(self, source: Path, target: Path) -> None:
        """What is named now, for the account of whole versions."""
        import hashlib

        self.busy = True
        try:
            named = {source: target} if source.is_file() else {}
            named |= {path: target / path.relative_to(source) for path in source.rglob("*") if path.is_file()}
            for path, name in named.items():
                digest = hashlib.sha256(path.read_bytes()).hexdigest()
                with self.record.open("a") as file:  # type: ignore[union-attr]
                    file.write(json.dumps([str(name), digest]) + "\n")
        finally:
            self.busy = False

    def _flush(self, handle: Any) -> None:
        number = handle if isinstance(handle, int) else handle.fileno()
        with contextlib.suppress(OSError):
            if str(Path(f"/proc/self/fd/{number}").readlink()).startswith(self.top):
                self._step("flush", number)
        self.fsync(handle)
        with contextlib.suppress(OSError):
            told = os.fstat(number)
            self.flushed[told.st_dev, told.st_ino] = told.st_size

    def _tear(self, number: int, chance: random.Random) -> None:
        """Lose some of what was not flushed yet: of a file that is being made, or of the last line of a paper that grows.

        What was flushed before stays, by whatever process: a file that was opened to be read is flushed by who reads it back, and
        nothing of it is lost.
        """
        if fcntl.fcntl(number, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            return
        place = Path(f"/proc/self/fd/{number}")
        path, told = place.readlink(), os.fstat(number)
        first = self.flushed.get((told.st_dev, told.st_ino), 0)
        if path.suffix == ".jsonl":
            first = max(first, path.read_bytes()[:-1].rfind(b"\n") + 1)
        elif path.suffix != ".part":
            return
        os.truncate(place, chance.randint(min(first, told.st_size), told.st_size))

    def _kill_later(self, microseconds: int) -> None:
        group, waited = os.getpgid(0), ctypes.CDLL(None).usleep
        if os.fork() == 0:
            waited(microseconds)
            os.killpg(group, signal.SIGKILL)

    def _step(self, event: str, what: object) -> None:
        (count,) = struct.unpack_from("q", self.shared)
        struct.pack_into("q", self.shared, 0, count + 1)
        fault = self.fault
        if fault is None or count + 1 < fault.step:
            return
        if isinstance(fault.kind, int):
            raise OSError(fault.kind, os.strerror(fault.kind), self.top)
        if count + 1 > fault.step or fault.kind == "short":
            return
        self.busy = True
        if fault.kind == "gone":
            os.rename(self.top, self.top + ".gone")  # noqa: PTH104
            self.busy = False
            return
        if fault.kind == "kill later":
            self._kill_later(fault.amount)
            self.busy = False
            return
        if fault.kind == "torn" and event == "flush" and isinstance(what, int):
            with contextlib.suppress(OSError, ValueError):
                self._tear(what, random.Random(fault.step))
        os.killpg(0, signal.SIGKILL)


class Begun:
    """`smallgauge` with arguments in a forked process group of its own; `settle` is called there first, `end` waits for it."""

    def __init__(
        self,
        arguments: list[str],
        top: Path,
        *,
        fault: Fault | None = None,
        record: bool = False,
        settle: Callable[[], None] | None = None,
    ) -> None:
        self.arguments, self.fault = arguments, fault
        self.noted = Path(f"{top}.told.named")
        self.record = record
        self.said = [os.pipe() for _ in range(2)]
        for (
            reading,
            _,
        ) in self.said:  # wide enough for all that a command says, so that nobody need listen meanwhile
            fcntl.fcntl(reading, F_SETPIPE_SZ, 2**20)
        self.noted.unlink(missing_ok=True)
        self.shared = mmap.mmap(-1, 16)
        self.process = os.fork()
        if self.process == 0:
            _carry_out(arguments, top, fault, self.shared, self.noted if record else None, settle, self.said)

    def end(self, limit_s: float = LIMIT_S) -> Ended:
        """Wait until it has ended; what it may have left behind is ended too."""
        until = time.monotonic() + limit_s
        while True:
            ended, status, used = os.wait4(self.process, os.WNOHANG)
            if ended:
                break
            if time.monotonic() > until:
                os.killpg(self.process, signal.SIGKILL)
                os.waitpid(self.process, 0)
                raise TimeoutError(f"{self.arguments} did not end within {limit_s} s ({self.fault})")
            time.sleep(0.003)
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process, signal.SIGKILL)
        versions: dict[str, set[str]] = {}
        if self.record and self.noted.exists():
            for line in self.noted.read_text().splitlines():
                name, digest = json.loads(line)
                versions.setdefault(name, set()).add(digest)
        (steps,) = struct.unpack_from("q", self.shared)
        texts = []
        for reading, writing in self.said:
            os.close(writing)
            with open(reading, errors="replace") as pipe:  # noqa: PTH123
                texts.append(pipe.read())
        self.noted.unlink(missing_ok=True)
        code = os.waitstatus_to_exitcode(status)
        return Ended(code, texts[0], texts[1], steps, used.ru_maxrss, versions)


def run_forked(arguments: list[str], top: Path, *, limit_s: float = LIMIT_S, **options: Any) -> Ended:
    """Begin a command and wait for its end."""
    return Begun(arguments, top, **options).end(limit_s)


def _carry_out(
    arguments: list[str],
    top: Path,
    fault: Fault | None,
    shared: mmap.mmap,
    record: Path | None,
    settle: Callable[[], None] | None,
    told: list[tuple[int, int]],
) -> None:
    code = 99
    try:
        os.setpgid(0, 0)
        for (_, writing), number in zip(told, (1, 2)):
            os.dup2(writing, number)
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
        os.environ["SOURCE_DATE_EPOCH"] = "1772442000"
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        if settle is not None:
            settle()
        from smallgauge import cli

        if fault is not None and fault.kind == "short":
            resource.setrlimit(resource.RLIMIT_FSIZE, (fault.amount, fault.amount))
        _Steps(top, fault, shared, record).install()
        code = cli.main(arguments)
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 2
    except BaseException:
        import traceback

        traceback.print_exc()
        code = 98
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)
