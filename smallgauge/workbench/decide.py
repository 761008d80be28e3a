"""Decisions at the bench: the fields of the drawn scene, a value that is tried, and one that is recorded.

fields_paper   what is in force for a drawn frame, field by field: measured, operator's, difference
drafted        words in a field -> a decision that is shown and not kept
record         words in a field -> a decision in the log, refused where somebody decided meanwhile
checked_by, checked_why, check_stamp, check_revision   what every decision needs
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from smallgauge.approval import with_densities
from smallgauge.deliver.phrases import moment_words
from smallgauge.deliver.words import subject_words, value_words
from smallgauge.errors import CallerError
from smallgauge.line import decide_on, whole_look
from smallgauge.picture.framing import SHOWN
from smallgauge.picture.registration import KINDS
from smallgauge.record.anchors import AnchorAsked, anchor_of
from smallgauge.record.decided import decided_value
from smallgauge.record.decided_fading import completed_fading
from smallgauge.record.table import Table
from smallgauge.record.treatment import (
    BY_LENGTH,
    BY_SCENE,
    PROGRAM,
    Decision,
    StaleDecision,
    decide,
    treatment_of,
)
from smallgauge.workbench.looks import BY_LOOK
from smallgauge.workbench.opened import OpenReel

BY_PICKS = ("fading", "inversion")  # take places of the picture
TRYING = "trying"  # stands in a decision that is shown and not kept, where the operator's initials will


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field below the picture: its subject, how it is filled in, and an example or the choices."""

    subject: str
    kind: str  # "rate", "points", "choice" or "words"
    example: str = ""
    choices: tuple[str, ...] = ()
    with_sound: bool | None = None  # only for reels with sound, or only without
    only: Callable[[OpenReel], bool] = lambda reel: True  # the reels that have it


