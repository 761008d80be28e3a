"""What `smallgauge queue` does: one document for --json, and the lines that a person reads."""

import argparse
from pathlib import Path
from typing import Any

from smallgauge.errors import CallerError, SmallgaugeError
from smallgauge.media.whole import free_bytes, plain_size
from smallgauge.office import queue
from smallgauge.office.book import Book
from smallgauge.office.desk import Answer
from smallgauge.office.due import passes_due
from smallgauge.office.models import Job, plain
from smallgauge.office.night import (
    Night,
    foretell,
    foretold_words,
    name_of,
    progress_of,
    progress_path,
    run_night,
    short,
)
from smallgauge.office.place import book_place

CHANGES = {"pause": queue.PAUSED, "go-on": queue.WAITING, "stop": queue.STOPPED}


def run_queue(options: argparse.Namespace, night: Night) -> Answer:
    """Do one action of the queue."""
    with Book(book_place(night.shelf), make=options.action in ("add", "run")) as book:
        if options.action == "run":
            told = run_night(book, night)
            ran = {"ran": told.ran, "failed": told.failed, "open": told.open, "no_room": told.full}
            return Answer(
                document={**queue_document(book, night.shelf, night.leave_bytes), **ran},
                lines=_lines(book, night),
                exit_code=told.exit_code,
            )
        if options.action == "add":
            return _add(options, book, night)
        if options.action in CHANGES:
            queue.change_jobs(
                book,
                at=night.now(),
                by=night.by,
                shelf=str(night.shelf),
                jobs=_numbers(options.what),
                to=CHANGES[options.action],
            )
        if options.action == "order":
            queue.order_jobs(
                book, at=night.now(), by=night.by, shelf=str(night.shelf), jobs=_numbers(options.what)
            )
        if options.action == "list":
            return _listed(book, night)
        return Answer(
            document=queue_document(book, night.shelf, night.leave_bytes), lines=_lines(book, night)
        )


def _numbers(given: list[str]) -> list[int]:
    for text in given:
        if not (text.isascii() and text.isdigit()):
            raise CallerError(
                f"A job is named by its number, found '{text}'; `smallgauge queue list` shows it."
            )
    return [int(text) for text in given]


def _add(options: argparse.Namespace, book: Book, night: Night) -> Answer:
    """Put reels in the queue: each that can be, and each that can't said."""
    given = [Path(text) for text in options.what]
    if options.due:
        given += [folder for folder in _reels(night.shelf) if passes_due(folder)]
    if not given:
        raise CallerError(
            "Nothing was named to be put in the queue; name captures or reels' folders, or say --due."
        )
    added: list[Job] = []
    errors: list[tuple[str, str, int]] = []
    for path in given:
        try:
            reel, capture = name_of(night.shelf, path)
            added.append(
                queue.add_job(
                    book, at=night.now(), by=night.by, shelf=str(night.shelf), reel=reel, capture=capture
                )
            )
        except SmallgaugeError as error:
            errors.append((str(path), str(error), error.exit_code))
    told = foretell(book, night.shelf)
    lines = [f"job {job.id}: {job.reel}" for job in added] + [words for _, words, _ in errors]
    return Answer(
        document={
            "added": [plain(job) for job in added],
            "errors": [{"given": where, "error": words, "exit_code": code} for where, words, code in errors],
            "need_bytes": sum(size for _, size, _ in told),
        },
        lines=(*lines, foretold_words(told, free_bytes(night.shelf), night.leave_bytes)),
        exit_code=max((code for _, _, code in errors), default=0),
    )


def _reels(shelf: Path) -> list[Path]:
    return [place for place in sorted(shelf.iterdir()) if (place / "reel.json").is_file()]


def _listed(book: Book, night: Night) -> Answer:
    """The queue, and which pass of which reel is out of date."""
    due = {folder.name: passes_due(folder) for folder in _reels(night.shelf)}
    document = queue_document(book, night.shelf, night.leave_bytes)
    document["due"] = {
        name: [{"pass": step, "why": why} for step, why in steps] for name, steps in due.items() if steps
    }
    lines = [f"{name}: {steps[0][0]} is out of date: {steps[0][1]}" for name, steps in due.items() if steps]
    return Answer(document=document, lines=(*_lines(book, night), *lines))


def queue_document(book: Book, shelf: Path, leave_bytes: int) -> dict[str, Any]:
    """The queue as the command and the page show it: each job, how far it is, and the room that is foretold."""
    with book.read() as session:
        jobs = queue.jobs_of(session, str(shelf))
    told = foretell(book, shelf)
    sizes = {job.id: size for job, size, _ in told}
    return {
        "jobs": [
            {
                **plain(job),
                "state_words": _state_words(shelf, job),
                **({"need_bytes": sizes[job.id]} if job.id in sizes else {}),
                **({"progress": _progress(shelf, job)} if job.state in queue.GOING else {}),
            }
            for job in jobs
        ],
        "need_bytes": sum(sizes.values()),
        "need_words": foretold_words(told, free_bytes(shelf), leave_bytes) if told else "",
        "free_bytes": free_bytes(shelf),
        "leave_bytes": leave_bytes,
    }


def _progress(shelf: Path, job: Job) -> dict[str, Any]:
    return progress_of(progress_path(shelf, job.id))


def _lines(book: Book, night: Night) -> tuple[str, ...]:
    with book.read() as session:
        jobs = queue.jobs_of(session, str(night.shelf))
    told = foretell(book, night.shelf)
    lines = [f"job {job.id}  {job.reel}  {_state_words(night.shelf, job)}" for job in jobs]
    if told:
        lines.append(foretold_words(told, free_bytes(night.shelf), night.leave_bytes))
    return tuple(lines) or ("The queue is empty.",)


def _state_words(shelf: Path, job: Job) -> str:
    said = _progress(shelf, job) if job.state in queue.GOING else {}
    if "what" not in said:
        return f"{job.state}. {short(job.words)}" if job.words else job.state
    left = said["left_s"]
    time = f", about {max(1, round(left / 60))} min left of this part" if left is not None else ""
    size = plain_size(int(said["rate"])) if str(said["what"]).startswith("bytes") else f"{said['rate']:g}"
    return f"{job.state} on {job.host}: {said['what']} {said['done']} of {said['of']}, {size} a second{time}"
