"""The fourth pass: every file against the papers, by decoding and by digest.

What is compared is counted; a check that could not be made is said, never passed over.

Why this is long: it is one class that gathers the checks of one reel, a method each.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import MaterialError
from smallgauge.media.digest import digest_frame
from smallgauge.media.film_in import FilmReader, read_film
from smallgauge.media.frame import black_samples
from smallgauge.media.matroska import read_matroska_crcs
from smallgauge.media.picture_in import CaptureListing, list_capture
from smallgauge.media.whole import medium_doubt
from smallgauge.picture.background import BackgroundRun, measure_unsteadiness
from smallgauge.picture.steadiness import Steadiness
from smallgauge.prove.copies import said_synthetic, wrong_frames, wrong_kinds
from smallgauge.prove.fixity import (
    AFTER_PROOF,
    check_captured_files,
    check_files,
    check_manifest,
    expected_digests,
)
from smallgauge.prove.frames import TILES, FramesJob, FramesResult, picture_box, prove_frames, tiles_for
from smallgauge.prove.sound import BROADCAST_SOUND, COPY_LU, QUIETEST_LUFS, broadcast_digests, hear_film
from smallgauge.record.capture import Capture
from smallgauge.record.evidence import film_scale
from smallgauge.record.files import read_decisions, read_json, write_json
from smallgauge.record.finding import Check, Finding, Proof
from smallgauge.record.frametable import FRAME_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.material import WHOLE_PAPER, capture_folders, half_listing
from smallgauge.record.recipe import SEGMENT_FRAMES, SMOOTH
from smallgauge.record.reel import Half, Reel
from smallgauge.record.rendertable import (
    COPY_COLUMNS,
    RENDER_COLUMNS,
    SYNTHETIC,
    CopySummary,
    RenderSummary,
    SoundSummary,
)
from smallgauge.record.table import Table, read_table
from smallgauge.record.treatment import treatment_findings, treatment_of
from smallgauge.record.work import Progress, Runner

# Of the background along a reel: as many as a plot shows; common practice, no source
RUN_FRAMES, MOST_RUNS = 25, 240
AAC_SAMPLES = 2048  # one coded block of 1024 either way: delivery reference, section 5


Result = TypeVar("Result")


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
) -> Proved:
    """Prove a reel's files; writes `proof.json`.

    `source` is where the captured files lie; None says that they are not at hand, and the proof says
    that they were not compared.
    """
    files, damaged = check_files(folder, expected_digests(folder, journal), progress)
    proved_files = tuple(f for f in files if f.name not in AFTER_PROOF and not f.name.startswith("package/"))
    differing = {str(f.values["file"]) for f in damaged if f.code == "file digest differs"}
    file_check = Check(
        name="file digests",
        of="all files",
        made=len(proved_files),
        passed=sum(f.name not in differing for f in proved_files),
        by="sha256",
    )
    prover = _Prover(folder=folder, capture=capture, runner=runner, progress=progress)
    prover.checks.append(file_check)
    prover.findings.extend(damaged)
    bad = {str(f.values["file"]) for f in damaged}
    if doubt := medium_doubt():
        values: dict[str, object] = {"check": "reading back from the medium", "why": doubt}
        prover.findings.append(Finding(code="check not made", where="all files", values=values))
    prover.captured_files(source)
    papers = {
        "capture.json",
        "render.json",
        "frames.parquet",
        "perforations.parquet",
        "render.parquet",
        "copies.parquet",
    }
    if bad & papers:
        names = ", ".join(sorted(bad & papers))
        prover.findings.append(
            Finding(
                code="check not made",
                where=names,
                values={"check": "the pictures", "why": f"{names} can't be trusted"},
            )
        )
    else:
        prover.pictures()
    decisions = () if "decisions.jsonl" in bad else read_decisions(folder / "decisions.jsonl")
    said = (*capture.findings, *treatment_findings(treatment_of(decisions)), *prover.said, *prover.findings)
    proof = Proof(
        reel=capture.notes.reel or capture.name,
        capture_digest=capture.digest,
        checks=tuple(prover.checks),
        findings=said,
        files=proved_files,
        steadiness=prover.steadiness,
        background=prover.background,
    )
    write_json(folder / "proof.json", proof)
    journal.add_file("prove", "proof.json", key=key_of("proof", capture.digest))
    package_checked, package_findings = check_manifest(folder)
    return Proved(proof=proof, package_checked=package_checked, package_findings=package_findings)


def _digest_differs(finding: Finding) -> bool:
    return finding.code == "file digest differs"


class _Prover:
    """Gathers checks and findings of one reel."""

    def __init__(self, *, folder: Path, capture: Capture, runner: Runner, progress: Progress) -> None:
        self.folder, self.capture, self.runner, self.progress = folder, capture, runner, progress
        self.checks: list[Check] = []
        self.findings: list[Finding] = []
        self.said: tuple[Finding, ...] = ()
        self.tiles, self.size = TILES, (0, 0)
        self.steadiness: tuple[Steadiness, ...] = ()
        self.background: tuple[BackgroundRun, ...] = ()

    def captured_files(self, source: Path | None) -> None:
        """Are the captured files still what was received?"""
        if source is None:
            values: dict[str, object] = {
                "check": "captured files unchanged",
                "why": "the capture is not at hand",
            }
            self.findings.append(Finding(code="check not made", where="capture", values=values))
            return
        path = self.folder / "reel.json"
        reel = read_json(path, Reel) if path.is_file() else None
        if reel is not None and reel.joints:
            why = "a joined reel has several captures; prove the folder of each"
            values = {"check": "captured files unchanged", "why": why}
            self.findings.append(Finding(code="check not made", where="capture", values=values))
            return
        capture = self.capture
        if reel is not None and reel.origin is not None:
            capture = replace(capture, sound=None)  # its sound was cut out of the captured file
        made, equal, found = check_captured_files(source, capture, self.progress)
        self._count("captured files unchanged", "capture", made, equal, "sha256")
        self.findings.extend(found)

    def pictures(self) -> None:
        """Decode everything once and compare."""
        summary = read_json(self.folder / "render.json", RenderSummary)
        self.size = summary.width, summary.height
        self.tiles = tiles_for(*self.size)
        self.said = summary.findings
        self._tables(summary)
        for place in capture_folders(self.folder):
            below = f"{place}/" if place else ""
            self._guarded(f"{below}archive.mkv", partial(self._archive, below))
        self._guarded(BROADCAST_SOUND, self._broadcast)
        small = self._guarded("finished.mkv", lambda: self._finished(summary))
        for copy in summary.copies:
            if small is None:
                values: dict[str, object] = {
                    "check": "copy shows the right frames",
                    "why": "the finished film that it is compared with could not be read whole",
                }
                self.findings.append(Finding(code="check not made", where=copy.file, values=values))
            else:
                self._guarded(copy.file, partial(self._copy, copy, small))

    def _guarded(self, name: str, check: Callable[[], Result]) -> Result | None:
        """Make a check; a file of ours that can't even be opened is a failure, not the end of the proof."""
        try:
            return check()
        except MaterialError as error:
            values: dict[str, object] = {"file": name, "line": str(error)}
            self.findings.append(Finding(code="decoder log of our file", where=name, values=values))
            return None

    def _count(self, name: str, of: str, made: int, passed: int, by: str) -> None:
        self.checks.append(Check(name=name, of=of, made=made, passed=passed, by=by))

    def _equal(self, name: str, of: str, needed: object, found: object, code: str, by: str) -> None:
        good = needed == found
        self._count(name, of, 1, int(good), by)
        if not good:
            self.findings.append(
                Finding(code=code, where=of, values={"file": of, "needed": needed, "found": found})
            )

    def _tables(self, summary: RenderSummary) -> None:
        frames = read_table(self.folder / "frames.parquet", FRAME_COLUMNS, "frames")
        read_table(self.folder / "perforations.parquet", PERFORATION_COLUMNS, "perforations")
        self._equal(
            "table rows", "frames.parquet", self.capture.count, len(frames), "row count differs", "own reader"
        )
        render = read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render")
        self._equal(
            "table rows", "render.parquet", summary.frames, len(render), "row count differs", "own reader"
        )

    def _archive(self, below: str) -> None:
        """The archive copy of one capture; a joined reel has several, each below its folder."""
        capture = read_json(self.folder / below / "capture.json", Capture) if below else self.capture
        half = read_json(self.folder / "reel.json", Reel).half
        if half is not None:  # the archive copy is that of the capture that holds both films
            capture = read_json(self.folder / WHOLE_PAPER, Capture)
            self._cut(half)
        name = f"{below}archive.mkv"
        if not (self.folder / name).exists():
            self._kept_archive(below, capture)
            return
        encoding = capture.encoding
        black = digest_frame(black_samples(capture.width, capture.height, encoding), encoding.bits)
        expected = tuple(file.digest or black for file in capture.files)
        self._film(name, "archive frames equal capture", expected, rate=capture.rate, sound=None, small=False)

    def _broadcast(self) -> None:
        """The Broadcast Wave file of the archive's sound: the captured format and sample bytes, nothing else."""
        if self.capture.sound is not None and (self.folder / BROADCAST_SOUND).is_file():
            digests = broadcast_digests(self.folder)
            by = "own reader of chunks and sha256"
            self._equal("sound equal capture", BROADCAST_SOUND, *digests, "sound digest differs", by)

    def _cut(self, half: Half) -> None:
        """One film of unslit double 8: its part of every frame of the archive copy, against what was measured and shown."""
        expected = tuple(file.digest for file in self.capture.files)
        listing = half_listing(self.folder, half)
        results = self._decode_listing(listing, expected, what=f"frames of film {half.film} decoded")
        differing = {number for result in results for number in result.differing}
        let_pass = {number for number, digest in enumerate(expected) if not digest}
        wrong = sorted(differing - let_pass)
        made = len(expected) - len(let_pass)
        where = f"film {half.film} of {half.capture}"
        self._count("film in the archive copy", where, made, made - len(wrong), "decoder and sha256")
        self.findings += [
            Finding(code="frame digest differs", where=where, values={"file": where, "frame": number})
            for number in wrong[:20]
        ]

    def _kept_archive(self, below: str, capture: Capture) -> None:
        """The archive copy is the captured files themselves: their digests say it all."""
        wanted = {file.name: file.file_sha256 for file in capture.files}
        expected = {f"{below}archive/{name}": digest for name, digest in wanted.items()}
        files, found = check_files(self.folder, expected, self.progress)
        equal = len(files) - sum(_digest_differs(f) for f in found)
        self._count("archive files equal capture", f"{below}archive", len(expected), equal, "sha256")
        self.findings.extend(found)

    def _finished(self, summary: RenderSummary) -> NDArray[np.float32] | None:
        render = read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render")
        return self._film(
            "finished.mkv",
            "finished frames equal render",
            tuple(render["digest"].tolist()),
            rate=str(summary.rate),
            sound=summary.sound,
            small=True,
            render=render,
        )

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
        rate: str | None,
        sound: SoundSummary | None,
        small: bool,
        render: Table | None = None,
    ) -> NDArray[np.float32] | None:
        """One lossless film of ours: container sums, rate, count, every frame, sound, decoder's words."""
        path = self.folder / name
        if not path.is_file():
            return None
        container = read_matroska_crcs(path)
        passed = container.checked - len(container.bad) if container.complete else 0
        self._count(
            "container checksums", name, container.checked, passed, "own reader of RFC 8794 checksums"
        )
        self.findings += [
            Finding(
                code="checksum of the container fails", where=name, values={"file": name, "offset": offset}
            )
            for offset in container.bad
        ]
        if not container.complete:
            values: dict[str, object] = {"file": name, "offset": path.stat().st_size}
            self.findings.append(Finding(code="checksum of the container fails", where=name, values=values))
        with read_film(path) as film:
            self._equal("frame count", name, len(expected), film.count, "frame count differs", "container")
            if rate is not None:
                self._equal("rate", name, rate, str(film.rate), "rate differs", "tag")
            if sound is not None:
                self._sound(name, film, sound)
        box = picture_box(self.capture, render, self.size) if render is not None else None
        results = self._decode(path, expected, box=None, small=small, background=box)
        if render is not None and box is not None:
            self._background(results, render, self.size)
        differing = [number for result in results for number in result.differing]
        decoded = sum(result.decoded for result in results)
        equal = len({*range(len(expected))} - {*differing}) if decoded else 0
        self._count(check, name, len(expected), equal, "decoder and sha256")
        self.findings += [
            Finding(code="frame digest differs", where=name, values={"file": name, "frame": number})
            for number in differing[:20]
        ]
        self._decoder_silent(name, results)
        pictures = [result.small for result in results if result.small is not None]
        if not small or sum(len(part) for part in pictures) != len(expected):
            return None
        return np.concatenate(pictures)

    def _sound(self, name: str, film: FilmReader, sound: SoundSummary) -> None:
        """The lossless sound: every sample is what was handed to the encoder."""
        total, samples = hashlib.sha256(), 0
        for block in film.sound_blocks():
            total.update(np.rint(block * 2**23).astype("<i4").tobytes())
            samples += len(block)
        self._equal("sound length", name, sound.samples, samples, "sound length differs", "decoder")
        self._equal(
            "sound equal render",
            name,
            sound.digest,
            total.hexdigest(),
            "sound digest differs",
            "decoder and sha256",
        )

    def _copy_sound(self, name: str, film: FilmReader, sound: SoundSummary) -> None:
        """A copy's coded sound: as long as it is to be, and as loud as was decided."""
        samples, heard = hear_film(film)
        good = abs(samples - sound.samples) <= AAC_SAMPLES
        by = "decoder, within one coded block"
        self._equal("sound length", name, True, good, "sound length differs", by)
        wanted = sound.loudness.integrated_lufs + sound.viewing.gain_db
        if heard is None or not wanted > QUIETEST_LUFS:
            return
        right = abs(heard.integrated_lufs - wanted) <= COPY_LU
        self._count("loudness", name, 1, int(right), f"decoder and BS.1770, within {COPY_LU:g} LU")
        if not right:
            values: dict[str, object] = {
                "file": name,
                "needed": round(wanted, 2),
                "found": round(heard.integrated_lufs, 2),
            }
            self.findings.append(Finding(code="loudness differs", where=name, values=values))

    def _decode(
        self,
        path: Path,
        expected: tuple[str, ...],
        *,
        box: tuple[int, int, int, int] | None,
        small: bool,
        count: int = 0,
        background: tuple[int, int, int, int] | None = None,
    ) -> list[FramesResult]:
        listing: CaptureListing = replace(list_capture(path), passed_over=())
        return self._decode_listing(
            listing,
            expected,
            what=f"frames of {path.name} decoded",
            box=box,
            small=small,
            count=count,
            background=background,
        )

    def _decode_listing(
        self,
        listing: CaptureListing,
        expected: tuple[str, ...],
        *,
        what: str,
        box: tuple[int, int, int, int] | None = None,
        small: bool = False,
        count: int = 0,
        background: tuple[int, int, int, int] | None = None,
    ) -> list[FramesResult]:
        total = len(expected) or count
        jobs = [
            FramesJob(
                listing=listing,
                first=first,
                stop=min(first + SEGMENT_FRAMES, total),
                digests=expected[first : first + SEGMENT_FRAMES],
                box=box,
                small=small,
                tiles=self.tiles,
                background=background,
            )
            for first in range(0, total, SEGMENT_FRAMES)
        ]
        self.progress(what, 0, total)
        done = self.runner.run(prove_frames, jobs, watch=lambda frames: self.progress(what, frames, total))
        results = {job.first: result for job, result in done}
        return [results[job.first] for job in jobs]

    def _decoder_silent(self, name: str, results: list[FramesResult]) -> None:
        lines = [line for result in results for line in result.log]
        self._count(
            "decoder silent", name, len(results), sum(not result.log for result in results), "decoder log"
        )
        self.findings += [
            Finding(code="decoder log of our file", where=name, values={"file": name, "line": line})
            for line in lines[:20]
        ]

    def _kinds(self, copy: CopySummary, rows: Table, tags: dict[str, str]) -> None:
        """Synthetic frames: between two captured frames of one scene, counted, and said in the file itself."""
        made = int(np.count_nonzero(rows["kind"] == SYNTHETIC))
        if copy.file != SMOOTH.file and not made and not copy.synthetic:
            return
        wrong = wrong_kinds(rows, read_table(self.folder / "render.parquet", RENDER_COLUMNS, "render"))
        good = said_synthetic(copy.file, tags, made) and made == copy.synthetic
        self._count(
            "kind of each frame", copy.file, len(rows), len(rows) - wrong.size, "tables, by their own rules"
        )
        self._count("synthetic frames said", copy.file, 1, int(good), "name, title and comment of the file")
        if wrong.size or not good:
            values: dict[str, object] = {"file": copy.file, "frames": made}
            self.findings.append(Finding(code="synthetic frames not said", where=copy.file, values=values))

    def _copy(self, copy: CopySummary, finished: NDArray[np.float32]) -> None:
        """A copy: count, rate, and every shown frame beside the finished frame that it shows."""
        path = self.folder / copy.file
        if not path.is_file():
            return
        table = read_table(self.folder / "copies.parquet", COPY_COLUMNS, "copies")
        own = table["copy"] == copy.file
        rows = replace(table, values={name: column[own] for name, column in table.values.items()})
        with read_film(path) as film:
            self._equal("frame count", copy.file, copy.frames, film.count, "frame count differs", "container")
            self._equal("rate", copy.file, str(copy.rate), str(film.rate), "rate differs", "container")
            summary = read_json(self.folder / "render.json", RenderSummary).sound
            if summary is not None:
                self._copy_sound(copy.file, film, summary)
            self._kinds(copy, rows, film.tags)
        left, top = (copy.width - copy.picture_width) // 2, (copy.height - copy.picture_height) // 2
        box = (left, top, copy.picture_width, copy.picture_height)
        results = self._decode(path, (), box=box, small=True, count=copy.frames)
        self._decoder_silent(copy.file, results)
        small = [result.small for result in results if result.small is not None]
        if not small or sum(len(part) for part in small) != len(rows):
            self._count("copy shows the right frames", copy.file, len(rows), 0, "small pictures")
            return
        wrong = wrong_frames(np.concatenate(small), finished, rows)
        self._count(
            "copy shows the right frames", copy.file, len(rows), len(rows) - wrong.size, "small pictures"
        )
        self.findings += [
            Finding(
                code="viewing copy differs", where=copy.file, values={"file": copy.file, "frame": int(number)}
            )
            for number in wrong[:20]
        ]
