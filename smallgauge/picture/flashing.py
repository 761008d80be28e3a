"""Flashing light: is a film, as it is delivered, one that may harm people with photosensitive epilepsy?

make_screen_light  mean light of R, G, B  -> what a part of the screen shows: luminance, redness
measure_flashing   pictures of the screen -> the worst second                                    (prove)

A warning, never a certificate, and nothing is altered for it. The numbers are those of ITU-R BT.1702 and WCAG 2.3.1 as
implementers quote them; the Recommendation itself was not at hand. Who delivers to a broadcaster has it tested there.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from smallgauge.errors import CallerError

SCREEN_CD = 200.0  # white of the screen model, cd/m2, L = 200 V^2.4: "BT.1702"
LEAST_CD = 20.0  # a change that counts where the darker picture is below 160 cd/m2: "BT.1702"
DARKER_SHARE = 1 / 8  # and above: a Michelson contrast of 1/17, which is an eighth of the darker: "BT.1702"
RED_SHARE, RED_CHANGE, RED_SCALE = (
    0.8,
    20.0,
    320.0,
)  # saturated red, and a change of it that counts: "WCAG 2.3.1"
WCAG_DARKER_CD = 0.80 * SCREEN_CD  # a darker picture from here on makes no flash in "WCAG 2.3.1"
MOST_FLASHES = 3  # in any one second: "BT.1702", "WCAG 2.3.1"
MOST_AREA = 0.25  # of the screen ("BT.1702"), of any 341 x 256 of 1024 x 768 ("WCAG 2.3.1")
FIELD = 1 / 3  # of the screen's width and height: 341 of 1024, 256 of 768
LASTING_FLASHES, LASTING_S = 2, 5.0  # so many a second for longer are told too: "BT.1702" for the 5 s
BT709_LUMINANCE = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashReading:
    """What flashes in a film. Flashes are pairs of opposing changes within one second; `area` is a share of the screen.

    `kind` is "light" or "red": what the worst second is made of. `stretches` are frames [first, stop) within which more
    than three flashes fall in a second over more than a quarter of the screen; `lasting` those of at least two flashes a
    second for over five seconds.
    """

    frames: int
    rate: Fraction
    flashes: int = 0
    area: float = 0.0
    kind: str = "light"
    at_frame: int = 0
    wcag_flashes: int = 0
    wcag_at_frame: int = 0
    stretches: tuple[tuple[int, int], ...] = ()
    lasting: tuple[tuple[int, int], ...] = ()

    @property
    def too_much(self) -> bool:
        """More than three flashes in some second over more than a quarter of the screen."""
        return self.flashes > MOST_FLASHES

    @property
    def too_much_for_wcag(self) -> bool:
        """The same over more than a quarter of some field of view of 10 degrees."""
        return self.wcag_flashes > MOST_FLASHES


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScreenLight:
    """One picture of the screen: `luminance` cd/m2, `redness` and `saturated`, each (rows, columns)."""

    luminance: NDArray[np.float32]
    redness: NDArray[np.float32]
    saturated: NDArray[np.uint8]


def make_screen_light(light: NDArray[np.floating]) -> ScreenLight:
    """What a screen of 200 cd/m2 shows of a picture.

    Parameters
    ----------
    light : array, shape (rows, columns, 3)
        Linear R, G, B with BT.709 primaries, 0 to 1 (white).

    Returns
    -------
    ScreenLight
        `redness` is 320 max(0, R - G - B); `saturated` is 1 where R / (R + G + B) is at least 0.8.

    Raises
    ------
    CallerError
        For another shape.

    Notes
    -----
    Source: "BT.709" (luminance), "WCAG 2.3.1" (saturated red).

    Examples
    --------
    >>> v = (400 - 64) / 876  # the published anchor: code 400 shows 20.1 cd/m2
    >>> print(make_screen_light(np.full((1, 1, 3), v**2.4)).luminance.round(2))
    [[20.06]]
    """
    if light.ndim != 3 or light.shape[2] != 3:
        raise CallerError(f"make_screen_light needs (rows, columns, 3), got shape {light.shape}.")
    from smallgauge.picture.kernels_proof import screen_light

    # A hair below the limit is the limit: the same arithmetic in two orders must not decide.
    numbers = np.array([SCREEN_CD, *BT709_LUMINANCE, RED_SHARE - 1e-9, RED_SCALE])
    shape = light.shape[:2]
    seen = ScreenLight(
        luminance=np.empty(shape, np.float32),
        redness=np.empty(shape, np.float32),
        saturated=np.empty(shape, np.uint8),
    )
    linear = np.ascontiguousarray(light, np.float64)
    screen_light(linear, numbers, seen.luminance, seen.redness, seen.saturated)
    return seen


def measure_flashing(pictures: Iterable[ScreenLight], *, rate: Fraction) -> FlashReading:
    """The worst second of a film by its flashes.

    Parameters
    ----------
    pictures : iterable of ScreenLight
        Every frame as delivered, repeats with it, all of one size: means over small parts of the whole screen. A part is
        followed by itself, so parts should be no larger than a hundredth of the screen's width.
    rate : Fraction
        Frames a second as delivered.

    Returns
    -------
    FlashReading
        No flashes for no pictures.

    Raises
    ------
    CallerError
        If the rate is not above 0 or pictures differ in size.

    Notes
    -----
    Each part of the screen is followed between its darkest and brightest: a change of at least 20 cd/m2, or an eighth of
    the darker above 160 cd/m2, turns it. A second holds as many flashes as more than a quarter of the parts have made by
    themselves, or as the screen has made as a whole, where more than a quarter of it turned the same way in one frame.
    WCAG's count is of the parts alone, in any third by third of the screen. Source: "BT.1702", "WCAG 2.3.1".

    Examples
    --------
    >>> def shown(bright):
    ...     return make_screen_light(np.full((12, 16, 3), 0.5 if bright else 0.1))
    >>> reading = measure_flashing((shown(n // 3 % 2) for n in range(48)), rate=Fraction(24))
    >>> reading.flashes, reading.too_much, reading.stretches
    (4, True, ((1, 48),))
    """
    if not rate > 0:
        raise CallerError(f"measure_flashing needs a rate above 0 frames a second, got {rate}.")
    follower: _Follower | None = None
    for picture in pictures:
        if follower is None:
            follower = _Follower(picture, rate)
        follower.follow(picture)
    return follower.reading() if follower is not None else FlashReading(frames=0, rate=rate)


class _Follower:
    """The screen over the last second."""

    def __init__(self, first: ScreenLight, rate: Fraction) -> None:
        shape = first.luminance.shape
        self.rate, self.parts, self.frame = rate, int(first.luminance.size), -1
        self.window = max(1, -int(-rate // 1))  # frames that begin within one second
        rows, columns = shape
        self.state = np.zeros((rows, 6, columns), np.float32)
        for place, plane in enumerate((first.luminance, first.luminance, first.redness, first.redness)):
            self.state[:, place] = plane
        self.state[:, 4] = self.state[:, 5] = first.saturated
        self.way = np.zeros((rows, 2, columns), np.int8)
        self.ring = np.zeros((self.window, *shape), np.uint8)
        self.counts = np.zeros((rows, 3, columns), np.int64)
        self.least = np.array([LEAST_CD - 1e-4, DARKER_SHARE - 1e-7, RED_CHANGE, WCAG_DARKER_CD])
        self.found, self.many = np.zeros(4, np.int64), np.zeros((3, 32), np.int64)
        self.many[:, 0] = self.parts
        # Of a field of view; the first row and column stay 0.
        self.sums = np.zeros((shape[0] + 1, shape[1] + 1), np.int64)
        self.turns: tuple[deque[int], deque[int]] = (deque(), deque())  # of the whole screen: light, red
        self.last = [0, 0]
        self.worst = (0, 0.0, "light", 0)
        self.wcag = (0, 0)
        self.bad: list[tuple[int, int]] = []
        self.busy: list[tuple[int, int]] = []

    def follow(self, picture: ScreenLight) -> None:
        """One frame more."""
        from smallgauge.picture.kernels_proof import step_flashing

        shape = self.ring.shape[1:]
        if picture.luminance.shape != shape:
            raise CallerError(
                f"measure_flashing needs pictures of one size, got {picture.luminance.shape} after {shape}."
            )
        self.frame += 1
        step_flashing(
            picture.luminance,
            picture.redness,
            picture.saturated,
            self.state,
            self.way,
            self.ring,
            self.frame % self.window,
            self.counts,
            self.least,
            self.found,
            self.many,
        )
        most = 0
        for kind, name in enumerate(("light", "red")):
            flashes = max(self._of_parts(kind), self._of_screen(kind))
            area = (self.parts - int(self.many[kind, 0])) / self.parts
            if (flashes, area) > self.worst[:2]:
                self.worst = (flashes, area, name, max(0, self.frame - self.window + 1))
            most = max(most, flashes)
        if most > MOST_FLASHES:
            self._note(self.bad)
        if most >= LASTING_FLASHES:
            self._note(self.busy)
        self._count_for_wcag()

    def _of_parts(self, kind: int) -> int:
        """Flashes that more than a quarter of the parts have made in the last second."""
        flashes, above, needed = -1, self.parts, MOST_AREA * self.parts
        for parts in self.many[kind].tolist():
            if above <= needed:
                break
            flashes, above = flashes + 1, above - parts
        return max(flashes, 0)

    def _of_screen(self, kind: int) -> int:
        """Flashes of the screen as a whole: turns of more than a quarter of it at once, up and down in turn."""
        rose, fell = self.found[2 * kind], self.found[2 * kind + 1]
        turns = self.turns[kind]
        way = 1 if rose > fell else -1
        if max(rose, fell) > MOST_AREA * self.parts and way != self.last[kind]:
            self.last[kind] = way
            turns.append(self.frame)
        while turns and turns[0] <= self.frame - self.window:
            turns.popleft()
        return len(turns) // 2

    def _count_for_wcag(self) -> None:
        """The worst field of view: more than a quarter of a third by third of the screen."""
        most = max(MOST_FLASHES, self.wcag[0]) + 1
        high, wide = (max(1, round(side * FIELD)) for side in self.ring.shape[1:])
        # On the whole screen together there must be as many such parts as would be too many in one field.
        if not int(self.many[1:, most:].sum()) > MOST_AREA * high * wide:
            return
        flashes = np.maximum(self.counts[:, 2], self.counts[:, 1]) // 2
        while most <= int(flashes.max()):
            sums = self.sums
            np.cumsum(flashes >= most, axis=0, out=sums[1:, 1:])
            np.cumsum(sums[1:, 1:], axis=1, out=sums[1:, 1:])
            field = sums[high:, wide:] - sums[:-high, wide:] - sums[high:, :-wide] + sums[:-high, :-wide]
            if not field.max() > MOST_AREA * high * wide:
                return
            self.wcag = (most, max(0, self.frame - self.window + 1))
            most += 1

    def _note(self, stretches: list[tuple[int, int]]) -> None:
        """The last second belongs to a stretch: a new one, or the one that it touches."""
        first, stop = max(0, self.frame - self.window + 1), self.frame + 1
        if stretches and first <= stretches[-1][1]:
            stretches[-1] = (stretches[-1][0], stop)
        else:
            stretches.append((first, stop))

    def reading(self) -> FlashReading:
        """What the whole film came to."""
        least = LASTING_S * self.rate
        return FlashReading(
            frames=self.frame + 1,
            rate=self.rate,
            flashes=self.worst[0],
            area=self.worst[1],
            kind=self.worst[2],
            at_frame=self.worst[3],
            wcag_flashes=self.wcag[0],
            wcag_at_frame=self.wcag[1],
            stretches=tuple(self.bad),
            lasting=tuple(stretch for stretch in self.busy if stretch[1] - stretch[0] > least),
        )
