"""The finished sound, each captured sample read once where the map says; and the copies' sound, by gain alone."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.sound_in import SoundReader, open_sound
from smallgauge.media.sound_out import whole_samples, write_aac, write_flac
from smallgauge.render.plan_sound import SOUND_RATE, SoundPlan
from smallgauge.sound.loudness import LoudnessMeter, LoudnessReading, apply_gain
from smallgauge.sound.speed import ReadSound, SoundMap, apply_sound_map
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


def for_viewing(block: Floats, view: Views) -> Floats:
    """The block as the viewing copies play it: on two channels, one track on both.

    Examples
    --------
    >>> for_viewing(np.array([[0.5]]), "both").tolist()
    [[0.5, 0.5]]
    """
    return np.repeat(block, VIEWING_CHANNELS, axis=1) if block.shape[1] == 1 else apply_view(block, view)


def _blocks(source: Path, plan: SoundPlan) -> Iterator[tuple[int, Floats]]:
    """The finished sound in blocks, each with the number of samples done after it; each track by its own map."""
    with open_sound(source) as reader:
        maps: list[tuple[ReadSound, SoundMap]] = [(reader.read_padded, plan.map)]
        if plan.second is not None:
            maps = [(_one_track(reader, 0), plan.map), (_one_track(reader, 1), plan.second)]
        for first in range(0, plan.map.out_samples, BLOCK):
            stop = min(first + BLOCK, plan.map.out_samples)
            yield (
                stop,
                np.concatenate([apply_sound_map(*each, first=first, stop=stop) for each in maps], axis=1),
            )


def _one_track(reader: SoundReader, track: int) -> ReadSound:
    return lambda first, stop: reader.read_padded(first, stop)[:, track : track + 1]
