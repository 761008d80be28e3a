"""Finished reels of an order, drawn small with known truth: leaders, writing, fog and pictures."""

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from reel_papers import SOUND, capture_paper

from smallgauge.media.digest import digest_frame
from smallgauge.media.picture_out import create_lossless, create_viewing, join_segments
from smallgauge.media.sound_out import write_flac
from smallgauge.picture.synthetic_scenes import draw_scene
from smallgauge.picture.synthetic_shapes import View
from smallgauge.record.files import write_json
from smallgauge.record.finding import Check, Proof
from smallgauge.record.rendertable import RENDER_COLUMNS, CopySummary, RenderSummary
from smallgauge.record.table import table_of, write_table

WIDTH, HEIGHT = 320, 240
AT = "2026-01-17T10:00:00Z"


@dataclass(frozen=True)
class Drawn:
    """What each stretch of a reel holds: "bare", "written", "fogged picture", "fogged" or "picture", and how many frames."""

    name: str
    stretches: tuple[tuple[str, int], ...]
    rate: Fraction = Fraction(18)
    tone_db: float | None = None  # of full scale; None: a silent reel


def draw(kind: str, number: int, *, seed: int = 3) -> np.ndarray:
    """A finished frame of 12 bits with grain; vignetted as lamps leave it."""
    random = np.random.default_rng(seed * 1000 + number)
    y, x = np.mgrid[-1 : 1 : HEIGHT * 1j, -1 : 1 : WIDTH * 1j]
    ground = 0.9 - 0.06 * (x**2 + y**2)
    light = np.repeat(ground[..., None], 3, axis=2)
    if kind in ("picture", "fogged picture"):
        view = View(x_px=WIDTH / 2, y_px=HEIGHT / 2, scale_px=HEIGHT)
        planes = draw_scene(
            "garden", number / 18, view, (HEIGHT, WIDTH), half_width=WIDTH / HEIGHT / 2, seed=seed
        )
        picture = np.clip(np.stack(planes, axis=-1), 0, 1) ** (1 / 2.4)
        share = 1.0 if kind == "picture" else 0.06  # what the light that struck the roll's end has left
        light = picture if share == 1.0 else light + share * (picture - picture.mean())
    elif kind == "fogged":
        light = light * (1 - 0.15 * np.exp(2 * (x - 1)))[..., None] * (1.0, 0.93, 0.8)
    elif kind == "written":
        import cv2

        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.putText(
            mask, "Reel 3", (60 + 4 * number, 140), cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, 1.4, 255, 2, cv2.LINE_AA
        )
        light = light * (1 - 0.3 * (mask / 255.0))[..., None]
    grain = 0.012 * random.standard_normal((HEIGHT, WIDTH, 3))
    return np.clip(np.rint((light + grain) * 4095), 0, 4095).astype(np.uint16)


def write_reel(shelf: Path, drawn: Drawn) -> Path:
    """A reel's folder as far as a programme reads it. Why this is long: each paper with its values."""
    folder = shelf / drawn.name
    folder.mkdir(parents=True)
    kinds = [kind for kind, count in drawn.stretches for _ in range(count)]
    frames = [draw(kind, n) for n, kind in enumerate(kinds)]
    picture = folder / "picture.mkv"
    with create_lossless(
        picture, width=WIDTH, height=HEIGHT, bits=12, layout="rgb", rate=Fraction(25)
    ) as writer:
        for frame in frames:
            writer.write(frame)
    flac = None
    if drawn.tone_db is not None:
        flac = folder / "sound.mka"
        samples = round(len(frames) * 48000 / drawn.rate)
        tone = 10 ** (drawn.tone_db / 20) * np.sin(2 * np.pi * 997 * np.arange(samples) / 48000)
        write_flac(flac, [tone[:, None]], rate=48000, channels=1)
    join_segments(
        [picture],
        folder / "finished.mkv",
        rate=drawn.rate,
        frame_counts=[len(frames)],
        container="mkv",
        sound=flac,
    )
    with create_viewing(folder / "coded.mp4", width=WIDTH, height=HEIGHT, rate=Fraction(18)) as viewing:
        for frame in frames:
            viewing.write((frame >> 4).astype(np.uint8))
    join_segments(
        [folder / "coded.mp4"],
        folder / "viewing.mp4",
        rate=drawn.rate,
        frame_counts=[len(frames)],
        container="mp4",
    )
    rows = [
        {
            "finished_frame": n,
            "film_position": n,
            "source_frame": n,
            "kind": "captured",
            "digest": digest_frame(frame, 12),
        }
        for n, frame in enumerate(frames)
    ]
    write_table(folder / "render.parquet", table_of("render", RENDER_COLUMNS, rows))
    copy = CopySummary(
        file="viewing.mp4",
        rate=drawn.rate,
        frames=len(frames),
        width=WIDTH,
        height=HEIGHT,
        picture_width=WIDTH,
        picture_height=HEIGHT,
    )
    summary = RenderSummary(
        capture_digest="0" * 64,
        revision=1,
        rate=drawn.rate,
        width=WIDTH,
        height=HEIGHT,
        bits=12,
        frames=len(frames),
        filled=0,
        left_out=(),
        repeated=(),
        copies=(copy,),
        stills=(),
        sound=SOUND if drawn.tone_db is not None else None,
        findings=(),
        scene_titles=("The garden",),
    )
    write_json(folder / "render.json", summary)
    capture = capture_paper(sound=drawn.tone_db is not None, box_words="", findings=())
    write_json(folder / "capture.json", replace(capture, notes=replace(capture.notes, reel=drawn.name)))
    (folder / "decisions.jsonl").touch()
    check = Check(name="file digests", of="all files", made=1, passed=1, by="sha256")
    write_json(
        folder / "proof.json",
        Proof(reel=drawn.name, capture_digest="0" * 64, checks=(check,), findings=(), files=()),
    )
    return folder
