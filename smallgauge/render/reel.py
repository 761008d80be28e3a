"""The third pass: capture, tables and decisions to the finished film, its copies and its stills.

Only what a decision changes is made again; `films.py` says how that is known.
"""

from dataclasses import asdict, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.device import PROCESSOR, device_name
from smallgauge.record.capture import Capture
from smallgauge.record.dirttable import read_dirt
from smallgauge.record.files import read_json, to_plain, write_json
from smallgauge.record.finding import Finding
from smallgauge.record.journal import Journal, key_of
from smallgauge.record.material import Material
from smallgauge.record.recipe import FINISHED, SMOOTH, CopyRecipe
from smallgauge.record.rendertable import (
    COPY_COLUMNS,
    REAL,
    STEADINESS_COLUMNS,
    SYNTHETIC,
    CopySummary,
    RenderSummary,
    SoundFix,
    SoundSummary,
)
from smallgauge.record.scratchtable import read_scratches
from smallgauge.record.shop import TELEVISION_RATE
from smallgauge.record.soundfaults import read_faults
from smallgauge.record.table import Table, write_table
from smallgauge.record.track import TRACK_PAPER, TrackPaper
from smallgauge.record.treatment import Treatment
from smallgauge.record.work import Progress, Runner
from smallgauge.render.broadcast import make_broadcast_sound
from smallgauge.render.editing import make_lists
from smallgauge.render.films import (
    RENDERING,
    FilmShelf,
    FinishedTrack,
    films_of,
    sound_key,
    viewing_sound_key,
)
from smallgauge.render.looks import write_looks
from smallgauge.render.plan import Plan, plan_rendering, viewing_gain
from smallgauge.render.plan_sound import SOUND_RATE, SoundPlan, worth_a_look
from smallgauge.render.repairs import repair_findings, repair_summary, repairs_table
from smallgauge.render.segments import SegmentJob, copy_canvas, make_photographs, render_segment, segment_job
from smallgauge.render.smooth import make_smooth_copy
from smallgauge.render.soundtable import sound_table
from smallgauge.render.stills import (
    before_names,
    drop_photographs,
    note_photographs,
    photographs_of,
    still_key,
    still_names,
)
from smallgauge.render.told_colour import told_scales, told_scenes
from smallgauge.render.track import HeardSound, render_editing_track, render_track, render_viewing_track
from smallgauge.sound.separate import ACCEPTED_S, DETECTED_S

SUMMARY = "render.json"
MADE_ON = "work/made-on.json"  # where frames of a rendering that goes on, or was stopped, are made
# A fix this many standard errors from where all others put it is worth a look. common practice, no source
STRAY_SIGMAS = 3.0
STEADINESS = "steadiness.parquet"
LEAST_SILENCE_S = 0.25  # sound and picture may differ by this without a word; common practice, no source


