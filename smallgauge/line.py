"""The line: all passes of a reel in order, with journal and lock. What `finish` calls, and nothing else does.

capture folder -> analyse -> (hold?) -> treat -> (signed?) -> render -> prove -> deliver

Why this is long: one step after the other, and what is done with a reel's folder afterwards.
"""

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from smallgauge.analyse.dirt import find_reel_dirt
from smallgauge.analyse.follow import Bench, Follower
from smallgauge.analyse.grain import find_reel_grain
from smallgauge.analyse.outside import look_outside
from smallgauge.analyse.reel import analyse_reel
from smallgauge.analyse.source import Source
from smallgauge.cluster import ClusterAsked
from smallgauge.crew import Crew
from smallgauge.deliver.again import hand_over, write_changes
from smallgauge.deliver.bag import build_bag
from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.package import build_package
from smallgauge.deliver.report import build_pdf, build_report
from smallgauge.deliver.start_page import write_start_page
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.gauge.gauges import UNSLIT_DOUBLE_8, gauge_named
from smallgauge.lock import ReelLock
from smallgauge.media.copy_out import missing_coder
from smallgauge.media.decoded import DECODED, drop_decoded
from smallgauge.media.whole import digest_file, safe_file_name
from smallgauge.picture.device import device_name
from smallgauge.prove.fixity import check_manifest
from smallgauge.prove.reel import prove_reel
from smallgauge.record.anchors import AnchorAsked, anchor_of
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import SUBJECT as SCENE_NAME
from smallgauge.record.decided_colour import complete_inversion
from smallgauge.record.decided_fading import completed_fading
from smallgauge.record.deliveries import Handed
from smallgauge.record.dirttable import read_dirt
from smallgauge.record.files import (
    add_decisions,
    read_decisions,
    read_json,
    read_text_if_there,
    write_json,
    write_treatment,
)
from smallgauge.record.filmstate import FILM_PAPER, FilmState
from smallgauge.record.finding import Finding, Proof
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.hairtable import hair_findings, read_hairs
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.keptstills import STILLS_PAPER
from smallgauge.record.machines import MACHINES_FILE, Machines, read_machines
from smallgauge.record.material import Material, Stretch, capture_folders, material_of
from smallgauge.record.notes import COPY_KEYS, LEAVE, read_notes
from smallgauge.record.order import ORDER_PAPER, Order
from smallgauge.record.ordered import recipe_of
from smallgauge.record.reel import Reel
from smallgauge.record.remarks import read_remarks
from smallgauge.record.rendertable import RenderSummary
from smallgauge.record.scratchtable import line_findings, read_scratches
from smallgauge.record.shop import SHOP_FILE, Shop, read_shop
from smallgauge.record.signature import ApprovalPaper, needs_signature, signature_of
from smallgauge.record.table import Table, read_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Decision, Treatment, decide, treatment_findings, treatment_of
from smallgauge.record.verdict import Verdict
from smallgauge.record.work import Progress, silent
from smallgauge.render.approval import make_approval
from smallgauge.render.reel import render_reel
from smallgauge.treat.propose import propose_treatment

STEPS = ("analyse", "treat", "render", "prove", "deliver")
DELIVERED = (
    "stills/contact-sheet.jpg",
    "start-here.html",
    "report.html",
    "report.pdf",
    "read-me-first.txt",
    "reels.csv",
    "package.json",
    "package/SHA256SUMS",
)
HOLD_CODES = {"film": "film on hold", "files": "files on hold"}
FIXITY_CODES = (
    "file digest differs",
    "file missing",
    "frame digest differs",
    "checksum of the container fails",
    "decoder log of our file",
    "package incomplete",
    "archive file not listed",
    "papers disagree",
)


Held = Callable[
    [Path, str, str], str
]  # shelf, number of the reel, "film" or "files" -> why it is held, or empty


