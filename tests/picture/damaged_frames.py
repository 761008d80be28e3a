"""Frames with damaged perforations, drawn by chance from one number a frame: the material of the campaign.

Small crops round the perforation, at the scales that captures have. Every class of damage stands alone in
seven frames of ten; the others have two or three at once.
"""

from dataclasses import dataclass

import numpy as np
from drawn_perforations import FILM, Drawn, draw
from known_survey import survey_of

from smallgauge.picture.perforations import PerforationFix, PerforationSurvey, find_perforations

CLASSES = (
    "claw", "torn", "tear", "elongated", "worn", "tape", "specks", "nick", "chip", "crack", "covered", "blocked",
    "dirt",
)  # fmt: skip
LIGHTS = {
    "back-lit": {"base": 0.01, "hole": 0.9, "noise": 0.005},
    "negative": {"base": 0.62, "hole": 0.94, "noise": 0.012, "grain": 0.03},
    "clear leader": {"base": 0.74, "hole": 0.94, "noise": 0.024, "grain": 0.0, "picture": False},
    "reflected": {"base": 0.5, "hole": 0.04, "noise": 0.008, "dark": True},
}


@dataclass(frozen=True, kw_only=True)
class DamagedFrame:
    seed: int
    gauge: str
    light: str
    damage: tuple[str, ...]
    drawn: Drawn
    survey: PerforationSurvey
    expected_y_px: float | None


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One fix against the perforation it means; `error_px` is the distance, inf where there is none."""

    seed: int
    light: str
    damage: tuple[str, ...]
    fix: PerforationFix
    error_px: float
    error: tuple[float, float]


def draw_damaged(seed: int, *, damage: tuple[str, ...] | None = None) -> DamagedFrame:
    rng = np.random.default_rng((20260119, seed))
    gauge = "standard-8" if rng.random() < 0.3 else "super-8"
    pitch, w, h, *_, holes = FILM[gauge]
    scale = float(rng.choice([70, 100, 130] if gauge == "super-8" else [55, 75]))
    blur = float(rng.uniform(0.8, 2.4 if scale > 80 else 1.6))
    light = list(LIGHTS)[seed % len(LIGHTS)]
    options = LIGHTS[light]
    if damage is None:
        first = CLASSES[(seed // len(LIGHTS)) % len(CLASSES)]
        more = rng.choice(CLASSES, rng.integers(1, 3), replace=False) if rng.random() < 0.3 else ()
        damage = tuple(dict.fromkeys((first, *more)))
    if rng.random() < 0.3:
        damage += ("all",)  # of two in view, both
    x_mm = 0.15
    shape = (
        int(((pitch if gauge == "standard-8" else 0) + h + 0.8) * scale),
        int((x_mm + holes[0] + w / 2 + 0.4) * scale),
    )
    y = (shape[0] - 1) / 2 + rng.uniform(-0.08, 0.08) * scale
    drawn = draw(
        gauge, shape=shape, px_per_mm=scale, blur=blur, seed=seed, tilt=rng.normal() * 0.002, damage=damage,
        reference_y=y, x_mm=x_mm + rng.normal() * 0.02, **options,
    )  # fmt: skip
    known = survey_of(
        gauge, shape, scale, blur, x_mm=x_mm, hole_light=options["hole"], base_light=options["base"]
    )
    survey = survey_of(
        gauge, shape, scale, blur * (1 + 0.03 * rng.normal()), x_mm=x_mm, hole_light=options["hole"],
        base_light=options["base"], polarity="dark hole" if options.get("dark") else "bright hole",
        width_px=known.width_px + 0.03 * rng.normal(), height_px=known.height_px + 0.03 * rng.normal(),
    )  # fmt: skip
    expected = y + 3 * rng.normal() if rng.random() < 0.3 else None
    return DamagedFrame(
        seed=seed, gauge=gauge, light=light, damage=damage, drawn=drawn, survey=survey, expected_y_px=expected
    )


def outcomes(frame: DamagedFrame) -> list[Outcome]:
    """Every fix that is a measurement, against the truth."""
    found = find_perforations(frame.drawn.plane, survey=frame.survey, expected_y_px=frame.expected_y_px)
    each = []
    for fix in found:
        if not fix.confidence >= 0.2:
            continue
        misses = [(fix.x_px - x, fix.y_px - y) for _, x, y in frame.drawn.centres]
        error = min(misses, key=lambda miss: np.hypot(*miss), default=(np.inf, np.inf))
        each.append(
            Outcome(
                seed=frame.seed,
                light=frame.light,
                damage=frame.damage,
                fix=fix,
                error=error,
                error_px=float(np.hypot(*error)),
            )
        )
    return each
