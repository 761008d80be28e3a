"""A drawn capture as the scanner would have made it of the same film loaded another way: picture, order and sound.

Film that is turned end for end stands on its head, runs backwards and carries its sound backwards past a head that
now comes before the gate; film that is turned over is mirrored.
"""

import csv
import tomllib
from pathlib import Path

import numpy as np
import soundfile
import tomli_w

from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.specimen_out import write_capture_frame, write_capture_sound

OTHER = {"left": "right", "right": "left"}
WAYS = {
    "head first": {"tail": False, "flipped": False},
    "head first, flipped": {"tail": False, "flipped": True},
    "tail first": {"tail": True, "flipped": False},
    "tail first, flipped": {"tail": True, "flipped": True},
}


def turned(samples: np.ndarray, *, tail: bool, flipped: bool) -> np.ndarray:
    """A captured picture of the film loaded that way."""
    rows = slice(None, None, -1) if tail else slice(None)
    columns = slice(None, None, -1) if tail != flipped else slice(None)
    return np.ascontiguousarray(samples[rows, columns])


def load_otherwise(
    capture: Path, target: Path, *, tail: bool, flipped: bool, notes: dict[str, object]
) -> None:
    """Write the capture of the same film loaded that way; `notes` are added to what the operator knows."""
    listing = list_capture(capture)
    target.mkdir(parents=True)
    with open_picture(listing) as reader:
        for number in range(listing.count):
            frame = reader.read(listing.count - 1 - number if tail else number).samples
            write_capture_frame(
                target / f"frame_{number:06d}{Path(listing.files[0]).suffix}",
                turned(frame, tail=tail, flipped=flipped),
                bits=listing.encoding.bits,
            )
    words = tomllib.loads((capture / "capture.toml").read_text(encoding="utf-8"))
    times = [float(row["time_s"]) for row in csv.DictReader((capture / "frames.csv").open(encoding="ascii"))]
    ends = times[0] + times[-1]
    if tail:
        times = [ends - time for time in reversed(times)]
    lines = ["frame,time_s", *(f"{number},{time:.6f}" for number, time in enumerate(times))]
    (target / "frames.csv").write_text("\n".join(lines) + "\n", encoding="ascii")
    if (capture / "sound.wav").exists():
        samples, rate = soundfile.read(capture / "sound.wav", always_2d=True)
        if tail:
            samples = samples[::-1]
            words["sound_start_s"] = ends - words["sound_start_s"] - (len(samples) - 1) / rate
            words["sound_head_offset_frames"] = -words["sound_head_offset_frames"]
        write_capture_sound(target / "sound.wav", samples, sample_rate=rate)
    words |= notes
    (target / "capture.toml").write_text(tomli_w.dumps(words), encoding="utf-8")