def nobody_holds(shelf: Path, reel: str, kind: str) -> str:
    """Where no book is kept, nothing is held."""
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a run is given from outside: the time, the workers, whom to tell, and how far to go."""

    at: str  # ISO 8601
    workers: int | None = None
    cluster: ClusterAsked | None = None  # workers of other computers instead
    device: str = "processor"  # where dirt is searched and finished frames are made
    keep_decoded: bool = False  # frames of a film lie decoded until the finished film is made
    take_over: bool = False
    stated: tuple[str, ...] = ()
    last_step: str = "deliver"
    progress: Progress = silent
    say: Callable[[Finding], None] = lambda finding: None
    held: Held = nobody_holds


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a reel: where it lies, which steps were done, and what was found."""

    folder: str
    reel: str
    steps: tuple[str, ...]
    findings: tuple[Finding, ...]
    proved: bool

    @property
    def exit_code(self) -> int:
        """0 done, 1 done with findings that fail, 4 a file is not the file that was written."""
        failing = [f.code for f in self.findings if f.weight == "failure"]
        if any(code in FIXITY_CODES for code in failing):
            return 4
        return 1 if failing else 0


def reel_folder(out: Path, source: Source) -> Path:
    """The folder of a capture's reel below `out`."""
    return out / safe_file_name(source.notes.reel or source.name)


def finish(path: Path, out: Path, settings: Settings) -> Outcome:
    """Take one capture through the line, up to `settings.last_step`; goes on where an earlier run stopped."""
    device_name(settings.device)  # refused before anything is begun
    if settings.cluster is not None:  # other computers begin elsewhere
        path, out = path.resolve(), out.resolve()
    near = Crew(settings.workers) if settings.cluster is None else Crew(1)
    with near:
        source = look_outside(near, path, stated=settings.stated, machines=machines_beside(out))
        folder = reel_folder(out, source)
        make_folder(folder)
        crew = near if settings.cluster is None else _crew(folder, settings, source.path)
        with ReelLock(folder, take_over=settings.take_over), crew:  # nobody works when the lock is let go
            return Line(folder, source, Journal(folder), crew, settings).run()


def finish_reel(folder: Path, settings: Settings) -> Outcome:
    """Take a reel that was joined or divided through the line, from its papers and archive copies."""
    if not (folder / "reel.json").is_file():
        raise MaterialError(
            f"A made reel has its reel.json, found none in {folder}; name a capture or a reel's folder."
        )
    device_name(settings.device)
    if settings.cluster is not None:
        folder = folder.resolve()
    make_folder(folder)
    with ReelLock(folder, take_over=settings.take_over), _crew(folder, settings) as crew:
        return Line(folder, None, Journal(folder), crew, settings).run()


def _crew(folder: Path, settings: Settings, *captures: Path) -> Crew:
    """Who works on this reel: processes here, or a cluster that sees its places."""
    places = (folder / "work", *captures) if settings.cluster is not None else ()
    return Crew(settings.workers, cluster=settings.cluster, places=places)


def follow(
    path: Path,
    out: Path | None,
    bench: Bench,
    *,
    workers: int | None = None,
    take_over: bool = False,
    held: Held = nobody_holds,
) -> Verdict:
    """Read a capture while the scanner is still writing it; what it makes below `out` is kept by `finish`.

    Without `out`, or where the reel's folder holds an analysed capture, nothing is kept.
    """
    if not path.is_dir():
        found = (
            f"the file {path.name}, which a scanner closes only at its end"
            if path.exists()
            else "nothing there"
        )
        raise MaterialError(
            f"follow needs the folder into which the scanner writes single frames, found {found} ({path}); give that "
            "folder, and run `smallgauge analyse` on a video once it is closed."
        )
    words, _ = read_notes(
        read_text_if_there(path / "capture.toml"), where="capture.toml", stated=bench.stated
    )
    if out is not None:
        bench = replace(bench, machines=machines_beside(out))
        why = held(out, words.reel or path.name, "film")
        if why:
            raise MaterialError(
                f"The shop's book keeps this reel off the machine: {why}; take it off, or have the hold lifted."
            )
    folder = out / safe_file_name(words.reel or path.name) if out is not None else None
    if folder is None or (folder / "capture.json").exists():
        with tempfile.TemporaryDirectory(prefix="smallgauge-follow-") as place:
            return _follow(path, Path(place), bench, workers=workers, take_over=take_over, keep=False)
    make_folder(folder)
    return _follow(path, folder, bench, workers=workers, take_over=take_over, keep=True)


