"""`unslit.json`: the two films of unslit double 8, and the account that they are the whole capture, every frame once."""

from dataclasses import dataclass
from pathlib import Path

from smallgauge.errors import MaterialError
from smallgauge.record.capture import Capture
from smallgauge.record.files import read_json
from smallgauge.record.finding import Finding
from smallgauge.record.reel import Half, Reel

UNSLIT = "unslit.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """One of the two films: its number, folder (from the capture's), place in the captured frame, and its frames.

    `picture_along_mm` is how far the middle of its pictures lies from the middle between two perforations, downwards in
    the capture; `film_frames` counts frames of the film, each once.
    """

    number: str
    folder: str
    half: Half
    frames: int
    film_frames: int
    picture_along_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unslit:
    """Both films of a capture, left and right. `wrong` are captured frames that the films' frames side by side are not."""

    version: int = 1
    capture_digest: str
    frames: int
    films: tuple[Film, Film]
    wrong: tuple[int, ...]


def unslit_findings(folder: Path, paper: Unslit, capture: Capture) -> tuple[Finding, ...]:
    """Whether both films add up to the capture: every captured frame in each, every column once."""
    wrong = []
    left, right = (film.half.region for film in paper.films)
    if (left.left, right.left, left.width + right.width) != (0, left.width, capture.width):
        wrong.append("the films do not lie side by side in the captured frame")
    if paper.capture_digest != capture.digest or paper.frames != capture.count:
        wrong.append("the account is of another capture")
    for film in paper.films:
        try:
            own = read_json(folder / film.folder / "capture.json", Capture)
            reel = read_json(folder / film.folder / "reel.json", Reel)
        except MaterialError:
            wrong.append(f"the film {film.number} is not in its folder")
            continue
        if own.count != capture.count or reel.half != film.half:
            wrong.append(
                f"the film {film.number} does not hold its part of all {capture.count} captured frames"
            )
    if paper.wrong:
        wrong.append(f"{len(paper.wrong)} captured frames are not both films' frames side by side")
    return tuple(
        Finding(code="films do not add up", where="capture", values={"what": words}) for words in wrong
    )
