"""The demonstration: a specimen reel that the program draws itself, with its truth beside it.

Shop, reel, maker of the film and family are invented.
"""

import json
import re
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, replace
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Literal

import numpy as np

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.line import Outcome, Settings, finish
from smallgauge.media.specimen_out import FRAME_SUFFIXES, write_capture_frame, write_capture_sound
from smallgauge.media.whole import write_whole_bytes
from smallgauge.picture.synthetic import (
    PerforationDamage,
    ReelTruth,
    SceneTruth,
    draw_frame,
    film_position_at,
    frame_times_s,
    frame_truth,
)
from smallgauge.sound.synthetic import TrackTruth, camera_time_s, draw_track

DEMO_SHOP = "Tallow & Finch, film transfer, Merrowby"
DEMO_REEL = "0004171-R03-7"
DEMO_BOX_WORDS = "Garden, Aunt Oriel's birthday, day at Saltings Bay, summer"
DEMO_MACHINE = "bench two"

DEMO = ReelTruth(
    gauge="super-8",
    frames=200,
    width=800,
    height=600,
    micrometres_per_pixel=11.4,
    seed=4171,
    camera_rate=Fraction(18),
    scenes=(
        SceneTruth(kind="garden", first=0, stop=70),
        SceneTruth(kind="birthday", first=70, stop=136, begins_s=1.0),
        SceneTruth(kind="sea", first=136, stop=200, begins_s=0.5),
    ),
    clap_frames=(96,),
    striped=True,
    shrinkage=0.006,
    damage=(
        PerforationDamage(film_perforation=23, kind="chipped", amount_mm=0.2),
        PerforationDamage(film_perforation=58, kind="claw"),
        PerforationDamage(film_perforation=59, kind="elongated", amount_mm=0.18),
        PerforationDamage(film_perforation=88, kind="crack", amount_mm=0.35),
        PerforationDamage(film_perforation=121, kind="torn"),
        PerforationDamage(film_perforation=122, kind="specks"),
        PerforationDamage(film_perforation=136, kind="tape"),
    ),
    splices=(70, 136),
    dirt_per_frame=1.5,
    edge_print="MERROWBY SAFETY FILM 7",
    bits=10,
    code_values="log",
    scan_pattern="wandering",
    stamp_jitter_s=0.0005,
)
DEMO_HEAD_OFFSET_FRAMES = 12.0  # of the invented machine

# Seconds of sound before the first frame and after the last: common practice, no source.
_SOUND_BEFORE_S, _SOUND_AFTER_S = 2.0, 1.0
_CHUNK = 10  # frames drawn in one go by one process


# The same reel, small and short, for a first look at the bench.
SMALL_DEMO = replace(
    DEMO,
    frames=96,
    width=480,
    height=360,
    micrometres_per_pixel=19.0,
    scenes=(
        SceneTruth(kind="garden", first=0, stop=34),
        SceneTruth(kind="birthday", first=34, stop=66, begins_s=1.0),
        SceneTruth(kind="sea", first=66, stop=96, begins_s=0.5),
    ),
    clap_frames=(50,),
    damage=(
        PerforationDamage(film_perforation=12, kind="chipped", amount_mm=0.2),
        PerforationDamage(film_perforation=41, kind="torn"),
        PerforationDamage(film_perforation=42, kind="specks"),
        PerforationDamage(film_perforation=66, kind="tape"),
    ),
    splices=(34, 66),
)


def make_small_shelf(out: Path, settings: Settings) -> Path:
    """Draw the small reel and take it to its proposed treatment; the shelf that it then lies on.

    Drawn once: when `out` holds it already, that one is used again.
    """
    _draw_once(out, SMALL_DEMO, settings)
    finish(out / "capture", out / "shelf", settings)
    return out / "shelf"


def _draw_once(out: Path, truth: ReelTruth, settings: Settings) -> None:
    """Draw a demonstration's capture, unless it is there."""
    capture = out / "capture"
    if (out / "capture-truth" / "drawn").exists():
        return
    if capture.exists() and any(capture.iterdir()):
        _clear_half_drawn(capture)
    write_specimen(
        capture,
        truth,
        processes=settings.workers or 2,
        progress=lambda done, of: settings.progress("frames drawn", done, of),
    )
    write_whole_bytes(out / "capture-truth" / "drawn", b"whole\n")


def run_demo(out: Path, settings: Settings, *, tell: bool) -> Outcome:
    """Draw the demonstration reel, take it through everything, and say what was done and where to look.

    The reel is drawn once: when `out` holds it already it is used again, and the line goes on where it
    stopped.
    """
    _draw_once(out, DEMO, settings)
    outcome = finish(out / "capture", out / "shelf", settings)
    if tell:
        print(demo_words(out, outcome))
    return outcome