def _follow(
    path: Path, folder: Path, bench: Bench, *, workers: int | None, take_over: bool, keep: bool
) -> Verdict:
    with ReelLock(folder, take_over=take_over), Crew(workers, apart=True) as crew:
        return Follower(path, folder, Journal(folder), crew, bench, keep=keep).run()


def make_folder(folder: Path) -> None:
    """Make a reel's folder, or say why it can't be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / "work"
        probe.mkdir(exist_ok=True)
    except OSError as error:
        raise MaterialError(
            f"The reel's folder must be one that can be written, but {error.strerror or error} at {folder}; "
            "choose another place with --out or change its rights."
        ) from None


class Line:
    """One reel on the line."""

    def __init__(
        self, folder: Path, source: Source | None, journal: Journal, crew: Crew, settings: Settings
    ) -> None:
        self.folder, self.source, self.journal, self.crew, self.settings = (
            folder,
            source,
            journal,
            crew,
            settings,
        )
        self.findings: list[Finding] = []
        self.steps: list[str] = []
        self.proved = False
        self._made: Material | None = None  # of a joined or divided reel

    def run(self) -> Outcome:
        """All steps up to the last one asked for."""
        outcome = self._run()
        self.crew.settle()
        return outcome

    def _run(self) -> Outcome:
        last = STEPS.index(self.settings.last_step)
        number = self._number()
        if self._held(number, "film"):
            return self._outcome_of(number)
        if self.source is not None:
            refuse_copies(self.source.notes.copies)
        capture, frames = self._analyse(self.source) if self.source is not None else self.papers()
        refuse_copies(capture.notes.copies)
        hold = capture.notes.hold
        if capture.gauge == UNSLIT_DOUBLE_8.key:
            hold = (
                hold
                or f"unslit double 8 holds two films side by side; run `smallgauge unslit {self.folder}` for a reel of each"
            )
        if hold and last > 0:
            self._say(Finding(code="on hold", where="capture.toml", values={"reason": hold}))
            return self._outcome(capture)
        if capture.notes.dirt != LEAVE:
            self._find_dirt(capture, frames)
        self._find_grain(capture, frames)
        if last >= 1:
            treatment = self.treat(capture, frames)
        if last >= 2 and self._held(number, "files"):
            return self._outcome(capture)
        if last >= 2 and needs_signature(capture, treatment):
            self.approve(capture, frames, treatment)
            self._say(_not_signed(treatment))
            return self._outcome(capture)
        if last >= 2:
            self._render(capture, frames, treatment)
        if last >= 3:
            self._prove(capture)
        if last >= 4:
            self._deliver()
        return self._outcome(capture)

    def _number(self) -> str:
        """The reel's number, or the name that it goes by where it has none."""
        if self.source is not None:
            return self.source.notes.reel or self.source.name
        return reel_of(self.folder)

    def _held(self, number: str, kind: str) -> bool:
        """Whether the shop's book holds the film or the files, which is said."""
        numbers = tuple(dict.fromkeys((number, *numbers_of(self.folder))))
        why = why_held(self.folder.parent, numbers, kind, self.settings.held)
        if why:
            self._say(Finding(code=HOLD_CODES[kind], where="office", values={"reason": why}))
        return bool(why)

    def _outcome(self, capture: Capture) -> Outcome:
        return self._outcome_of(capture.notes.reel or capture.name)

    def _outcome_of(self, reel: str) -> Outcome:
        return Outcome(
            folder=str(self.folder),
            reel=reel,
            steps=tuple(self.steps),
            findings=tuple(self.findings),
            proved=self.proved,
        )

    def _say(self, *findings: Finding) -> None:
        for finding in findings:
            if finding not in self.findings:
                self.findings.append(finding)
                self.settings.say(finding)

    def papers(self) -> tuple[Capture, Table]:
        """Of a reel that was joined or divided: what its captures' analysis left, as it was written."""
        for file in ("capture.json", "frames.parquet", "reel.json"):
            line = self.journal.lines.get(file)
            if line is None or not self.journal.holds(file, line.key):
                raise FixityError(
                    f"{file} must be the file that `join` or `divide` wrote, and it is not in {self.folder}; give that command "
                    "again, or bring the file back from another copy."
                )
        capture = self._restated(read_json(self.folder / "capture.json", Capture))
        self._made = material_of(self.folder)
        self._say(*capture.findings)
        return capture, read_table(self.folder / "frames.parquet", FRAME_COLUMNS, "frames")

    def _restated(self, capture: Capture) -> Capture:
        """The capture with words on its copies that are stated now; what was measured depends on none of them."""
        notes, unknown = read_notes("", where="--note", stated=self.settings.stated)
        names = {word.partition("=")[0].strip() for word in self.settings.stated}
        if unknown or names - set(COPY_KEYS):
            raise CallerError(
                f"On a reel's folder --note takes words on its copies ({', '.join(COPY_KEYS)}), found "
                f"{', '.join(sorted(names - set(COPY_KEYS)))}; state the others in capture.toml and finish the capture again."
            )
        ordered = {name: getattr(notes, name) for name in names}
        told = replace(capture, notes=replace(capture.notes, **ordered))
        if told != capture:
            refuse_copies(told.notes.copies)
            line = self.journal.lines["capture.json"]
            write_json(self.folder / "capture.json", told)
            self.journal.add_file(
                line.step, line.file, key=line.key, first=line.first, stop=line.stop, rows=line.rows
            )
        return told

    def _analyse(self, source: Source) -> tuple[Capture, Table]:
        capture, frames = analyse_reel(
            self.folder,
            source=source,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
            keep=self.settings.keep_decoded and source.listing.kind == "video" and source.half is None,
        )
        self.steps.append("analyse")
        self._say(*capture.findings)
        return capture, frames

    def _find_dirt(self, capture: Capture, frames: Table) -> None:
        find_reel_dirt(
            self.folder,
            material=self._material(capture, frames),
            frames=frames,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
            device=self.settings.device,
        )
        self._say(*hair_findings(read_hairs(self.folder)), *line_findings(read_scratches(self.folder)))

    def _find_grain(self, capture: Capture, frames: Table) -> None:
        find_reel_grain(
            self.folder,
            material=self._material(capture, frames),
            frames=frames,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
        )

    def treat(self, capture: Capture, frames: Table) -> Treatment:
        """The decisions in force, with the program's proposals of today."""
        before = read_decisions(self.folder / "decisions.jsonl")
        basis = self._basis(capture, frames)
        after = propose_treatment(
            *basis,
            before,
            whole=self._whole(capture, frames),
            at=self.settings.at,
            head_offset_frames=stored_head_offset(self.folder.parent, capture),
            track=read_track(self.folder, capture),
            shop=self._shop(),
            half=read_json(self.folder / "reel.json", Reel).half,
            direction=_direction(self.folder / capture_folders(self.folder)[0] / FILM_PAPER),
            dirt=read_dirt(self.folder),
        )
        treatment = store_decisions(self.folder, self.journal, before, after)
        self.steps.append("treat")
        self._say(*treatment_findings(treatment))
        return treatment

    def _shop(self) -> Shop:
        path = self.folder.parent / SHOP_FILE
        return read_shop(read_text_if_there(path), where=str(path))

    def _whole(self, capture: Capture, frames: Table) -> tuple[tuple[Capture, ...], Table]:
        """The reel's captures, and all its rows."""
        stretches = self._made.stretches if self._made is not None else ()
        return tuple(stretch.capture for stretch in stretches) or (capture,), frames

    def _basis(self, capture: Capture, frames: Table) -> tuple[Capture, Table]:
        """What decisions are proposed from: the first capture's whole table, where a reel has several."""
        stretches = self._made.stretches if self._made is not None else ()
        if len(stretches) < 2:
            return capture, frames
        return replace(stretches[0].capture, notes=capture.notes, sound=None), stretches[0].frames

    def approve(self, capture: Capture, frames: Table, treatment: Treatment) -> ApprovalPaper:
        """The approval copy."""
        paper, found = make_approval(
            self.folder,
            material=self._material(capture, frames),
            capture=capture,
            frames=frames,
            treatment=treatment,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
        )
        self.steps.append("approval")
        self._say(*found)
        return paper

    def _material(self, capture: Capture, frames: Table) -> Material:
        if self._made is not None:
            return self._made
        assert self.source is not None
        # A frame that was let pass is not tried again: reading it may end this process.
        passed = tuple(int(n) for n in np.flatnonzero(frames["flags"] & FLAG_NAMED["unreadable"].mask))
        listing = replace(self.source.listing, left_out=passed)
        kept = self.folder / DECODED
        if listing.kind == "video" and self.source.half is None and kept.is_dir():
            listing = replace(listing, decoded=kept)
        return Material(stretches=(Stretch(capture=capture, frames=frames, listing=listing),))

    def _render(self, capture: Capture, frames: Table, treatment: Treatment) -> RenderSummary:
        summary = render_reel(
            self.folder,
            material=self._material(capture, frames),
            capture=capture,
            frames=frames,
            treatment=treatment,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
            television_rate=self._shop().television_rate,
            device=self.settings.device,
        )
        drop_decoded(self.folder)
        self.steps.append("render")
        self._say(*summary.findings)
        return summary

    def _prove(self, capture: Capture) -> None:
        self.crew.settle()  # the archive copy, and the paper on it, may still be on their way
        proved = prove_reel(
            self.folder,
            source=self.source.path if self.source is not None else None,
            capture=capture,
            journal=self.journal,
            runner=self.crew,
            progress=self.settings.progress,
        )
        self.steps.append("prove")
        self._say(
            *proved.proof.findings
        )  # a package that is there is of an earlier run: `deliver` checks the new one
        self.proved = proved.proof.good

    def _deliver(self) -> None:
        deliver_reel(self.folder, self.journal, self.settings.progress)
        self.steps.append("deliver")
        _, found = check_manifest(self.folder)
        self._say(*found, *not_answered(self.folder))


