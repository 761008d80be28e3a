"""A photograph, made: its frames as they look finished, fused, and written with words about it beside the one frame alone."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from smallgauge.media.photograph_out import PhotographWords, write_jpeg_photograph, write_tiff_photograph
from smallgauge.media.picture_in import open_picture
from smallgauge.picture.display import srgb_of_display
from smallgauge.picture.fusion import Fused, apply_fusion
from smallgauge.record.keptstills import ALONE_JPEG, ALONE_TIFF, FUSED_JPEG, FUSED_TIFF
from smallgauge.record.light import evenness_for, table_for
from smallgauge.record.material import Stretch
from smallgauge.render.frame import render_frame
from smallgauge.render.mend import Window, mended_samples
from smallgauge.render.plan import Plan
from smallgauge.render.plan_stills import StillPlan

BITS = 16

Codes = NDArray[np.uint16]


def make_still(
    folder: Path,
    name: str,
    *,
    plan: Plan,
    still: StillPlan,
    stretch: Stretch,
    fused_words: PhotographWords,
    frame_words: PhotographWords,
) -> Fused:
    """Write the four files of a photograph below a reel's folder: fused and the frame alone, each as JPEG and as TIFF, in sRGB."""
    frames = _frames(plan, still, stretch)
    fused = apply_fusion(frames, base=still.base, bits=BITS)
    (folder / name).parent.mkdir(exist_ok=True)
    to_srgb = srgb_of_display(BITS)
    for codes, jpeg, tiff, words in (
        (fused.picture, FUSED_JPEG, FUSED_TIFF, fused_words),
        (frames[still.base], ALONE_JPEG, ALONE_TIFF, frame_words),
    ):
        picture = to_srgb[codes]
        write_tiff_photograph(folder / f"{name}{tiff}", picture, words)
        eight = np.rint(picture * np.float32(255 / ((1 << BITS) - 1))).astype(np.uint8)
        write_jpeg_photograph(folder / f"{name}{jpeg}", eight, words)
    return fused


def _frames(plan: Plan, still: StillPlan, stretch: Stretch) -> list[Codes]:
    """The frames as the finished film shows them, at its size, in 16 bits."""
    table = table_for(stretch.capture.light, stretch.capture.encoding)
    evenness = evenness_for(stretch.capture, stretch.listing.root, stretch.listing.region)
    out = []
    with open_picture(stretch.listing) as reader:

        def samples_of(number: int) -> Any:
            return reader.read(number).samples

        read = Window(samples_of)
        for frame in still.frames:
            samples, _ = mended_samples(read, frame, table)
            out.append(
                render_frame(
                    samples,
                    table=table,
                    move=frame.move,
                    width=plan.width,
                    height=plan.height,
                    bits=BITS,
                    frame=frame.finished,
                    colour=frame.colour.whole,
                    evenness=evenness,
                )
            )
    return out
