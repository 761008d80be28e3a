"""Drawn specimen reels with known truth: what a scanner would see of film that never existed.

ReelTruth             everything that is so about a drawn reel; two equal truths draw equal reels
specimen_truth        a sensible truth for a gauge and a frame size
draw_frame            truth, number -> code values and the truth of that frame
frame_truth           the same truth without drawing
frame_times_s         when each frame was captured
film_frame_of         which frame of the film a captured frame shows

Light model, in this order: scene (linear light, drawn) x camera gate and exposure -> dye by an S-shaped
curve over log exposure -> density of each channel with grain -> light = 10^-density, or open gate where
there is no film -> lamp, shot and read noise -> code values. Edges are error functions of signed distances
(the blur of the lens and the area of a pixel in one sigma), so the truth is exact to the arithmetic.

Why this is long: the truth names every fault of a reel, each with its line of explanation.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import ceil, cos, hypot, log, pi, radians, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.picture.synthetic_film import (
    FilmGeometry,
    PerforationDamage,
    Pose,
    draw_cement_splice,
    draw_edge_print,
    draw_film_edges,
    draw_perforation,
    draw_rounded_gate,
    draw_splice,
    draw_stripes,
    film_geometry,
    is_below,
)
from smallgauge.picture.synthetic_scenes import SceneKind, draw_scene
from smallgauge.picture.synthetic_shapes import View, draw_capsule, draw_disc

__all__ = [
    "DrawnFrame",
    "PerforationDamage",
    "PerforationTruth",
    "ReelTruth",
    "SceneTruth",
    "draw_frame",
    "film_frame_of",
    "film_position_at",
    "frame_times_s",
    "frame_truth",
    "specimen_truth",
    "time_at_position_s",
]

Floats = NDArray[np.float32]

# One number for each independent source of chance, so that changing one amount changes nothing else.
_WEAVE, _DRIFT, _PUNCH, _CAMERA, _GRAIN, _NOISE, _LAMP, _DAMAGE, _DIRT, _STAMP, _SCAN, _FLICKER = range(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneTruth:
    """One scene: what it shows, its film frames [first, stop), and where in the action it begins."""

    kind: SceneKind
    first: int
    stop: int
    exposure: float = 1.0  # light on the film against a well-exposed scene
    begins_s: float = 0.0  # seconds into the drawn action at the first frame


@dataclass(frozen=True, slots=True, kw_only=True)
class ReelTruth:
    """Everything that is so about a drawn reel.

    Film frames count from 0; `frames` is how many frames were captured. All lengths in micrometres are
    rms of a normal distribution unless "amplitude" is said. Amounts of 0 switch a fault off and change
    nothing else. Defaults are common practice, no source.
    """

    gauge: str = "super-8"
    frames: int = 200
    width: int = 1024
    height: int = 768
    micrometres_per_pixel: float = 9.0
    seed: int = 1
    camera_rate: Fraction = Fraction(18)
    scenes: tuple[SceneTruth, ...] = (SceneTruth(kind="garden", first=0, stop=1_000_000),)
    clap_frames: tuple[int, ...] = ()  # film frames in whose exposure the clapper closes
    # the film
    pitch: Literal["long", "short"] = "long"
    film: Literal["reversal", "negative", "black-and-white"] = "reversal"
    striped: bool = False
    perforation_side: Literal["left", "right"] = "left"
    shrinkage: float = 0.004  # share of length and width lost
    punching_um: float = 2.0  # scatter of each hole, across and along
    damage: tuple[PerforationDamage, ...] = ()
    splices: tuple[int, ...] = ()  # film frames that follow a splice
    splice_shift_um: float = 60.0  # how far film after a splice lies too far on
    splice_kind: Literal["tape", "cement"] = "tape"
    splice_lateral_um: float = 0.0  # how far to the right film lies after the first splice, third, and so on
    splice_base_density: float = 0.0  # what the base of that film has more than the rest
    dye_kept: tuple[float, float, float] = (1.0, 1.0, 1.0)  # cyan, magenta, yellow
    grain_density: float = 0.05  # sigma of density, one pixel, at density 1
    grain_um: float = 8.0  # correlation length (sigma of the grain's own shape)
    dirt_per_frame: float = 0.0  # specks and hairs on the film of one frame, mean number
    edge_print: str = ""
    # the camera
    camera_jitter_um: tuple[float, float] = (6.0, 10.0)  # picture against film, across and along
    gate_radius_mm: float = 0.30
    gate_soft_um: float = 16.0
    start_exposures: tuple[float, ...] = (2.8, 1.7, 1.25)  # first frames of each scene
    camera_flicker: float = 0.0  # exposure from frame to frame, white, rms natural logarithm
    camera_flicker_surface: float = 0.0  # the same of each of x, y, xx, xy, yy over the picture, -1 to 1
    fades: tuple[
        tuple[int, int, float], ...
    ] = ()  # film frames [first, stop) over which exposure falls to so much
    # the scanner
    weave_um: tuple[float, float] = (10.0, 22.0)  # white, across and along
    drift_um: tuple[float, float] = (45.0, 70.0)  # slow, amplitude, across and along
    drift_frames: float = 170.0  # its period
    tilt_deg: float = 0.15
    lens_blur_px: float = 0.9
    flicker: float = 0.004  # lamp, rms share of light
    open_gate_level: float = 0.92  # code value of bare light against full scale; above 1 it clips
    shot_noise: float = 0.004  # sigma at light 1
    read_noise: float = 0.0008
    light: Literal["narrow", "broad"] = "narrow"
    illumination: Literal["transmitted", "reflected"] = "transmitted"
    perforations_in_view: bool = True
    code_values: Literal["linear", "gamma", "log"] = "linear"
    gamma_curve: str | float = "iec61966-2-1"
    log_density_range: float = 3.0
    bits: Literal[8, 10, 12, 16] = 16
    missing: tuple[int, ...] = ()  # film frames that were not captured
    repeated: tuple[int, ...] = ()  # film frames that were captured twice
    fast_noise: bool = False  # grain and noise cut from one stored sheet, for long reels: a third less time
    # the run
    scan_rate: Fraction = Fraction(18)
    scan_pattern: Literal["constant", "wandering", "3 to 25"] = "constant"
    first_frame_s: float = 2.0
    stamp_jitter_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PerforationTruth:
    """Centre of one perforation as punched (before damage), pixels."""

    film_perforation: int
    row: int  # 0 left or only row, 1 right
    x_px: float
    y_px: float
    damage: str  # "" is whole
    whole_in_view: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnFrame:
    """One captured frame and what is true of it.

    `samples` are code values, (height, width, 3), R G B, uint8 for 8 bits and uint16 above; None where only
    the truth was asked. `film_reference_px` is a point fixed on the film: across, the nominal centre of row
    0; along, the nominal picture centre of `film_frame`; it moves with the scanner only. `picture_centre_px`
    and `gate_corners_px` (clockwise from upper left, square corners) move with the camera's unsteadiness too.
    `light_gain` is the lamp against its mean. `pixels_per_mm` is that of the shrunken film's own new
    dimensions.
    """

    number: int
    film_frame: int
    scene: int
    samples: NDArray[np.uint8] | NDArray[np.uint16] | None
    perforations: tuple[PerforationTruth, ...]
    film_reference_px: tuple[float, float]
    picture_centre_px: tuple[float, float]
    gate_corners_px: tuple[tuple[float, float], ...]
    hole_size_px: tuple[float, float]
    light_gain: float
    exposure: float
    pixels_per_mm: float
    tilt_deg: float


def _random(truth: ReelTruth, stream: int, index: int = 0, row: int = 0) -> np.random.Generator:
    return np.random.Generator(
        np.random.SFC64(np.random.SeedSequence((truth.seed, stream, index + (1 << 24), row)))
    )


def specimen_truth(gauge: str, *, width: int = 1024, height: int = 768, **changes: object) -> ReelTruth:
    """A truth whose film fills the frame with some overscan, and anything else as said in `changes`.

    Parameters
    ----------
    gauge : str
        Any name that `gauge_named` takes.
    width, height : int
        Frame, pixels.
    **changes
        Fields of ReelTruth.

    Returns
    -------
    ReelTruth

    Notes
    -----
    Source: definition (film width and 1.14 of it across; at least 1.45 pitches along, 1.35 where two holes
    bound a frame).

    Examples
    --------
    >>> specimen_truth("standard 8", width=512, height=384, frames=3).micrometres_per_pixel
    17.8
    """
    facts = gauge_named(gauge)
    across = facts.film_width_mm.value * 1.14 / width
    pitches = 1.42 if facts.holes_at == "mid-frame" else 1.47
    along = facts.pitch_long_mm.value * pitches / height
    scale = ceil(max(across, along) * 10_000) / 10
    values: dict[str, object] = {
        "gauge": facts.key,
        "width": width,
        "height": height,
        "micrometres_per_pixel": scale,
        **changes,
    }
    return ReelTruth(**values)  # type: ignore[arg-type]


_SHEET_SLACK = 256  # how far a cut from the stored sheet may lie from its corner, pixels


@lru_cache(maxsize=1)
def _sheet(height: int, width: int) -> Floats:
    random = np.random.Generator(np.random.SFC64(1))
    return random.standard_normal((height + _SHEET_SLACK, width + _SHEET_SLACK), dtype=np.float32)


def _fill_white(truth: ReelTruth, random: np.random.Generator, out: Floats) -> None:
    """White noise of unit deviation: new, or with `fast_noise` a cut from one sheet at a place of its own."""
    if not truth.fast_noise:
        random.standard_normal(out=out, dtype=np.float32)
        return
    top, left, sign = random.integers(0, _SHEET_SLACK, 3)
    sheet = _sheet(truth.height + 32, truth.width + 32)
    part = sheet[top : top + out.shape[0], left : left + out.shape[1]]
    np.multiply(part, np.float32(1 if sign % 2 else -1), out=out)


@lru_cache(maxsize=8)
def _geometry(truth: ReelTruth) -> FilmGeometry:
    return film_geometry(
        gauge_named(truth.gauge),
        perforation_side=truth.perforation_side,
        pitch=truth.pitch,
        striped=truth.striped,
    )


def film_frame_of(truth: ReelTruth, number: int) -> int:
    """Film frame that captured frame `number` shows: `missing` are skipped, `repeated` come twice.

    Examples
    --------
    >>> [film_frame_of(ReelTruth(missing=(1,), repeated=(3,)), n) for n in range(5)]
    [0, 2, 3, 3, 4]
    """
    return _film_frames(truth)[number][0]


@lru_cache(maxsize=4)
def _film_frames(truth: ReelTruth) -> tuple[tuple[int, int], ...]:
    """Of each captured frame: the film frame, and its place in the run.

    A missing frame leaves its place in time empty; a repeated one takes a place of its own.
    """
    missing, repeated = set(truth.missing), set(truth.repeated)
    out: list[tuple[int, int]] = []
    film = place = 0
    while len(out) < truth.frames:
        if film not in missing:
            out.append((film, place))
            if film in repeated:
                place += 1
                out.append((film, place))
        film += 1
        place += 1
    return tuple(out[: truth.frames])


def _scene_at(truth: ReelTruth, film_frame: int) -> int | None:
    for index, scene in enumerate(truth.scenes):
        if scene.first <= film_frame < scene.stop:
            return index
    return None


def _exposure(truth: ReelTruth, film_frame: int) -> float:
    index = _scene_at(truth, film_frame)
    if index is None:
        return 0.0
    after = film_frame - truth.scenes[index].first
    start = truth.start_exposures[after] if after < len(truth.start_exposures) else 1.0
    faded = start * truth.scenes[index].exposure
    for first, stop, least in truth.fades:
        if truth.scenes[index].first <= first < truth.scenes[index].stop:
            faded *= 1.0 - (1.0 - least) * min(max((film_frame - first) / (stop - first), 0.0), 1.0)
    return faded


def _camera_flicker(truth: ReelTruth, film_frame: int) -> Floats | None:
    """Natural logarithm of exposure, in terms of 1, x, y, xx, xy, yy of the picture; None where there is none."""
    if not (truth.camera_flicker or truth.camera_flicker_surface):
        return None
    scale = np.array([truth.camera_flicker, *(truth.camera_flicker_surface,) * 5], np.float32)
    return scale * _random(truth, _FLICKER, film_frame).standard_normal(6, dtype=np.float32)


def _splice_offset_mm(truth: ReelTruth, film_frame: int) -> float:
    return truth.splice_shift_um / 1000 * sum(1 for splice in truth.splices if film_frame >= splice)


def _other_stock(truth: ReelTruth, film_frame: int) -> int:
    """1 after an odd number of splices, else 0: two stocks take turns."""
    return sum(1 for splice in truth.splices if film_frame >= splice) % 2


def _lateral_mm(truth: ReelTruth, film_frame: int, captured: int) -> float:
    """How far to the right film at `film_frame` lies, against film at `captured`, which is guided."""
    return truth.splice_lateral_um / 1000 * (_other_stock(truth, film_frame) - _other_stock(truth, captured))


def _cut_mm(truth: ReelTruth, splice: int, captured: int) -> float:
    """Place of a splice's cut along, seen from frame `captured`."""
    return _along_mm(truth, splice, captured, -0.5) - truth.splice_shift_um / 2000


