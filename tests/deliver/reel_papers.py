"""A reel folder made by hand: the papers as the passes write them, of an invented reel of an invented shop."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from smallgauge.gauge.gauges import SUPER_8
from smallgauge.media.frame import PixelEncoding
from smallgauge.picture.completeness import Evidence, FrameRun, Ledger
from smallgauge.picture.damage_record import find_damage_grades, find_perforation_states
from smallgauge.record.capture import (
    Capture,
    CapturedFile,
    CapturedSound,
    CaptureScale,
    Light,
    LineUpFigure,
    PictureAreaPx,
)
from smallgauge.record.files import add_decisions, write_json, write_treatment
from smallgauge.record.filmstate import FILM_PAPER, FilmState, SpliceTold, film_findings
from smallgauge.record.finding import Check, FileDigest, Finding, Proof
from smallgauge.record.flags import FLAG_NAMED
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.reel import Reel, Run
from smallgauge.record.rendertable import (
    COPY_COLUMNS,
    RENDER_COLUMNS,
    CopySummary,
    RenderSummary,
    SoundSummary,
)
from smallgauge.record.table import table_of, write_table
from smallgauge.record.treatment import decide, propose, treatment_of
from smallgauge.sound.loudness import LoudnessReading, ViewingGain

NUMBER = "0004171-R03-7"
AT = "2026-01-17T10:05:00Z"
DIGEST = "5a" * 32
FRAMES = 400
SCENES = (0, 70, 150, 260, 330)

SOUND = SoundSummary(
    rate=48000,
    channels=1,
    samples=1_157_760,
    shift_frames=18.0,
    set=True,
    stamp_jitter_ms=0.4,
    digest="cd" * 32,
    loudness=LoudnessReading(
        integrated_lufs=-31.2,
        range_lu=9.4,
        momentary_max_lufs=-21.0,
        short_term_max_lufs=-24.5,
        true_peak_dbtp=-11.3,
        noise_floor_lufs=-58.7,
    ),
    viewing=ViewingGain(gain_db=8.7, wanted_db=13.2, limit="noise floor"),
)


def capture_paper(
    *, sound: bool, box_words: str, findings: tuple[Finding, ...], masters: bool | None = True
) -> Capture:
    return Capture(
        program="smallgauge 0.1.0",
        stage="complete",
        identity="identity",
        measured_with="words",
        name="garden-run-1",
        kind="folder of frames",
        format="dpx",
        width=1440,
        height=1080,
        count=FRAMES,
        encoding=PixelEncoding(bits=10, layout="rgb"),
        rate=None,
        numbers=tuple(range(FRAMES)),
        notes=CaptureNotes(
            masters=masters, reel=NUMBER, box_words=box_words, gauge="super 8", micrometres_per_pixel=4.5
        ),
        light=Light(
            bits=10,
            code_values="log",
            gamma_curve=None,
            log_density_range=2.046,
            code_black=0.0,
            code_open_gate=1000.0,
            assumed=False,
        ),
        gauge="super-8",
        gauge_sure=True,
        gauge_reason="one row, pitch over height of the hole 3.71",
        gauge_scores=(("super-8", 0.98), ("standard-8", 0.11)),
        survey=None,
        position_from="perforation",
        picture_area=PictureAreaPx(
            left=180.0, right=1400.0, top=-470.0, bottom=470.0, measured=("left", "top")
        ),
        line_up=(
            LineUpFigure(name="tilt", value=0.21, unit="degrees", word="good"),
            LineUpFigure(name="focus, left", value=1.34, unit="px", word="good"),
            LineUpFigure(name="focus, right", value=2.9, unit="px", word="look"),
        ),
        sound=CapturedSound(
            name="sound.wav", rate=48000, channels=1, samples=1_066_000, bits=24, sha256="ab" * 32
        )
        if sound
        else None,
        findings=findings,
        files=tuple(
            CapturedFile(name=f"frame_{n:06d}.dpx", number=n, file_sha256=f"{n:064x}", digest=f"{n + 7:064x}")
            for n in range(FRAMES)
        ),
        digest=DIGEST,
        scale=CaptureScale(
            along_um=4.5, across_um=4.5, along_sigma=np.nan, across_sigma=np.nan, machine="", words="stated"
        ),
    )


def film_state() -> FilmState:
    """Two film frames missing before captured frame 120, two torn perforations in a row, one splice."""
    skipped = Evidence(name="numbers skipped", weight=5.0, value=2.0)
    runs = (
        FrameRun(first=0, stop=120, film_first=0, film_stop=120, kind="captured once", confidence=1.0),
        FrameRun(
            first=120,
            stop=120,
            film_first=120,
            film_stop=122,
            kind="missing",
            confidence=0.98,
            evidence=(skipped,),
        ),
        FrameRun(first=120, stop=FRAMES, film_first=122, film_stop=402, kind="captured once", confidence=1.0),
    )
    ledger = Ledger(
        captured=FRAMES,
        film_frames=402,
        missing=2,
        missing_count_known=True,
        repeated=0,
        swapped=0,
        not_known=0,
        runs=runs,
        suspected=(),
        not_told=(),
    )
    words = ["torn" if n in (100, 101) else "whole" for n in range(402)]
    states = find_perforation_states(range(402), [0] * 402, words)
    return FilmState(
        capture_digest=DIGEST,
        ledger=ledger,
        direction=1,
        damage=find_damage_grades(states, gauge=SUPER_8),
        splices=(SpliceTold(frame=150, film_position=152, kind="tape", confidence=0.97),),
    )


def frame_rows() -> list[dict[str, object]]:
    """A film that weaves and jitters, whose lamp sags once, with two torn perforations and a gap."""
    chance = np.random.default_rng(8)
    n = np.arange(FRAMES)
    x = 160 + 1.5 * np.sin(n / 31) + chance.normal(0, 0.4, FRAMES)
    y = 540 + 6 * np.sin(n / 90) + chance.normal(0, 2.5, FRAMES)
    light = 0.93 - 0.02 * np.exp(-(((n - 210) / 25) ** 2)) + chance.normal(0, 0.001, FRAMES)
    sharpness = 0.02 + 0.01 * np.sin(n / 17) ** 2
    x[40:46] = y[40:46] = light[40:46] = np.nan
    scene = np.searchsorted(SCENES, n, side="right") - 1
    flags = np.zeros(FRAMES, np.int64)
    flags[40:46] |= FLAG_NAMED["no_perforation"].mask | FLAG_NAMED["weak_position"].mask
    flags[[100, 101]] |= FLAG_NAMED["damaged_perforation"].mask
    flags[120] |= FLAG_NAMED["missing_before"].mask
    return [
        {
            "frame": int(k),
            "film_position": int(k) + (2 if k >= 120 else 0),
            "perforation_x_px": x[k],
            "perforation_y_px": y[k],
            "light": light[k],
            "sharpness": sharpness[k],
            "scene": int(scene[k]),
            "flags": int(flags[k]),
        }
        for k in n
    ]


def still(width: int, height: int, tone: int):
    """A picture to look at: sky, hill and a sun, in a tone of its own."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    hill = y > height * (0.62 + 0.12 * np.sin(x / width * 5 + tone))
    sun = np.hypot(x - width * 0.7, y - height * 0.3) < height * 0.09
    picture = np.stack([200 - 60 * y / height, 170 - 20 * y / height, 120 + 40 * y / height], axis=-1)
    picture[hill] = (60, 110 + 8 * tone, 80)
    picture[sun] = (150, 225, 245)
    return picture.clip(0, 255).astype(np.uint8)


