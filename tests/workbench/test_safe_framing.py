"""What copies keep on a set that cuts its edges off: the safe area of each size of copy within the finished picture.

Source: BKSTS Illustrated Dictionary of Moving Image Technology, appendix B: 90 % of 4:3, 93 % of 16:9.
"""

import pytest
from numbered_reel import AT, NAME
from starlette.testclient import TestClient

from smallgauge.record.recipe import CopyRecipe
from smallgauge.render.segments import copy_canvas
from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.kept import SAFE, safe_area
from smallgauge.workbench.shelf import Shelf


@pytest.mark.parametrize(
    "size", [(1440, 1080), (2048, 1536), (1380, 1010), (156, 114), (1000, 1400), (1800, 900)]
)
@pytest.mark.parametrize("wide", [False, True])
def test_the_safe_area_is_the_middle_of_the_copy_and_never_more_than_the_picture(size, wide):
    """Held to the copy itself: each edge, put where the copy has it, is an edge of the middle share or of the picture."""
    recipe = CopyRecipe(file="x.mp4", rate=None, widescreen=wide)
    canvas, share = copy_canvas(recipe, *size), SAFE[wide]
    safe = safe_area(canvas, size, share)
    for first, last, whole, shown, pixels in (
        ("left", "right", canvas.width, canvas.picture_width, size[0]),
        ("top", "bottom", canvas.height, canvas.picture_height, size[1]),
    ):
        beside = (whole - shown) / 2
        in_copy = [beside + (safe[edge] + 0.5) * shown / pixels for edge in (first, last)]
        middle = [whole * (1 - share) / 2, whole * (1 + share) / 2]
        wanted = [max(middle[0], beside), min(middle[1], whole - beside)]
        assert in_copy == pytest.approx(wanted, abs=0.02)


def test_the_twin_tells_every_copy_of_the_reel(numbered_shelf):
    bench = TestClient(make_app(Shelf(numbered_shelf), Hand(), lambda: AT)[0])
    told = bench.get(f"/api/reel/{NAME}/kept").json()
    assert told["size"] == [156, 114]
    (copy,) = told["copies"]
    assert copy["files"] == ["viewing.mp4", "television.mp4"] and (copy["shape"], copy["share"]) == (
        "4:3",
        0.9,
    )
    assert copy["safe"]["left"] == pytest.approx(0.05 * 156 - 0.5, abs=0.3)