def _along_mm(truth: ReelTruth, film_frame: int, captured: int, pitches: float) -> float:
    """Place along of something `pitches` after the centre of `film_frame`, seen from frame `captured`."""
    shift = _splice_offset_mm(truth, film_frame) - _splice_offset_mm(truth, captured)
    return (film_frame - captured + pitches) * _geometry(truth).pitch_mm + shift


def _pose(truth: ReelTruth, number: int) -> Pose:
    geometry = _geometry(truth)
    scale = 1000 / truth.micrometres_per_pixel * (1 - truth.shrinkage)
    middle = geometry.width_mm / 2
    if not truth.perforations_in_view:
        middle = _middle_without_holes(truth, geometry, scale)
    drift = _random(truth, _DRIFT).uniform(0, 2 * pi, 4)
    turn = 2 * pi * number / truth.drift_frames
    white = _random(truth, _WEAVE, number).standard_normal(2)
    slow = (
        0.7 * sin(turn + drift[0]) + 0.3 * sin(2.618 * turn + drift[1]),
        0.7 * sin(0.81 * turn + drift[2]) + 0.3 * sin(2.137 * turn + drift[3]),
    )
    moved = [
        float(truth.weave_um[axis] * white[axis] + truth.drift_um[axis] * slow[axis])
        / truth.micrometres_per_pixel
        for axis in (0, 1)
    ]
    return Pose(
        across_mm=middle,
        x_px=(truth.width - 1) / 2 + moved[0],
        y_px=(truth.height - 1) / 2 + moved[1],
        scale_px_per_mm=scale,
        tilt_rad=radians(truth.tilt_deg),
    )


