"""Captures of one drawn film: equal seeds are the same film with the same grain, each capture has its own noise."""

from pathlib import Path

import numpy as np

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.media.specimen_out import write_capture_frame
from smallgauge.picture.resample import Move, apply_move
from smallgauge.picture.synthetic import ReelTruth, SceneTruth, draw_frame, specimen_truth

AT = "2026-01-17T10:00:00Z"
SCENES = (
    SceneTruth(kind="garden", first=0, stop=10),
    SceneTruth(kind="sea", first=10, stop=60),
    SceneTruth(kind="birthday", first=60, stop=400),
)


def settings(**changes: object) -> Settings:
    """One worker, a fixed time."""
    return Settings(**{"at": AT, "workers": 1, **changes})  # type: ignore[arg-type]


def draw_capture(folder: Path, first: int, stop: int, *, scale: float = 1.0, **changes: object) -> ReelTruth:
    """Film frames `first` to `stop` as a capture; `scale` enlarges what is seen, grain and all."""
    values = {
        "width": 256,
        "height": 192,
        "seed": 3,
        "bits": 8,
        "code_values": "gamma",
        "scenes": SCENES,
        **changes,
    }
    sound = bool(values.pop("sound", False))
    truth = specimen_truth(
        "super 8", frames=stop - first, missing=tuple(range(first)), striped=sound, **values
    )
    write_specimen(folder, truth, format="png", sound=sound, reel=folder.name, box_words="", processes=1)
    if scale != 1.0:
        _enlarge(folder, truth, scale)
    return truth


def enlarged(truth: ReelTruth, scale: float) -> Move:
    """From a pixel of an enlarged capture to the drawn one."""
    k = 1 / scale
    return Move(a=k, c=(1 - k) * (truth.width - 1) / 2, e=k, f=(1 - k) * (truth.height - 1) / 2)


def _enlarge(folder: Path, truth: ReelTruth, scale: float) -> None:
    toml = folder / "capture.toml"
    lines = [line for line in toml.read_text().splitlines() if not line.startswith("micrometres")]
    toml.write_text("\n".join(lines) + "\n")
    for number, path in enumerate(sorted(folder.glob("frame_*"))):
        samples = draw_frame(truth, number).samples.astype(np.float32)
        moved = apply_move(samples, move=enlarged(truth, scale), width=truth.width, height=truth.height)
        codes = np.clip(np.rint(moved), 0, 255).astype(np.uint8)
        path.unlink()
        write_capture_frame(path, codes, bits=truth.bits)


def analysed(capture: Path, shelf: Path) -> Path:
    """The folder that `analyse` makes of a capture."""
    return Path(finish(capture, shelf, settings(last_step="analyse")).folder)
