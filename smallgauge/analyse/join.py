"""Several captures of one film to one reel: the overlap found, each film frame kept once, nothing measured anew.

The captures keep their own papers, archive copies and rows, doubles too, in `captures/0`, `captures/1` ... of the new
reel's folder, under second names of the same files where the system can. The reel's own tables gather one row a film
frame. What two captures have in common stands in `overlap.parquet`.

Why this is long: what is asked of the captures, what is found and what is written are one step that can't be left half.
"""

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.picture_in import CaptureListing, FrameReader, open_picture
from smallgauge.media.whole import digest_file, link_or_copy
from smallgauge.picture.density import light_of_samples
from smallgauge.picture.overlap import (
    Box,
    Overlap,
    OverlapSheet,
    find_overlap,
    make_overlap_layout,
    make_overlap_sheet,
    measure_joint,
)
from smallgauge.picture.registration import WEAKEST_CONFIDENCE
from smallgauge.picture.repetition import GRAIN_PX_PER_MM, GrainLayout
from smallgauge.record.archive import archive_listing, frames_there
from smallgauge.record.capture import Capture, digest_capture
from smallgauge.record.evidence import pixels_per_mm
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS, OVERLAP_COLUMNS, PERFORATION_COLUMNS
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.light import table_for
from smallgauge.record.material import OVERLAP, digest_papers
from smallgauge.record.reel import Joint, Reel, Run
from smallgauge.record.soundfaults import FAULT_FILES
from smallgauge.record.table import Table, join_tables, read_table, table_of, write_table
from smallgauge.record.work import Progress

