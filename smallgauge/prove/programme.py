"""A programme against the reels that it is made of: every shown frame, its place in the account, sound, chapters, screen.

prove_programme   folder, paper, where the reels lie -> its proof

Where a reel is not beside it any more (a stick, years later) its frames can't be compared: that is said, and the rest is proved.
"""

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.film_in import FilmReader, read_film
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.picture.blank import find_blank, measure_blank
from smallgauge.picture.delivered import cell_side
from smallgauge.picture.source_fit import small_block
from smallgauge.prove.bench import Bench, in_order
from smallgauge.prove.copies import COPY_LIMITS, Compared
from smallgauge.prove.copy_check import FITS_BEST, RIGHT_FRAMES
from smallgauge.prove.fixity import FileAsked, FileRead, read_files
from smallgauge.prove.frames import tiles_for
from smallgauge.prove.screen import CopyJob, CopyReading, CopyResult, copy_findings, prove_copy, watch_copy
from smallgauge.prove.shown import FitJob, FitRow, SmallStore, TileFile, make_store, rows_of_copy
from smallgauge.prove.sound import AAC_BLOCK, COPY_LU, QUIETEST_LUFS, SILENT_LEVEL, sound_as_long
from smallgauge.record.files import read_json
from smallgauge.record.finding import FileDigest, Finding, Proof
from smallgauge.record.journal import key_of
from smallgauge.record.programme import (
    CARD,
    FILM,
    PAPER,
    PROGRAM,
    PROGRAMME_COLUMNS,
    TABLE,
    ProgrammePaper,
    ReelShown,
)
from smallgauge.record.recipe import FINISHED, SEGMENT_FRAMES
from smallgauge.record.rendertable import COPY_COLUMNS, REAL, RENDER_COLUMNS, CopySummary, RenderSummary
from smallgauge.record.table import Table, read_table, table_of
from smallgauge.record.work import Progress, Runner
from smallgauge.sound.loudness import IntegratedMeter

ACCOUNT = "frames accounted for"
BARE = "bare frames left off"
KEPT = "left-out reel kept"
READ = "title cards read"
_INSET = 0.02  # of the picture, kept clear of its edge; common practice, no source
_MOST_TOLD = 20
_RING = 4 * AAC_BLOCK  # samples


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """A reel that lies beside the programme, decoded: small pictures of its finished frames."""

    tiles: TileFile
    store: SmallStore
    size: tuple[int, int]


def prove_programme(
    folder: Path, paper: ProgrammePaper, *, shelf: Path | None, runner: Runner, progress: Progress
) -> Proof:
    """Every check of a programme; its files are only read."""
    bench = Bench(folder=folder, runner=runner, progress=progress)
    asked = [FileAsked(path=folder / name) for name in (FILM, PAPER, TABLE)]
    read = read_files(asked, runner=runner, progress=progress)
    with tempfile.TemporaryDirectory(prefix="prove-") as scratch:
        prover = _Prover(bench, paper, shelf, Path(scratch), read)
        bench.guarded(FILM, prover.all)
    files = tuple(
        FileDigest(name=path.name, bytes=file.bytes, sha256=file.sha256) for path, file in read.items()
    )
    return Proof(
        reel=paper.title,
        capture_digest="",
        checks=tuple(bench.checks),
        findings=tuple(bench.findings),
        files=files,
    )


@dataclass(slots=True, eq=False)
class _Compared:
    """What came of the shown frames of one reel."""

    beside: Compared = field(default_factory=Compared)
    fits: dict[int, NDArray[np.float64]] = field(
        default_factory=dict
    )  # by the first shown frame of a stretch

    def add(self, job: CopyJob, result: CopyResult, source: Beside, shown: NDArray[np.int32]) -> None:
        """One stretch, against the finished frames that it is to show; one that names frames that are not there has none right."""
        if not ((shown >= 0) & (shown < len(source.tiles))).all():
            return
        rows = table_of(
            "copies",
            COPY_COLUMNS,
            [{"finished_frame": int(n), "kind": REAL, "next_frame": -1} for n in shown],
        )
        self.beside.add(job.first, result.tiles, source.tiles, rows, COPY_LIMITS["h264"])
        if result.fits is not None:
            self.fits[job.first] = result.fits