def refuse_copies(ordered: tuple[str, ...]) -> None:
    """Refuse an order for copies that this installation can't make, before anything is done.

    Raises
    ------
    MaterialError
        With the copy, and the coder that is not there.
    """
    for word in ordered:
        lacking = missing_coder(recipe_of(word).coding)
        if lacking:
            raise MaterialError(
                f"The order's copy '{word}' needs the coder {lacking}, which FFmpeg as installed here does not have (copies in "
                "capture.toml); take the copy out of the order, or finish the reel where that coder is installed."
            )


def reel_of(folder: Path) -> str:
    """The number of the reel whose folder this is; the folder's name where its papers say none."""
    paper = folder / "capture.json"
    return (read_json(paper, Capture).notes.reel if paper.is_file() else None) or folder.resolve().name


def numbers_of(folder: Path) -> tuple[str, ...]:
    """The number of the reel whose folder this is, and those of the captures that it was joined from."""
    parts = sorted(folder.glob("captures/*/capture.json"))
    found = [reel_of(folder), *(read_json(part, Capture).notes.reel or "" for part in parts)]
    return tuple(dict.fromkeys(name for name in found if name))


def why_held(shelf: Path, numbers: tuple[str, ...], kind: str, held: Held) -> str:
    """Why one of these reels is held; empty where none is."""
    return next((why for number in numbers if (why := held(shelf, number, kind))), "")


