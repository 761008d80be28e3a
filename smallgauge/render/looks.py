"""The look of each scene as a file that other programs read: the same steps, without what is each frame's own.

A Common LUT Format file takes one colour to another. It can't hold what differs from frame to frame or from place to
place: lamp level and flicker, and the evenness of the light. Those stand in the tables, and the file says so.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.look_out import LookStep, LookWords, write_look
from smallgauge.picture.colour import BRIGHTEST, FrameColour
from smallgauge.picture.dyefade import FadeCorrection, apply_dyefade
from smallgauge.picture.negative import NegativeCorrection
from smallgauge.picture.rendering import apply_primaries, apply_shoulder
from smallgauge.picture.selective import apply_hues
from smallgauge.record.journal import Journal, key_of
from smallgauge.render.plan import FramePlan

Array = NDArray[np.float64]
FOLDER = "looks"
LOOKS = 2  # raised when the same look would give other bytes
EXPONENT = 2.4  # of the display: finished light is code ** 2.4
CURVE_KNOTS = 2049  # of the shoulder, in display code: off by less than 1e-6
DYE_POINTS, HUE_POINTS = 33, 65  # a side of the tables of dyes by a polynomial, and of hue windows
LEAST_DENSITY = -0.5  # of the table of dyes: light three times that of the open gate
# Of the table of hues: its points lie closest where light is least, as the display's code needs it
TABLE_EXPONENT = 3.0
MOST_LIGHT = 1.5  # of the table of hues: beyond it all is white
IN = "linear light of the film as scanned, the lamp of that frame 1, red green blue"
OUT = "display code 0 to 1, RGB of BT.709 primaries, light = code^2.4 (BT.1886)"
NOT_HELD = (
    "This file can't hold what is each frame's own: the lamp level that its light is divided by (render.parquet, lamp_red, "
    "lamp_green, lamp_blue), the light that strays over it, flicker, and what is each place's own: the evenness "
    "of the light. It holds no dither."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneLook:
    """Scenes in a row that share a look, counted from 1, and the file that holds it."""

    first: int
    last: int
    look: FrameColour
    file: str


def looks_of(frames: tuple[FramePlan, ...]) -> tuple[SceneLook, ...]:
    """The look of each run of scenes that share one."""
    by_scene: dict[int, FrameColour] = {}
    for frame in frames:
        if frame.scene >= 0:
            by_scene.setdefault(frame.scene, frame.colour.look or FrameColour())
    found: list[SceneLook] = []
    for scene in sorted(by_scene):
        look, number = by_scene[scene], scene + 1
        if found and found[-1].look == look and found[-1].last == scene:
            found[-1] = replace(
                found[-1], last=number, file=f"{FOLDER}/scenes-{found[-1].first:03d}-{number:03d}.clf"
            )
        else:
            found.append(
                SceneLook(first=number, last=number, look=look, file=f"{FOLDER}/scene-{number:03d}.clf")
            )
    return tuple(found)


def write_looks(folder: Path, reel: str, frames: tuple[FramePlan, ...], journal: Journal) -> None:
    """Write the file of each look below the reel's folder; those of looks that are no more are taken away."""
    wanted = looks_of(frames)
    files = {scene.file for scene in wanted}
    for old in [file for file in journal.lines if file.startswith(f"{FOLDER}/") and file not in files]:
        (folder / old).unlink(missing_ok=True)
        journal.forget(old)
    for scene in wanted:
        key = key_of("look", LOOKS, reel, scene)
        if journal.holds(scene.file, key):
            continue
        (folder / FOLDER).mkdir(exist_ok=True)
        write_look(folder / scene.file, look_steps(scene.look), words_of(scene, reel))
        journal.add_file("render", scene.file, key=key, first=scene.first, stop=scene.last + 1)


def words_of(scene: SceneLook, reel: str) -> LookWords:
    """What the file of a look says of itself."""
    said = f"scene {scene.first}" if scene.first == scene.last else f"scenes {scene.first} to {scene.last}"
    return LookWords(
        name=f"{reel}, {said}",
        goes_in=IN,
        comes_out=OUT,
        sentences=(f"Colour of {said} of reel {reel}.", NOT_HELD),
    )