def _middle_without_holes(truth: ReelTruth, geometry: FilmGeometry, scale: float) -> float:
    """Place across that must lie in the middle for the holes to be out of view."""
    if len(geometry.rows_mm) != 1 or len(geometry.apertures) != 1:
        raise CallerError(
            f"Perforations out of view were asked for and {truth.gauge} has holes that bound its picture on "
            "more than one side; draw them in view."
        )
    row, half = geometry.rows_mm[0], geometry.hole_width_mm / 2
    slack = (truth.drift_um[0] + 4 * truth.weave_um[0]) / 1000 + 0.02
    reach = truth.width / 2 / scale
    if row == geometry.width_mm / 2:
        raise CallerError(
            f"Perforations out of view were asked for and those of {truth.gauge} lie between the pictures; "
            "draw them in view."
        )
    return row + half + slack + reach if row < geometry.width_mm / 2 else row - half - slack - reach


def _picture_place(
    truth: ReelTruth, pose: Pose, aperture: int, film_frame: int, captured: int
) -> tuple[float, float]:
    """Pixel place of the picture's middle, with the camera's unsteadiness."""
    geometry = _geometry(truth)
    across = geometry.apertures[aperture].across_mm + _lateral_mm(truth, film_frame, captured)
    along = _along_mm(truth, film_frame, captured, 0.0)
    steady = _random(truth, _CAMERA, film_frame, aperture).standard_normal(2)
    sway = _random(truth, _CAMERA, -1 << 20, aperture).uniform(0, 2 * pi, 2)
    moved = [
        truth.camera_jitter_um[axis]
        / 1000
        * (0.8 * float(steady[axis]) + 0.85 * sin(2 * pi * film_frame / 37 + float(sway[axis])))
        for axis in (0, 1)
    ]
    return pose.place(across + moved[0], along + moved[1])


