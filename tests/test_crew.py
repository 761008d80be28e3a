"""Workers: the same results whoever works, a dead worker loses only its job, errors arrive as they are."""

import ctypes
import json
import multiprocessing.util
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import pytest

from smallgauge import crew as crews
from smallgauge.crew import Crew
from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.lock import ReelLock, held_by
from smallgauge.media.picture_in import UnreadableFrame


@dataclass(frozen=True)
class Job:
    number: int
    folder: str = ""
    deaths: int = 0


def square(job, tick):
    tick(2)
    return job.number**2, os.getpid()


def fail(job, tick):
    raise UnreadableFrame(job.number, "frame_000007.dpx", "cut short")


def die(job, tick):
    """Die as often as the job says, then do the work."""
    if job.deaths:
        died = len(list(Path(job.folder).glob(f"{job.number}-*")))
        if died < job.deaths:
            (Path(job.folder) / f"{job.number}-{died}").touch()
            os.kill(os.getpid(), signal.SIGKILL)
    return job.number


def unwatched(done):
    """Nobody looks."""


@pytest.fixture(scope="module")
def two():
    with Crew(2) as crew:
        yield crew


def test_one_worker_and_two_give_the_same(two):
    jobs = [Job(n) for n in range(7)]
    with Crew(1) as one:
        here = {job.number: result for job, result in one.run(square, jobs)}
        assert one.done() == 14
    seen = []
    there = {job.number: result for job, result in two.run(square, jobs, watch=seen.append)}
    assert (
        {n: r[0] for n, r in here.items()}
        == {n: r[0] for n, r in there.items()}
        == {n: n * n for n in range(7)}
    )
    assert {r[1] for r in here.values()} == {os.getpid()}
    assert os.getpid() not in {r[1] for r in there.values()}
    assert seen[-1] == 14 and seen == sorted(seen)


def test_what_is_done_beside_waits_for_nobody_and_is_settled_in_order():
    told, waited = [], []
    with Crew(1) as one:
        one.beside(square, Job(3), lambda result: told.append(("here", *result)), watch=waited.append)
        assert told == [("here", 9, os.getpid())] and waited == [0, 1]  # at once
    with Crew(2) as two:
        for n in (4, 5):
            two.beside(square, Job(n), told.append, watch=waited.append)
        numbers = {result[1] for _, result in two.run(square, [Job(n) for n in range(6)])}
        assert len(told) == 1  # nothing is told before it is settled
        assert two.done() == 12  # its frames are not counted
        assert waited == [0, 1]  # of the one before
        two.settle()
        assert [result[0] for result in told[1:]] == [16, 25]
        assert not {result[1] for result in told[1:]} & {os.getpid(), *numbers}
        assert waited == [0, 1] * 3
        two.beside(square, Job(6), told.append, watch=unwatched)
    assert told[-1][0] == 36  # the end of the crew settles what is left


def test_a_crew_that_rests_has_no_processes_until_the_next_job():
    with Crew(2) as two:
        before = {pid for _, (_, pid) in two.run(square, [Job(n) for n in range(4)])}
        two.rest()
        assert not any(psutil.pid_exists(pid) for pid in before)
        after = {number for _, (number, _) in two.run(square, [Job(n) for n in range(3)])}
    assert after == {0, 1, 4}


def test_what_dies_beside_is_done_once_more(tmp_path):
    told = []
    with Crew(2) as two:
        two.beside(die, Job(1, str(tmp_path), 1), told.append, watch=unwatched)
        two.settle()
    assert told == [1]
    with pytest.raises(SmallgaugeError, match="ended twice from outside"), Crew(2) as two:
        two.beside(die, Job(2, str(tmp_path), 2), told.append, watch=unwatched)
    assert told == [1]


def test_an_error_beside_arrives_as_it_is_and_nothing_beside_outlasts_an_error_here():
    with pytest.raises(UnreadableFrame, match="cut short"), Crew(2) as two:
        two.beside(fail, Job(7), lambda result: None, watch=unwatched)
    told = []
    with pytest.raises(KeyError), Crew(2) as two:
        two.beside(square, Job(7), told.append, watch=unwatched)
        raise KeyError
    assert told == []


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_arrives_as_it_is(workers, two):
    with Crew(1) as one, pytest.raises(UnreadableFrame) as told:
        list((one if workers == 1 else two).run(fail, [Job(7)]))
    assert told.value.number == 7 and told.value.reason == "cut short"
    assert told.value.exit_code == 3


@pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a POSIX process")
def test_a_dead_worker_loses_only_its_job(two, tmp_path):
    jobs = [Job(n, str(tmp_path), deaths=int(n == 2)) for n in range(4)]
    assert sorted(result for _, result in two.run(die, jobs)) == [0, 1, 2, 3]
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a POSIX process")
def test_a_job_that_kills_twice_is_an_error_in_words(two, tmp_path):
    with pytest.raises(SmallgaugeError, match="ended twice"):
        list(two.run(die, [Job(9, str(tmp_path), deaths=2)]))