FIELDS: tuple[Field, ...] = (
    Field(subject="camera_speed", kind="rate", example="18 or 50/3"),
    Field(subject="primary", kind="points"),
    Field(
        subject="fading",
        kind="words",
        example="as proposed, none, cyan 0.6 magenta 0.95 yellow 0.8, or grey 120@0.42,0.61",
    ),
    Field(
        subject="inversion",
        kind="words",
        example="contrast 2.6, or greys 120@0.42,0.61",
        only=lambda reel: reel.capture.notes.is_negative,
    ),
    Field(subject="rendering", kind="words", example="white 0.15 black 2.9, or as captured"),
    Field(subject="flicker", kind="words", example="on, off, or limit 0.6"),
    Field(
        subject="dirt",
        kind="words",
        example="repair, leave, or repair but 431:0 light",
        only=lambda reel: reel.dirt() is not None,
    ),
    Field(subject="grain", kind="words", example="leave, or reduce 30"),
    Field(subject="registration", kind="choice", choices=tuple(KINDS)),
    Field(subject="framing", kind="choice", choices=tuple(SHOWN)),
    Field(subject="loading", kind="words", example="head first, or tail first, flipped"),
    Field(subject="scene_name", kind="words", example="At the lake"),
    Field(subject="sync", kind="words", example="26@1.44 310@20.1", with_sound=True),
    Field(subject="loudness", kind="words", example="-23, or gain 4.5", with_sound=True),
)
_NAMED = {field.subject: field for field in FIELDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A field filled in at the bench, for the frame that was drawn then.

    `text` None takes the operator's value back. `at` says what it is for, where that is not the field's own: "reel", "length"
    or "scene".
    """

    subject: str
    text: str | None
    row: int
    at: str = ""
    before: bool = False  # the value of the scene before, instead of `text`


def fields_paper(reel: OpenReel, row: int) -> dict[str, Any]:
    """The fields of a drawn frame."""
    log = reel.decisions()
    treatment = treatment_of(log)
    sound = reel.capture.sound is not None
    known = [each for each in FIELDS if each.with_sound in (None, sound) and each.only(reel)]
    fields = [_field(reel, field, row, log) for field in known]
    return {
        "row": reel.check_row(row),
        "revision": treatment.revision,
        "fields": fields,
        "names": scene_names(reel),
        "log": [_logged(each) for each in reversed(log) if each.by != PROGRAM][:50],
    }


def _field(reel: OpenReel, field: Field, row: int, log: tuple[Decision, ...]) -> dict[str, Any]:
    near = _anchors(reel, field.subject, row, log)
    measured = _last(log, field.subject, near, operator=False)
    mine = _last(log, field.subject, near, operator=True)
    force = mine or measured
    kept = measured is not None and not measured.waits
    return {
        "subject": field.subject,
        "title": subject_words(field.subject).capitalize(),
        "kind": field.kind,
        "example": field.example,
        "choices": list(field.choices),
        "for": _for_words(_own_anchor(reel, field.subject)),
        "measured": value_words(field.subject, measured.value) if measured else "nothing measured",
        "measured_why": measured.why if measured else "",
        "measured_waits": measured is not None and not kept,
        "operator": value_words(field.subject, mine.value) if mine else None,
        "operator_who": f"{mine.by}, {moment_words(mine.at)}: {mine.why}" if mine else "",
        "operator_anchor": mine.anchor.partition("@")[0] if mine else "",
        "difference": _difference(field.subject, measured, mine),
        "value": dict(force.value)
        if force is not None and force.value is not None and (mine or kept)
        else None,
    }


def scene_names(reel: OpenReel) -> dict[str, str]:
    """Names that scenes were given, by the scene's number."""
    decided = reel.decided()
    given = decided.treatment.scene_values("scene_name")
    return {str(scene_at(decided.running, at)): str(value["name"]) for at, value in sorted(given.items())}


def _logged(decision: Decision) -> dict[str, Any]:
    return {
        "id": decision.id,
        "what": subject_words(decision.subject),
        "where": decision.anchor.replace("@", " at film position "),
        "value": value_words(decision.subject, decision.value),
        "who": decision.by,
        "when": moment_words(decision.at),
        "why": decision.why,
    }


def _own_anchor(reel: OpenReel, subject: str) -> str:
    """What a field is decided for at the bench: the drawn scene, the length of stock, or the reel."""
    if subject == "camera_speed":
        return "scene" if reel.capture.sound is None else "reel"
    if subject in BY_SCENE:
        return "scene"
    return "length" if subject in BY_LENGTH else "reel"


def _for_words(kind: str) -> str:
    return {"scene": "this scene", "length": "this length of stock", "reel": "the reel"}[kind]


def _anchors(reel: OpenReel, subject: str, row: int, log: tuple[Decision, ...]) -> tuple[str, ...]:
    """Anchors that hold for a row, the nearest first."""
    decided = reel.decided()
    position, scene = int(decided.running["film_position"][row]), int(decided.running["scene"][row])
    length = next((each for each in decided.lengths if position in each), None)
    named = {each.anchor for each in log if each.subject == subject}
    mine = [a for a in named if a.startswith("scene@") and scene_at(decided.running, int(a[6:])) == scene]
    mine += [a for a in named if a.startswith("length@") and length is not None and int(a[7:]) in length]
    return (*sorted(mine, key=lambda a: a.startswith("length")), "reel")


def scene_at(running: Table, position: int) -> int:
    """The scene that holds a film position; -1 where no row shows it."""
    rows = np.flatnonzero(running["film_position"] == position)
    return int(running["scene"][rows[-1]]) if len(rows) else -1


def _last(
    log: tuple[Decision, ...], subject: str, anchors: tuple[str, ...], *, operator: bool
) -> Decision | None:
    for anchor in anchors:
        said = [
            d for d in log if d.subject == subject and d.anchor == anchor and (d.by != PROGRAM) is operator
        ]
        if said and said[-1].value is not None:
            return said[-1]
    return None


def _difference(subject: str, measured: Decision | None, mine: Decision | None) -> str:
    if mine is None or mine.value is None:
        return ""
    if measured is None or measured.value is None:
        return "nothing to compare with"
    if measured.value == mine.value:
        return "the same"
    if subject == "camera_speed":
        apart = Fraction(str(mine.value["rate"])) - Fraction(str(measured.value["rate"]))
        return f"{float(abs(apart)):.4g} frames a second {'faster' if apart > 0 else 'slower'}"
    return "another value"


def _asked_for(reel: OpenReel, asked: Asked) -> AnchorAsked:
    kind = asked.at or _own_anchor(reel, asked.subject)
    if kind not in ("scene", "length", "reel"):
        raise CallerError(f"A decision is for a scene, a length or the reel, asked for was '{kind}'.")
    running = reel.decided().running
    position = int(running["film_position"][reel.check_row(asked.row)])
    if asked.subject == "fading":
        kind = "length"
    return AnchorAsked(
        scene=position if kind == "scene" else None, length=position if kind == "length" else None
    )


def asked_value(reel: OpenReel, asked: Asked) -> dict[str, object] | None:
    """The value that a field's words stand for; None where it is taken back."""
    if asked.subject not in _NAMED:
        raise CallerError(
            f"The bench has no field '{asked.subject}'; decide it with `smallgauge treat`, which knows every subject."
        )
    if asked.before:
        return _scene_before(reel, asked)
    if asked.text is None:
        return None
    text = with_densities(asked.text, reel.density) if asked.subject in BY_PICKS else asked.text
    return decided_value(asked.subject, text.strip())


def _scene_before(reel: OpenReel, asked: Asked) -> dict[str, object]:
    scenes = reel.frames["scene"].tolist()
    row = next((r for r in range(asked.row, -1, -1) if scenes[r] != scenes[asked.row]), None)
    if asked.subject not in BY_SCENE or row is None:
        raise CallerError(
            f"There is no scene before this one whose {subject_words(asked.subject)} could be taken."
        )
    found = value_at(reel, asked.subject, row)
    if found is None:
        raise CallerError(f"Nothing was decided on {subject_words(asked.subject)} for the scene before.")
    return found


def value_at(reel: OpenReel, subject: str, row: int) -> dict[str, object] | None:
    """The value of a subject that holds for a row: the operator's, else the program's; None where neither is taken up."""
    log = reel.decisions()
    near = _anchors(reel, subject, row, log)
    found = _last(log, subject, near, operator=True) or _last(log, subject, near, operator=False)
    return None if found is None or found.value is None or found.waits else dict(found.value)


def drafted(reel: OpenReel, asked: Asked) -> Decision:
    """A decision that is shown and not kept."""
    log, value = reel.decisions(), asked_value(reel, asked)
    if asked.subject not in BY_LOOK or value is None:
        raise CallerError(
            f"{subject_words(asked.subject)} is seen once it is recorded; only colour can be tried first."
        )
    anchor = anchor_of(
        _asked_for(reel, asked), asked.subject, silent=reel.capture.sound is None, frames=reel.frames, log=log
    )
    if asked.subject == "fading":
        value = completed_fading(value, log=log, anchor=anchor, by=TRYING)
    if asked.subject == "inversion":
        value = whole_look(reel.folder, asked.subject, value, reel.treatment(), anchor)
    tried = decide(
        log, subject=asked.subject, value=value, by=TRYING, at="", why=TRYING, anchor=anchor, basis=TRYING
    )
    return tried[-1]


def record(
    reel: OpenReel, asked: Asked, *, revision: int, stamp: str, by: str, at: str, why: str
) -> Mapping[str, Any]:
    """Record a decision; refused where the picture was not the one drawn, or somebody decided since `revision`."""
    check_stamp(reel, asked.row, stamp)
    by, why = checked_by(by), checked_why(why)
    check_revision(reel, revision)
    place = _asked_for(reel, asked)
    treatment = decide_on(
        reel.folder,
        subject=asked.subject,
        value=asked_value(reel, asked),
        by=by,
        at=at,
        why=why,
        scene=place.scene,
        length=place.length,
        revision_seen=revision,
    )
    return {"revision": treatment.revision}


def checked_by(by: str) -> str:
    """The initials of whoever decides; CallerError where nobody is named."""
    if not by.strip() or by.strip() in (PROGRAM, TRYING):
        raise CallerError(
            "A decision needs the initials of the person who decides; write them in the field 'Who decides'."
        )
    return by.strip()


def checked_why(why: str) -> str:
    """The reason of a decision; CallerError where none is given."""
    if not why.strip():
        raise CallerError("A decision needs a reason; write it in the field 'Why'.")
    return why.strip()


def check_stamp(reel: OpenReel, row: int, stamp: str) -> None:
    """StaleDecision where the picture that was drawn is not that of the row."""
    if stamp != reel.stamp(reel.check_row(row)):
        raise StaleDecision(
            f"The page names frame {row}, but the picture that was drawn then is another one; look at the picture and do it again."
        )


def check_revision(reel: OpenReel, revision: int) -> None:
    """StaleDecision, with whose decision came, where the treatment is no longer at the revision that the page shows."""
    now = reel.treatment().revision
    if revision != now:
        raise StaleDecision(_stale_words(reel, revision, now))


def _stale_words(reel: OpenReel, seen: int, now: int) -> str:
    later = [each for each in reel.decisions() if each.revision > seen]
    last = later[-1] if later else None
    said = f": {last.by} decided on {subject_words(last.subject)}" if last is not None else ""
    return (
        f"Your page shows revision {seen} of the treatment and it is now at {now}{said}. Nothing was recorded; the page has been "
        "brought up to date, look again and decide."
    )
