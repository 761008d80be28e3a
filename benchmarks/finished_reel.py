"""A reel that is drawn and finished once, for benchmarks that begin with one."""

from pathlib import Path

from smallgauge.demo import write_specimen
from smallgauge.line import Settings, finish
from smallgauge.picture.synthetic import SceneTruth, specimen_truth


def reel_in(
    folder: Path, frames: int, *, size: tuple[int, int], copies: tuple[str, ...] = (), bits: int = 10
) -> Path:
    """The reel's folder: Super 8 with a stripe, two scenes; drawn and finished with its copies where it isn't there."""
    reel = folder / "shelf" / "0004171-R01-3"
    if (reel / "package.json").is_file():
        return reel
    truth = specimen_truth(
        "super 8",
        width=size[0],
        height=size[1],
        frames=frames,
        bits=bits,
        code_values="linear" if bits > 12 else "log",
        striped=True,
        scenes=(
            SceneTruth(kind="garden", first=0, stop=frames // 2),
            SceneTruth(kind="sea", first=frames // 2, stop=frames),
        ),
    )
    write_specimen(folder / "capture", truth, format="dpx", reel=reel.name, processes=1)
    if copies:
        with (folder / "capture" / "capture.toml").open("a", encoding="utf-8") as notes:
            notes.write(f"copies = {list(copies)}\n".replace("'", '"'))
    finish(folder / "capture", folder / "shelf", Settings(at="2026-01-17T10:00:00Z", workers=1))
    return reel
