"""The night's work as it stands in the book: which reels wait, which one is running where, and how each ended.

add_job      a capture or a reel is put in the queue
take_next    the next one that waits is taken by one bench, and by no other
end_job      how it ended
take_up      what a killed bench left running waits again
order_jobs   jobs that wait are put before the others

Taking one is a write of the book, and writes come one after the other: two benches never take the same job, nor two
jobs of one reel. The reel's own lock stands behind that for work that was begun outside the queue.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.numbers import check_reel_number
from smallgauge.office.book import Book, Entry
from smallgauge.office.models import Job, Turn

WAITING, RUNNING, PAUSED, STOPPING, STOPPED = "waiting", "running", "paused", "stopping", "stopped"
DONE, OPEN, FAILED = "done", "open", "failed"
LIVE = (WAITING, RUNNING, PAUSED, STOPPING)
GOING = (RUNNING, STOPPING)
MOST_LISTED = 500  # of those that have ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Worker:
    """The process that runs a job: its host, number, and when it began, so that a number used again is not mistaken for it."""

    host: str
    process: int
    began: str


def _shop_number(reel: str) -> str:
    """The shop number that a reel's name begins with, for its events; empty where it has none."""
    try:
        return check_reel_number(reel[:13]).text
    except MaterialError:
        return ""


def _tell(entry: Entry, what: str, job: Job, words: str) -> None:
    entry.tell(f"job {what}", job, reel=_shop_number(job.reel), words=f"job {job.id}, {job.reel}: {words}")


def add_job(book: Book, *, at: str, by: str, shelf: str, reel: str, capture: str) -> Job:
    """Put a reel in the queue; `capture` is empty where it is finished from its archive copy."""
    with book.write(at=at, by=by) as entry:
        there = entry.session.scalar(
            sa.select(Job).where(Job.shelf == shelf, Job.reel == reel, Job.state.in_(LIVE))
        )
        if there is not None:
            raise CallerError(
                f"{reel} is in the queue already (job {there.id}, {there.state}); wait for it, or stop it first."
            )
        job = Job(
            id=(entry.session.scalar(sa.select(sa.func.max(Job.id))) or 0) + 1,
            shelf=shelf,
            reel=reel,
            capture=capture,
            state=WAITING,
            asked_at=at,
            asked_by=entry.by,
            host="",
            process=0,
            began="",
            tries=0,
            ended_at="",
            words="",
        )
        _tell(entry, "asked", job, "put in the queue")
        return job


def _in_turn(query: sa.Select[Any]) -> sa.Select[Any]:
    """Jobs in the order in which they are done."""
    place = sa.func.coalesce(Turn.place, Job.id)
    return query.outerjoin(Turn, Turn.job == Job.id).order_by(place, Job.id)


def jobs_of(session: Session, shelf: str) -> list[Job]:
    """Jobs that live, in their order, and the newest of those that ended."""
    live = session.scalars(_in_turn(sa.select(Job).where(Job.shelf == shelf, Job.state.in_(LIVE))))
    ended = session.scalars(
        sa.select(Job)
        .where(Job.shelf == shelf, Job.state.not_in(LIVE))
        .order_by(Job.id.desc())
        .limit(MOST_LISTED)
    )
    return [*live, *reversed(list(ended))]


def knows_capture(session: Session, shelf: str, capture: str) -> bool:
    """Whether a capture was ever put in the queue."""
    found = sa.select(Job.id).where(Job.shelf == shelf, Job.capture == capture).limit(1)
    return session.scalar(found) is not None


def take_next(
    book: Book, *, at: str, by: str, shelf: str, worker: Worker, may: Callable[[Job], bool]
) -> Job | None:
    """Take the first job that waits, that `may` run here, and whose reel nobody is working on."""
    with book.read() as session:
        waiting = [job for job in jobs_of(session, shelf) if job.state == WAITING]
    wanted = [job.id for job in waiting if may(job)]
    if not wanted:
        return None
    with book.write(at=at, by=by) as entry:
        going = sa.select(Job.reel).where(Job.shelf == shelf, Job.state.in_(GOING))
        free = sa.select(Job).where(Job.id.in_(wanted), Job.state == WAITING, Job.reel.not_in(going))
        job: Job | None = entry.session.scalar(_in_turn(free).limit(1))
        if job is None:
            return None
        job.state, job.tries, job.words = RUNNING, job.tries + 1, ""
        job.host, job.process, job.began = worker.host, worker.process, worker.began
        _tell(entry, "begun", job, f"on {worker.host}")
        return job


