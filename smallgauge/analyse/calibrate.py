"""Calibrating: the scale of a machine from a capture of something whose size is known.

calibrate_by_graticule   a glass with lines or squares of stated period  -> MachineScale, across and along
calibrate_by_film        fresh film or leader of known pitch             -> MachineScale, along; across by its width, weakly

The scale is what shrinkage is measured against, so it has to come from outside the film that is measured.
"""

import hashlib
from collections.abc import Iterator
from math import hypot, isfinite, sqrt
from typing import cast

import numpy as np
from numpy.typing import NDArray

from smallgauge.analyse.source import Source
from smallgauge.analyse.survey import survey_numbers
from smallgauge.errors import CallerError, MaterialError
from smallgauge.gauge.gauges import GAUGES, Gauge
from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_in import UnreadableFrame, open_picture
from smallgauge.picture.density import light_of_samples
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.graticule import measure_graticule
from smallgauge.picture.perforations import PerforationSurvey, find_film_edges, find_perforations
from smallgauge.picture.pitch import measure_next_perforation
from smallgauge.record.light import choose_light, table_for
from smallgauge.record.machines import MachineScale
from smallgauge.record.work import Progress

GLASS_FRAMES = 8  # of a capture of a glass that are measured, at most
FILM_FRAMES = 200  # of a capture of film: two hundred pitches
LEAST_PITCHES = 20  # that must be seen; common practice, no source
OUTLYING = 6.0  # robust standard deviations; common practice, no source
ALIKE = 0.15  # pixels are square to this, or the periods are not what they are said to be; common practice, no source

Light = NDArray[np.float32]
Codes = NDArray[np.uint8] | NDArray[np.uint16]


class _Frames:
    """Light of a capture's frames, spread over it, and a digest of those that were looked at."""

    def __init__(self, source: Source, most: int, progress: Progress) -> None:
        self.source, self.progress = source, progress
        self.numbers = survey_numbers(source.listing.count, most)
        self.total = hashlib.sha256(b"smallgauge calibration 1\n")

    def __iter__(self) -> Iterator[Light]:
        listing = self.source.listing
        table = table_for(choose_light(self.source.notes, listing.encoding), listing.encoding)
        with open_picture(listing) as reader:
            for done, number in enumerate(self.numbers):
                self.progress("frames measured", done, len(self.numbers))
                try:
                    samples = reader.read(number).samples
                except UnreadableFrame as error:
                    raise MaterialError(
                        f"Every frame must be readable, but frame {number} of {self.source.name} is not: {error.reason}; "
                        "take it away or capture it again."
                    ) from None
                self.total.update(f"{digest_frame(samples, listing.encoding.bits)}\n".encode())
                if table is None:
                    yield np.asarray(samples, np.float32)
                else:
                    yield light_of_samples(cast(Codes, samples), table)
        self.progress("frames measured", len(self.numbers), len(self.numbers))


def calibrate_by_graticule(
    source: Source, *, across_mm: float, along_mm: float, by: str, at: str, progress: Progress
) -> MachineScale:
    """The scale from a capture of a graticule of these periods.

    Raises MaterialError in one sentence where the period can't be told, or can't be what was stated.
    """
    if not (isfinite(across_mm) and isfinite(along_mm) and min(across_mm, along_mm) > 0):
        raise CallerError(
            f"A graticule's period must be millimetres above 0, found {across_mm:g} and {along_mm:g}."
        )
    frames = _Frames(source, GLASS_FRAMES, progress)
    read = [measure_graticule(light if light.ndim == 2 else light.mean(axis=2)) for light in frames]
    told = [each for each in read if not each.reason]
    if len(told) <= len(read) / 2:
        reason = next(each.reason for each in read if each.reason)
        raise MaterialError(
            f"A graticule of {_period(across_mm, along_mm)} must fill the picture of {source.name}, but {reason}; "
            "lay it straight, focus it, light it evenly and capture it again."
        )
    across = _direction([(g.across_px, g.sigma_across_px) for g in told], across_mm)
    along = _direction([(g.along_px, g.sigma_along_px) for g in told], along_mm)
    if across[0] is not None and along[0] is not None and abs(across[0] / along[0] - 1) > ALIKE:
        raise MaterialError(
            f"A graticule's periods must be those of the lines that are seen, but {_period(across_mm, along_mm)} in {source.name} "
            f"would make a pixel {across[0]:.3f} micrometres wide and {along[0]:.3f} high; state both, across x along."
        )
    return _scale(source, across, along, f"graticule of {_period(across_mm, along_mm)}", by, at, frames)


def _period(across_mm: float, along_mm: float) -> str:
    return f"{across_mm:g} mm" if across_mm == along_mm else f"{across_mm:g} x {along_mm:g} mm"


