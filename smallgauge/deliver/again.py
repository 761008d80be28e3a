"""A reel that is delivered again: the delivery that was handed over stays as it was, and the new one says what is otherwise.

hand_over       the package that stands is kept for good as `delivery-1`, by a second name of each file
write_changes   what the next package has otherwise -> `delivery.json`
"""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from smallgauge.deliver.film_names import LATER
from smallgauge.deliver.package import PACKAGE, plan_parts
from smallgauge.deliver.papers import Papers, read_papers
from smallgauge.deliver.swap import MADE_HERE, building
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.whole import digest_file, digests_file, link_or_copy
from smallgauge.record.deliveries import CHANGES, DELIVERIES, Changes, Deliveries, Handed, read_deliveries
from smallgauge.record.files import read_decisions, read_json, write_json
from smallgauge.record.package import FAMILY_SUMS, PackageList, read_sums
from smallgauge.record.rendertable import RENDER_COLUMNS, RenderSummary
from smallgauge.record.table import Table, read_table
from smallgauge.record.treatment import Treatment, treatment_of


def hand_over(folder: Path, *, to: str, on: str, at: str) -> Handed:
    """Keep the package that stands as a delivery of its own, which nothing changes any more.

    Raises
    ------
    CallerError
        Without a name or a day.
    MaterialError
        Where no package stands, or it is the one that was handed over already.
    FixityError
        Where a file of it is not the file that was packed.
    """
    who = " ".join(to.split())
    if not who or not who.isprintable():
        raise CallerError("A delivery is handed over to somebody; say to whom with --handed-over NAME.")
    try:
        datetime.fromisoformat(on)
    except ValueError:
        raise CallerError(f"--on needs a day such as 2026-01-17, found '{on}'.") from None
    listed = folder / f"{PACKAGE}.json"
    sums = folder / PACKAGE / FAMILY_SUMS
    if not listed.is_file() or not sums.is_file():
        raise MaterialError(
            f"Handing over needs a package, found none in {folder}; run `smallgauge deliver` first."
        )
    before = read_deliveries(folder)
    digest = digest_file(sums)
    if before.handed and before.handed[-1].sums_sha256 == digest:
        last = before.handed[-1]
        raise MaterialError(
            f"This package is delivery {last.number}, handed over to {last.to} on {last.on[:10]}; nothing is new in it since."
        )
    handed = Handed(number=len(before.handed) + 1, to=who, on=on, at=at, sums_sha256=digest)
    paper = read_json(listed, PackageList)
    wanted = dict(
        line for line in read_sums(sums.read_text(encoding="utf-8"), FAMILY_SUMS) if line is not None
    )
    with building(folder, handed.folder, paper) as part:
        for place in (*wanted, paper.manifest):
            target = part / place
            target.parent.mkdir(parents=True, exist_ok=True)
            if not (folder / PACKAGE / place).is_file():
                raise FixityError(
                    f"{place} is not in the package any more; run `smallgauge deliver` again, then hand it over."
                )
            link_or_copy(folder / PACKAGE / place, target)
            if place in wanted and digests_file(target, ("sha256",))["sha256"] != wanted[place]:
                raise FixityError(
                    f"{place} of the package is not the file that was packed; run `smallgauge deliver` again, then hand it over."
                )
    write_json(folder / DELIVERIES, Deliveries(handed=(*before.handed, handed)))
    return handed


def write_changes(folder: Path) -> Changes | None:
    """Write `delivery.json`; None, and nothing written, where no delivery was handed over yet."""
    handed = read_deliveries(folder).handed
    if not handed:
        return None
    last = handed[-1]
    old = folder / last.folder
    if digest_file(old / FAMILY_SUMS) != last.sums_sha256:
        raise FixityError(
            f"{last.folder} is not the delivery that was handed over: its list of digests was changed. Bring it back from the "
            "client's copy or a back-up; nothing was delivered."
        )
    papers = read_papers(folder)
    changes = _changes(folder, old, last, papers)
    write_json(folder / CHANGES, changes)
    return changes


def _changes(folder: Path, old: Path, last: Handed, papers: Papers) -> Changes:
    later = old / LATER
    then = dict(
        line
        for line in read_sums((old / FAMILY_SUMS).read_text(encoding="utf-8"), FAMILY_SUMS)
        if line is not None
    )
    proved = {file.name: file.sha256 for file in papers.proof.files} if papers.proof is not None else {}
    parts = {part.place: part.of for part in plan_parts(papers) if part.of not in MADE_HERE}
    made = {part.place for part in plan_parts(papers) if part.of in MADE_HERE}
    own = read_json(folder / f"{last.folder}.json", PackageList)
    made |= {part.place for part in own.parts if part.of in MADE_HERE}
    then = {place: digest for place, digest in then.items() if place not in made}
    now = {place: proved.get(of) or digest_file(folder / of) for place, of in parts.items()}
    before, after = (
        read_table(place / "render.parquet", RENDER_COLUMNS, "render") for place in (later, folder)
    )
    seen = _compared(before, after)
    changes = Changes(
        number=last.number + 1,
        before=last,
        decisions=_decisions(treatment_of(read_decisions(later / "decisions.jsonl")), papers.treatment),
        files_changed=tuple(sorted(p for p in now if p in then and now[p] != then[p])),
        files_added=tuple(sorted(set(now) - set(then))),
        files_gone=tuple(sorted(set(then) - set(now))),
        frames=len(after),
        frames_differ=seen[0],
        frames_added=seen[1],
        frames_gone=seen[2],
        stretches=seen[3],
        rate_before="",
        rate="",
    )
    rates = [str(read_json(place / "render.json", RenderSummary).rate) for place in (later, folder)]
    return replace(changes, rate_before=rates[0], rate=rates[1])


def _decisions(before: Treatment, after: Treatment) -> tuple[tuple[str, str], ...]:
    """Subject and anchor of each decision in force whose value is another, or that only one of them has."""
    values = [
        {(entry.decision.subject, entry.decision.anchor): entry.decision.value for entry in each.in_force}
        for each in (before, after)
    ]
    return tuple(sorted(key for key in {*values[0], *values[1]} if values[0].get(key) != values[1].get(key)))


def _compared(before: Table, after: Table) -> tuple[int, int, int, tuple[tuple[int, int], ...]]:
    """Film frames that differ, that are new, that are gone, and the stretches of those that differ."""
    one, two = (
        dict(zip(table["film_position"].tolist(), table["digest"].tolist(), strict=True))
        for table in (before, after)
    )
    differ = sorted(position for position in one.keys() & two.keys() if one[position] != two[position])
    marks = np.array(differ, np.int64)
    cuts = np.flatnonzero(np.diff(marks) > 1) + 1 if len(marks) else np.zeros(0, np.int64)
    stretches = tuple((int(run[0]), int(run[-1]) + 1) for run in np.split(marks, cuts) if len(run))
    return len(differ), len(two.keys() - one.keys()), len(one.keys() - two.keys()), stretches