class _Prover:
    """The checks of one programme."""

    def __init__(
        self,
        bench: Bench,
        paper: ProgrammePaper,
        shelf: Path | None,
        scratch: Path,
        read: Mapping[Path, FileRead],
    ) -> None:
        self.bench, self.paper, self.shelf, self.scratch, self.read = bench, paper, shelf, scratch, read
        self.tiles = min(
            (tiles_for(reel.picture_width, reel.picture_height) for reel in paper.reels), key=lambda t: t
        )

    def all(self) -> None:
        """Papers, container, account, pictures, screen, sound."""
        bench, paper = self.bench, self.paper
        for name, wanted in ((FILM, paper.sha256), (TABLE, paper.table_sha256)):
            path = bench.folder / name
            found = self.read[path].sha256 if path in self.read else "none"
            bench.equal("file digests", name, wanted, found, "file digest differs", "sha256")
        if bench.folder / FILM not in self.read:
            return
        table = read_table(bench.folder / TABLE, PROGRAMME_COLUMNS, "programme")
        bench.equal("table rows", TABLE, paper.frames, len(table), "row count differs", "own reader")
        with read_film(bench.folder / FILM) as film:
            bench.equal("frame count", FILM, paper.frames, film.count, "frame count differs", "container")
            bench.equal("rate", FILM, str(paper.rate), str(film.rate), "rate differs", "container")
            bench.duration(FILM, film)
            bench.chapters(FILM, film, paper.chapters)
            if not bench.sized(FILM, film, (paper.width, paper.height)) or len(table) != paper.frames:
                return
            if paper.sound:
                self._sound(film)
        self._cards(table)
        beside = [self._reel(n, reel, table) for n, reel in enumerate(paper.reels)]
        self._left_out()
        self._pictures(table, beside)

    def _cards(self, table: Table) -> None:
        """Rows without a film frame are the title cards', and each card's words were read."""
        paper, bench = self.paper, self.bench
        wanted = np.zeros(len(table), bool)
        for shown in paper.cards:
            wanted[shown.shown_first : shown.shown_stop] = True
        good = bool(np.array_equal(wanted, table["reel"] == CARD))
        read = sum(bool(each.card.read_by and each.card.read_on) for each in paper.cards)
        if paper.cards:
            bench.count(READ, FILM, len(paper.cards), read if good else 0, "paper and table")
        if not good or read != len(paper.cards):
            bench.findings.append(Finding(code="papers disagree", where=TABLE, values={"file": TABLE}))

    def _reel(self, n: int, reel: ReelShown, table: Table) -> Beside | None:
        """One reel: its finished frames decoded and accounted for; None where it is not there."""
        bench = self.bench
        folder = self.shelf / reel.folder if self.shelf is not None else None
        if folder is None or not all(
            (folder / name).is_file() for name in (FINISHED.file, "render.parquet", "render.json")
        ):
            bench.not_made(RIGHT_FRAMES, reel.folder, "the reel's finished film is not beside the programme")
            return None
        render = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
        digests = tuple(render["digest"].tolist())
        same = key_of(list(digests)) == reel.frames_key
        bench.count("papers agree", reel.folder, 1, int(same), "sha256 of its finished frames' digests")
        if not same:
            values: dict[str, object] = {"file": f"{reel.folder}/render.parquet"}
            bench.findings.append(
                Finding(code="programme is of other frames", where=reel.folder, values=values)
            )
            return None
        summary = read_json(folder / "render.json", RenderSummary)
        store = make_store(
            self.scratch,
            f"reel-{n}",
            frames=len(render),
            width=summary.width,
            height=summary.height,
            bits=summary.bits,
            block=small_block(summary.width),
        )
        tiles = TileFile(self.scratch / f"reel-{n}.tiles", self.tiles)
        results = bench.decode(
            list_capture(folder / FINISHED.file),
            digests,
            what=f"frames of {reel.folder} decoded",
            tiles=tiles,
            keep=store,
        )
        differing = {number for result in results for number in result.differing}
        decoded = sum(result.decoded for result in results)
        equal = len(digests) - len(differing) if decoded else 0
        bench.count("finished frames equal render", reel.folder, len(digests), equal, "decoder and sha256")
        bench.findings += [
            Finding(
                code="frame digest differs", where=reel.folder, values={"file": reel.folder, "frame": number}
            )
            for number in sorted(differing)[:_MOST_TOLD]
        ]
        self._account(n, reel, table, render)
        self._bare(reel, folder, render, summary)
        if len(tiles) != len(render):
            return None
        return Beside(tiles=tiles, store=store, size=(summary.width, summary.height))

    def _account(self, n: int, reel: ReelShown, table: Table, render: Table) -> None:
        """Every finished frame once or more, in film order, but for those that a trim names; no other frame."""
        own = table["reel"] == n
        at = np.flatnonzero(own)
        whole = len(at) > 0 and (int(at[0]), int(at[-1]) + 1, len(at)) == (
            reel.shown_first,
            reel.shown_stop,
            reel.shown_stop - reel.shown_first,
        )
        finished, position = table["finished_frame"][own], render["film_position"]
        inside = bool(whole) and bool(((finished >= 0) & (finished < len(render))).all())
        good = inside and bool((np.diff(finished) >= 0).all())
        good = good and bool(np.array_equal(table["film_position"][own], position[finished]))
        off = np.zeros(len(render), bool)
        for trim in reel.trims:
            off |= (position >= trim.first) & (position < trim.stop)
        right = 0
        if good:
            seen = np.bincount(finished, minlength=len(render)) > 0
            right = int(np.count_nonzero(seen != off))
        self.bench.count(ACCOUNT, reel.folder, len(render), right, "tables, by their own rules")
        if right != len(render):
            self.bench.findings.append(
                Finding(code="programme not as told", where=reel.folder, values={"reel": reel.folder})
            )

    def _bare(self, reel: ReelShown, folder: Path, render: Table, summary: RenderSummary) -> None:
        """What the program left off by itself holds neither picture nor writing: measured again."""
        position = render["film_position"]
        off = np.zeros(len(render), bool)
        for trim in reel.trims:
            if trim.by == PROGRAM:
                off |= (position >= trim.first) & (position < trim.stop)
        numbers = np.flatnonzero(off).tolist()
        if not numbers:
            return
        with open_picture(list_capture(folder / FINISHED.file)) as reader:
            held = [
                number
                for number in numbers
                if not find_blank(
                    measure_blank(np.asarray(reader.read(number).samples, np.uint16), bits=summary.bits)
                )
            ]
        self.bench.count(
            BARE, reel.folder, len(numbers), len(numbers) - len(held), "own measure of structure"
        )
        self.bench.findings += [
            Finding(
                code="frame left off holds something",
                where=reel.folder,
                values={"reel": reel.folder, "frame": int(position[number])},
            )
            for number in held[:_MOST_TOLD]
        ]

    def _left_out(self) -> None:
        """A reel that the client wants in no copy is there all the same, with a good proof."""
        for reel in self.paper.left_out:
            folder = self.shelf / reel.folder if self.shelf is not None else None
            if folder is None or not folder.is_dir():
                self.bench.not_made(KEPT, reel.folder, "the reel's folder is not beside the programme")
                continue
            paper = folder / "proof.json"
            good = paper.is_file() and (folder / FINISHED.file).is_file() and read_json(paper, Proof).good
            self.bench.count(KEPT, reel.folder, 1, int(good), "its folder and its own proof")
            if not good:
                self.bench.findings.append(
                    Finding(code="reel left out not kept", where=reel.folder, values={"reel": reel.folder})
                )

    def _pictures(self, table: Table, beside: list[Beside | None]) -> None:
        """Every frame decoded once: against its finished frame, and as it looks on a screen, joins and all."""
        bench, paper = self.bench, self.paper
        jobs = self._jobs(table, beside)
        seen = [_Compared() for _ in paper.reels]
        bench.progress(f"frames of {FILM} decoded", 0, paper.frames)
        done = bench.runner.run(
            prove_copy, jobs, watch=lambda n: bench.progress(f"frames of {FILM} decoded", n, paper.frames)
        )

        def compared() -> Iterator[tuple[CopyJob, CopyResult]]:
            """Results with their small pictures compared and let go: a programme may be hours long."""
            for job, result in done:
                for reel, source, own in zip(paper.reels, beside, seen, strict=True):
                    if source is not None and reel.shown_first <= job.first < reel.shown_stop:
                        own.add(job, result, source, table["finished_frame"][job.first : job.stop])
                yield job, replace(result, tiles=result.tiles[:0], fits=None)

        reading = watch_copy(in_order(compared()), rate=paper.rate)
        bench.silent(FILM, reading.stretches, reading.log, reading.quiet)
        for reel, source, own in zip(paper.reels, beside, seen, strict=True):
            if source is not None:
                self._against(reel, own)
        self._screen(reading, table)

    def _screen(self, reading: CopyReading, table: Table) -> None:
        bench, frames = self.bench, self.paper.frames
        bench.count("levels", FILM, frames, reading.decoded, "EBU R 103, R G B and Y of each pixel")
        by = "WCAG 2.3.1 as published, ITU-R BT.1702 as others quote it, own counter, joins included"
        bench.count("flashing", FILM, frames, reading.decoded, by)
        bench.count("black and still", FILM, frames, reading.decoded, "own counter")
        shown = table["finished_frame"] + 1_000_000 * table["reel"]
        bench.findings += copy_findings(FILM, reading, self.paper.rate, shown.astype(np.int32))

    def _jobs(self, table: Table, beside: list[Beside | None]) -> list[CopyJob]:
        """Stretches of the programme, none across a join; each knows its reel's picture and finished frames."""
        paper = self.paper
        listing = list_capture(self.bench.folder / FILM)
        jobs: list[CopyJob] = []
        at = 0
        for n, reel in enumerate(paper.reels):
            for first, stop in ((at, reel.shown_first), (reel.shown_first, reel.shown_stop)):
                card = stop == reel.shown_first
                size = (paper.width, paper.height) if card else (reel.picture_width, reel.picture_height)
                left, top = (paper.width - size[0]) // 2, (paper.height - size[1]) // 2
                fit, rows = (None, ()) if card else self._fit(reel, beside[n], table)
                for begin in range(first, stop, SEGMENT_FRAMES):
                    end = min(begin + SEGMENT_FRAMES, stop)
                    own = rows[begin - first : end - first]
                    jobs.append(
                        CopyJob(
                            listing=listing,
                            first=begin,
                            stop=end,
                            box=(left, top, *size),
                            tiles=self.tiles,
                            fit=replace(fit, rows=own) if fit is not None else None,
                        )
                    )
            at = reel.shown_stop
        return jobs

    def _fit(
        self, reel: ReelShown, source: Beside | None, table: Table
    ) -> tuple[FitJob | None, tuple[FitRow, ...]]:
        if source is None:
            return None, ()
        paper = self.paper
        copy = CopySummary(
            file=FILM,
            rate=paper.rate,
            frames=reel.shown_stop - reel.shown_first,
            width=paper.width,
            height=paper.height,
            picture_width=reel.picture_width,
            picture_height=reel.picture_height,
        )
        left, top = (paper.width - reel.picture_width) // 2, (paper.height - reel.picture_height) // 2
        x, y = (round(_INSET * side) for side in (reel.picture_width, reel.picture_height))
        box = (left + x, top + y, left + reel.picture_width - x, top + reel.picture_height - y)
        shown = table["finished_frame"][reel.shown_first : reel.shown_stop].tolist()
        rows = rows_of_copy(copy, shown, source.size, len(source.tiles))
        return FitJob(stores={0: source.store}, rows=(), block=cell_side(paper.width), box=box), rows

    def _against(self, reel: ReelShown, own: "_Compared") -> None:
        """Each shown frame of a reel beside the finished frame that it is to show."""
        bench, name = self.bench, f"{FILM}, {reel.folder}"
        limit, count = COPY_LIMITS["h264"].tile, reel.shown_stop - reel.shown_first
        worst = 100 * float(np.fmax(own.beside.worst, 0.0))
        by = f"small pictures; the worst part differs by {worst:.1f} % of full scale, {100 * limit:.0f} % is the limit"
        bench.count(RIGHT_FRAMES, name, count, own.beside.frames - len(own.beside.wrong), by)
        bench.findings += [
            Finding(code="viewing copy differs", where=FILM, values={"file": FILM, "frame": number})
            for number in sorted(own.beside.wrong)[:_MOST_TOLD]
        ]
        fits = [own.fits[first] for first in sorted(own.fits)]
        bench.shows(FITS_BEST, name, fits, cell_side(self.paper.width))

    def _sound(self, film: FilmReader) -> None:
        """As long as the picture; each reel as loud as its paper says, and silent where it is silent."""
        bench, paper = self.bench, self.paper
        rate = film.sound_rate
        edges = [
            (round(r.shown_first * rate / paper.rate), round(r.shown_stop * rate / paper.rate))
            for r in paper.reels
        ]
        meters = [IntegratedMeter(rate=rate, channels=film.sound_channels) for _ in paper.reels]
        loudest = [0.0] * len(edges)  # clear of the ends: coding rings for a block beside a loud neighbour
        samples = 0
        for block in film.sound_blocks():
            for n, (first, stop) in enumerate(edges):
                piece = block[max(first - samples, 0) : max(stop - samples, 0)]
                if len(piece):
                    meters[n].add(piece)
                inner = block[max(first + _RING - samples, 0) : max(stop - _RING - samples, 0)]
                loudest[n] = max(loudest[n], float(np.abs(inner).max(initial=0.0)))
            samples += len(block)
        good = sound_as_long(samples, rate, paper.frames, paper.rate, block=AAC_BLOCK, frames_off=1)
        by = "decoder, within one coded block and one frame"
        bench.equal("sound as long as picture", FILM, True, good, "sound not as long as picture", by)
        for reel, meter, level in zip(paper.reels, meters, loudest, strict=True):
            wanted = reel.loudness_lufs + reel.gain_db
            if reel.silent:
                quiet = level < SILENT_LEVEL
                bench.equal("silent reel", reel.folder, True, quiet, "loudness differs", "decoder")
            elif wanted > QUIETEST_LUFS:
                found = meter.integrated()
                right = abs(found - wanted) <= COPY_LU
                bench.count(
                    "loudness", reel.folder, 1, int(right), f"decoder and BS.1770, within {COPY_LU:g} LU"
                )
                if not right:
                    values: dict[str, object] = {
                        "file": reel.folder,
                        "needed": round(wanted, 2),
                        "found": round(found, 2),
                    }
                    bench.findings.append(Finding(code="loudness differs", where=FILM, values=values))
