"""The program's proposals for a reel: calls every `propose_`, opens no picture or sound."""

import math
from dataclasses import asdict

import numpy as np

from smallgauge.gauge.gauges import Gauge, gauge_named
from smallgauge.gauge.mains import house_speed
from smallgauge.picture.cadence import propose_camera_speed
from smallgauge.picture.framing import propose_framing
from smallgauge.picture.loading import propose_loading
from smallgauge.picture.registration import FrameEvidence, propose_registration
from smallgauge.record.capture import Capture
from smallgauge.record.decided import marks_value
from smallgauge.record.evidence import evidence_of, shape_of
from smallgauge.record.loading import (
    AS_CAPTURED,
    Loading,
    loading_of,
    loading_of_half,
    loading_stated,
    side_seen,
)
from smallgauge.record.notes import APART, LEAVE, WITH_PICTURE
from smallgauge.record.reel import Half
from smallgauge.record.shop import Shop
from smallgauge.record.table import Table
from smallgauge.record.track import TrackPaper
from smallgauge.record.treatment import (
    EVIDENCE,
    NOT_SURE,
    NOT_TOLD,
    SPLICES_HEARD,
    Decision,
    decide,
    propose,
    treatment_of,
)
from smallgauge.sound.clicks import propose_clicks
from smallgauge.sound.equalisation import propose_equalisation
from smallgauge.sound.flutter import propose_flutter
from smallgauge.sound.hiss import propose_hiss
from smallgauge.sound.hum_removal import propose_hum
from smallgauge.sound.loudness import propose_loudness
from smallgauge.sound.separate import propose_guide_sync, propose_run_sync
from smallgauge.sound.sync import propose_sync
from smallgauge.sound.tracks import TracksReading, propose_tracks
from smallgauge.treat.propose_colour import propose_colour
from smallgauge.treat.propose_dirt import leave_dirt, propose_dirts
from smallgauge.treat.propose_fading import propose_fadings
from smallgauge.treat.propose_film import propose_film
from smallgauge.treat.propose_flicker import propose_flickers

SHIPPED = Shop()
OPERATOR = "operator"  # the hand that wrote capture.toml, where no initials are known


def propose_treatment(
    capture: Capture,
    frames: Table,
    decisions: tuple[Decision, ...],
    *,
    at: str,
    head_offset_frames: float | None,
    track: TrackPaper | None = None,
    shop: Shop = SHIPPED,
    direction: int = 0,
    half: Half | None = None,
    whole: tuple[tuple[Capture, ...], Table] | None = None,
    dirt: Table | None = None,
) -> tuple[Decision, ...]:
    """The log of decisions with the program's proposals and what the operator wrote in `capture.toml`.

    `head_offset_frames` is the machine's stored distance, used where `capture.toml` states none; `track` what
    the captured sound says as a whole; `shop` what the shop itself has settled; `direction` where the next captured
    frame lies on the film: 1 below, -1 above, 0 not known; `half` which film of unslit double 8 it is; `whole`
    the captures of a reel that has several, and all its rows, for what is decided scene by scene; `dirt` what was found on it.
    Running it again on the same papers adds nothing.
    """
    gauge = gauge_named(capture.gauge)
    decisions = _speed(capture, gauge, decisions, at, track, shop)
    evidence = evidence_of(capture, frames)
    decisions = _registration(evidence, decisions, at)
    decisions = _framing(capture, frames, evidence, decisions, at)
    decisions = _doubles(frames, decisions, at)
    decisions = _loading(capture, frames, decisions, at, direction, half)
    every = whole[1] if whole is not None else frames
    decisions = propose_film(capture, every, decisions, at=at)
    decisions = propose_fadings(capture, every, decisions, at=at)
    decisions = propose_colour(capture, every, decisions, at=at)
    decisions = propose_flickers(*(whole or ((capture,), frames)), decisions, at=at)
    if capture.notes.dirt == LEAVE:
        decisions = leave_dirt(decisions, at=at, why="the order leaves dirt as it is")
    elif dirt is not None:
        decisions = propose_dirts(dirt, every, decisions, at=at)
    if capture.sound is not None:
        decisions = _sync(capture, gauge, decisions, at, head_offset_frames, track)
        decisions = _loudness(decisions, at, track, shop)
        if track is not None and track.tracks is not None:
            decisions = _tracks(track.tracks, decisions, at)
        if track is not None:
            decisions = propose_faults(track, decisions, at)
    return decisions