def refuse_held(folder: Path, held: Held, *, numbers: tuple[str, ...] = ()) -> None:
    """Refuse to make anything out of a reel's folder while the shop's book holds its film or its files.

    `numbers` are further reels that would be made: a hold on one of them refuses too.

    Raises
    ------
    MaterialError
        With the reason, and who may lift it.
    """
    named = (*numbers_of(folder), *numbers)
    for kind in ("film", "files"):
        why = why_held(folder.resolve().parent, named, kind, held)
        if why:
            raise MaterialError(
                f"The {kind} of this reel may not go on, says the shop's book: {why}; have the hold lifted first."
            )


def _not_signed(treatment: Treatment) -> Finding:
    """Why a negative is not finished: nobody signed, or somebody did for another look."""
    signed = signature_of(treatment)
    values: dict[str, object] = {"who": signed.who, "on": signed.on} if signed is not None else {}
    return Finding(code="negative not signed", where="treatment", values=values)


def _direction(paper: Path) -> int:
    """Where the next captured frame lies on the film, as the film's paper says; 0 where there is none."""
    return read_json(paper, FilmState).direction if paper.is_file() else 0


def store_decisions(
    folder: Path, journal: Journal, before: tuple[Decision, ...], after: tuple[Decision, ...]
) -> Treatment:
    """Append new decisions, write the treatment that follows from them, and note both in the journal."""
    log, document = folder / "decisions.jsonl", folder / "treatment.toml"
    treatment = treatment_of(after)
    key = key_of("treatment", treatment)
    add_decisions(log, before, after)
    if len(after) != len(before) or not journal.holds("decisions.jsonl", key):
        journal.add_file("treat", "decisions.jsonl", key=key, rows=len(after))
    if not journal.holds("treatment.toml", key):
        write_treatment(document, treatment)
        journal.add_file("treat", "treatment.toml", key=key)
    return treatment


