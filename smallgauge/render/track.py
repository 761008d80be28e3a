"""The finished sound: faults taken out of the captured sound, each sample then read once where the map says.

The copies play the same sound, by gain alone. What is done, and in this order: hum is subtracted, that of the chain
before that of the film; thumps and clicks are filled; the map lays the sound to the picture, with the recording's flutter
in it; a replay curve is put right; hiss is made less. Each of them only where it was decided.
"""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.sound_in import SoundReader, open_sound
from smallgauge.media.sound_out import whole_samples, write_aac, write_flac, write_pcm
from smallgauge.record.rendertable import REPAIR_COLUMNS
from smallgauge.record.table import Table
from smallgauge.render.plan_repairs import SoundRepairs
from smallgauge.render.plan_sound import SOUND_RATE, SoundPlan
from smallgauge.sound.clicks import apply_click_repair
from smallgauge.sound.equalisation import apply_equalisation
from smallgauge.sound.hiss import apply_hiss_reduction
from smallgauge.sound.hum_removal import apply_hum_removal
from smallgauge.sound.loudness import LoudnessMeter, LoudnessReading, apply_gain
from smallgauge.sound.speed import ReadSound, SoundMap, apply_sound_map, out_sample_at
from smallgauge.sound.thumps import apply_thump_repair
from smallgauge.sound.tracks import Views, apply_view

BLOCK = 1 << 16  # samples at a time
VIEWING_CHANNELS = 2  # players send one channel to two loudspeakers: it is measured and delivered as two

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardSound:
    """The finished sound as it was made: digest of its samples, and its loudness as the copies play it."""

    digest: str
    loudness: LoudnessReading


def render_track(source: Path, plan: SoundPlan, *, flac: Path, watch: Callable[[int], None]) -> HeardSound:
    """Write the finished sound as 24-bit FLAC; its digest and its loudness.

    The digest is that of the 24-bit samples handed to the encoder. `watch` is called with the samples done.
    """
    total, meter = hashlib.sha256(), LoudnessMeter(rate=SOUND_RATE, channels=VIEWING_CHANNELS)

    def heard() -> Iterator[Floats]:
        for done, block in _blocks(source, plan):
            codes = whole_samples(block)[0]
            total.update(codes.astype("<i4").tobytes())
            meter.add(for_viewing(codes / 2.0**23, plan.view))
            watch(done)
            yield block

    with open_sound(source) as reader:
        channels = reader.channels
    write_flac(flac, heard(), rate=SOUND_RATE, channels=channels)
    return HeardSound(digest=total.hexdigest(), loudness=meter.reading())


def render_viewing_track(source: Path, plan: SoundPlan, *, gain_db: float, aac: Path) -> None:
    """Write the sound of the viewing copies: the finished sound times one gain, on two channels."""
    blocks = (apply_gain(for_viewing(block, plan.view), gain_db) for _, block in _blocks(source, plan))
    write_aac(aac, blocks, rate=SOUND_RATE, channels=VIEWING_CHANNELS)


def render_editing_track(source: Path, plan: SoundPlan, *, pcm: Path) -> None:
    """Write the sound of an editing copy: the finished sound itself, sample for sample, in 24 bits."""
    with open_sound(source) as reader:
        channels = reader.channels
    write_pcm(pcm, (block for _, block in _blocks(source, plan)), rate=SOUND_RATE, channels=channels)


def laid_sound(source: Path, plan: SoundPlan, *, first: int, stop: int) -> Floats:
    """A part of the finished sound as the viewing copies play it, before their gain: (stop - first, 2), silence beyond its ends."""
    with open_sound(source) as reader:
        return for_viewing(_finished(reader, plan)(first, stop), plan.view)


def for_viewing(block: Floats, view: Views) -> Floats:
    """The block as the viewing copies play it: on two channels, one track on both.

    Examples
    --------
    >>> for_viewing(np.array([[0.5]]), "both").tolist()
    [[0.5, 0.5]]
    """
    return np.repeat(block, VIEWING_CHANNELS, axis=1) if block.shape[1] == 1 else apply_view(block, view)


