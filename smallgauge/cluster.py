"""Workers on other computers, through Dask `distributed`: the same jobs as a crew's own, and only their descriptions travel.

ClusterAsked   where the scheduler answers, and the three files by which both ends know one another
Cluster        an open connection: hands out jobs, and refuses workers that would make other bytes

Frames travel by the shared folder. Every worker must see the reel's folder and the capture under the very paths that they have
here, and must have this program, these libraries and this family of processors, so that it makes the same bytes.
"""

import ipaddress
import platform
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import urlsplit

from smallgauge import __version__
from smallgauge.errors import CallerError, SmallgaugeError

WAIT_S = 30  # for the scheduler's answer, and for a first worker; common practice, no source
# What makes or measures pictures and sound.
LIBRARIES = (
    "av", "imagecodecs", "llvmlite", "numba", "numpy", "opencv-python-headless", "openimageio", "polars", "scipy", "soundfile",
    "soxr", "tifffile",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterAsked:
    """Address of a scheduler, `tcp://host:port` or `tls://host:port`; files of the authority, of this end, and of its key."""

    address: str
    tls_ca: str = ""
    tls_cert: str = ""
    tls_key: str = ""


def check_asked(asked: ClusterAsked) -> None:
    """Refuse an address that is none, or one beyond this computer without encryption.

    Raises
    ------
    CallerError
        With what is needed.

    Examples
    --------
    >>> check_asked(ClusterAsked(address="tcp://127.0.0.1:8786"))
    >>> check_asked(ClusterAsked(address="tcp://bench-two:8786"))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    smallgauge.errors.CallerError: A cluster beyond this computer needs encryption, found tcp://bench-two:8786; ...
    """
    parts = urlsplit(asked.address)
    try:
        port = parts.port
    except ValueError:
        port = None
    if parts.scheme not in ("tcp", "tls") or not parts.hostname or port is None:
        raise CallerError(
            f"--cluster needs tls://host:port of a scheduler (tcp:// on this computer alone), found {asked.address}."
        )
    files = {"--tls-ca": asked.tls_ca, "--tls-cert": asked.tls_cert, "--tls-key": asked.tls_key}
    if parts.scheme == "tcp":
        if not _is_here(parts.hostname):
            raise CallerError(
                f"A cluster beyond this computer needs encryption, found {asked.address}; start the scheduler with tls:// and name "
                "the files with --tls-ca, --tls-cert and --tls-key (docs/cluster.md says how they are made)."
            )
        return
    for option, file in files.items():
        if not file or not Path(file).is_file():
            found = f"no file {file}" if file else "none"
            raise CallerError(
                f"tls:// needs {' and '.join(files)}, found {found} for {option}; docs/cluster.md says how they are made."
            )


def _is_here(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def what_works_here() -> dict[str, str]:
    """What this process would make its files with: two that agree make the same bytes.

    Examples
    --------
    >>> what_works_here()["smallgauge"] == __version__
    True
    """
    family = {"amd64": "x86-64", "x86_64": "x86-64", "arm64": "aarch64"}.get(
        platform.machine().lower(), platform.machine().lower()
    )
    found = {"smallgauge": __version__, "processors": family, "Python": "{}.{}".format(*sys.version_info[:2])}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "none"
    return found


def refuse_unlike(needed: dict[str, str], worker: str = "this worker") -> None:
    """Refuse, on a worker or of one, what would make other bytes.

    Raises
    ------
    CallerError
        With the first thing that differs.
    """
    found = what_works_here()
    _refuse_difference(needed, found, worker)


def _refuse_difference(needed: dict[str, str], found: dict[str, str], worker: str) -> None:
    for name, wanted in needed.items():
        if found.get(name) != wanted:
            raise CallerError(
                f"Every computer of a cluster needs {name} {wanted}, as here, found {found.get(name, 'none')} on {worker}; install "
                "the same lock file there, or leave that computer out."
            )


def _answer(mark: str, others: tuple[str, ...]) -> tuple[dict[str, str], str]:
    """On a worker: what works here, and which of the places is not seen; a line is written beside the mark."""
    for place in others:
        if not Path(place).exists():
            return what_works_here(), place
    path = Path(mark)
    try:
        word = path.read_text(encoding="utf-8")
        answer = path.with_name(f"{path.name}.{platform.node()}-{threading.get_native_id()}")
        answer.write_text(word, encoding="utf-8")
        answer.unlink()
    except OSError:
        return what_works_here(), str(path.parent)
    return what_works_here(), ""


class Cluster:
    """A scheduler and its workers, connected; a context manager."""

    def __init__(self, asked: ClusterAsked) -> None:
        check_asked(asked)
        self.asked = asked
        self.workers = 1
        self._client: Any = None
        self._frames = 0
        self._lock = threading.Lock()
        self._needed = what_works_here()

    def __enter__(self) -> Self:
        try:
            from distributed import Client
            from distributed.security import Security
        except ImportError:
            raise CallerError(
                "--cluster needs the library distributed, found none; install smallgauge[cluster] on every computer of the cluster."
            ) from None
        asked = self.asked
        security = None
        if asked.address.startswith("tls"):
            security = Security(
                tls_ca_file=asked.tls_ca,
                tls_client_cert=asked.tls_cert,
                tls_client_key=asked.tls_key,
                require_encryption=True,
            )
        try:
            self._client = Client(asked.address, security=security, timeout=WAIT_S, set_as_default=False)
            self._client.wait_for_workers(1, timeout=WAIT_S)
        except (OSError, TimeoutError) as error:
            had = self._client is not None
            self.__exit__(None, None, None)
            what = "no worker came to it" if had else f"none answers ({type(error).__name__})"
            raise CallerError(
                f"--cluster needs a scheduler with a worker at {asked.address}, and {what}; start both as docs/cluster.md says."
            ) from None
        self.workers = max(1, sum(self._client.nthreads().values()))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._client is not None:
            self._client.close(timeout=5)
            self._client = None

    def check_places(self, folder: Path, *others: Path) -> None:
        """Every worker there is now: does it make the same bytes, and does it see these places under these paths?

        `folder` must be writable there too; below it a mark is written and taken away.

        Raises
        ------
        CallerError
            With the worker, and what it lacks.
        """
        mark = folder / f"cluster-{platform.node()}-{threading.get_native_id()}"
        mark.write_text(f"{mark.name}\n", encoding="utf-8")
        try:
            answers = self._client.run(_answer, str(mark), tuple(str(place) for place in others))
        finally:
            mark.unlink(missing_ok=True)
        for worker, (found, unseen) in sorted(answers.items()):
            _refuse_difference(self._needed, found, worker)
            if unseen:
                raise CallerError(
                    f"Every computer of a cluster must see {unseen} under this very path and may write the reel's folder, and "
                    f"{worker} does not; mount the shared folder there under the same path."
                )

    def submit(self, function: Callable[..., Any], *words: Any) -> "Future[Any]":
        """Hand out one job; `function` gives its result and the frames done, and is told first what a worker needs to have."""
        future: Future[Any] = Future()
        future.set_running_or_notify_cancel()
        there = self._client.submit(function, self._needed, *words, pure=False)

        def end(ended: Any) -> None:
            try:
                if ended.status == "finished":
                    result, frames = ended.result()
                    with self._lock:
                        self._frames += frames
                    future.set_result(result)
                elif ended.status == "error":
                    future.set_exception(_in_words(ended.exception()))
                else:
                    raise ConnectionError
            except Exception:
                future.set_exception(
                    SmallgaugeError(
                        f"The cluster's scheduler at {self.asked.address} no longer answers; start it again and run the same "
                        "command: what is done is kept."
                    )
                )
            ended.release()

        there.add_done_callback(end)
        return future

    def done(self) -> int:
        """Frames of the jobs that came back."""
        return self._frames


def _in_words(error: BaseException) -> BaseException:
    """A worker that dies again and again, said plainly; any other error as it is."""
    if type(error).__name__ == "KilledWorker":
        return SmallgaugeError(
            "Several workers of the cluster ended with the same piece of work in hand (often for want of memory); give them more, "
            "or fewer at a time, and run the same command again: what is done is kept."
        )
    return error
