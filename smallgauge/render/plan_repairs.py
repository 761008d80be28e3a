"""The finished sound's repairs in the plan: what of the faults that were found is taken out, as it was decided.

Part of `plan.py`: calls the `solve_` functions of the sound room, opens no file.
"""

import hashlib
from dataclasses import dataclass
from fractions import Fraction

from smallgauge.errors import MaterialError
from smallgauge.record.capture import CapturedSound
from smallgauge.record.files import structured
from smallgauge.record.journal import key_of
from smallgauge.record.soundfaults import Clock, SoundFaults
from smallgauge.record.treatment import Treatment
from smallgauge.sound.clicks import Click, ClicksDecision
from smallgauge.sound.comb import CombTrack
from smallgauge.sound.equalisation import (
    EqualisationDecision,
    ReplayCurve,
    parse_replay_curve,
    solve_equalisation,
)
from smallgauge.sound.flutter import FlutterDecision, solve_flutter_map
from smallgauge.sound.hiss import HissDecision
from smallgauge.sound.hum_removal import HumDecision
from smallgauge.sound.speed import SoundMap

_TAKEN: dict[str, tuple[Clock, ...]] = {
    "take out": ("chain", "film"),
    "take out chain": ("chain",),
    "take out film": ("film",),
    "leave": (),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Equalising:
    """From the curve of the machine to that of the film, at a capture speed over the film's own."""

    replayed: ReplayCurve
    recorded: ReplayCurve
    speed: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoundRepairs:
    """What is done to the sound on its way from the capture to the finished film, the map aside.

    `hum` names the clock of each comb that is taken out; `hiss_db` 0 leaves the hiss.
    """

    hum: tuple[tuple[Clock, CombTrack], ...] = ()
    clicks: tuple[Click, ...] = ()
    flutter: bool = False
    curve: Equalising | None = None
    hiss_db: float = 0.0

    @property
    def key(self) -> str:
        """Digest of all of it; "" where nothing is done."""
        if not (self.hum or self.clicks or self.curve or self.hiss_db):
            return ""  # flutter stands in the map
        combs = [
            hashlib.sha256(part.tobytes()).hexdigest()
            for _, comb in self.hum
            for part in (comb.in_sample, comb.turns, comb.line_sample, comb.lines)
        ]
        return key_of("repairs", combs, self.clicks, self.curve, self.hiss_db)


NOTHING_REPAIRED = SoundRepairs()


def plan_repairs(
    knots: SoundMap,
    *,
    faults: SoundFaults | None,
    treatment: Treatment,
    sound: CapturedSound,
    camera_rate: Fraction,
    out_rate: int,
    moved: bool,
) -> tuple[SoundMap, SoundRepairs]:
    """The map without the recording's flutter, and the repairs; as they are where nothing was looked for.

    `moved` False says that the map does not follow the film's own time (sound with its own clock).
    """
    if faults is None or treatment.find("hum") is None:
        return knots, NOTHING_REPAIRED
    hum = structured(treatment.value("hum"), HumDecision, where="hum")
    flutter = structured(treatment.value("flutter"), FlutterDecision, where="flutter")
    clicks = structured(treatment.value("clicks"), ClicksDecision, where="clicks")
    hiss = structured(treatment.value("hiss"), HissDecision, where="hiss")
    taken = flutter.act == "take out"
    if taken:
        knots = _without_flutter(knots, faults, camera_rate, out_rate, moved=moved)
    return knots, SoundRepairs(
        hum=tuple((clock, comb) for clock, comb in faults.combs() if clock in _TAKEN[hum.act]),
        clicks=faults.clicks if clicks.act == "repair" else (),
        flutter=taken,
        curve=_equalising(treatment, knots, sound, out_rate),
        hiss_db=hiss.reduce_db,
    )


def _without_flutter(
    knots: SoundMap, faults: SoundFaults, camera_rate: Fraction, out_rate: int, *, moved: bool
) -> SoundMap:
    comb = faults.film
    if comb is None or not comb.followed or not moved:
        raise MaterialError(
            "To take flutter out, hum that was recorded with sound captured with its picture must tell it; found none that "
            "does: leave it with `smallgauge treat --decide flutter leave`."
        )
    return solve_flutter_map(
        knots,
        in_sample=comb.in_sample,
        displacement=comb.displacement,
        speed=comb.speed,
        camera_rate=camera_rate,
        out_rate=out_rate,
    )


def _equalising(
    treatment: Treatment, knots: SoundMap, sound: CapturedSound, out_rate: int
) -> Equalising | None:
    decided = structured(treatment.value("equalisation"), EqualisationDecision, where="equalisation")
    if not decided.replayed:
        return None
    return Equalising(
        replayed=parse_replay_curve(decided.replayed),
        recorded=parse_replay_curve(decided.recorded or decided.replayed),
        speed=solve_equalisation(knots, sound_rate=sound.rate, out_rate=out_rate),
    )
