"""Registration against general methods on the same frames in the same run: perforations, a pan, a whole reel, speed.

Run `python -m benchmarks.registration`. It prints, all of it measured in this run:

drawn      one Super 8 perforation at 150 px/mm, blur 1.5 px, 40 renders a row (drawn by the tests' own
           renderer): error across / along, root mean square and greatest, px; then the clean and the damaged set
           as wholes, held against the limits of the issue
bound      clear leader, the finder's hardest clean case, against the Cramer-Rao bound, 300 renders
specimens  every perforation that lies wholly in view in the three shared specimen captures (left out where
           they are missing); ours uses the survey that it makes of the capture itself
pan        a drawn film that jitters in the scanner while the camera pans: where the scene lies in the steadied
           frames against where the pan put it
reel       a whole reel's evidence with gaps and wrong readings, made into one path (`tests/picture/registration_series.py`)
speed      processor time of a whole frame

The general methods are helped: the template has the right size, blur and light, they look within 14 px of
the truth, and Otsu's threshold is taken on that window. Phase correlation (OpenCV's, and scikit-image's to a
hundredth of a pixel) is given an undamaged first frame of the same light, and on specimens the first whole
perforation. Ours gets no expected place. ms is processor time a perforation; ours is for the whole frame.

Why this is long: one comparison, whose methods, material and limits are read together.
"""

import importlib.util
import json
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from skimage.registration import phase_cross_correlation

from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import PerforationSurvey, find_perforations, measure_reference
from smallgauge.picture.registration import propose_registration, solve_registration
from smallgauge.picture.resample import Move, apply_move

ROOT = Path(__file__).parents[1]
SPECIMENS = ROOT.parent / "shared" / "specimens"
PX_PER_MM, BLUR, SEARCH, RENDERS = 150.0, 1.5, 14, 40
DRAWN_SHAPE = (330, 330)
Plane = NDArray[np.float32]
Point = tuple[float, float]

LIGHTS = {
    "dark border": {"base": 0.01, "hole": 0.9, "noise": 0.005},
    "negative": {"base": 0.62, "hole": 0.94, "noise": 0.012, "grain": 0.03},
    "clear leader": {"base": 0.74, "hole": 0.94, "noise": 0.024, "grain": 0.0, "picture": False},
}
DAMAGES = ((), ("claw",), ("chip",), ("specks",), ("tape",), ("torn",), ("crack",), ("elongated",))


METHODS = ("ours", "template", "rectangle", "phase", "phase, scikit-image")
HEADS = "ours | matchTemplate, parabola | minAreaRect, Otsu | phaseCorrelate | phase_cross_correlation"


def of_tests(name: str) -> ModuleType:
    """A helper module of the tests' picture room: a renderer that shares no code with the package."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ROOT / "tests" / "picture" / f"{name}.py")
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


def drawing() -> ModuleType:
    return of_tests("drawn_perforations")


def window(plane: Plane, at: Point, size: Point) -> tuple[Plane, int, int]:
    """The part of the plane that holds the perforation wherever it is within the search, and its corner."""
    x0 = max(0, int(at[0] - size[0] / 2) - SEARCH - 6)
    y0 = max(0, int(at[1] - size[1] / 2) - SEARCH - 6)
    x1, y1 = int(at[0] + size[0] / 2) + SEARCH + 7, int(at[1] + size[1] / 2) + SEARCH + 7
    return np.ascontiguousarray(plane[y0:y1, x0:x1]), x0, y0


def template_of(size: Point, corner: float, hole: float, base: float, blur: float) -> Plane:
    """The perforation as it should look, with 6 px of film round it; its centre is the array's."""
    width, height = int(size[0]) + 12, int(size[1]) + 12
    ys, xs = np.mgrid[0:height, 0:width].astype(np.float64)
    qx = np.abs(xs - (width - 1) / 2) - size[0] / 2 + corner
    qy = np.abs(ys - (height - 1) / 2) - size[1] / 2 + corner
    distance = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0) - corner
    return (base + (hole - base) * ndtr(-distance / blur)).astype(np.float32)


