"""Sound on film: where the stripe or the photographic track lies, and how far it runs ahead of its picture.

"Ahead" means nearer the head of the roll: the sound that belongs to frame n lies beside frame
n - ahead_frames as the film is counted from the head.
"""

from dataclasses import dataclass
from typing import Literal

from smallgauge.gauge.facts import Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class StripeTrack:
    """One kind of sound record that a gauge can carry.

    The machine's own head distance is no part of this: the sound is moved by `ahead_frames` less the distance
    from gate to head of the machine that captured it, and where that distance is not known nothing is moved.

    Examples
    --------
    >>> from smallgauge.gauge.gauges import SUPER_8
    >>> magnetic = SUPER_8.tracks[0]
    >>> magnetic.kind, magnetic.ahead_frames.value, magnetic.ahead_frames.may_be_limit
    ('magnetic', 18.0, False)
    """

    kind: Literal["magnetic", "optical"]
    ahead_frames: Fact  # frames, sound ahead of picture
    width_mm: Fact | None  # width of the record's stripe across the film; None: no value seen
    balance_width_mm: (
        Fact | None
    )  # width of the stripe that lets the roll wind flat; None: none, or no value seen
    place: str  # where it lies, in plain words
