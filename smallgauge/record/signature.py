"""A person's signature under a look: who saw the treatment, when, in the room or not, and which treatment it was.

A negative has no look of its own. It is finished only when somebody who may say so has seen it and signed; a later change of
the look asks for the signature again. Docs: docs/guide/negatives.md.
"""

from dataclasses import dataclass

from smallgauge.record.capture import Capture
from smallgauge.record.journal import key_of
from smallgauge.record.treatment import SIGNED, Treatment

NOT_SIGNED = "NOT SIGNED"
APPROVAL_PAPER, APPROVAL_FILE, APPROVAL_STILLS = "approval.json", "approval.mp4", "approval"
# Decisions that change nothing of what is seen in an approval copy.
UNSEEN = frozenset(
    [
        *("sync", "loudness", "tracks", "hum", "flutter", "clicks", "equalisation", "hiss"),
        *("doubles", "division", "registration", "smooth_copy", "scene_name", SIGNED),
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ApprovalPaper:
    """`approval.json`: what an approval copy shows, so that a signature can name it.

    `look` is the digest of the treatment seen; `mark` the words across the picture, "" where none are needed.
    """

    version: int = 1
    reel: str
    look: str
    mark: str
    frames: int
    rate: str
    width: int
    height: int
    stills: tuple[str, ...]
    positions: tuple[tuple[int, int], ...] = ()  # film frames that it shows, in order, as stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who saw a look and agreed to it. `in_room`: beside the technician, at the calibrated screen."""

    who: str
    on: str  # ISO 8601, when they signed
    in_room: bool
    look: str


def digest_look(capture: Capture, treatment: Treatment) -> str:
    """SHA-256 over all that makes the look of a reel: the capture and the decisions in force that can be seen.

    Numbers of a decision count, not who made it or why: a decision confirmed changes nothing.
    """
    seen = [
        (entry.decision.subject, entry.decision.anchor, entry.decision.value)
        for entry in treatment.in_force
        if entry.decision.subject not in UNSEEN and not entry.decision.waits
    ]
    return key_of("look", capture.digest, sorted(seen, key=lambda one: one[:2]))


def signature_of(treatment: Treatment) -> Signature | None:
    """The signature in force, whatever look it stands under; None where nobody signed."""
    entry = treatment.find(SIGNED)
    value = entry.decision.value if entry is not None else None
    if value is None:
        return None
    return Signature(
        who=str(value["who"]), on=str(value["on"]), in_room=bool(value["in_room"]), look=str(value["look"])
    )


def needs_signature(capture: Capture, treatment: Treatment) -> bool:
    """Whether a finished film must wait: a negative whose look of today nobody has signed."""
    if not capture.notes.is_negative:
        return False
    signed = signature_of(treatment)
    return signed is None or signed.look != digest_look(capture, treatment)