def _direction(read: list[tuple[float, float]], period_mm: float) -> tuple[float | None, float | None]:
    """Micrometres a pixel and standard error from the periods of several frames; None where none was read."""
    known = [(px, sigma) for px, sigma in read if isfinite(px)]
    if not known:
        return None, None
    periods, sigmas = (np.array(each) for each in zip(*known, strict=True))
    middle = float(np.median(periods))
    spread = float(periods.std(ddof=1)) / sqrt(len(periods)) if len(periods) > 1 else 0.0
    # the glass is the same in every frame, and so is what makes it uneven: errors do not average out
    error = hypot(float(np.median(sigmas)), spread)
    um = 1000 * period_mm / middle
    return um, um * error / middle


def calibrate_by_film(
    source: Source,
    *,
    gauge: Gauge,
    pitch_mm: tuple[float, float],
    words: str,
    by: str,
    at: str,
    progress: Progress,
) -> MachineScale:
    """The scale from a capture of film whose pitch lies between two limits, in millimetres.

    Half the way between the limits is taken, and their distance is in the standard error.
    Raises MaterialError where too few pitches are seen.
    """
    low, high = pitch_mm
    if not (0 < low <= high and high < 2 * low):
        raise CallerError(f"A known pitch must be millimetres above 0, found {low:g} to {high:g}.")
    survey = _film_survey(source, gauge, progress)
    frames = _Frames(source, FILM_FRAMES, progress)
    steps, widths = [], []
    for light in frames:
        plane = light if light.ndim == 2 else np.ascontiguousarray(light[:, :, survey.channel])
        steps.append(hypot(*measure_next_perforation(find_perforations(plane, survey=survey), survey=survey)))
        edges = find_film_edges(plane, survey=survey)
        if len(edges) == 2:
            widths.append(abs(edges[0].x_px - edges[1].x_px) * np.cos(survey.tilt))
    pitches = _without_outliers(np.array(steps))
    if pitches.size < LEAST_PITCHES:
        raise MaterialError(
            f"Two neighbouring perforations must be seen in at least {LEAST_PITCHES} frames of {source.name} to measure the pitch, "
            f"found {pitches.size}; line the scanner up so that it shows both, and capture more of the film."
        )
    middle = float(pitches.mean())
    error = float(pitches.std(ddof=1)) / sqrt(pitches.size) / middle
    along = 1000 * (low + high) / 2 / middle
    unknown = (high - low) / (high + low) * 2 / sqrt(12.0)  # evenly likely between the limits
    across = _across(np.array(widths), gauge)
    return _scale(source, across, (along, along * hypot(error, unknown)), words, by, at, frames)


def _film_survey(source: Source, gauge: Gauge, progress: Progress) -> PerforationSurvey:
    reading = find_gauge(
        list(_Frames(source, 24, progress)),
        gauges=GAUGES,
        stated=gauge.key,
        polarity="dark hole" if source.notes.illumination == "reflected" else "bright hole",
    )
    if reading.survey is None or reading.gauge != gauge.key:
        raise MaterialError(
            f"{source.name} must show {gauge.name} film with its perforations, but {reading.reason.rstrip('.')}; "
            "state the right gauge with --gauge, or line the scanner up so that the perforations are seen."
        )
    return reading.survey


def _without_outliers(values: NDArray[np.float64]) -> NDArray[np.float64]:
    known = values[np.isfinite(values)]
    if known.size < LEAST_PITCHES:
        return known
    apart = np.abs(known - np.median(known))
    return np.asarray(known[apart <= OUTLYING * max(1.4826 * float(np.median(apart)), 1e-3)])


def _across(widths: NDArray[np.float64], gauge: Gauge) -> tuple[float | None, float | None]:
    """Across by the film's width, as far as its tolerance lets it: None where both edges are hardly seen."""
    known = _without_outliers(widths)
    tolerance = gauge.film_width_mm.tolerance
    if known.size < LEAST_PITCHES or tolerance is None:
        return None, None
    um = 1000 * gauge.film_width_mm.value / float(known.mean())
    return um, um * tolerance / gauge.film_width_mm.value / sqrt(3.0)


def _scale(
    source: Source,
    across: tuple[float | None, float | None],
    along: tuple[float | None, float | None],
    words: str,
    by: str,
    at: str,
    frames: _Frames,
) -> MachineScale:
    def short(value: float | None) -> float | None:
        return None if value is None else float(f"{value:.7g}")

    return MachineScale(
        along_um=short(along[0]),
        along_sigma_um=short(along[1]),
        across_um=short(across[0]),
        across_sigma_um=short(across[1]),
        width_px=source.listing.width,
        height_px=source.listing.height,
        told_by=words,
        by=by,
        at=at,
        capture=frames.total.hexdigest(),
    )