WITHIN = 400  # frames at either end that are searched unless said; common practice, no source
MEASURED = 24  # film frames in which place and scale of the joint are measured
SHARPER = 1.05  # of the other capture's sharpness, or the cut lies in the middle; common practice, no source
SMALLEST_PX = 64  # side of the common picture, at least
PAPERS = (
    "capture.json",
    "frames.parquet",
    "perforations.parquet",
    "film.json",
    "track.parquet",
    "track.json",
    *FAULT_FILES,
)
JOINED = ("capture.json", "frames.parquet", "perforations.parquet", OVERLAP, "reel.json")
_DOUBTFUL = ("unreadable", "no_perforation", "perforation_cut_off")


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What the operator states where the overlap can't be told: frames in common, or frames lost between.

    `lost` None says that nobody knows how many film frames lie between, if any.
    """

    common: int
    lost: int | None
    by: str
    at: str
    why: str


def read_statement(
    common: int | None, lost: str | None, *, by: str | None, at: str, why: str | None
) -> Statement | None:
    """The operator's word on a joint as the command line gives it; None where nothing was stated.

    Examples
    --------
    >>> read_statement(None, "unknown", by="mk", at="2026-01-17T10:00:00Z", why="the film broke").lost is None
    True
    """
    if common is None and lost is None:
        return None
    if not by or not why:
        raise CallerError("Stating a joint needs who states it and why; add --by INITIALS and --why WORDS.")
    if common is not None and common < 0:
        raise CallerError(f"--overlap needs film frames from 0, found {common}.")
    if lost is not None and lost != "unknown" and not lost.isdigit():
        raise CallerError(f"--lost needs film frames from 0, or the word unknown, found '{lost}'.")
    between = 0 if lost is None else None if lost == "unknown" else int(lost)
    return Statement(common=common or 0, lost=between, by=by, at=at, why=why)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    folder: Path
    capture: Capture
    frames: Table
    perforations: Table
    listing: CaptureListing

    @property
    def places(self) -> NDArray[np.int32]:
        """Film position of each row in its own capture."""
        found: NDArray[np.int32] = self.frames["film_position"]
        return found


def join_captures(
    folder: Path,
    parts: tuple[Path, ...],
    *,
    number: str,
    box_words: str,
    at: str,
    statement: Statement | None,
    silent: bool,
    within: int,
    journal: Journal,
    progress: Progress,
) -> Reel:
    """Make the folder of a reel from captures that were analysed, given in film order or, where two, in either.

    Parameters
    ----------
    folder : Path
        The new reel's folder, which is locked by the caller.
    parts : paths
        Folders that `analyse` made.
    number, box_words : str
    at : str
        The moment, ISO 8601.
    statement : Statement or None
        The operator's word: of two captures it wins over what is found, of more it serves every joint that can't be told.
    silent : bool
        The operator lets the finished film be silent though captures have sound.
    within : int
        Frames at the ends of the captures that are searched.

    Raises
    ------
    MaterialError
        Where the captures can't be one film, or the overlap can't be told and nothing was stated.
    FixityError
        Where a file of a capture is not the file that was written.
    """
    read = tuple(_read_part(part) for part in parts)
    _check_parts(read, silent=silent)
    key = key_of(
        "join", [digest_papers(p.folder) for p in read], number, box_words, statement, silent, within
    )
    if all(journal.holds(file, key) for file in JOINED):
        return read_json(folder / "reel.json", Reel)
    earlier = folder / "capture.json"
    if earlier.exists() and read_json(earlier, Capture).identity != _identity(read):
        raise MaterialError(
            f"{folder} must hold this joined reel or nothing, but it holds '{read_json(earlier, Capture).name}'; "
            "give another --out, or another reel number."
        )
    order, joints, overlaps = _find_joints(read, statement, at, within, progress)
    box_words = box_words or order[0].capture.notes.box_words or ""
    kept = _keep_once(order, joints, overlaps)
    table = _overlap_table(order, joints, overlaps, kept, progress)
    _link_captures(folder, order, journal, key, progress)
    reel = Reel(number=number, box_words=box_words, runs=_runs(order, kept), joints=joints)
    _write(folder, order, reel, kept, table, journal, key)
    return reel


def _read_part(folder: Path) -> _Part:
    if not (folder / "capture.json").is_file():
        raise MaterialError(
            f"`join` needs folders that `analyse` made, found no capture.json in {folder}; "
            "run `smallgauge analyse` on that capture first."
        )
    capture = read_json(folder / "capture.json", Capture)
    if capture.stage != "complete" or read_json(folder / "reel.json", Reel).joints:
        raise MaterialError(
            f"`join` needs whole captures, found one that is not in {folder}; run `smallgauge analyse` on it to its end, "
            "and name the captures of a joined reel, not the reel."
        )
    return _Part(
        folder=folder,
        capture=capture,
        frames=read_table(folder / "frames.parquet", FRAME_COLUMNS, "frames"),
        perforations=read_table(folder / "perforations.parquet", PERFORATION_COLUMNS, "perforations"),
        listing=archive_listing(folder, capture),
    )


def _check_parts(parts: tuple[_Part, ...], *, silent: bool) -> None:
    first = parts[0]
    if len(parts) < 2:
        raise MaterialError("`join` needs two captures or more, found one; name them in film order.")
    digests = [part.capture.digest for part in parts]
    if len(set(digests)) < len(digests):
        raise MaterialError("`join` needs different captures, found one of them twice; name each once.")
    for part in parts:
        for what, needed, found in (
            ("gauge", first.capture.gauge, part.capture.gauge),
            ("film", first.capture.notes.film or "reversal", part.capture.notes.film or "reversal"),
            ("perforation side", _side(first.capture), _side(part.capture)),
        ):
            if needed != found:
                raise MaterialError(
                    f"Captures of one reel must have the same {what}, found {needed} in {first.folder.name} and {found} in "
                    f"{part.folder.name}; join captures of one film, loaded the same way."
                )
        if part.capture.sound is not None and not silent:
            raise MaterialError(
                f"A joined reel has no sound in this version, found {part.capture.sound.name} in {part.folder.name}; join with "
                "--silent to make a silent film: the captured sound stays beside the archive copy, as it came."
            )


def _side(capture: Capture) -> str:
    return capture.survey.picture_side if capture.survey is not None else "not seen"


def _identity(parts: tuple[_Part, ...]) -> str:
    return key_of("joined", sorted(part.capture.digest for part in parts))


# ------------------------------------------------------------------------------------------------ what is found


def _find_joints(
    parts: tuple[_Part, ...], statement: Statement | None, at: str, within: int, progress: Progress
) -> tuple[tuple[_Part, ...], tuple[Joint, ...], list[Overlap | None]]:
    """The captures in film order, and how each follows the one before.

    Of two captures the operator's word wins over what was found; of more it serves the joints that can't be told.
    """
    joints: list[Joint] = []
    overlaps: list[Overlap | None] = []
    order = list(parts)
    for later in range(1, len(order)):
        found = _search(order[later - 1], order[later], within, progress)
        two = len(order) == 2
        if two and statement is None and (found.offset is None or found.offset < 0):
            other = _search(order[1], order[0], within, progress)
            if other.offset is not None and other.offset >= 0:
                order.reverse()
                found = other
        before, after = order[later - 1], order[later]
        lost: int | None = 0
        if found.offset is not None and not (two and statement is not None):
            _check_place(before, after, found.offset)
            overlaps.append(found)
            offset, common, by, why = found.offset, found.common, "program", found.reason
        elif statement is None:
            words = "No overlap was found" if found.state == "none" else "The overlap can't be told for sure"
            raise MaterialError(
                f"{words} between {before.folder.name} and {after.folder.name}: {found.reason}, in the {within} frames at "
                "their ends. State it with --overlap N (film frames that both show), --lost N (film frames between them that "
                "neither shows) or --lost unknown, and --by and --why; or search further with --within N."
            )
        else:
            end = int(before.places[-1]) + 1
            common, lost, by, why = statement.common, statement.lost, statement.by, statement.why
            offset = end - common + (lost or 0) - int(after.places[0])
            overlaps.append(found if found.offset == offset else None)
            if found.offset not in (None, offset):
                why = f"{why}; the program found {found.reason}"
            _check_place(before, after, offset)
        joints.append(
            Joint(
                earlier=later - 1, later=later, offset=offset, common=common, lost=lost, by=by, at=at, why=why
            )
        )
    return tuple(order), tuple(joints), overlaps


def _check_place(before: _Part, after: _Part, offset: int) -> None:
    """The later capture must begin after the earlier one and go beyond it."""
    first, last = int(after.places[0]) + offset, int(after.places[-1]) + offset
    if first < int(before.places[0]) or last <= int(before.places[-1]):
        raise MaterialError(
            f"{after.folder.name} must go on where {before.folder.name} ends, but it shows film frames {first} to {last} of "
            f"those from {before.places[0]} to {before.places[-1]}; name the captures in film order, and leave out one that "
            "shows nothing new."
        )


def _search(before: _Part, after: _Part, within: int, progress: Progress) -> Overlap:
    size, layout = _common_picture(before.capture, after.capture)
    tail = range(max(0, len(before.frames) - within), len(before.frames))
    head = range(min(within, len(after.frames)))
    sheets = [_sheets(part, rows, size, layout, progress) for part, rows in ((before, tail), (after, head))]
    return find_overlap(*sheets, layout=layout)


def _common_picture(one: Capture, two: Capture) -> tuple[tuple[int, int], GrainLayout]:
    """Size of the picture that both are brought to for comparing, and where its grain is looked at."""
    scale = min(pixels_per_mm(one), pixels_per_mm(two), GRAIN_PX_PER_MM)
    area = one.picture_area
    share = scale / pixels_per_mm(one)
    size = (
        max(SMALLEST_PX, round((area.right - area.left) * share)),
        max(SMALLEST_PX, round((area.bottom - area.top) * share)),
    )
    return size, make_overlap_layout(size, px_per_mm=scale)


def _sheets(
    part: _Part, rows: range, size: tuple[int, int], layout: GrainLayout, progress: Progress
) -> list[OverlapSheet]:
    sheets = []
    with open_picture(part.listing) as reader:
        for done, row in enumerate(rows):
            progress(f"frames of {part.folder.name} compared", done, len(rows))
            sheets.append(
                make_overlap_sheet(
                    _light(part, reader, row),
                    position=int(part.places[row]),
                    box=_box(part, row),
                    size=size,
                    layout=layout,
                )
            )
    progress(f"frames of {part.folder.name} compared", len(rows), len(rows))
    return sheets


def _light(part: _Part, reader: FrameReader, row: int) -> NDArray[np.float32]:
    samples: Any = reader.read(row).samples
    table = table_for(part.capture.light, part.capture.encoding)
    return np.asarray(samples, np.float32) if table is None else light_of_samples(samples, table)


def _box(part: _Part, row: int) -> Box:
    """Where a frame's picture lies in its capture; NaN where the frame's place was not measured."""
    area, frames = part.capture.picture_area, part.frames
    good = frames["perforation_confidence"][row] >= WEAKEST_CONFIDENCE and _readable(part)[row]
    x = float(frames["perforation_x_px"][row]) if good else math.nan
    y = float(frames["perforation_y_px"][row]) if good else math.nan
    return x + area.left, y + area.top, x + area.right, y + area.bottom


def _readable(part: _Part) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (part.frames["flags"] & FLAG_NAMED["unreadable"].mask) == 0
    return found


# ---------------------------------------------------------------------------------------------- what is kept


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """One film frame of the reel: its position, the capture and row that show it, and those that show it too."""

    position: int
    capture: int
    row: int
    others: tuple[tuple[int, int], ...]


def _bases(joints: tuple[Joint, ...]) -> list[int]:
    """Reel position of each capture's film position 0, before the reel is counted from 0."""
    bases = [0]
    for joint in joints:
        bases.append(bases[-1] + joint.offset)
    return bases


