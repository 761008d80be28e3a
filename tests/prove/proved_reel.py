"""A small drawn reel for tests of the proof, and its finished film written anew with a fault in it."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from smallgauge.crew import Crew
from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.media.digest import digest_frame
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_out import create_lossless
from smallgauge.picture.synthetic import specimen_truth
from smallgauge.prove.reel import make_proof
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.rendertable import RENDER_COLUMNS
from smallgauge.record.table import read_table, write_table
from smallgauge.record.work import silent

AT = "2026-01-17T10:00:00Z"


def settings(**changes: object) -> Settings:
    """One worker, a fixed time."""
    return Settings(**{"at": AT, "workers": 1, **changes})  # type: ignore[arg-type]


def small_reel(
    base: Path, *, frames: int = 12, sound: bool = False, last_step: str = "deliver", masters: bool = True
) -> Path:
    """Draw and finish a reel of a few frames of 256 x 192 below `base`; its folder."""
    truth = specimen_truth("super 8", width=256, height=192, frames=frames, bits=8, striped=sound, seed=5)
    write_specimen(
        base / "small", truth, format="png", sound=sound, reel="small", box_words="Garden", processes=1
    )
    with (base / "small" / "capture.toml").open("a") as notes:
        notes.write(f"masters = {str(masters).lower()}\n")
    outcome = finish(base / "small", base / "shelf", settings(last_step=last_step))
    assert outcome.exit_code == 0
    return Path(outcome.folder)


def rewrite_finished(folder: Path, change) -> None:
    """The finished film written anew with `change` done to its frames, and a table that agrees with it."""
    with read_film(folder / "finished.mkv") as film:
        frames = [np.array(frame) for frame in film.frames()]
        rate, bits = film.rate, film.bits
    frames = change(frames)
    table = read_table(folder / "render.parquet", RENDER_COLUMNS, "render")
    digests = np.array([digest_frame(frame, bits) for frame in frames], object)
    write_table(folder / "render.parquet", replace(table, values={**table.values, "digest": digests}))
    height, width = frames[0].shape[:2]
    path = folder / "finished.mkv"
    with create_lossless(path, width=width, height=height, bits=bits, layout="rgb", rate=rate) as writer:
        for frame in frames:
            writer.write(frame)


def proof_of(folder: Path) -> Proof:
    """The proof of a folder without any digest on record: what the pictures alone say."""
    capture = read_json(folder / "capture.json", Capture)
    with Crew(1) as crew:
        return make_proof(folder, source=None, capture=capture, expected={}, runner=crew, progress=silent)
