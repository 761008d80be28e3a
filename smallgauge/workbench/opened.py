"""One reel open at the bench: its papers, its pack of small pictures, and what was decoded for the picture window.

open_reel     a reel's folder -> OpenReel
OpenReel      papers, treatment and plan of today, rough and true pictures by row of the frame table

A *row* is a row of `frames.parquet`: for a reel of one capture the captured frame itself. Every picture carries a *stamp*
of the capture and the row, which a mark made on it hands back.

A rough look comes from the pack. A true look is what `render_frame` makes of the captured frame at full size, reduced
afterwards; the light of the frames that were looked at last is kept, so that a value that is tried costs its colour alone.
"""

from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, MaterialError
from smallgauge.media.pack import (
    PackReader,
    display_table,
    encode_look,
    open_pack,
    pack_factor,
    reduce_samples,
)
from smallgauge.media.picture_in import FrameReader
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.evenness import Evenness
from smallgauge.picture.kernels import light_frame
from smallgauge.picture.kernels_look import look_frame, split_colour
from smallgauge.record.by_scene import scenes_by_position
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.lengths import Length, lengths_of
from smallgauge.record.light import evenness_for, table_for
from smallgauge.record.loading import in_running_order, loading_of
from smallgauge.record.material import PACK_FOLDER, Material, material_of
from smallgauge.record.recipe import FINISHED
from smallgauge.record.table import Table, read_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Decision, Treatment, treatment_of
from smallgauge.render.frame import render_frame
from smallgauge.render.less_grain import prepared_samples
from smallgauge.render.pick import Place, frame_at, patch_density
from smallgauge.render.plan import FramePlan, Plan, plan_rendering
from smallgauge.render.plan_colour import FrameAt, plan_colours, plan_look
from smallgauge.workbench.ahead import Ahead
from smallgauge.workbench.film_finds import FilmFinds
from smallgauge.workbench.looks import (
    BY_LOOK,
    CORRECTED,
    LOOKS,
    HeldLight,
    Planned,
    Shot,
    Shown,
    encode_true,
    only_looks,
    read_captured,
    true_factor,
)
from smallgauge.workbench.wave import CapturedWave

MOST_HELD = 32  # captured frames kept in memory ...
MOST_HELD_BYTES = 600_000_000  # ... and, with the light below, no more than this
MOST_LIGHT = 3  # finished frames whose light is kept: the drawn one, and those of a wipe


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decided:
    """What was decided up to now, and what follows from it for every row: worked out once a revision."""

    log: tuple[Decision, ...]
    treatment: Treatment
    running: Table  # the frame table with film positions and scenes counted from the head of the roll
    lengths: tuple[Length, ...]
    scenes: dict[int, int]  # the scene of each film position


