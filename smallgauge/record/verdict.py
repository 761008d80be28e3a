"""What `follow` says of a capture that the scanner has just made: may the reel come off?"""

from dataclasses import dataclass

from smallgauge.record.finding import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The verdict and what it rests on.

    `reasons` keep the reel on; without any it may come off. `notes` say what was looked at and what could not be
    told, `warnings` what was said while the scanner ran. `looked` frames were measured, of which `compared` with
    their neighbours; `every` is the step of those measured by themselves. `answered_s` is the time from the last
    change in the folder to the verdict, `rate` the frames a second that came last (None: not known).
    """

    version: int = 1
    capture: str
    may_come_off: bool
    reasons: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    frames: int
    looked: int
    compared: int
    every: int
    chunks_kept: int
    rate: float | None
    answered_s: float