def _keep_once(
    parts: tuple[_Part, ...], joints: tuple[Joint, ...], overlaps: list[Overlap | None]
) -> list[_Kept]:
    """Each film frame once, in film order: from the capture that is better there, the others named."""
    bases = _bases(joints)
    cuts = [_cut(parts, joint, bases) for joint in joints]
    shown: dict[int, list[tuple[int, int]]] = {}
    for number, part in enumerate(parts):
        for row, place in enumerate(part.places.tolist()):
            shown.setdefault(place + bases[number], []).append((number, row))
    first = min(shown)
    kept = []
    for position in sorted(shown):
        owner = sum(position >= cut for cut in cuts)
        sources = sorted(
            shown[position],
            key=lambda source: (not _readable(parts[source[0]])[source[1]], abs(source[0] - owner), source),
        )
        capture, row = sources[0]
        kept.append(_Kept(position=position - first, capture=capture, row=row, others=tuple(sources[1:])))
    return kept


def _cut(parts: tuple[_Part, ...], joint: Joint, bases: list[int]) -> int:
    """The reel position (counted as in `_bases`) from which the later capture is used.

    In the middle of what both show, where both have run steadily; where one of them is sharper throughout, or has
    fewer frames in doubt, it gives all of it.
    """
    one, two = parts[joint.earlier], parts[joint.later]
    places = [part.places + bases[n] for n, part in ((joint.earlier, one), (joint.later, two))]
    common = np.intersect1d(places[0], places[1])
    if not common.size:
        return int(places[1][0])
    sharpness, doubtful = [], []
    mask = sum(FLAG_NAMED[name].mask for name in _DOUBTFUL)
    for part, place in zip((one, two), places, strict=True):
        rows = np.isin(place, common)
        sharp = part.frames["sharpness"][rows]
        scale = pixels_per_mm(part.capture) ** 2  # sharpness is counted in pixels
        sharpness.append(float(np.nanmedian(sharp)) * scale if np.isfinite(sharp).any() else math.nan)
        doubtful.append(int(np.count_nonzero(part.frames["flags"][rows] & mask)))
    if abs(doubtful[0] - doubtful[1]) > 0.1 * common.size:
        return int(common[-1]) + 1 if doubtful[0] < doubtful[1] else int(common[0])
    if sharpness[0] > SHARPER * sharpness[1]:
        return int(common[-1]) + 1
    if sharpness[1] > SHARPER * sharpness[0]:
        return int(common[0])
    return int(common[common.size // 2])


def _runs(parts: tuple[_Part, ...], kept: list[_Kept]) -> tuple[Run, ...]:
    """Runs of captured frames, one after the other in one capture."""
    runs: list[Run] = []
    for each in kept:
        last = runs[-1] if runs else None
        if last is not None and last.capture == each.capture and last.stop == each.row:
            runs[-1] = replace(last, stop=each.row + 1)
            continue
        runs.append(
            Run(
                capture=each.capture,
                capture_digest=parts[each.capture].capture.digest,
                first=each.row,
                stop=each.row + 1,
                folder=f"captures/{each.capture}",
            )
        )
    return tuple(runs)


def _overlap_table(
    parts: tuple[_Part, ...],
    joints: tuple[Joint, ...],
    overlaps: list[Overlap | None],
    kept: list[_Kept],
    progress: Progress,
) -> Table:
    """A row for each film frame that two captures show; in some of them place and scale of the joint are measured."""
    rows: list[dict[str, object]] = []
    for each in kept:
        for other in each.others:
            if other[0] == each.capture:  # captured twice in one capture: its own table says so
                continue
            one, two = sorted([(each.capture, each.row), other])
            rows.append(
                {
                    "film_position": each.position,
                    "capture": one[0],
                    "frame": one[1],
                    "later_capture": two[0],
                    "later_frame": two[1],
                    "kept": each.capture,
                }
            )
    for joint, overlap in zip(joints, overlaps, strict=True):
        here = [r for r in rows if (r["capture"], r["later_capture"]) == (joint.earlier, joint.later)]
        grain = {m.position: m.grain for m in overlap.matches} if overlap is not None else {}
        places = parts[joint.earlier].places
        for row in here:
            row["grain"] = grain.get(int(places[row["frame"]]), math.nan)  # type: ignore[call-overload]
        _measure_joints(parts[joint.earlier], parts[joint.later], here, progress)
    return table_of("overlap", OVERLAP_COLUMNS, rows)


def _measure_joints(one: _Part, two: _Part, rows: list[dict[str, object]], progress: Progress) -> None:
    """Measure the move from the one capture to the other in some of the film frames that both show."""
    size, _ = _common_picture(one.capture, two.capture)
    chosen = sorted({int(n) for n in np.linspace(0, len(rows) - 1, min(MEASURED, len(rows))).round()})
    with open_picture(one.listing) as first, open_picture(two.listing) as second:
        for done, n in enumerate(chosen):
            progress("joint measured", done, len(chosen))
            frames = int(rows[n]["frame"]), int(rows[n]["later_frame"])  # type: ignore[call-overload]
            boxes = _box(one, frames[0]), _box(two, frames[1])
            if not all(math.isfinite(side) for box in boxes for side in box):
                continue
            move = measure_joint(
                _light(one, first, frames[0]),
                _light(two, second, frames[1]),
                box=boxes[0],
                later_box=boxes[1],
                size=size,
            )
            if move is not None:
                rows[n] |= {letter: getattr(move, letter) for letter in "abcdef"}
    progress("joint measured", len(chosen), len(chosen))


# ------------------------------------------------------------------------------------------- what is written


def _link_captures(
    folder: Path, parts: tuple[_Part, ...], journal: Journal, key: str, progress: Progress
) -> None:
    """Each capture's own papers and archive copy below the reel's folder, checked against its own journal."""
    for number, part in enumerate(parts):
        own = Journal(part.folder)
        files = [name for name in PAPERS if (part.folder / name).is_file()]
        kept = sorted(part.folder.glob("archive.*")) + sorted(part.folder.glob("archive-guide.wav"))
        kept += sorted((part.folder / "archive").rglob("*"))
        files += [p.relative_to(part.folder).as_posix() for p in kept if p.is_file() and p.suffix != ".part"]
        listed = frames_there(part.folder)  # single frames: their list speaks for them in the journal
        for done, name in enumerate(files):
            progress(f"files of {part.folder.name} taken over", done, len(files))
            target = f"captures/{number}/{name}"
            (folder / target).parent.mkdir(parents=True, exist_ok=True)
            link_or_copy(part.folder / name, folder / target)
            if name in listed:
                noted, found = listed[name], digest_file(folder / target)
            else:
                noted = own.lines[name].sha256 if name in own.lines else ""
                found = journal.add_file("join", target, key=key).sha256
            if noted and noted != found:
                raise FixityError(
                    f"{name} must be the file that was written (SHA-256 {noted[:12]}...), found {found[:12]}... in "
                    f"{part.folder}; nothing was joined: bring it back from another copy, or analyse the capture again."
                )
        progress(f"files of {part.folder.name} taken over", len(files), len(files))


def _write(
    folder: Path,
    parts: tuple[_Part, ...],
    reel: Reel,
    kept: list[_Kept],
    overlap: Table,
    journal: Journal,
    key: str,
) -> None:
    files = tuple(parts[k.capture].capture.files[k.row] for k in kept)
    first = parts[0].capture
    findings = [
        replace(f, where=part.capture.name if f.where == "capture" else f.where)
        for part in parts
        for f in part.capture.findings
        if f.where != "sound"
    ]
    told = tuple(_joint_finding(parts, joint) for joint in reel.joints)
    capture = replace(
        first,
        identity=_identity(parts),
        name=" + ".join(part.capture.name for part in parts),
        count=len(kept),
        numbers=(),
        notes=replace(
            first.notes,
            reel=reel.number,
            box_words=reel.box_words,
            sync_marks=(),
            sound_breaks=(),
            frames_let_pass=(),
        ),
        sound=None,
        guide=None,
        findings=(*findings, *told),
        archive_form="",  # each capture has its own
        files=files,
        digest=digest_capture(files, None),
    )
    frames = _gathered(parts, kept, capture.digest)
    used = {(k.capture, k.row) for k in kept}
    holes = [_of_capture(part.perforations, n, used) for n, part in enumerate(parts)]
    write_table(folder / OVERLAP, replace(overlap, capture_digest=capture.digest))
    write_table(folder / "frames.parquet", frames)
    write_table(folder / "perforations.parquet", replace(join_tables(holes), capture_digest=capture.digest))
    write_json(folder / "capture.json", capture)
    write_json(folder / "reel.json", reel)
    for file in JOINED:
        journal.add_file("join", file, key=key, rows=len(kept) if file == "frames.parquet" else 0)


def _joint_finding(parts: tuple[_Part, ...], joint: Joint) -> Finding:
    values: dict[str, object] = {
        "earlier": parts[joint.earlier].capture.name,
        "later": parts[joint.later].capture.name,
        "common": joint.common,
        "by": joint.by,
        "why": joint.why,
    }
    if joint.lost is None:
        return Finding(code="joint not known", where="reel", values=values)
    return Finding(code="reel joined", where="reel", values={**values, "lost": joint.lost})


def _gathered(parts: tuple[_Part, ...], kept: list[_Kept], digest: str) -> Table:
    """The reel's rows in film order: one a film frame, each with the capture and frame that it comes from."""
    starts = np.cumsum([0, *(len(part.frames) for part in parts)])
    rows = np.array([starts[k.capture] + k.row for k in kept])
    whole = join_tables([part.frames for part in parts])
    values = {name: column[rows] for name, column in whole.values.items()}
    values |= {
        "capture": np.array([k.capture for k in kept], np.int32),
        "frame": np.array([k.row for k in kept], np.int32),
        "film_position": np.array([k.position for k in kept], np.int32),
        "scene": _scenes(parts, kept),
    }
    return Table(name="frames", columns=whole.columns, values=values, capture_digest=digest)


def _scenes(parts: tuple[_Part, ...], kept: list[_Kept]) -> NDArray[np.int32]:
    """Scenes over the joints: one goes on where either capture shows that it does."""
    scene = 0
    out = []
    for n, each in enumerate(kept):
        if n and _begins_scene(parts, kept[n - 1], each):
            scene += 1
        out.append(scene)
    return np.array(out, np.int32)


def _begins_scene(parts: tuple[_Part, ...], before: _Kept, now: _Kept) -> bool:
    """Whether a capture that shows both film frames has a new scene between them; without one, a joint is a cut."""
    for capture, row in ((now.capture, now.row), *now.others):
        for other, earlier in ((before.capture, before.row), *before.others):
            if other == capture:
                scenes = parts[capture].frames["scene"]
                return bool(scenes[row] != scenes[earlier])
    return True


def _of_capture(table: Table, number: int, used: set[tuple[int, int]]) -> Table:
    """Rows of a capture's frames that the reel uses, under the capture's number."""
    chosen = np.array([(number, frame) in used for frame in table["frame"].tolist()], bool)
    values = {name: column[chosen] for name, column in table.values.items()}
    values["capture"] = np.full(int(chosen.sum()), number, np.int32)
    return replace(table, values=values)
