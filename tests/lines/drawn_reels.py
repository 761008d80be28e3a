"""The drawn reels that tests of whole lines share: invented, with known truth."""

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from smallgauge.demo import track_truth, write_specimen
from smallgauge.line import Outcome, Settings, finish
from smallgauge.picture.synthetic import (
    PerforationDamage,
    ReelTruth,
    SceneTruth,
    specimen_truth,
)
from smallgauge.sound.synthetic import TrackTruth

AT = "2026-01-17T10:00:00Z"
SMALL = {"width": 256, "height": 192, "frames": 6}


@dataclass(frozen=True)
class DrawnReel:
    """A reel's truth and how it is written."""

    truth: ReelTruth
    format: str
    sound: TrackTruth | None
    reel: str


@dataclass(frozen=True)
class Made:
    """A drawn capture and the reel's folder that the line made of it."""

    drawn: DrawnReel
    capture: Path
    folder: Path
    outcome: Outcome


def _super_8() -> DrawnReel:
    truth = specimen_truth(
        "super 8",
        width=512,
        height=384,
        frames=60,
        seed=11,
        punching_um=1.0,
        striped=True,
        bits=10,
        code_values="log",
        scan_pattern="wandering",
        stamp_jitter_s=0.00002,
        clap_frames=(31,),
        flicker=0.01,
        scenes=(
            SceneTruth(kind="garden", first=0, stop=24),
            SceneTruth(kind="birthday", first=24, stop=60, begins_s=1.0),
        ),
    )
    return DrawnReel(truth, "dpx", track_truth(truth), "0000013-R01-3")


def _standard_8() -> DrawnReel:
    damage = (
        PerforationDamage(film_perforation=4, kind="torn"),
        PerforationDamage(film_perforation=9, kind="claw"),
        PerforationDamage(film_perforation=17, kind="chipped", amount_mm=0.25),
        PerforationDamage(film_perforation=18, kind="crack", amount_mm=0.4),
        PerforationDamage(film_perforation=31, kind="elongated", amount_mm=0.2),
        PerforationDamage(film_perforation=40, kind="torn"),
    )
    truth = specimen_truth(
        "standard 8",
        width=384,
        height=288,
        frames=40,
        seed=12,
        punching_um=1.0,
        bits=8,
        code_values="gamma",
        damage=damage,
        missing=(20, 21, 22),
        open_gate_level=0.97,
        scenes=(
            SceneTruth(kind="sea", first=0, stop=35),
            SceneTruth(kind="garden", first=35, stop=80),
        ),
    )
    return DrawnReel(truth, "png", None, "standard-8-torn")


def _sixteen() -> DrawnReel:
    truth = specimen_truth(
        "16 mm, one row",
        width=384,
        height=288,
        frames=40,
        seed=13,
        punching_um=1.0,
        bits=16,
        camera_rate=Fraction(24),
        flicker=0.01,
        scenes=(SceneTruth(kind="birthday", first=0, stop=60),),
    )
    return DrawnReel(truth, "tiff", None, "sixteen")


def _three_to_twenty_five() -> DrawnReel:
    truth = specimen_truth(
        "super 8",
        width=256,
        height=192,
        frames=60,
        seed=14,
        striped=True,
        bits=8,
        code_values="gamma",
        scan_pattern="3 to 25",
    )
    sound = replace(
        track_truth(truth), content="tone", tone_hz=1000.0, film_hum_level=0.0, chain_hum_level=0.0
    )
    return DrawnReel(truth, "png", sound, "three-to-twenty-five")


REELS: dict[str, Callable[[], DrawnReel]] = {
    "super 8": _super_8,
    "standard 8": _standard_8,
    "16 mm": _sixteen,
    "3 to 25": _three_to_twenty_five,
}


def write(drawn: DrawnReel, folder: Path) -> None:
    """Write a drawn reel; numbers of frames that were not captured are missing from the file names."""
    write_specimen(
        folder,
        drawn.truth,
        format=drawn.format,  # type: ignore[arg-type]
        sound=drawn.sound is not None,
        track=drawn.sound,
        reel=drawn.reel,
        box_words="Invented reel",
        processes=1,
    )
    order_masters(folder)


def small_reel(folder: Path, *, sound: bool = True, format: str = "png", **changes: object) -> ReelTruth:
    """Draw a reel of a few small frames: enough to be recognised, quick to finish."""
    bits = {"png": 8, "dpx": 10, "tiff": 16}[format]
    values: dict[str, object] = {**SMALL, "bits": bits, "striped": sound, "seed": 5, **changes}
    gauge = str(values.pop("gauge", "super 8"))
    truth = specimen_truth(gauge, **values)  # type: ignore[arg-type]
    write_specimen(
        folder,
        truth,
        format=format,  # type: ignore[arg-type]
        sound=sound,
        reel=folder.name,
        box_words="",
        processes=1,
    )
    order_masters(folder)
    return truth


def order_masters(folder: Path) -> None:
    """The order asks for archive copy and finished film in the package."""
    with (folder / "capture.toml").open("a", encoding="utf-8") as notes:
        notes.write("masters = true\n")


def settings(**changes: object) -> Settings:
    """One worker, a fixed time."""
    return Settings(**{"at": AT, "workers": 1, **changes})  # type: ignore[arg-type]


def finish_drawn(name: str, base: Path) -> Made:
    """Draw and finish one of REELS below `base`; the truth's missing frames leave a gap in the numbers."""
    drawn = REELS[name]()
    capture, shelf = base / drawn.reel / "capture", base / drawn.reel / "shelf"
    write(drawn, capture)
    if drawn.truth.missing:
        leave_gaps(capture, drawn.truth)
    return Made(drawn, capture, shelf / drawn.reel, finish(capture, shelf, settings()))


def leave_gaps(capture: Path, truth: ReelTruth) -> None:
    """Number the files by the film's frames, as a scanner does that lost some."""
    from smallgauge.picture.synthetic import film_frame_of

    files = sorted(capture.glob("frame_*"))
    for number in reversed(range(len(files))):
        film = film_frame_of(truth, number)
        files[number].rename(capture / f"frame_{film:06d}{files[number].suffix}")


def copy_folder(source: Path, target: Path) -> Path:
    """A copy of a folder, hard links kept apart: every file is a file of its own."""
    shutil.copytree(source, target)
    return target


def relink_package(folder: Path) -> None:
    """Link the package's files to the reel's again, as `deliver` leaves them, after a copy."""
    import json

    listed = json.loads((folder / "package.json").read_text(encoding="utf-8"))
    for part in listed["parts"]:
        place = folder / "package" / part["place"]
        place.unlink()
        os.link(folder / part["of"], place)
