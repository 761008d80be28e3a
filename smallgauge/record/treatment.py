"""Decisions: what shall be done, who decided it, when, and why.

The log (`decisions.jsonl`) only grows; `treatment.toml` is a pure function of it. The program proposes
and the operator decides: a new proposal never overwrites an operator's decision, it stands beside it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from smallgauge.errors import CallerError
from smallgauge.record.finding import Finding

PROGRAM = "program"
HOUSE_VALUE = "house value"  # basis of a proposal that rests on no evidence
EVIDENCE = "evidence"  # basis of a proposal that what was measured makes sure
NOT_SURE = "not sure"  # basis of a decision that something speaks against
NOT_TOLD = "not told"  # basis of a proposal to leave things as they are, against which nothing speaks
SPLICES_HEARD = "splices heard"  # basis of a sync that splices seen and heard give
SIGNED = "sign_off"  # the subject under which a person signs for a look
WAITING = "waiting"  # basis of a proposal that nothing is done about until an operator takes it up
SUBJECTS = (
    "camera_speed",
    "registration",
    "framing",
    "sync",
    "doubles",
    "division",
    "loading",
    "loudness",
    "tracks",
    "hum",
    "flutter",
    "clicks",
    "equalisation",
    "hiss",
    "smooth_copy",
    "primary",
    "selective",
    "rendering",
    "flicker",
    "dirt",
    "grain",
    "inversion",
    "black_and_white",
    SIGNED,
    "fading",
    "scene_name",
)
BY_SCENE = (
    "camera_speed",
    "primary",
    "selective",
    "flicker",
    "dirt",
    "grain",
    "scene_name",
)  # subjects that may be decided for one scene
BY_LENGTH = (  # for one length of stock
    "primary",
    "selective",
    "rendering",
    "inversion",
    "black_and_white",
    "fading",
)


class StaleDecision(CallerError):
    """A decision that was made on what is no longer so: somebody decided meanwhile, or the picture was another one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision as it was made. `value` None takes the operator's decision back.

    What was decided in one act shares its `revision`.

    `anchor` is "reel", "length@N" or "scene@N" (the length of one stock, or the scene, that holds film position N).
    `proposal_of` is the
    operator's decision that a differing proposal of the program stands beside.
    """

    id: int
    revision: int
    by: str  # PROGRAM or the operator's initials
    at: str  # ISO 8601, handed in by the caller
    subject: str
    anchor: str
    value: dict[str, object] | None
    why: str
    replaces: int | None = None
    proposal_of: int | None = None
    basis: str | None = (
        None  # what a proposal rests on, where that matters: "hum", HOUSE_VALUE, EVIDENCE, NOT_SURE, WAITING
    )
    undoes: int | None = field(
        default=None, repr=False
    )  # the revision of the act that this one takes back; no part of the keys of what was made

    @property
    def waits(self) -> bool:
        """A proposal that nothing is done about until an operator takes it up."""
        return self.by == PROGRAM and self.basis == WAITING


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """A decision in force and, beside an operator's, what the program would propose now."""

    decision: Decision
    proposal: Decision | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchored:
    """A value in force and what it is anchored to: "reel", or the "length" or "scene" that holds a film position."""

    kind: str
    position: int
    by: str
    value: dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """All decisions in force, by subject and anchor, at one revision of the log."""

    revision: int
    in_force: tuple[InForce, ...]

    def find(self, subject: str, anchor: str = "reel") -> InForce | None:
        """The decision on a subject, or None."""
        for entry in self.in_force:
            if entry.decision.subject == subject and entry.decision.anchor == anchor:
                return entry
        return None

    def value(self, subject: str) -> dict[str, object]:
        """The value in force for the whole reel; CallerError when nothing was decided."""
        entry = self.find(subject)
        if entry is None or entry.decision.value is None:
            raise CallerError(
                f"Rendering needs a decision on {subject}, found none; run `smallgauge treat` first."
            )
        return entry.decision.value

    def scene_values(self, subject: str) -> dict[int, dict[str, object]]:
        """Values in force for single scenes, by the film position that names the scene."""
        return {
            int(entry.decision.anchor.removeprefix("scene@")): entry.decision.value
            for entry in self.in_force
            if entry.decision.subject == subject
            and entry.decision.anchor.startswith("scene@")
            and entry.decision.value is not None
            and not entry.decision.waits
        }

    def anchored(self, subject: str) -> tuple[Anchored, ...]:
        """Every value in force on a subject, wherever it is anchored; what waits for an operator is not among them."""
        found = []
        for entry in self.in_force:
            decision = entry.decision
            if decision.subject != subject or decision.value is None or decision.waits:
                continue
            kind, _, position = decision.anchor.partition("@")
            found.append(
                Anchored(
                    kind=kind, position=int(position) if position else 0, by=decision.by, value=decision.value
                )
            )
        return tuple(found)


