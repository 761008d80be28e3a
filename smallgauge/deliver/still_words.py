"""What is said of photographs: inside their files, on their sheet, and on the command line."""

from smallgauge.record.edtf import edtf_words, read_edtf
from smallgauge.record.keptstills import KeptStill, KeptStills

_ASKED = {
    "frame": "asked for by its number",
    "scene": "the sharpest of its scene",
    "mark": "marked at the workbench",
}


def describe_still(still: KeptStill, *, box_words: str, fused: bool) -> str:
    """The description inside a photograph's file.

    Examples
    --------
    >>> from smallgauge.record.keptstills import FrameShare
    >>> frame = FrameShare(film_position=37, capture=0, frame=37, file="f_000037.dpx", share=0.0)
    >>> still = KeptStill(name="stills/frame-000037", film_position=37, asked_position=36, asked="frame", scene=2,
    ...     scene_name="The sea", words="", by="mk", at="2026-01-17T10:00:00Z", dated="1962~", dated_by="mk", kept_grain=0.2,
    ...     grain=None, alone_share=1.0, frames=(frame,), files=())
    >>> describe_still(still, box_words="Summer", fused=False)
    'The sea. From the film "Summer". Taken: about 1962, said mk. The one frame as the finished film shows it.'
    """
    parts = [still.words, still.scene_name, f'From the film "{box_words}"' if box_words else ""]
    if still.dated:
        parts.append(f"Taken: {edtf_words(read_edtf(still.dated))}, said {still.dated_by}")
    count = len(still.frames)
    if fused and count > 1:
        parts.append(
            f"Made from {count} frames of the film, where they agree, to show less grain; the one frame alone lies beside it"
        )
    else:
        parts.append("The one frame as the finished film shows it")
    return " ".join(f"{part.rstrip('.')}." for part in parts if part)


def still_caption(still: KeptStill) -> str:
    """A line below a photograph on the sheet and in the report."""
    title = still.words or still.scene_name or f"Scene {still.scene}"
    dated = f", {edtf_words(read_edtf(still.dated))}" if still.dated else ""
    return f"{title}{dated}"


def stills_words(paper: KeptStills) -> tuple[str, ...]:
    """The photographs of a reel as the command tells them."""
    if not paper.stills:
        return ("No photograph is kept of this reel.",)
    lines = []
    for still in paper.stills:
        helped = sum(frame.share > 0 for frame in still.frames) - 1
        moved = (
            f" (frame {still.asked_position} was asked for)"
            if still.asked_position != still.film_position
            else ""
        )
        by = "one frame beside it helped" if helped == 1 else f"{helped} frames beside it helped"
        helpers = by if helped else "it stands alone"
        lines.append(
            f"Film frame {still.film_position}{moved}, {_ASKED[still.asked]}, scene {still.scene}: {helpers}; in "
            f"{still.alone_share:.0%} of the picture none agreed. {still_caption(still)}."
        )
    lines.append(
        "Run `smallgauge finish` on the capture again: what stands is kept, the photographs are proved and packed."
    )
    return tuple(lines)
