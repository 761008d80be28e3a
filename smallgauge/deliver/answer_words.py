"""Words of remarks and their answers, and of a delivery that follows another."""

from smallgauge.deliver.film_names import WATCH
from smallgauge.deliver.phrases import count_words, list_words
from smallgauge.record.deliveries import Changes, Handed
from smallgauge.record.remarks import Remark, Remarks
from smallgauge.record.treatment import InForce

_MOST_STRETCHES = 8


def place_words(remark: Remark) -> str:
    """Where a remark points: film frame, the time as given, and the scanner's file.

    Examples
    --------
    >>> place_words(Remark(number=1, who="a", on="2026-01-17", how="letter", at="", copy="approval.mp4", said_place="0:06.66",
    ...     first=120, last=120, files=("f120.dpx",), words="too dark"))
    'film frame 120 (f120.dpx), given as 0:06.66 on approval.mp4'
    """
    if remark.first < 0:
        return "all of the reel"
    files = f" ({' to '.join(remark.files)})" if any(remark.files) else ""
    frames = (
        f"film frame {remark.first}"
        if remark.last == remark.first
        else f"film frames {remark.first} to {remark.last}"
    )
    return f"{frames}{files}, given as {remark.said_place} on {remark.copy}"


def remark_words(remark: Remark) -> str:
    """A remark with its answer, one line."""
    said = f"“{remark.words}” ({remark.who}, {remark.on[:10]}, by {remark.how}; {place_words(remark)})."
    if remark.answer is None:
        return f"{said} Not answered yet."
    done = "Done" if remark.answer.done else "Not done"
    return f"{said} {done}: {remark.answer.why.rstrip('.')} ({remark.answer.by}, {remark.answer.at[:10]})."


def remarks_words(remarks: Remarks) -> tuple[str, ...]:
    """What the command line lists."""
    if not remarks.remarks:
        return ("No remarks were made on this reel.",)
    waiting = len(remarks.waiting)
    end = (
        f"{count_words(waiting, 'remark waits', 'remarks wait')} for an answer."
        if waiting
        else "All are answered."
    )
    return (*(f"{each.number}. {remark_words(each)}" for each in remarks.remarks), end)


def handed_words(handed: Handed) -> str:
    """What the command line says of a delivery that was handed over."""
    return (
        f"Delivery {handed.number}, handed over to {handed.to} on {handed.on[:10]}. It lies in {handed.folder} and is never "
        f"changed again; `smallgauge prove` on that folder proves it. What is made from now on is delivery {handed.number + 1}."
    )


def changes_words(changes: Changes, decided: tuple[str, ...]) -> tuple[str, ...]:
    """What a client reads of a later delivery; `decided` are sentences of the decisions that are otherwise."""
    last = changes.before
    told = [
        f"This is delivery {changes.number}. Delivery {last.number} was handed over to {last.to} on {last.on[:10]}; it stays as it "
        "was, and can still be proved."
    ]
    if changes.nothing:
        return (*told, f"Nothing is otherwise than in delivery {last.number}, but for this report.")
    if changes.frames_differ:
        places = [f"{a} to {b - 1}" if b - a > 1 else str(a) for a, b in changes.stretches[:_MOST_STRETCHES]]
        more = len(changes.stretches) - len(places)
        told.append(
            f"{count_words(changes.frames_differ, 'picture differs', 'pictures differ')} from delivery {last.number}: film frames "
            f"{list_words(places)}{f', and {more} more stretches' if more > 0 else ''}."
        )
    else:
        told.append(f"No picture differs from those of delivery {last.number}.")
    if changes.frames_added or changes.frames_gone:
        told.append(
            f"{count_words(changes.frames_added, 'picture is', 'pictures are')} new, "
            f"{count_words(changes.frames_gone, 'picture is', 'pictures are')} left out."
        )
    if changes.rate != changes.rate_before:
        told.append(f"The film runs at {changes.rate} pictures a second, no longer at {changes.rate_before}.")
    told += decided
    for what, files in (
        ("Changed", changes.files_changed),
        ("New", changes.files_added),
        ("No longer in the package", changes.files_gone),
    ):
        if files:
            films_first = sorted(files, key=lambda place: not place.startswith(WATCH))
            told.append(f"{what}: {list_words(films_first)}.")
    return tuple(told)


def changed_decisions(changes: Changes, in_force: tuple[InForce, ...]) -> tuple[InForce, ...]:
    """The decisions in force now that are otherwise than in the delivery before."""
    wanted = set(changes.decisions)
    return tuple(e for e in in_force if (e.decision.subject, e.decision.anchor) in wanted)
