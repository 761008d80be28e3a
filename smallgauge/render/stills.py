"""Photographs of the finished film, and beside those whose colour was corrected the same frame as the film is today.

photographs_of    plan, frames               -> the photographs that are wanted
take_photographs  a frame that was rendered  -> its photographs, where some are wanted: no frame is read for them alone
drop_photographs  those that are no longer wanted are taken away
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.stills import write_still
from smallgauge.picture.colour import FrameColour
from smallgauge.picture.display import srgb_of_display
from smallgauge.picture.evenness import Evenness
from smallgauge.record.journal import Journal
from smallgauge.record.recipe import FINISHED, STILLS
from smallgauge.record.table import Table
from smallgauge.render.frame import render_frame
from smallgauge.render.plan import FramePlan, Plan, still_frames
from smallgauge.render.plan_colour import ColourPlan
from smallgauge.render.told_colour import corrected

ENCODING = "sRGB"  # part of a still's key: those of older programs had the finished film's codes


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """One photograph: its file below the reel's folder, the finished frame, and whether it shows the film as it is today."""

    file: str
    finished: int
    today: bool


def photographs_of(plan: Plan, frames: Table) -> tuple[Photograph, ...]:
    """The photographs that a rendering is to have."""
    return (
        *(Photograph(file=file, finished=n, today=False) for n, file in still_names(plan, frames).items()),
        *(Photograph(file=file, finished=n, today=True) for n, file in before_names(plan, frames).items()),
    )


def still_key(pictures: str) -> str:
    """What photographs depend on, as the journal has it; `pictures` is the key of the finished film's."""
    return f"{pictures}.{ENCODING}"


def still_names(plan: Plan, frames: Table) -> dict[int, str]:
    """Finished frame -> file, of the sharpest frame of each scene."""
    chosen = still_frames(plan, frames["sharpness"], most=STILLS.most)
    return {n: f"{STILLS.folder}/{still_name(plan, n)}" for n in chosen}


def before_names(plan: Plan, frames: Table) -> dict[int, str]:
    """Finished frame -> file of the same frame without any correction, of the stills whose colour was corrected."""
    return {
        n: f"{STILLS.folder}/{STILLS.before}{still_name(plan, n)}"
        for n in still_names(plan, frames)
        if corrected(plan.frames[n].colour.look)
    }


def still_name(plan: Plan, n: int) -> str:
    """File name of the photograph of a finished frame: its scene, from 1, and its number."""
    return f"scene-{plan.frames[n].scene + 1:03d}-{n:06d}.jpg"


def as_it_is_today(colour: ColourPlan) -> FrameColour | None:
    """What is done to the frame of a before picture: the lamp of that very frame is divided out, nothing else."""
    return None if colour.lamp is None else FrameColour(lamp=colour.lamp)


def srgb_picture(codes: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """The finished film's codes as sRGB in 8 bits, three colours of a grey picture too.

    Examples
    --------
    >>> srgb_picture(np.array([[0, 2048, 4095]], np.uint16))[0].tolist()
    [[0, 0, 0], [120, 120, 120], [255, 255, 255]]
    """
    eight = np.rint(srgb_of_display(FINISHED.bits) * (255 / ((1 << FINISHED.bits) - 1))).astype(np.uint8)
    picture = eight[codes]
    return np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture


def take_photographs(
    folder: Path,
    wanted: Iterable[Photograph],
    frame: FramePlan,
    finished: NDArray[np.uint16],
    *,
    read: Callable[[int], Any],
    table: NDArray[np.float32] | None,
    evenness: Evenness | None,
) -> None:
    """Write those of the wanted photographs that are of this frame: `finished` are its codes, `read` gives captured samples."""
    for each in wanted:
        if each.finished != frame.finished:
            continue
        codes = finished
        if each.today:  # nothing was repaired
            codes = render_frame(
                read(frame.frame),
                table=table,
                move=frame.move,
                width=finished.shape[1],
                height=finished.shape[0],
                bits=FINISHED.bits,
                frame=frame.finished,
                colour=as_it_is_today(frame.colour),
                evenness=evenness,
            )
        (folder / each.file).parent.mkdir(exist_ok=True)
        write_still(folder / each.file, srgb_picture(codes), quality=STILLS.quality)


def note_photographs(journal: Journal, written: Iterable[Photograph], *, key: str) -> None:
    """Note photographs that were written, with the key of what they depend on."""
    for each in written:
        journal.add_file("render", each.file, key=key, first=each.finished, stop=each.finished + 1)


def drop_photographs(folder: Path, journal: Journal, wanted: Iterable[Photograph]) -> None:
    """Take away the scenes' photographs that are no longer wanted."""
    files = {each.file for each in wanted}
    begins = tuple(f"{STILLS.folder}/{before}scene-" for before in ("", STILLS.before))
    for old in [f for f in journal.lines if f.startswith(begins) and f not in files]:
        (folder / old).unlink(missing_ok=True)
        journal.forget(old)
