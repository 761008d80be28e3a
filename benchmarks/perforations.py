"""Places of perforations found by four methods on the same frames: ours, and three general ones.

Run `python -m benchmarks.perforations`. It prints two tables, all of it measured in this run:

drawn      one Super 8 perforation at 150 px/mm, blur 1.5 px, 40 renders a row (drawn by the tests' own
           renderer): error across / along, root mean square and greatest, px
specimens  every perforation that lies wholly in view in the three shared specimen captures (left out where
           they are missing); ours uses the survey that it makes of the capture itself

The general methods are helped: the template has the right size, blur and light, they look within 14 px of
the truth, and Otsu's threshold is taken on that window. Phase correlation is given an undamaged first frame of
the same light, and on specimens the first whole perforation. ms is processor time a perforation; ours is
for the whole frame.
"""

import importlib.util
import json
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import PerforationSurvey, find_perforations

ROOT = Path(__file__).parents[1]
SPECIMENS = ROOT.parent / "shared" / "specimens"
PX_PER_MM, BLUR, SEARCH, RENDERS = 150.0, 1.5, 14, 40
Plane = NDArray[np.float32]
Point = tuple[float, float]

LIGHTS = {
    "dark border": {"base": 0.01, "hole": 0.9, "noise": 0.005},
    "negative": {"base": 0.62, "hole": 0.94, "noise": 0.012, "grain": 0.03},
    "clear leader": {"base": 0.74, "hole": 0.94, "noise": 0.024, "grain": 0.0, "picture": False},
}
DAMAGES = ((), ("claw",), ("chip",), ("specks",), ("tape",), ("torn",), ("crack",), ("elongated",))


def drawing() -> ModuleType:
    """The tests' renderer, which shares no code with the package."""
    path = ROOT / "tests" / "picture" / "drawn_perforations.py"
    spec = importlib.util.spec_from_file_location("drawn_perforations", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["drawn_perforations"] = module
    spec.loader.exec_module(module)
    return module


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
    """Errors on drawn perforations."""
    drawn = drawing()
    film = drawn.FILM["super-8"]
    shape = (330, 330)
    size = (film[1] * PX_PER_MM, film[2] * PX_PER_MM)
    print("| drawn | ours | matchTemplate | minAreaRect, Otsu | phaseCorrelate |\n|---|---|---|---|---|")
    spent: dict[str, list[float]] = {name: [] for name in ("ours", "template", "rectangle", "phase")}
    for light_name, light in LIGHTS.items():
        survey = drawn_survey(film, shape, light)
        template = template_of(size, film[3] * PX_PER_MM, light["hole"], light["base"], BLUR)
        for damage in DAMAGES:
            errors: dict[str, list[Point]] = {name: [] for name in spent}
            first: tuple[Plane, Point] | None = None
            for seed in range(RENDERS):
                rng = np.random.default_rng(seed)
                y = (shape[0] - 1) / 2 + rng.uniform(-8, 8)
                options = {"shape": shape, "px_per_mm": PX_PER_MM, "blur": BLUR, "tilt": 0.002} | light
                frame = drawn.draw(
                    "super-8",
                    seed=seed,
                    reference_y=y,
                    x_mm=0.3 + 0.02 * rng.normal(),
                    damage=damage,
                    **options,
                )
                truth = frame.centres[0][1:]
                middle = (0.3 * PX_PER_MM + (0.51 + 0.457) * PX_PER_MM, (shape[0] - 1) / 2)
                part, x0, y0 = window(frame.plane, middle, size)
                if first is None:
                    clean = drawn.draw("super-8", seed=777, reference_y=middle[1], **options)
                    first = (window(clean.plane, middle, size)[0], clean.centres[0][1:])
                held, at = first
                places = {
                    "ours": timed(
                        lambda f=frame, s=survey, t=truth, at_y=y: nearest(f.plane, s, t, at_y), spent["ours"]
                    ),
                    "template": timed(lambda p=part, t=template: by_template(p, t), spent["template"]),
                    "rectangle": timed(lambda p=part: by_rectangle(p), spent["rectangle"]),
                    "phase": timed(lambda p=part, h=held: by_phase(p, h), spent["phase"]),
                }
                for name, (px, py) in places.items():
                    corner = (0.0, 0.0) if name == "ours" else at if name == "phase" else (x0, y0)
                    errors[name].append((px + corner[0] - truth[0], py + corner[1] - truth[1]))
            cells = " | ".join(summary(errors[name]) for name in spent)
            print(f"| {light_name}, {' + '.join(damage) or 'clean'} | {cells} |", flush=True)
    cells = " | ".join(f"{1000 * np.mean(each):.2f} ms" for each in spent.values())
    print(f"| processor time | {cells} |")


def nearest(plane: Plane, survey: PerforationSurvey, truth: Point, expected_y: float | None) -> Point:
    """Our fix of the perforation at the truth; NaN where there is none or it is no measurement.

    The expected place is 3 px off, as a prediction from neighbouring frames would be.
    """
    expected = None if expected_y is None else expected_y + 3.0
    fixes = find_perforations(plane, survey=survey, expected_y_px=expected)
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
    print(
        "\n| specimen | n | ours | matchTemplate | minAreaRect, Otsu | phaseCorrelate |\n|---|---|---|---|---|---|"
    )
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
                    "ours": nearest(plane, survey, at, None),
                    "template": by_template(part, template),
                    "rectangle": by_rectangle(part),
                    "phase": by_phase(part, first[0]) if first is not None else (np.nan, np.nan),
                }
                for method, (px, py) in places.items():
                    corner = (x0, y0)
                    if method == "ours":
                        corner = (0, 0)
                    elif method == "phase" and first is not None:
                        corner = (x0 + first[1][0], y0 + first[1][1])
                    error = (px + corner[0] - at[0], py + corner[1] - at[1])
                    errors.setdefault((bool(hole["damage"]), method), []).append(error)
        for damaged in (False, True):
            if (damaged, "ours") in errors:
                methods = ("ours", "template", "rectangle", "phase")
                cells = " | ".join(summary(errors[damaged, m]) for m in methods)
                count = len(errors[damaged, "ours"])
                print(f"| {name}, {'damaged' if damaged else 'whole'} | {count} | {cells} |", flush=True)


def speed() -> None:
    """Processor time of the whole finder on whole frames."""
    draw = drawing().draw
    print("\n| whole frame | perforations | ms |\n|---|---|---|")
    for shape, gauge, px_per_mm in (
        ((1080, 1440), "super-8", 150), ((1080, 1440), "standard-8", 170),
        ((1536, 2048), "super-8", 220), ((1536, 2048), "standard-8", 240),
    ):  # fmt: skip
        frames = [draw(gauge, shape=shape, px_per_mm=px_per_mm, blur=BLUR, seed=k).plane for k in range(3)]
        survey = find_gauge(frames, gauges=GAUGES, micrometres_per_pixel=1000 / px_per_mm).survey
        assert survey is not None
        count = len(find_perforations(frames[0], survey=survey))
        start = time.process_time()
        for _ in range(20):
            find_perforations(frames[0], survey=survey)
        ms = 1000 * (time.process_time() - start) / 20
        print(f"| {shape[1]} x {shape[0]}, {gauge} | {count} | {ms:.1f} |", flush=True)


def main() -> None:
    cv2.setNumThreads(1)
    drawn_table()
    specimen_table()
    speed()


if __name__ == "__main__":
    main()
