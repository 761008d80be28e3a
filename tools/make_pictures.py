"""Make the pictures of the handbook from drawn reels, with the program's own functions.

    python tools/make_pictures.py           all of them, into docs/guide/pictures/
    python tools/make_pictures.py damage    one of them

Each picture is a function below, named as its file. Drawn reels have known truth, so what a picture says of a
reel can be checked; no picture shows a real film.

Why this is long: one function a picture, and nothing else.
"""

import sys
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.colour import FrameColour, apply_colour, solve_output
from smallgauge.picture.damage import measure_frame_damage
from smallgauge.picture.dirt import find_dirt, make_dirt_sheet
from smallgauge.picture.dirt_kinds import DIRT, blob_columns, find_dirt_kinds
from smallgauge.picture.dirt_repair import DirtRepair, apply_dirt_repair
from smallgauge.picture.flicker import FlickerEvidence, apply_flicker, propose_flicker, solve_flicker
from smallgauge.picture.flicker_pairs import make_flicker_sheet, measure_flicker
from smallgauge.picture.fusion import apply_fusion
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.grain_reduction import apply_less_grain
from smallgauge.picture.hairs import find_hairs, make_hair_sheet
from smallgauge.picture.mono import COLUMNS as TONE_COLUMNS
from smallgauge.picture.mono import LOOKS, MonoDecision, measure_tone, solve_mono, tone_of
from smallgauge.picture.negative import (
    InversionDecision,
    propose_inversion,
    solve_inversion,
    solve_unmixing,
)
from smallgauge.picture.overlap import make_overlap_layout, make_overlap_sheet
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.primary import PrinterPoints
from smallgauge.picture.rendering import propose_rendering
from smallgauge.picture.repetition import find_grain_layout, make_grain, measure_repetition
from smallgauge.picture.scenes import make_proxies
from smallgauge.picture.scratch_lines import find_scratch_lines
from smallgauge.picture.scratch_repair import ScratchRepair, apply_scratch_repair, line_runs
from smallgauge.picture.scratches import make_scratch_sheet, measure_scratch_step
from smallgauge.picture.selective import HueWindow
from smallgauge.picture.synthetic import (
    PerforationDamage,
    ReelTruth,
    SceneTruth,
    draw_frame,
    frame_truth,
    specimen_truth,
)
from smallgauge.picture.synthetic_hairs import draw_hair, draw_haired
from smallgauge.picture.synthetic_negative import GREY, STOCKS, draw_negative, draw_scan
from smallgauge.picture.synthetic_scratches import draw_scratched, draw_scratches
from smallgauge.record.loading import Loading
from smallgauge.sound.clicks import apply_click_repair, find_clicks
from smallgauge.sound.fixes import BAND_SIGMAS, TAPE_RUN, Fix, solve_fixes
from smallgauge.sound.hum import find_hum
from smallgauge.sound.hum_removal import find_hum_combs, without_hum
from smallgauge.sound.speed import read_array
from smallgauge.sound.synthetic import TrackTruth, draw_track

PICTURES = Path(__file__).resolve().parent.parent / "docs" / "guide" / "pictures"
Light = NDArray[np.float32]


def lights(truth: ReelTruth) -> list[Light]:
    """Linear light of every frame of a drawn reel."""
    return [
        (draw_frame(truth, n).samples / np.float32(65535)).astype(np.float32) for n in range(truth.frames)
    ]  # type: ignore[operator]


