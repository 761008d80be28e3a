"""A programme: several finished reels joined in the client's order into one viewing file.

propose_programme   reels -> `programme.toml`, for the client's word
make_programme      `programme.toml` -> the file, its paper and table, its proof and its package

Why this is long: one file is made of pictures, sound, chapters and rows that must be cut alike, so they are planned in one place.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.crew import Crew
from smallgauge.deliver.programme import deliver_programme
from smallgauge.errors import CallerError, MaterialError
from smallgauge.line import Outcome, Settings, read_treatment, refuse_held
from smallgauge.lock import ReelLock
from smallgauge.media.decoder_log import DecoderLog
from smallgauge.media.film_in import read_film
from smallgauge.media.packet_order import segment_order
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.picture_out import join_segments
from smallgauge.media.sound_out import AAC_RATE, write_aac
from smallgauge.media.whole import digest_file, safe_file_name
from smallgauge.picture.blank import find_blank, measure_blank
from smallgauge.picture.cadence import solve_even_repeat, solve_scene_repeat
from smallgauge.prove.programme import prove_programme
from smallgauge.record.capture import Capture
from smallgauge.record.chapters import chapters_of
from smallgauge.record.files import read_json, read_text_if_there, write_json
from smallgauge.record.finding import Proof
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.programme import (
    CARD,
    FILM,
    LONGEST_TITLE,
    PAPER,
    PROGRAM,
    PROGRAMME_COLUMNS,
    TABLE,
    WISHES,
    CardShown,
    ProgrammePaper,
    ReelLeftOut,
    ReelShown,
    ReelWish,
    Trim,
    Wishes,
    read_wishes,
    write_wishes,
)
from smallgauge.record.recipe import FINISHED, SEGMENT_FRAMES
from smallgauge.record.rendertable import RENDER_COLUMNS, RenderSummary
from smallgauge.record.shop import SHOP_FILE, read_shop
from smallgauge.record.table import Table, read_table, write_table
from smallgauge.record.treatment import Treatment
from smallgauge.render.films import RENDERING
from smallgauge.render.programme import Stretch, cut_sound_of, render_card, render_stretch
from smallgauge.render.segments import Canvas, canvas_for
from smallgauge.render.track import for_viewing
from smallgauge.sound.loudness import (
    LoudnessDecision,
    LoudnessReading,
    ViewingGain,
    apply_gain,
    measure_loudness,
    solve_gain,
)
from smallgauge.sound.tracks import Views

PROGRAMME = 1  # raised when the same wishes and reels would give other bytes
CHANNELS = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reel:
    """A reel that is shown: its papers, and which finished frame each of its shown frames shows, trims taken out."""

    wish: ReelWish
    folder: Path
    number: str
    summary: RenderSummary
    render: Table
    treatment: Treatment
    laid: NDArray[np.int32]  # at the programme's rate, the whole reel
    kept: NDArray[np.bool_]  # of `laid`

    @property
    def shown(self) -> NDArray[np.int32]:
        """Finished frames as shown."""
        return self.laid[self.kept]


def propose_programme(folder: Path, reels: Sequence[Path], settings: Settings) -> Wishes:
    """Write `programme.toml` in `folder` from the reels given; nothing else is made.

    Frames at either end of a reel that hold neither picture nor writing are proposed to be left off.
    """
    if (folder / WISHES).exists():
        raise CallerError(
            f"{folder / WISHES} is there already, and is never written over; change it by hand, or move it away."
        )
    shelf = folder.resolve().parent
    shop = read_shop(read_text_if_there(shelf / SHOP_FILE), where=str(shelf / SHOP_FILE))
    wishes = []
    rates: list[Fraction] = []
    for reel in reels:
        if reel.resolve().parent != shelf:
            raise CallerError(
                f"The reels of a programme lie beside its folder, in {shelf}, found {reel}; name a folder there with --out."
            )
        _, capture, summary, render = _papers(reel, settings)
        trims = _bare_ends(reel, summary, render, settings)
        rates.append(capture.notes.television_rate or shop.television_rate)
        number = capture.notes.reel or capture.name
        wishes.append(ReelWish(folder=reel.name, title=number[:LONGEST_TITLE], trims=trims))
    if len(set(rates)) > 1:
        raise MaterialError(
            f"The reels' television copies have {' and '.join(sorted({str(r) for r in rates}))} pictures a second, and a programme "
            "has one rate; set television_rate alike in their notes and finish them again."
        )
    proposal = Wishes(
        title=safe_file_name(folder.name)[:LONGEST_TITLE],
        order_by="",
        order_on="",
        rate=rates[0],
        loudness_lufs=shop.loudness_lufs,
        reels=tuple(wishes),
    )
    folder.mkdir(parents=True, exist_ok=True)
    write_wishes(folder / WISHES, proposal)
    return proposal


def _papers(
    folder: Path, settings: Settings, *, shown: bool = True
) -> tuple[Proof, Capture, RenderSummary, Table]:
    """The papers of a reel: finished, proved and good; where it is shown, not held back."""
    if shown:
        refuse_held(folder, settings.held)
    for name in ("proof.json", "render.json", "render.parquet", FINISHED.file):
        if not (folder / name).is_file():
            raise MaterialError(
                f"A programme is made of finished and proved reels, found no {name} in {folder}; run `smallgauge finish` first."
            )
    proof = read_json(folder / "proof.json", Proof)
    if not proof.good:
        raise MaterialError(
            f"A programme is made of proved reels, and the proof of {folder.name} failed; run `smallgauge prove` on it and read it."
        )
    return (
        proof,
        read_json(folder / "capture.json", Capture),
        read_json(folder / "render.json", RenderSummary),
        read_table(folder / "render.parquet", RENDER_COLUMNS, "render"),
    )


def _bare_ends(folder: Path, summary: RenderSummary, render: Table, settings: Settings) -> tuple[Trim, ...]:
    """Frames at the head and the tail of a reel that hold nothing, as trims by the program."""
    listing = list_capture(folder / FINISHED.file)
    count = len(render)
    with open_picture(listing) as reader:

        def bare(number: int) -> bool:
            samples = np.asarray(reader.read(number).samples, np.uint16)
            return find_blank(measure_blank(samples, bits=summary.bits))

        head = next((n for n in range(count) if not bare(n)), count)
        tail = next((n for n in range(count - 1, head - 1, -1) if not bare(n)), head - 1) + 1
    if head >= count:
        raise MaterialError(
            f"No frame of {folder.name} holds a picture or writing, so there is nothing to show; leave the reel out at the "
            "client's word."
        )
    position = render["film_position"]
    ends = [(0, int(position[head]))] if head else []
    if tail < count:
        ends.append((int(position[tail]), int(position[-1]) + 1))
    why = "measured: these frames hold neither picture nor writing"
    return tuple(Trim(first=first, stop=stop, by=PROGRAM, on=settings.at, why=why) for first, stop in ends)


def make_programme(folder: Path, settings: Settings) -> Outcome:
    """Make, prove and pack the programme that `programme.toml` asks for; what stands and is unchanged is kept."""
    if not (folder / WISHES).is_file():
        raise MaterialError(
            f"A programme begins with the client's wishes, found no {WISHES} in {folder}; name the reels and it is written: "
            "`smallgauge programme REEL REEL --out FOLDER`."
        )
    wishes = read_wishes(folder / WISHES)
    shelf = folder.resolve().parent
    reels = [_reel(shelf, wish, wishes.rate, settings) for wish in wishes.reels if not wish.out_by]
    left_out = [_left_out(shelf, wish, settings) for wish in wishes.reels if wish.out_by]
    with ReelLock(folder, take_over=settings.take_over), Crew(settings.workers) as crew:
        journal = Journal(folder)
        paper = _Maker(folder, wishes, reels, journal, crew, settings).make(tuple(left_out))
        proof = prove_programme(folder, paper, shelf=shelf, runner=crew, progress=settings.progress)
        write_json(folder / "proof.json", proof)
        journal.add_file("prove", "proof.json", key=key_of(paper.sha256, paper.table_sha256))
        deliver_programme(folder, paper, proof, settings.progress)
    for finding in proof.findings:
        settings.say(finding)
    return Outcome(
        folder=str(folder),
        reel=paper.title,
        steps=("programme", "prove", "deliver"),
        findings=proof.findings,
        proved=proof.good,
    )


def _left_out(shelf: Path, wish: ReelWish, settings: Settings) -> ReelLeftOut:
    """A reel that the client does not want shown: it must be there all the same, finished and proved."""
    _, capture, _, _ = _papers(shelf / wish.folder, settings, shown=False)
    number = capture.notes.reel or capture.name
    return ReelLeftOut(folder=wish.folder, number=number, by=wish.out_by, on=wish.out_on, why=wish.out_why)


def _reel(shelf: Path, wish: ReelWish, rate: Fraction, settings: Settings) -> Reel:
    folder = shelf / wish.folder
    _, capture, summary, render = _papers(folder, settings)
    treatment = read_treatment(folder)
    laid = _laid(summary, render, treatment, rate)
    seen = np.bincount(laid, minlength=len(render))
    if len(seen) and int(seen.min()) < 1:
        raise MaterialError(
            f"{wish.folder} runs at {summary.rate} pictures a second, faster than the programme's {rate}: frames would be left "
            "out, and pictures are never blended; write a higher rate into the programme, such as 50."
        )
    position = render["film_position"][laid]
    kept = np.ones(len(laid), bool)
    for trim in wish.trims:
        off = (position >= trim.first) & (position < trim.stop)
        if not off.any():
            raise MaterialError(
                f"{wish.folder} has no film frames from {trim.first} to before {trim.stop}; it has {int(position[0])} to "
                f"{int(position[-1])}: mend that trim."
            )
        kept &= ~off
    if not kept.any():
        raise MaterialError(
            f"The trims of {wish.folder} leave nothing of it; say left_out_by, left_out_on and left_out_why instead, if the client "
            "does not want it."
        )
    return Reel(
        wish=wish,
        folder=folder,
        number=capture.notes.reel or capture.name,
        summary=summary,
        render=render,
        treatment=treatment,
        laid=laid,
        kept=kept,
    )


def _laid(summary: RenderSummary, render: Table, treatment: Treatment, rate: Fraction) -> NDArray[np.int32]:
    """Which finished frame each frame shows at the programme's rate: as the reel's television copy has it."""
    speeds = treatment.scene_values("camera_speed")
    scenes, position = render["scene"].tolist(), render["film_position"].tolist()
    scene_of = dict(zip(position, scenes, strict=True))
    own = {scene_of[at]: Fraction(str(v["rate"])) for at, v in speeds.items() if at in scene_of}
    runs = [(len(list(frames)), own.get(scene, summary.rate)) for scene, frames in groupby(scenes)]
    if all(each == summary.rate for _, each in runs):
        return solve_even_repeat(len(scenes), film_rate=summary.rate, copy_rate=rate)
    return solve_scene_repeat(runs, copy_rate=rate)


class _Maker:
    """Makes the files of one programme."""

    def __init__(
        self,
        folder: Path,
        wishes: Wishes,
        reels: list[Reel],
        journal: Journal,
        crew: Crew,
        settings: Settings,
    ) -> None:
        self.folder, self.wishes, self.reels = folder, wishes, reels
        self.journal, self.crew, self.settings = journal, crew, settings
        canvases = [canvas_for(r.summary.width, r.summary.height, largest_height=1080) for r in reels]
        self.size = max((c.width, c.height) for c in canvases)
        self.canvases = [_on(r.summary.width, r.summary.height, self.size) for r in reels]

    def make(self, left_out: tuple[ReelLeftOut, ...]) -> ProgrammePaper:
        """The file, its table and its paper."""
        key = key_of("programme", PROGRAMME, RENDERING, self._basis(), [repr(each) for each in left_out])
        if all(self.journal.holds(file, key) for file in (FILM, TABLE, PAPER)):
            return read_json(self.folder / PAPER, ProgrammePaper)
        table, starts, cards = self._table()
        gains = [self._gain(reel) for reel in self.reels]
        sound = any(gain is not None for gain in gains)
        packets = self._packets()
        segments, counts, times = self._pictures(packets)
        if sound:
            self._sound(starts, cards, gains)
        chapters = self._chapters(starts, cards, len(table))
        join_segments(
            segments,
            self.folder / FILM,
            rate=self.wishes.rate,
            frame_counts=counts,
            times=times,
            container="mp4",
            tags={"title": self.wishes.title},
            sound=self.folder / "work/sound.m4a" if sound else None,
            chapters=chapters,
        )
        write_table(self.folder / TABLE, table)
        paper = ProgrammePaper(
            title=self.wishes.title,
            order_by=self.wishes.order_by,
            order_on=self.wishes.order_on,
            rate=self.wishes.rate,
            frames=len(table),
            width=self.size[0],
            height=self.size[1],
            packets=packets,
            sound=sound,
            target_lufs=self.wishes.loudness_lufs,
            reels=tuple(
                self._told(n, reel, starts[n], gain)
                for n, (reel, gain) in enumerate(zip(self.reels, gains, strict=True))
            ),
            left_out=left_out,
            cards=tuple(cards),
            chapters=tuple(chapters),
            sha256=digest_file(self.folder / FILM),
            table_sha256=digest_file(self.folder / TABLE),
        )
        write_json(self.folder / PAPER, paper)
        for file in (FILM, TABLE, PAPER):
            self.journal.add_file("programme", file, key=key, stop=len(table), rows=len(table))
        for path in (*(s for s in segments if s.is_relative_to(self.folder)), self.folder / "work/sound.m4a"):
            path.unlink(missing_ok=True)
        return paper

    def _basis(self) -> list[object]:
        """What all of it depends on: the wishes, the finished frames and sound, the titles."""
        return [
            repr(self.wishes),
            *(
                (
                    reel.render["digest"].tolist(),
                    repr(reel.summary.sound),
                    reel.summary.scene_titles,
                    reel.laid.tolist(),
                )
                for reel in self.reels
            ),
        ]

    def _cards_before(self, reel: Reel) -> list[int]:
        return [n for n, card in enumerate(self.wishes.cards) if card.before == reel.wish.folder]

    def _table(self) -> tuple[Table, list[int], list[CardShown]]:
        """A row a shown frame; where each reel begins; the cards with their places."""
        reel_of: list[NDArray[np.int32]] = []
        finished: list[NDArray[np.int32]] = []
        position: list[NDArray[np.int32]] = []
        starts: list[int] = []
        cards: list[CardShown] = []
        at = 0
        for n, reel in enumerate(self.reels):
            for each in self._cards_before(reel):
                card = self.wishes.cards[each]
                count = int(card.seconds * self.wishes.rate)
                cards.append(CardShown(card=card, shown_first=at, shown_stop=at + count))
                blank = np.full(count, CARD, np.int32)
                for column in (reel_of, finished, position):
                    column.append(blank)
                at += count
            starts.append(at)
            shown = reel.shown
            reel_of.append(np.full(len(shown), n, np.int32))
            finished.append(shown)
            position.append(reel.render["film_position"][shown])
            at += len(shown)
        columns = (np.arange(at, dtype=np.int32), *(np.concatenate(c) for c in (reel_of, finished, position)))
        values = {c.name: v.astype(np.int32) for c, v in zip(PROGRAMME_COLUMNS, columns, strict=True)}
        table = Table(name="programme", columns=PROGRAMME_COLUMNS, values=values, capture_digest="")
        return table, starts, cards

    def _packets(self) -> bool:
        """Whether the reels' viewing copies can be joined as they are: whole, of one recipe and one coder's settings."""
        if self.wishes.cards or not all(reel.kept.all() for reel in self.reels):
            return False
        copies = [next((c for c in r.summary.copies if c.file == "viewing.mp4"), None) for r in self.reels]
        sizes = {(c.width, c.height) if c is not None else None for c in copies}
        paths = [reel.folder / "viewing.mp4" for reel in self.reels]
        if sizes != {self.size} or not all(path.is_file() for path in paths):
            return False
        log = DecoderLog()
        return len({segment_order(path, log)[2] for path in paths}) == 1 and not log.lines

    def _pictures(self, packets: bool) -> tuple[list[Path], list[int], list[int]]:
        """Files of coded pictures in order, the frames of each, and how often each frame is shown."""
        files: list[Path] = []
        counts: list[int] = []
        times: list[int] = []
        jobs: list[tuple[Stretch, str]] = []
        for n, reel in enumerate(self.reels):
            for each in self._cards_before(reel):
                card = self.wishes.cards[each]
                path = self.folder / f"work/segments/card-{each:02d}.mp4"
                render_card(card.words, path, self.canvases[n])
                files.append(path)
                counts.append(1)
                times.append(int(card.seconds * self.wishes.rate))
            seen = np.bincount(reel.shown, minlength=len(reel.render))
            if packets:
                files.append(reel.folder / "viewing.mp4")
                counts.append(len(seen))
                times += seen.tolist()
                continue
            for first, stop in _runs(seen > 0):
                job = self._stretch(n, first, stop)
                digests = reel.render["digest"][first:stop].tolist()
                jobs.append((job, key_of(PROGRAMME, RENDERING, digests, self.canvases[n])))
                files.append(self.folder / job.file)
                counts.append(stop - first)
                times += seen[first:stop].tolist()
        self._code(jobs)
        return files, counts, times

    def _stretch(self, n: int, first: int, stop: int) -> Stretch:
        return Stretch(
            folder=str(self.folder),
            reel=str(self.reels[n].folder),
            first=first,
            stop=stop,
            file=f"work/segments/reel-{n:02d}-{first:06d}.mp4",
            canvas=self.canvases[n],
        )

    def _code(self, jobs: list[tuple[Stretch, str]]) -> None:
        """Code the stretches that are missing."""
        keys = {job.file: key for job, key in jobs}
        missing = [job for job, key in jobs if not self.journal.holds(job.file, key)]
        total = sum(job.stop - job.first for job, _ in jobs)
        kept = total - sum(job.stop - job.first for job in missing)
        progress = self.settings.progress
        progress("frames of the programme", kept, total)
        for job, file in self.crew.run(
            render_stretch,
            missing,
            watch=lambda done: progress("frames of the programme", kept + done, total),
        ):
            count = job.stop - job.first
            self.journal.add_file(
                "programme", file, key=keys[file], first=job.first, stop=job.stop, rows=count
            )

    def _gain(self, reel: Reel) -> tuple[LoudnessReading, ViewingGain] | None:
        """How loud what is shown of a reel is, and its one gain; None for a silent reel."""
        if reel.summary.sound is None:
            return None
        reading = measure_loudness(self._heard(reel), rate=AAC_RATE, channels=CHANNELS)
        entry = reel.treatment.find("loudness")
        stated = entry.decision.value.get("gain_db") if entry is not None and entry.decision.value else None
        decision = (
            LoudnessDecision(gain_db=float(str(stated)))
            if stated is not None
            else LoudnessDecision(target_lufs=self.wishes.loudness_lufs)
        )
        return reading, solve_gain(reading, decision)

    def _heard(self, reel: Reel, gain_db: float = 0.0) -> Iterator[NDArray[np.float64]]:
        """What is heard of a reel: its finished sound beside the frames that are shown, as a viewing copy plays it."""
        path = reel.folder / FINISHED.file
        rate = read_film(path).sound_rate
        if rate != AAC_RATE:
            raise MaterialError(
                f"The finished sound of {reel.wish.folder} has {rate} samples a second, needed is {AAC_RATE}."
            )
        entry = reel.treatment.find("tracks")
        view: Views = "both"
        if entry is not None and entry.decision.value:
            view = str(entry.decision.value.get("view", "both"))  # type: ignore[assignment]
        ranges = [(self._sample(first), self._sample(stop)) for first, stop in _stretches(reel.kept)]
        for block in cut_sound_of(path, ranges):
            yield apply_gain(for_viewing(block, view), gain_db)

    def _sample(self, frame: int) -> int:
        return round(frame * AAC_RATE / self.wishes.rate)

    def _sound(
        self,
        starts: list[int],
        cards: list[CardShown],
        gains: list[tuple[LoudnessReading, ViewingGain] | None],
    ) -> None:
        """The sound of all of it, coded once: silence under cards and silent reels."""

        def blocks() -> Iterator[NDArray[np.float64]]:
            done = 0
            for n, reel in enumerate(self.reels):
                yield from _silence(self._sample(starts[n]) - done)
                done = self._sample(starts[n])
                stop = self._sample(starts[n] + len(reel.shown))
                gain = gains[n]
                if gain is not None:
                    for block in self._heard(reel, gain[1].gain_db):
                        piece = block[: stop - done]
                        done += len(piece)
                        yield piece
                yield from _silence(stop - done)
                done = stop

        path = self.folder / "work/sound.m4a"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_aac(path, blocks(), rate=AAC_RATE, channels=CHANNELS)

    def _chapters(self, starts: list[int], cards: list[CardShown], frames: int) -> list[tuple[int, int, str]]:
        """A chapter a reel and scene; a card belongs to the reel behind it."""
        made: list[tuple[int, int, str]] = []
        for n, reel in enumerate(self.reels):
            scenes = reel.render["scene"][reel.shown].tolist()
            begin = starts[n - 1] + len(self.reels[n - 1].shown) if n else 0
            own = list(chapters_of(scenes, reel.summary.scene_titles))
            plain = len(own) < 2 and all(title == f"Scene {k + 1}" for k, (_, _, title) in enumerate(own))
            named = [
                (
                    starts[n] + first,
                    starts[n] + stop,
                    reel.wish.title if plain else f"{reel.wish.title}: {title}",
                )
                for first, stop, title in own
            ] or [(starts[n], starts[n] + len(scenes), reel.wish.title)]
            named[0] = (begin, *named[0][1:])
            made += named
        return made

    def _told(
        self, n: int, reel: Reel, start: int, gain: tuple[LoudnessReading, ViewingGain] | None
    ) -> ReelShown:
        nan = float("nan")
        ratio = self.wishes.rate / reel.summary.rate
        return ReelShown(
            folder=reel.wish.folder,
            number=reel.number,
            title=reel.wish.title,
            rate=reel.summary.rate,
            even=ratio.denominator == 1 and len(set(np.bincount(reel.laid).tolist())) <= 1,
            frames=len(reel.render),
            shown_first=start,
            shown_stop=start + len(reel.shown),
            trims=reel.wish.trims,
            frames_key=key_of(reel.render["digest"].tolist()),
            picture_width=self.canvases[n].picture_width,
            picture_height=self.canvases[n].picture_height,
            silent=gain is None,
            loudness_lufs=gain[0].integrated_lufs if gain else nan,
            gain_db=gain[1].gain_db if gain else 0.0,
            limit=gain[1].limit if gain else "",
            true_peak_dbtp=gain[0].true_peak_dbtp if gain else nan,
        )


def _on(width: int, height: int, size: tuple[int, int]) -> Canvas:
    """A finished picture in the middle of a canvas of this size, never enlarged."""
    own = canvas_for(width, height, largest_height=size[1])
    return replace(own, width=size[0], height=size[1])


def _runs(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Marked stretches, cut where the reels' own segments are."""
    out: list[tuple[int, int]] = []
    for first, stop in _stretches(marks):
        cuts = [first, *range((first // SEGMENT_FRAMES + 1) * SEGMENT_FRAMES, stop, SEGMENT_FRAMES), stop]
        out += list(pairwise(cuts))
    return out


def _stretches(marks: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.r_[False, marks, False].astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _silence(samples: int) -> Iterator[NDArray[np.float64]]:
    while samples > 0:
        yield np.zeros((min(samples, AAC_RATE), CHANNELS))
        samples -= AAC_RATE
