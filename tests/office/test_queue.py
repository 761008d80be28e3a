"""The queue: nothing begins twice, a failure stops nothing, a killed night goes on, and there is room."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest
from shop import AT, open_shop, parcel, reel, write_film

from smallgauge import cli
from smallgauge.errors import CallerError
from smallgauge.line import nobody_holds
from smallgauge.lock import ReelLock, held_by
from smallgauge.office import ledger, queue
from smallgauge.office.book import Book, check_book
from smallgauge.office.due import passes_due
from smallgauge.office.night import Night, Watch, need_bytes, revive, run_night, taken_bytes
from smallgauge.office.place import BOOK_FILE, book_place
from smallgauge.office.queue import Worker

HERE = Worker(host="bench one", process=1, began="1.0")
THERE = Worker(host="bench two", process=2, began="2.0")


def add(book, name, capture="/captures/x"):
    return queue.add_job(book, at=AT, by="mk", shelf="/shelf", reel=name, capture=capture)


def take(book, worker, may=lambda job: True):
    return queue.take_next(book, at=AT, by="mk", shelf="/shelf", worker=worker, may=may)


def end(book, job, worker, state, words=""):
    queue.end_job(book, at=AT, by="mk", job=job.id, worker=worker, state=state, words=words)


@pytest.fixture(params=["file", "server"])
def book(request, tmp_path):
    """An empty book, in a file and on a server."""
    place = tmp_path / BOOK_FILE if request.param == "file" else request.getfixturevalue("database")
    with Book(place, make=True) as opened:
        yield opened
        assert check_book(opened).faults == ()


def test_a_job_from_door_to_door(book):
    first, second = add(book, "0000013-R01-3"), add(book, "b")
    with pytest.raises(CallerError, match="in the queue already"):
        add(book, "b")
    taken = take(book, HERE)
    assert (taken.id, taken.state, taken.host, taken.tries) == (first.id, queue.RUNNING, "bench one", 1)
    assert take(book, THERE).id == second.id
    assert take(book, HERE) is None
    end(book, taken, THERE, queue.DONE)
    assert queue.state_of(book, first.id) == queue.RUNNING, "only who runs it says how it ended"
    end(book, taken, HERE, queue.DONE, "made")
    assert queue.state_of(book, first.id) == queue.DONE
    assert queue.take_up(book, at=AT, by="mk", shelf="/shelf", dead=lambda w: w == HERE) == []
    (again,) = queue.take_up(book, at=AT, by="mk", shelf="/shelf", dead=lambda w: w == THERE)
    assert (again.id, again.state) == (second.id, queue.WAITING)
    end(book, again, THERE, queue.FAILED)
    assert queue.state_of(book, second.id) == queue.WAITING, "the dead bench has no say any more"
    assert take(book, HERE).tries == 2


def test_pause_go_on_and_stop(book):
    jobs = [add(book, name) for name in "abc"]

    def change(to, *numbers):
        return [
            job.id
            for job in queue.change_jobs(book, at=AT, by="mk", shelf="/shelf", jobs=list(numbers), to=to)
        ]

    assert take(book, HERE).id == 1
    assert change(queue.PAUSED) == [2, 3]
    assert take(book, HERE) is None
    with pytest.raises(CallerError, match="job 1 is running"):
        change(queue.PAUSED, 1)
    with pytest.raises(CallerError, match="no job 9"):
        change(queue.PAUSED, 9)
    assert change(queue.WAITING, 3) == [3] and take(book, THERE).id == 3
    assert change(queue.STOPPED) == [1, 2, 3]
    assert [queue.state_of(book, job.id) for job in jobs] == [queue.STOPPING, queue.STOPPED, queue.STOPPING]
    end(book, jobs[0], HERE, queue.WAITING)
    assert queue.state_of(book, 1) == queue.STOPPED
    assert change(queue.WAITING) == [], "what a person stopped goes on only by its number"
    assert change(queue.WAITING, 1) == [1]


TAKER = """
import sys
from smallgauge.office import queue
from smallgauge.office.book import Book
from pathlib import Path
place = sys.argv[1] if "://" in sys.argv[1] else Path(sys.argv[1])
me = queue.Worker(host=sys.argv[2], process=1, began="1.0")
with Book(place) as book:
    while job := queue.take_next(book, at="2026-03-02T09:00:00Z", by="mk", shelf="/shelf", worker=me, may=lambda job: True):
        print(job.id, flush=True)
        queue.end_job(book, at="2026-03-02T09:00:00Z", by="mk", job=job.id, worker=me, state="done", words="")
