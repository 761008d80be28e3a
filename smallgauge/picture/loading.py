"""How the film was loaded, from what the captured pictures show: which end ran first, and which face lay up.

measure_picture_light  the reduced picture         -> its light, and how much lighter its upper part is
propose_loading        columns, perforations' side -> half turn, mirror, order, or "not sure", with reasons   (treat)

Three yes-or-no questions. *Which end ran first*: cameras start slowly, so the first frame or two of a scene are
brighter than the rest of it, and the last ones are not. *Upright or on its head*: follows from the end, because the
next frame of the film always lies below an upright picture; light from above speaks for it too, weakly. *Mirrored*:
with one row of perforations, the film is mirrored where its side and the half turn do not agree with the usual side.

What is no evidence, though it looks like it. The stripe lies by the perforations' side, so it says what they say. A camera's gate
keeps its shape when the film is turned by half a turn, and its place beside the perforation is that of one camera, which nobody
knows. Edge print and writing in the picture would tell all; they are for an operator to read.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from smallgauge.columns import Column
from smallgauge.errors import CallerError

COLUMNS: tuple[Column, ...] = (
    Column(
        name="picture_light",
        unit="1",
        type="float64",
        meaning="Mean natural logarithm of the light in the camera's picture.",
        source="definition",
        tolerance=1e-6,
    ),
    Column(
        name="picture_upper",
        unit="1",
        type="float64",
        meaning="How much lighter the upper third of the camera's picture is than its lower third, as captured, natural logarithm.",
        source="definition",
        tolerance=1e-6,
    ),
)

# All of these: common practice, no source; chosen before the campaign of tests/picture/test_loading_evidence.py was drawn.
SURE = 6.0  # log odds (400 to 1) from which the end that ran first is told
LEAST_STARTS = 3  # scene limits that must speak for it
MOST_AGAINST = 0.2  # of the scene limits that speak, at most, may speak for the other end
RISE = 0.25  # ln light by which a start must be brighter than an end to count 1
LEAST_RISE = 0.1  # less is no start
MOST_A_START = 2.5  # log odds of one scene limit at most: a scene may begin with a pan away from the sky
SKY = 0.6  # log odds of one scene that is lighter above (two in three are)
LEAST_SKY = 0.15  # ln light
MOST_SKY = 2.0  # of all scenes together
CALM = (4, 10)  # frames after a start (before an end) that give the scene's own light
SHORTEST_SCENE = 12  # frames; both ends of it need calm frames


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureLight:
    """Light of one captured picture: a row's columns; NaN where the picture is empty."""

    picture_light: float
    picture_upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadingRead:
    """What the evidence says; None is not sure. `log_odds` above 0 speak for tail first. `reasons` say what speaks for what.

    `against` is True where something speaks against the film being loaded as it should be.
    """

    turn: int | None  # 0 or 180
    mirror: bool | None
    backwards: bool | None
    log_odds: float
    starts: int  # scene limits that speak
    against: bool
    reasons: tuple[str, ...]

    @property
    def sure(self) -> bool:
        """All three questions are answered."""
        return None not in (self.turn, self.mirror, self.backwards)


def measure_picture_light(log_light: NDArray[np.floating]) -> PictureLight:
    """The light of a picture and of its upper part against its lower.

    Parameters
    ----------
    log_light : array, shape (rows, columns)
        Natural logarithm of light, as `make_proxy` gives it; not altered.

    Returns
    -------
    PictureLight
        NaN where the picture has fewer than three rows, or any of it is NaN.

    Notes
    -----
    Source: definition.

    Examples
    --------
    >>> measure_picture_light(np.repeat([[1.0], [0.0], [-1.0]], 4, axis=1))
    PictureLight(picture_light=0.0, picture_upper=2.0)
    """
    third = log_light.shape[0] // 3
    if not third or not log_light.size:
        return PictureLight(picture_light=float("nan"), picture_upper=float("nan"))
    upper, lower = (
        float(np.mean(part, dtype=np.float64)) for part in (log_light[:third], log_light[-third:])
    )
    return PictureLight(
        picture_light=float(np.mean(log_light, dtype=np.float64)), picture_upper=upper - lower
    )


