"""Small drawn captures for calibrating: a glass, and film with two perforations in view."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.synthetic import draw_frame, specimen_truth
from smallgauge.picture.synthetic_graticule import GraticuleTruth, draw_graticule


def write_glass(folder: Path, truth: GraticuleTruth, *, frames: int = 3) -> Path:
    folder.mkdir(parents=True)
    for number in range(frames):
        light = draw_graticule(replace(truth, seed=number))
        samples = np.repeat((light * 65535).astype(np.uint16)[:, :, None], 3, axis=2)
        write_capture_frame(folder / f"frame_{number:06d}.png", samples, bits=16)
    (folder / "capture.toml").write_text('code_values = "linear"\n')
    return folder


def write_film(folder: Path, *, frames: int = 24, **changes: object) -> Path:
    """Standard 8, 384 x 288, 23.7 micrometres a pixel; its capture.toml states gauge and code values, no scale."""
    truth = specimen_truth("standard 8", width=384, height=288, frames=frames, fast_noise=True, **changes)
    folder.mkdir(parents=True)
    for number in range(frames):
        write_capture_frame(
            folder / f"frame_{number:06d}.png", draw_frame(truth, number).samples, bits=truth.bits
        )
    (folder / "capture.toml").write_text('code_values = "linear"\ngauge = "standard 8"\n')
    return folder
