"""The finished sound: each captured sample read once, where the map says."""

import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.sound_in import open_sound
from smallgauge.media.sound_out import whole_samples, write_aac, write_flac
from smallgauge.render.plan import SOUND_RATE, SoundPlan
from smallgauge.sound.speed import apply_sound_map

BLOCK = 1 << 16  # samples at a time

Floats = NDArray[np.float64]


def render_track(
    source: Path, plan: SoundPlan, *, flac: Path, aac: Path, watch: Callable[[int], None]
) -> str:
    """Write the finished sound as 24-bit FLAC and as AAC for the copies.

    Gives the digest of the 24-bit samples that were handed to the FLAC encoder. `watch` is called with
    the samples done.
    """
    total = hashlib.sha256()
    with open_sound(source) as reader:
        channels = reader.channels

        def blocks(done: bool) -> Iterator[Floats]:
            for first in range(0, plan.map.out_samples, BLOCK):
                stop = min(first + BLOCK, plan.map.out_samples)
                block = apply_sound_map(reader.read_padded, plan.map, first=first, stop=stop)
                if done:
                    total.update(whole_samples(block)[0].astype("<i4").tobytes())
                    watch(stop)
                yield block

        write_flac(flac, blocks(True), rate=SOUND_RATE, channels=channels)
        write_aac(aac, blocks(False), rate=SOUND_RATE, channels=channels)
    return total.hexdigest()