def look_steps(look: FrameColour) -> tuple[LookStep, ...]:
    """A look as steps that a Common LUT Format file holds; lamp and flicker are left out."""
    steps: list[LookStep] = []
    if look.flare is not None:
        flare = np.asarray(look.flare)
        steps.append(_diagonal(1.0 / (1.0 - flare), -flare / (1.0 - flare)))
    steps.append(LookStep(kind="least", numbers=np.array(10.0**-look.deepest)))
    points = np.asarray(look.points.density) if look.points is not None else np.zeros(3)
    white, darkest = np.zeros(3), np.zeros(3)
    if look.output is not None:
        white = np.asarray(look.output.white)
        darkest = np.power(10.0, white - np.asarray(look.output.black))
    scale, shift = 1.0 / (1.0 - darkest), -darkest / (1.0 - darkest)
    if look.fade is None and look.negative is None and look.mono is None:
        steps.append(_diagonal(np.power(10.0, white - points) * scale, shift))
    else:
        steps += _density_steps(look)
        steps.append(_diagonal(-np.ones(3), white - points))
        steps.append(LookStep(kind="exponential", numbers=np.zeros(0)))
        steps.append(_diagonal(scale, shift))
    steps.append(LookStep(kind="most", numbers=np.array(BRIGHTEST)))
    if look.decision_list is not None:
        made = look.decision_list
        numbers = np.array([*made.slope, *made.offset, *made.power, made.saturation])
        steps.append(LookStep(kind="decision list", numbers=numbers))
    return (*steps, *_display_steps(look))


def _density_steps(look: FrameColour) -> list[LookStep]:
    """Fade, negative and one density, on density."""
    steps = [
        LookStep(kind="logarithm", numbers=np.zeros(0)),
        _diagonal(-np.ones(3), np.zeros(3)),
    ]
    if look.fade is not None:
        steps += _fade_steps(look.fade, look.deepest)
    if look.negative is not None:
        steps += _negative_steps(look.negative)
    if look.mono is not None:
        tone = np.asarray(look.mono.tone)
        steps.append(_matrix(tone[:, 1:] * np.asarray(look.mono.weights), tone[:, 0]))
    return steps


def _fade_steps(fade: FadeCorrection, deepest: float) -> list[LookStep]:
    if fade.linear:
        base = apply_dyefade(np.zeros(3), fade)
        return [_matrix((apply_dyefade(np.eye(3), fade) - base).T, np.asarray(base, np.float64))]
    side = np.linspace(LEAST_DENSITY, deepest, DYE_POINTS)
    cube = np.stack(np.meshgrid(side, side, side, indexing="ij"), axis=-1)
    reach = deepest - LEAST_DENSITY
    return [
        _diagonal(np.full(3, 1.0 / reach), np.full(3, -LEAST_DENSITY / reach)),
        LookStep(kind="table", numbers=np.asarray(apply_dyefade(cube, fade), np.float64)),
    ]


def _negative_steps(negative: NegativeCorrection) -> list[LookStep]:
    curves = np.array(negative.curves).T
    reach = np.asarray(negative.step) * (len(curves) - 1)
    return [
        _diagonal(1.0 / reach, -np.asarray(negative.first) / reach),
        LookStep(kind="curves", numbers=curves),
    ]


def _display_steps(look: FrameColour) -> list[LookStep]:
    """Hue windows, shoulder, primaries and the display's encoding."""
    power = LookStep(kind="power", numbers=np.array(1.0 / EXPONENT))
    ends = [LookStep(kind="least", numbers=np.array(0.0)), LookStep(kind="most", numbers=np.array(1.0))]
    if look.output is None and not look.hues:
        return [power, *ends]
    share = look.output.shoulder if look.output is not None else 0.0
    if look.output is not None and not look.hues:
        top = (1.0 + share) ** (1.0 / EXPONENT)
        code = np.linspace(0.0, top, CURVE_KNOTS)
        curve = apply_shoulder(code**EXPONENT, share=share) ** (1.0 / EXPONENT)
        knots = LookStep(kind="curves", numbers=np.repeat(curve[:, None], 3, axis=1))
        steps = [power, _diagonal(np.full(3, 1.0 / top), np.zeros(3)), knots]
        if not np.array_equal(look.output.matrix, np.eye(3)):
            light = LookStep(kind="power", numbers=np.array(EXPONENT))
            steps += [light, _matrix(np.asarray(look.output.matrix), np.zeros(3)), power]
        return [*steps, *ends]
    top = MOST_LIGHT ** (1.0 / TABLE_EXPONENT)
    side = np.linspace(0.0, top, HUE_POINTS) ** TABLE_EXPONENT
    cube = np.stack(np.meshgrid(side, side, side, indexing="ij"), axis=-1)
    made = apply_hues(cube, look.hues)
    if look.output is not None:
        made = apply_primaries(apply_shoulder(made, share=share), look.output.matrix)
    return [
        LookStep(kind="power", numbers=np.array(1.0 / TABLE_EXPONENT)),
        _diagonal(np.full(3, 1.0 / top), np.zeros(3)),
        LookStep(kind="table", numbers=np.sign(made) * np.abs(made) ** (1.0 / TABLE_EXPONENT)),
        LookStep(kind="power", numbers=np.array(TABLE_EXPONENT / EXPONENT)),
        *ends,
    ]


def _diagonal(scale: Array, shift: Array) -> LookStep:
    return _matrix(np.diag(scale), shift)


def _matrix(square: Array, shift: Array) -> LookStep:
    return LookStep(kind="matrix", numbers=np.concatenate([square, np.asarray(shift)[:, None]], axis=1))