def propose_loading(
    *,
    picture_light: ArrayLike,
    picture_upper: ArrayLike,
    scene: ArrayLike,
    direction: int,
    side_seen: str,
    side_usual: str,
    negative: bool = False,
) -> LoadingRead:
    """How the film was loaded, as far as it is sure.

    Parameters
    ----------
    picture_light, picture_upper : arrays, shape (frames,)
        Columns, in the order of the capture; NaN frames say nothing.
    scene : array of int, shape (frames,)
    direction : int
        1 where the next captured frame lies below on the film, -1 where above, 0 where that was not seen.
    side_seen, side_usual : str
        "left" or "right" of the captured picture: where the one row of perforations is, and where this machine
        shows it of film loaded as it should be. "" where that is not known, or says nothing.
    negative : bool
        More light on the film made less light in the capture.

    Returns
    -------
    LoadingRead

    Raises
    ------
    CallerError
        If the columns are not of one length.

    Notes
    -----
    Source: "common practice" for the slow start of cameras and all weights; geometry "derived".

    Examples
    --------
    Five scenes whose last two frames, as captured, are the brightest: the film ran tail first.

    >>> light = np.tile(np.r_[np.zeros(22), 0.4, 0.9], 5)
    >>> read = propose_loading(
    ...     picture_light=light, picture_upper=np.zeros(120), scene=np.repeat(range(5), 24),
    ...     direction=1, side_seen="right", side_usual="left")
    >>> read.backwards, read.turn, read.mirror, read.sure
    (True, 180, False, True)
    """
    light, upper, scenes = (np.asarray(each) for each in (picture_light, picture_upper, scene))
    if not light.shape == upper.shape == scenes.shape or light.ndim != 1:
        raise CallerError(
            f"propose_loading needs columns of one length, got {light.shape}, {upper.shape} and {scenes.shape}."
        )
    limits = _starts(-light if negative else light, scenes)
    said = limits[limits != 0]
    for_tail, for_head = int(np.count_nonzero(said > 0)), int(np.count_nonzero(said < 0))
    sky = _sky(-upper if negative else upper, scenes)
    odds = float(said.sum()) + (sky if direction >= 0 else -sky)
    backwards = _told(odds, for_tail, for_head)
    turn = None if backwards is None or direction == 0 else 180 if backwards != (direction < 0) else 0
    sides = bool(side_seen and side_usual)
    mirror = None if turn is None or not sides else (turn == 180) != (side_seen != side_usual)
    against = bool(backwards or turn or mirror or (sides and side_seen != side_usual) or odds > 1)
    reasons = (
        _words_of_starts(for_tail, for_head),
        _words_of_sky(sky),
        _words_of_sides(side_seen, side_usual),
        "the next frame lies below on the film"
        if direction > 0
        else "the next frame lies above on the film"
        if direction < 0
        else "where the next frame lies on the film is not in view",
    )
    return LoadingRead(
        turn=turn,
        mirror=mirror,
        backwards=backwards,
        log_odds=odds,
        starts=for_tail + for_head,
        against=against,
        reasons=reasons,
    )


def _told(odds: float, for_tail: int, for_head: int) -> bool | None:
    """Whether the film ran tail first; None where the scene limits are too few or contradict one another."""
    most, least = max(for_tail, for_head), min(for_tail, for_head)
    if most < LEAST_STARTS or least > MOST_AGAINST * (most + least) or abs(odds) < SURE:
        return None
    return odds > 0 if (odds > 0) == (for_tail > for_head) else None


def _starts(light: NDArray[np.float64], scene: NDArray[np.int32]) -> NDArray[np.float64]:
    """Log odds for tail first of each limit between two scenes: bright frames before it, none after; 0 says nothing."""
    limits = np.flatnonzero(np.diff(scene)) + 1
    edges = [0, *limits.tolist(), scene.size]
    out = np.zeros(len(limits))
    near, far = CALM
    for n, limit in enumerate(limits.tolist()):
        if limit - edges[n] < SHORTEST_SCENE or edges[n + 2] - limit < SHORTEST_SCENE:
            continue
        before, after = light[edges[n] : limit][::-1], light[limit : edges[n + 2]]
        rise = [float(np.max(part[:2]) - np.median(part[near:far])) for part in (before, after)]
        more = rise[0] - rise[1]
        if np.isfinite(more) and abs(more) >= LEAST_RISE:
            out[n] = float(np.clip(more / RISE, -MOST_A_START, MOST_A_START))
    return out


def _sky(upper: NDArray[np.float64], scene: NDArray[np.int32]) -> float:
    """Log odds for pictures that stand on their head, from the scenes that are lighter below."""
    odds = 0.0
    for number in np.unique(scene):
        here = upper[(scene == number) & np.isfinite(upper)]
        value = float(np.median(here)) if here.size else 0.0
        odds -= SKY * float(np.sign(value)) if abs(value) >= LEAST_SKY else 0.0
    return float(np.clip(odds, -MOST_SKY, MOST_SKY))


def _words_of_starts(for_tail: int, for_head: int) -> str:
    if not for_tail + for_head:
        return "no scene limit shows the bright frames of a slow start"
    return (
        f"bright frames of a slow start come after {for_head} scene limit{'' if for_head == 1 else 's'} (head first) "
        f"and before {for_tail} (tail first)"
    )


def _words_of_sky(sky: float) -> str:
    if not sky:
        return "light from above or below says nothing"
    return f"the pictures are lighter {'below' if sky > 0 else 'above'}"


def _words_of_sides(seen: str, usual: str) -> str:
    if not seen:
        return "the perforations' side says nothing for this film"
    if not usual:
        return f"perforations on the {seen}, the machine's usual side is not stated"
    return f"perforations on the {seen}, usually on the {usual}"