def _speed(
    capture: Capture,
    gauge: Gauge,
    decisions: tuple[Decision, ...],
    at: str,
    track: TrackPaper | None,
    shop: Shop,
) -> tuple[Decision, ...]:
    recorded = capture.sound is not None and (track is None or track.recorded)
    speed, why = propose_camera_speed(
        gauge=gauge,
        house=house_speed(shop.house_speeds, gauge.key, with_sound=recorded),
        hum_cycles_a_frame=track.hum.cycles_a_frame if track else math.nan,
        hum_sigma=track.hum.sigma if track else math.nan,
        mains_hz=capture.notes.mains_hz,
    )
    value: dict[str, object] = {"rate": str(speed.rate)}
    decisions = propose(decisions, subject="camera_speed", value=value, at=at, why=why, basis=speed.basis)
    stated = capture.notes.camera_speed
    return _stated(decisions, "camera_speed", {"rate": str(stated)} if stated else None, at)


def _stated(
    decisions: tuple[Decision, ...],
    subject: str,
    value: dict[str, object] | None,
    at: str,
    *,
    why: str = "stated in capture.toml",
    basis: str | None = None,
) -> tuple[Decision, ...]:
    """What `capture.toml` states is the operator's decision, unless a person has decided since."""
    if value is None:
        return decisions
    mine = [d for d in decisions if d.subject == subject and d.by != "program"]
    if any(d.by != OPERATOR for d in mine) or (mine and (mine[-1].value, mine[-1].basis) == (value, basis)):
        return decisions
    return decide(decisions, subject=subject, value=value, by=OPERATOR, at=at, why=why, basis=basis)