def end_job(book: Book, *, at: str, by: str, job: int, worker: Worker, state: str, words: str) -> None:
    """Note how a job ended, or that it waits again; nothing where another bench has taken it up meanwhile."""
    with book.write(at=at, by=by) as entry:
        found = entry.session.get(Job, job)
        mine = found is not None and (found.host, found.process, found.began) == (
            worker.host,
            worker.process,
            worker.began,
        )
        if found is None or not mine or found.state not in GOING:
            return
        found.state = STOPPED if found.state == STOPPING and state == WAITING else state
        found.words, found.host, found.process, found.began = words, "", 0, ""
        found.ended_at = at if found.state not in LIVE else ""
        _tell(entry, found.state, found, words)


def take_up(book: Book, *, at: str, by: str, shelf: str, dead: Callable[[Worker], bool]) -> list[Job]:
    """Let jobs wait again whose process is dead: what it made whole is kept."""

    def left(session: Session) -> list[Job]:
        going = session.scalars(sa.select(Job).where(Job.shelf == shelf, Job.state.in_(GOING)))
        return [j for j in going if dead(Worker(host=j.host, process=j.process, began=j.began))]

    with book.read() as session:
        if not left(session):
            return []
    with book.write(at=at, by=by) as entry:
        found = left(entry.session)
        for job in found:
            job.state = STOPPED if job.state == STOPPING else WAITING
            job.host, job.process, job.began = "", 0, ""
            job.ended_at = at if job.state == STOPPED else ""
            job.words = "its bench was stopped; what is whole is kept"
            _tell(entry, job.state, job, job.words)
        return found


def change_jobs(book: Book, *, at: str, by: str, shelf: str, jobs: list[int], to: str) -> list[Job]:
    """Pause, let go on, or stop jobs; all that can be where none is named.

    Pausing keeps those that wait from being begun. Stopping also ends the one that runs: what is whole is kept.
    """
    change = {
        PAUSED: {WAITING: PAUSED},
        WAITING: {PAUSED: WAITING, STOPPED: WAITING, FAILED: WAITING},
        STOPPED: {WAITING: STOPPED, PAUSED: STOPPED, RUNNING: STOPPING},
    }[to]
    with book.write(at=at, by=by) as entry:
        if jobs:
            found = list(
                entry.session.scalars(
                    sa.select(Job).where(Job.shelf == shelf, Job.id.in_(jobs)).order_by(Job.id)
                )
            )
            wrong = [job for job in found if job.state not in change]
            missing = sorted(set(jobs) - {job.id for job in found})
            if wrong or missing:
                what = f"job {wrong[0].id} is {wrong[0].state}" if wrong else f"there is no job {missing[0]}"
                raise CallerError(
                    f"That needs jobs that are {' or '.join(change)}, and {what}; look with `smallgauge queue list`."
                )
        else:
            found = [
                j
                for j in jobs_of(entry.session, shelf)
                if j.state in change and j.state not in (STOPPED, FAILED)
            ]
        busy = {j.reel for j in jobs_of(entry.session, shelf) if j.state in LIVE}
        for job in found:
            if to == WAITING and job.state != PAUSED and job.reel in busy:
                raise CallerError(f"{job.reel} is in the queue already; wait for it, or stop it first.")
            job.state = change[job.state]
            job.ended_at = at if job.state not in LIVE else ""
            _tell(entry, job.state, job, f"by {entry.by}")
        return found


def order_jobs(book: Book, *, at: str, by: str, shelf: str, jobs: list[int]) -> list[Job]:
    """Put jobs before all others that wait or rest, in the order in which they are named; gives the new order.

    The places that these jobs have among them are dealt out anew, so two jobs never share one.
    """
    if not jobs:
        raise CallerError("Nothing was named to be put first; name the numbers of the jobs in their order.")
    with book.write(at=at, by=by) as entry:
        rest = {j.id: j for j in jobs_of(entry.session, shelf) if j.state in (WAITING, PAUSED)}
        wrong = [job for job in jobs if job not in rest]
        if wrong or len(set(jobs)) < len(jobs):
            what = f"job {wrong[0]} does not" if wrong else "one was named twice"
            raise CallerError(
                f"Jobs that wait or pause are put in order, each named once, and {what}; look with `smallgauge queue list`."
            )
        turns = {turn.job: turn for turn in entry.session.scalars(sa.select(Turn).where(Turn.job.in_(rest)))}
        places = sorted(turns[job].place if job in turns else job for job in rest)
        order = [*jobs, *(job for job in rest if job not in jobs)]
        moved = [
            (job, place)
            for job, place in zip(order, places, strict=True)
            if place != (turns[job].place if job in turns else job)
        ]
        for job, place in moved:
            turn = turns.get(job) or Turn(job=job, place=place)
            turn.place = place
            entry.tell(
                "job put in order",
                turn,
                reel=_shop_number(rest[job].reel),
                words=f"job {job}, {rest[job].reel}: place {place}, by {entry.by}",
            )
        return [rest[job] for job in order]


def state_of(book: Book, job: int) -> str:
    """The state of a job now."""
    with book.read() as session:
        return session.scalar(sa.select(Job.state).where(Job.id == job)) or ""
