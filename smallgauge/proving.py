"""Proving what is there already: a reel's folder, a package, a bag, and many packages over the years.

prove_folder   a reel's folder, a package or a bag -> what was found
"""

from pathlib import Path

from smallgauge.crew import Crew
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.line import Outcome, Settings
from smallgauge.lock import ReelLock
from smallgauge.media.whole import digest_file, safe_file_name
from smallgauge.prove.fixity import expected_digests
from smallgauge.prove.package import prove_package, read_list
from smallgauge.prove.programme import prove_programme
from smallgauge.prove.reel import prove_reel
from smallgauge.prove.witness import with_witnesses
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal
from smallgauge.record.programme import PAPER as PROGRAMME_PAPER
from smallgauge.record.programme import ProgrammePaper
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.treatment import treatment_of


def prove_folder(
    folder: Path,
    settings: Settings,
    *,
    source: Path | None,
    out: Path | None = None,
    witness: bool = False,
) -> Outcome:
    """Prove a reel's folder again, or a package or bag wherever it lies; nothing is written into a package.

    `out` is a folder for the proof as a document; of a reel's folder the proof goes into it unless `out` is given.
    """
    if not folder.is_dir():
        raise MaterialError(
            f"`prove` needs a reel's folder, a package or a bag, found none at {folder}; give the folder that `finish` made, or "
            "the package."
        )
    listed = read_list(folder)
    _refuse_inside(folder, out)
    if listed is None and not any(
        (folder / name).is_file() for name in ("capture.json", "reel.json", "proof.json", PROGRAMME_PAPER)
    ):
        raise MaterialError(
            f"`prove` needs a reel's folder, a package or a bag, and {folder} is none: it holds neither SHA256SUMS, "
            "manifest-sha512.txt nor capture.json; give the folder that `finish` made, or the package."
        )
    if listed is not None:
        with Crew(settings.workers) as crew:
            proof = prove_package(listed, source=source, runner=crew, progress=settings.progress)
        if witness:
            proof = with_witnesses(proof, folder, bag=listed.bag, progress=settings.progress)
        found: tuple[Finding, ...] = proof.findings
        good = proof.good
    elif (folder / PROGRAMME_PAPER).is_file():
        paper = read_json(folder / PROGRAMME_PAPER, ProgrammePaper)
        shelf = folder.resolve().parent
        with Crew(settings.workers) as crew:
            proof = prove_programme(folder, paper, shelf=shelf, runner=crew, progress=settings.progress)
        found, good = proof.findings, proof.good
    else:
        with ReelLock(folder, take_over=settings.take_over), Crew(settings.workers) as crew:
            journal = Journal(folder)
            capture = _proved_capture(folder, journal)
            proved = prove_reel(
                folder,
                source=source,
                capture=capture,
                journal=journal,
                runner=crew,
                progress=settings.progress,
                keep=out is None,
                witness=witness,
            )
        proof, good = proved.proof, proved.good
        found = (*proof.findings, *proved.package_findings)
        found = (*found, *of_older_decisions(folder, found))
    for finding in found:
        settings.say(finding)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        write_json(out / f"{safe_file_name(proof.reel)}.proof.json", proof)
    return Outcome(folder=str(folder), reel=proof.reel, steps=("prove",), findings=found, proved=good)


def of_older_decisions(folder: Path, found: tuple[Finding, ...] = ()) -> tuple[Finding, ...]:
    """Says that decisions were made which the film was not finished with yet: what was proved is the older film.

    Nothing where the proof found one of the two papers damaged, or where it can't be read.
    """
    summary, log = folder / "render.json", folder / "decisions.jsonl"
    damaged = {str(finding.values.get("file")) for finding in found}
    if not (summary.is_file() and log.is_file()) or damaged & {summary.name, log.name}:
        return ()
    try:
        made, now = read_json(summary, RenderSummary).revision, treatment_of(read_decisions(log)).revision
    except MaterialError:  # of which the proof has spoken
        return ()
    if made == now:
        return ()
    return (Finding(code="film of older decisions", where="reel", values={"made": made, "now": now}),)


def _refuse_inside(folder: Path, out: Path | None) -> None:
    if out is not None and out.resolve().is_relative_to(folder.resolve()):
        raise CallerError(
            f"--out needs a folder outside what is proved, found {out} in {folder}; nothing is ever written into a package."
        )


def _proved_capture(folder: Path, journal: Journal) -> Capture:
    """The capture's paper; where it can't be read, it is said whether it is the paper that was written."""
    path = folder / "capture.json"
    try:
        return read_json(path, Capture)
    except MaterialError as error:
        wanted = expected_digests(folder, journal).get(path.name)
        if wanted is None or (path.is_file() and digest_file(path) == wanted):
            raise
        raise FixityError(
            f"A proof begins with capture.json, and it is not the file that was written ({error}) Bring it back from "
            "another copy of the reel, or run `smallgauge finish` on the capture."
        ) from None