def repair_rows(source: Path, plan: SoundPlan, *, capture_digest: str) -> Table:
    """A row a click or thump that was filled: where, how, and how loud the place was before and is after."""
    clicks = plan.repairs.clicks
    before, after = np.empty(len(clicks)), np.empty(len(clicks))
    with open_sound(source) as reader:
        plain = _without_hum(reader.read_padded, plan.repairs, reader.rate)
        mended = _mended(plain, plan.repairs, reader.rate)
        for n, click in enumerate(clicks):
            before[n], after[n] = (
                _level_db(read(click.first, click.stop)[:, click.track]) for read in (plain, mended)
            )
    middle = np.array([(click.first + click.stop) / 2 for click in clicks], dtype=np.float64)
    values: dict[str, NDArray[Any]] = {
        "track": np.array([click.track for click in clicks], dtype=np.int32),
        "first_sample": np.array([click.first for click in clicks], dtype=np.int64),
        "stop_sample": np.array([click.stop for click in clicks], dtype=np.int64),
        "out_sample": _played_at(plan.map, middle),
        "how": np.array(["low part" if c.shape == "thump" else "all" for c in clicks], dtype=object),
        "before_db": before,
        "after_db": after,
    }
    return Table(name="repairs", columns=REPAIR_COLUMNS, values=values, capture_digest=capture_digest)


def _level_db(samples: Floats) -> float:
    return float(10 * np.log10(np.mean(samples**2) + 1e-20))


def _played_at(knots: SoundMap, in_sample: Floats) -> Floats:
    """Where captured samples are heard in the finished sound; NaN where they are not."""
    at = out_sample_at(knots, in_sample)
    return np.where((at >= 0.0) & (at < knots.out_samples), at, np.nan)


def _without_hum(read: ReadSound, repairs: SoundRepairs, rate: int) -> ReadSound:
    for _, comb in repairs.hum:
        read = apply_hum_removal(
            read,
            sound_rate=rate,
            in_sample=comb.in_sample,
            turns=comb.turns,
            line_sample=comb.line_sample,
            lines=comb.lines,
        )
    return read


def _mended(read: ReadSound, repairs: SoundRepairs, rate: int) -> ReadSound:
    read = apply_thump_repair(read, repairs.clicks, sound_rate=rate)
    return apply_click_repair(read, repairs.clicks, sound_rate=rate)


def _finished(reader: SoundReader, plan: SoundPlan) -> ReadSound:
    """A reader of the finished sound, silence before its beginning and after its end; each track by its own map."""
    captured = _mended(_without_hum(reader.read_padded, plan.repairs, reader.rate), plan.repairs, reader.rate)
    maps: list[tuple[ReadSound, SoundMap]] = [(captured, plan.map)]
    if plan.second is not None:
        maps = [(_one_track(captured, 0), plan.map), (_one_track(captured, 1), plan.second)]

    def laid(first: int, stop: int) -> Floats:
        out = np.zeros((stop - first, reader.channels))
        low, high = max(first, 0), min(stop, plan.map.out_samples)
        if low < high:
            heard = [apply_sound_map(*each, first=low, stop=high) for each in maps]
            out[low - first : high - first] = np.concatenate(heard, axis=1)
        return out

    finished: ReadSound = laid
    curve = plan.repairs.curve
    if curve is not None:
        finished = apply_equalisation(
            finished, rate=SOUND_RATE, replayed=curve.replayed, recorded=curve.recorded, speed=curve.speed
        )
    if plan.repairs.hiss_db:
        finished = apply_hiss_reduction(finished, samples=plan.map.out_samples, floor_db=plan.repairs.hiss_db)
    return finished


def _blocks(source: Path, plan: SoundPlan) -> Iterator[tuple[int, Floats]]:
    """The finished sound in blocks, each with the number of samples done after it."""
    with open_sound(source) as reader:
        finished = _finished(reader, plan)
        for first in range(0, plan.map.out_samples, BLOCK):
            stop = min(first + BLOCK, plan.map.out_samples)
            yield stop, finished(first, stop)


def _one_track(read: ReadSound, track: int) -> ReadSound:
    return lambda first, stop: read(first, stop)[:, track : track + 1]
