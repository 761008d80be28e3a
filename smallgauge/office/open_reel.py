"""Whether a reel is open by its own papers, and whether its archive copy and a second copy of that are what they must be.

reel_reasons   why nothing of a reel may go: an open finding
not_equal      why captured frames stay: the archive copy does not hold them all
second_copy    a copy on another medium that holds the archive copy, or why there is none
"""

from collections.abc import Mapping
from pathlib import Path

from smallgauge.deliver.kept import archive_files, is_master
from smallgauge.media.frame_files import FRAME_FORMS, frame_file_name
from smallgauge.media.removal import same_volume
from smallgauge.media.whole import digest_file
from smallgauge.office.due import passes_due
from smallgauge.record.archive import FILM, FRAMES, FRAMES_LIST, frames_there
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.finding import Proof
from smallgauge.record.material import WHOLE_PAPER
from smallgauge.record.onmedia import OnMedium, read_media, standing_copies
from smallgauge.record.package import kind_of_sums, read_sums
from smallgauge.record.remarks import read_remarks
from smallgauge.record.signature import needs_signature
from smallgauge.record.treatment import treatment_findings, treatment_of

EQUAL = ("archive frames equal capture", "archive files equal capture")  # checks of a proof
# Findings that ask a person for a decision: until somebody decides, a reel is open.
DECISIONS_WAIT = (
    "two decisions in one scene",
    "two decisions in one length",
    "fading waits",
    "joint not known",
    "loading not sure",
    "gauge not sure",
)


def reel_reasons(folder: Path) -> list[str]:
    """Why a reel is open by its own papers: a proof that is missing, failed or out of date by digest, a decision that waits,
    a damaged archive copy, remarks that nobody answered.
    """
    capture = read_json(folder / "capture.json", Capture)
    found = [f"it is on hold: {capture.notes.hold}"] if capture.notes.hold else []
    due = passes_due(folder)
    found += [f"{step} is out of date: {why}" for step, why in due[:1]]
    if not (folder / "proof.json").is_file():
        return found or ["it was never proved"]
    proof = read_json(folder / "proof.json", Proof)
    if not proof.good:
        failed = [check.name for check in proof.checks if not check.good]
        failed += [finding.code for finding in proof.findings if finding.weight == "failure"]
        found.append(f"its proof failed: {', '.join(dict.fromkeys(failed))}")
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    codes = [finding.code for finding in (*proof.findings, *treatment_findings(treatment))]
    found += [f"a decision waits: {code}" for code in DECISIONS_WAIT if code in codes]
    if needs_signature(capture, treatment):
        found.append("a decision waits: nobody signed for the negative")
    waiting = read_remarks(folder).waiting
    if waiting:
        found.append(f"remarks wait for an answer: {', '.join(str(each.number) for each in waiting)}")
    return [*found, *_damaged(folder, proof)]


def masters_of(folder: Path, wanted: Mapping[str, str]) -> tuple[str, ...]:
    """The files of a reel's archive copy that are film or sound: those that its proof speaks of, and what lies beside them."""
    named = {*wanted, *archive_files(folder)}
    return tuple(sorted(name for name in named if is_master(name) and name != WHOLE_PAPER))


def digests_wanted(folder: Path, proof: Proof) -> dict[str, str]:
    """The SHA-256 that each file of a reel has by its proof and its lists of single frames."""
    return {file.name: file.sha256 for file in proof.files} | frames_there(folder)


def _damaged(folder: Path, proof: Proof) -> list[str]:
    """What is wrong with the archive copy without reading all of it; `let_go` reads it."""
    wanted, sizes = digests_wanted(folder, proof), {file.name: file.bytes for file in proof.files}
    found = []
    for name in masters_of(folder, wanted):
        path = folder / name
        if name not in wanted:
            found.append(f"the proof does not speak of {name}")
        elif not path.is_file() or path.is_symlink():
            found.append(f"the archive copy is damaged: {name} is not there")
        elif name in sizes and path.stat().st_size != sizes[name]:
            found.append(f"the archive copy is damaged: {name} is not as long as it was")
    return found