def frame_truth(truth: ReelTruth, number: int) -> DrawnFrame:
    """What is true of captured frame `number`, without drawing it; see DrawnFrame.

    Examples
    --------
    >>> true = frame_truth(specimen_truth("super 8", weave_um=(0, 0), drift_um=(0, 0)), 7)
    >>> true.film_frame, len(true.perforations), true.perforations[0].film_perforation
    (7, 1, 7)
    """
    geometry, pose = _geometry(truth), _pose(truth, number)
    film_frame = film_frame_of(truth, number)
    k, tilt = pose.scale_px_per_mm, pose.tilt_rad
    centre = _picture_place(truth, pose, 0, film_frame, film_frame)
    half = geometry.apertures[0].width_mm / 2 * k, geometry.apertures[0].height_mm / 2 * k
    corners = tuple(
        (
            centre[0] + cos(tilt) * u * half[0] - sin(tilt) * v * half[1],
            centre[1] + sin(tilt) * u * half[0] + cos(tilt) * v * half[1],
        )
        for u, v in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    )
    scene = _scene_at(truth, film_frame)
    lamp = 1 + truth.flicker * float(_random(truth, _LAMP, number).standard_normal())
    return DrawnFrame(
        number=number,
        film_frame=film_frame,
        scene=-1 if scene is None else scene,
        samples=None,
        perforations=_perforations(truth, pose, film_frame),
        film_reference_px=pose.place(geometry.rows_mm[0], 0.0),
        picture_centre_px=centre,
        gate_corners_px=corners,
        hole_size_px=(geometry.hole_width_mm * k, geometry.hole_height_mm * k),
        light_gain=lamp,
        exposure=_exposure(truth, film_frame),
        pixels_per_mm=k,
        tilt_deg=truth.tilt_deg,
    )


def _perforations(truth: ReelTruth, pose: Pose, film_frame: int) -> tuple[PerforationTruth, ...]:
    """All perforations that reach into the picture, in film order, row by row."""
    geometry = _geometry(truth)
    damaged = {(each.film_perforation, each.row): each.kind for each in truth.damage}
    k = pose.scale_px_per_mm
    half = geometry.hole_width_mm / 2 * k, geometry.hole_height_mm / 2 * k
    reach = ceil(truth.height / 2 / (geometry.pitch_mm * k)) + 1
    found = []
    for perforation in range(film_frame - reach, film_frame + reach + 2):
        for row, across in enumerate(geometry.rows_mm):
            scatter = _random(truth, _PUNCH, perforation, row).standard_normal(2) * truth.punching_um / 1000
            along = _along_mm(truth, perforation, film_frame, geometry.hole_along_pitch)
            stepped = across + _lateral_mm(truth, perforation, film_frame)
            x, y = pose.place(stepped + float(scatter[0]), along + float(scatter[1]))
            if not (-half[1] < y < truth.height - 1 + half[1] and -half[0] < x < truth.width - 1 + half[0]):
                continue
            whole = (
                half[1] + 2 < y < truth.height - 3 - half[1] and half[0] + 2 < x < truth.width - 3 - half[0]
            )
            found.append(
                PerforationTruth(
                    film_perforation=perforation,
                    row=row,
                    x_px=x,
                    y_px=y,
                    damage=damaged.get((perforation, row), ""),
                    whole_in_view=whole,
                )
            )
    return tuple(found)


def draw_frame(truth: ReelTruth, number: int) -> DrawnFrame:
    """Draw captured frame `number`: any frame, in any order, always the same.

    Parameters
    ----------
    truth : ReelTruth
    number : int
        Captured frame, 0 to truth.frames.

    Returns
    -------
    DrawnFrame
        With samples.

    Raises
    ------
    CallerError
        If the number is outside the reel, or the truth cannot be (see its fields).

    Notes
    -----
    Source: definition; the parts are in the head of this file.

    Examples
    --------
    >>> drawn = draw_frame(specimen_truth("super 8", width=256, height=192, bits=10), 3)
    >>> drawn.samples.shape, drawn.samples.dtype.name, int(drawn.samples.max()) < 1024
    ((192, 256, 3), 'uint16', True)
    """
    if not 0 <= number < truth.frames:
        raise CallerError(
            f"A frame from 0 to {truth.frames - 1} was needed, found {number}; ask for one of these."
        )
    true = frame_truth(truth, number)
    pose = _pose(truth, number)
    exposure = _draw_exposure(truth, pose, true.film_frame)
    if truth.edge_print:
        _print_edges(truth, exposure, pose, true.film_frame)
    density = _density_of(truth, exposure, pose, true.film_frame)
    light = _light_of(truth, density, pose, true)
    return replace(true, samples=_code_of(truth, light, number, true.light_gain))


