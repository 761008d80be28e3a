"""One small reel whose frames carry their number, finished, proved, packed and bagged once: for programs that are not ours."""

from pathlib import Path

import imagecodecs
import pytest
from played_reel import FRAMES, burn

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, deliver_folder, finish
from smallgauge.picture.synthetic import SceneTruth, specimen_truth

AT = "2026-01-17T10:00:00Z"
REEL = "0004171-R03-7"


@pytest.fixture(scope="session")
def reel(made_once) -> Path:
    """The reel's folder; not to be changed."""
    return made_once("outside", make_reel) / "shelf" / REEL


def make_reel(base: Path) -> None:
    scenes = tuple(
        SceneTruth(kind=kind, first=first, stop=stop)
        for kind, first, stop in (("garden", 0, 12), ("sea", 12, FRAMES))
    )
    truth = specimen_truth(
        "super 8", width=320, height=240, frames=FRAMES, bits=8, seed=9, striped=True, scenes=scenes
    )
    write_specimen(
        base / "capture",
        truth,
        format="png",
        sound=True,
        reel=REEL,
        box_words="Omas Gärten 1968",
        processes=1,
    )
    for number, path in enumerate(sorted((base / "capture").glob("*.png"))):
        samples = imagecodecs.png_decode(path.read_bytes())
        burn(samples, number)
        path.write_bytes(imagecodecs.png_encode(samples))
    with (base / "capture" / "capture.toml").open("a") as notes:
        notes.write(
            'masters = true\nfilm_base = "acetate"\ndeformation = "slight"\ncaptured_on = "2026-01-17"\n'
        )
    settings = Settings(at=AT, workers=1)
    outcome = finish(base / "capture", base / "shelf", settings)
    assert outcome.exit_code == 0
    deliver_folder(Path(outcome.folder), settings, bag=True)