def treatment_of(decisions: Iterable[Decision]) -> Treatment:
    """The decisions in force, from the log in its order.

    Examples
    --------
    >>> log = propose((), subject="camera_speed", value={"rate": "16"}, at="2026-01-17T10:00:00Z", why="usual")
    >>> log = decide(log, subject="camera_speed", value={"rate": "18"}, by="m.k.", at="2026-01-17T10:05:00Z", why="walking")
    >>> log = propose(log, subject="camera_speed", value={"rate": "24"}, at="2026-01-17T11:00:00Z", why="hum")
    >>> entry = treatment_of(log).find("camera_speed")
    >>> entry.decision.value, entry.proposal.value
    ({'rate': '18'}, {'rate': '24'})
    """
    program: dict[tuple[str, str], Decision] = {}
    operator: dict[tuple[str, str], Decision] = {}
    revision = 0
    for decision in decisions:
        place = (decision.subject, decision.anchor)
        revision = max(revision, decision.revision)
        if decision.by == PROGRAM:
            program[place] = decision
        elif decision.value is None:
            operator.pop(place, None)
        else:
            operator[place] = decision
    entries = []
    for place in sorted({*program, *operator}):
        mine, theirs = program.get(place), operator.get(place)
        if theirs is not None:
            said = mine is not None and mine.basis not in (
                HOUSE_VALUE,
                NOT_SURE,
                WAITING,
            )  # no evidence is no objection, and what waited for an answer has it
            beside = mine if said and mine is not None and mine.value != theirs.value else None
            entries.append(InForce(decision=theirs, proposal=beside))
        elif mine is not None:
            entries.append(InForce(decision=mine))
    return Treatment(revision=revision, in_force=tuple(entries))


UNFADED = (
    0.97  # share left of a layer from which it is called unfaded in words; it is treated by its own number
)


def treatment_findings(treatment: Treatment) -> tuple[Finding, ...]:
    """What there is to say about the decisions in force: guesses, and proposals that differ."""
    found = []
    for entry in treatment.in_force:
        decision, beside = entry.decision, entry.proposal
        if decision.subject == "camera_speed" and decision.by == PROGRAM and decision.value is not None:
            values: dict[str, object] = {"rate": decision.value["rate"]}
            code = "camera speed from hum" if decision.basis == "hum" else "camera speed house value"
            found.append(Finding(code=code, where="treatment", values=values))
        if decision.subject == "loading" and decision.basis in (NOT_SURE, NOT_TOLD):
            values = {"why": decision.why, "taken": decision.value}
            code = "loading not sure" if decision.basis == NOT_SURE else "loading not told"
            found.append(Finding(code=code, where="treatment", values=values))
        if decision.subject == "primary" and decision.waits and decision.value is not None:
            where = decision.anchor.replace("@", " at film position ")
            found.append(Finding(code="dark scene", where=where, values=dict(decision.value)))
        if decision.subject == "black_and_white" and decision.basis == NOT_SURE:
            found.append(Finding(code="colour in black-and-white", where="treatment"))
        if decision.subject == "fading" and decision.value is not None:
            where = decision.anchor.replace("@", " at film position ")
            code = "fading waits" if decision.waits else "fading undone"
            if decision.waits and _seems_unfaded(decision.value):
                code = "fading seems none"
            code = "fading not told" if decision.basis == NOT_TOLD else code
            told = {
                "left": decision.value.get("left"),
                "sigma": decision.value.get("sigma"),
                "why": decision.why,
            }
            found.append(Finding(code=code, where=where, values=told))
        if decision.subject == "sync" and decision.by == PROGRAM and decision.basis == SPLICES_HEARD:
            found.append(Finding(code="sync from splices", where="treatment"))
        if beside is not None and not _nothing_said(beside):
            values = {"subject": decision.subject, "value": decision.value, "proposal": beside.value}
            found.append(Finding(code="operator keeps another value", where="treatment", values=values))
    return tuple(found)


def _seems_unfaded(value: Mapping[str, object]) -> bool:
    """Whether a decision on fading leaves every layer whole: then there is nothing for anybody to look at."""
    left = value.get("left")
    return isinstance(left, (list, tuple)) and all(
        isinstance(each, (int, float)) and each >= UNFADED for each in left
    )