def by_template(part: Plane, template: Plane) -> Point:
    """cv2.matchTemplate, normalised, peak by parabola on each axis."""
    score = cv2.matchTemplate(part, template, cv2.TM_CCOEFF_NORMED)
    y, x = np.unravel_index(score.argmax(), score.shape)
    place = []
    for k, line in ((int(x), score[y]), (int(y), score[:, x])):
        move = 0.0
        if 0 < k < len(line) - 1:
            low, middle, high = (float(v) for v in line[k - 1 : k + 2])
            bend = low - 2 * middle + high
            move = 0.5 * (low - high) / bend if bend < 0 else 0.0
        place.append(k + move)
    return place[0] + (template.shape[1] - 1) / 2, place[1] + (template.shape[0] - 1) / 2


def by_rectangle(part: Plane) -> Point:
    """cv2.minAreaRect of the largest bright area under Otsu's threshold."""
    codes = np.clip(part * 255, 0, 255).astype(np.uint8)
    _, mask = cv2.threshold(codes, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    found, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.nan, np.nan
    (x, y), _, _ = cv2.minAreaRect(max(found, key=cv2.contourArea))
    return float(x), float(y)


def by_phase(part: Plane, first: Plane) -> Point:
    """cv2.phaseCorrelate against the first frame, Hanning window: the move since then."""
    rows, columns = min(part.shape[0], first.shape[0]), min(part.shape[1], first.shape[1])
    a, b = first[:rows, :columns].astype(np.float64), part[:rows, :columns].astype(np.float64)
    (x, y), _ = cv2.phaseCorrelate(a, b, cv2.createHanningWindow((columns, rows), cv2.CV_64F))
    return float(x), float(y)


def by_phase_scikit(part: Plane, first: Plane) -> Point:
    """skimage's phase_cross_correlation against the first frame, to a hundredth of a pixel.

    Not whitened, the film's level taken off: as it comes, whitened, it was off by up to 113 px here.
    """
    rows, columns = min(part.shape[0], first.shape[0]), min(part.shape[1], first.shape[1])
    a, b = first[:rows, :columns].astype(np.float64), part[:rows, :columns].astype(np.float64)
    move, *_ = phase_cross_correlation(
        b - np.median(b[:10]), a - np.median(a[:10]), upsample_factor=100, normalization=None
    )
    return float(move[1]), float(move[0])


def timed(work: Callable[[], Point], spent: list[float]) -> Point:
    start = time.process_time()
    place = work()
    spent.append(time.process_time() - start)
    return place


def drawn_survey(film: tuple, shape: tuple[int, int], light: dict) -> PerforationSurvey:  # type: ignore[type-arg]
    """The survey of a drawn capture of 12 clean frames: nothing is handed over that a user would not have."""
    draw = drawing().draw
    frames = [
        draw("super-8", shape=shape, px_per_mm=PX_PER_MM, blur=BLUR, seed=900 + k, tilt=0.002, **light).plane
        for k in range(12)
    ]
    reading = find_gauge(frames, gauges=GAUGES, micrometres_per_pixel=1000 / PX_PER_MM, stated="super-8")
    assert reading.survey is not None, reading.reason
    return reading.survey


def summary(errors: list[Point]) -> str:
    """Root mean square and greatest error across / along; how many gave no measurement."""
    each = np.array(errors, dtype=np.float64)
    ok = np.isfinite(each).all(axis=1)
    if not ok.any():
        return f"none measured ({len(each)})"
    rms, most = np.sqrt((each[ok] ** 2).mean(axis=0)), np.abs(each[ok]).max(axis=0)
    lost = f", {int((~ok).sum())} none" if not ok.all() else ""
    return f"{rms[0]:.3f} / {rms[1]:.3f} (max {most[0]:.2f} / {most[1]:.2f}{lost})"


def drawn_table() -> None:
    """Errors on drawn perforations, row by row and as the two sets that the issue limits."""
    drawn = drawing()
    film = drawn.FILM["super-8"]
    size = (film[1] * PX_PER_MM, film[2] * PX_PER_MM)
    print(f"| drawn | {HEADS} |\n|---|---|---|---|---|---|")
    spent: dict[str, list[float]] = {name: [] for name in METHODS}
    sets: dict[tuple[str, str], dict[str, list[Point]]] = {}
    for light_name, light in LIGHTS.items():
        survey = drawn_survey(film, DRAWN_SHAPE, light)
        template = template_of(size, film[3] * PX_PER_MM, light["hole"], light["base"], BLUR)
        for damage in DAMAGES:
            errors = drawn_row(light, damage, survey, template, size, spent)
            cells = " | ".join(summary(errors[name]) for name in METHODS)
            print(f"| {light_name}, {' + '.join(damage) or 'clean'} | {cells} |", flush=True)
            kind = "clean" if not damage else "elongated" if damage == ("elongated",) else "damaged"
            held = sets.setdefault((light_name, kind), {name: [] for name in METHODS})
            for name in METHODS:
                held[name] += errors[name]
    cells = " | ".join(f"{1000 * np.mean(each):.2f} ms" for each in spent.values())
    print(f"| processor time | {cells} |")
    set_table(sets)


def drawn_row(
    light: dict,  # type: ignore[type-arg]
    damage: tuple[str, ...],
    survey: PerforationSurvey,
    template: Plane,
    size: Point,
    spent: dict[str, list[float]],
) -> dict[str, list[Point]]:
    """Errors of every method on the renders of one row."""
    drawn = drawing()
    errors: dict[str, list[Point]] = {name: [] for name in METHODS}
    options = {"shape": DRAWN_SHAPE, "px_per_mm": PX_PER_MM, "blur": BLUR, "tilt": 0.002} | light
    middle = (0.3 * PX_PER_MM + (0.51 + 0.457) * PX_PER_MM, (DRAWN_SHAPE[0] - 1) / 2)
    clean = drawn.draw("super-8", seed=777, reference_y=middle[1], **options)
    held, at = window(clean.plane, middle, size)[0], clean.centres[0][1:]
    for seed in range(RENDERS):
        rng = np.random.default_rng(seed)
        y = (DRAWN_SHAPE[0] - 1) / 2 + rng.uniform(-8, 8)
        x_mm = 0.3 + 0.02 * rng.normal()
        frame = drawn.draw("super-8", seed=seed, reference_y=y, x_mm=x_mm, damage=damage, **options)
        truth = frame.centres[0][1:]
        part, x0, y0 = window(frame.plane, middle, size)
        for name, corner, work in (
            ("ours", (0.0, 0.0), lambda f=frame, t=truth: nearest(f.plane, survey, t)),
            ("template", (x0, y0), lambda p=part: by_template(p, template)),
            ("rectangle", (x0, y0), lambda p=part: by_rectangle(p)),
            ("phase", at, lambda p=part: by_phase(p, held)),
            ("phase, scikit-image", at, lambda p=part: by_phase_scikit(p, held)),
        ):
            px, py = timed(work, spent[name])
            errors[name].append((px + corner[0] - truth[0], py + corner[1] - truth[1]))
    return errors


def set_table(sets: dict[tuple[str, str], dict[str, list[Point]]]) -> None:
    """Both sets as the issue limits them: distance from the truth, root mean square, and ours against the best."""
    print(
        f"\n| set, rms distance px | {HEADS} | ours and the best of the others | limit |\n|---|---|---|---|---|---|---|---|"
    )
    for (light, kind), errors in sets.items():
        rms = {name: distance_rms(errors[name]) for name in METHODS}
        best = min(value for name, value in rms.items() if name != "ours")
        if kind == "clean":
            verdict = f"{rms['ours'] - best:+.3f} px | at most +0.010: {'met' if rms['ours'] - best <= 0.01 else 'NOT MET'}"
        elif not np.isfinite(rms["ours"]):
            verdict = "no measurement | none is wrong: met"
        else:
            verdict = f"1 / {best / rms['ours']:.0f} | at most 1 / 5: {'met' if rms['ours'] <= best / 5 else 'NOT MET'}"
        print(f"| {light}, {kind} | {' | '.join(f'{rms[name]:.3f}' for name in METHODS)} | {verdict} |")


def distance_rms(errors: list[Point]) -> float:
    """Root mean square distance of those measured; NaN where none is."""
    each = np.array(errors, dtype=np.float64)
    each = each[np.isfinite(each).all(axis=1)]
    return float(np.sqrt((each**2).sum(axis=1).mean())) if len(each) else float("nan")


def nearest(plane: Plane, survey: PerforationSurvey, truth: Point) -> Point:
    """Our fix of the perforation at the truth; NaN where there is none or it is no measurement."""
    fixes = find_perforations(plane, survey=survey)
    near = [f for f in fixes if np.isfinite(f.x_px) and abs(f.x_px - truth[0]) + abs(f.y_px - truth[1]) < 60]
    if not near:
        return np.nan, np.nan
    best = min(near, key=lambda f: abs(f.x_px - truth[0]) + abs(f.y_px - truth[1]))
    return best.x_px, best.y_px


def specimen_frames(name: str) -> tuple[dict, list[NDArray[np.float32]]]:  # type: ignore[type-arg]
    """Truth and linear light of one shared specimen."""
    import OpenImageIO as oiio

    folder = SPECIMENS / name
    frames = []
    for path in sorted((folder / "capture").glob("frame_*")):
        samples = oiio.ImageBuf(str(path)).get_pixels(oiio.UINT16)
        if path.suffix == ".dpx":  # code = 1023 (1 + log10(light) / 3)
            light = 10 ** (3 * ((samples >> 6) / 1023 - 1))
        elif path.suffix == ".png":  # IEC 61966-2-1
            code = samples / 65535
            light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        else:
            light = samples / 65535
        frames.append(light.astype(np.float32))
    return json.loads((folder / "truth" / "truth.json").read_text()), frames


def specimen_table() -> None:
    """Errors on the shared specimens, no offset taken out."""
    names = ("super8-striped-18fps", "super8-faded", "standard8-torn")
    if not SPECIMENS.is_dir():
        print("\nSpecimens: left out, they are not at ../shared/specimens.")
        return
    print(f"\n| specimen | n | {HEADS} |\n|---|---|---|---|---|---|---|")
    for name in names:
        truth, frames = specimen_frames(name)
        reading = find_gauge(frames, gauges=GAUGES)
        survey = reading.survey
        assert survey is not None, reading.reason
        size = (survey.width_px, survey.height_px)
        template = template_of(size, survey.corner_px, 1.0, survey.base_light, survey.blur_px)
        errors: dict[tuple[bool, str], list[Point]] = {}
        first: tuple[Plane, Point] | None = None
        for frame, known in zip(frames, truth["frames"]):
            plane = np.ascontiguousarray(frame[..., survey.channel])
            for hole in known["perforations"]:
                at = (hole["x"], hole["y"])
                if not size[1] / 2 + 2 < at[1] < plane.shape[0] - size[1] / 2 - 3:
                    continue
                middle = (survey.rows[0], float(np.rint(at[1])))
                part, x0, y0 = window(plane, middle, size)
                if first is None and not hole["damage"]:
                    first = (part, (at[0] - x0, at[1] - y0))
                places = {
                    "ours": nearest(plane, survey, at),
                    "template": by_template(part, template),
                    "rectangle": by_rectangle(part),
                    "phase": by_phase(part, first[0]) if first is not None else (np.nan, np.nan),
                    "phase, scikit-image": by_phase_scikit(part, first[0])
                    if first is not None
                    else (np.nan, np.nan),
                }
                for method, (px, py) in places.items():
                    corner = (x0, y0)
                    if method == "ours":
                        corner = (0, 0)
                    elif method.startswith("phase") and first is not None:
                        corner = (x0 + first[1][0], y0 + first[1][1])
                    error = (px + corner[0] - at[0], py + corner[1] - at[1])
                    errors.setdefault((bool(hole["damage"]), method), []).append(error)
        for damaged in (False, True):
            if (damaged, "ours") in errors:
                cells = " | ".join(summary(errors[damaged, m]) for m in METHODS)
                count = len(errors[damaged, "ours"])
                print(f"| {name}, {'damaged' if damaged else 'whole'} | {count} | {cells} |", flush=True)


def bound_table() -> None:
    """Clear leader against the Cramer-Rao bound: the survey's sizes known, so that only the place is left to find.

    Bound of a row from the light's slope and the noise of each sample, for the straight rows that the finder reads.
    """
    draw, light = drawing().draw, LIGHTS["clear leader"]
    survey = of_tests("known_survey").survey_of(
        "super-8",
        (250, 260),
        PX_PER_MM,
        BLUR,
        x_mm=0.1,
        hole_light=light["hole"],
        base_light=light["base"],
        tilt=0.002,
    )
    errors = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        x_mm, y = 0.1 + 0.02 * rng.normal(), 124 + rng.uniform(-8, 8)
        options = {"shape": (250, 260), "px_per_mm": PX_PER_MM, "blur": BLUR, "tilt": 0.002}
        frame = draw("super-8", seed=seed, x_mm=x_mm, reference_y=y, **options, **light)
        errors.append(np.subtract(nearest(frame.plane, survey, frame.centres[0][1:]), frame.centres[0][1:]))
    z = np.arange(-12.0, 13.0) / BLUR
    lit = light["hole"] - (light["hole"] - light["base"]) * ndtr(z)
    slope = (light["hole"] - light["base"]) * np.exp(-0.5 * z * z) / (BLUR * np.sqrt(2 * np.pi))
    row = 1 / np.sqrt((slope**2 / (light["noise"] ** 2 * lit)).sum())
    print(
        "\n| clear leader, 300 renders, one perforation | rms px | Cramer-Rao bound | ratio | limit: 0.02 px or 1.2 x the bound |"
    )
    print("|---|---|---|---|---|")
    rms = np.sqrt((np.array(errors) ** 2).mean(axis=0))
    for name, value, side in (("across", rms[0], survey.height_px), ("along", rms[1], survey.width_px)):
        bound = row / np.sqrt(2 * (side - 2 * (survey.corner_px + 4)))
        limit = max(0.02, 1.2 * bound)
        verdict = "met" if value <= limit else "NOT MET"
        print(
            f"| {name} | {value:.4f} | {bound:.4f} | {value / bound:.2f} | {limit:.4f}: {verdict} |",
            flush=True,
        )


# --- a pan ------------------------------------------------------------------------------------------------

PAN_SHAPE = (288, 384)
PAN_FRAMES = 90


def pan_frames() -> tuple[list[Plane], NDArray[np.float64], NDArray[np.float64], list[Plane]]:
    """A drawn Super 8 film in a scanner, and what is so.

    Frames; where the film lies in each, (frames, 2) px; where the camera's pan put the scene on the film, (frames,
    2) px; and the scene as a steady frame would show it, picture only.
    """
    random = np.random.default_rng(20260120)
    waves = random.normal(0, 1, (80, 2)) * np.exp(random.uniform(np.log(0.02), np.log(0.25), (80, 1)))
    phase, weight = random.uniform(0, 2 * np.pi, 80), 1 / (0.05 + np.hypot(*waves.T))
    weight /= np.sqrt((weight**2).sum() / 2)
    t = np.arange(PAN_FRAMES)
    speed = (
        1.6 * np.clip((t - 20) / 15, 0, 1) * np.clip((75 - t) / 15, 0, 1)
    )  # px a frame: starts, runs, stops
    pan = np.stack([np.cumsum(speed), 0.15 * np.cumsum(speed)], axis=1)
    film = random.normal(0, 2.0, (PAN_FRAMES, 2))  # the scanner's white jitter
    ys, xs = np.arange(PAN_SHAPE[0], dtype=np.float64), np.arange(PAN_SHAPE[1], dtype=np.float64)

    def scene(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        across = np.exp(1j * (waves[:, :1] * x[None] + phase[:, None])) * weight[:, None]
        wave = (np.exp(1j * waves[:, 1:] * y[None]).T @ across).real
        return np.asarray(0.22 * np.exp(0.55 * wave).clip(0.03, 3.2))

    scale, frames, still = 62.0, [], []
    w, h, r = 0.914 * scale, 1.143 * scale, 0.13 * scale
    left, right, high = 95.0, 372.0, 123.0  # of the picture on the film
    for n in range(PAN_FRAMES):
        x, y = xs - film[n, 0], ys - film[n, 1] - (PAN_SHAPE[0] - 1) / 2
        picture = scene(x - pan[n, 0], y - pan[n, 1])
        gate = (ndtr((x - left) / 1.2) * ndtr((right - x) / 1.2))[None] * (ndtr((high - np.abs(y)) / 1.2))[
            :, None
        ]
        qx, qy = np.abs(x - 50.0)[None] - w / 2 + r, np.abs(y)[:, None] - h / 2 + r
        hole = np.hypot(np.maximum(qx, 0), np.maximum(qy, 0)) + np.minimum(np.maximum(qx, qy), 0) - r
        cover = ndtr(-hole / 1.2)
        plane = (0.012 + picture * gate) * (1 - cover) + 0.9 * cover
        plane = plane + 0.006 * np.sqrt(plane) * random.standard_normal(PAN_SHAPE)
        frames.append(np.clip(plane, 0, 1).astype(np.float32))
        still.append(
            np.clip(scene(xs - pan[n, 0], ys - (PAN_SHAPE[0] - 1) / 2 - pan[n, 1]), 0, 1).astype(np.float32)
        )
    return frames, film, pan, still


def scene_place(finished: Plane, still: Plane) -> Point:
    """Where the scene lies in a steadied frame, from where the pan put it: phase correlation of the picture's middle."""
    box = (slice(60, 228), slice(130, 340))
    move, *_ = phase_cross_correlation(finished[box], still[box], upsample_factor=100, normalization=None)
    return float(move[1]), float(move[0])


def deshaken(frames: list[Plane]) -> list[Plane]:
    """FFmpeg's deshake through PyAV, 8 bits, looking as far as the others (14 px, its step: 16)."""
    graph = av.filter.Graph()
    source = graph.add_buffer(width=PAN_SHAPE[1], height=PAN_SHAPE[0], format="yuv420p", time_base="1/25")
    shaken, sink = graph.add("deshake", "rx=16:ry=16:edge=mirror"), graph.add("buffersink")
    source.link_to(shaken)
    shaken.link_to(sink)
    graph.configure()
    out: list[Plane] = []
    for n, plane in enumerate(frames):
        codes = np.full((PAN_SHAPE[0] * 3 // 2, PAN_SHAPE[1]), 128, np.uint8)
        codes[: PAN_SHAPE[0]] = np.round(255 * plane)
        frame = av.VideoFrame.from_ndarray(codes, format="yuv420p")
        frame.pts = n
        graph.push(frame)
        out.append(graph.pull().to_ndarray()[: PAN_SHAPE[0]].astype(np.float32) / 255)
    return out


def moved(plane: Plane, shift: Point) -> Plane:
    """The frame moved back by `shift`, by the program's own resampling."""
    move = Move(c=shift[0], f=shift[1])
    return np.asarray(
        apply_move(plane, move=move, width=plane.shape[1], height=plane.shape[0]), dtype=np.float32
    )


def pan_table() -> None:
    """An intended pan: what each method makes of it in the steadied frames."""
    frames, film, _, still = pan_frames()
    survey = find_gauge(frames[:24], gauges=GAUGES).survey
    assert survey is not None
    spent: dict[str, list[float]] = {}

    def places(name: str, work: Callable[[int], Point]) -> NDArray[np.float64]:
        spent[name] = []
        return np.array([timed(lambda n=n: work(n), spent[name]) for n in range(len(frames))])

    def ours(n: int) -> Point:
        reference = measure_reference(find_perforations(frames[n], survey=survey), survey=survey)
        return reference.x_px, reference.y_px

    size = (survey.width_px, survey.height_px)
    template = template_of(size, survey.corner_px, survey.hole_light, survey.base_light, survey.blur_px)
    at = (survey.rows[0], survey.usual_y_px)

    def framed(n: int) -> tuple[Plane, int, int]:
        return window(frames[n], at, size)

    def by_picture(work: Callable[[Plane, Plane], Point]) -> Callable[[int], Point]:
        return lambda n: (0.0, 0.0) if n == 0 else work(frames[n], frames[n - 1])

    shifts = {
        "ours": places("ours", ours),
        "matchTemplate on the perforation": places("template", lambda n: by_template(framed(n)[0], template)),
        "minAreaRect on the perforation": places("rectangle", lambda n: by_rectangle(framed(n)[0])),
        "phaseCorrelate, frame to frame, added up": places("phase", by_picture(by_phase)).cumsum(axis=0),
        "phase_cross_correlation, the same": places("skimage", by_picture(by_phase_scikit)).cumsum(axis=0),
    }
    steadied = {
        name: [moved(frame, tuple(each)) for frame, each in zip(frames, place - place[0] + film[0])]
        for name, place in shifts.items()
    }
    start = time.process_time()
    steadied["FFmpeg deshake"] = deshaken(frames)
    spent["deshake"] = [(time.process_time() - start) / len(frames)]
    steadied["not steadied"] = frames
    print(
        "\n| pan: error of the scene's place | rms across / along, px | greatest | ms a frame | limit 0.1 px |"
    )
    print("|---|---|---|---|---|")
    for (name, finished), cost in zip(steadied.items(), [*spent.values(), []]):
        miss = np.array([scene_place(frame, known) for frame, known in zip(finished, still)])
        miss = miss - np.median(miss, axis=0)
        x, y = np.sqrt((miss**2).mean(axis=0))
        verdict = "met" if np.abs(miss).max() <= 0.1 else "not met"
        ms = f"{1000 * np.mean(cost):.2f}" if cost else "-"
        print(f"| {name} | {x:.3f} / {y:.3f} | {np.abs(miss).max():.2f} | {ms} | {verdict} |", flush=True)


# --- a whole reel -----------------------------------------------------------------------------------------


def reel_table() -> None:
    """One path from evidence with gaps and wrong readings, five seeds: along the film, micrometres."""
    series = of_tests("registration_series")
    print(
        "\n| reel of 3,000 frames, error along, um rms (worst of five) | gate seen | limit | perforation only | limit |"
    )
    print("|---|---|---|---|---|")
    for punch, limit in ((6.0, 6.0), (1.0, 4.5)):
        for name in ("ours", "the perforation in view alone"):
            errors: list[tuple[float, float]] = []
            for seed in range(5):
                drawn = series.draw_series(seed=seed, punch_um=punch)
                evidence = series.evidence_from(drawn)
                seen = np.isfinite(drawn.gate_px).any(axis=0)
                if name == "ours":
                    decision, _ = propose_registration(evidence)
                    found = solve_registration(evidence, decision=decision)
                    place, lone = found.y_px, ~seen & (found.y_from == "perforation")
                else:
                    place, lone = drawn.hole_px, ~seen
                error = (place - drawn.picture_px) * series.PX_UM
                error -= np.median(error)
                errors.append(
                    (float(np.sqrt((error[seen] ** 2).mean())), float(np.sqrt((error[lone] ** 2).mean())))
                )
            gate, hole = np.max(errors, axis=0)
            print(
                f"| punch scatter {punch:.0f}, claw 4: {name} | {gate:.2f} | 1.5 | {hole:.2f} | {limit} |",
                flush=True,
            )


# --- speed ------------------------------------------------------------------------------------------------


def user_s() -> float:
    """User seconds of this process so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_utime


def speed() -> None:
    """User time of the whole finder on whole frames: of nine runs of ten frames the middle one, and the least."""
    draw = drawing().draw
    print(
        "\n| whole frame | perforations | ms, median | least | frames a second, median | limit |\n|---|---|---|---|---|---|"
    )
    for shape, gauge, px_per_mm in (
        ((1080, 1440), "super-8", 150), ((1080, 1440), "standard-8", 170),
        ((1536, 2048), "super-8", 220), ((1536, 2048), "standard-8", 240),
    ):  # fmt: skip
        frames = [draw(gauge, shape=shape, px_per_mm=px_per_mm, blur=BLUR, seed=k).plane for k in range(3)]
        survey = find_gauge(frames, gauges=GAUGES, micrometres_per_pixel=1000 / px_per_mm).survey
        assert survey is not None
        count = len(find_perforations(frames[0], survey=survey))
        took = []
        for _ in range(9):
            start = user_s()
            for k in range(10):
                find_perforations(frames[k % 3], survey=survey)
            took.append(100 * (user_s() - start))
        middle = float(np.median(took))
        limit = f"120: {'met' if middle <= 1000 / 120 else 'NOT MET'}" if shape[1] == 2048 else ""
        print(
            f"| {shape[1]} x {shape[0]}, {gauge} | {count} | {middle:.1f} | {min(took):.1f} | {1000 / middle:.0f} | {limit} |",
            flush=True,
        )


def main() -> None:
    cv2.setNumThreads(1)
    drawn_table()
    bound_table()
    specimen_table()
    pan_table()
    reel_table()
    speed()


if __name__ == "__main__":
    main()