"""


def test_two_benches_never_take_the_same(book):
    for number in range(24):
        add(book, f"reel {number}")
    place = (
        book.engine.url.render_as_string(hide_password=False)
        .replace("sqlite:///", "")
        .replace("+psycopg", "")
    )
    both = [
        subprocess.Popen([sys.executable, "-c", TAKER, place, host], stdout=subprocess.PIPE, encoding="utf-8")
        for host in ("one", "two")
    ]
    told = [[int(line) for line in each.communicate()[0].split()] for each in both]
    assert [each.returncode for each in both] == [0, 0]
    assert sorted(told[0] + told[1]) == list(range(1, 25))


def the_night(shelf, **changes):
    said = []
    asked = {"shelf": shelf, "by": "mk", "now": lambda: AT, "clock": time.monotonic, "wait": time.sleep,
             "say": said.append, "held": nobody_holds, "workers": 1, "leave_bytes": 0}  # fmt: skip
    return Night(**(asked | changes)), said


def put_in(book, shelf, capture, name):
    return queue.add_job(book, at=AT, by="mk", shelf=str(shelf), reel=name, capture=str(capture))


def test_a_failure_never_stops_the_next(tmp_path):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    for name in ("empty", "words"):
        (tmp_path / name).mkdir()
    (tmp_path / "words" / "notes.txt").write_text("no film")
    with open_shop(shelf) as book:
        for name in ("empty", "words"):
            put_in(book, shelf, tmp_path / name, name)
        night, said = the_night(shelf)
        told = run_night(book, night)
        assert told.ran == [1, 2] and told.failed == [1, 2] and told.exit_code == 1
        with book.read() as session:
            jobs = queue.jobs_of(session, str(shelf))
        assert all(job.state == queue.FAILED and "frames" in job.words for job in jobs)
        assert check_book(book).faults == ()
    assert any(line.startswith("words: failed.") for line in said)


def test_a_held_reel_ends_open_and_says_why(tmp_path):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    capture = write_film(tmp_path / "capture", 3)
    with open_shop(shelf) as book:
        number = reel(book, parcel(book)).number
        ledger.place_hold(book, at=AT, by="mk", reel=number, kind="film", why="mould", lifter="jo")
    with (capture / "capture.toml").open("a") as file:
        file.write(f'reel = "{number}"\n')
    shelf_words = ("--shelf", str(shelf), "--by", "mk")
    assert cli.main(["queue", "add", str(capture), *shelf_words]) == 0
    assert cli.main(["queue", "add", str(capture), *shelf_words]) == 2
    assert cli.main(["queue", "run", "--leave", "0", "--workers", "1", *shelf_words]) == 1
    with Book(book_place(shelf)) as book, book.read() as session:
        (job,) = queue.jobs_of(session, str(shelf))
    assert job.state == queue.OPEN and "mould" in job.words


def test_no_room_is_said_before_anything_begins(tmp_path, capsys):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    capture = write_film(tmp_path / "capture", 3)
    words = ("--shelf", str(shelf), "--by", "mk", "--leave", "900000", "--json")
    assert cli.main(["queue", "add", str(capture), *words]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["need_bytes"] == need_bytes(shelf, "capture", str(capture)) > 384 * 288 * 3 * 3
    assert cli.main(["queue", "run", *words]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["ran"] == [] and "make room" in told["no_room"]
    assert told["jobs"][0]["state"] == "waiting"
    assert not (shelf / "capture").exists()


def test_a_reel_in_work_elsewhere_is_left_alone(tmp_path):
    shelf = tmp_path / "shelf"
    (shelf / "capture").mkdir(parents=True)
    capture = write_film(tmp_path / "capture", 3)
    with open_shop(shelf) as book, ReelLock(shelf / "capture"):
        put_in(book, shelf, capture, "capture")
        night, _ = the_night(shelf)
        assert run_night(book, night).ran == []


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
def test_a_killed_night_goes_on(tmp_path, capsys):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    capture = write_film(tmp_path / "capture", 8)
    words = ("--shelf", str(shelf), "--by", "mk", "--leave", "0")
    assert cli.main(["queue", "add", str(capture), *words]) == 0
    run = subprocess.Popen([sys.executable, "-m", "smallgauge", "queue", "run", "--workers", "1", *words])
    until = time.monotonic() + 60
    while not list(shelf.glob("queue/job-1.json")) and time.monotonic() < until:
        time.sleep(0.05)
    run.send_signal(signal.SIGKILL)
    run.wait()
    capsys.readouterr()
    assert cli.main(["queue", "status", *words, "--json"]) == 0
    (job,) = json.loads(capsys.readouterr().out)["jobs"]
    assert job["state"] == "running" and "what" in job["progress"]
    until = time.monotonic() + 20
    with Book(book_place(shelf)) as book:
        night, said = the_night(shelf)
        while held_by(shelf / "capture") and time.monotonic() < until:
            time.sleep(0.05)
        assert held_by(shelf / "capture") is None, "the job ends with its queue"
        revive(book, night)
        with book.read() as session:
            (job,) = queue.jobs_of(session, str(shelf))
        assert job.state == queue.WAITING and job.tries == 1 and len(said) == 1
        assert check_book(book).faults == ()


def test_a_finished_capture_is_taken_in_once(tmp_path):
    place = tmp_path / "arriving"
    place.mkdir()
    watch = Watch(place)
    film = write_film(place / "garden", 3)
    assert watch.finished(0.0) == []
    assert watch.finished(10.0) == [], "it has not been quiet for long enough"
    (film / "frame_000003.png.part").write_bytes(b"x")
    assert watch.finished(20.0) == []
    assert watch.finished(60.0) == [], "a file says of itself that it is not finished"
    (film / "frame_000003.png.part").unlink()
    assert watch.finished(61.0) == []
    assert watch.finished(80.0) == [film]
    torn = (film / "frame_000002.png").read_bytes()
    (film / "frame_000002.png").write_bytes(torn[:-50])
    for now in (81.0, 120.0, 200.0):
        watch.finished(now)
    fresh = Watch(place)
    assert [fresh.finished(now) for now in (0.0, 20.0, 60.0)] == [[], [], []], "a torn frame is waited for"
    (film / "frame_000002.png").write_bytes(torn)
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    now = iter(range(0, 10_000, 20))
    with open_shop(shelf) as book:
        night, said = the_night(
            shelf, watch=place, looks=4, clock=lambda: next(now), wait=lambda s: None, leave_bytes=10**18
        )
        assert run_night(book, night).ran == []
        with book.read() as session:
            (job,) = queue.jobs_of(session, str(shelf))
    assert (job.reel, job.capture) == ("garden", str(film)) and "garden is finished" in said[0]


@pytest.mark.campaign
def test_a_whole_reel_by_night(tmp_path, capsys):
    """What was foretold was enough, nothing is due afterwards, and each change makes the right pass due."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    capture = write_film(tmp_path / "capture", 12)
    need = need_bytes(shelf, "capture", str(capture))
    words = ("--shelf", str(shelf), "--by", "mk", "--leave", "0")
    assert cli.main(["queue", "add", str(capture), *words]) == 0
    assert cli.main(["queue", "run", "--workers", "1", *words]) in (0, 1)
    folder = shelf / "capture"
    print(f"foretold {need}, taken {taken_bytes(folder)}")
    assert (folder / "package.json").is_file() and passes_due(folder) == ()
    decide = ["treat", str(folder), "--decide", "camera_speed", "18", "--by", "mk", "--why", "it looks right"]
    assert cli.main(decide) == 0
    assert passes_due(folder)[0][0] == "render"
    assert cli.main(["queue", "add", "--due", *words]) == 0
    assert cli.main(["queue", "run", "--workers", "1", *words]) in (0, 1)
    assert passes_due(folder) == ()
    (folder / "proof.json").write_text("{}")
    assert passes_due(folder)[0] == ("prove", "proof.json is not the file that was written")