def _draw_exposure(truth: ReelTruth, pose: Pose, captured: int) -> Floats:
    """Light that fell on the film, (3, height, width): every picture that reaches into the frame."""
    geometry = _geometry(truth)
    out = np.zeros((3, truth.height, truth.width), dtype=np.float32)
    k = pose.scale_px_per_mm
    reach = ceil(truth.height / 2 / (geometry.pitch_mm * k) + 0.5)
    soft = hypot(truth.gate_soft_um / truth.micrometres_per_pixel, truth.lens_blur_px)
    for film_frame in range(captured - reach, captured + reach + 1):
        for index, aperture in enumerate(geometry.apertures):
            shown = _last_frame(truth) - film_frame if aperture.reversed else film_frame
            scene_index = _scene_at(truth, shown)
            if shown < 0 or scene_index is None:
                continue
            x, y = _picture_place(truth, pose, index, film_frame, captured)
            half = aperture.width_mm / 2 * k, aperture.height_mm / 2 * k
            slack = 4 * soft + abs(pose.tilt_rad) * max(half)
            top, bottom = max(0, int(y - half[1] - slack)), min(truth.height, ceil(y + half[1] + slack) + 1)
            left, right = max(0, int(x - half[0] - slack)), min(truth.width, ceil(x + half[0] + slack) + 1)
            if top >= bottom or left >= right:
                continue
            shape = (bottom - top, right - left)
            gate = draw_rounded_gate(
                shape, (x - left, y - top), half, truth.gate_radius_mm * k, pose.tilt_rad, soft
            )
            gate *= np.float32(_exposure(truth, shown))
            flicker = _camera_flicker(truth, shown)
            if flicker is not None:
                across = ((np.arange(shape[1], dtype=np.float32) - (x - left)) / half[0])[None, :]
                along = ((np.arange(shape[0], dtype=np.float32) - (y - top)) / half[1])[:, None]
                kinds = (1.0, across, along, across * across, across * along, along * along)
                gate *= np.exp(sum(amount * kind for amount, kind in zip(flicker, kinds, strict=True)))
            middle = (x - left, y - top)
            if aperture.reversed:
                middle = (shape[1] - 1 - middle[0], shape[0] - 1 - middle[1])
            picture = _picture(
                truth, scene_index, shown, middle, shape, 2 * half[1], half[0] / half[1] / 2, pose.tilt_rad
            )
            if aperture.reversed:
                picture = picture[:, ::-1, ::-1]
            for plane, part in zip(out, picture):
                plane[top:bottom, left:right] += part * gate
    return out


_PRINT_EVERY = 9  # film frames from one edge print to the next: common practice, no source


def _print_edges(truth: ReelTruth, exposure: Floats, pose: Pose, captured: int) -> None:
    nearest = round(captured / _PRINT_EVERY) * _PRINT_EVERY
    for film_frame in (nearest - _PRINT_EVERY, nearest, nearest + _PRINT_EVERY):
        along = _along_mm(truth, film_frame, captured, 0.0)
        draw_edge_print(exposure, pose, _geometry(truth), truth.edge_print, along)


def _last_frame(truth: ReelTruth) -> int:
    """Last film frame of the reel (the second run of unslit film begins beside it)."""
    return film_frame_of(truth, truth.frames - 1)


def _picture(
    truth: ReelTruth,
    scene_index: int,
    film_frame: int,
    middle: tuple[float, float],
    shape: tuple[int, int],
    scale_px: float,
    half_width: float,
    tilt_rad: float,
) -> Floats:
    """The scene as the camera's lens drew it, without its gate."""
    scene = truth.scenes[scene_index]
    rate = float(truth.camera_rate)
    view = View(
        x_px=middle[0],
        y_px=middle[1],
        scale_px=scale_px,
        tilt_rad=tilt_rad,
        soft_px=max(0.75, truth.lens_blur_px),
    )
    claps = [frame for frame in truth.clap_frames if scene.first <= frame < scene.stop]
    near = min(claps, key=lambda frame: abs(frame - film_frame), default=None)
    time_s = scene.begins_s + (film_frame - scene.first) / rate
    return draw_scene(
        scene.kind,
        time_s,
        view,
        shape,
        half_width=half_width,
        seed=truth.seed * 101 + scene_index,
        clap_s=None if near is None else time_s + (near - film_frame) / rate,
    )


# Density over log exposure is a logistic, which over plain exposure is a quotient: the cheapest S-curve.
_BASE = {"reversal": (0.16, 0.17, 0.19), "negative": (0.20, 0.52, 0.80)}  # base, fog and mask, R G B
# Silver film, positive: a yellowed base, and an image a little warm. R G B
_BASE["black-and-white"], _TONE = (0.06, 0.08, 0.14), (0.97, 1.0, 1.06)
_LIGHTNESS = (0.2126, 0.7152, 0.0722)  # of what silver film sees, as good a mixture as any
_RANGE = {"reversal": 2.75, "negative": 2.1, "black-and-white": 2.4}
_HALF_EXPOSURE = {"reversal": 0.055, "negative": 0.32, "black-and-white": 0.07}  # exposure of half the range
# Share of each dye (columns: cyan, magenta, yellow) in the density of R, G, B; rows add up to 1.
_ABSORPTION = {
    "narrow": ((0.93, 0.06, 0.01), (0.08, 0.86, 0.06), (0.03, 0.12, 0.85)),
    "broad": ((0.84, 0.13, 0.03), (0.15, 0.72, 0.13), (0.07, 0.20, 0.73)),
}
# Of a masked negative: the scanner's density R, G, B of the density that a print film's layers see. Linear fits to the stock
# "second" of picture/synthetic_negative.py, whose dyes the inversion does not know.
_NEGATIVE_ABSORPTION = {
    "narrow": ((0.545, 0.167, -0.014), (-0.086, 0.929, 0.094), (0.022, -0.094, 1.147)),
    "broad": ((0.437, 0.359, -0.017), (0.118, 0.623, 0.124), (0.011, 0.081, 0.828)),
}