def _clear_half_drawn(capture: Path) -> None:
    """Take away a drawing that was broken off; refuse a folder that holds anything else."""
    names = sorted(path.name for path in capture.iterdir())
    ours = re.compile(r"frame_\d{6}\.dpx|frames\.csv|capture\.toml|sound\.wav")
    strangers = [name for name in names if not ours.fullmatch(name)]
    toml = capture / "capture.toml"
    if strangers or not toml.exists() or DEMO_SHOP not in toml.read_text(encoding="utf-8"):
        raise CallerError(
            f"The demonstration needs an empty place, but {capture} holds files that it did not draw; "
            "name another with --out."
        )
    for name in names:
        (capture / name).unlink()


def demo_words(out: Path, outcome: Outcome) -> str:
    """What the demonstration did and where to look."""
    reel = Path(outcome.folder)
    return f"""
{DEMO_SHOP} (invented) scanned reel {outcome.reel}: {DEMO.frames} frames of striped Super 8
with torn, worn and taped perforations, two splices and a clap. What was done:
  analyse  read every frame once, found every perforation, kept the untouched copy of the scan
  treat    proposed camera speed, framing, steadiness and sound position, each with its reason
  render   made the finished film, a viewing copy, a television copy and photographs
  prove    decoded every frame again and compared it with what was captured and rendered
  deliver  made the report and the package

Look at:
  {reel / "report.html"}
  {reel / "television.mp4"}
  {reel / "package"}
  {out / "capture-truth" / "truth.json"}   (what is true of the reel, to compare)
Then decide something, and make again only what it changes:
  smallgauge treat {reel} --decide camera_speed 16 --by you --why "to see what happens"
  smallgauge finish {out / "capture"} --out {out / "shelf"}
"""


def track_truth(truth: ReelTruth, *, head_offset_frames: float = DEMO_HEAD_OFFSET_FRAMES) -> TrackTruth:
    """The sound that goes with a drawn reel: its gauge's separation, claps and splices as on the film.

    Examples
    --------
    >>> track = track_truth(DEMO)
    >>> track.ahead_frames, track.clap_frames, track.splices
    (18.0, (96,), (70, 136))
    """
    gauge = gauge_named(truth.gauge)
    if not gauge.tracks:
        raise CallerError(
            f"Sound was asked for and {gauge.name} carries none; write the specimen without sound."
        )
    return TrackTruth(
        camera_rate=truth.camera_rate,
        ahead_frames=gauge.tracks[0].ahead_frames.value,
        head_offset_frames=head_offset_frames,
        clap_frames=truth.clap_frames,
        splices=truth.splices,
        seed=truth.seed,
    )