def refuse_old_film(folder: Path, revision: int, *, then: str) -> None:
    """A report and a photograph speak of the decisions in force, so the film must have been finished with these."""
    made = read_json(folder / "render.json", RenderSummary).revision
    if made != revision:
        raise MaterialError(
            f"The film in {folder} was finished with revision {made} of the decisions, and {revision} is in force; run "
            f"`smallgauge finish` on it again, then {then}."
        )


def deliver_reel(folder: Path, journal: Journal, progress: Progress = silent) -> None:
    """Report and package of a proved reel."""
    key = key_of("deliver", read_json(folder / "proof.json", Proof).capture_digest)
    write_changes(folder)
    write_contact_sheet(folder)
    build_report(folder)
    build_pdf(folder)
    write_start_page(folder)
    build_package(folder, progress=progress)
    for file in DELIVERED:
        journal.add_file("deliver", file, key=key)


def decide_on(
    folder: Path,
    *,
    subject: str,
    value: dict[str, object] | None,
    by: str,
    at: str,
    why: str,
    scene: int | None = None,
    length: int | None = None,
    take_over: bool = False,
    revision_seen: int | None = None,
) -> Treatment:
    """Record one operator's decision on a reel that was analysed; rendering it is a later step.

    `scene` and `length` are film positions: the decision is on the scene, or the length of one stock, that holds it.
    With `revision_seen` it is refused where somebody decided after that revision of the treatment.
    """
    if not (folder / "capture.json").exists():
        raise MaterialError(
            f"A decision needs a reel that was analysed, found no capture.json in {folder}; run `smallgauge analyse` first."
        )
    with ReelLock(folder, take_over=take_over):
        journal = Journal(folder)
        before = read_decisions(folder / "decisions.jsonl")
        place = AnchorAsked(scene=scene, length=length)
        if place != AnchorAsked() or subject in ("fading", SCENE_NAME):
            capture = read_json(folder / "capture.json", Capture)
            table = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
            anchor = anchor_of(place, subject, silent=capture.sound is None, frames=table, log=before)
        else:
            anchor = "reel"
        if subject in ("inversion", "black_and_white") and value is not None:
            value = whole_look(folder, subject, value, treatment_of(before), anchor)
        if subject == "fading" and value is not None:
            value = completed_fading(value, log=before, anchor=anchor, by=by)
        after = decide(
            before,
            subject=subject,
            value=value,
            by=by,
            at=at,
            why=why,
            anchor=anchor,
            revision_seen=revision_seen,
        )
        return store_decisions(folder, journal, before, after)


def whole_look(
    folder: Path, subject: str, value: dict[str, object], treatment: Treatment, anchor: str
) -> dict[str, object]:
    """An operator's words on a negative or on silver film, over what is in force there."""
    capture = read_json(folder / "capture.json", Capture)
    before = treatment.find(subject, anchor) or treatment.find(subject)
    known = before.decision.value if before is not None else None
    if subject == "black_and_white" and capture.notes.is_black_and_white:
        return {**(known or {}), **value}
    if subject == "black_and_white" or not capture.notes.is_negative:
        film = "black-and-white" if subject == "black_and_white" else "negative"
        raise CallerError(
            f'{subject} is decided for {film} film, and capture.toml does not say that this is; state film = "{film}" and '
            "analyse it again."
        )
    notes = capture.notes
    return complete_inversion(value, known, light=notes.light, silver=notes.is_black_and_white)


def not_answered(folder: Path) -> tuple[Finding, ...]:
    """Remarks that wait for an answer, which a delivery must tell."""
    waiting = read_remarks(folder).waiting
    if not waiting:
        return ()
    values: dict[str, object] = {"numbers": [each.number for each in waiting]}
    return (Finding(code="remarks not answered", where="reel", values=values),)


