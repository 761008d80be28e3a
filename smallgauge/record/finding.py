"""One thing that was noticed or checked, and the proof that gathers the checks.

A finding carries a code and its numbers, never a sentence: every sentence that a person reads stands
in `deliver/words.py`, and a test holds the two complete.
"""

from dataclasses import dataclass, field
from typing import Literal

from smallgauge.picture.background import BackgroundRun
from smallgauge.picture.steadiness import Steadiness

Weight = Literal["note", "finding", "failure"]
FINDING_WEIGHTS: dict[str, Weight] = {}


def _declare(weight: Weight, *codes: str) -> None:
    for code in codes:
        FINDING_WEIGHTS[code] = weight


# A note needs nobody. A finding is told and the work goes on. A failure ends the command with exit code 1.
_declare(
    "note",
    "files passed over",
    "sound start assumed",
    "how pictures are read",
    "pitch not measured",
    "archive kept as it came",
    "archive of single frames",
    "archive sound copied",
    "no broadcast wave",
    "no condition record",
    "names for an archive",
    "one track recorded",
    "check not made",
    "gauge not stated",
    "sound none",
    "sound inside the video",
    "sound inside not used",
    "loudness held back",
    "synthetic frames",
    "loudness not measured",
    "camera speed from hum",
    "reel joined",
    "part of a capture",
    "hum of the capture chain",
    "hum not told apart",
    "flutter told by hum",
    "clicks found",
    "sound repaired",
    "sync from splices",
    "sound runs on through splices",
    "sound laid by fixes",
    "sound laid by its guide",
    "machine scale used",
    "shrinkage told",
    "shrinkage without a scale",
    "scale stated over the machine's",
    "splices found",
    "length agrees",
    "loading not told",
    "archive of both films",
    "dark scene",
    "fading undone",
    "fading not told",
    "fading seems none",
    "lamp level filled in",
    "hairs in the camera",
)
_declare(
    "note",
    "survey of the beginning",
    "follow every frame",
    "follow every n-th frame",
    "follow looked at",
    "numbers skipped, film runs on",
    "drops not told",
)
# Calls of `follow` while the scanner runs, and what keeps the reel on: the verdict's exit code stands for these.
_declare(
    "finding",
    "now out of focus",
    "now focus drifting",
    "now spots stand still",
    "now rings stand still",
    "follow focus drifted",
    "now highlights clipped",
    "now perforation leaving",
    "now no sound level",
    "now numbers missing",
    "now not measured",
    "reel still written",
    "reel frame unfinished",
    "reel frame unreadable",
    "reel files differ",
    "reel count differs",
    "reel numbers missing",
    "reel frames missing",
    "reel stamps disagree",
    "reel stamps jump",
    "reel not measured",
    "reel frames without a fix",
    "reel out of focus",
    "reel focus lost",
    "reel highlights clipped",
    "reel sound missing",
    "reel sound silent",
    "reel sound gone",
    "reel sound stopped",
)
_declare(
    "finding",
    "survey of the beginning set aside",
    "unknown key",
    "numbering gap",
    "frame let pass",
    "spots stand still",
    "rings stand still",
    "hairs in the scanner",
    "hairs in a gate",
    "scratches left",
    "perforation full scale",
    "perforation not measured",
    "perforations not in view",
    "gauge not sure",
    "decoder log of the capture",
    "sound shorter",
    "sound longer",
    "foreign sound behind splices",
    "sync mark differs",
    "head distance differs",
    "start set, drift not known",
    "sound band wide",
    "guide lays nothing",
    "guide not followed",
    "fix disagrees",
    "time stamps set aside",
    "frames doubled",
    "frames missing",
    "frames swapped",
    "frames suspected",
    "frames not accounted for",
    "perforations damaged",
    "length differs",
    "frame clipped",
    "picture area assumed",
    "camera speed house value",
    "sound drops out",
    "stripe without a recording",
    "two programmes",
    "tracks not told apart",
    "sound capture failed",
    "no recording found",
    "negative left as captured",
    "colour in black-and-white",
    "operator keeps another value",
    "line-up",
    "encoding assumed",
    "light above the open gate",
    "machine scale not used",
    "film shrunk",
    "registration weak",
    "pixels not square",
    "interlaced",
    "joint not known",
    "loading not sure",
    "two decisions in one scene",
    "fading waits",
    "two decisions in one length",
)
_declare(
    "failure",
    "sync not set",
    "sound jumps on its guide",
    "time base guessed",
    "on hold",
    "film on hold",
    "files on hold",
    "negative not signed",
    "frame digest differs",
    "frame count differs",
    "chapters differ",
    "file digest differs",
    "file missing",
    "division does not add up",
    "decoder log of our file",
    "rate differs",
    "sound length differs",
    "sound digest differs",
    "sound not as captured",
    "loudness differs",
    "checksum of the container fails",
    "viewing copy differs",
    "synthetic frames not said",
    "row count differs",
    "package incomplete",
    "archive file not listed",
    "films do not add up",
)
_declare(
    "finding",
    "remarks not answered",
    "photographs of another look",
    "photographs not proved",
    "film of older decisions",
)
_declare("note", "frames alike", "black stretch", "silent stretch", "needs exFAT", "witness absent")
_declare(
    "finding",
    "levels out of range",
    "flashing light",
    "flashing in a part",
    "flashing lasts",
    "frozen stretch",
    "names not legal",
)
_declare(
    "failure",
    "frame shows another",
    "frame lies elsewhere",
    "duration differs",
    "sound not as long as picture",
    "papers disagree",
    "witness disagrees",
    "frame size differs",
    "coding differs",
    "key frames lacking",
    "time code differs",
    "list of frames differs",
    "programme is of other frames",
    "programme not as told",
    "frame left off holds something",
    "reel left out not kept",
)
_declare("finding", "copy leaves frames out")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing noticed: what kind, where, and its numbers (text, numbers or lists of them).

    Examples
    --------
    >>> Finding(code="numbering gap", where="capture", values={"after": "frame_0011.dpx", "missing": 2}).weight
    'finding'
    """

    code: str
    where: str = ""
    values: dict[str, object] = field(default_factory=dict)

    @property
    def weight(self) -> Weight:
        """How much it matters: fixed for each code, in one table."""
        return FINDING_WEIGHTS[self.code]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check that was made (or not), of what, how often, and how many passed."""

    name: str  # key in deliver/words.py
    of: str  # file or subject
    made: int  # how many things were compared
    passed: int
    by: str  # what compared them: "own decoder", "sha256", ...

    @property
    def good(self) -> bool:
        """Made at least once, and every time with the expected result."""
        return self.made > 0 and self.passed == self.made


@dataclass(frozen=True, slots=True, kw_only=True)
class WitnessAnswer:
    """What another program was asked about a file and what it said; `version` is "" where it is not installed.

    `asked` is a key in deliver/proof_words.py. A program that was not asked says nothing, for or against.
    """

    witness: str
    version: str
    asked: str
    of: str
    answer: Literal["agrees", "disagrees", "no answer", "not asked"]
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileDigest:
    """A file of the reel, as it was when it was proved."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """Every check, what was found, and the digests of the files that it speaks of."""

    reel: str
    capture_digest: str
    checks: tuple[Check, ...]
    findings: tuple[Finding, ...]
    files: tuple[FileDigest, ...]
    steadiness: tuple[Steadiness, ...] = ()  # of the finished frames, by their still background
    background: tuple[BackgroundRun, ...] = ()  # the same along the reel
    witnesses: tuple[WitnessAnswer, ...] = ()  # none where none was called

    @property
    def good(self) -> bool:
        """All checks passed and nothing found that fails."""
        return all(check.good for check in self.checks) and not any(
            finding.weight == "failure" for finding in self.findings
        )
