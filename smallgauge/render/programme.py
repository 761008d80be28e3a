"""Coded pictures of a programme: stretches of finished films on one canvas, and title cards.

render_stretch   a job of one worker -> one H.264 segment from frames of a finished film
render_card      words -> one H.264 segment of one frame, which is then shown as long as it is to be
cut_sound_of     a finished film's sound, cut to what is shown, block by block
"""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import FixityError
from smallgauge.media.film_in import read_film
from smallgauge.media.picture_in import list_capture, open_picture
from smallgauge.media.picture_out import create_viewing
from smallgauge.record.recipe import FINISHED, copies
from smallgauge.render.segments import NATIVE_RATE, Canvas

QUALITY = copies(NATIVE_RATE)[0].quality
_MARGIN = 0.1  # of a title card's width, left empty on either side; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Frames `first` to before `stop` of one reel's finished film, into `file` below the programme's folder."""

    folder: str
    reel: str
    first: int
    stop: int
    file: str
    canvas: Canvas


def render_stretch(job: Stretch, tick: Callable[[int], None]) -> str:
    """Code one stretch; gives its file."""
    from smallgauge.picture.kernels import reduce_frame

    canvas, path = job.canvas, Path(job.folder) / job.file
    path.parent.mkdir(parents=True, exist_ok=True)
    listing = list_capture(Path(job.reel) / FINISHED.file)
    writer = create_viewing(path, width=canvas.width, height=canvas.height, rate=NATIVE_RATE, quality=QUALITY)
    with open_picture(listing) as reader, writer:
        for frame in reader.frames(job.first, job.stop):
            writer.write(
                reduce_frame(
                    np.asarray(frame.samples, np.uint16),
                    bits=FINISHED.bits,
                    width=canvas.picture_width,
                    height=canvas.picture_height,
                    canvas_width=canvas.width,
                    canvas_height=canvas.height,
                    frame=frame.number,
                )
            )
            tick(1)
    return job.file


def make_card(words: str, *, width: int, height: int) -> NDArray[np.uint8]:
    """A title card: words in the middle, white on black, (height, width, 3)."""
    import imagecodecs
    import typst

    size = min(height / 10, 1.6 * (1 - 2 * _MARGIN) * width / max(len(words), 1))
    page = (
        f"#set page(width: {width}pt, height: {height}pt, margin: {_MARGIN * width}pt, fill: black)\n"
        f"#set text(fill: white, size: {max(size, height / 24):.2f}pt, hyphenate: false)\n"
        "#align(center + horizon, json(bytes(sys.inputs.content)).words)\n"
    )
    png = typst.compile(
        page.encode(),
        format="png",
        ppi=72.0,
        ignore_system_fonts=True,
        sys_inputs={"content": json.dumps({"words": words})},
    )
    picture = np.asarray(imagecodecs.png_decode(bytes(png)))[:height, :width, :3]  # type: ignore[arg-type]
    return np.ascontiguousarray(picture, np.uint8)


def render_card(words: str, path: Path, canvas: Canvas) -> None:
    """Code a title card as one frame."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with create_viewing(
        path, width=canvas.width, height=canvas.height, rate=NATIVE_RATE, quality=QUALITY
    ) as writer:
        writer.write(make_card(words, width=canvas.width, height=canvas.height))


def cut_sound_of(path: Path, ranges: Sequence[tuple[int, int]]) -> Iterator[NDArray[np.float64]]:
    """The samples of a film's sound in these ranges, in order; silence where a range goes past its end."""
    begun = 0
    film = read_film(path)
    blocks = film.sound_blocks()
    block: NDArray[np.float64] | None = next(blocks, None)
    for first, stop in ranges:
        at = first
        while at < stop:
            while block is not None and begun + len(block) <= at:
                begun += len(block)
                block = next(blocks, None)
            if block is None:
                yield np.zeros((stop - at, max(film.sound_channels, 1)))
                break
            piece = block[at - begun : stop - begun]
            yield piece
            at += len(piece)
    if film.log:
        raise FixityError(f"{path} can't be read whole: {film.log[0]}; run `smallgauge prove` on that reel.")
