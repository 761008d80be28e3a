"""What an operator's decision is anchored to: the reel, or the scene or length of stock that holds a film position."""

from dataclasses import dataclass

from smallgauge.errors import CallerError
from smallgauge.record.by_scene import scenes_by_position
from smallgauge.record.lengths import lengths_of
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.table import Table
from smallgauge.record.treatment import BY_LENGTH, BY_SCENE, Decision, treatment_of


@dataclass(frozen=True, slots=True, kw_only=True)
class AnchorAsked:
    """Film positions as the operator named them; None where the decision is not on a scene, or not on a length."""

    scene: int | None = None
    length: int | None = None


def anchor_of(
    asked: AnchorAsked, subject: str, *, silent: bool, frames: Table, log: tuple[Decision, ...]
) -> str:
    """The anchor of a decision; CallerError where its subject can't be decided there.

    A scene that the log names already, by a decision or a proposal, keeps its name.
    """
    if asked.scene is not None and asked.length is not None:
        raise CallerError("A decision is on a scene or on a length of stock, found both; leave one away.")
    if asked.scene is not None:
        position = _position(asked.scene, "scene", subject, BY_SCENE, frames)
        if subject == "camera_speed" and not silent:
            raise CallerError(
                "Speeds by scene need a silent reel: this one has sound, which fixes its speed; decide camera_speed for the reel."
            )
        return f"scene@{_position_used(frames, log, subject, position)}"
    if subject == "scene_name":
        raise CallerError(
            "A name is given to one scene, found none; name the scene by a film position in it, with --scene."
        )
    if asked.length is not None or subject == "fading":
        return _length_anchor(asked.length, subject, frames, log)
    return "reel"


def _length_anchor(asked: int | None, subject: str, frames: Table, log: tuple[Decision, ...]) -> str:
    """The length of one stock that holds a film position; the reel's only one where none is named."""
    lengths = lengths_of(frames, backwards=loading_of(treatment_of(log)).backwards)
    if asked is None and len(lengths) != 1:
        first = ", ".join(str(each.first) for each in lengths)
        raise CallerError(
            f"{subject} is decided for a length of one stock, and this reel has {len(lengths)}; name one by a film position "
            f"in it with --length (they begin at {first or 'no position'})."
        )
    position = (
        _position(asked, "length", subject, BY_LENGTH, frames) if asked is not None else lengths[0].first
    )
    return next((each.anchor for each in lengths if position in each), f"length@{position}")


def _position(asked: int, kind: str, subject: str, subjects: tuple[str, ...], frames: Table) -> int:
    if subject not in subjects:
        raise CallerError(
            f"Only {', '.join(subjects)} can be decided for a {kind}, found {subject}; leave --{kind} away."
        )
    count = int(frames["film_position"].max()) + 1
    if not 0 <= asked < count:
        raise CallerError(f"--{kind} needs a film position of this reel, 0 to {count - 1}, found {asked}.")
    return asked


def _position_used(frames: Table, log: tuple[Decision, ...], subject: str, position: int) -> int:
    """The film position by which the log names a subject's scene already; this one where it does not."""
    treatment = treatment_of(log)
    running = in_running_order(frames, loading_of(treatment))
    scenes = scenes_by_position(running)
    for entry in treatment.in_force:
        kind, _, used = entry.decision.anchor.partition("@")
        mine = entry.decision.subject == subject and kind == "scene"
        if mine and scenes.get(int(used), -1) == scenes.get(position, -2):
            return int(used)
    return position
