"""Photographs that were asked for: are their files those that `stills.json` lists, and do they show the look of today?"""

from collections.abc import Mapping
from pathlib import Path

from smallgauge.media.whole import digest_file
from smallgauge.prove.bench import Ledger
from smallgauge.prove.fixity import FileRead
from smallgauge.record.capture import Capture
from smallgauge.record.finding import Finding
from smallgauge.record.keptstills import STILLS_PAPER, read_stills
from smallgauge.record.signature import digest_look
from smallgauge.record.treatment import Treatment


def check_photographs(
    bench: Ledger, folder: Path, *, capture: Capture, treatment: Treatment, known: Mapping[Path, FileRead]
) -> None:
    """Compare each photograph's files with the digests in its paper; `known` are files that were just read."""
    paper = read_stills(folder)
    if paper is None or not paper.stills:
        return
    files = [file for still in paper.stills for file in still.files]
    passed = 0
    for file in files:
        path = folder / file.name
        if not path.is_file():
            code = "file missing"
        elif (known[path].sha256 if path in known else digest_file(path, from_medium=True)) != file.sha256:
            code = "file digest differs"
        else:
            passed += 1
            continue
        told = Finding(code=code, where=file.name, values={"file": file.name})
        if told not in bench.findings:
            bench.findings.append(told)
    bench.count("photographs", STILLS_PAPER, len(files), passed, "sha256 in stills.json")
    if paper.look != digest_look(capture, treatment):
        values: dict[str, object] = {"frames": [still.film_position for still in paper.stills]}
        bench.findings.append(Finding(code="photographs of another look", where=STILLS_PAPER, values=values))
