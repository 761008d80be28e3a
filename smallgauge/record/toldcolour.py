"""What a rendering tells of its colour, as it stands in `render.json`."""

from dataclasses import dataclass

Triple = tuple[float, float, float]
GREY_DENSITIES = tuple(n / 10 for n in range(37))  # of the neutral film of a grey scale, above bare light


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyScale:
    """What becomes of neutral film in the scenes [first, stop), which share a look; scenes count from 0.

    `steps` names what is done to their colour, in its order: fade, negative, mono, points, output, decision_list, hues.
    `red`, `green` and `blue` are finished code values, 0 to 1, at the densities of `GREY_DENSITIES`, the same in all three
    channels of the film as it was scanned.
    """

    first: int
    stop: int
    steps: tuple[str, ...]
    red: tuple[float, ...]
    green: tuple[float, ...]
    blue: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneLight:
    """Light of the middle of a scene's pictures, red, green, blue: `before` of the open gate, `after` of the finished white.

    The middle is the median over the scene of the middle density of each picture. NaN where it was not measured. `after`
    is worked out with the scene's look, without flicker. `scene` counts from 0.
    """

    scene: int
    frames: int
    before: Triple
    after: Triple