def make_reel(
    folder: Path,
    *,
    sound: bool = True,
    box_words: str = "Garden and sea, summer 1968",
    findings: tuple[Finding, ...] = (),
    proved: bool = True,
    failing: tuple[Finding, ...] = (),
    operator: bool = True,
    masters: bool | None = True,
) -> Path:
    """Write the papers, stills and stand-in films of one reel; returns its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    film = film_state()
    gap = film_findings(film)[0]
    capture = capture_paper(sound=sound, box_words=box_words, findings=(gap, *findings), masters=masters)
    write_json(folder / "capture.json", capture)
    run = Run(capture=0, capture_digest=DIGEST, first=0, stop=FRAMES)
    write_json(folder / FILM_PAPER, film)
    write_json(folder / "reel.json", Reel(number=NUMBER, box_words=box_words, runs=(run,)))
    rows = frame_rows()
    write_table(folder / "frames.parquet", table_of("frames", FRAME_COLUMNS, rows, capture_digest=DIGEST))
    _decide(folder, sound=sound, operator=operator)
    _render(folder, rows, sound=sound)
    _stills(folder)
    names = ["archive.mkv", "finished.mkv", "viewing.mp4", "television.mp4"] + (
        ["archive.wav"] if sound else []
    )
    for name in names:
        (folder / name).write_bytes(f"stand-in for {name} of reel {NUMBER}\n".encode() * 40)
    if proved:
        _prove(folder, names, failing)
    return folder


def _decide(folder: Path, *, sound: bool, operator: bool) -> None:
    why = "house value, no evidence: 18 for this kind of film; look at people walking, and decide"
    value: dict[str, object] = {"rate": "18"}
    log = propose(
        (), subject="camera_speed", value=value, at="2026-01-17T10:00:00Z", why=why, basis="house value"
    )
    place = {"by": "perforation", "gap_neighbours": 10}
    log = propose(log, subject="registration", value=place, at=AT, why="measured in 394 of 400 frames")
    frame = {"left_px": 190.0, "top_px": -460.0, "width": 1200, "height": 920, "turn_rad": 0.0}
    log = propose(log, subject="framing", value=frame, at=AT, why="seen on left, top")
    if sound:
        log = propose(
            log, subject="sync", value={"shift_frames": 18.0, "set": True}, at=AT, why="head stated"
        )
        why = "viewing copies play at -18 LUFS, as shipped (common practice, no source)"
        log = propose(log, subject="loudness", value={"target_lufs": -18.0}, at=AT, why=why)
    if operator:
        log = decide(
            log, subject="camera_speed", value={"rate": "50/3"}, by="m.k.", at=AT, why="children walk right"
        )
    add_decisions(folder / "decisions.jsonl", (), log)
    write_treatment(folder / "treatment.toml", treatment_of(log))


def _render(folder: Path, rows: list[dict[str, object]], *, sound: bool) -> None:
    finished = []
    for row in rows:
        if row["frame"] == 120 and sound:
            for position in (120, 121):
                finished.append({**row, "film_position": position, "source_frame": 119, "kind": "repeated"})
        finished.append({**row, "source_frame": row["frame"], "kind": "captured"})
    rows_out = [
        {**row, "finished_frame": n, "retouched_share": 0.0, "digest": f"{n:064x}"}
        for n, row in enumerate(finished)
    ]
    write_table(
        folder / "render.parquet", table_of("render", RENDER_COLUMNS, rows_out, capture_digest=DIGEST)
    )
    rate = Fraction(50, 3)
    shown = [n * 50 // 75 for n in range(603)]  # 50/3 frames a second in 25
    copies = [("viewing.mp4", n, n) for n in range(len(finished))]
    copies += [("television.mp4", n, min(frame, len(finished) - 1)) for n, frame in enumerate(shown)]
    names = ("copy", "shown_frame", "finished_frame")
    copy_rows = [dict(zip(names, row, strict=True)) for row in copies]
    write_table(folder / "copies.parquet", table_of("copies", COPY_COLUMNS, copy_rows, capture_digest=DIGEST))
    copy = CopySummary(
        file="viewing.mp4",
        rate=rate,
        frames=len(finished),
        width=1226,
        height=920,
        picture_width=1200,
        picture_height=920,
    )
    summary = RenderSummary(
        capture_digest=DIGEST,
        revision=6,
        rate=rate,
        width=1200,
        height=920,
        bits=12,
        frames=len(finished),
        filled=6,
        left_out=() if sound else (120, 121),
        repeated=(120, 121) if sound else (),
        copies=(copy, replace(copy, file="television.mp4", rate=Fraction(25), frames=603)),
        stills=(),
        sound=SOUND if sound else None,
        findings=(
            Finding(
                code="registration weak",
                where="finished.mkv",
                values={"by": "perforation", "frames": 6, "of": 402},
            ),
        ),
    )
    write_json(folder / "render.json", summary)


def _stills(folder: Path) -> None:
    import cv2

    (folder / "stills").mkdir(exist_ok=True)
    for scene, first in enumerate(SCENES):
        _, data = cv2.imencode(".jpg", still(600, 460, scene), [cv2.IMWRITE_JPEG_QUALITY, 92])
        (folder / "stills" / f"scene-{scene + 1:03d}-{first + 12:06d}.jpg").write_bytes(data.tobytes())


def _prove(folder: Path, names: list[str], failing: tuple[Finding, ...]) -> None:
    from smallgauge.media.whole import digest_file

    checks = [
        Check(name="file digests", of="all files", made=14, passed=14, by="sha256"),
        Check(name="captured files unchanged", of="capture", made=401, passed=401, by="sha256"),
        Check(
            name="archive frames equal capture",
            of="archive.mkv",
            made=400,
            passed=400,
            by="decoder and sha256",
        ),
        Check(
            name="finished frames equal render",
            of="finished.mkv",
            made=402,
            passed=402,
            by="decoder and sha256",
        ),
        Check(
            name="copy shows the right frames", of="television.mp4", made=603, passed=603, by="small pictures"
        ),
        Check(name="rate", of="finished.mkv", made=1, passed=1, by="tag"),
        Check(name="decoder silent", of="viewing.mp4", made=2, passed=2, by="decoder log"),
    ]
    files = tuple(
        FileDigest(name=name, bytes=(folder / name).stat().st_size, sha256=digest_file(folder / name))
        for name in sorted([*names, "frames.parquet", "render.parquet", "capture.json"])
    )
    write_json(
        folder / "proof.json",
        Proof(reel=NUMBER, capture_digest=DIGEST, checks=tuple(checks), findings=failing, files=files),
    )
