"""The fourth pass: every file against the papers, by decoding and by digest.

What is compared is counted; a check that could not be made is said, never passed over.

Why this is long: one method a kind of file, each to be read alone; what they share is in `bench.py`.
"""

import hashlib
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import FixityError
from smallgauge.media.digest import digest_frame
from smallgauge.media.film_in import FilmReader, read_film
from smallgauge.media.frame import black_samples
from smallgauge.media.frame_files import FRAME_FORMS
from smallgauge.media.matroska import read_matroska_crcs
from smallgauge.media.picture_in import CaptureListing
from smallgauge.media.whole import digest_file, medium_doubt
from smallgauge.picture.background import BackgroundRun, measure_unsteadiness
from smallgauge.picture.source_fit import small_block
from smallgauge.picture.steadiness import Steadiness
from smallgauge.prove.bench import Bench
from smallgauge.prove.copy_check import CopyCheck, Finished
from smallgauge.prove.fixity import (
    AFTER_PROOF,
    FileAsked,
    FileRead,
    captured_digests,
    captured_files,
    check_captured_files,
    check_files,
    check_manifest,
    expected_digests,
    package_files,
    read_files,
)
from smallgauge.prove.frames import FramesResult, picture_box, tiles_for
from smallgauge.prove.photographs import check_photographs
from smallgauge.prove.shown import FitJob, RenderRows, SmallStore, TileFile, make_store
from smallgauge.prove.sound import (
    ARCHIVE_SOUND,
    BROADCAST_SOUND,
    broadcast_digests,
    inside_digests,
    sound_as_long,
)
from smallgauge.prove.taken import check_taken
from smallgauge.prove.witness import with_witnesses
from smallgauge.record.archive import FILM, FRAMES, FRAMES_LIST, LIST_NAME, archive_listing, read_frames_list
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import chapters_of
from smallgauge.record.evidence import film_scale
from smallgauge.record.files import read_decisions, read_json, write_json
from smallgauge.record.finding import FileDigest, Finding, Proof
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.keptstills import STILLS_PAPER
from smallgauge.record.material import WHOLE_PAPER, capture_folders, half_listing
from smallgauge.record.reel import Half, Reel
from smallgauge.record.rendertable import RENDER_COLUMNS, RenderSummary, SoundSummary
from smallgauge.record.table import Table, read_table
from smallgauge.record.treatment import treatment_findings, treatment_of
from smallgauge.record.work import Progress, Runner

