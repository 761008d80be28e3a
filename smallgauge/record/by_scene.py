"""Values of a subject scene by scene: what the program proposes, what the operator decided for the reel, then for the scene."""

from dataclasses import dataclass, field

from smallgauge.record.finding import Finding
from smallgauge.record.table import Table
from smallgauge.record.treatment import PROGRAM, Treatment

Value = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneValues:
    """Layers of a subject's values, the later over the earlier.

    `own` holds them of each scene that has a value of its own; `others` those of all the rest; `findings` what there is to say.
    """

    own: dict[int, tuple[Value, ...]] = field(default_factory=dict)
    others: tuple[Value, ...] = ()
    findings: tuple[Finding, ...] = ()


def scenes_by_position(running: Table) -> dict[int, int]:
    """The scene of each film position; `running` has its scenes in running order."""
    return dict(zip(running["film_position"].tolist(), running["scene"].tolist(), strict=True))


def scene_layers(treatment: Treatment, subject: str, scenes: dict[int, int]) -> SceneValues:
    """The layers of a subject that may be decided for the reel and for scenes.

    `scenes` leads from film position to scene. What the program proposes for the reel says only whether there is anything to
    do, and counts for nothing. Two differing decisions of the operator in one scene are both kept, and neither is applied.
    """
    program: dict[int, Value] = {}
    operator: dict[int, list[tuple[int, Value]]] = {}
    reel: Value = {}
    for entry in treatment.in_force:
        decision = entry.decision
        if decision.subject != subject or decision.value is None:
            continue
        mine, proposal = decision.by != PROGRAM, entry.proposal
        theirs = proposal.value if mine and proposal is not None else None if mine else decision.value
        kind, _, at = decision.anchor.partition("@")
        if kind == "reel":
            reel = decision.value if mine else {}
            continue
        scene = scenes.get(int(at))
        if scene is None:
            continue
        if theirs is not None:
            program[scene] = theirs
        if mine:
            operator.setdefault(scene, []).append((int(at), decision.value))
    found: list[Finding] = []
    layers: dict[int, tuple[Value, ...]] = {}
    for scene in sorted({*program, *operator}):
        own = operator.get(scene, [])
        if len({str(value) for _, value in own}) > 1:
            values: Value = {"subject": subject, "positions": sorted(at for at, _ in own)}
            found.append(
                Finding(code="two decisions in one scene", where=f"scene {scene + 1}", values=values)
            )
            own = []
        layers[scene] = program.get(scene, {}), reel, own[-1][1] if own else {}
    return SceneValues(own=layers, others=(reel,), findings=tuple(found))
