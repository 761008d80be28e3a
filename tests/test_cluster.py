"""A cluster: refused without encryption, the same bytes as here, a worker that is killed made good, no frame over the scheduler.

Left out, in words, where the library distributed is missing.
"""

import contextlib
import os
import pickle
import shutil
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import psutil
import pytest

from smallgauge import cluster as clusters
from smallgauge.cluster import Cluster, ClusterAsked, check_asked, refuse_unlike, what_works_here
from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.errors import CallerError, MaterialError, SmallgaugeError
from smallgauge.line import Settings, finish
from smallgauge.media.picture_in import UnreadableFrame
from smallgauge.picture.synthetic import specimen_truth

pytestmark = pytest.mark.skipif(
    find_spec("distributed") is None, reason="left out: the library distributed is not installed"
)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (
            ClusterAsked(address="tcp://192.0.2.7:8786"),
            "needs encryption",
        ),  # addresses for documents, RFC 5737
        (ClusterAsked(address="bench-two:8786"), "tls://host:port"),
        (ClusterAsked(address="tls://192.0.2.7"), "tls://host:port"),
        (ClusterAsked(address="tls://192.0.2.7:8786"), "found none for --tls-ca"),
        (ClusterAsked(address="tls://192.0.2.7:8786", tls_ca="gone.pem"), "no file gone.pem"),
    ],
)
def test_an_open_cluster_is_refused(asked, words):
    with pytest.raises(CallerError, match=words):
        check_asked(asked)


def test_whoever_would_make_other_bytes_is_refused():
    here = what_works_here()
    refuse_unlike(here)
    for name in ("smallgauge", "processors", "av"):
        with pytest.raises(CallerError, match=f"needs {name} other, as here, found .* on bench two"):
            refuse_unlike({**here, name: "other"}, "bench two")


def test_no_scheduler_is_one_sentence(monkeypatch):
    monkeypatch.setattr(clusters, "WAIT_S", 0.3)
    with (
        pytest.raises(CallerError, match=r"none answers .*docs/cluster\.md"),
        Cluster(
            ClusterAsked(address="tcp://127.0.0.1:9")  # the discard service: nobody listens
        ),
    ):
        pass


@pytest.fixture(scope="module")
def scheduler():
    """A scheduler and two workers on this computer, spoken to over its loopback."""
    import distributed

    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=False,
        protocol="tcp://",
        host="127.0.0.1",
        dashboard_address=None,
    ) as local:
        yield local.scheduler_address


def square(job, tick):
    tick(2)
    tick(1)
    return job * job


def fail(job, tick):
    raise UnreadableFrame(job, "frame_000007.dpx", "cut short")


def test_jobs_come_back_as_from_a_crew_here(scheduler, tmp_path):
    asked, seen = ClusterAsked(address=scheduler), []
    with Crew(cluster=asked, places=(tmp_path, tmp_path)) as crew:
        assert (crew.workers, crew.here) == (2, False)
        assert sorted(crew.run(square, range(5), watch=seen.append)) == [(n, n * n) for n in range(5)]
        assert seen[-1] == crew.done() == 15
        with pytest.raises(UnreadableFrame) as told:
            list(crew.run(fail, [7]))
        assert (told.value.number, told.value.reason) == (7, "cut short")
        with pytest.raises(CallerError, match="limit of time"):
            crew.submit(square, 1, limit_s=5.0)
    assert list(tmp_path.iterdir()) == []


def test_a_place_that_a_worker_does_not_see_is_refused(scheduler, tmp_path):
    with (
        pytest.raises(CallerError, match=r"must see .*capture under this very path"),
        Crew(cluster=ClusterAsked(address=scheduler), places=(tmp_path, tmp_path / "capture")),
    ):
        pass


def test_a_worker_that_dies_again_and_again_is_said():
    class KilledWorker(Exception):
        pass

    assert isinstance(clusters._in_words(KilledWorker()), SmallgaugeError)
    assert isinstance(clusters._in_words(MaterialError("as it is")), MaterialError)


# ----------------------------------------------------------------------------------- a reel, in processes of their own


def start(arguments, place):
    """One of Dask's programs, as the recipe starts it."""
    environment = {**os.environ, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "3"}
    with (place / f"{arguments[0]}.txt").open("w") as told:
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments],
            stdout=told,
            stderr=subprocess.STDOUT,
            env=environment,
            cwd=place,
        )


@contextlib.contextmanager
def two_workers(place, *, protocol="tcp", scheduler_keys=(), worker_keys=()):
    """A scheduler and two worker processes with their nurses; gives the process that looks after the workers."""
    port = ["--protocol", protocol, "--host", "127.0.0.1", "--port", "18787", "--no-dashboard"]
    scheduler = start(["scheduler", *port, *scheduler_keys], place)
    address = [f"{protocol}://127.0.0.1:18787", "--local-directory", "dask", *worker_keys]
    workers = start(["worker", *address, "--nworkers", "2", "--nthreads", "1", "--no-dashboard"], place)
    try:
        yield workers
    finally:
        for process in (workers, scheduler):
            process.terminate()
            process.wait(20)


