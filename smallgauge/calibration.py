"""Calibrating and lining up a machine.

calibrate   a capture of something of known size      -> its scale, in `machines.toml` beside the reels
line_up     a short capture after a change of gauge   -> go or no-go, in `line-ups.jsonl` beside the reels
"""

from pathlib import Path

from smallgauge.analyse.calibrate import calibrate_by_film, calibrate_by_graticule
from smallgauge.analyse.machine import line_up_film, line_up_graticule
from smallgauge.analyse.outside import look_outside, measure_outside
from smallgauge.analyse.source import Source
from smallgauge.crew import Crew
from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import Gauge, gauge_named
from smallgauge.gauge.geometry import new_pitch_mm
from smallgauge.line import Settings, machines_beside
from smallgauge.record.files import read_text_if_there, write_text
from smallgauge.record.lineups import MachineLineUp, add_line_up
from smallgauge.record.machines import (
    EVERY_GAUGE,
    MACHINES_FILE,
    Machines,
    MachineScale,
    read_machines,
    with_scale,
)


def calibrate(
    path: Path,
    out: Path,
    settings: Settings,
    *,
    machine: str,
    by: str,
    gauge: str | None = None,
    graticule: str | None = None,
    pitch: str | None = None,
) -> tuple[MachineScale, str]:
    """Measure a machine's scale from a capture and keep it beside the reels; the scale, and the gauge it is kept for.

    `graticule` is its period in millimetres ("0.5", or "0.5x0.4" across and along), `pitch` that of the film captured:
    "long", "short", "new" (either), "4.2342" or "4.22..4.24" millimetres. One of the two is given.
    """
    if (graticule is None) == (pitch is None):
        raise CallerError(
            "`calibrate` needs what is in the picture: give either --graticule MM or --pitch long, short, new or MM."
        )
    if not machine.strip() or not by.strip():
        raise CallerError("A scale is kept for a machine and signed; give --machine NAME and --by INITIALS.")
    file = out / MACHINES_FILE
    text = read_text_if_there(file)
    read_machines(text, where=str(file))  # a document that is not understood is told before any work
    with Crew(1) as beside:
        source = look_outside(beside, path, stated=settings.stated, machines=Machines())
        if graticule is not None:
            kept_for = gauge_named(gauge).key if gauge else EVERY_GAUGE
            across_mm, along_mm = _two_numbers(
                graticule, "x", "--graticule", "0.5 or 0.5x0.4 (across x along)"
            )
            scale = measure_outside(
                beside,
                calibrate_by_graticule,
                source,
                settings.progress,
                across_mm=across_mm,
                along_mm=along_mm,
                by=by,
                at=settings.at,
            )
        else:
            film, limits, words = _known_pitch(source, gauge, pitch or "")
            kept_for = film.key
            scale = measure_outside(
                beside,
                calibrate_by_film,
                source,
                settings.progress,
                gauge=film,
                pitch_mm=limits,
                words=words,
                by=by,
                at=settings.at,
            )
    _make_shelf(out)
    write_text(file, with_scale(text, machine=machine, gauge=kept_for, scale=scale, where=str(file)))
    return scale, kept_for


def _known_pitch(source: Source, gauge: str | None, pitch: str) -> tuple[Gauge, tuple[float, float], str]:
    """The gauge of film of known pitch, the limits of that in millimetres, and how it is told."""
    known = gauge or source.notes.gauge
    if known is None:
        raise CallerError("Film of known pitch has a gauge; give --gauge, or state gauge in capture.toml.")
    film = gauge_named(known)
    if pitch in ("long", "short", "new"):
        return film, new_pitch_mm(film, pitch), f"{film.name} film, {pitch} pitch"  # type: ignore[arg-type]
    limits = _two_numbers(pitch, "..", "--pitch", "long, short, new, 4.2342 or 4.22..4.24")
    return film, limits, f"{film.name} film, pitch {pitch} mm"


def line_up(
    path: Path,
    out: Path,
    settings: Settings,
    *,
    machine: str,
    by: str,
    clear: bool = False,
    graticule: str | None = None,
    marks: tuple[str, ...] = (),
) -> tuple[MachineLineUp, MachineLineUp | None]:
    """Line a machine up from a short capture and keep it, dated, beside the reels; this line-up, and the one before it.

    `clear` says that nothing is in the picture, `graticule` is a glass's period in millimetres, `marks` are those of a test
    loop, each "frame=second".
    """
    if graticule is not None and (clear or marks):
        raise CallerError(
            "A graticule tells tilt and scale alone; give --clear and --mark with a capture of film, in a run of its own."
        )
    if not machine.strip() or not by.strip():
        raise CallerError(
            "A line-up is kept for a machine and signed; give --machine NAME and --by INITIALS."
        )
    heard = tuple(_mark(text) for text in marks)
    machines = machines_beside(out)
    with Crew(1) as beside:
        source = look_outside(beside, path, stated=settings.stated, machines=machines)
        stated = gauge_named(source.notes.gauge).key if source.notes.gauge else None
        if graticule is not None:
            period, _ = _two_numbers(graticule, "x", "--graticule", "0.5")
            gauge = stated or EVERY_GAUGE
            frames, figures, no_go = measure_outside(
                beside, line_up_graticule, source, settings.progress, period_mm=period
            )
        else:
            gauge, frames, figures, no_go = measure_outside(
                beside,
                line_up_film,
                source,
                settings.progress,
                clear=clear,
                marks=heard,
                head_frames=machines.head_offset(machine, stated) if stated else None,
            )
    paper = MachineLineUp(
        machine=machine,
        gauge=gauge,
        at=settings.at,
        by=by,
        capture=source.name,
        frames=frames,
        width_px=source.listing.width,
        height_px=source.listing.height,
        go=not no_go,
        no_go=no_go,
        figures=figures,
    )
    _make_shelf(out)
    return paper, add_line_up(out, paper)


def _mark(text: str) -> tuple[int, float]:
    frame, _, second = text.partition("=")
    try:
        return int(frame), float(second)
    except ValueError:
        raise CallerError(
            f"--mark needs the frame in which a mark is seen and the second at which it is heard, as 120=7.42, found '{text}'."
        ) from None


def _two_numbers(text: str, between: str, option: str, usual: str) -> tuple[float, float]:
    """Two millimetres from text, the same one twice where there is one."""
    first, _, second = text.partition(between)
    try:
        return float(first), float(second or first)
    except ValueError:
        raise CallerError(f"{option} needs {usual}, found '{text}'.") from None


def _make_shelf(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise MaterialError(
            f"The shelf must be a folder that can be written, but {error.strerror or error} at {out}; choose another --out."
        ) from None