def write_picture(name: str, display: NDArray[np.float64]) -> None:
    """A picture of display values, 0 to 1, R G B, as PNG."""
    import cv2

    codes = (np.clip(display, 0, 1) * 255 + 0.5).astype(np.uint8)
    _, data = cv2.imencode(".png", np.ascontiguousarray(codes[:, :, ::-1]), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    (PICTURES / f"{name}.png").write_bytes(data.tobytes())


def damage() -> None:
    """One perforation of each kind of damage, with the word that the program gives it."""
    import cv2

    cases = (
        ("chipped", 0.2),
        ("elongated", 0.18),
        ("crack", 0.35),
        ("claw", 0.5),
        ("torn", 0.25),
        ("tape", 0.25),
    )
    damaged = tuple(
        PerforationDamage(film_perforation=2 * n + 2, kind=kind, amount_mm=amount)  # type: ignore[arg-type]
        for n, (kind, amount) in enumerate(cases)
    )
    truth = specimen_truth(
        "super 8", width=640, height=480, frames=2 * len(cases) + 2, seed=3, damage=damaged
    )
    light = lights(truth)
    survey = find_gauge(light[::3], gauges=GAUGES).survey
    assert survey is not None
    tiles = []
    for n in (0, *(hole.film_perforation for hole in damaged)):
        plane = np.ascontiguousarray(light[n][:, :, survey.channel])
        fixes = find_perforations(plane, survey=survey)
        word = measure_frame_damage(plane, fixes, survey=survey)[0].damage
        y, x = round(survey.usual_y_px), round(survey.rows[0])
        part = light[n][max(y - 76, 0) : y + 76, max(x - 60, 0) : x + 60] ** (1 / 2.2)
        part = np.pad(part, ((0, 152 - part.shape[0]), (0, 120 - part.shape[1]), (0, 0)))
        label = np.full((26, 120, 3), 255, np.uint8)
        cv2.putText(label, word, (8, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.48, (0, 0, 0), 1, cv2.LINE_AA)
        tiles.append(
            np.pad(np.vstack([part, label / np.float32(255)]), ((0, 0), (2, 2), (0, 0)), constant_values=1)
        )
    write_picture("damage", np.hstack(tiles))


def completeness() -> None:
    """Grain that neighbouring captures share, along a reel with a frame missing and one captured twice."""
    truth = specimen_truth("super 8", width=400, height=300, frames=60, seed=9, missing=(20,), repeated=(40,))
    light = lights(truth)
    survey = find_gauge(light[::10], gauges=GAUGES).survey
    assert survey is not None
    k = survey.across_px_per_mm
    area = (0.7 * k, -2.0 * k, 6.2 * k, 2.0 * k)
    usual = (survey.rows[0], survey.usual_y_px)
    height, width = light[0].shape[:2]
    layout = find_grain_layout(
        frame_px=(width, height), reference_px=usual, area_px=area, pitch_px=survey.pitch_px, px_per_mm=k
    )
    before = None
    follows, match = [], []
    for each in light:
        reference = measure_reference(
            find_perforations(np.ascontiguousarray(each[:, :, survey.channel]), survey=survey), survey=survey
        )
        place = (reference.x_px, reference.y_px)
        sheet = make_grain(np.ascontiguousarray(each[:, :, 1]), reference_px=place, layout=layout)
        reading = measure_repetition(sheet, before, None, layout=layout)
        follows.append(reading.grain_follows)
        match.append(reading.grain_match)
        before = sheet
    svg = draw_along_reel(
        [Line(name="runs on", values=np.array(follows)), Line(name="same place", values=np.array(match))],
        title="Grain that each captured frame shares with the one before",
        unit="",
    )
    (PICTURES / "completeness.svg").write_text(svg + "\n", encoding="utf-8")


def overlap() -> None:
    """Two captures of a tripod shot, laid together at every offset: what the picture says, and what the grain says."""
    scenes = (SceneTruth(kind="garden", first=0, stop=100),)
    stopped = Fraction(1_000_000)  # a camera so quick that nothing moves
    size = (280, 210)
    layout = make_overlap_layout(size, px_per_mm=50.0)
    captures = []
    for first in (0, 24):  # the same film, begun again 24 frames later
        truth = specimen_truth(
            "super 8", width=400, height=300, frames=36, seed=9, scenes=scenes, camera_rate=stopped,
            missing=tuple(range(first)),
        )  # fmt: skip
        sheets = []
        for number, light in enumerate(lights(truth)):
            true = frame_truth(truth, number)
            (left, top), _, (right, bottom), _ = true.gate_corners_px
            box = (left, top, right, bottom)
            sheets.append(make_overlap_sheet(light, position=number, box=box, size=size, layout=layout))
        captures.append(sheets)
    grain, picture = [], []
    for offset in range(32):
        pairs = [(captures[0][n + offset], captures[1][n]) for n in range(36 - offset)][:6]
        shared = [
            measure_repetition(two.grain_sheet(), one.grain_sheet(), None, layout=layout).grain_match
            for one, two in pairs
        ]
        alike = [float((one.small * two.small).sum()) for one, two in pairs]  # type: ignore[operator]
        grain.append(float(np.median(shared)))
        picture.append(float(np.median(alike)))
    svg = draw_along_reel(
        [Line(name="grain", values=np.array(grain)), Line(name="picture", values=np.array(picture))],
        title="How far two captures of one film agree at each offset",
        unit="",
    )
    (PICTURES / "overlap.svg").write_text(svg + "\n", encoding="utf-8")


def loading() -> None:
    """The same captured frame of film loaded each of the four ways, with the words that put it right."""
    import cv2

    truth = specimen_truth("super 8", width=640, height=480, frames=40, seed=5, edge_print="SAFETY FILM 7")
    right = draw_frame(truth, 9).samples
    assert right is not None
    tiles = []
    for way in (
        Loading(),
        Loading(mirror=True),
        Loading(turn=180, backwards=True),
        Loading(turn=180, mirror=True, backwards=True),
    ):
        light = (right / np.float32(65535)).astype(np.float32)
        light = light[::-1] if way.turn else light
        light = light[:, ::-1] if (way.turn == 180) != way.mirror else light
        small = cv2.resize(np.ascontiguousarray(light), (300, 225), interpolation=cv2.INTER_AREA) ** (1 / 2.2)
        label = np.full((30, 300, 3), 255, np.uint8)
        cv2.putText(label, way.words, (6, 21), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (0, 0, 0), 1, cv2.LINE_AA)
        tile = np.vstack([small, label / np.float32(255)])
        tiles.append(np.pad(tile, ((0, 0), (3, 3), (0, 0)), constant_values=1))
    write_picture("loading", np.hstack(tiles))


def sound_apart() -> None:
    """Wild tape of ten minutes laid by five marks: its stated band, and how far it truly lies from its place."""
    random = np.random.Generator(np.random.SFC64(5))
    frames, rate, keep = 600 * 18, 18.0, float(np.exp(-1 / (18 * 60.0)))
    speed = 1.02 - 0.006 * (np.arange(frames) / frames - 0.5)
    value = 0.003 * random.standard_normal()
    for n in range(frames):
        speed[n] += value
        value = keep * value + 0.003 * float(np.sqrt(1 - keep**2)) * random.standard_normal()
    heard = 3.7 + np.cumsum(speed) / rate
    at = np.linspace(90, frames - 90, 5).astype(int)
    marks = [Fix(float(n), float(heard[n]) + 0.01 * random.standard_normal(), 0.0167) for n in at]
    second, _, sigma = solve_fixes(marks, rate=rate, transport=TAPE_RUN).at(np.arange(frames))
    svg = draw_along_reel(
        [
            Line(name="off its place", values=1000 * np.abs(second - heard)),
            Line(name="stated", values=1000 * BAND_SIGMAS * sigma),
        ],
        title="Sound of a wild tape, five marks: how far it lies off its place, and the stated error",
        unit="ms",
    )
    (PICTURES / "sound-apart.svg").write_text(svg + "\n", encoding="utf-8")


def flicker() -> None:
    """Seven frames of a drawn reel with flicker, the same corrected; and the path of its exposure through a fade."""
    import cv2

    scenes = (SceneTruth(kind="garden", first=0, stop=1000),)
    truth = specimen_truth(
        "super 8",
        width=512,
        height=384,
        frames=60,
        seed=4,
        scenes=scenes,
        start_exposures=(),
        flicker=0.0,
        camera_flicker=0.1,
        camera_flicker_surface=0.03,
        fades=((24, 44, 0.5),),
    )
    frames, boxes, readings, last = lights(truth), [], [], None
    for n, light in enumerate(frames):
        true = frame_truth(truth, n)
        wide, high = (round(0.93 * float(np.ptp(np.array(true.gate_corners_px)[:, k]))) for k in (0, 1))
        left, top = (round(c - s / 2) for c, s in zip(true.picture_centre_px, (wide, high), strict=True))
        boxes.append((left, top, left + wide, top + high))
        sheet = make_flicker_sheet(make_proxies(light, box=boxes[n])[1], lamp=truth.open_gate_level)
        readings.append(measure_flicker(sheet, last))
        last = sheet
    names = ("level", "level_sigma", "contrast", "contrast_sigma", "surface", "surface_sigma", "middle")
    evidence = FlickerEvidence(
        **{name: np.array([getattr(each, name) for each in readings]) for name in names},
        scene=np.zeros(truth.frames, np.int64),
        lamp=np.zeros((truth.frames, 3)),
    )
    decision, _ = propose_flicker(evidence, first=0, stop=truth.frames)
    solved = solve_flicker(evidence, (decision,))
    rows: list[list[NDArray[np.float64]]] = [[], []]
    for n in range(8, 15):
        left, top, right, bottom = boxes[n]
        light = np.maximum(frames[n][top:bottom, left:right], 1e-4)
        correction = solved.corrections[n]
        assert correction is not None
        pair = light, 10.0 ** -apply_flicker(-np.log10(light), correction)
        for row, each in zip(rows, pair, strict=True):
            small = cv2.resize(np.asarray(each, np.float32), (150, 110), interpolation=cv2.INTER_AREA)
            row.append(np.pad(small, ((3, 3), (3, 3), (0, 0)), constant_values=1.0) ** (1 / 2.4))
    write_picture("flicker", np.vstack([np.hstack(row) for row in rows]))
    svg = draw_along_reel(
        [Line(name="after", values=solved.after_ln), Line(name="before", values=solved.before_ln)],
        title="Exposure of a drawn scene with a fade to half light, before and after",
        unit="ln",
        axis="frame of the scene",
    )
    (PICTURES / "flicker-path.svg").write_text(svg + "\n", encoding="utf-8")


def negative() -> None:
    """A frame of negative as scanned and as printed; below it a grey scale of another stock, without and with a pick."""
    import cv2

    base = (0.20, 0.52, 0.80)
    truth = specimen_truth("super 8", width=640, height=480, frames=4, film="negative", start_exposures=())
    light = lights(truth)[1] / truth.open_gate_level
    decision, _ = propose_inversion(base, light="narrow")
    printed = apply_colour(light, print_of(decision))
    frame = np.hstack([light, np.full((480, 12, 3), 1.0), np.clip(printed, 0, 1)])
    greys = np.repeat(GREY * 10.0 ** np.linspace(-1.2, 0.7, 20)[:, None], 3, axis=1)

    def scanned(exposure: NDArray[np.float64]) -> NDArray[np.float64]:
        return -np.log10(draw_scan(draw_negative(exposure, stock=STOCKS["second"]), light="narrow"))

    def triple(exposure: float) -> tuple[float, float, float]:
        red, green, blue = scanned(np.full(3, exposure)).tolist()
        return red, green, blue

    rows = []
    alone, _ = propose_inversion(triple(0.0), light="narrow")
    picked = replace(alone, greys=(triple(0.2 * GREY),), card=triple(GREY))
    for each in (alone, picked):
        shown = apply_colour(10.0 ** -scanned(greys), print_of(each))
        rows.append(
            np.repeat(np.repeat(np.clip(shown, 0, 1)[None], 40, axis=0), frame.shape[1] // 20, axis=1)
        )
        rows.append(np.ones((6, rows[0].shape[1], 3)))
    steps = np.vstack(rows[:-1])
    steps = np.pad(steps, ((12, 0), (0, frame.shape[1] - steps.shape[1]), (0, 0)), constant_values=1.0)
    small = cv2.resize(np.vstack([frame, steps]), None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
    write_picture("negative", np.clip(small, 0, 1) ** (1 / 2.4))


def print_of(decision: InversionDecision) -> FrameColour:
    """All that is done to the colour of a negative as shipped."""
    look = FrameColour(fade=solve_unmixing(decision), negative=solve_inversion(decision))
    rendering, _ = propose_rendering(clear=decision.base, deepest=None, exact=True)
    return replace(look, output=solve_output(rendering, look))


def black_and_white() -> None:
    """Silver film with a yellowed base and a warm image: as scanned, tint and tone kept, and the neutral copy."""
    import cv2

    truth = specimen_truth(
        "super 8", width=640, height=480, frames=4, film="black-and-white", start_exposures=()
    )
    box = (120.0, 60.0, 560.0, 420.0)
    read = [measure_tone(light, box=box) for light in lights(truth)]
    tone = tone_of(np.array([[getattr(one, column.name) for column in TONE_COLUMNS] for one in read]))
    light = lights(truth)[1] / truth.open_gate_level
    tiles = [light]
    for look in LOOKS:
        colour = FrameColour(mono=solve_mono(tone, MonoDecision(look=look)))
        rendering, _ = propose_rendering(clear=(0.06, 0.08, 0.14), deepest=(2.4, 2.48, 2.68))
        tiles.append(apply_colour(light, replace(colour, output=solve_output(rendering, colour))))
    joined = np.hstack([np.pad(tile, ((0, 0), (0, 8), (0, 0)), constant_values=1.0) for tile in tiles])
    small = cv2.resize(np.clip(joined, 0, 1), None, fx=0.48, fy=0.48, interpolation=cv2.INTER_AREA)
    write_picture("black-and-white", np.clip(small, 0, 1) ** (1 / 2.4))


def colour() -> None:
    """A drawn frame as captured, as rendered, lifted by eight printer points, and with its greens made weaker."""
    import cv2

    truth = specimen_truth(
        "super 8",
        width=640,
        height=480,
        frames=3,
        start_exposures=(),
        scenes=(SceneTruth(kind="garden", first=0, stop=3),),
    )
    light = lights(truth)[1][60:420, 120:560] / truth.open_gate_level
    rendering, _ = propose_rendering(clear=(0.16, 0.17, 0.19), deepest=(2.97, 2.99, 3.06))
    shipped = FrameColour(output=solve_output(rendering, FrameColour()))
    lifted = replace(shipped, points=PrinterPoints(red=-8.0, green=-8.0, blue=-8.0))
    weaker = replace(shipped, hues=(HueWindow(centre_deg=130.0, width_deg=90.0, saturation=0.4),))
    tiles = [light, *(apply_colour(light, look) for look in (shipped, lifted, weaker))]
    joined = np.hstack([np.pad(tile, ((0, 0), (0, 8), (0, 0)), constant_values=1.0) for tile in tiles])
    small = cv2.resize(np.clip(joined, 0, 1), None, fx=0.48, fy=0.48, interpolation=cv2.INTER_AREA)
    write_picture("colour", np.clip(small, 0, 1) ** (1 / 2.4))


def sound_faults() -> None:
    """Drawn speech with hum of film and chain and three clicks: captured, finished, and what was taken out."""
    from scipy.signal import resample_poly, stft

    rate, seconds = 32_000, 22
    truth = TrackTruth(
        camera_rate=Fraction(18),
        ahead_frames=18,
        head_offset_frames=0,
        sample_rate=rate,
        content="speech",
        film_hum_level=0.03,
        chain_hum_level=0.012,
        hiss_level=0.001,
        clicks=((6.2, 0.002), (9.3, 0.001), (13.1, 0.004)),
        click_level=0.25,
    )
    t = np.arange(0, seconds + 1, 0.001)
    moved = 14.0 * t + 0.6 * np.sin(0.5 * t)
    captured = draw_track(truth, lambda s: np.interp(s, t, moved), start_s=0.0, samples=seconds * rate)
    read = read_array(captured)
    positions = np.arange(int(moved[-1]) - 16)
    times = np.interp(positions, moved, t)
    hum = find_hum(
        read, in_samples=len(captured), sound_rate=rate, frame_times_s=times, film_positions=positions
    )
    combs = find_hum_combs(
        read, hum, in_samples=len(captured), sound_rate=rate, frame_times_s=times, film_positions=positions
    )
    quiet = read
    for comb in combs:
        quiet = without_hum(quiet, comb, sound_rate=rate)
    clicks = find_clicks(read, in_samples=len(captured), sound_rate=rate)
    finished = apply_click_repair(quiet, clicks, sound_rate=rate)(0, len(captured))
    panels = []
    for sound in (captured, finished, captured - finished):
        slow = resample_poly(sound[4 * rate : 16 * rate, 0], 1, 16)
        _, _, spectra = stft(slow, fs=rate / 16, nperseg=256, noverlap=216, window="hann")
        level = 20 * np.log10(np.abs(spectra[:90]) + 1e-7)
        grey = 1.0 - np.clip((level + 85) / 60, 0, 1)[::-1]
        panels.append(np.pad(np.repeat(grey, 2, axis=0)[:, :880], ((0, 8), (0, 0)), constant_values=1))
    write_picture("sound-faults", np.repeat(np.vstack(panels)[:, :, None], 3, axis=2))


def scratches() -> None:
    """A drawn frame with three scratches: as scanned, with what was found marked above, and as it is finished."""
    truth = specimen_truth(
        "super 8", width=768, height=576, frames=16, seed=11, dirt_per_frame=0.0, start_exposures=()
    )
    lines = draw_scratches(np.random.default_rng(5), 472, 16, 3)
    seen, sheets, steps = [], [], []
    for n, light in enumerate(lights(truth)):
        left, top = 184, 108  # inside the camera's picture
        seen.append(draw_scratched(light[top : top + 348, left : left + 472], lines, n))
        sheets.append(
            make_scratch_sheet(np.ascontiguousarray(255 * seen[-1] ** np.float32(1 / 2.4), np.float32))
        )
        steps.append(measure_scratch_step(*sheets[-2:]) if n else None)
    found = [line for line in find_scratch_lines(sheets, steps) if line.kind == "scratch"]
    number = 8
    repairs = [
        ScratchRepair(
            x=line.x[number],
            profile=line.profile,
            colours=line.colours,
            runs=line_runs(line.x[number], len(line.profile), line.bands, (472, 348)),
        )
        for line in found
    ]
    mended = apply_scratch_repair(seen[number], repairs, table=None)
    left, right = (np.clip(each, 0, 1) ** (1 / 2.4) for each in (seen[number], mended))
    for line in found:
        x = round(line.x[number])
        left[:8, max(0, x - 1) : x + 2] = (1.0, 0.3, 0.1)
    write_picture("scratches", np.hstack([left, np.ones((348, 12, 3)), right]))


def hairs() -> None:
    """A drawn frame with a hair in the scanner's gate and one in the camera's, framed as they were told."""
    import cv2

    truth = specimen_truth(
        "super 8",
        width=768,
        height=576,
        frames=20,
        seed=12,
        weave_um=(25.0, 25.0),
        start_exposures=(),
        scenes=(SceneTruth(kind="garden", first=0, stop=9), SceneTruth(kind="sea", first=9, stop=20)),
    )
    one, two = (np.random.default_rng(seed) for seed in (3, 8))
    scanner = draw_hair(one, (348, 472), "left", length_px=70, thick_px=3.5)
    camera = draw_hair(two, (348, 472), "bottom", length_px=70, thick_px=3.5)
    sheets, steps, upright, shown = [], [], [], np.zeros(0)
    for n, light in enumerate(lights(truth)):
        x, y = frame_truth(truth, n).picture_centre_px
        left, top = round(x) - 236, round(y) - 174
        place = np.zeros(light.shape[:2], np.float32)
        place[top : top + 348, left : left + 472] = camera
        whole = draw_haired(light, place)
        whole[108:456, 184:656] = draw_haired(whole[108:456, 184:656], scanner)
        part = np.ascontiguousarray(whole[top : top + 348, left : left + 472], np.float32)
        lightness = np.asarray(255 * np.clip(part, 0, 1) ** np.float32(1 / 2.4), np.float32)
        upright.append(make_scratch_sheet(lightness))
        steps.append(measure_scratch_step(*upright[-2:]).scene_px if n else None)
        sheets.append(make_hair_sheet(lightness, corner=(left, top)))
        if n == 12:
            shown = np.asarray(lightness / 255, np.float64)
    for hair in find_hairs(sheets, steps):
        colour = (1.0, 0.3, 0.1) if hair.with_film < 0.2 else (1.0, 0.9, 0.2)
        if hair.with_film < 0.2 or hair.cuts:
            left, top, wide, high = hair.boxes[12]
            cv2.rectangle(shown, (left - 4, top - 4), (left + wide + 4, top + high + 4), colour, 2)
    write_picture("hairs", shown)


def dirt() -> None:
    """A drawn frame with dirt: as scanned, with what was found framed, and as it is finished."""
    import cv2

    truth = specimen_truth(
        "super 8", width=768, height=576, frames=9, seed=11, dirt_per_frame=5.0, start_exposures=()
    )
    drawn = lights(truth)
    display = [np.clip(light, 0, 1).astype(np.float32) ** (1 / 2.4) for light in drawn]
    wide, high = slice(184, 656), slice(108, 456)  # inside the camera's picture
    sheets = [
        make_dirt_sheet(
            np.ascontiguousarray(each[high, wide] @ np.array([0.25, 0.5, 0.25], np.float32) * np.float32(255))
        )
        for each in display
    ]
    number = 4
    found = [find_dirt(sheets[n - 1], sheets[n], sheets[n + 1]) for n in range(1, 8)]
    blobs = [(n, blob) for n, own in enumerate(found, 1) for blob in own]
    columns = blob_columns(blobs)
    kinds = find_dirt_kinds(columns, scene=np.zeros(9, int), size=(472, 348))
    here = [(blob, kind) for (n, blob), kind in zip(blobs, kinds, strict=True) if n == number]
    repairs = [DirtRepair(runs=b.runs, before=b.before, after=b.after) for b, kind in here if kind == DIRT]
    light = [each[high, wide] for each in drawn]
    mended = apply_dirt_repair(light[number], light[number - 1], light[number + 1], repairs, table=None)
    left = np.ascontiguousarray(display[number][high, wide])
    for blob, kind in here:
        corners = (blob.left - 5, blob.top - 5), (blob.left + blob.width + 5, blob.top + blob.height + 5)
        cv2.rectangle(left, *corners, (1.0, 1.0, 1.0), 1)
        if kind == DIRT:
            cv2.rectangle(
                left,
                (corners[0][0] - 3, corners[0][1] - 3),
                (corners[1][0] + 3, corners[1][1] + 3),
                (1, 1, 1),
                1,
            )
    right = np.clip(mended, 0, 1) ** (1 / 2.4)
    write_picture("dirt", np.hstack([left, np.ones((348, 12, 3)), right]))


def job_sheet() -> None:
    """A job sheet of an invented order: a reel that was done, and one that is held."""
    import json
    from dataclasses import asdict

    import typst

    from smallgauge.office.job_sheet import TEMPLATE, Sheet, SheetReel

    rows = ("feet", "frames", "GB, by the tariff", "minutes:seconds", "proved", "handed over")
    first = ("25 to 50", "2000 to 4000", "19.0 to 38.0", "2:05 to 4:10 at 16; 1:51 to 3:42 at 18", "", "")
    was = ("49.1", "3926", "37.3", "4:05 at 16", "yes", "2026-03-20")
    second = ("50", "3600", "34.2", "3:20 at 18; 2:30 at 24", "", "")
    done = SheetReel(
        number="0000013-R01-3",
        gauge="standard 8",
        box_words="garden 1968, first reel",
        decides="Wim Oster",
        place="shelf 4",
        stop=(),
        know=(),
        seen=("shrinkage: 0.4 %", "mould: none seen", "warp: flat"),
        runs=("sprocketless: may run",),
        compared=tuple(zip(rows, first, was, strict=True)),
        steps=(
            "2026-03-03 mk: inspected; lies at bench one",
            "2026-03-04 mk: scanned; lies at shelf 4; on sprocketless",
        ),
    )
    held = replace(
        done,
        number="0000013-R02-1",
        gauge="Super 8",
        box_words="lake",
        place="counter",
        stop=("HOLD 1 on the film: mould; Jo Bell may lift it",),
        seen=(),
        runs=("sprocketless: must not run: it is held: mould",),
        compared=tuple(zip(rows, second, ("",) * 6, strict=True)),
        steps=(),
    )
    sheet = Sheet(
        order="0000013",
        client="Wim Oster",
        came_on="2026-03-02",
        promised_on="2026-04-01",
        keep_until="",
        counted=("2 reels", "1 boxes"),
        agreed=("a new leader on reel 1 (in writing, 2026-03-02)",),
        reels=(done, held),
    )
    plain = json.dumps({**asdict(sheet), "day": "2026-03-20"})
    page = typst.compile(
        TEMPLATE.read_bytes(), ignore_system_fonts=True, format="png", ppi=84, sys_inputs={"sheet": plain}
    )
    (PICTURES / "job-sheet.png").write_bytes(bytes(page))


def stills() -> None:
    """A drawn scene with a person walking: one frame alone and the photograph fused from nine, whole and enlarged."""
    truth = specimen_truth(
        "super 8",
        width=768,
        height=576,
        frames=9,
        seed=11,
        start_exposures=(),
        scenes=(SceneTruth(kind="garden", first=0, stop=9),),
    )
    wide, high = slice(184, 656), slice(108, 456)  # inside the camera's picture
    frames = [
        np.rint(np.clip(each[high, wide], 0, 1).astype(np.float64) ** (1 / 2.4) * 65535).astype(np.uint16)
        for each in lights(truth)
    ]
    alone = frames[4] / 65535
    fused = apply_fusion(frames, base=4, bits=16).picture / 65535
    between, line = np.ones((348, 12, 3)), np.ones((12, 956, 3))
    near = (slice(90, 206), slice(40, 197))

    def enlarged(picture: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.repeat(np.repeat(picture[near], 3, axis=0), 3, axis=1)[:348, :472]

    rows = [
        np.hstack([left, between[: left.shape[0]], right])
        for left, right in ((alone, fused), (enlarged(alone), enlarged(fused)))
    ]
    rows = [row[:, :956] for row in rows]
    write_picture(
        "stills",
        np.vstack(
            [
                rows[0],
                line[:, : rows[0].shape[1]],
                np.pad(rows[1], [(0, 0), (0, 956 - rows[1].shape[1]), (0, 0)], constant_values=1),
            ]
        ),
    )


def grain() -> None:
    """A drawn scene, enlarged: one frame, the same with less grain, and what was taken, three times as strong."""
    truth = specimen_truth(
        "super 8",
        width=768,
        height=576,
        frames=3,
        seed=11,
        start_exposures=(),
        scenes=(SceneTruth(kind="garden", first=0, stop=3),),
    )
    before, own, after = (each[108:456, 184:656].astype(np.float32) for each in lights(truth))
    less = apply_less_grain(own, (before, after), table=None, reduce=0.5, box=(0, 0, 472, 348))
    near = (slice(60, 200), slice(40, 147))

    def enlarged(display: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.repeat(np.repeat(display[near], 3, axis=0), 3, axis=1)

    one, two = (np.clip(each, 0, 1).astype(np.float64) ** (1 / 2.4) for each in (own, less.samples))
    parts = [enlarged(each) for each in (one, two, 0.5 + 3 * (two - one))]
    between = np.ones((parts[0].shape[0], 9, 3))
    write_picture("grain", np.hstack([parts[0], between, parts[1], between, parts[2]]))


ALL: tuple[Callable[[], None], ...] = (
    colour,
    dirt,
    scratches,
    hairs,
    completeness,
    damage,
    flicker,
    overlap,
    loading,
    sound_apart,
    negative,
    black_and_white,
    sound_faults,
    job_sheet,
    stills,
    grain,
)


def main(names: list[str]) -> None:
    """Make the pictures named, or all."""
    PICTURES.mkdir(exist_ok=True)
    for make in ALL:
        if not names or make.__name__ in names:
            make()
            print(f"{make.__name__} made")


if __name__ == "__main__":
    main(sys.argv[1:])
