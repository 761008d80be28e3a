"""Drawn series of a reel along the film: what analysis would have measured, and the truth behind it.

The film lies in the scanner with white jitter and a slow drift; the camera's claw pulled at a perforation two
frames before the gate, whose punch scatters; the gate is seen in some frames; perforations are read wrongly
in some, by 300 micrometres, and increments of the picture in some, by 400 (picture science, section a).
"""

from dataclasses import dataclass

import numpy as np

from smallgauge.picture.registration import FrameEvidence

PX_UM = 11.0  # micrometres a pixel
AREA = (100.0, -150.0, 530.0, 160.0)
PITCH_PX = 346.0


@dataclass(frozen=True, kw_only=True, eq=False)
class FilmSeries:
    picture_px: np.ndarray  # truth: place of the picture along the film, as the gate gives it
    film_px: np.ndarray  # truth: of the film
    hole_px: np.ndarray
    next_px: np.ndarray
    gate_px: np.ndarray  # (2, frames): top and bottom
    shift_px: np.ndarray
    wrong: np.ndarray
    with_shift: bool


def draw_series(
    *,
    seed,
    frames=3000,
    punch_um=6.0,
    claw_um=4.0,
    claw_at=-2,
    gate_missing=0.4,
    wrong=0.03,
    increments=True,
):
    random = np.random.default_rng(seed)
    t = np.arange(frames)
    punch = random.normal(0, punch_um, frames + 12)
    film = random.normal(0, 42, frames) + 60 * np.sin(t / 27)
    picture = film + punch[6 + t + claw_at] + random.normal(0, claw_um, frames)
    bad = random.random(frames) < wrong
    off = np.where(bad, 300.0 * random.choice([-1, 1], frames), 0.0)
    hole = film + punch[6 + t] + random.normal(0, 0.5, frames) + off
    step = punch[7 + t] - punch[6 + t] + random.normal(0, 0.7, frames) - off
    gate = picture + random.normal(0, 1.4, (2, frames))
    gate[:, random.random(frames) < gate_missing] = np.nan
    shift = np.diff(picture, prepend=picture[0]) + random.normal(0, 3, frames)
    shift += np.where(random.random(frames) < 0.02, 400.0 * random.choice([-1, 1], frames), 0.0)
    return FilmSeries(
        picture_px=picture / PX_UM,
        film_px=film / PX_UM,
        hole_px=hole / PX_UM,
        next_px=PITCH_PX + step / PX_UM,
        gate_px=gate / PX_UM,
        shift_px=shift / PX_UM,
        wrong=bad,
        with_shift=increments,
    )


def evidence_from(series, *, extra_shift_px=0.0, scene=None):
    """The series as evidence; across the film nothing moves."""
    count = series.picture_px.size
    nan = np.full(count, np.nan)
    flat = np.zeros(count)
    seen = np.where(np.isfinite(series.gate_px[0]), 0.0, np.nan)
    gate = np.stack(
        [seen + AREA[0], series.gate_px[0] + AREA[1], seen + AREA[2], series.gate_px[1] + AREA[3]]
    )
    shift = np.stack([flat, series.shift_px + extra_shift_px]) if series.with_shift else np.stack([nan, nan])
    return FrameEvidence(
        scene=np.zeros(count, np.int32) if scene is None else scene,
        film_position=np.arange(count, dtype=np.int32),
        perforation_px=np.stack([flat, series.hole_px]),
        perforation_sigma_px=np.full(count, 0.05),
        next_px=np.stack([flat, series.next_px]),
        gate_px=gate,
        gate_sigma_px=np.where(np.isfinite(gate), 0.1, np.nan),
        edge_px=np.stack([nan, nan]),
        edge_sigma_px=nan,
        shift_px=shift,
        shift_sigma_px=np.full(count, 0.3) if series.with_shift else nan,
        area=AREA,
        px_per_mm=1000 / PX_UM,
        holes_on_frame_line=False,
    )