def kill_who_works(workers):
    """Kill the worker process that has used the most of the processor."""
    found = psutil.Process(workers.pid).children(recursive=True)
    at_work = max((p for p in found if "spawn" in " ".join(p.cmdline())), key=lambda p: p.cpu_times().user)
    os.kill(at_work.pid, signal.SIGKILL)


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a POSIX process")
def test_a_reel_by_separate_workers_is_the_same_to_the_byte(tmp_path, monkeypatch):
    """Three segments by two worker processes, one of which is killed at work: every file as one worker here makes it."""
    truth = specimen_truth(
        "super 8",
        width=320,
        height=240,
        frames=260,
        striped=True,
        bits=10,
        code_values="log",
        fast_noise=True,
    )
    write_specimen(tmp_path / "capture", truth, format="dpx", reel="0004171-R01-3", processes=1)
    sent, killed, submit = [], [], Cluster.submit

    def counted(self, function, *words):
        sent.append(len(pickle.dumps(words)))
        return submit(self, function, *words)

    monkeypatch.setattr(Cluster, "submit", counted)
    settings = Settings(at="2026-01-17T10:00:00Z", workers=1)
    with two_workers(tmp_path) as workers:

        def progress(what, done, of):
            if what == "frames rendered" and not killed:  # a first segment is in hand
                killed.append(what)
                threading.Timer(3.0, kill_who_works, [workers]).start()

        asked = ClusterAsked(address="tcp://127.0.0.1:18787")
        far = replace(settings, workers=None, cluster=asked, progress=progress)
        there = finish(tmp_path / "capture", tmp_path / "there", far)
    here = finish(tmp_path / "capture", tmp_path / "here", settings)
    assert there.proved and here.proved and killed
    one, other = Path(here.folder), Path(there.folder)
    files = sorted(p.relative_to(one) for p in one.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(other) for p in other.rglob("*") if p.is_file())
    different = [f.name for f in files if (one / f).read_bytes() != (other / f).read_bytes()]
    assert different in ([], ["journal.jsonl"])  # whose lines stand in the order in which work came back
    assert max(sent) < 320 * 240 * 3 * 2  # no frame travels with a job, and each job has a hundred of them


def keys_by_the_handbook(home):
    """What docs/cluster.md has the technician type for keys, typed in a home of its own; gives the folder of keys."""
    page = (Path(__file__).parents[1] / "docs" / "cluster.md").read_text(encoding="utf-8")
    typed = next(block for block in page.split("```")[1::2] if "openssl req -x509" in block)
    home.mkdir()
    subprocess.run(
        ["bash", "-e", "-c", typed], check=True, env={**os.environ, "HOME": str(home)}, capture_output=True
    )
    return home / "film-keys"


def dask_keys(keys, name):
    return [
        f"--tls-ca-file={keys / 'ca.pem'}",
        f"--tls-cert={keys / name}.pem",
        f"--tls-key={keys / name}-key.pem",
    ]


@pytest.mark.campaign
@pytest.mark.skipif(
    shutil.which("openssl") is None or shutil.which("bash") is None, reason="left out: needs openssl and bash"
)
def test_the_recipe_with_keys_is_the_same_to_the_byte_and_keeps_others_out(tmp_path):
    """Keys as the handbook makes them; whoever has keys of another authority gets no answer, and the reel waits."""
    truth = specimen_truth("super 8", width=320, height=240, frames=130, bits=10, code_values="log")
    write_specimen(tmp_path / "capture", truth, format="dpx", sound=False, reel="0004171-R01-3", processes=1)
    keys, others = keys_by_the_handbook(tmp_path / "shop"), keys_by_the_handbook(tmp_path / "another")
    assert (keys / "ca-key.pem").stat().st_mode & 0o077 == 0
    asked = ClusterAsked(
        address="tls://127.0.0.1:18787",
        tls_ca=str(keys / "ca.pem"),
        tls_cert=str(keys / "shelf.pem"),
        tls_key=str(keys / "shelf-key.pem"),
    )
    stranger = replace(asked, tls_cert=str(others / "shelf.pem"), tls_key=str(others / "shelf-key.pem"))
    settings = Settings(at="2026-01-17T10:00:00Z", workers=1)
    with two_workers(
        tmp_path,
        protocol="tls",
        scheduler_keys=dask_keys(keys, "shelf"),
        worker_keys=dask_keys(keys, "bench-two"),
    ):
        there = finish(
            tmp_path / "capture", tmp_path / "there", replace(settings, workers=None, cluster=asked)
        )
        with pytest.raises(CallerError, match="none answers"):
            finish(
                tmp_path / "capture", tmp_path / "never", replace(settings, workers=None, cluster=stranger)
            )
    here = finish(tmp_path / "capture", tmp_path / "here", settings)
    assert there.proved and here.proved
    one, other = Path(here.folder), Path(there.folder)
    files = sorted(p.relative_to(one) for p in one.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(other) for p in other.rglob("*") if p.is_file())
    different = [f.name for f in files if (one / f).read_bytes() != (other / f).read_bytes()]
    assert different in ([], ["journal.jsonl"])
