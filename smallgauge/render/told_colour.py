"""What a rendering tells of its colour: which steps each scene goes through, its grey scale, its light before and after.

corrected      a look -> whether it changes more than where white and black lie
told_scales    planned frames -> the grey scale of each look, from neutral film
told_scenes    planned frames, frame table -> light of the middle of each scene's pictures, before and after
"""

import math
from dataclasses import replace

import numpy as np

from smallgauge.picture.border_length import channels_of
from smallgauge.picture.colour import FrameColour, apply_colour
from smallgauge.record.table import Table
from smallgauge.record.toldcolour import GREY_DENSITIES, GreyScale, SceneLight, Triple
from smallgauge.render.looks import EXPONENT, looks_of
from smallgauge.render.plan import FramePlan
from smallgauge.render.plan_colour import NO_COLOUR

# What a step is called in `render.json`, in the order in which the steps are taken
STEPS = ("fade", "negative", "mono", "points", "output", "decision_list", "hues")
LEAST_GAIN = 1.03  # of a dye: a fade of less is called none, here and in words; common practice, no source


def corrected(look: FrameColour | None) -> bool:
    """Whether a look changes the colour: more than white and black, or one density of silver whose own tone is kept."""
    return any(step != "output" and not (step == "mono" and _keeps_tone(look)) for step in steps_of(look))


def _keeps_tone(look: FrameColour | None) -> bool:
    return look is not None and look.mono is not None and len(set(look.mono.tone)) > 1


def steps_of(look: FrameColour | None) -> tuple[str, ...]:
    """The steps of a look that change something, in their order.

    Examples
    --------
    >>> from smallgauge.picture.primary import PrinterPoints
    >>> steps_of(FrameColour(points=PrinterPoints(red=2.0))), steps_of(FrameColour(points=PrinterPoints()))
    (('points',), ())
    """
    if look is None:
        return ()
    there = [step for step in STEPS if getattr(look, step)]
    unmixing = (
        look.negative is not None
    )  # a negative's layers are brought in step on the way: that is no fade undone
    if look.fade is not None and (unmixing or max(look.fade.gain) < LEAST_GAIN):
        there.remove("fade")
    for step in ("points", "decision_list"):
        value = getattr(look, step)
        if value is not None and value == type(value)():
            there.remove(step)
    return tuple(there)


def told_scales(frames: tuple[FramePlan, ...]) -> tuple[GreyScale, ...]:
    """The grey scale of each look that does anything: scenes in a row that share one stand together."""
    out = []
    for scene in looks_of(frames):
        steps = steps_of(scene.look)
        if not steps:
            continue
        neutral = np.power(10.0, -np.asarray(GREY_DENSITIES))[None, :, None].repeat(3, axis=2)
        light = np.clip(apply_colour(neutral, scene.look)[0], 0.0, 1.0)
        red, green, blue = (
            tuple(round(float(code), 4) for code in channel ** (1.0 / EXPONENT)) for channel in light.T
        )
        out.append(
            GreyScale(first=scene.first - 1, stop=scene.last, steps=steps, red=red, green=green, blue=blue)
        )
    return tuple(out)


def told_scenes(frames: tuple[FramePlan, ...], table: Table) -> tuple[SceneLight, ...]:
    """Light of the middle of the pictures of each scene: as the film is, and as it was finished; NaN where not measured."""
    middle = channels_of(table.values, "picture_middle")
    rows: dict[int, list[int]] = {}
    looks: dict[int, FrameColour] = {}
    for frame in frames:
        if frame.scene >= 0:
            rows.setdefault(frame.scene, []).append(frame.source)
            looks.setdefault(frame.scene, frame.colour.look or NO_COLOUR)
    out = []
    for scene in sorted(rows):
        mine = middle[sorted(set(rows[scene]))]
        mine = mine[np.isfinite(mine).all(axis=1)]
        before, after = (math.nan,) * 3, (math.nan,) * 3
        if mine.size:
            light = np.power(10.0, -np.median(mine, axis=0))
            before = _rounded(light)
            after = _rounded(apply_colour(light[None, None, :], replace(looks[scene], lamp=None))[0, 0])
        out.append(SceneLight(scene=scene, frames=len(rows[scene]), before=before, after=after))
    return tuple(out)


def _rounded(light: np.ndarray) -> Triple:
    red, green, blue = (round(float(np.clip(each, 0.0, 1.0)), 5) for each in light)
    return red, green, blue
