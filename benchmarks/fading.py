"""Faded film brought back, beside colour statistics: colour differences to the unfaded film.

Run `python -m benchmarks.fading`. Film, fading and scanner are drawn by `picture/synthetic_dyes.py`, whose dyes the
corrector does not know ("first" are about those that it takes as typical). Truth is the unfaded film, without
grain, as it is seen in D50 by the 1931 2-degree observer; a scan becomes colours by the very dyes of the unfaded
film, so that only the fading and what was done about it counts. Figures are CIEDE2000, mean / 95th percentile.

The corrector reads the border of 60 frames of changing brightness, with flare, noise and the scanner's floor. Nothing is
fitted to the truth, except that from each baseline one constant exposure is removed, the one that suits it
best; each is tried on light and on display values, and the better figure counts.

Why this is long: every table is of the same drawn scanner, judged in the same way.
"""

import warnings
from dataclasses import dataclass
from itertools import pairwise, product
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.border import CHANNELS, find_border_boxes, measure_border
from smallgauge.picture.border_length import border_of_length, channels_of, stray_share
from smallgauge.picture.dyefade import FadingDecision, apply_dyefade, propose_fading, solve_dyefade
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.synthetic_dyes import (
    BORDER_AMOUNT,
    CONTENTS,
    DYE_SETS,
    WAVELENGTHS_NM,
    draw_amounts,
    draw_readings,
    draw_spectra,
)
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.lengths import border_of_rows, flare_of, lengths_of
from smallgauge.record.table import table_of

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    _printing = np.get_printoptions()
    import colour

    np.set_printoptions(**_printing)  # the library sets others for the whole process

Array = NDArray[np.float64]
Triple = tuple[float, float, float]

