"""A night with trouble: the disk fills while a reel runs, and a job whose process dies again and again."""

import time
from dataclasses import replace

from dying import die_or_run
from shop import AT, open_shop, write_film

from smallgauge.line import nobody_holds
from smallgauge.lock import held_by
from smallgauge.office import night as night_module
from smallgauge.office import queue
from smallgauge.office.book import check_book
from smallgauge.office.night import MOST_TRIES, Night, run_night
from smallgauge.office.place import book_place

ROOM, LEAVE = 10**12, 10**9


def the_night(shelf):
    said = []
    return Night(shelf=shelf, by="mk", now=lambda: AT, clock=time.monotonic, wait=time.sleep, say=said.append,
                 held=nobody_holds, workers=1, leave_bytes=LEAVE), said  # fmt: skip


def put_in(book, shelf, capture, name):
    return queue.add_job(book, at=AT, by="mk", shelf=str(shelf), reel=name, capture=str(capture))


def jobs(book, shelf):
    with book.read() as session:
        return sorted(queue.jobs_of(session, str(shelf)), key=lambda job: job.id)


def test_the_disk_fills_while_a_reel_runs(tmp_path, monkeypatch):
    """Another program takes the room: the reel is stopped and waits, nothing else begins, and with room again it goes on."""
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    capture = write_film(tmp_path / "capture", 8)
    other = write_film(tmp_path / "other", 3)
    full = [True]

    def free(path):
        return LEAVE - 1 if full[0] and (shelf / "capture" / "work").is_dir() else ROOM

    monkeypatch.setattr(night_module, "free_bytes", free)
    monkeypatch.setattr(night_module, "TURN_S", 0.05)
    with open_shop(shelf) as book:
        put_in(book, shelf, capture, "capture")
        put_in(book, shelf, other, "other")
        night, said = the_night(shelf)
        told = run_night(book, night)
        assert told.ran == [1] and told.failed == told.open == [] and told.exit_code == 1
        assert "less than is left free" in told.full and told.full in said
        first, second = jobs(book, shelf)
        assert (first.state, second.state) == (queue.WAITING, queue.WAITING)
        assert "goes on when there is room" in first.words and first.process == 0
        assert held_by(shelf / "capture") is None, "its process is gone, and its workers with it"
        again = run_night(book, the_night(shelf)[0])
        assert again.ran == [] and "make room there" in again.full, "it does not even begin without room"
        full[0] = False
        went = run_night(book, replace(night, held=hold_it))
        assert went.ran == [1, 2] and went.full == "", "with room again both are taken up"
        assert jobs(book, shelf)[0].tries == 2
        assert check_book(book).faults == ()


def hold_it(shelf, reel, kind):
    """Ends the reel at once: what is asked here is that it is taken up, not what comes of it."""
    return "asked" if kind == "film" else ""


def test_a_job_that_dies_is_tried_three_times_and_the_others_go_on(tmp_path, monkeypatch):
    shelf = tmp_path / "shelf"
    shelf.mkdir()
    for name in ("dies", "empty"):
        (tmp_path / name).mkdir()
    monkeypatch.setattr(night_module, "run_job", die_or_run)
    with open_shop(shelf) as book:
        for name in ("dies", "empty"):
            put_in(book, shelf, tmp_path / name, name)
        night, said = the_night(shelf)
        told = run_night(book, night)
        assert told.ran == [1] * MOST_TRIES + [2] and told.failed == [1, 2]
        first, second = jobs(book, shelf)
        assert (first.state, first.tries) == (queue.FAILED, MOST_TRIES)
        assert f"without a word, {MOST_TRIES} times" in first.words
        assert (second.state, second.tries) == (queue.FAILED, 1) and "frames" in second.words, (
            "its own reason"
        )
        assert sum("it is tried again" in words for words in said) == MOST_TRIES - 1
        assert run_night(book, the_night(shelf)[0]).ran == [], "it stops being tried"
        assert check_book(book).faults == ()
        queue.change_jobs(book, at=AT, by="mk", shelf=str(shelf), jobs=[1], to=queue.WAITING)
        assert jobs(book, shelf)[0].state == queue.WAITING, "a person lets it be tried again"
    assert book_place(shelf).is_file()