def not_equal(folder: Path, of: str, capture: Capture) -> list[str]:
    """Whether the proof says that this capture's archive copy holds every frame."""
    proof = read_json(folder / "proof.json", Proof) if (folder / "proof.json").is_file() else None
    below = f"{of}/" if of else ""
    made = [
        check
        for check in (proof.checks if proof is not None else ())
        if check.name in EQUAL and check.of.startswith(f"{below}archive")
    ]
    found = []
    if not made or not all(check.good for check in made):
        found.append("the archive copy was not proven equal to the captured frames")
    elif lacking := _lacking(folder, below, capture, proof):
        found.append(f"the archive copy lacks {lacking[0]}")
    blind = sum(1 for file in capture.files if not file.digest)
    if blind:
        found.append(f"{blind} captured frames could not be read and stand in no copy")
    if not capture.files or capture.stage != "complete":
        found.append("the capture was not measured to its end")
    return found


def _lacking(folder: Path, below: str, capture: Capture, proof: Proof | None) -> list[str]:
    """Files that this capture's archive copy must have and the proof does not speak of."""
    known = digests_wanted(folder, proof) if proof is not None else {}
    if f"{below}{FILM}" in known:
        return []
    if f"{below}{FRAMES_LIST}" in known:
        forms = [form for form in FRAME_FORMS if form == capture.archive_form]
        frames = [frame_file_name(form, number) for form in forms for number in range(capture.count)]
    else:
        frames = [file.name for file in capture.files]
    names = [f"{below}{FRAMES}/{name}" for name in frames]
    return [name for name in names if name not in known]


def second_copy(
    folder: Path, place: Path, copies_at: tuple[Path, ...], known: frozenset[int] | None = None
) -> tuple[tuple[Path, OnMedium] | None, list[str]]:
    """A copy on another medium that holds the archive copy, or why there is none.

    `known` are the numbers of the papers of copies that the book holds as they are; None where there is no book to ask.
    """
    numbers = {paper: number for number, paper in enumerate(read_media(folder), start=1)}
    standing = standing_copies(read_media(folder))
    if not (folder / "proof.json").is_file():
        return None, ["a second copy can't be held against an archive copy that was not proved"]
    if not standing:
        return None, [
            "no second copy is written down (`smallgauge copy REEL/bag FOLDER --medium NAME --kind KIND --by INITIALS`)"
        ]
    reasons = []
    for medium in reversed(standing):
        places = [*copies_at, *(each / folder.name for each in copies_at), Path(medium.folder)]
        at = next((each for each in places if (each / medium.list_name).is_file()), None)
        if known is not None and numbers[medium] not in known:
            reasons.append(
                f"the book does not know the paper of the copy on {medium.medium} as it is: `smallgauge office catch-up` enters "
                "one that is new; find out who changed one that was entered"
            )
        elif at is None:
            reasons.append(
                f"{medium.medium} is not at hand at {medium.folder}: plug it in, or say where it is with --copy-at"
            )
        elif digest_file(at / medium.list_name) != medium.list_sha256:
            reasons.append(f"the list on {medium.medium} is not the one that was copied there")
        elif lacking := _not_on(folder, at, medium):
            reasons.append(f"{medium.medium} does not hold the archive copy ({lacking[0]})")
        elif same_volume(at, place) or same_volume(at, folder):
            reasons.append(
                f"{medium.medium} lies on the same file system as the captured frames or the archive copy: that is no other medium"
            )
        else:
            return (at, medium), []
    return None, reasons


def _not_on(folder: Path, at: Path, medium: OnMedium) -> list[str]:
    """Files of the archive copy that a medium's list does not name."""
    text = (at / medium.list_name).read_bytes().decode(errors="replace")
    listed = dict(line for line in read_sums(text, medium.list_name) if line is not None)
    proof = read_json(folder / "proof.json", Proof)
    wanted = digests_wanted(folder, proof)
    masters = masters_of(folder, wanted)
    if kind_of_sums(medium.list_name) == "sha256":
        return [name for name in masters if wanted.get(name) not in listed.values()]
    return [name for name in masters if f"data/{name}" not in listed]