class OpenReel:
    """A reel's papers and pictures. Any number of threads may ask; decoding and planning happen one at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.wave = CapturedWave(folder / "archive.wav")
        self.capture = read_json(folder / "capture.json", Capture)
        if self.capture.stage != "complete" or not (folder / "reel.json").is_file():
            raise MaterialError(
                f"A reel at the bench was analysed to its end, and {folder.name} is not yet; run `smallgauge analyse` on it."
            )
        self.frames: Table = read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames")
        self._digest = self.capture.digest or self.capture.identity
        self._lock = Lock()
        self._material: Material | None = None
        self._readers: dict[int, FrameReader] = {}
        self._ahead_readers: dict[int, FrameReader] = {}
        self._ahead = Ahead(self._decode_ahead)
        self._held: OrderedDict[tuple[int, int], Any] = OrderedDict()
        self._lights: OrderedDict[object, HeldLight] = OrderedDict()
        self._even: dict[int, Evenness | None] = {}
        self._pack: PackReader | None = None
        self._planning = Lock()
        self._plan: Planned | None = None
        self._decided: tuple[object, Decided] | None = None
        self.finds = FilmFinds(folder)

    @property
    def count(self) -> int:
        """Rows of the frame table."""
        return len(self.frames)

    def close(self) -> None:
        """Let go of the archive copy."""
        self._ahead.end()
        with self._lock:
            for reader in (*self._readers.values(), *self._ahead_readers.values()):
                reader.close()
            self._readers.clear()
            self._ahead_readers.clear()
            self._held.clear()
            self._lights.clear()

    def stamp(self, row: int) -> str:
        """What says which picture was drawn: of the capture, and the row."""
        return f"{self._digest[:12]}.{row}"

    def check_row(self, row: int) -> int:
        """The row, or CallerError where the reel has none of that number."""
        if not 0 <= row < self.count:
            raise CallerError(f"This reel has frames 0 to {self.count - 1}, asked for was {row}.")
        return row

    def row_of(self, capture: int, frame: int) -> int | None:
        """The row of a captured frame; None where the reel does not show it."""
        rows = np.flatnonzero((self.frames["capture"] == capture) & (self.frames["frame"] == frame))
        return int(rows[0]) if len(rows) else None

    def decided(self) -> Decided:
        """The decisions as they stand now; read again only where the log has changed."""
        path = self.folder / "decisions.jsonl"
        seen = (
            (told.st_mtime_ns, told.st_size, told.st_ino) if path.exists() and (told := path.stat()) else None
        )
        if self._decided is None or self._decided[0] != seen:
            log = read_decisions(path)
            treatment = treatment_of(log)
            loading = loading_of(treatment)
            running = in_running_order(self.frames, loading)
            now = Decided(
                log=log,
                treatment=treatment,
                running=running,
                scenes=scenes_by_position(running),
                lengths=tuple(lengths_of(self.frames, backwards=loading.backwards)),
            )
            self._decided = seen, now
        return self._decided[1]

    def decisions(self) -> tuple[Decision, ...]:
        """The log as it stands now."""
        return self.decided().log

    def treatment(self) -> Treatment:
        """The decisions in force now."""
        return self.decided().treatment

    def material(self) -> Material:
        """The reel's captures, read from their archive copies."""
        with self._lock:
            return self._material_now()

    def _material_now(self) -> Material:
        if self._material is None:
            self._material = material_of(self.folder)
        return self._material

    def dirt(self) -> Table | None:
        """The table of dirt; None where it was not looked for."""
        return self.finds.dirt()

    # Rough looks

    def pack(self) -> PackReader | None:
        """The reel's pack; None where it is not made yet, or is of another capture."""
        if self._pack is not None:
            return self._pack
        try:
            found = open_pack(self.folder / PACK_FOLDER)
        except MaterialError:
            return None
        if found.head.capture != self.capture.digest or found.head.count != self.count:
            return None
        self._pack = found
        return found

    def rough(self, row: int) -> Shown:
        """The whole capture of a row, small: from the pack, or from the archive copy where there is none yet."""
        self.check_row(row)
        pack = self.pack()
        factor = pack_factor(self.capture.width, self.capture.height)
        jpeg = pack.jpeg(row) if pack is not None else self._small(row)
        return Shown(jpeg=jpeg, stamp=self.stamp(row), label="rough look", reduced_by=factor)

    def rough_run(self, first: int, stop: int) -> tuple[bytes, ...]:
        """Rough looks of rows `first` to `stop` from one reading; none where there is no pack yet."""
        self.check_row(first)
        pack = self.pack()
        return pack.jpegs(first, min(stop, self.count)) if pack is not None else ()

    def _small(self, row: int) -> bytes:
        samples = self.samples(row)
        stretch = self.material().stretches[int(self.frames["capture"][row])]
        display = display_table(table_for(stretch.capture.light, stretch.capture.encoding))
        return encode_look(reduce_samples(samples, pack_factor(samples.shape[1], samples.shape[0])), display)

    # Captured frames at full size

    def samples(self, row: int) -> Any:
        """Code values of a row's captured frame, as decoded; kept for the next question about it."""
        self.check_row(row)
        return self._captured(int(self.frames["capture"][row]), int(self.frames["frame"][row]))

    def _captured(self, number: int, frame: int) -> Any:
        """Code values of a frame of one of the captures."""
        key = number, frame
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
            return self._keep(
                key, read_captured(self._material_now().stretches[number].listing, key, self._readers)
            )

    def _keep(self, key: tuple[int, int], samples: Any) -> Any:
        self._held[key] = samples
        self._let_go()
        return samples

    def ahead(self, row: int) -> None:
        """Row `row` is being looked at: it is decoded, then what the next and the previous scene open with, once wishes rest."""
        first = np.asarray(self.decided().running["scene"])
        opens = np.flatnonzero(np.diff(first, prepend=first[0] - 1))
        place = int(np.searchsorted(opens, self.check_row(row), side="right"))
        near = [row, *opens[place : place + 1].tolist(), *opens[max(0, place - 2) : place - 1].tolist()]
        self._ahead.want(near)

    def _decode_ahead(self, row: int) -> None:
        """Decode a row by readers of this thread alone, so that whoever asks for another frame need not wait."""
        key = int(self.frames["capture"][row]), int(self.frames["frame"][row])
        if key in self._held:
            return
        samples = read_captured(self.material().stretches[key[0]].listing, key, self._ahead_readers)
        with self._lock:
            self._keep(key, samples)
        self._planned()

    def _let_go(self) -> None:
        """Forget the frames that were asked for longest ago, and the light of those shown longest ago."""
        while len(self._lights) > MOST_LIGHT:
            self._lights.popitem(last=False)
        while len(self._held) > 1 and (len(self._held) > MOST_HELD or self.held_bytes > MOST_HELD_BYTES):
            self._held.popitem(last=False)

    @property
    def held_bytes(self) -> int:
        """Memory that captured frames and kept light take now."""
        captured = sum(int(each.nbytes) for each in list(self._held.values()))
        return captured + sum(each.light.nbytes for each in list(self._lights.values()))

    def values(self, row: int, x: int, y: int, look: str) -> dict[str, object]:
        """Code values, light and density of one captured pixel, from the capture itself.

        `x` and `y` are pixels of the capture, or of the finished frame where `look` shows that.
        """
        samples = self.samples(row)
        if look in LOOKS:
            plan, shown = self.plan()
            if row not in shown:
                raise CallerError(
                    f"Frame {row} is not in the finished film, so there is only its capture to see."
                )
            at_x, at_y = plan.frames[shown[row]].move.place(float(x), float(y))
            x, y = round(at_x), round(at_y)
        height, width = samples.shape[:2]
        if not (0 <= x < width and 0 <= y < height):
            raise CallerError(f"The capture is {width} x {height} pixels, asked for was {x}, {y}.")
        stretch = self.material().stretches[int(self.frames["capture"][row])]
        table = table_for(stretch.capture.light, stretch.capture.encoding)
        codes = np.atleast_1d(samples[y, x])
        light = (
            np.asarray(codes, np.float64)
            if table is None
            else table[codes.astype(np.int64)].astype(np.float64)
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            density = -np.log10(light)
        return {
            "row": row,
            "x": x,
            "y": y,
            "channels": ["red", "green", "blue"] if len(codes) == 3 else ["grey"],
            "code": [float(c) if table is None else int(c) for c in codes],
            "bits": stretch.capture.encoding.bits,
            "light": [round(float(v), 6) if np.isfinite(v) else None for v in light],
            "density": [round(float(v), 4) if np.isfinite(v) else None for v in density],
        }

    def density(self, place: Place) -> tuple[float, float, float]:
        """Mean density of a small patch of film where somebody points at the finished picture."""
        plan, _ = self.plan()
        frame = frame_at({each.film_position: each for each in plan.frames}, place)
        samples, stretch = self.samples(frame.source), self.material().stretches[frame.capture]
        return patch_density(samples, stretch, frame, (plan.width, plan.height), place, self.frames)

    # True looks

    def plan(self) -> tuple[Plan, dict[int, int]]:
        """The plan of today's decisions, and the finished frame of each row that is shown."""
        planned = self._planned()
        return planned.plan, planned.shown

    @property
    def is_planned(self) -> bool:
        """Whether the plan of today's decisions is made, so that nobody waits for it."""
        known = self._plan
        return known is not None and known.revision == self.treatment().revision

    def _planned(self) -> Planned:
        log = self.decisions()
        revision = treatment_of(log).revision
        with self._planning:
            known = self._plan
            if known is not None and known.revision == revision:
                return known
            material = self.material()
            if known is not None and only_looks(known.log, log):
                plan = self._with_looks(known.plan, treatment_of(log), material)
            else:
                track = (
                    read_json(self.folder / TRACK_PAPER, TrackPaper)
                    if self.capture.sound is not None
                    else None
                )
                dirt, lines = self.dirt(), self.finds.lines()
                given = self.capture, self.frames, treatment_of(log), material, track
                plan = plan_rendering(*given, dirt=dirt, lines=lines)
            shown: dict[int, int] = {}
            for n, frame in enumerate(plan.frames):
                shown.setdefault(frame.source, n)
            scenes = {frame.film_position: frame.scene for frame in plan.frames}
            self._plan = Planned(log=log, revision=revision, plan=plan, shown=shown, scenes=scenes)
            return self._plan

    def _with_looks(self, plan: Plan, treatment: Treatment, material: Material) -> Plan:
        """The plan under other decisions on looks, which move no frame and leave flicker as it is."""
        places = [FrameAt(film_position=f.film_position, scene=f.scene, source=f.source) for f in plan.frames]
        captures = [stretch.capture for stretch in material.stretches]
        told, _ = plan_colours(captures, self.frames, treatment, places)
        frames = tuple(
            replace(
                frame,
                colour=replace(new, flicker=frame.colour.flicker, exposure_ln=frame.colour.exposure_ln),
            )
            for frame, new in zip(plan.frames, told, strict=True)
        )
        return replace(plan, frames=frames)

    def true(self, row: int, look: str, *, draft: Decision | None = None) -> Shown:
        """The finished picture of a row at full size, then reduced by a whole factor; `draft` is tried, not kept."""
        codes, factor = self.reduced(row, look, draft=draft)
        return Shown(jpeg=encode_true(codes), stamp=self.stamp(row), label="true look", reduced_by=factor)

    def reduced(
        self, row: int, look: str, *, draft: Decision | None = None
    ) -> tuple[NDArray[np.uint16], int]:
        """The finished frame of a row, worked out at full size and reduced, and by how much.

        The same as `finished` reduced: the light is kept in between, and dither, whose mean is nothing, left out.
        """
        shot = self._shot(row, look, draft)
        factor = true_factor(shot.width, shot.height)
        before, after = split_colour(shot.colour)
        held = self._light(shot, before)
        if held is None:
            return reduce_samples(self._rendered(shot), factor), factor
        codes = look_frame(
            held.light,
            move=shot.plan.move,
            capture_width=held.captured[0],
            capture_height=held.captured[1],
            bits=FINISHED.bits,
            factor=factor,
            colour=after,
        )
        return codes, factor

    def finished(self, row: int, look: str, *, draft: Decision | None = None) -> NDArray[np.uint16]:
        """The finished frame of a row, as rendering makes it."""
        return self._rendered(self._shot(row, look, draft))

    def _shot(self, row: int, look: str, draft: Decision | None) -> Shot:
        """What makes the finished frame of a row under today's decisions, or with one that is tried."""
        if look not in LOOKS:
            raise CallerError(f"A true look is {' or '.join(LOOKS)}, asked for was '{look}'.")
        plan, shown = self.plan()
        if self.check_row(row) not in shown:
            raise CallerError(
                f"Frame {row} is not in the finished film, so there is only its capture to see."
            )
        frame = plan.frames[shown[row]]
        colour = frame.colour.whole
        if draft is not None and draft.subject in BY_LOOK:
            colour = self._drafted(frame, draft)
        elif draft is not None:
            plan = plan_rendering(
                self.capture,
                self.frames,
                self._with(draft),
                self.material(),
                dirt=self.dirt(),
                lines=self.finds.lines(),
            )
            frame = next(each for each in plan.frames if each.source == row)
            colour = frame.colour.whole
        shown_colour = colour if look == CORRECTED else None
        return Shot(plan=frame, width=plan.width, height=plan.height, colour=shown_colour)

    def _captured_as(self, shot: Shot) -> tuple[Any, NDArray[np.float32] | None, Evenness | None]:
        """A shot's captured samples, dirt repaired and grain as decided, with the table of their light and its evenness."""
        number = shot.plan.capture
        stretch = self.material().stretches[number]
        if number not in self._even:
            self._even[number] = evenness_for(stretch.capture, stretch.listing.root, stretch.listing.region)
        table = table_for(stretch.capture.light, stretch.capture.encoding)
        prepared = prepared_samples(lambda frame: self._captured(number, frame), shot.plan, table)
        return prepared.samples, table, self._even[number]

    def _rendered(self, shot: Shot) -> NDArray[np.uint16]:
        samples, table, evenness = self._captured_as(shot)
        return render_frame(
            samples,
            table=table,
            move=shot.plan.move,
            width=shot.width,
            height=shot.height,
            bits=FINISHED.bits,
            frame=shot.plan.finished,
            colour=shot.colour,
            evenness=evenness,
        )

    def _light(self, shot: Shot, before: FrameColour | None) -> HeldLight | None:
        """The light of a shot, kept for the next question; None where a capture in floating point holds no number."""
        plan = shot.plan
        key = plan.capture, plan.frame, plan.move, shot.width, shot.height, plan.dirt, before
        with self._lock:
            if key in self._lights:
                self._lights.move_to_end(key)
                return self._lights[key]
        samples, table, evenness = self._captured_as(shot)
        if table is None and not np.isfinite(samples).all():
            return None
        light = light_frame(
            samples if table is not None else np.asarray(samples, np.float32),
            table,
            move=plan.move,
            width=shot.width,
            height=shot.height,
            colour=before,
            evenness=evenness,
        )
        held = HeldLight(light=light, captured=(samples.shape[1], samples.shape[0]))
        with self._lock:
            self._lights[key] = held
            self._let_go()
        return held

    def _with(self, draft: Decision) -> Treatment:
        return treatment_of((*self.decisions(), draft))

    def _drafted(self, frame: FramePlan, draft: Decision) -> FrameColour | None:
        """Colour of one frame under a decision that is tried."""
        captures = [stretch.capture for stretch in self.material().stretches]
        place = FrameAt(film_position=frame.film_position, scene=frame.scene, source=frame.source)
        planned, lengths = self._planned(), self.decided().lengths
        told = plan_look(
            captures, self.frames, self._with(draft), planned.scenes, lengths, place, frame.colour
        )
        return told.whole