# Of the background along a reel: as many as a plot shows; common practice, no source
RUN_FRAMES, MOST_RUNS = 25, 240
SHOWS_SOURCE = "frame shows its source"
SCRATCH = "prove-"
_PAPERS = (
    "capture.json",
    "render.json",
    "frames.parquet",
    "perforations.parquet",
    "render.parquet",
    "copies.parquet",
)
_PAPERS_OF_SOME = ("reel.json", WHOLE_PAPER, "overlap.parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    """The proof and what concerns the package, which is made after it."""

    proof: Proof
    package_checked: int
    package_findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Nothing fails."""
        return self.proof.good and not self.package_findings


def prove_reel(
    folder: Path,
    *,
    source: Path | None,
    capture: Capture,
    journal: Journal,
    runner: Runner,
    progress: Progress,
    keep: bool = True,
    witness: bool = False,
) -> Proved:
    """Prove a reel's files; writes `proof.json` (unless `keep` is False), with what the witnesses say where they are asked.

    `source` is where the captured files lie; None says that they are not at hand, and the proof says
    that they were not compared.
    """
    work = folder / "work"
    work.mkdir(exist_ok=True)
    for left in work.glob(f"{SCRATCH}*"):  # of a proof that was stopped
        shutil.rmtree(left, ignore_errors=True)
    expected = expected_digests(folder, journal)
    asked = (*_asked(folder, expected), *package_files(folder), *_captured(folder, source, capture).files)
    read = read_files(asked, runner=runner, progress=progress)
    proof = make_proof(
        folder,
        source=source,
        capture=capture,
        expected=expected,
        runner=runner,
        progress=progress,
        scratch=work,
        known=read,
    )
    if witness:
        proof = with_witnesses(proof, folder, bag=False, progress=progress)
    if keep:
        write_json(folder / "proof.json", proof)
        journal.add_file("prove", "proof.json", key=key_of("proof", capture.digest))
    package_checked, package_findings = check_manifest(folder, known=read, runner=runner, progress=progress)
    return Proved(proof=proof, package_checked=package_checked, package_findings=package_findings)


def make_proof(
    folder: Path,
    *,
    source: Path | None,
    capture: Capture,
    expected: Mapping[str, str],
    runner: Runner,
    progress: Progress,
    scratch: Path | None = None,
    known: dict[Path, FileRead] | None = None,
) -> Proof:
    """The proof of a reel's files, which are only read.

    `expected` are the digests on record, by the names of the reel's folder. `known` are files that were read just now;
    what else is read is put to them, and captured files are let go from them when they have been compared. Small pictures
    are kept below `scratch` (the system's place for temporary files where it is None) and are gone afterwards.
    """
    captured = _captured(folder, source, capture)
    read = known if known is not None else {}
    asked = (file for file in (*_asked(folder, expected), *captured.files) if file.path not in read)
    read.update(read_files(asked, runner=runner, progress=progress))
    files, damaged = check_files(folder, expected, read)
    proved_files = tuple(f for f in files if f.name not in AFTER_PROOF and not f.name.startswith("package/"))
    differing = {str(f.values["file"]) for f in damaged if f.code == "file digest differs"}
    with tempfile.TemporaryDirectory(prefix=SCRATCH, dir=scratch) as place:
        prover = _Prover(
            folder=folder, capture=capture, runner=runner, progress=progress, scratch=Path(place)
        )
        prover.read = read
        passed = sum(f.name not in differing for f in proved_files)
        if expected:
            prover.count("file digests", "all files", len(proved_files), passed, "sha256")
        prover.findings.extend(damaged)
        bad = {str(f.values["file"]) for f in damaged}
        prover.bad = bad
        if doubt := medium_doubt():
            prover.not_made("reading back from the medium", "all files", doubt)
        prover.captured_files(captured)
        for file in captured.files:
            read.pop(file.path, None)
        doubtful = sorted(name for name in bad if name in (*_PAPERS, *_PAPERS_OF_SOME))
        lacking = [name for name in _PAPERS if not (folder / name).is_file()]
        if lacking and not doubtful:
            prover.not_made("the pictures", ", ".join(lacking), f"{', '.join(lacking)} not there")
        elif doubtful:
            names = ", ".join(doubtful)
            prover.not_made("the pictures", names, f"{names} can't be trusted")
        else:
            prover.guarded("papers", prover.pictures)
        log = folder / "decisions.jsonl"
        readable = log.name not in bad and log.is_file()
        decisions = prover.guarded(log.name, partial(read_decisions, log)) if readable else None
    in_force = treatment_of(decisions or ())
    if STILLS_PAPER not in bad:
        photographs = partial(
            check_photographs, prover, folder, capture=capture, treatment=in_force, known=read
        )
        prover.guarded(STILLS_PAPER, photographs)
    treatment = treatment_findings(in_force)
    said = (*capture.findings, *treatment, *prover.said, *prover.findings)
    return Proof(
        reel=capture.notes.reel or capture.name,
        capture_digest=capture.digest,
        checks=tuple(prover.checks),
        findings=said,
        files=proved_files,
        steadiness=prover.steadiness,
        background=prover.background,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Captured:
    """The captured files that are to be compared: where they lie, their digests by name; or why none are."""

    source: Path | None = None
    wanted: Mapping[str, str] = field(default_factory=dict)
    why: str = ""

    @property
    def files(self) -> list[FileAsked]:
        """To be read."""
        return captured_files(self.source, self.wanted) if self.source is not None else []


def _captured(folder: Path, source: Path | None, capture: Capture) -> _Captured:
    if source is None:
        return _Captured(why="the capture is not at hand")
    path = folder / "reel.json"
    reel = read_json(path, Reel) if path.is_file() else None
    if reel is not None and reel.joints:
        return _Captured(why="a joined reel has several captures; prove the folder of each")
    if reel is not None and reel.origin is not None:
        capture = replace(capture, sound=None)  # its sound was cut out of the captured file
    return _Captured(source=source, wanted=captured_digests(capture))


def _asked(folder: Path, names: Iterable[str]) -> list[FileAsked]:
    return [FileAsked(path=folder / name) for name in names]


def _with_black(capture: Capture) -> tuple[str, ...]:
    """Digest of each frame of an archive copy that was written: a frame that was let pass is a black one."""
    encoding = capture.encoding
    black = digest_frame(black_samples(capture.width, capture.height, encoding), encoding.bits)
    return tuple(file.digest or black for file in capture.files)


def _digest_differs(finding: Finding) -> bool:
    return finding.code == "file digest differs"


class _Prover(Bench):
    """Gathers checks and findings of one reel."""

    def __init__(
        self, *, folder: Path, capture: Capture, runner: Runner, progress: Progress, scratch: Path
    ) -> None:
        super().__init__(folder=folder, runner=runner, progress=progress)
        self.capture, self.scratch = capture, scratch
        self.said: tuple[Finding, ...] = ()
        self.bad: set[str] = set()  # files that are missing or not as they were written
        self.size = (0, 0)
        self.titles: tuple[str, ...] = ()  # of the scenes, as rendered
        self.read: dict[Path, FileRead] = {}  # the files as they were just read
        self.stores: dict[int, SmallStore] = {}  # by the capture's number
        self.counts: dict[int, int] = {}
        self.steadiness: tuple[Steadiness, ...] = ()
        self.background: tuple[BackgroundRun, ...] = ()

    def captured_files(self, captured: _Captured) -> None:
        """Are the captured files still what was received?"""
        if captured.source is None:
            self.not_made("captured files unchanged", "capture", captured.why)
            return
        equal, found = check_captured_files(captured.source, captured.wanted, self.read)
        self.count("captured files unchanged", "capture", len(captured.wanted), equal, "sha256")
        self.findings.extend(found)

    def checked_files(
        self, expected: Mapping[str, str]
    ) -> tuple[tuple[FileDigest, ...], tuple[Finding, ...]]:
        """Files of the reel's folder against their digests, each read once."""
        asked = [file for file in _asked(self.folder, expected) if file.path not in self.read]
        self.read.update(read_files(asked, runner=self.runner, progress=self.progress))
        return check_files(self.folder, expected, self.read)

    def pictures(self) -> None:
        """Decode everything once and compare."""
        summary = read_json(self.folder / "render.json", RenderSummary)
        self.size = summary.width, summary.height
        self.titles = summary.scene_titles
        self.said = summary.findings
        self._tables(summary)
        for number, place in self._captures().items():
            below = f"{place}/" if place else ""
            self.guarded(f"{below}{FILM}", partial(self._archive, number, below))
        self.guarded(BROADCAST_SOUND, self._broadcast)
        self.guarded("archive.wav", self._inside)
        finished = self.guarded("finished.mkv", lambda: self._finished(summary))
        check = CopyCheck(self, self.capture, summary, tiles_for(*self.size))
        for copy in summary.copies:
            if finished is None:
                there = (self.folder / "finished.mkv").is_file()
                said = "could not be read whole" if there else "is not among these files"
                why = f"the finished film that it is compared with {said}"
                self.not_made("copy shows the right frames", copy.file, why)
            self.guarded(copy.file, partial(check.check, copy, finished))

    def _captures(self) -> dict[int, str]:
        """Where the papers of each capture lie, by its number."""
        path = self.folder / "reel.json"
        if not path.is_file():
            return {0: ""}
        runs = read_json(path, Reel).runs
        places = {run.folder: run.capture for run in reversed(runs)}
        return {places[place]: place for place in capture_folders(self.folder)}

    def _store(self, number: int, capture: Capture) -> SmallStore:
        """Where the small pictures of a capture are kept until the finished film is decoded."""
        store = make_store(
            self.scratch,
            f"capture-{number}",
            frames=capture.count,
            width=capture.width,
            height=capture.height,
            bits=capture.encoding.bits,
            block=small_block(capture.width),
        )
        self.stores[number], self.counts[number] = store, capture.count
        return store

    def _tables(self, summary: RenderSummary) -> None:
        frames = read_table(self.folder / "frames.parquet", FRAME_COLUMNS, "frames")
        read_table(self.folder / "perforations.parquet", PERFORATION_COLUMNS, "perforations")
        self.equal(
            "table rows", "frames.parquet", self.capture.count, len(frames), "row count differs", "own reader"
        )
        render = read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render")
        self.equal(
            "table rows", "render.parquet", summary.frames, len(render), "row count differs", "own reader"
        )

    def _archive(self, number: int, below: str) -> None:
        """The archive copy of one capture; a joined reel has several, each below its folder."""
        own = read_json(self.folder / below / "capture.json", Capture) if below else self.capture
        capture = own
        path = self.folder / "reel.json"
        half = read_json(path, Reel).half if path.is_file() else None
        if half is not None:  # the archive copy is that of the capture that holds both films
            capture = read_json(self.folder / WHOLE_PAPER, Capture)
        name = f"{below}{FILM}"
        if capture.archive_form in FRAME_FORMS and (self.folder / below / FRAMES).is_dir():
            self._frame_files(below)
            store = self._store(number, capture) if half is None else None
            self._frames(
                f"{below}{FRAMES}", archive_listing(self.folder / below, capture), _with_black(capture), store
            )
        elif (self.folder / name).exists():
            store = self._store(number, capture) if half is None else None
            expected = _with_black(capture)
            self._film(
                name,
                "archive frames equal capture",
                expected,
                size=(capture.width, capture.height),
                rate=capture.rate,
                sound=None,
                keep=store,
            )
        elif (self.folder / below / FRAMES).is_dir():
            self._kept_archive(below, capture)
            if half is None:
                listing = archive_listing(self.folder / below, capture)
                expected = tuple(file.digest for file in capture.files)
                self._frames(f"{below}{FRAMES}", listing, expected, self._store(number, capture))
        else:
            self.not_made("archive frames equal capture", name, "the archive copy is not among these files")
            return
        if half is not None:
            self._cut(half, self._store(number, own))

    def _frames(
        self, name: str, listing: CaptureListing, expected: tuple[str, ...], store: SmallStore | None
    ) -> None:
        """The pictures of single files: those that were read."""
        results = self.decode(listing, expected, what=f"frames of {name} decoded", keep=store)
        wrong = sorted({n for result in results for n in result.differing if expected[n]})
        made = sum(1 for digest in expected if digest)
        self.count("archive frames equal capture", name, made, made - len(wrong), "decoder and sha256")
        self._differing(name, wrong)

    def _differing(self, name: str, frames: list[int]) -> None:
        self.findings += [
            Finding(code="frame digest differs", where=name, values={"file": name, "frame": number})
            for number in frames[:20]
        ]

    def _inside(self) -> None:
        """Sound inside a captured video: the samples that the reel's sound was made of, decoded anew."""
        sound = self.capture.sound
        if sound is not None and sound.inside and (self.folder / "archive" / sound.name).is_file():
            digests = inside_digests(self.folder, sound.name)
            self.equal(
                "sound equal capture", "archive.wav", *digests, "sound digest differs", "decoder and sha256"
            )

    def _broadcast(self) -> None:
        """The archive's sound: the file that was captured, and its Broadcast Wave file with the same samples."""
        sound, path = self.capture.sound, self.folder / ARCHIVE_SOUND
        if sound is None or not path.is_file():
            return
        digest = self.read[path].sha256 if path in self.read else digest_file(path)
        self.equal(
            "sound file equal capture", path.name, sound.sha256, digest, "sound digest differs", "sha256"
        )
        if (self.folder / BROADCAST_SOUND).is_file():
            digests = broadcast_digests(self.folder)
            by = "own reader of chunks and sha256"
            self.equal("sound equal capture", BROADCAST_SOUND, *digests, "sound digest differs", by)

    def _cut(self, half: Half, store: SmallStore) -> None:
        """One film of unslit double 8: its part of every frame of the archive copy, against what was measured and shown."""
        expected = tuple(file.digest for file in self.capture.files)
        what = f"frames of film {half.film} decoded"
        results = self.decode(half_listing(self.folder, half), expected, what=what, keep=store)
        differing = {number for result in results for number in result.differing}
        let_pass = {number for number, digest in enumerate(expected) if not digest}
        wrong = sorted(differing - let_pass)
        made = len(expected) - len(let_pass)
        where = f"film {half.film} of {half.capture}"
        self.count("film in the archive copy", where, made, made - len(wrong), "decoder and sha256")
        self._differing(where, wrong)

    def _kept_archive(self, below: str, capture: Capture) -> None:
        """The archive copy is the captured files themselves: their digests say it all."""
        wanted = {file.name: file.file_sha256 for file in capture.files}
        expected = {f"{below}archive/{name}": digest for name, digest in wanted.items()}
        files, found = self.checked_files(expected)
        equal = len(files) - sum(_digest_differs(f) for f in found)
        self.count("archive files equal capture", f"{below}archive", len(expected), equal, "sha256")
        self.findings.extend(found)

    def _frame_files(self, below: str) -> None:
        """Single frames that the program wrote: each file as its list says, and no file that the list does not name."""
        place, name = f"{below}{FRAMES}", f"{below}{FRAMES_LIST}"
        try:
            listed = read_frames_list(self.folder / below)
        except FixityError:
            self.findings.append(Finding(code="file digest differs", where=name, values={"file": name}))
            return
        expected = {f"{place}/{name}": digest for name, digest in listed.items()}
        files, found = self.checked_files(expected)
        equal = len(files) - sum(_digest_differs(f) for f in found)
        self.count("archive files as written", place, len(expected), equal, "sha256")
        self.findings.extend(found)
        own = {*listed, LIST_NAME}
        strays = sorted(
            each.name
            for each in (self.folder / place).iterdir()
            if each.name not in own and each.suffix != ".part"
        )
        self.findings += [
            Finding(code="archive file not listed", where=place, values={"file": f"{place}/{name}"})
            for name in strays[:20]
        ]

    def _finished(self, summary: RenderSummary) -> Finished | None:
        """The finished film; gives what its copies are compared with, None where it can't be read whole."""
        name = "finished.mkv"
        if not (self.folder / name).is_file():
            return None
        render = read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render")
        keep = make_store(
            self.scratch,
            "finished",
            frames=len(render),
            width=summary.width,
            height=summary.height,
            bits=summary.bits,
            block=small_block(self.capture.width),
        )
        tiles = self._film(
            name,
            "finished frames equal render",
            tuple(render["digest"].tolist()),
            size=self.size,
            rate=str(summary.rate),
            sound=summary.sound,
            render=render,
            keep=keep,
        )
        return Finished(tiles=tiles, store=keep, size=self.size) if tiles is not None else None

    def _background(self, results: list[FramesResult], render: Table, size: tuple[int, int]) -> None:
        """How still the background of the finished frames stands, where every one of them was decoded."""
        steps = [result.steps for result in results if result.steps is not None]
        if sum(len(part) for part in steps) != len(render):
            return
        captured = render["kind"] == "captured"
        follows = captured & np.r_[False, captured[:-1]]
        follows &= np.diff(render["film_position"], prepend=-9) == 1
        follows &= np.diff(render["scene"], prepend=-9) == 0
        follows &= np.diff(render["source_capture"], prepend=-9) == 0
        self.steadiness, self.background = measure_unsteadiness(
            np.concatenate(steps),
            np.stack([render[name] for name in "abcdef"], axis=1),
            follows=follows,
            scale=film_scale(self.capture),
            picture_px=size,
            run_frames=max(RUN_FRAMES, -(-len(render) // MOST_RUNS)),
        )

    def _film(
        self,
        name: str,
        check: str,
        expected: tuple[str, ...],
        *,
        size: tuple[int, int],
        rate: str | None,
        sound: SoundSummary | None,
        render: Table | None = None,
        keep: SmallStore | None = None,
    ) -> TileFile | None:
        """One lossless film of ours: container sums, rate, count, every frame, sound, decoder's words; the tiles of a
        finished one of which every frame came."""
        path = self.folder / name
        if not path.is_file():
            return None
        read = self.read.get(path)
        container = (read.container if read is not None else None) or read_matroska_crcs(path)
        passed = container.checked - len(container.bad) if container.complete else 0
        self.count("container checksums", name, container.checked, passed, "own reader of RFC 8794 checksums")
        bad = [*container.bad, *([] if container.complete else [path.stat().st_size])]
        self.findings += [
            Finding(
                code="checksum of the container fails", where=name, values={"file": name, "offset": offset}
            )
            for offset in bad
        ]
        with read_film(path, container.of_picture()) as film:
            self.equal("frame count", name, len(expected), film.count, "frame count differs", "container")
            if rate is not None:
                self.equal("rate", name, rate, str(film.rate), "rate differs", "tag")
            self.duration(name, film)
            if render is not None and self.titles and film.rate > 0:
                self.chapters(name, film, chapters_of(render["scene"].tolist(), self.titles))
            if not self.sized(name, film, size):
                return None
            if sound is not None:
                self._sound(name, film, sound, len(expected))
            listing = self.listing(film)
        box = picture_box(self.capture, render, self.size) if render is not None else None
        fit = None
        if render is not None and box is not None and keep is not None:
            rows = RenderRows(render, self.counts)
            fit = FitJob(stores=self.stores, rows=(), block=keep.block, box=box), rows.rows
        tiles = (
            TileFile(self.scratch / f"{name}.tiles", tiles_for(*self.size)) if render is not None else None
        )
        results = self.decode(
            listing,
            expected,
            what=f"frames of {path.name} decoded",
            tiles=tiles,
            background=box,
            keep=keep,
            fit=fit,
        )
        if render is not None and box is not None:
            self._background(results, render, self.size)
        differing = [number for result in results for number in result.differing]
        decoded = sum(result.decoded for result in results)
        equal = len({*range(len(expected))} - {*differing}) if decoded else 0
        self.count(check, name, len(expected), equal, "decoder and sha256")
        self._differing(name, differing)
        self.decoder_silent(name, results)
        if fit is not None:
            self._source(name, results, keep)
        return tiles if tiles is not None and len(tiles) == len(expected) else None

    def _source(self, name: str, results: list[FramesResult], keep: SmallStore | None) -> None:
        """Each finished frame shows its captured frame, where its move says."""
        fits = [result.fits for result in results if result.fits is not None]
        self.shows(SHOWS_SOURCE, name, fits, keep.block if keep is not None else 1)

    def _sound(self, name: str, film: FilmReader, sound: SoundSummary, frames: int) -> None:
        """The lossless sound: every sample is what was handed to the encoder, and as long as the picture."""
        total, samples = hashlib.sha256(), 0

        def blocks() -> Iterator[NDArray[np.float64]]:
            nonlocal samples
            for block in film.sound_blocks():
                total.update(np.rint(block * 2**23).astype("<i4").tobytes())
                samples += len(block)
                yield block

        stream = blocks()
        check, found = check_taken(self.folder, sound, stream, rate=film.sound_rate, bad=self.bad)
        self.checks += [check] if check is not None else []
        self.findings += found
        for _ in stream:
            pass
        self.equal("sound length", name, sound.samples, samples, "sound length differs", "decoder")
        self.equal(
            "sound equal render",
            name,
            sound.digest,
            total.hexdigest(),
            "sound digest differs",
            "decoder and sha256",
        )
        good = sound_as_long(samples, sound.rate, frames, film.rate)
        self.equal("sound as long as picture", name, True, good, "sound not as long as picture", "decoder")
