"""Undo without limit: an operator's own decisions, taken back one by one by decisions that put back what was before.

undo_step    log and initials -> the act that would be taken back next, and what that puts back
redo_step    log and initials -> the act that was taken back last, and what that puts back
step_taken   log and a step -> the log with it

An *act* is what was recorded in one revision. The log only grows: what is taken back stays in it, and which acts are taken
back follows from the log alone. Where somebody else decided meanwhile, their decision stands and is told.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field

from smallgauge.errors import CallerError
from smallgauge.record.treatment import PROGRAM, SIGNED, Decision, Wish, decide_together

UNDONE, REDONE = "taken back", "put back"
PlaceOf = Callable[[Decision], Hashable]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overtaken:
    """A decision of the operator's that is left as it is, and whose decision stands there now."""

    mine: Decision
    now: Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What a step does at one place: what stands there now, and what will; None is what was measured."""

    place: Decision  # tells subject and anchor
    now: Decision | None
    then: Decision | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One act that is taken back: `undoes` is its revision, `of` the decisions as they were first made.

    Without changes there is nothing to take back; `overtaken` then says what others have decided instead.
    """

    undoes: int
    of: tuple[Decision, ...]
    changes: tuple[Change, ...]
    overtaken: tuple[Overtaken, ...]
    why: str


@dataclass(slots=True)
class _Walk:
    """The log as it was walked through: what stands where, and one person's acts that can be taken back."""

    standing: dict[Hashable, Decision | None] = field(default_factory=dict)
    before: dict[int, Decision | None] = field(
        default_factory=dict
    )  # by decision: what stood there before it
    left: dict[int, Decision | None] = field(default_factory=dict)  # ... and what stood there after it
    acts: dict[int, list[Decision]] = field(default_factory=dict)
    undo: list[int] = field(default_factory=list)
    redo: list[int] = field(default_factory=list)


def same_words(decision: Decision) -> Hashable:
    """The place of a decision where nothing is known of the film: its subject and anchor as they are written."""
    return decision.subject, decision.anchor


def undo_step(decisions: Iterable[Decision], by: str, place_of: PlaceOf = same_words) -> Step:
    """What an operator would take back next.

    `place_of` tells decisions on the same subject of the same scene or length, whatever film position names it.

    Examples
    --------
    >>> from smallgauge.record.treatment import decide, treatment_of
    >>> log = ()
    >>> for rate in ("16", "18"):
    ...     log = decide(log, subject="camera_speed", value={"rate": rate}, by="m.k.", at="2026-01-17T10:00:00Z", why="walking")
    >>> log = step_taken(log, undo_step(log, "m.k."), by="m.k.", at="2026-01-17T10:01:00Z")
    >>> treatment_of(log).value("camera_speed"), len(log)
    ({'rate': '16'}, 3)
    """
    walk = _walked(decisions, by, place_of)
    return _step(walk, walk.undo, place_of, UNDONE)


def redo_step(decisions: Iterable[Decision], by: str, place_of: PlaceOf = same_words) -> Step:
    """What an operator would put back next: only what was taken back since they last decided."""
    walk = _walked(decisions, by, place_of)
    return _step(walk, walk.redo, place_of, REDONE)


def step_taken(
    decisions: tuple[Decision, ...], step: Step, *, by: str, at: str, revision_seen: int | None = None
) -> tuple[Decision, ...]:
    """The log with a step as one act; refused where somebody decided after the revision that was seen.

    Raises CallerError where the step changes nothing.
    """
    if not step.changes:
        raise CallerError(f"Nothing that {by} decided here can be {step.why}: nothing of theirs is left.")
    wishes = [
        Wish(
            subject=each.place.subject,
            anchor=each.place.anchor,
            value=each.then.value if each.then is not None else None,
            basis=each.then.basis if each.then is not None else None,
            why=_reason(each.then, step, by),
        )
        for each in step.changes
    ]
    return decide_together(decisions, wishes, by=by, at=at, revision_seen=revision_seen, undoes=step.undoes)


def _reason(then: Decision | None, step: Step, by: str) -> str:
    """Why a value stands again: the reason it was decided for, and whose that was."""
    if then is None or then.value is None:
        return step.why
    return then.why if then.by == by else f"back to what {then.by} decided: {then.why}"


def _walked(decisions: Iterable[Decision], by: str, place_of: PlaceOf) -> _Walk:
    walk = _Walk()
    taken: dict[int, bool] = {}  # by revision: whether the act takes back, rather than decides or puts back
    for decision in decisions:
        if decision.by == PROGRAM or decision.subject == SIGNED:
            continue  # a signature is somebody's word, and no step of work
        place = place_of(decision)
        walk.before[decision.id] = walk.standing.get(place)
        undone = next((d for d in walk.acts.get(decision.undoes or 0, []) if place_of(d) == place), None)
        walk.standing[place] = decision if undone is None else walk.before[undone.id]
        walk.left[decision.id] = walk.standing[place]
        if decision.revision in walk.acts:
            walk.acts[decision.revision].append(decision)
            continue
        walk.acts[decision.revision] = [decision]
        back = decision.undoes is not None and not taken.get(decision.undoes, False)
        taken[decision.revision] = back
        if decision.by != by:
            continue
        _moved(walk, decision, back)
    return walk


def _moved(walk: _Walk, decision: Decision, back: bool) -> None:
    """The operator's own acts after one more of them."""
    if decision.undoes is None:
        walk.redo.clear()
    source, target = (walk.undo, walk.redo) if back else (walk.redo, walk.undo)
    if decision.undoes in source:
        source.remove(decision.undoes)
    target.append(decision.revision)


def _step(walk: _Walk, acts: list[int], place_of: PlaceOf, why: str) -> Step:
    """The newest act of which anything still stands as it was left; those that were overtaken are told."""
    overtaken: list[Overtaken] = []
    for revision in reversed(acts):
        changes = []
        for decision in walk.acts[revision]:
            now = walk.standing[place_of(decision)]
            if now == walk.left[decision.id]:
                changes.append(Change(place=decision, now=now, then=walk.before[decision.id]))
            elif now is not None:
                overtaken.append(Overtaken(mine=decision, now=now))
        if changes:
            first = walk.acts[revision]
            while first[0].undoes is not None:
                first = walk.acts[first[0].undoes]
            return Step(
                undoes=revision,
                of=tuple(first),
                changes=tuple(changes),
                overtaken=tuple(overtaken),
                why=why,
            )
    return Step(undoes=0, of=(), changes=(), overtaken=tuple(overtaken), why=why)
