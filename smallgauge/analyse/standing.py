"""What stands still while the film runs, from the survey's frames and from those that `follow` looks at.

survey_groups  the survey's frames, in groups that lie together
tells_standing whether a capture is long enough to tell
keep_sums      sums -> a file, from which `kept_sums` takes them up: they are as large as pictures
StandingLooks  the frames that `follow` looks at, the latest ones -> findings
standing_told  sums of groups -> findings

Docs: docs/guide/line-up.md, decision 0187.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from smallgauge.picture.standing import (
    GROUP_FRAMES,
    GROUPS,
    StandingSums,
    add_sheet,
    clear_group,
    find_standing,
    make_standing_sheet,
)
from smallgauge.record.capture import PictureAreaPx
from smallgauge.record.finding import Finding

LEAST_FRAMES = 96  # of a capture: fewer show too few scenes; common practice, no source
LATER = 3  # groups, after which the looks are told again once all groups have been full
MOST_NAMED = 10  # places that a finding names
CODES = ("spots stand still", "rings stand still")
WHILE_RUNNING = ("now spots stand still", "now rings stand still")  # said while the film is on the machine

_PLANES = ("fine", "seen", "small")  # of the sums, a list each

Floats = NDArray[np.float32]


def survey_groups(numbers: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    """The survey's frames in as many groups as what stands still is told by, those that lie together in one.

    Examples
    --------
    >>> survey_groups((0, 3, 6, 9, 12, 15, 18, 21))
    ((0, 3), (6,), (9,), (12, 15), (18,), (21,))
    """
    groups: list[list[int]] = [[] for _ in range(GROUPS)]
    for n, number in enumerate(numbers):
        groups[n * GROUPS // len(numbers)].append(number)
    return tuple(tuple(group) for group in groups if group)


def tells_standing(frames: int) -> bool:
    """Whether a capture of so many frames shows scenes enough to tell what stands still."""
    return frames >= LEAST_FRAMES


def keep_sums(sums: StandingSums, path: Path) -> None:
    """Lay sums down in a file (NumPy's own form, `.npz`), for whoever joins them.

    Examples
    --------
    >>> import tempfile
    >>> sums = StandingSums()
    >>> add_sheet(sums, make_standing_sheet(np.full((90, 120), 0.5, np.float32)), group=0)
    >>> path = Path(tempfile.mkdtemp()) / "sums.npz"
    >>> keep_sums(sums, path)
    >>> kept_sums(path).frames
    [1]
    """
    named = [(f"{name}-{n}", plane) for name in _PLANES for n, plane in enumerate(getattr(sums, name))]
    with path.open("wb") as file:
        np.savez(file, **dict([("frames", np.array(sums.frames, np.int64)), *named]))


def kept_sums(path: Path) -> StandingSums:
    """Sums that `keep_sums` laid down."""
    with np.load(path, allow_pickle=False) as kept:
        frames = kept["frames"].tolist()
        planes = {name: [kept[f"{name}-{n}"] for n in range(len(frames))] for name in _PLANES}
    return StandingSums(frames=frames, **planes)


class StandingLooks:
    """The frames that `follow` looks at, in groups, of which the oldest makes room: dirt may come at any time."""

    def __init__(self) -> None:
        self._sums, self._looks = StandingSums(), 0
        self.told: tuple[Finding, ...] = ()  # what stands still, as far as the looks say

    def look(self, light: Floats, *, area: PictureAreaPx, place: tuple[float, float]) -> None:
        """Lay a frame's light, as captured, over those that were looked at before it; see `standing_told`."""
        count, within = divmod(self._looks, GROUP_FRAMES)
        group = count % GROUPS
        if within == 0 and count >= GROUPS:
            clear_group(self._sums, group=group)
        add_sheet(self._sums, make_standing_sheet(light), group=group)
        self._looks += 1
        # Telling takes half a second at 1440 x 1080: not after each group for as long as the film runs.
        if within == GROUP_FRAMES - 1 and (count < GROUPS or group % LATER == LATER - 1):
            self.told = standing_told(self._sums, area=area, place=place, codes=WHILE_RUNNING)


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