def _nothing_said(beside: Decision) -> bool:
    """A proposal on sync that is not set says only that nothing is known: it contradicts nobody."""
    return beside.subject == "sync" and beside.value is not None and not beside.value.get("set", True)


def propose(
    decisions: tuple[Decision, ...],
    *,
    subject: str,
    value: dict[str, object],
    at: str,
    why: str,
    anchor: str = "reel",
    basis: str | None = None,
) -> tuple[Decision, ...]:
    """The log with a proposal of the program; unchanged when its last proposal was the same."""
    last = _last(decisions, subject, anchor, by_program=True)
    if last is not None and last.value == value and last.basis == basis:
        return decisions
    theirs = _operator(decisions, subject, anchor)
    new = _next(decisions, subject=subject, anchor=anchor, value=value, by=PROGRAM, at=at, why=why)
    new = replace(new, replaces=last.id if last else None, proposal_of=theirs.id if theirs else None)
    return (*decisions, replace(new, basis=basis))


def decide(
    decisions: tuple[Decision, ...],
    *,
    subject: str,
    value: dict[str, object] | None,
    by: str,
    at: str,
    why: str,
    anchor: str = "reel",
    revision_seen: int | None = None,
    basis: str | None = None,
) -> tuple[Decision, ...]:
    """The log with an operator's decision; refused when somebody decided after the revision that they saw."""
    wish = Wish(subject=subject, anchor=anchor, value=value, why=why, basis=basis)
    return decide_together(decisions, (wish,), by=by, at=at, revision_seen=revision_seen)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """One of the decisions that an operator records as one act."""

    subject: str
    anchor: str
    value: dict[str, object] | None
    why: str
    basis: str | None = None


def decide_together(
    decisions: tuple[Decision, ...],
    wishes: Sequence[Wish],
    *,
    by: str,
    at: str,
    revision_seen: int | None = None,
    undoes: int | None = None,
) -> tuple[Decision, ...]:
    """The log with an operator's decisions as one act, in one revision; refused like `decide`, and then none of them is made.

    What is in force already is not decided again. `undoes` is the revision of the act that is taken back.

    Examples
    --------
    >>> wishes = [Wish(subject="primary", anchor=f"scene@{at}", value={"points": [2, 2, 2]}, why="dusk") for at in (0, 40)]
    >>> [(each.id, each.revision, each.anchor) for each in decide_together((), wishes, by="m.k.", at="2026-01-17T10:00:00Z")]
    [(1, 1, 'scene@0'), (2, 1, 'scene@40')]
    """
    if by == PROGRAM or not by:
        raise CallerError("A decision needs the initials of the person who decides; give them with --by.")
    for wish in wishes:
        if wish.subject not in SUBJECTS:
            raise CallerError(f"A decision needs a subject of {', '.join(SUBJECTS)}, found '{wish.subject}'.")
    now = last_revision(decisions)
    if revision_seen is not None and revision_seen != now:
        raise StaleDecision(
            f"The decision was made on revision {revision_seen}, but the treatment is now at {now}; look again and decide."
        )
    after = decisions
    for wish in wishes:
        theirs = _operator(after, wish.subject, wish.anchor)
        if undoes is None and theirs is not None and (theirs.value, theirs.basis) == (wish.value, wish.basis):
            continue
        new = _next(
            after, subject=wish.subject, anchor=wish.anchor, value=wish.value, by=by, at=at, why=wish.why
        )
        replaced = theirs.id if theirs else None
        new = replace(new, revision=now + 1, replaces=replaced, basis=wish.basis, undoes=undoes)
        after = (*after, new)
    return after


def last_revision(decisions: Iterable[Decision]) -> int:
    """The revision that a log stands at; 0 where nothing was decided."""
    return max((each.revision for each in decisions), default=0)


def _next(
    decisions: tuple[Decision, ...],
    *,
    subject: str,
    anchor: str,
    value: dict[str, object] | None,
    by: str,
    at: str,
    why: str,
) -> Decision:
    return Decision(
        id=len(decisions) + 1,
        revision=last_revision(decisions) + 1,
        by=by,
        at=at,
        subject=subject,
        anchor=anchor,
        value=value,
        why=why,
    )


def _last(decisions: tuple[Decision, ...], subject: str, anchor: str, *, by_program: bool) -> Decision | None:
    for decision in reversed(decisions):
        if (decision.subject, decision.anchor) == (subject, anchor) and (
            decision.by == PROGRAM
        ) == by_program:
            return decision
    return None


def _operator(decisions: tuple[Decision, ...], subject: str, anchor: str) -> Decision | None:
    last = _last(decisions, subject, anchor, by_program=False)
    return last if last is not None and last.value is not None else None