def unproved_photographs(folder: Path, proof: Proof) -> tuple[Finding, ...]:
    """Photographs that no check of the proof speaks of, which a delivery must tell."""
    paper = folder / STILLS_PAPER
    if not paper.is_file() or digest_file(paper) in {
        each.sha256 for each in proof.files if each.name == STILLS_PAPER
    }:
        return ()
    return (Finding(code="photographs not proved", where=STILLS_PAPER),)


def hand_over_folder(folder: Path, settings: Settings, *, to: str, on: str) -> Handed:
    """Keep the package that stands as a delivery that was handed over; what is made afterwards is the next."""
    refuse_held(folder, settings.held)
    with ReelLock(folder, take_over=settings.take_over):
        return hand_over(folder, to=to, on=on or settings.at, at=settings.at)


def deliver_folder(
    folder: Path,
    settings: Settings,
    *,
    bag: bool = False,
    masters: bool | None = None,
    by: str = "",
    unanswered: bool = False,
) -> Outcome:
    """Make the report and the package of a proved reel again, and the bag for an archive where it is asked for.

    `masters` orders archive copy and finished film into the package, or out of it, from now on, and `by` is who does; None leaves
    the order as it is.
    Refused while a remark waits for an answer, unless `unanswered` says to deliver all the same.
    """
    refuse_held(folder, settings.held)
    if not (folder / "proof.json").is_file():
        raise MaterialError(
            f"A package needs a proved reel, found no proof.json in {folder}; run `smallgauge finish` first."
        )
    waiting = not_answered(folder)
    if waiting and not unanswered:
        numbers = ", ".join(str(each.number) for each in read_remarks(folder).waiting)
        raise MaterialError(
            f"Remarks wait for an answer in {folder}: {numbers}; answer each with `smallgauge remarks`, or deliver all the same "
            "with --unanswered."
        )
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    capture = read_json(folder / "capture.json", Capture)
    if needs_signature(capture, treatment):
        finding = _not_signed(treatment)
        settings.say(finding)
        reel = capture.notes.reel or capture.name
        return Outcome(folder=str(folder), reel=reel, steps=(), findings=(finding,), proved=False)
    if (folder / "render.json").is_file():
        refuse_old_film(folder, treatment.revision, then="deliver it")
    with ReelLock(folder, take_over=settings.take_over):
        journal = Journal(folder)
        if masters is not None:
            write_json(folder / ORDER_PAPER, Order(masters=masters, at=settings.at, by=by))
            journal.add_file("deliver", ORDER_PAPER, key=key_of("order", masters))
        deliver_reel(folder, journal, settings.progress)
        told = build_bag(folder, at=settings.at, progress=settings.progress) if bag else ()
    proof = read_json(folder / "proof.json", Proof)
    _, found = check_manifest(folder)
    return Outcome(
        folder=str(folder),
        reel=proof.reel,
        steps=("deliver", *(("bag",) if bag else ())),
        findings=(*proof.findings, *found, *told, *waiting, *unproved_photographs(folder, proof)),
        proved=proof.good,
    )


def machines_beside(out: Path) -> Machines:
    """What the shop keeps of its machines, in `machines.toml` beside its reels."""
    path = out / MACHINES_FILE
    return read_machines(read_text_if_there(path), where=str(path))


def stored_head_offset(out: Path, capture: Capture) -> float | None:
    """The head distance that the shop keeps for this machine and gauge; None where it keeps none."""
    return machines_beside(out).head_offset(capture.notes.machine, gauge_named(capture.gauge).key)


def read_track(folder: Path, capture: Capture) -> TrackPaper | None:
    """What the captured sound says as a whole; None where there is none."""
    return read_json(folder / TRACK_PAPER, TrackPaper) if capture.sound is not None else None


def read_capture(folder: str) -> Capture:
    """The capture's paper of a reel's folder."""
    return read_json(Path(folder) / "capture.json", Capture)


def read_treatment(folder: Path) -> Treatment:
    """The decisions in force on a reel."""
    log = folder / "decisions.jsonl"
    if not log.exists():
        raise MaterialError(
            f"Decisions need a reel that was treated, found no decisions.jsonl in {folder}; "
            "run `smallgauge finish` on its capture first."
        )
    return treatment_of(read_decisions(log))