def render_reel(
    folder: Path,
    *,
    material: Material,
    capture: Capture,
    frames: Table,
    treatment: Treatment,
    journal: Journal,
    runner: Runner,
    progress: Progress,
    television_rate: Fraction = TELEVISION_RATE,
    device: str = PROCESSOR,
) -> RenderSummary:
    """Render a reel; segments whose key and file agree with the journal are kept as they are.

    `capture` and `frames` are the reel's own paper and rows in film order, `material` the captures behind them;
    `television_rate` is that of the shop's country, where the order names none. `device` is where frames are made.
    """
    name = device_name(device)
    track = read_json(folder / TRACK_PAPER, TrackPaper) if capture.sound is not None else None
    faults = read_faults(folder) if capture.sound is not None else None
    found = read_dirt(folder), read_scratches(folder)
    plan = plan_rendering(capture, frames, treatment, material, track, faults, television_rate, *found)
    jobs = [segment_job(folder, material, plan, first, stop) for first, stop in plan.segments()]
    films = films_of(capture, plan, jobs)
    shelf = FilmShelf(folder=folder, jobs=jobs, films=films, journal=journal)
    standing = shelf.standing()
    sound = sound_key(capture, plan)
    heard = _sound_heard(folder, sound, journal) if sound else None
    made_on = _made_on(folder, journal)
    photographs, taken = photographs_of(plan, frames), still_key(films[0].pictures)
    stand = all(standing.get(film.file) for film in films) and shelf.table_stands()
    if not stand or (sound and heard is None):
        missing = [replace(job, device=device).taking(photographs) for job in shelf.missing_jobs(standing)]
        if missing:  # noted before the first frame: a run that is stopped has made some of them
            made_on = _with_name(made_on, name, anew=len(missing) == len(jobs))
            write_json(folder / MADE_ON, made_on)
        _segments(shelf, missing, runner, progress, total=len(plan.frames), taken=taken)
        finished, heard = sound_files(folder, capture, plan, journal, progress)
        shelf.join_table(capture.digest)
        shelf.join_films(standing, finished, progress)
    smooth = make_smooth_copy(
        folder,
        capture,
        plan,
        films,
        sound=viewing_sound_key(capture, plan),
        journal=journal,
        runner=runner,
        progress=progress,
    )
    summary = replace(_summary(capture, treatment, plan, frames, heard, smooth), made_on=made_on)
    if not make_broadcast_sound(folder, capture, journal) and capture.sound is not None:
        told = Finding(code="no broadcast wave", where="sound")
        summary = replace(summary, findings=(*summary.findings, told))
    _write_summary(folder, journal, summary, f"{sound}.{key_of(RENDERING, to_plain(summary))}")
    (folder / MADE_ON).unlink(missing_ok=True)
    shelf.drop_segments()
    smooth_key = journal.lines[SMOOTH.file].key if smooth is not None else ""
    foreign = track.cuts.foreign if track is not None and track.cuts is not None else ()
    tables_key = key_of([film.key for film in films], smooth_key, foreign)
    _small_tables(folder, capture, plan, smooth, track, journal, tables_key)
    repairs_table(folder, capture, plan, journal, sound)
    _steadiness_table(folder, capture, frames, plan, journal)
    make_lists(folder, capture, plan, journal)
    write_looks(folder, capture.notes.reel or capture.name, plan.frames, journal)
    drop_photographs(folder, journal, photographs)
    lacking = [each for each in photographs if not journal.holds(each.file, taken)]
    make_photographs(folder, material, plan, lacking, progress)
    note_photographs(journal, lacking, key=taken)
    return summary


def _sound_heard(folder: Path, sound: str, journal: Journal) -> HeardSound | None:
    """Digest and loudness of this finished sound as a rendering noted them; None where none has."""
    line = journal.lines.get(SUMMARY)
    if line is None or line.key.partition(".")[0] != sound or not journal.holds(SUMMARY, line.key):
        return None
    noted = read_json(folder / SUMMARY, RenderSummary).sound
    return HeardSound(digest=noted.digest, loudness=noted.loudness) if noted is not None else None


def _made_on(folder: Path, journal: Journal) -> tuple[str, ...]:
    """Where the frames that stand were made, as a rendering noted it at its end, or at its beginning where it was stopped."""
    line = journal.lines.get(SUMMARY)
    if (folder / MADE_ON).is_file():
        return read_json(folder / MADE_ON, tuple[str, ...])
    if line is None or not journal.holds(SUMMARY, line.key):
        return ()
    return read_json(folder / SUMMARY, RenderSummary).made_on


def _with_name(made_on: tuple[str, ...], name: str, *, anew: bool) -> tuple[str, ...]:
    """The same with one more device; only that one where everything was made anew."""
    return (name,) if anew else tuple(dict.fromkeys((*made_on, name)))


def _write_summary(folder: Path, journal: Journal, summary: RenderSummary, key: str) -> None:
    if not journal.holds(SUMMARY, key):
        write_json(folder / SUMMARY, summary)
        journal.add_file("render", SUMMARY, key=key)