def _density_of(truth: ReelTruth, exposure: Floats, pose: Pose, film_frame: int) -> Floats:
    """Density R G B of the film, with grain; `exposure` is used up. Silver holds one image in all channels."""
    dyes = exposure
    if truth.film == "black-and-white":
        for share, layer in zip(_LIGHTNESS, exposure):
            layer *= np.float32(share)
        dyes = exposure.sum(axis=0, keepdims=True)
    half, span = np.float32(_HALF_EXPOSURE[truth.film]), np.float32(_RANGE[truth.film])
    for dye, kept in zip(dyes, truth.dye_kept):
        dye += half
        np.divide(half, dye, out=dye)
        if truth.film == "negative":
            np.subtract(1, dye, out=dye)
        dye *= span * np.float32(kept)
    if truth.grain_density > 0:
        _add_grain(truth, dyes, pose, film_frame)
    out = np.empty_like(exposure)
    if truth.film == "black-and-white":
        for density, tone, base in zip(out, _TONE, _BASE[truth.film]):
            np.multiply(dyes[0], np.float32(tone), out=density)
            density += np.float32(base)
        return out
    term = np.empty_like(dyes[0])
    absorption = _NEGATIVE_ABSORPTION if truth.film == "negative" else _ABSORPTION
    for density, shares, base in zip(out, absorption[truth.light], _BASE[truth.film]):
        np.multiply(dyes[0], np.float32(shares[0]), out=density)
        for dye, share in zip(dyes[1:], shares[1:]):
            np.multiply(dye, np.float32(share), out=term)
            density += term
        density += np.float32(base)
    return out


def _add_grain(truth: ReelTruth, dyes: Floats, pose: Pose, film_frame: int) -> None:
    """Grain of each dye: white noise fixed on the film, seen through the grain's own shape.

    The lattice moves with the film to a fraction of a pixel, so the same film frame captured twice shows
    the same grain; so does the film of the neighbouring frames that reaches into the capture, which they
    show too. Sigma goes with the square root of density. Source: common practice, no source.
    """
    for cell in (film_frame - 1, film_frame, film_frame + 1):
        first, stop = _rows_of_cell(truth, pose, cell, film_frame)
        if first < stop:
            _add_grain_of_cell(truth, dyes, pose, cell, film_frame, (first, stop))


def _rows_of_cell(truth: ReelTruth, pose: Pose, cell: int, film_frame: int) -> tuple[int, int]:
    """Rows [first, stop) of the capture of `film_frame` that lie nearest to the centre of frame `cell`."""
    middles = [_along_mm(truth, cell + step, film_frame, 0.0) for step in (-1, 0, 1)]
    borders = (middles[0] + middles[1]) / 2, (middles[1] + middles[2]) / 2
    first, stop = (ceil(pose.place(pose.across_mm, border)[1]) for border in borders)
    if cell != film_frame:  # only the next frame on either side has a lattice of its own
        first, stop = (-(1 << 30), stop) if cell < film_frame else (first, 1 << 30)
    return min(max(first, 0), truth.height), min(max(stop, 0), truth.height)


@lru_cache(maxsize=3)
def _white_of_cell(truth: ReelTruth, cell: int, dyes: int) -> Floats:
    """White noise of each dye on one film frame's lattice; not to be changed. Its neighbours' captures show it too."""
    random = _random(truth, _GRAIN, cell)
    white = np.empty((dyes, truth.height + 32, truth.width + 32), dtype=np.float32)
    for plane in white:
        _fill_white(truth, random, plane)
    return white


def _add_grain_of_cell(
    truth: ReelTruth, dyes: Floats, pose: Pose, cell: int, film_frame: int, rows: tuple[int, int]
) -> None:
    """Add the grain of one film frame's piece of film to the rows of the capture where it is seen."""
    import cv2

    sigma = max(0.55, truth.grain_um / truth.micrometres_per_pixel)
    reach = ceil(3 * sigma) + 1
    x, y = pose.place(pose.across_mm, _along_mm(truth, cell, film_frame, 0.0))
    moved = x - (truth.width - 1) / 2, y - (truth.height - 1) / 2
    kernels = []
    for shift in moved:
        taps = np.exp(-((np.arange(-reach, reach + 1) + (shift - round(shift))) ** 2) / (2 * sigma**2))
        kernels.append((taps / np.sqrt((taps**2).sum())).astype(np.float32))
    left = int(np.clip(16 - round(moved[0]), 0, 32))
    offset = 16 - round(moved[1])  # row of the lattice that the capture's row 0 shows
    if cell == film_frame:
        offset = int(np.clip(offset, 0, 32))
    height = truth.height + 32
    top, bottom = max(rows[0] + offset, 0), min(rows[1] + offset, height)
    over, under = max(top - reach, 0), min(bottom + reach, height)
    if top >= bottom:
        return
    for dye, white in zip(dyes, _white_of_cell(truth, cell, len(dyes)), strict=True):
        grain = cv2.sepFilter2D(white[over:under], cv2.CV_32F, kernels[0], kernels[1])[
            top - over : bottom - over, left : left + truth.width
        ]
        seen = dye[top - offset : bottom - offset]
        grain *= np.float32(truth.grain_density)
        grain *= np.sqrt(seen)
        seen += grain


