"""`track.json`: what the captured sound as a whole says: is it a recording, and what hums in it."""

from dataclasses import dataclass
from fractions import Fraction
from math import nan

from smallgauge.record.finding import Finding
from smallgauge.sound.cuts import CutsReading
from smallgauge.sound.dropouts import Dropout
from smallgauge.sound.flutter import NOT_READ, FlutterReading
from smallgauge.sound.hum import HumReading
from smallgauge.sound.hum_removal import NO_LINES, HumLines
from smallgauge.sound.knocks import HeadReading
from smallgauge.sound.recording import RecordingReading
from smallgauge.sound.runs import RunReading
from smallgauge.sound.tracks import TracksReading

TRACK_PAPER = "track.json"

_MOST_NAMED = 20  # stretches that a finding names
_STATES = {
    "stripe without a recording": "stripe without a recording",
    "failed capture": "sound capture failed",
    "no recording, cause not told": "no recording found",
}
_TRACKS = {
    "two programmes": "two programmes",
    "not sure": "tracks not told apart",
    "one recorded": "one track recorded",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideHeard:
    """Where the sound lies on its guide, by film position; see `smallgauge.sound.wild.GuideReading`.

    `rate` is the nominal rate, frames a second, at which it was found. `film_positions` and `sound_s` are one pair a
    window that agreed, `sigma_s` the standard error of one. `not_found` are stretches between breaks that were not found,
    `jumps` stretches in which the sound jumps and nobody stated a break: film positions.
    """

    refusal: str
    rate: Fraction | None = None
    speed: float = nan
    kept: float = nan
    sigma_s: float = nan
    film_positions: tuple[float, ...] = ()
    sound_s: tuple[float, ...] = ()
    not_found: tuple[tuple[float, float], ...] = ()
    jumps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPaper:
    """The readings of the whole captured sound; those of each second stand in `track.parquet`.

    `head` and `cuts` are there for sound captured with the picture, `run` for the film's own sound captured apart.
    `guide` is where such sound lies on its guide, where there is one.
    `flutter` is what hum of the film tells, NaN where it tells none; `dropouts` are the places where the film was off
    the head. `film_hum` and `chain_hum` are what was followed line by line, `clicks` and `thumps` how many were found;
    where they lie stands in `hum.parquet` and `clicks.parquet`.
    """

    version: int = 1
    capture_digest: str
    recording: RecordingReading
    hum: HumReading
    head: HeadReading | None = None
    cuts: CutsReading | None = None
    run: RunReading | None = None
    guide: GuideHeard | None = None
    tracks: TracksReading | None = None  # of two tracks
    flutter: FlutterReading = NOT_READ
    dropouts: tuple[Dropout, ...] = ()
    film_hum: HumLines = NO_LINES
    chain_hum: HumLines = NO_LINES
    clicks: int = 0
    thumps: int = 0

    @property
    def recorded(self) -> bool:
        """Whether there is a recording, as far as can be told: hum of the film is one."""
        return self.recording.state in ("recorded", "not told") or not self.hum.refusal


def track_findings(paper: TrackPaper) -> tuple[Finding, ...]:
    """What there is to say of the captured sound."""
    found = []
    if not paper.recorded:
        found.append(Finding(code=_STATES[paper.recording.state], where="sound"))
    if paper.hum.chain_hz == paper.hum.chain_hz:
        values: dict[str, object] = {"hz": round(paper.hum.chain_hz, 2)}
        if paper.hum.refusal != "not told from the chain":
            found.append(Finding(code="hum of the capture chain", where="sound", values=values))
    if paper.hum.refusal == "not told from the chain":
        found.append(Finding(code="hum not told apart", where="sound"))
    if paper.tracks is not None and paper.tracks.state in _TRACKS:
        values = {"coherence": round(paper.tracks.coherence, 2), "recorded": paper.tracks.recorded + 1}
        found.append(Finding(code=_TRACKS[paper.tracks.state], where="sound", values=values))
    if paper.cuts is not None and paper.cuts.recorded == "after cutting":
        found.append(Finding(code="sound runs on through splices", where="sound"))
    if paper.cuts is not None and paper.cuts.foreign:
        first, stop = paper.cuts.foreign[0]
        values = {"splices": len(paper.cuts.foreign), "frames": stop - first}
        values["places"] = [list(stretch) for stretch in paper.cuts.foreign[:_MOST_NAMED]]
        found.append(Finding(code="foreign sound behind splices", where="sound", values=values))
    if paper.flutter.weighted_peak == paper.flutter.weighted_peak:
        percent = round(100 * paper.flutter.weighted_peak, 2)
        found.append(Finding(code="flutter told by hum", where="sound", values={"percent": percent}))
    if paper.clicks or paper.thumps:
        values = {"clicks": paper.clicks, "thumps": paper.thumps}
        found.append(Finding(code="clicks found", where="sound", values=values))
    if paper.dropouts and paper.recorded:
        longest = max(paper.dropouts, key=lambda d: d.stop_s - d.first_s)
        found.append(
            Finding(
                code="sound drops out",
                where="sound",
                values={
                    "places": len(paper.dropouts),
                    "longest_ms": round(1000 * (longest.stop_s - longest.first_s)),
                    "at_s": round(longest.first_s, 2),
                },
            )
        )
    return tuple(found)
