"""What each copy costs and how large it is at 1440 x 1080, and how far its frames are from the finished ones.

    python -m benchmarks.copies FOLDER [FRAMES]

draws a reel of 2448 x 1836 into FOLDER once (48 frames unless said, 10-bit DPX, striped), takes it through the line with every
kind of copy ordered, and codes the finished frames again, one copy after the other, alone in this process. CPU is user and
system time of this process: reducing, converting, coding. What frames differ by is read from the reel's proof.
"""

import re
import sys
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from benchmarks.finished_reel import reel_in
from smallgauge.media.copy_out import CODERS, create_copy
from smallgauge.media.film_in import read_film
from smallgauge.picture.kernels import reduce_frame, warm
from smallgauge.record.files import read_json
from smallgauge.record.finding import Proof
from smallgauge.record.ordered import recipe_of
from smallgauge.record.recipe import FINISHED
from smallgauge.render.segments import copy_canvas

ORDER = ("viewing", "hd", "hevc", "hevc 8-bit", "av1", "editing")
_WORST = re.compile(r"the worst part differs by ([\d.]+) %")


def main() -> None:
    """Draw, finish, code again, print."""
    folder, frames = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 48
    reel = reel_in(folder, frames, size=(2448, 1836), copies=ORDER)
    warm()
    worst = {
        check.of: match[1]
        for check in read_json(reel / "proof.json", Proof).checks
        if (match := _WORST.search(check.by))
    }
    with read_film(reel / "finished.mkv") as film:
        pictures = [np.array(picture) for picture in film.frames()]
    print(
        "| copy | size | CPU s a frame | of it reducing | kB a frame | Mbit/s at 18 | worst part differs by |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for word in ORDER:
        recipe = recipe_of(word)
        height, width = pictures[0].shape[:2]
        canvas, coder = copy_canvas(recipe, width, height), CODERS[recipe.coding]
        path = folder / f"alone.{coder.container}"
        begun, reducing = time.process_time(), 0.0
        with create_copy(
            path,
            coding=recipe.coding,
            width=canvas.width,
            height=canvas.height,
            rate=Fraction(18),
            quality=recipe.quality,
        ) as writer:
            for number, codes in enumerate(pictures):
                before = time.process_time()
                picture = reduce_frame(
                    codes,
                    bits=FINISHED.bits,
                    width=canvas.picture_width,
                    height=canvas.picture_height,
                    canvas_width=canvas.width,
                    canvas_height=canvas.height,
                    frame=number,
                    to_bits=coder.bits,
                )
                reducing += time.process_time() - before
                writer.write(picture)
        cost = (time.process_time() - begun) / len(pictures)
        size = path.stat().st_size / len(pictures)
        print(
            f"| {word} | {canvas.width} x {canvas.height} | {cost:.3f} | {reducing / len(pictures):.3f} | {size / 1000:.0f} "
            f"| {size * 8 * 18 / 1e6:.1f} | {worst.get(recipe.file, '')} % |"
        )
        path.unlink()


if __name__ == "__main__":
    main()
