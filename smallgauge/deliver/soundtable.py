"""The technician's sound section: marks and splices of sound with its own clock, and the slope of the sound's map.

sound_table   papers -> a row a fix; None where the sound was captured with the picture
sound_plots   papers -> captured seconds for each second played, along the film; nothing for a silent one
"""

from fractions import Fraction

import numpy as np

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import number_words
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.technician import Plot, ReportTable
from smallgauge.record.notes import WITH_PICTURE
from smallgauge.record.table import Table
from smallgauge.sound.curves import hermite
from smallgauge.sound.separate import ACCEPTED_S, DETECTED_S

_MOST_ROWS = 60


def sound_table(papers: Papers) -> ReportTable | None:
    """Each fix of the sound, and where all the others would put it."""
    sound = papers.summary.sound if papers.summary is not None else None
    if sound is None or sound.run == WITH_PICTURE:
        return None
    guide = sound.guide if sound.guide is not None and sound.guide.used else None
    if guide is None and not sound.fixes:
        return None
    rows = (
        [
            (
                f"{guide.windows} windows, {number_words(100 * guide.kept, decimals=0)} % of all",
                "",
                "guide",
                f"rms {_tenths(guide.left_rms_s)}, 95 % {_tenths(guide.left_95_s)}, max {_tenths(guide.left_max_s)}",
                "",
            )
        ]
        if guide is not None
        else []
    )
    rows += [
        (
            number_words(fix.film_position, decimals=1),
            number_words(fix.sound_s, decimals=3),
            fix.by,
            _milliseconds(fix.left_out_s),
            _milliseconds(fix.left_out_sigma_s),
        )
        for fix in sound.fixes[:_MOST_ROWS]
    ]
    told = [abs(fix.left_out_s) for fix in sound.fixes if fix.left_out_s == fix.left_out_s]
    worst = f" Farthest: {_milliseconds(max(told))} ms." if told else ""
    more = f" The first {_MOST_ROWS} of {len(sound.fixes)}." if len(sound.fixes) > _MOST_ROWS else ""
    early, late = (
        f"{_milliseconds(a)} and {_milliseconds(b)}" for a, b in zip(DETECTED_S, ACCEPTED_S, strict=True)
    )
    return ReportTable(
        title="Sound laid by its guide" if guide is not None else "Sound laid by marks and splices",
        head=("Film position", "Heard at, s", "By", "Left out, ms", "Its standard error, ms"),
        rows=tuple(rows),
        note=(
            f"Sound: {sound.run}. Left out: how far each lies from where all the others put it.{worst}{more} Stated error "
            f"anywhere: up to {_milliseconds(sound.band_s)} ms, three standard errors; sound.parquet has it at every place. "
            f"ITU-R BT.1359: sound is noticed and no longer accepted {early} ms early, {late} ms late."
        ),
    )


def _tenths(seconds: float) -> str:
    return number_words(1000 * seconds, decimals=1) if seconds == seconds else "none"


def sound_plots(papers: Papers) -> tuple[Plot, ...]:
    """The slope of the map of the first track at each finished frame, where there is captured sound for it."""
    captured, summary, table = papers.capture.sound, papers.summary, papers.sound_map
    if (
        captured is None
        or summary is None
        or summary.sound is None
        or table is None
        or papers.rendered is None
    ):
        return ()
    first = table["track"] == 0
    out, place, slope = (table[name][first] for name in ("out_sample", "in_sample", "slope"))
    frames = summary.frames
    starts = np.array([float(n * summary.sound.rate / Fraction(summary.rate)) for n in range(frames)])
    at, pace = hermite(starts, out, place, slope)
    there = (at >= 0) & (at < captured.samples)
    values = np.where(there, np.abs(pace) * summary.sound.rate / captured.rate, np.nan)
    svg = draw_along_reel(
        [Line(name="speed", values=values)],
        title="Captured seconds for each second played, at each finished frame",
        unit="",
        scenes=papers.rendered["scene"],
        least_span=0.01,
        axis="finished frame",
    )
    if not svg:
        return ()
    heard = np.flatnonzero(there)
    note = (
        "Slope of the sound's map: captured seconds for each second played. "
        f"The film begins at frame 0 and ends at frame {frames - 1:,}; captured sound begins at frame {int(heard[0]):,} and "
        f"ends at frame {int(heard[-1]):,}.{_foreign_words(table, summary.sound.rate, Fraction(summary.rate))}"
    )
    return (Plot(title="Speed of the captured sound", svg=svg, note=note),)


def _foreign_words(table: Table, sound_rate: int, rate: Fraction) -> str:
    """The finished frames whose sound belongs to pictures that were cut away."""
    first = table["track"] == 0
    foreign = np.r_[False, table["foreign_sound"][first], False].astype(np.int8)
    out = table["out_sample"][first]
    edges = np.flatnonzero(np.diff(foreign)).reshape(-1, 2)
    places = [
        "{} to {}".format(*(round(float(out[min(n, len(out) - 1)]) * float(rate) / sound_rate) for n in edge))
        for edge in edges[:_MOST_ROWS]
    ]
    return f" Foreign sound behind splices: frames {'; '.join(places)}." if places else ""


def _milliseconds(seconds: float) -> str:
    return number_words(1000 * seconds, decimals=0) if seconds == seconds else "stands alone"