def same(job, tick):
    tick(1)
    return job.number, os.getpid()


def takes_all(job, tick):
    if job.number == 3:
        raise MemoryError
    return job.number


@pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a POSIX process")
def test_what_reads_outside_material_is_never_this_process(tmp_path):
    """With one worker too; a job that dies twice may be mended, and one that is refused memory counts as dead."""
    with Crew(1) as one:
        ((_, (number, process)),) = one.run(same, [Job(5)], outside=True)
        assert number == 5 and process != os.getpid()
        asked = []

        def mend(job):
            asked.append(job)
            return Job(8)

        deadly = Job(9, str(tmp_path), deaths=2)
        assert [result for _, result in one.run(die, [deadly], outside=True, mend=mend)] == [8]
        assert asked == [deadly]
        with pytest.raises(SmallgaugeError, match="ended twice"):
            list(one.run(takes_all, [Job(3)], outside=True, mend=lambda job: None))


PARENT = """
import sys, time
from smallgauge.crew import Crew
def sleep(seconds, tick):
    print("working", flush=True)
    time.sleep(seconds)
if __name__ == "__main__":
    with Crew(2) as crew:
        crew.submit(sleep, 60.0), crew.submit(sleep, 60.0)
        time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="left out: kills a POSIX process")
def test_workers_end_with_their_parent(tmp_path):
    """Only the parent is killed: nobody may go on writing when the next run begins."""
    (tmp_path / "parent.py").write_text(PARENT)
    parent = subprocess.Popen([sys.executable, tmp_path / "parent.py"], stdout=subprocess.PIPE, text=True)
    for _ in range(2):  # who works has begun to watch its parent
        assert parent.stdout.readline() == "working\n"
    workers = [p for p in psutil.Process(parent.pid).children() if "spawn_main" in " ".join(p.cmdline())]
    assert len(workers) == 2
    parent.kill()
    parent.wait()
    _, alive = psutil.wait_procs(workers, timeout=30)
    for process in alive:
        process.kill()
    assert not alive


# ----------------------------------------------------------------------------------------------------- lock


def lock_file(folder: Path, **changes: object) -> Path:
    """A lock as another process leaves it."""
    import platform

    path = folder / "work" / "lock"
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps({"host": platform.node(), "process": 2**22 + 1, "began": 1.0, **changes}))
    return path


def test_a_lock_is_held_and_let_go(tmp_path):
    with ReelLock(tmp_path):
        assert (tmp_path / "work" / "lock").exists()
        with pytest.raises(CallerError, match=f"process {os.getpid()}"), ReelLock(tmp_path):
            pass
        assert (tmp_path / "work" / "lock").exists()
    assert not (tmp_path / "work" / "lock").exists()


def test_a_dead_process_is_taken_over_at_once(tmp_path):
    lock_file(tmp_path)
    with ReelLock(tmp_path):
        pass
    lock_file(tmp_path, process=os.getpid(), began=1.0)  # the number lives, but is another process
    with ReelLock(tmp_path):
        pass
    assert list((tmp_path / "work").iterdir()) == []


@pytest.mark.skipif(
    sys.platform == "win32", reason="left out: processes that ended stay listed on POSIX systems"
)
def test_a_process_that_ended_and_was_not_asked_after_holds_nothing(tmp_path):
    child = subprocess.Popen([sys.executable, "-c", "pass"], stdin=subprocess.DEVNULL)
    began = psutil.Process(child.pid).create_time()
    while psutil.Process(child.pid).status() != psutil.STATUS_ZOMBIE:
        time.sleep(0.01)
    lock_file(tmp_path, process=child.pid, began=began)
    assert held_by(tmp_path) is None
    with ReelLock(tmp_path):
        assert child.wait() == 0
        assert f"process {os.getpid()}" in held_by(tmp_path)


def test_another_host_is_asked_for(tmp_path):
    path = lock_file(tmp_path, host="bench two")
    with pytest.raises(CallerError, match="from bench two"), ReelLock(tmp_path, take_over=True):
        pass
    os.utime(path, (1, 1))
    with pytest.raises(CallerError, match="--take-over"), ReelLock(tmp_path):
        pass
    with ReelLock(tmp_path, take_over=True):
        assert json.loads(path.read_text())["process"] == os.getpid()


def test_a_lock_that_was_taken_over_is_left_alone(tmp_path):
    with ReelLock(tmp_path):
        lock_file(tmp_path, host="bench two")
    assert json.loads((tmp_path / "work" / "lock").read_text())["host"] == "bench two"


def test_a_pool_that_broke_is_opened_again(two, tmp_path, monkeypatch):
    """A worker that dies before the pool knows its job breaks the pool: the job is given out again in a new one."""
    from concurrent.futures import Future
    from concurrent.futures.process import BrokenProcessPool

    submit, broken = two.submit, []

    def first_time_broken(function, job, **limits):
        if broken:
            return submit(function, job, **limits)
        submit(function, Job(1, str(tmp_path)), **limits).result()
        two._pool.stop()
        broken.append(job)
        future = Future()
        future.set_exception(BrokenProcessPool("All workers expired"))
        return future

    monkeypatch.setattr(two, "submit", first_time_broken)
    assert [job.number for job, _ in two.run(square, [Job(3, str(tmp_path))])] == [3] and len(broken) == 1


def library_threads(job, tick):
    import cv2
    import polars
    from numba import get_num_threads

    algebra = [  # of numpy and scipy, where they bring it with them
        ctypes.CDLL(str(path)).scipy_openblas_get_num_threads64_()
        for path in Path(cv2.__file__).parents[1].glob("numpy.libs/libscipy_openblas64_*")
    ]
    return [cv2.getNumThreads(), polars.thread_pool_size(), get_num_threads(), *algebra]


def test_libraries_in_a_worker_take_one_thread_each():
    """So that a crew of N keeps N cores busy and no more."""
    with Crew(2) as crew:
        assert set(crew.submit(library_threads, Job(0)).result()) == {1}


LEAVES_HOLES = """
import sys, psutil, numpy as np
from smallgauge.crew import Crew
from tests.test_crew import Job, square
me = psutil.Process()
if __name__ == "__main__":
    for _ in range(2):  # what was freed once is kept by the C library from then on
        pinned, frames = [], []
        for _ in range(20):
            frames.append(np.ones(20_000_000, np.uint8))
            pinned.append(np.ones(100_000, np.uint8))
        held = me.memory_info().rss
        del frames
    left = me.memory_info().rss
    with Crew(2) as crew:
        crew.submit(square, Job(1)).result()
    print(held, left, me.memory_info().rss)