def _light_of(truth: ReelTruth, density: Floats, pose: Pose, true: DrawnFrame) -> Floats:
    """Light that reached the sensor, 1 = open gate, lamp at its mean; `density` is used up."""
    geometry = _geometry(truth)
    opening, veil = _draw_openings(truth, geometry, pose, true)
    draw_stripes(density, pose, geometry.stripes_mm)
    for splice in truth.splices:
        cut = _cut_mm(truth, splice, true.film_frame)
        draw = draw_splice if truth.splice_kind == "tape" else draw_cement_splice
        draw(density, opening, pose, cut, hypot(truth.lens_blur_px, (1 / 12) ** 0.5))
    if truth.splice_base_density:
        density += np.float32(truth.splice_base_density) * _stock_seen(truth, pose, true.film_frame)
    if truth.dirt_per_frame > 0:
        _draw_dirt(truth, veil, pose, true.film_frame)
    beneath = bool(veil.any())
    through = np.exp(veil * np.float32(-log(10))) if beneath else None
    bare = np.float32(1.0 if truth.illumination == "transmitted" else 0.012)
    for light in density:
        light *= np.float32(-log(10))
        np.exp(light, out=light)
        if truth.illumination == "reflected":
            light *= np.float32(0.5)
            light += np.float32(0.10)
        light += opening * (bare - light)
        if through is not None:
            light *= through
    return density


def _draw_openings(
    truth: ReelTruth, geometry: FilmGeometry, pose: Pose, true: DrawnFrame
) -> tuple[Floats, Floats]:
    """Where there is no film (0 to 1), and what lies over film and holes (density)."""
    shape = truth.height, truth.width
    sigma = hypot(truth.lens_blur_px, (1 / 12) ** 0.5)
    opening = np.zeros(shape, dtype=np.float32)
    veil = np.zeros(shape, dtype=np.float32)
    draw_film_edges(opening, pose, geometry.width_mm, sigma)
    if truth.splices and truth.splice_lateral_um:
        _step_film_edges(truth, opening, geometry, pose, true.film_frame, sigma)
    damage = {(each.film_perforation, each.row): each for each in truth.damage}
    for hole in true.perforations:
        across = geometry.rows_mm[hole.row]
        middle = geometry.width_mm / 2
        draw_perforation(
            opening,
            veil,
            pose,
            geometry,
            (hole.x_px, hole.y_px),
            sigma_px=sigma,
            outward=float(np.sign(across - middle)) if abs(across - middle) > 0.1 else 0.0,
            damage=damage.get((hole.film_perforation, hole.row)),
            random=_random(truth, _DAMAGE, hole.film_perforation, hole.row),
        )
    return opening, veil


def _step_film_edges(
    truth: ReelTruth, opening: Floats, geometry: FilmGeometry, pose: Pose, captured: int, sigma: float
) -> None:
    """Film of the other stock lies beside that of this frame: its edges too."""
    own = bool(_other_stock(truth, captured))
    lateral = truth.splice_lateral_um / 1000 * (-1 if own else 1)
    other = np.zeros_like(opening)
    draw_film_edges(other, replace(pose, across_mm=pose.across_mm - lateral), geometry.width_mm, sigma)
    np.copyto(opening, other, where=_stock_seen(truth, pose, captured) != own)


def _stock_seen(truth: ReelTruth, pose: Pose, captured: int) -> NDArray[np.bool_]:
    """Pixels, (height, width), that show film of the second stock."""
    seen = np.zeros((truth.height, truth.width), dtype=np.bool_)
    for splice in sorted(truth.splices):
        below = is_below(seen.shape, pose, _cut_mm(truth, splice, captured))
        seen[below] = bool(_other_stock(truth, splice))
    return seen


def _draw_dirt(truth: ReelTruth, veil: Floats, pose: Pose, film_frame: int) -> None:
    """Specks and hairs on the film, fixed to it: those of this frame's piece of film and of its neighbours'."""
    half = _geometry(truth).pitch_mm / 2
    planes = veil[None]
    view = View(x_px=pose.x_px, y_px=pose.y_px, scale_px=pose.scale_px_per_mm, tilt_rad=pose.tilt_rad)
    for cell in (film_frame - 1, film_frame, film_frame + 1):
        along = _along_mm(truth, cell, film_frame, 0.0)
        random = _random(truth, _DIRT, cell)
        for _ in range(int(random.poisson(truth.dirt_per_frame))):
            u, v = random.uniform(-3.5, 3.5), along + random.uniform(-half, half)
            if random.uniform() < 0.75:
                size = 0.006 + 0.03 * random.uniform() ** 2
                draw_disc(
                    planes,
                    view,
                    (u, v),
                    (size, size * random.uniform(0.5, 1)),
                    (1.2, 1.2, 1.2),
                    turn=random.uniform(0, pi),
                )
                continue
            angle, bend = random.uniform(0, 2 * pi), random.uniform(-0.5, 0.5)
            for _ in range(9):
                last = u + 0.07 * cos(angle), v + 0.07 * sin(angle)
                draw_capsule(planes, view, (u, v), last, 0.006, (0.9, 0.9, 0.9))
                (u, v), angle = last, angle + bend