def _summary(
    capture: Capture,
    treatment: Treatment,
    plan: Plan,
    frames: Table,
    heard: HeardSound | None,
    smooth: Table | None,
) -> RenderSummary:
    copies = [_copy_summary(plan, copy.recipe, copy.rate, len(copy.shown)) for copy in plan.copies]
    if smooth is not None and plan.smooth is not None:
        kinds = smooth["kind"]
        wanted = np.isfinite(smooth["unmatched_share"])
        own = _copy_summary(plan, SMOOTH, plan.smooth.rate, len(smooth))
        made = int(np.count_nonzero(kinds == SYNTHETIC))
        copies.append(replace(own, synthetic=made, refused=int(np.count_nonzero(wanted)) - made))
    sound = None
    if plan.sound is not None and capture.sound is not None and heard is not None:
        sound = SoundSummary(
            rate=SOUND_RATE,
            channels=capture.sound.channels,
            samples=plan.sound.map.out_samples,
            digest=heard.digest,
            shift_frames=plan.sound.shift_frames,
            set=plan.sound.set,
            stamp_jitter_ms=plan.sound.jitter_ms,
            loudness=heard.loudness,
            viewing=viewing_gain(plan.sound, heard.loudness),
            run=plan.sound.run,
            band_s=plan.sound.band_s,
            fixes=tuple(SoundFix(**asdict(fix)) for fix in plan.sound.fixes),
            guide=plan.sound.guide,
            repairs=repair_summary(plan.sound.repairs),
        )
    return RenderSummary(
        capture_digest=capture.digest,
        revision=treatment.revision,
        rate=plan.rate,
        width=plan.width,
        height=plan.height,
        bits=FINISHED.bits,
        frames=len(plan.frames),
        filled=plan.filled,
        left_out=plan.left_out,
        repeated=plan.repeated,
        copies=tuple(copies),
        stills=tuple(still_names(plan, frames).values()),
        sound=sound,
        findings=(
            *render_findings(capture, plan),
            *_gain_findings(sound),
            *repair_findings(sound),
            *_synthetic_findings(copies),
        ),
        steadiness=tuple(series.figure for series in plan.steadiness),
        flicker=plan.flicker,
        dirt=plan.dirt,
        before=tuple(before_names(plan, frames).values()),
        grey_scales=told_scales(plan.frames),
        light=told_scenes(plan.frames, frames),
        scene_titles=plan.titles,
    )


def _copy_summary(plan: Plan, recipe: CopyRecipe, rate: Fraction, frames: int) -> CopySummary:
    canvas = copy_canvas(recipe, plan.width, plan.height)
    return CopySummary(
        file=recipe.file,
        rate=rate,
        frames=frames,
        width=canvas.width,
        height=canvas.height,
        picture_width=canvas.picture_width,
        picture_height=canvas.picture_height,
        order=recipe.order,
        coding=recipe.coding,
        time_code=recipe.time_code,
    )


def _synthetic_findings(copies: list[CopySummary]) -> tuple[Finding, ...]:
    """A copy with pictures that no camera took says so."""
    return tuple(
        Finding(
            code="synthetic frames",
            where=copy.file,
            values={"file": copy.file, "frames": copy.synthetic, "of": copy.frames, "refused": copy.refused},
        )
        for copy in copies
        if copy.file == SMOOTH.file
    )


def _segments(
    shelf: FilmShelf, missing: list[SegmentJob], runner: Runner, progress: Progress, *, total: int, taken: str
) -> None:
    """Make the segments that are missing: from the capture, or copies alone from the finished film.

    `taken` is the key of the photographs that are taken on the way.
    """
    kept = total - sum(len(job.frames) for job in missing)
    progress("frames rendered", kept, total)
    for job, files in runner.run(
        render_segment, missing, watch=lambda done: progress("frames rendered", kept + done, total)
    ):
        shelf.note_segment(job, files)
        note_photographs(shelf.journal, job.photographs, key=taken)


