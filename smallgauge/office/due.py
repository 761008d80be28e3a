"""Which passes of a reel's folder are out of date, by the digests that its papers and journal hold."""

from pathlib import Path

from smallgauge.errors import SmallgaugeError
from smallgauge.line import STEPS
from smallgauge.media.whole import digest_file
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, to_plain
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.released import names_let_go
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.treatment import treatment_of
from smallgauge.render.films import RENDERING


def passes_due(folder: Path) -> tuple[tuple[str, str], ...]:
    """Passes that must be made again, each with why; all after the first one are due with it.

    Whether the captured frames themselves have changed is asked by `finish`, which has the capture.
    """
    try:
        step, why = _first_due(folder)
    except (SmallgaugeError, OSError) as error:
        step, why = "analyse", f"its papers can't be read: {error}"
    if not step:
        return ()
    first = STEPS.index(step)
    return ((step, why), *((each, f"after {step}") for each in STEPS[first + 1 :]))


def _first_due(folder: Path) -> tuple[str, str]:
    journal = Journal(folder)
    if "capture.json" in names_let_go(folder) and not (folder / "capture.json").exists():
        return "", ""  # all of it was let go
    why = _altered(folder, journal, "capture.json", "frames.parquet", "reel.json")
    capture = read_json(folder / "capture.json", Capture) if not why else None
    if capture is None or capture.stage != "complete":
        return "analyse", why or "it was not measured to its end"
    if not (folder / "decisions.jsonl").is_file():
        return "treat", "nothing was proposed yet"
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    why = _altered(folder, journal, "treatment.toml")
    if why or journal.lines["treatment.toml"].key != key_of("treatment", treatment):
        return "treat", why or "the decisions have changed"
    why = _altered(folder, journal, "render.json", "finished.mkv")
    if why:
        return "render", why
    summary = read_json(folder / "render.json", RenderSummary)
    if summary.capture_digest != capture.digest:
        return "render", "it was made of another measuring"
    if summary.revision != treatment.revision:
        return "render", "a decision was made since"
    if not journal.lines["render.json"].key.endswith(key_of(RENDERING, to_plain(summary))):
        return "render", "the program makes it otherwise now"
    why = _altered(folder, journal, "proof.json")
    if why:
        return "prove", why
    proof = read_json(folder / "proof.json", Proof)
    if proof.capture_digest != capture.digest:
        return "prove", "it speaks of another measuring"
    spoken = {each.name: each.sha256 for each in proof.files}
    for name in ("finished.mkv", "render.json"):
        if name in spoken and name in journal.lines and spoken[name] != journal.lines[name].sha256:
            return "prove", f"{name} was made again since"
    why = _altered(folder, journal, "package.json", "package/SHA256SUMS")
    packed = folder / "package" / "proof.json"
    if not why and packed.is_file() and digest_file(packed) != digest_file(folder / "proof.json"):
        why = "the proof was made again since"
    return ("deliver", why) if why else ("", "")


def _altered(folder: Path, journal: Journal, *names: str) -> str:
    """Why these files are not what the journal says; large ones are looked for only, since `finish` reads them whole."""
    gone = names_let_go(folder)
    for name in names:
        if name in gone and not (folder / name).exists():
            continue  # on a person's word: it is not missed
        line = journal.lines.get(name)
        if line is None or not (folder / name).is_file():
            return f"{name} is not there"
        if not name.endswith(".mkv") and digest_file(folder / name) != line.sha256:
            return f"{name} is not the file that was written"
    return ""