FADES: dict[str, Triple] = {
    "none": (1.0, 1.0, 1.0),
    "strong": (0.45, 0.85, 0.65),
    "usual": (0.65, 0.95, 0.82),
    "cyan": (0.20, 0.95, 0.80),
}
STAINS = {"none": 0.0, "strong": 0.10, "usual": 0.05, "cyan": 0.10}
CASTS: dict[str, Triple] = {
    "none": (0.0, 0.0, 0.0),
    "red": (-0.1, 0.05, 0.1),
    "blue": (0.1, -0.05, -0.1),
}
FLARE = 0.005
NOISE = 0.002
GRAIN = 0.01
PATCHES = 600
BASELINES = {
    "stretch": ("normalize", "smoothing=0:independence=1"),
    "grey world": ("grayworld", None),
    "grey edge": ("greyedge", "difford=1:minknorm=5:sigma=2"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One length of one stock on one scanner."""

    dyes: str = "first"
    light: str = "narrow"
    content: str = "neutral"
    fade: str = "strong"
    cast: str = "none"
    floor: float = 3.2
    seed: int = 1

    @property
    def border(self) -> Triple:
        """Amounts in the unfaded border."""
        c, m, y = (BORDER_AMOUNT + each for each in CASTS[self.cast])
        return c, m, y


def _observer() -> tuple[Array, Array]:
    shape = colour.SpectralShape(WAVELENGTHS_NM[0], WAVELENGTHS_NM[-1], WAVELENGTHS_NM[1] - WAVELENGTHS_NM[0])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        seen = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
        lamp = colour.SDS_ILLUMINANTS["D50"].copy().align(shape).values
    weights = seen * lamp[:, None]
    weights /= weights[:, 1].sum()
    return weights, weights.sum(axis=0)


WEIGHTS, WHITE = _observer()


def lab_of(spectra: Array) -> Array:
    """CIE 1976 L*a*b* of film seen in D50, the open gate white."""
    ratio = spectra @ WEIGHTS / WHITE
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def film_of_scan(density: Array, case: Case) -> Array:
    """Spectra of unfaded film of this stock that the scanner would read as these densities: Newton's method, bounded."""
    dyes = DYE_SETS[case.dyes]

    def read(amounts: Array) -> Array:
        return -np.log10(draw_readings(draw_spectra(amounts, dyes), case.light))

    amounts = np.full(density.shape, 0.8)
    for _ in range(12):
        now = read(amounts)
        slope = np.stack([(read(amounts + step) - now) / 1e-3 for step in 1e-3 * np.eye(3)], axis=-1)
        change = np.linalg.solve(slope + 1e-6 * np.eye(3), (density - now)[..., None])[..., 0]
        amounts = np.clip(amounts + np.clip(change, -0.6, 0.6), -0.15, 3.6)
    return draw_spectra(amounts, dyes)


def differences(light: Array, case: Case, truth: Array) -> Array:
    """CIEDE2000 of each patch of a scan against the unfaded film."""
    density = -np.log10(np.clip(light, 1e-5, 2.0))
    return np.asarray(colour.delta_E(truth, lab_of(film_of_scan(density, case)), method="CIE 2000"))


def best_exposure(light: Array, case: Case, truth: Array) -> Array:
    """Differences after the one constant exposure that makes their mean least."""
    tried: dict[float, Array] = {}

    def mean(stops: float) -> float:
        if stops not in tried:
            tried[stops] = differences(light * 2.0**stops, case, truth)
        return float(tried[stops].mean())

    grid = min(np.arange(-1.5, 1.6, 0.5), key=mean)
    for step in (0.25, 0.12, 0.06):
        grid = min((grid - step, grid, grid + step), key=mean)
    return tried[grid]


def filtered(light: Array, name: str, options: str | None, *, power: float) -> Array:
    """A picture of the patches through one of FFmpeg's filters, on light ** (1 / power)."""
    side = 60
    count = len(light)
    picture = np.resize(light, (side * (-(-count // side)), 3)).reshape(-1, side, 3)
    large = np.repeat(np.repeat(picture, 4, axis=0), 4, axis=1)  # a filter with a neighbourhood sees patches
    out = filtered_picture(large, name, options, power=power).reshape(*large.shape)
    out = out.reshape(out.shape[0] // 4, 4, out.shape[1] // 4, 4, 3).mean(axis=(1, 3))
    return np.asarray(out.reshape(-1, 3)[:count])


def filtered_picture(light: Array, name: str, options: str | None, *, power: float) -> Array:
    """Light of a picture, (height, width, 3), through one of FFmpeg's filters; (pixels, 3)."""
    codes = np.clip(light, 0.0, 1.0) ** (1.0 / power)
    frame = av.VideoFrame.from_ndarray(np.round(codes * 65535).astype(np.uint16), format="rgb48le")
    graph = av.filter.Graph()
    nodes = [graph.add_buffer(width=frame.width, height=frame.height, format="rgb48le", time_base=1)]
    nodes.append(graph.add(name, options) if options else graph.add(name))
    nodes += [graph.add("format", "rgb48le"), graph.add("buffersink")]
    for one, other in pairwise(nodes):
        one.link_to(other)
    graph.configure()
    frame.pts = 0
    graph.push(frame)
    graph.push(None)
    pulled = graph.pull()
    assert isinstance(pulled, av.VideoFrame)
    out = pulled.to_ndarray().astype(np.float64) / 65535
    return np.asarray(out.reshape(-1, 3) ** power)


def scan_of(case: Case, amounts: Array, *, view: Triple, seed: int) -> Array:
    """What the scanner reads of faded film, grain and flare in it."""
    rng = np.random.default_rng(seed)
    grainy = np.maximum(
        amounts + rng.normal(0.0, GRAIN, amounts.shape) * np.sqrt(np.maximum(amounts, 0.0)), 0.0
    )
    spectra = draw_spectra(grainy, DYE_SETS[case.dyes], left=FADES[case.fade], stain=STAINS[case.fade])
    stray = FLARE * view[0], FLARE * view[1], FLARE * view[2]
    return draw_readings(
        spectra, case.light, flare_light=stray, floor_density=case.floor, noise=NOISE, seed=seed + 1
    )


def columns_of(case: Case, *, frames: int = 60) -> tuple[dict[str, Array], Triple]:
    """Columns as `analyse` writes them of a length of this stock, and the mean view."""
    rng = np.random.default_rng(case.seed + 50)
    amounts = draw_amounts(case.content, count=PATCHES, seed=case.seed + 7, border=case.border)
    light = scan_of(case, amounts, view=(0.0, 0.0, 0.0), seed=case.seed + 8)
    bright = np.sort(rng.uniform(0.3, 1.6, frames))[rng.permutation(frames)]
    bare = 0.12  # of the view is bare light
    view = bare + (1.0 - bare) * 0.6 * light.mean(axis=0) * bright[:, None]
    film = np.broadcast_to(np.array(case.border), (200, 3))
    rows: dict[str, list[Array]] = {}
    for n in range(frames):
        border = scan_of(case, film, view=tuple(view[n]), seed=1000 + 7 * n + case.seed)
        picture = light[rng.integers(0, len(light), 700)] * min(bright[n], 1.0)
        clearest = picture[np.argsort(picture.min(axis=1))[-4:]]
        reading = {
            "border": border.mean(axis=0),
            "border_sigma": border.std(axis=0) / np.sqrt(len(border)),
            "border_lowest": np.quantile(border, 0.005, axis=0),
            "border_floor_share": (border == border.min(axis=0)).mean(axis=0),
            "clear": clearest.mean(axis=0),
            "picture_middle": np.quantile(-np.log10(picture), 0.6, axis=0),
            "picture_dense": np.quantile(-np.log10(picture), 0.97, axis=0),
            "view": view[n],
        }
        for name, values in reading.items():
            rows.setdefault(name, []).append(values)
    columns = {
        f"{name}_{channel}": np.array([row[c] for row in values])
        for name, values in rows.items()
        for c, channel in enumerate(CHANNELS)
    }
    mean = view.mean(axis=0)
    return columns, (float(mean[0]), float(mean[1]), float(mean[2]))


def decide(case: Case, *, stock_amount: float | None = None) -> tuple[FadingDecision, Triple, Triple]:
    """The program's decision on a length, its flare, and the view."""
    columns, view = columns_of(case)
    flare, sigma = stray_share(columns, lengths=[(0, len(columns["view_red"]))])
    border = border_of_length(columns, flare=flare, flare_sigma=sigma, density_limit=case.floor)
    statistics = [
        (
            tuple(np.median([columns[f"picture_middle_{c}"][part] for c in CHANNELS], axis=1)),
            tuple(np.median([columns[f"picture_dense_{c}"][part] for c in CHANNELS], axis=1)),
        )
        for part in np.array_split(np.arange(60), 6)
    ]
    fading, _ = propose_fading(border, light=case.light, statistics=statistics, stock_amount=stock_amount)
    return fading, flare, view


def corrected(light: Array, fading: FadingDecision, flare: Triple, view: Triple) -> Array:
    """The scan after flare and fading are undone."""
    net = np.maximum(light - np.array(flare) * np.array(view), 1e-4)
    return np.asarray(np.power(10.0, -apply_dyefade(-np.log10(net), solve_dyefade(fading))))


def compare(case: Case, *, baselines: bool = True, stock_amount: float | None = None) -> dict[str, Array]:
    """Differences of each way on one case."""
    amounts = draw_amounts(case.content, count=PATCHES, seed=case.seed, border=case.border)
    truth = lab_of(draw_spectra(amounts, DYE_SETS[case.dyes]))
    fading, flare, view = decide(case, stock_amount=stock_amount)
    light = scan_of(case, amounts, view=view, seed=case.seed + 3)
    out = {
        "untreated": differences(light, case, truth),
        "ours": differences(corrected(light, fading, flare, view), case, truth),
        "left": np.array(fading.left),
        "source": np.array(fading.source),
        "change": np.asarray(
            colour.delta_E(
                lab_of(film_of_scan(-np.log10(light), case)),
                lab_of(film_of_scan(-np.log10(corrected(light, fading, flare, view)), case)),
                method="CIE 2000",
            )
        ),
    }
    if baselines:
        for name, (filter_name, options) in BASELINES.items():
            tried = [
                best_exposure(filtered(light, filter_name, options, power=p), case, truth) for p in (1.0, 2.4)
            ]
            out[name] = min(tried, key=lambda each: float(each.mean()))
    return out


def words(found: Array) -> str:
    """Mean and 95th percentile."""
    return f"{found.mean():.1f} / {np.percentile(found, 95):.1f}"


def faded_table() -> None:
    """Every dye set, light and content beside the baselines; the border of every layer measurable."""
    print("| dyes, light | content | untreated | " + " | ".join(BASELINES) + " | corrected | worst cast |")
    print("|---|---|---|---|---|---|---|---|")
    for light, dyes in product(("narrow", "broad"), ("first", "second")):
        for content in CONTENTS:
            found = compare(Case(dyes=dyes, light=light, content=content, fade="strong"))
            cast = max(
                (
                    compare(Case(dyes=dyes, light=light, content=content, cast=cast), baselines=False)["ours"]
                    for cast in CASTS
                ),
                key=lambda each: float(each.mean()),
            )
            ways = [words(found[name]) for name in ("untreated", *BASELINES, "ours")]
            print(f"| {dyes}, {light} | {content} | " + " | ".join([*ways, words(cast)]) + " |", flush=True)


def other_fades_table() -> None:
    """Other fades, and dyes that are none of the usual kind, mean over the contents."""
    print("| fade | dyes, light | untreated | corrected | stock's black stated | shares left |")
    print("|---|---|---|---|---|---|")
    for fade, light, dyes in product(
        ("strong", "usual", "cyan"), ("narrow", "broad"), ("first", "second", "third")
    ):
        found = [
            compare(Case(dyes=dyes, light=light, content=c, fade=fade), baselines=False) for c in CONTENTS
        ]
        stated = [
            compare(
                Case(dyes=dyes, light=light, content=c, fade=fade),
                baselines=False,
                stock_amount=BORDER_AMOUNT,
            )
            for c in CONTENTS
        ]
        ways = [
            words(np.concatenate([each[name] for each in group]))
            for group, name in ((found, "untreated"), (found, "ours"), (stated, "ours"))
        ]
        left = " ".join(f"{value:.2f}" for value in found[0]["left"])
        print(f"| {fade} | {dyes}, {light} | " + " | ".join(ways) + f" | {left} |", flush=True)


def unfaded_table() -> None:
    """What is done to film that has not faded: worst over casts and contents."""
    print("| dyes, light | worst mean change | where |")
    print("|---|---|---|")
    for light, dyes in product(("narrow", "broad"), ("first", "second", "third")):
        tried = {
            (cast, content): float(
                compare(
                    Case(dyes=dyes, light=light, content=content, cast=cast, fade="none"), baselines=False
                )["change"].mean()
            )
            for cast, content in product(CASTS, CONTENTS)
        }
        where = max(tried, key=lambda each: tried[each])
        print(f"| {dyes}, {light} | {tried[where]:.2f} | cast {where[0]}, {where[1]} |", flush=True)


def floor_table() -> None:
    """Scanners that tell less: what each layer rests on, and the proposal taken up."""
    print("| floor | content | rests on (cyan, magenta, yellow) | corrected if taken up | best baseline |")
    print("|---|---|---|---|---|")
    for floor, content in product((2.4, 2.6, 2.8, 3.2), ("neutral", "foliage")):
        found = compare(Case(floor=floor, content=content))
        best = min((found[name] for name in BASELINES), key=lambda each: float(each.mean()))
        rests = ", ".join(str(each) for each in found["source"])
        print(f"| {floor} | {content} | {rests} | {words(found['ours'])} | {words(best)} |", flush=True)


ROLLS = (
    Case(dyes="first", fade="strong", cast="red", content="foliage", seed=11),
    Case(dyes="second", fade="usual", cast="none", content="sky and sea", seed=12),
    Case(dyes="first", fade="none", cast="blue", content="tungsten interior", seed=13),
    Case(dyes="second", fade="strong", cast="blue", content="neutral", seed=14),
    Case(dyes="first", fade="usual", cast="red", content="neutral", seed=15),
)


def compiled_reel() -> None:
    """Five rolls of five stocks on one reel, fogged at every roll's ends: lengths, their shares, steps inside."""
    rows: dict[str, list[Array]] = {}
    for case in ROLLS:
        columns, _ = columns_of(case)
        for channel in CHANNELS:  # light struck the ends while the roll was changed
            fog = 10.0 ** np.clip(1.5 - 0.4 * np.minimum(np.arange(60), np.arange(60)[::-1]), 0.0, None)
            columns[f"border_{channel}"] = np.minimum(columns[f"border_{channel}"] * fog, 0.6)
        for name, values in columns.items():
            rows.setdefault(name, []).append(values)
    frames = 60 * len(ROLLS)
    table = table_of(
        "frames",
        FRAME_COLUMNS,
        [{"film_position": n, "duplicate_of": -1, "splice": n > 0 and n % 60 == 0} for n in range(frames)],
    )
    for name, values in rows.items():
        table[name][:] = np.concatenate(values)
    lengths = lengths_of(table)
    flare, sigma = flare_of(table, [(each.first, each.stop) for each in lengths])
    print(f"lengths found: {[(each.first, each.stop) for each in lengths]}")
    print("| roll | corrected | shares left | fogged frames | step on one grey, dark scene to bright |")
    print("|---|---|---|---|---|")
    for case, length in zip(ROLLS, lengths, strict=True):
        border = border_of_rows(
            table, length.first, length.stop, flare=flare, flare_sigma=sigma, density_limit=case.floor
        )
        fading, _ = propose_fading(border, light=case.light, flare=flare)
        amounts = draw_amounts(case.content, count=PATCHES, seed=case.seed, border=case.border)
        truth = lab_of(draw_spectra(amounts, DYE_SETS[case.dyes]))
        view = channels_of(table, "view")[length.first : length.stop]
        seen = []
        for brightness in (view.min(axis=0), view.max(axis=0)):
            stray = float(brightness[0]), float(brightness[1]), float(brightness[2])
            clean = draw_readings(
                draw_spectra(amounts, DYE_SETS[case.dyes], left=FADES[case.fade], stain=STAINS[case.fade]),
                case.light,
                flare_light=(FLARE * stray[0], FLARE * stray[1], FLARE * stray[2]),
            )
            seen.append(lab_of(film_of_scan(-np.log10(corrected(clean, fading, flare, stray)), case)))
        greys = slice(1, PATCHES // 10)
        step = colour.delta_E(seen[0][greys], seen[1][greys], method="CIE 2000")
        mean = float(view[:, 0].mean()), float(view[:, 1].mean()), float(view[:, 2].mean())
        light = scan_of(case, amounts, view=mean, seed=case.seed + 3)
        found = differences(corrected(light, fading, flare, mean), case, truth)
        left = " ".join(f"{value:.2f}" for value in fading.left)
        print(
            f"| {length.first} | {words(found)} | {left} | {border.fogged} | {step.mean():.2f}, at most {step.max():.2f} |"
        )


def specimen() -> None:
    """The shared specimen, one constant exposure removed from each way."""
    folder = Path(__file__).resolve().parents[1].parent / "shared" / "specimens" / "super8-faded"
    if not folder.is_dir():
        print("left out: the specimen super8-faded is not at ../shared/specimens")
        return
    told, found = specimen_differences(folder, baselines=True)
    print(told)
    print("| way | mean / 95th percentile |")
    print("|---|---|")
    for name, each in found.items():
        print(f"| {name} | {words(each)} |")


def specimen_differences(folder: Path, *, baselines: bool) -> tuple[str, dict[str, Array]]:
    """What was found of the specimen, and differences to its truth; a scanner's light is taken for BT.709's."""
    paths = sorted((folder / "capture").glob("frame_*"))
    lights = [(_pixels(path) / 65535).astype(np.float32) for path in paths]
    columns, places = _specimen_columns(lights)
    flare, sigma = stray_share(columns, lengths=[(0, len(lights))])
    border = border_of_length(columns, flare=flare, flare_sigma=sigma)
    fading, why = propose_fading(border, light="narrow", flare=flare)
    told = f"left {fading.left}, standard error {fading.sigma}; {why}; flare {flare}"
    view = channels_of(columns, "view")
    pictures: dict[str, list[Array]] = {"untreated": [], "corrected": []}
    truths: list[Array] = []
    for number in (0, 4, 8, 12):
        x, y = places[number]
        part = (slice(round(y) - 165, round(y) + 166, 5), slice(round(x) + 60, round(x) + 536, 5))
        light = lights[number].astype(np.float64)
        stray = np.array(flare) * view[number]
        net = np.maximum((light[part] - stray) / (1.0 - stray), 1e-4)
        truths.append(
            _pixels(folder / "truth" / "unfaded" / f"frame_{number:06d}.png")[part].reshape(-1, 3) / 65535
        )
        pictures["untreated"].append(light[part].reshape(-1, 3))
        restored = np.power(10.0, -apply_dyefade(-np.log10(net), solve_dyefade(fading)))
        pictures["corrected"].append(restored.reshape(-1, 3))
        for name, (filter_name, options) in BASELINES.items() if baselines else ():
            for power in (1.0, 2.4):
                out = filtered_picture(light[part], filter_name, options, power=power)
                pictures.setdefault(f"{name}, on {'light' if power == 1.0 else 'display values'}", []).append(
                    out
                )
    truth = _display_lab(np.concatenate(truths))
    found: dict[str, Array] = {}
    for name, parts in pictures.items():
        light = np.concatenate(parts)
        tried = [
            np.asarray(colour.delta_E(truth, _display_lab(light * 2.0**stops), method="CIE 2000"))
            for stops in np.arange(-1.0, 1.01, 0.1)
        ]
        found[name] = min(tried, key=lambda each: float(each.mean()))
    return told, found


def _pixels(path: Path) -> Array:
    import OpenImageIO as oiio

    return np.asarray(oiio.ImageBuf(str(path)).get_pixels(oiio.UINT16), np.float64)


def _specimen_columns(
    lights: list[NDArray[np.float32]],
) -> tuple[dict[str, Array], list[tuple[float, float]]]:
    """Readings of the specimen's frames, and where each lies; the picture where the gauge has it."""
    survey = find_gauge(lights, gauges=GAUGES).survey
    assert survey is not None
    k = survey.across_px_per_mm
    picture = (0.53 * k, -2.03 * k, 6.20 * k, 2.03 * k)
    boxes = find_border_boxes(survey, picture=picture)
    rows, places = [], []
    for light in lights:
        plane = np.ascontiguousarray(light[:, :, survey.channel])
        place = measure_reference(find_perforations(plane, survey=survey), survey=survey)
        x, y = place.x_px, place.y_px
        box = (picture[0] + x, picture[1] + y, picture[2] + x, picture[3] + y)
        rows.append(measure_border(light, boxes=boxes, reference=(x, y), picture=box).columns())
        places.append((x, y))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}, places


def _display_lab(light: Array) -> Array:
    """Linear light of BT.709 primaries as CIE 1976 L*a*b*, its own white."""
    matrix = np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ)
    ratio = np.clip(light, 0.0, None) @ matrix.T / matrix.sum(axis=1)
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def profile_table() -> None:
    """A scanner's light taken for BT.709's as it is, and by a matrix fitted to the first dyes; unfaded film, clear film white."""
    matrix = np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ)
    print("| dyes, light | content | as it is | matrix of the first dyes |")
    print("|---|---|---|---|")

    def seen_and_read(dyes: str, light: str, content: str) -> tuple[Array, Array]:
        amounts = draw_amounts(content, count=PATCHES, seed=3)
        film = np.vstack([np.zeros(3), amounts])
        spectra = draw_spectra(film, DYE_SETS[dyes])
        seen, read = spectra @ WEIGHTS / WHITE, draw_readings(spectra, light)
        return seen[1:] / seen[0], read[1:] / read[0]

    def of_ratio(ratio: Array) -> Array:
        root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
        x, y, z = root[..., 0], root[..., 1], root[..., 2]
        return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)

    as_it_is = matrix / matrix.sum(axis=1, keepdims=True)
    for light in ("narrow", "broad"):
        pairs = [seen_and_read("first", light, content) for content in CONTENTS]
        seen, read = np.vstack([each[0] for each in pairs]), np.vstack([each[1] for each in pairs])
        weight = 1.0 / (0.05 + seen[:, 1:2])  # a difference counts as a share, about as it is seen
        fitted = np.linalg.lstsq(weight * read, weight * seen, rcond=None)[0].T
        fitted /= fitted.sum(axis=1, keepdims=True)  # white stays white
        for dyes, content in product(("first", "second", "third"), CONTENTS):
            seen, read = seen_and_read(dyes, light, content)
            ways = [
                np.asarray(
                    colour.delta_E(
                        of_ratio(seen), of_ratio(np.clip(read @ each.T, 0.0, None)), method="CIE 2000"
                    )
                )
                for each in (as_it_is, fitted)
            ]
            print(f"| {dyes}, {light} | {content} | {words(ways[0])} | {words(ways[1])} |", flush=True)


def main() -> None:
    """The tables."""
    for title, table in (
        ("Specimen", specimen),
        ("Faded film", faded_table),
        ("Unfaded film", unfaded_table),
        ("Other fades", other_fades_table),
        ("Scanner's floor", floor_table),
        ("Compiled reel", compiled_reel),
        ("Scanner's light as BT.709", profile_table),
    ):
        print(f"\n### {title}\n", flush=True)
        table()


if __name__ == "__main__":
    main()
