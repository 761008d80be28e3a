"""What copies keep of the finished picture on a set that cuts its edges off: the safe area, as an outline over the look.

kept_addresses   the twin
kept_paper       each size of copy, and its safe area in pixels of the finished picture
safe_area        canvas -> edges of the safe area within the finished picture

A copy itself keeps the whole picture: it is fitted into 4:3 or 16:9, never cut.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from smallgauge.render.segments import Canvas, copy_canvas
from smallgauge.workbench.addresses import Address

if TYPE_CHECKING:
    from smallgauge.workbench.app import Bench
    from smallgauge.workbench.opened import OpenReel

# Share of a copy's width and height within which what matters should lie ("safe action area"), 4:3 and 16:9. Source:
# "BKSTS B" (both); the idea and two areas of 16:9 also in ITU-R BT.1848, whose figures were not seen.
SAFE = {False: 0.90, True: 0.93}


def kept_addresses(bench: Bench) -> tuple[Address, ...]:
    """What the copies keep."""
    return (
        Address(
            path="/api/reel/{reel}/kept",
            says="What each size of copy still shows of the finished picture on a set that cuts its edges off.",
            answer=bench.twin(lambda request: kept_paper(bench.reel(request))),
            gives={"size": "array", "copies": "array"},
        ),
    )


def kept_paper(reel: OpenReel) -> dict[str, Any]:
    """Each size of copy that the reel gets, with the edges of its safe area in pixels of the finished picture."""
    plan, _ = reel.plan()
    told: dict[Canvas, dict[str, Any]] = {}
    for copy in plan.copies:
        wide = copy.recipe.widescreen
        canvas = copy_canvas(copy.recipe, plan.width, plan.height)
        entry = told.setdefault(
            canvas,
            {
                "files": [],
                "shape": "16:9" if wide else "4:3",
                "canvas": [canvas.width, canvas.height],
                "share": SAFE[wide],
                "safe": safe_area(canvas, (plan.width, plan.height), SAFE[wide]),
            },
        )
        entry["files"].append(copy.recipe.file)
    return {"size": [plan.width, plan.height], "copies": list(told.values())}


def safe_area(canvas: Canvas, size: tuple[int, int], share: float) -> dict[str, float]:
    """Edges of the middle `share` of a copy, in pixels of the finished picture that lies in its middle; never beyond it.

    Edges are where pixels end: the whole picture is -0.5 to width - 0.5.

    Examples
    --------
    >>> wide = Canvas(width=1920, height=1080, picture_width=1440, picture_height=1080)
    >>> safe_area(wide, (2048, 1536), 0.93)
    {'left': -0.5, 'right': 2047.5, 'top': 53.26, 'bottom': 1481.74}
    """
    found: dict[str, float] = {}
    axes = (
        ("left", "right", canvas.width, canvas.picture_width, size[0]),
        ("top", "bottom", canvas.height, canvas.picture_height, size[1]),
    )
    for first, last, whole, shown, pixels in axes:
        cut = max(0.0, (whole * (1.0 - share) - (whole - shown)) / 2.0) * pixels / shown
        found |= {first: round(cut - 0.5, 2), last: round(pixels - cut - 0.5, 2)}
    return found