"""


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="left out: another C library")
def test_memory_that_was_freed_goes_back_before_work_is_given_out(tmp_path):
    (tmp_path / "holes.py").write_text(LEAVES_HOLES)
    told = subprocess.run(
        [sys.executable, str(tmp_path / "holes.py")], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    )  # fmt: skip
    held, left, after = map(int, told.stdout.split())
    assert left > held - 100e6, "the C library gave it back of itself: this test says nothing"
    assert after < held - 300e6


PINNED: list[np.ndarray] = []  # between frames, so that what is freed does not lie at the heap's end


def hold_frames(job, tick):
    frames = []
    for _ in range(20):
        frames.append(np.ones(20_000_000, np.uint8))
        PINNED.append(np.ones(100_000, np.uint8))
    return psutil.Process().memory_info().rss


def resident(job, tick):
    return psutil.Process().memory_info().rss


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="left out: another C library")
def test_a_process_for_outside_material_gives_back_what_a_job_has_freed():
    """A survey holds a gigabyte of light, and its process goes on to the chunks."""
    with Crew(1) as crew:
        held = crew.submit(hold_frames, Job(0), outside=True).result()
        assert crew.submit(resident, Job(0), outside=True).result() < held - 300e6


def read_outside():
    with Crew(1) as crew:
        assert crew.submit(square, Job(3), outside=True).result()[0] == 9


def test_a_process_with_one_for_outside_material_ends_by_itself():
    """A job of the queue is such a process: it must not wait at its end for the one that it keeps."""
    import multiprocessing

    process = multiprocessing.get_context("spawn").Process(target=read_outside)
    process.start()
    process.join(60)
    ended = process.exitcode
    process.kill()
    assert ended == 0


def test_a_worker_that_is_ending_is_not_made_to_end_again(monkeypatch):
    with pytest.raises(SystemExit):
        crews._end_in_order(15, None)
    monkeypatch.setattr(multiprocessing.util, "_exiting", True)
    crews._end_in_order(15, None)


ENDED_IN_A_DESTRUCTOR = """
import os, signal, sys, time
from multiprocessing import get_context
from smallgauge import crew

class Slow:
    def __del__(self):
        print("in it", flush=True)
        until = time.monotonic() + 20
        while time.monotonic() < until and crew.asked is None:
            pass

def end(number, frame):
    crew.asked = number
    crew._end_in_order(number, frame)

crew.asked = None
crew._start(None)
signal.signal(signal.SIGTERM, end)
slow = Slow()
del slow
time.sleep(60)
print("went on")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="left out: sends POSIX's signal")
def test_a_worker_asked_to_end_within_a_destructor_ends_without_a_word():
    command = [sys.executable, "-c", ENDED_IN_A_DESTRUCTOR]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "in it\n"
    process.send_signal(signal.SIGTERM)
    said, words = process.communicate(timeout=60)
    assert (process.returncode, said, words) == (0, "", "")


def faults_of_frames(job, tick):
    import resource

    begun = 0
    for turn in range(12):
        if turn == 2:
            begun = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
        frame = b"light" * (38 * 2**20 // 5)  # touched throughout, and let go
        del frame
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - begun


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "mallopt"), reason="left out: another C library")
def test_a_workers_frames_take_the_memory_of_those_before():
    """Ten frames of 38 MiB would be 97,000 pages asked of the system one by one."""
    with Crew(2) as crew:
        assert crew.submit(faults_of_frames, Job(0)).result() < 10_000