def _registration(evidence: FrameEvidence, decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    decision, why = propose_registration(evidence)
    return propose(decisions, subject="registration", value=asdict(decision), at=at, why=why)


def _framing(
    capture: Capture,
    frames: Table,
    evidence: FrameEvidence,
    decisions: tuple[Decision, ...],
    at: str,
) -> tuple[Decision, ...]:
    area = capture.picture_area
    decision, why = propose_framing(evidence, shape=shape_of(capture, frames))
    seen = (
        f"seen on {', '.join(area.measured)}"
        if area.measured
        else "the gauge's nominal place, no side was seen"
    )
    return propose(decisions, subject="framing", value=asdict(decision), at=at, why=f"{why}; {seen}")


def _doubles(frames: Table, decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    doubled = int(np.count_nonzero(frames["duplicate_of"] >= 0))
    if not doubled:
        return decisions
    why = f"{doubled} captured frame{'s show' if doubled > 1 else ' shows'} a film frame that was captured before"
    return propose(decisions, subject="doubles", value={"show": "once"}, at=at, why=why)


def _loading(
    capture: Capture,
    frames: Table,
    decisions: tuple[Decision, ...],
    at: str,
    direction: int,
    half: Half | None = None,
) -> tuple[Decision, ...]:
    """What the evidence is sure of; else as captured, with what speaks for what. What was stated is the operator's."""
    read = propose_loading(
        picture_light=frames["picture_light"],
        picture_upper=frames["picture_upper"],
        scene=frames["scene"],
        direction=direction,
        side_seen=side_seen(capture),
        side_usual=capture.notes.perforation_side or "",
        negative=capture.notes.is_negative,
    )
    loading, basis = AS_CAPTURED, NOT_SURE if read.against else NOT_TOLD
    if read.turn is not None and read.mirror is not None and read.backwards is not None:
        loading = Loading(turn=read.turn, mirror=read.mirror, backwards=read.backwards)
        basis = EVIDENCE
    why = "; ".join(read.reasons)
    if half is not None and (half.face_stated or not read.sure):
        loading, basis = loading_of_half(half), EVIDENCE if half.face_stated else NOT_SURE
        side = "left" if half.film == 1 else "right"
        face = (
            "as stated" if half.face_stated else "which face lay up nobody stated, it is taken as not flipped"
        )
        why = f"one of two films of unslit double 8 that run opposite ways, this one on the {side}; {face}; {why}"
    decisions = propose(decisions, subject="loading", value=loading.value(), at=at, why=why, basis=basis)
    stated, why, face_told = loading_stated(capture, direction=direction)
    if stated is None:
        return decisions
    why = f"stated in capture.toml: {why}"
    return _stated(decisions, "loading", stated.value(), at, why=why, basis=None if face_told else NOT_SURE)


def _loudness(
    decisions: tuple[Decision, ...], at: str, track: TrackPaper | None, shop: Shop
) -> tuple[Decision, ...]:
    decision, why = propose_loudness(
        shop.loudness_lufs, source=shop.loudness_source, recorded=track is None or track.recorded
    )
    value = {key: number for key, number in asdict(decision).items() if number is not None}
    return propose(decisions, subject="loudness", value=value, at=at, why=why)


def _tracks(reading: TracksReading, decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    decision, why = propose_tracks(reading)
    basis = NOT_SURE if reading.state == "not sure" else None
    return propose(decisions, subject="tracks", value=asdict(decision), at=at, why=why, basis=basis)


def propose_faults(track: TrackPaper, decisions: tuple[Decision, ...], at: str) -> tuple[Decision, ...]:
    """What of the sound's faults is taken out: what was told surely; what only a listener can weigh is left."""
    for subject, (decision, why) in (
        ("hum", propose_hum(film=track.film_hum, chain=track.chain_hum)),
        ("flutter", propose_flutter(track.flutter)),
        ("clicks", propose_clicks(clicks=track.clicks, thumps=track.thumps)),
        ("equalisation", propose_equalisation()),
        ("hiss", propose_hiss()),
    ):
        decisions = propose(decisions, subject=subject, value=asdict(decision), at=at, why=why)
    return decisions


def _sync(
    capture: Capture,
    gauge: Gauge,
    decisions: tuple[Decision, ...],
    at: str,
    stored: float | None,
    heard: TrackPaper | None,
) -> tuple[Decision, ...]:
    stripe = gauge.tracks[0] if gauge.tracks else None
    notes = capture.notes
    if (notes.sound_run or WITH_PICTURE) != WITH_PICTURE:
        run = heard.run if heard is not None else None
        guide = heard.guide if heard is not None else None
        if guide is not None and not guide.refusal:
            sync = propose_guide_sync(windows=len(guide.film_positions), kept=guide.kept, speed=guide.speed)
        else:
            sync = propose_run_sync(track=stripe, run=run, wild=notes.sound_run != APART)
    else:
        stated = notes.sound_head_offset_frames
        sync = propose_sync(
            track=stripe,
            head_offset_frames=stated if stated is not None else stored,
            backwards=loading_of(treatment_of(decisions)).backwards,
            head=heard.head if heard is not None else None,
        )
    value: dict[str, object] = {"shift_frames": sync.shift_frames, "set": sync.set}
    basis = SPLICES_HEARD if sync.from_splices else None
    decisions = propose(decisions, subject="sync", value=value, at=at, why=sync.evidence, basis=basis)
    marked = marks_value(notes.sync_marks) if notes.sync_marks else None
    return _stated(decisions, "sync", marked, at)
