"""What stands still while the film runs, from the survey's frames and from those that `follow` looks at.

survey_group   which group a frame of the survey belongs to, None where the capture is too short to tell
standing_told  sums of groups -> findings

Docs: docs/guide/line-up.md, decision 0187.
"""

from smallgauge.picture.standing import GROUP_FRAMES, GROUPS, StandingSums, find_standing
from smallgauge.record.capture import PictureAreaPx
from smallgauge.record.finding import Finding

LEAST_FRAMES = 96  # of a capture: fewer show too few scenes; common practice, no source
MOST_NAMED = 10  # places that a finding names
CODES = ("spots stand still", "rings stand still")
WHILE_RUNNING = ("now spots stand still", "now rings stand still")  # said while the film is on the machine


def survey_group(index: int, count: int, frames: int) -> int | None:
    """The group of the survey's frame `index` of `count`, in a capture of so many frames.

    Examples
    --------
    >>> survey_group(0, 96, 4000), survey_group(95, 96, 4000), survey_group(3, 20, 20)
    (0, 5, None)
    """
    return index * GROUPS // count if frames >= LEAST_FRAMES else None


def look_group(looks: int) -> int | None:
    """The group of the next frame that `follow` looks at, after so many; None once all are full.

    Examples
    --------
    >>> look_group(15), look_group(16), look_group(96)
    (0, 1, None)
    """
    return looks // GROUP_FRAMES if looks < GROUPS * GROUP_FRAMES else None


def standing_told(
    sums: StandingSums,
    *,
    area: PictureAreaPx,
    place: tuple[float, float],
    codes: tuple[str, str] = CODES,
) -> tuple[Finding, ...]:
    """What stands still, said with the codes for spots and rings; `place` is the film reference's usual place, px."""
    x, y = place
    found = find_standing(sums, area=(x + area.left, y + area.top, x + area.right, y + area.bottom))
    told = []
    if found.spots:
        values: dict[str, object] = {
            "count": len(found.spots),
            "places": [
                f"column {round(spot.x_px)} row {round(spot.y_px)}" for spot in found.spots[:MOST_NAMED]
            ],
        }
        told.append(Finding(code=codes[0], where="capture", values=values))
    if found.rings is not None:
        values = {"x_px": round(found.rings.x_px), "y_px": round(found.rings.y_px)}
        told.append(Finding(code=codes[1], where="capture", values=values))
    return tuple(told)