def sound_files(
    folder: Path, capture: Capture, plan: Plan, journal: Journal, progress: Progress
) -> tuple[FinishedTrack | None, HeardSound | None]:
    """The finished sound and that of the viewing copies; what stands already is kept."""
    if plan.sound is None or capture.sound is None:
        return None, None
    flac, aac, pcm, paper = (f"work/segments/sound.{end}" for end in ("mka", "m4a", "mov", "json"))
    total, source = plan.sound.map.out_samples, folder / "archive.wav"
    key, viewing_key = sound_key(capture, plan), viewing_sound_key(capture, plan)
    if all(journal.holds(file, key) for file in (flac, paper)):
        heard = read_json(folder / paper, HeardSound)
    else:
        heard = render_track(
            source,
            plan.sound,
            flac=folder / flac,
            watch=lambda done: progress("samples of sound", done, total),
        )
        write_json(folder / paper, heard)
        for file in (flac, paper):
            journal.add_file("render", file, key=key, stop=total, rows=total)
    if any(copy.recipe.coding == "prores" for copy in plan.copies) and not journal.holds(pcm, key):
        render_editing_track(source, plan.sound, pcm=folder / pcm)
        journal.add_file("render", pcm, key=key, stop=total, rows=total)
    if not journal.holds(aac, viewing_key):
        gain = viewing_gain(plan.sound, heard.loudness)
        render_viewing_track(source, plan.sound, gain_db=gain.gain_db, aac=folder / aac)
        journal.add_file("render", aac, key=viewing_key, stop=total, rows=total)
    return FinishedTrack(flac=folder / flac, aac=folder / aac, pcm=folder / pcm), heard


def _copies_table(capture: Capture, plan: Plan, smooth: Table | None) -> Table:
    """A row for each frame of each copy."""
    rows = sum(len(copy.shown) for copy in plan.copies)
    copies: dict[str, NDArray[Any]] = {
        "copy": np.array([copy.recipe.file for copy in plan.copies for _ in copy.shown], dtype=object),
        "shown_frame": np.concatenate([np.arange(len(copy.shown), dtype=np.int32) for copy in plan.copies]),
        "finished_frame": np.concatenate([np.asarray(copy.shown, np.int32) for copy in plan.copies]),
        "kind": np.full(rows, REAL, dtype=object),
        "next_frame": np.full(rows, -1, np.int32),
        "share": np.zeros(rows),
        "unmatched_share": np.full(rows, np.nan),
    }
    if smooth is not None:
        copies = {name: np.concatenate([column, smooth[name]]) for name, column in copies.items()}
    return Table(name="copies", columns=COPY_COLUMNS, values=copies, capture_digest=capture.digest)


def _small_tables(
    folder: Path,
    capture: Capture,
    plan: Plan,
    smooth: Table | None,
    track: TrackPaper | None,
    journal: Journal,
    key: str,
) -> None:
    tables = {"copies.parquet": _copies_table(capture, plan, smooth)}
    if plan.sound is not None:
        tables["sound.parquet"] = sound_table(capture, plan, plan.sound, track)
    for file, table in tables.items():
        if not journal.holds(file, key):
            write_table(folder / file, table)
            journal.add_file("render", file, key=key, rows=len(table))


def _steadiness_table(folder: Path, capture: Capture, frames: Table, plan: Plan, journal: Journal) -> None:
    across, along = plan.steadiness
    series = (across.before_um, across.after_um, along.before_um, along.after_um)
    count = across.before_um.size
    key = key_of(RENDERING, capture.digest, [each.tobytes().hex() for each in series])
    if journal.holds(STEADINESS, key):
        return
    values: dict[str, NDArray[Any]] = {
        "capture": frames["capture"],
        "frame": frames["frame"],
    }
    names = (column.name for column in STEADINESS_COLUMNS[2:])
    values |= dict(zip(names, series, strict=True))
    table = Table(name="steadiness", columns=STEADINESS_COLUMNS, values=values, capture_digest=capture.digest)
    write_table(folder / STEADINESS, table)
    journal.add_file("render", STEADINESS, key=key, rows=count)


def _own_clock_findings(sound: SoundPlan) -> list[Finding]:
    """What there is to say of sound that was not captured with the picture."""
    found = _guide_findings(sound)
    on_guide = sound.guide is not None and sound.guide.used
    if not sound.set or not (sound.fixes or on_guide):
        return found
    count = len(sound.fixes) + (sound.guide.windows if on_guide and sound.guide is not None else 0)
    if on_guide and sound.band_s <= ACCEPTED_S[0]:
        values: dict[str, object] = {"band_s": round(sound.band_s, 3)}
        found.append(Finding(code="sound laid by its guide", where="sound", values=values))
    elif count == 1:
        found.append(Finding(code="start set, drift not known", where="sound"))
    else:
        values = {"fixes": count, "band_s": round(sound.band_s, 3)}
        wide = sound.band_s > ACCEPTED_S[0]
        found.append(
            Finding(code="sound band wide" if wide else "sound laid by fixes", where="sound", values=values)
        )
    far = [
        fix
        for fix in sound.fixes
        if abs(fix.left_out_s) > max(STRAY_SIGMAS * fix.left_out_sigma_s, DETECTED_S[0])
    ]
    if far:
        worst = max(far, key=lambda fix: abs(fix.left_out_s))
        values = {"film_position": worst.film_position, "seconds": round(worst.left_out_s, 3)}
        found.append(Finding(code="fix disagrees", where="sound", values=values))
    return found


