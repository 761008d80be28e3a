"""A small drawn reel whose captured frames carry their number as 16 black or white blocks, analysed and treated."""

from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np

from smallgauge.demo import track_truth, write_specimen
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, specimen_truth
from smallgauge.sound.synthetic import TrackTruth

AT = "2026-01-17T10:00:00Z"
FRAMES = 72
CLAPS = (12, 26)  # frames in which a clap is seen, where the reel has sound
NAME = "numbered"
BLOCK = 8  # px; the number stands at the picture's lower right, low bit first
LEFT, TOP = 120, 172
PLACES = [(LEFT + BLOCK * (bit + 0.5), TOP + BLOCK / 2) for bit in range(16)]  # middle of each block
SCENES = (SceneTruth(kind="garden", first=0, stop=30), SceneTruth(kind="sea", first=30, stop=200))


def burn(samples: np.ndarray, number: int) -> None:
    """Write a number into a captured frame."""
    top = samples[TOP : TOP + BLOCK]
    top[:, LEFT : LEFT + 17 * BLOCK] = 96  # so that the first and the last block have an edge
    for bit in range(16):
        left = LEFT + BLOCK * bit
        top[:, left : left + BLOCK] = 255 if number >> bit & 1 else 0


def number_in(picture: np.ndarray) -> int:
    """The number that a drawn picture carries, from its own size."""
    scale = picture.shape[1] / 256
    return sum(
        int(picture[int(y * scale), int(x * scale)].mean() > 127) << bit for bit, (x, y) in enumerate(PLACES)
    )


def sound_of(truth: ReelTruth) -> TrackTruth:
    """Its sound: claps and nothing else, so that the highest sample is the clap."""
    return replace(
        track_truth(truth), content="none", film_hum_level=0.0, chain_hum_level=0.0, hiss_level=0.0001
    )


def make_shelf(base: Path, claps: tuple[int, ...] = (), frames: int = FRAMES) -> Path:
    """A shelf with the reel; its capture lies beside it.

    With claps it is one scene with sound; the head stands 12 frames after the gate, and that is not stated.
    """
    truth = specimen_truth(
        "super 8",
        width=256,
        height=192,
        frames=frames,
        bits=8,
        seed=21,
        scenes=(SceneTruth(kind="garden", first=0, stop=200),) if claps else SCENES,
        striped=bool(claps),
        clap_frames=claps,
    )
    track = sound_of(truth) if claps else None
    write_specimen(
        base / "capture", truth, format="png", sound=bool(claps), track=track, reel=NAME, processes=1
    )
    notes = base / "capture" / "capture.toml"
    stated = notes.read_text(encoding="utf-8").splitlines(keepends=True)
    notes.write_text("".join(line for line in stated if "head_offset" not in line), encoding="utf-8")
    for number, path in enumerate(sorted((base / "capture").glob("*.png"))):
        samples = imagecodecs.png_decode(path.read_bytes())
        burn(samples, number)
        path.write_bytes(imagecodecs.png_encode(samples))
    settings = Settings(at=AT, workers=1, last_step="treat")
    finish(base / "capture", base / "shelf", settings)
    return base / "shelf"
