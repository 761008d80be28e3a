"""All papers of a reel folder, read once, and the few facts that every report page needs from them.

read_papers   folder -> Papers; a paper that is not there yet is None, and the report says so
Papers        the papers, with counts, rate, gauge and findings drawn from them and from nothing else
"""

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from pathlib import Path

import numpy as np

from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import Gauge, gauge_named
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_decisions, read_json, read_text_if_there
from smallgauge.record.filmstate import FILM_PAPER, FilmState
from smallgauge.record.finding import Finding, Proof
from smallgauge.record.flags import FRAME_FLAGS
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.hairtable import hair_findings, read_hairs
from smallgauge.record.keptstills import KeptStill, read_stills
from smallgauge.record.loading import film_in_running_order, loading_of
from smallgauge.record.order import Order, read_order
from smallgauge.record.recipe import STILLS
from smallgauge.record.reel import Reel
from smallgauge.record.rendertable import RENDER_COLUMNS, SOUND_COLUMNS, STEADINESS_COLUMNS, RenderSummary
from smallgauge.record.scratchtable import line_findings, read_scratches
from smallgauge.record.shop import SHOP_FILE, Shop, read_shop
from smallgauge.record.table import Table, read_table
from smallgauge.record.treatment import HOUSE_VALUE, PROGRAM, Treatment, treatment_findings, treatment_of

SHIPPED = Shop()
_WEIGHTS = ("failure", "finding", "note")
_STILL = re.compile(r"scene-(\d+)-(\d+)\.jpg")


@dataclass(frozen=True, slots=True, kw_only=True)
class StillPlace:
    """A still and where it lies in the finished film; scenes are counted from 1, as people do."""

    path: Path
    scene: int
    finished_frame: int