def _guide_findings(sound: SoundPlan) -> list[Finding]:
    """Where the guide lays nothing, or not all."""
    guide = sound.guide
    if guide is None:
        return []
    if not guide.used:
        return [Finding(code="guide lays nothing", where="sound", values={"why": guide.refusal})]
    found = []
    for code, stretches in (
        ("sound jumps on its guide", guide.jumps),
        ("guide not followed", guide.not_found),
    ):
        if stretches:
            values: dict[str, object] = {"places": [list(stretch) for stretch in stretches]}
            found.append(Finding(code=code, where="sound", values=values))
    return found


def render_findings(capture: Capture, plan: Plan) -> tuple[Finding, ...]:
    """What there is to say of a plan: weak registration, how the sound lies, where it is missing."""
    found = []
    if plan.filled:
        values: dict[str, object] = {
            "by": capture.position_from,
            "frames": plan.filled,
            "of": len(plan.frames),
        }
        found.append(Finding(code="registration weak", where="finished.mkv", values=values))
    found += plan.findings
    found += _left_out_findings(plan)
    sound = plan.sound
    if sound is None or capture.sound is None:
        return tuple(found)
    if sound.time_base_guessed:
        found.append(Finding(code="time base guessed", where="sound"))
    elif not sound.set and not (sound.guide is not None and sound.guide.jumps):
        found.append(Finding(code="sync not set", where="sound"))
    found += _own_clock_findings(sound)
    for code, off in (
        ("sync mark differs", sound.marks_off_frames),
        ("head distance differs", sound.head_off_frames),
    ):
        if worth_a_look(off):
            found.append(Finding(code=code, where="sound", values={"frames": round(off, 2)}))
    if sound.set_aside:
        found.append(
            Finding(code="time stamps set aside", where="frames.csv", values={"count": sound.set_aside})
        )
    cover = sound.coverage
    if cover.silent_head_s > LEAST_SILENCE_S or cover.silent_tail_s > LEAST_SILENCE_S:
        values = {"head_s": round(cover.silent_head_s, 2), "tail_s": round(cover.silent_tail_s, 2)}
        found.append(Finding(code="sound shorter", where="sound", values=values))
    unused = cover.unused_head_s + cover.unused_tail_s
    if unused > LEAST_SILENCE_S:
        found.append(Finding(code="sound longer", where="sound", values={"seconds": round(unused, 2)}))
    return tuple(found)


def _left_out_findings(plan: Plan) -> list[Finding]:
    """A copy that runs slower than the film can't show every frame of it."""
    found = []
    for copy in plan.copies:
        lacking = len(plan.frames) - len(set(copy.shown))
        if lacking:
            values: dict[str, object] = {
                "file": copy.recipe.file,
                "rate": str(copy.rate),
                "frames": lacking,
                "of": len(plan.frames),
            }
            found.append(Finding(code="copy leaves frames out", where=copy.recipe.file, values=values))
    return found


def _gain_findings(sound: SoundSummary | None) -> tuple[Finding, ...]:
    """Where the viewing copies do not play as loud as was decided."""
    if sound is None or sound.viewing.limit in ("target", "stated"):
        return ()
    if sound.viewing.limit == "nothing measured":
        return (Finding(code="loudness not measured", where="sound"),)
    values: dict[str, object] = {
        "limit": sound.viewing.limit,
        "gain_db": sound.viewing.gain_db,
        "wanted_db": sound.viewing.wanted_db,
    }
    return (Finding(code="loudness held back", where="sound", values=values),)