def write_specimen(
    folder: Path,
    truth: ReelTruth,
    *,
    format: Literal["dpx", "png", "tiff"] = "dpx",
    sound: bool = True,
    track: TrackTruth | None = None,
    reel: str = DEMO_REEL,
    box_words: str = DEMO_BOX_WORDS,
    processes: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Draw a reel into a folder as a scanner would leave it; its truth goes into `<folder>-truth`.

    Parameters
    ----------
    folder : Path
        Made if it is not there; must be empty.
    truth : ReelTruth
    format : "dpx", "png" or "tiff"
    sound : bool
        Write sound.wav; `track` says what is on it, by default `track_truth(truth)`.
    reel, box_words : str
        Written into capture.toml.
    processes : int
        1 draws in this process; more start fresh ones.
    progress : function, optional
        Called with frames done and frames in all.

    Raises
    ------
    CallerError
        If the folder holds anything, or sound is asked for a reel with repeated frames.

    Notes
    -----
    Source: definition (the capture folder of docs/guide/specimens.md).

    Examples
    --------
    >>> import tempfile
    >>> from smallgauge.picture.synthetic import specimen_truth
    >>> home = Path(tempfile.mkdtemp()) / "capture"
    >>> small = specimen_truth("super 8", width=96, height=72, frames=2)
    >>> write_specimen(home, small, format="png", processes=1)
    >>> sorted(path.name for path in home.iterdir())
    ['capture.toml', 'frame_000000.png', 'frame_000001.png', 'frames.csv', 'sound.wav']
    >>> (home.parent / "capture-truth" / "truth.json").exists()
    True
    """
    if folder.exists() and any(folder.iterdir()):
        raise CallerError(
            f"An empty folder was needed for the specimen, but {folder} holds files; name a new one."
        )
    if sound and truth.repeated:
        raise CallerError(
            "Sound was asked for a reel with repeated frames, whose film stood still; leave one out."
        )
    folder.mkdir(parents=True, exist_ok=True)
    chosen = (track or track_truth(truth)) if sound else None
    times = frame_times_s(truth)
    lines = ["frame,time_s", *(f"{number},{time:.6f}" for number, time in enumerate(times))]
    (folder / "frames.csv").write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
    (folder / "capture.toml").write_text(
        _capture_toml(truth, chosen, reel, box_words), encoding="utf-8", newline="\n"
    )
    seconds = float(times[-1]) + _SOUND_AFTER_S
    if chosen is not None:
        samples = draw_track(
            chosen,
            lambda time_s: film_position_at(truth, time_s),
            start_s=truth.first_frame_s - _SOUND_BEFORE_S,
            samples=round((seconds - truth.first_frame_s + _SOUND_BEFORE_S) * chosen.sample_rate),
        )
        write_capture_sound(folder / "sound.wav", samples, sample_rate=chosen.sample_rate)
    beside = folder.with_name(folder.name + "-truth")
    beside.mkdir(exist_ok=True)
    paper = json.dumps(_truth_paper(truth, chosen, seconds), indent=1)
    (beside / "truth.json").write_text(paper + "\n", encoding="utf-8", newline="\n")
    _write_frames(folder, truth, FRAME_SUFFIXES[format], processes, progress)


def _write_frames(
    folder: Path,
    truth: ReelTruth,
    suffix: str,
    processes: int,
    progress: Callable[[int, int], None] | None,
) -> None:
    runs = [(first, min(first + _CHUNK, truth.frames)) for first in range(0, truth.frames, _CHUNK)]
    done = 0
    if processes <= 1:
        for first, stop in runs:
            done += _write_run(folder, truth, suffix, first, stop)
            if progress:
                progress(done, truth.frames)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        jobs = [pool.submit(_write_run, folder, truth, suffix, first, stop) for first, stop in runs]
        for job in as_completed(jobs):
            done += job.result()
            if progress:
                progress(done, truth.frames)


def _write_run(folder: Path, truth: ReelTruth, suffix: str, first: int, stop: int) -> int:
    """Draw and write frames [first, stop); how many."""
    for number in range(first, stop):
        samples = draw_frame(truth, number).samples
        assert samples is not None
        write_capture_frame(folder / f"frame_{number:06d}{suffix}", samples, bits=truth.bits)
    return stop - first


def _capture_toml(truth: ReelTruth, track: TrackTruth | None, reel: str, box_words: str) -> str:
    """What the operator of the invented shop knows of this capture."""
    import tomli_w

    words: dict[str, Any] = {
        "format": 1,
        "reel": reel,
        "box_words": box_words,
        "machine": DEMO_MACHINE,
        "gauge": gauge_named(truth.gauge).name,
        "micrometres_per_pixel": truth.micrometres_per_pixel,
        "code_values": truth.code_values,
        "film": truth.film,
        "light": truth.light,
        "illumination": truth.illumination,
        "perforations_in_view": truth.perforations_in_view,
        "perforation_side": truth.perforation_side,
    }
    if truth.code_values == "gamma":
        words["gamma_curve"] = str(truth.gamma_curve)
    if truth.code_values == "log":
        words["log_density_range"] = truth.log_density_range
    if truth.bits in (10, 12):
        words["code_bits"] = truth.bits
    if track is not None:
        words["sound_head_offset_frames"] = track.head_offset_frames
        words["sound_start_s"] = truth.first_frame_s - _SOUND_BEFORE_S
    return f"# {DEMO_SHOP}. A drawn specimen: shop, reel and family are invented.\n" + tomli_w.dumps(words)


def _truth_paper(truth: ReelTruth, track: TrackTruth | None, until_s: float) -> dict[str, Any]:
    """Everything that is true of the reel, as truth.json says it (docs/guide/specimens.md)."""
    frames = []
    for number in range(truth.frames):
        true = frame_truth(truth, number)
        frames.append(
            {
                "frame": number,
                "film_frame": true.film_frame,
                "scene": true.scene,
                "perforations": [
                    {
                        "perforation": hole.film_perforation,
                        "row": hole.row,
                        "x": round(hole.x_px, 4),
                        "y": round(hole.y_px, 4),
                        "damage": hole.damage,
                        "whole_in_view": hole.whole_in_view,
                    }
                    for hole in true.perforations
                ],
                "film_reference": [round(value, 4) for value in true.film_reference_px],
                "picture_centre": [round(value, 4) for value in true.picture_centre_px],
                "aperture_corners": [[round(x, 4), round(y, 4)] for x, y in true.gate_corners_px],
                "light_gain": round(true.light_gain, 6),
                "exposure": true.exposure,
            }
        )
    first = frame_truth(truth, 0)
    paper: dict[str, Any] = {
        "what": "A drawn specimen with known truth.",
        "pixel": "(0, 0) is the centre of the top-left pixel, x right, y down",
        "perforation_px": list(first.hole_size_px),
        "pixels_per_mm": first.pixels_per_mm,
        "camera_fps": float(truth.camera_rate),
        "scene_starts": [scene.first for scene in truth.scenes],
        "clap_frames": list(truth.clap_frames),
        "reel": json.loads(json.dumps(asdict(truth), default=str)),
        "frames": frames,
    }
    if track is not None:
        times = np.arange(truth.first_frame_s - _SOUND_BEFORE_S, until_s, 0.005)
        heard_s = camera_time_s(track, film_position_at(truth, times))
        paper["sound_map"] = {
            "note": "capture time -> time at the camera, seconds",
            "capture_s": [round(float(value), 6) for value in times],
            "camera_s": [round(float(value), 9) for value in heard_s],
        }
        paper["track"] = json.loads(json.dumps(asdict(track), default=str))
    return paper