@dataclass(frozen=True, kw_only=True)
class Papers:
    """The papers of one reel; `frames`, `film`, `rendered`, `summary` and `proof` are None where their pass has not run."""

    folder: Path
    capture: Capture
    reel: Reel
    treatment: Treatment
    frames: Table | None
    film: FilmState | None
    rendered: Table | None
    sound_map: Table | None
    summary: RenderSummary | None
    proof: Proof | None
    steadiness: Table | None = None
    shop: Shop = SHIPPED
    order: Order | None = None

    @property
    def masters(self) -> bool:
        """Whether archive copy and finished film were ordered into the family's package: the last word holds."""
        return self.order.masters if self.order is not None else self.capture.notes.masters is True

    @property
    def frame_files(self) -> tuple[str, ...]:
        """The scanner's own file name of each captured frame; none for a video, or a reel of several captures."""
        names = tuple(file.name for file in self.capture.files)
        alone = len({run.capture for run in self.reel.runs}) <= 1
        return names if alone and len(set(names)) == len(names) else ()

    @property
    def title(self) -> str:
        """The words on the box, or the reel's number where there are none."""
        return self.reel.box_words.strip() or self.reel.number

    @property
    def gauge(self) -> Gauge | None:
        """The gauge, None where its name is not one that this program knows."""
        try:
            return gauge_named(self.capture.gauge)
        except MaterialError:
            return None

    @property
    def rate(self) -> Fraction | None:
        """The camera speed in force, frames a second."""
        entry = self.treatment.find("camera_speed")
        value = None if entry is None else entry.decision.value
        return None if value is None or "rate" not in value else Fraction(str(value["rate"]))

    @property
    def running(self) -> tuple[int, Fraction] | None:
        """Frames and rate that give the running time of the film to watch; None where nothing was rendered."""
        if self.finished_frames is None or self.rate is None:
            return None
        if self.treatment.scene_values("camera_speed") and self.summary is not None:
            own = [copy for copy in self.summary.copies if copy.frames != self.finished_frames]
            if own:
                return own[0].frames, own[0].rate
        return self.finished_frames, self.rate

    @property
    def speed_rests_on(self) -> str:
        """What the camera speed in force rests on: "house value", "hum", or who decided it; "" for none."""
        entry = self.treatment.find("camera_speed")
        if entry is None:
            return ""
        return entry.decision.by if entry.decision.by != PROGRAM else entry.decision.basis or HOUSE_VALUE

    @cached_property
    def film_frames(self) -> int:
        """Frames of the film from first to last, those that were not captured included."""
        if self.film is not None:
            return self.film.ledger.film_frames
        if self.frames is None or not len(self.frames):
            return self.capture.count
        return int(self.frames["film_position"].max()) + 1

    @cached_property
    def finished_frames(self) -> int | None:
        """Frames of the finished film; None where it was not rendered."""
        return None if self.rendered is None else len(self.rendered)

    @property
    def repeated_frames(self) -> int:
        """Finished frames that repeat the one before because theirs was not captured."""
        return len(self.summary.repeated) if self.summary else 0

    @property
    def left_out_frames(self) -> int:
        """Frames of the film that the finished film does not show at all."""
        return len(self.summary.left_out) if self.summary else 0

    @cached_property
    def retouched_frames(self) -> int:
        """Finished frames of which any pixel was made from neighbours."""
        return 0 if self.rendered is None else int(np.count_nonzero(self.rendered["retouched_share"] > 0))

    def film_position(self, finished: int) -> int | None:
        """Film position of a finished frame; None where the finished film has no such frame."""
        if self.rendered is None or not 0 <= finished < len(self.rendered):
            return None
        return int(self.rendered["film_position"][finished])

    def scene_title(self, number: int) -> str:
        """What a scene is called in the films, counted from 1."""
        titles = self.summary.scene_titles if self.summary is not None else ()
        return titles[number - 1] if 1 <= number <= len(titles) else f"Scene {number}"

    @cached_property
    def scenes(self) -> int:
        """Scenes, as used in the finished film or, before that, as found."""
        table = self.rendered if self.rendered is not None else self.frames
        return 0 if table is None or not len(table) else int(np.unique(table["scene"]).size)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding of the papers once, the weightiest first."""
        everything = [
            *self.capture.findings,
            *hair_findings(read_hairs(self.folder)),
            *line_findings(read_scratches(self.folder)),
            *treatment_findings(self.treatment),
            *(self.summary.findings if self.summary else ()),
            *(self.proof.findings if self.proof else ()),
        ]
        once = {repr(finding): finding for finding in everything}
        return tuple(sorted(once.values(), key=lambda finding: _WEIGHTS.index(finding.weight)))

    @cached_property
    def flag_counts(self) -> tuple[tuple[str, int], ...]:
        """Every frame flag that is set anywhere, and in how many frames."""
        if self.frames is None:
            return ()
        flags = self.frames["flags"]
        counts = ((flag.name, int(np.count_nonzero(flags & flag.mask))) for flag in FRAME_FLAGS)
        return tuple((name, count) for name, count in counts if count)

    @property
    def decided_at(self) -> str:
        """The latest moment that stands in the papers, ISO 8601; "" where nothing was decided."""
        moments = [d.at for entry in self.treatment.in_force for d in (entry.decision, entry.proposal) if d]
        return max(moments, default="")

    def has(self, code: str) -> bool:
        """Was this found?"""
        return any(finding.code == code for finding in self.findings)


def read_papers(folder: Path) -> Papers:
    """Read a reel's papers.

    Raises
    ------
    MaterialError
        Where `capture.json` or `reel.json` is missing, or a paper is not whole.
    """
    for name, pass_name in (("capture.json", "analyse"), ("reel.json", "analyse")):
        if not (folder / name).is_file():
            raise MaterialError(
                f"A report needs {name} in {folder}, found none there; name a reel's folder, or run `smallgauge {pass_name}` first."
            )
    tables = {
        name: read_table(folder / f"{name}.parquet", columns, name)
        if (folder / f"{name}.parquet").is_file()
        else None
        for name, columns in (
            ("frames", FRAME_COLUMNS),
            ("render", RENDER_COLUMNS),
            ("steadiness", STEADINESS_COLUMNS),
            ("sound", SOUND_COLUMNS),
        )
    }
    capture = read_json(folder / "capture.json", Capture)
    treatment = treatment_of(read_decisions(folder / "decisions.jsonl"))
    film = read_json(folder / FILM_PAPER, FilmState) if (folder / FILM_PAPER).is_file() else None
    shop_file = folder.parent / SHOP_FILE
    return Papers(
        folder=folder,
        order=read_order(folder),
        shop=read_shop(read_text_if_there(shop_file), where=str(shop_file)),
        capture=capture,
        reel=read_json(folder / "reel.json", Reel),
        treatment=treatment,
        frames=tables["frames"],
        film=film_in_running_order(film, capture, loading_of(treatment)) if film is not None else None,
        rendered=tables["render"],
        steadiness=tables["steadiness"],
        sound_map=tables["sound"],
        summary=read_json(folder / "render.json", RenderSummary)
        if (folder / "render.json").is_file()
        else None,
        proof=read_json(folder / "proof.json", Proof) if (folder / "proof.json").is_file() else None,
    )


def still_places(folder: Path) -> tuple[StillPlace, ...]:
    """The stills of a reel folder in film order; other files in `stills/` are no stills.

    Examples
    --------
    >>> import tempfile
    >>> reel = Path(tempfile.mkdtemp())
    >>> (reel / "stills").mkdir()
    >>> _ = (reel / "stills" / "scene-002-000123.jpg").write_bytes(b"")
    >>> [(still.scene, still.finished_frame) for still in still_places(reel)]
    [(2, 123)]
    """
    found = []
    for path in sorted((folder / "stills").glob("scene-*.jpg")):
        match = _STILL.fullmatch(path.name)
        if match:
            found.append(StillPlace(path=path, scene=int(match[1]), finished_frame=int(match[2])))
    return tuple(sorted(found, key=lambda still: (still.finished_frame, still.scene)))


def asked_photographs(folder: Path) -> tuple[KeptStill, ...]:
    """The photographs that were asked for with `smallgauge stills`, in film order."""
    paper = read_stills(folder)
    return () if paper is None else paper.stills


def before_files(folder: Path) -> tuple[str, ...]:
    """Names of the pictures of the film as it is today that lie beside stills, below the reel's folder.

    Examples
    --------
    >>> import tempfile
    >>> reel = Path(tempfile.mkdtemp())
    >>> (reel / "stills").mkdir()
    >>> for name in ("scene-002-000123.jpg", "now-scene-002-000123.jpg"):
    ...     _ = (reel / "stills" / name).write_bytes(b"")
    >>> before_files(reel), len(still_places(reel))
    (('stills/now-scene-002-000123.jpg',), 1)
    """
    beside = (f"{STILLS.folder}/{STILLS.before}{still.path.name}" for still in still_places(folder))
    return tuple(name for name in beside if (folder / name).is_file())