def _code_of(
    truth: ReelTruth, light: Floats, number: int, gain: float
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Code values, interleaved; `light` is used up."""
    full = (1 << truth.bits) - 1
    random = _random(truth, _NOISE, number)
    out = np.empty((truth.height, truth.width, 3), dtype=np.uint8 if truth.bits == 8 else np.uint16)
    noisy = truth.shot_noise > 0 or truth.read_noise > 0
    white = np.empty(light.shape[1:], dtype=np.float32)
    for channel, plane in enumerate(light):
        plane *= np.float32(gain)
        if noisy:
            _fill_white(truth, random, white)
            white *= np.sqrt(plane * np.float32(truth.shot_noise**2) + np.float32(truth.read_noise**2))
            plane += white
        plane *= np.float32(truth.open_gate_level)
        _encode(truth, plane)
        plane *= np.float32(full)
        plane += np.float32(0.5)
        np.clip(plane, 0, np.float32(full + 0.49), out=plane)
        out[..., channel] = plane
    return out


def _encode(truth: ReelTruth, plane: Floats) -> None:
    """Light against full scale to code against full scale, in place."""
    if truth.code_values == "linear":
        return
    if truth.code_values == "log":
        np.maximum(plane, np.float32(10 ** (-truth.log_density_range - 1)), out=plane)
        np.log10(plane, out=plane)
        plane *= np.float32(1 / truth.log_density_range)
        plane += np.float32(1)
        return
    srgb = truth.gamma_curve == "iec61966-2-1"
    if not srgb and isinstance(truth.gamma_curve, str):
        raise CallerError(
            f"A gamma curve was needed, found '{truth.gamma_curve}'; give iec61966-2-1 or an exponent."
        )
    low = plane * np.float32(12.92) if srgb else None
    np.maximum(plane, np.float32(1e-7), out=plane)
    np.log(plane, out=plane)
    plane *= np.float32(1 / 2.4 if srgb else 1 / float(truth.gamma_curve))
    np.exp(plane, out=plane)
    if low is not None:
        plane *= np.float32(1.055)
        plane -= np.float32(0.055)
        np.copyto(plane, low, where=low <= np.float32(0.0031308 * 12.92))


def time_at_position_s(truth: ReelTruth, position: NDArray[np.float64]) -> NDArray[np.float64]:
    """Capture time at which a place of the run was in the gate, seconds.

    Places count film frames, and one more for each repeated frame, so that without `repeated` a place is the
    film position. Outside the run the film goes on at the speed that it had at that end.

    Examples
    --------
    >>> import numpy as np
    >>> time_at_position_s(ReelTruth(first_frame_s=1.0), np.array([0.0, 9.0])).tolist()
    [1.0, 1.5]
    """
    x = np.asarray(position, dtype=np.float64)
    last = _last_place(truth)
    inside = np.clip(x, 0, last)
    out, slow = _run(truth, inside)
    return np.asarray(truth.first_frame_s + out + (x - inside) * slow)


def _last_place(truth: ReelTruth) -> int:
    return max(1, _film_frames(truth)[-1][1])


def _run(truth: ReelTruth, x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Seconds since frame 0 and seconds a frame, at places 0 to frames - 1."""
    base = 1 / float(truth.scan_rate)
    last = _last_place(truth)
    if truth.scan_pattern == "constant":
        return x * base, np.full_like(x, base)
    if truth.scan_pattern == "3 to 25":
        s = x / last
        first, step = 1 / 3, 1 / 25 - 1 / 3
        return last * (first * s + step * (s**3 - s**4 / 2)), first + step * (3 * s**2 - 2 * s**3)
    phases = _random(truth, _SCAN).uniform(0, 2 * pi, 3)
    seconds, slow = x * base, np.full_like(x, base)
    for share, period, phase in zip((0.16, 0.07, 0.015), (150.0, 41.0, 9.0), phases):
        w = 2 * pi / period
        seconds = seconds + share * base / w * (np.sin(w * x + phase) - np.sin(phase))
        slow = slow + share * base * np.cos(w * x + phase)
    return seconds, slow


def frame_times_s(truth: ReelTruth) -> NDArray[np.float64]:
    """Time stamp of each captured frame, seconds, with the jitter of the stamps.

    Examples
    --------
    >>> frame_times_s(ReelTruth(frames=3, first_frame_s=0.0)).round(4).tolist()
    [0.0, 0.0556, 0.1111]
    """
    times = time_at_position_s(truth, np.array([place for _, place in _film_frames(truth)], dtype=np.float64))
    if truth.stamp_jitter_s > 0:
        times = times + truth.stamp_jitter_s * _random(truth, _STAMP).standard_normal(truth.frames)
    return times


def film_position_at(truth: ReelTruth, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Place of the run in the gate at capture times: time_at_position_s turned round by Newton steps.

    Examples
    --------
    >>> import numpy as np
    >>> truth = ReelTruth(scan_pattern="wandering")
    >>> there = film_position_at(truth, time_at_position_s(truth, np.array([-3.0, 50.25])))
    >>> bool(abs(there - [-3.0, 50.25]).max() < 1e-9)
    True
    """
    knots = np.arange(-64.0, _last_place(truth) + 64.0)
    x = np.interp(time_s, time_at_position_s(truth, knots), knots)
    last = _last_place(truth)
    for _ in range(5):
        _, slow = _run(truth, np.clip(x, 0, last))
        x = x - (time_at_position_s(truth, x) - time_s) / slow
    return np.asarray(x)
