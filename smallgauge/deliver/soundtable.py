"""The technician's table of sound with its own clock: each mark and splice, and how far it lies from all others.

sound_table   papers -> a row a fix; None where the sound was captured with the picture
"""

from smallgauge.deliver.papers import Papers
from smallgauge.deliver.phrases import number_words
from smallgauge.deliver.technician import ReportTable
from smallgauge.record.notes import WITH_PICTURE
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


def _milliseconds(seconds: float) -> str:
    return number_words(1000 * seconds, decimals=0) if seconds == seconds else "stands alone"
