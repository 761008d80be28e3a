"""A copy against its finished film, and by itself: what it shows, how long and loud it is, how it looks on a screen."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from smallgauge.media.copy_out import CODERS
from smallgauge.media.film_in import FilmReader, read_film
from smallgauge.media.picture_in import CaptureListing
from smallgauge.picture.delivered import cell_side
from smallgauge.prove.bench import Bench, in_order
from smallgauge.prove.coded import check_coding, check_list, check_time_code
from smallgauge.prove.copies import COPY_LIMITS, Compared, said_synthetic, wrong_kinds
from smallgauge.prove.screen import CopyJob, CopyReading, CopyResult, copy_findings, prove_copy, watch_copy
from smallgauge.prove.shown import FitJob, SmallStore, TileFile, rows_of_copy
from smallgauge.prove.sound import AAC_BLOCK, COPY_LU, QUIETEST_LUFS, hear_film, sound_as_long
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import chapters_of
from smallgauge.record.finding import Finding
from smallgauge.record.recipe import SEGMENT_FRAMES, SMOOTH
from smallgauge.record.rendertable import (
    COPY_COLUMNS,
    RENDER_COLUMNS,
    SYNTHETIC,
    CopySummary,
    RenderSummary,
    SoundSummary,
)
from smallgauge.record.table import Table, read_table

RIGHT_FRAMES = "copy shows the right frames"
FITS_BEST = "copy fits its finished frame best"
_INSET = 0.02  # of the picture, kept clear of its edge; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finished:
    """The finished film as copies are compared with it: tiles and small pictures of every frame, on the disk."""

    tiles: TileFile
    store: SmallStore
    size: tuple[int, int]


class CopyCheck:
    """The checks of one reel's copies."""

    def __init__(
        self, bench: Bench, capture: Capture, summary: RenderSummary, tiles: tuple[int, int]
    ) -> None:
        self.bench, self.capture, self.summary, self.tiles = bench, capture, summary, tiles

    def check(self, copy: CopySummary, finished: Finished | None) -> None:
        """Count, rate, length, sound, and every shown frame, decoded once."""
        bench, path = self.bench, self.bench.folder / copy.file
        if not path.is_file():
            return
        table = read_table(bench.folder / "copies.parquet", COPY_COLUMNS, "copies")
        own = table["copy"] == copy.file
        rows = replace(table, values={name: column[own] for name, column in table.values.items()})
        with read_film(path) as film:
            bench.equal("frame count", copy.file, copy.frames, film.count, "frame count differs", "container")
            bench.equal("rate", copy.file, str(copy.rate), str(film.rate), "rate differs", "container")
            bench.duration(copy.file, film)
            if not bench.sized(copy.file, film, (copy.width, copy.height)):
                return
            check_coding(bench, copy, film)
            check_time_code(bench, copy)
            check_list(bench, copy, rows, self.capture, self.summary.scene_titles)
            self._chapters(copy, film, rows)
            if self.summary.sound is not None:
                self._sound(copy, film, self.summary.sound)
            self._kinds(copy, rows, film.tags)
            listing = bench.listing(film)
        reading, compared = self._watch(copy, listing, finished, rows)
        bench.silent(copy.file, reading.stretches, reading.log, reading.quiet)
        if finished is not None:
            self._against(copy, rows, reading, compared)
        bench.count("levels", copy.file, copy.frames, reading.decoded, "EBU R 103, R G B and Y of each pixel")
        by = "WCAG 2.3.1 as published, ITU-R BT.1702 as others quote it, own counter"
        bench.count("flashing", copy.file, copy.frames, reading.decoded, by)
        bench.count("black and still", copy.file, copy.frames, reading.decoded, "own counter")
        bench.findings += copy_findings(copy.file, reading, copy.rate, rows["finished_frame"])

    def _chapters(self, copy: CopySummary, film: FilmReader, rows: Table) -> None:
        """The scenes as chapters, where the rendering made them."""
        if not self.summary.scene_titles or not film.rate > 0:
            return
        render = read_table(self.bench.folder / "render.parquet", RENDER_COLUMNS, "render")
        scenes = render["scene"][rows["finished_frame"]].tolist()
        self.bench.chapters(copy.file, film, chapters_of(scenes, self.summary.scene_titles))

    def _kinds(self, copy: CopySummary, rows: Table, tags: dict[str, str]) -> None:
        """Synthetic frames: between two captured frames of one scene, counted, and said in the file itself."""
        bench, made = self.bench, int(np.count_nonzero(rows["kind"] == SYNTHETIC))
        if copy.file != SMOOTH.file and not made and not copy.synthetic:
            return
        wrong = wrong_kinds(rows, read_table(bench.folder / "render.parquet", RENDER_COLUMNS, "render"))
        good = said_synthetic(copy.file, tags, made) and made == copy.synthetic
        by = "tables, by their own rules"
        bench.count("kind of each frame", copy.file, len(rows), len(rows) - wrong.size, by)
        bench.count("synthetic frames said", copy.file, 1, int(good), "name, title and comment of the file")
        if wrong.size or not good:
            values: dict[str, object] = {"file": copy.file, "frames": made}
            bench.findings.append(Finding(code="synthetic frames not said", where=copy.file, values=values))

    def _sound(self, copy: CopySummary, film: FilmReader, sound: SoundSummary) -> None:
        """A copy's sound: as long as it is to be and as the picture is, and as loud as was decided; uncoded, every sample."""
        bench, name = self.bench, copy.file
        heard = hear_film(film)
        coded = CODERS[copy.coding].sound == "aac"
        block = AAC_BLOCK if coded else 0
        good = abs(heard.samples - sound.samples) <= 2 * block
        within = "decoder, within one coded block" if coded else "decoder"
        bench.equal("sound length", name, True, good, "sound length differs", within)
        rate = film.sound_rate or sound.rate
        good = sound_as_long(heard.samples, rate, copy.frames, copy.rate, block=block, frames_off=1)
        by = f"{within} and one frame" if coded else "decoder, within one frame"
        bench.equal("sound as long as picture", name, True, good, "sound not as long as picture", by)
        if not coded:
            bench.equal(
                "sound equal render",
                name,
                sound.digest,
                heard.digest,
                "sound digest differs",
                "decoder and sha256",
            )
        if heard.silent:
            values: dict[str, object] = {
                "file": name,
                "places": [[round(a, 1), round(b, 1)] for a, b in heard.silent[:20]],
            }
            bench.findings.append(Finding(code="silent stretch", where=name, values=values))
        if not coded:  # it plays the finished sound itself
            return
        wanted = sound.loudness.integrated_lufs + sound.viewing.gain_db
        found = heard.integrated_lufs
        if found is None or not wanted > QUIETEST_LUFS:
            return
        right = abs(found - wanted) <= COPY_LU
        bench.count("loudness", name, 1, int(right), f"decoder and BS.1770, within {COPY_LU:g} LU")
        if not right:
            values = {"file": name, "needed": round(wanted, 2), "found": round(found, 2)}
            bench.findings.append(Finding(code="loudness differs", where=name, values=values))

    def _watch(
        self, copy: CopySummary, listing: CaptureListing, finished: Finished | None, table: Table
    ) -> tuple[CopyReading, Compared]:
        """Decode every frame; results are compared as they come, looked at in their order and let go."""
        bench = self.bench
        left, top = (copy.width - copy.picture_width) // 2, (copy.height - copy.picture_height) // 2
        job = CopyJob(
            listing=listing,
            first=0,
            stop=0,
            box=(left, top, copy.picture_width, copy.picture_height),
            tiles=self.tiles,
            fit=None,
        )
        fit: FitJob | None = None
        real: list[int] = []
        if finished is not None:
            x, y = (round(_INSET * side) for side in (copy.picture_width, copy.picture_height))
            box = (left + x, top + y, left + copy.picture_width - x, top + copy.picture_height - y)
            fit = FitJob(stores={0: finished.store}, rows=(), block=cell_side(copy.width), box=box)
            real = np.where(table["kind"] == SYNTHETIC, -1, table["finished_frame"]).tolist()

        def fitted(first: int) -> FitJob | None:
            """What a stretch is compared with, made when it is given out: of all frames it would be large."""
            if fit is None or finished is None:
                return None
            own = real[first : first + SEGMENT_FRAMES]
            return replace(fit, rows=rows_of_copy(copy, own, finished.size, len(finished.tiles)))

        jobs = (
            replace(
                job,
                first=first,
                stop=min(first + SEGMENT_FRAMES, copy.frames),
                fit=fitted(first),
            )
            for first in range(0, min(copy.frames, len(table)), SEGMENT_FRAMES)
        )
        what = f"frames of {copy.file} decoded"
        bench.progress(what, 0, copy.frames)
        done = bench.runner.run(prove_copy, jobs, watch=lambda n: bench.progress(what, n, copy.frames))
        seen = Compared()

        def compared() -> Iterator[tuple[CopyJob, CopyResult]]:
            """Results without their tiles: of all frames they would be large."""
            for job, result in done:
                if finished is not None:
                    own = {name: column[job.first : job.stop] for name, column in table.values.items()}
                    limits = COPY_LIMITS[copy.coding]
                    seen.add(job.first, result.tiles, finished.tiles, replace(table, values=own), limits)
                yield job, replace(result, tiles=result.tiles[:0])

        return watch_copy(in_order(compared()), rate=copy.rate), seen

    def _against(self, copy: CopySummary, rows: Table, reading: CopyReading, seen: Compared) -> None:
        """Every shown frame beside the finished frame that it shows, the worst one with its floor."""
        bench, name = self.bench, copy.file
        if seen.frames != len(rows):
            bench.count(RIGHT_FRAMES, name, len(rows), 0, "small pictures")
            return
        real, limits = rows["kind"] != SYNTHETIC, COPY_LIMITS[copy.coding]
        worst = 100 * seen.worst
        by = f"small pictures; the worst part differs by {worst:.1f} % of full scale, {100 * limits.tile:.0f} % is the limit"
        bench.count(RIGHT_FRAMES, name, len(rows), len(rows) - len(seen.wrong), by)
        bench.findings += [
            Finding(code="viewing copy differs", where=name, values={"file": name, "frame": number})
            for number in sorted(seen.wrong)[:20]
        ]
        bench.shows(FITS_BEST, name, reading.fits, cell_side(copy.width), which=np.flatnonzero(real))
