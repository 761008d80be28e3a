"""Faults of the sound through the line: found, proposed, taken out of the finished sound, and proved to be all that was."""

from dataclasses import replace
from fractions import Fraction
from functools import cache
from types import SimpleNamespace

import av
import numpy as np
import pytest
import soundfile

from smallgauge.analyse.track import hear_track
from smallgauge.errors import MaterialError
from smallgauge.gauge.gauges import gauge_named
from smallgauge.prove.taken import check_taken
from smallgauge.record.notes import CaptureNotes
from smallgauge.record.rendertable import SOUND_COLUMNS, RepairSummary
from smallgauge.record.soundfaults import read_faults, write_faults
from smallgauge.record.table import Table, write_table
from smallgauge.record.treatment import decide, treatment_of
from smallgauge.render.plan_repairs import plan_repairs
from smallgauge.render.plan_sound import SoundPlan
from smallgauge.render.track import render_track, render_viewing_track, repair_rows
from smallgauge.sound.loudness import LoudnessDecision
from smallgauge.sound.speed import apply_sound_map, read_array, solve_film_time, solve_sound_map
from smallgauge.sound.sync import Coverage
from smallgauge.sound.synthetic import TrackTruth, draw_track, film_hum, heard_at_camera
from smallgauge.treat.propose import propose_faults

RATE, SECONDS, OUT = 32_000, 22, 48_000
AT = "2026-01-17T10:00:00Z"
TRUTH = TrackTruth(
    camera_rate=Fraction(18), ahead_frames=18, head_offset_frames=0, sample_rate=RATE, content="speech",
    film_hum_level=0.03, chain_hum_level=0.004, hiss_level=0.0003, flutter=((4.0, 0.004), (0.9, 0.002)),
    clicks=((6.2, 0.002), (11.3, 0.001), (15.1, 0.004)), click_level=0.25,
)  # fmt: skip


class Frames(dict):
    """Columns of a frame table."""

    capture_digest = "d"


def scan(time_s):
    return 14.0 * time_s + 0.6 * np.sin(0.5 * time_s)


@pytest.fixture(scope="module")
def reel(tmp_path_factory):
    """A capture's sound, what was found in it and what the program proposes."""
    folder = tmp_path_factory.mktemp("faults")
    path = folder / "archive.wav"
    samples = draw_track(TRUTH, scan, start_s=0.0, samples=SECONDS * RATE)
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    positions = np.arange(int(scan(np.array(float(SECONDS)))) - 1)
    t = np.arange(0, SECONDS + 1, 0.001)
    frames = Frames(
        time_s=np.interp(positions, scan(t), t), film_position=positions.astype(np.int32),
        splice=np.zeros(len(positions), bool), splice_confidence=np.zeros(len(positions)),
    )  # fmt: skip
    paper, faults = hear_track(path, frames=frames, notes=CaptureNotes(), gauge=gauge_named("super-8"))
    write_faults(folder, faults, capture_digest="d")
    film_time = solve_film_time(frames["time_s"], positions)
    knots = solve_sound_map(
        film_time, camera_rate=Fraction(18), shift_frames=18.0, sound_rate=RATE, out_rate=OUT,
        out_samples=int(len(positions) / 18 * OUT),
    )  # fmt: skip
    return SimpleNamespace(
        folder=folder, path=path, paper=paper, knots=knots, log=propose_faults(paper, (), AT)
    )


def planned(reel, log=None, *, moved=True):
    sound = SimpleNamespace(rate=RATE, channels=1)
    knots, repairs = plan_repairs(
        reel.knots, faults=read_faults(reel.folder), treatment=treatment_of(reel.log if log is None else log),
        sound=sound, camera_rate=Fraction(18), out_rate=OUT, moved=moved,
    )  # fmt: skip
    return SoundPlan(
        map=knots, shift_frames=18.0, set=True, time_base_guessed=False, jitter_ms=0.0, set_aside=0, repairs=repairs,
        coverage=Coverage(silent_head_s=0.0, silent_tail_s=0.0, unused_head_s=0.0, unused_tail_s=0.0),
        loudness=LoudnessDecision(gain_db=0.0),
    )  # fmt: skip


def decided(log, **values):
    for subject, value in values.items():
        log = decide(log, subject=subject, value=value, by="mk", at=AT, why="asked")
    return log


LEFT = {
    "hum": {"act": "leave"}, "flutter": {"act": "leave"}, "clicks": {"act": "leave"},
}  # fmt: skip


def decoded(path):
    with av.open(str(path)) as container:
        blocks = [frame.to_ndarray() for frame in container.decode(audio=0)]
    return np.concatenate(blocks, axis=1).ravel().astype(float) / 2.0**31


def rendered(reel, plan, name):
    flac = reel.folder / f"{name}.mka"
    render_track(reel.path, plan, flac=flac, watch=lambda done: None)
    return decoded(flac)


@pytest.fixture(scope="module")
def made(reel):
    return rendered(reel, planned(reel), "made")


@pytest.fixture(scope="module")
def plain(reel):
    return rendered(reel, planned(reel, decided(reel.log, **LEFT)), "plain")


INNER = slice(3 * OUT, 14 * OUT)


@cache
def heard_at(samples):
    """What there was to hear at the camera, without any fault."""
    return heard_at_camera(TRUTH, np.arange(samples) / OUT)


def truth(made):
    return heard_at(len(made))


def off_db(heard, true):
    return 10 * np.log10(np.mean((heard - true)[INNER] ** 2) / np.mean(true[INNER] ** 2))


def test_what_was_found_is_proposed_with_reasons(reel):
    treatment = treatment_of(reel.log)
    said = {
        subject: treatment.find(subject).decision
        for subject in ("hum", "flutter", "clicks", "equalisation", "hiss")
    }
    assert {s: next(iter(d.value.values())) for s, d in said.items()} == {
        "hum": "take out", "flutter": "take out", "clicks": "repair", "equalisation": "", "hiss": 0.0,
    }  # fmt: skip
    assert "3 clicks" in said["clicks"].why and "% of flutter" in said["flutter"].why
    assert "capture chain" in said["hum"].why and "hum of the film" in said["hum"].why
    assert propose_faults(reel.paper, reel.log, AT) == reel.log  # the same papers add nothing
    assert reel.paper.film_hum.lines >= 3 and reel.paper.chain_hum.lines >= 1


def test_the_finished_sound_is_nearer_to_what_was_heard_at_the_camera(made, plain):
    assert off_db(plain, truth(plain)) > 0.0  # flutter alone moves the words by a millisecond
    assert off_db(made, truth(made)) < -24.0


def test_each_repair_can_be_left(reel, made):
    for subject in ("flutter", "clicks"):  # hum: below
        value = LEFT[subject]
        other = rendered(reel, planned(reel, decided(reel.log, **{subject: value})), subject)
        assert off_db(other, truth(other)) > off_db(made, truth(made)) + 1.5, subject
    both = decided(reel.log, hum={"act": "take out film"})
    assert [clock for clock, _ in planned(reel, both).repairs.hum] == ["film"]


def test_hum_is_down_by_30_db(reel, made):
    keep_hum = rendered(reel, planned(reel, decided(reel.log, hum={"act": "leave"})), "hum kept")
    hum = film_hum(TRUTH, np.arange(len(made)) / OUT)
    assert 10 * np.log10(np.mean(hum[INNER] ** 2) / np.mean(truth(made)[INNER] ** 2)) < -5
    taken = keep_hum - made
    hz = np.fft.rfftfreq(11 * OUT, 1 / OUT)
    lines = np.zeros(len(hz), bool)
    for k in (1, 2, 3, 5):
        lines |= np.abs(hz - 50 * k) < 0.7

    def at_lines(x):
        return np.sum(np.abs(np.fft.rfft((x * 1.0)[INNER] * np.hanning(11 * OUT)))[lines] ** 2)

    assert 10 * np.log10(at_lines(made - truth(made)) / at_lines(hum)) < -30
    # and nothing of the words went with it: what was taken lies on its lines
    share = np.abs(np.fft.rfft(taken[INNER] * np.hanning(11 * OUT))) ** 2
    assert share[(hz > 300) & (hz < 4000)].sum() < 1e-3 * share.sum()


def test_the_table_of_repairs_names_each_place(reel):
    table = repair_rows(reel.path, planned(reel), capture_digest="d")
    assert len(table) == 3 and set(table["how"]) == {"all"}
    for (at_s, length_s), first, stop in zip(
        TRUTH.clicks, table["first_sample"], table["stop_sample"], strict=True
    ):
        assert abs(first / RATE - at_s) < 0.0006 and abs(stop / RATE - at_s - length_s) < 0.0006
    assert np.all(table["before_db"] > table["after_db"] + 6)
    n = table["out_sample"]
    assert np.all(np.diff(n) > 0) and n[0] == pytest.approx(OUT * (scan(6.2) + 18) / 18, rel=1e-3)


def test_the_copies_play_the_same(reel, made):
    aac = reel.folder / "copy.m4a"
    render_viewing_track(reel.path, planned(reel), gain_db=0.0, aac=aac)
    with av.open(str(aac)) as container:
        copy = np.concatenate([frame.to_ndarray()[0] for frame in container.decode(audio=0)])[: len(made)]
    assert off_db(copy.astype(float), made[: len(copy)]) < -20


def proved(reel, plan, samples, *, said=None, **more):
    """The prover's check of a finished sound; `said` is what the summary says was done."""
    knots = plan.map
    columns = {name: getattr(knots, name) for name in ("out_sample", "in_sample", "slope", "gain")}
    columns["track"] = np.zeros(len(knots.gain), np.int32)
    columns["error_s"] = np.full(len(knots.gain), np.nan)
    columns["foreign_sound"] = np.zeros(len(knots.gain), bool)
    write_table(
        reel.folder / "sound.parquet",
        Table(name="sound", columns=SOUND_COLUMNS, values=columns, capture_digest="d"),
    )
    write_table(reel.folder / "repairs.parquet", repair_rows(reel.path, plan, capture_digest="d"))
    done = said if said is not None else RepairSummary(hum=tuple(clock for clock, _ in plan.repairs.hum))
    sound = SimpleNamespace(samples=len(samples), repairs=done)
    blocks = iter(np.split(samples[:, None], np.arange(50_000, len(samples), 50_000)))
    return check_taken(reel.folder, sound, blocks, rate=OUT, bad=set(), **more)


def test_the_prover_finds_nothing_but_hum_taken_out(reel, made, plain):
    check, found = proved(reel, planned(reel), made)
    assert check.good and check.made >= 10 and found == []
    check, found = proved(reel, planned(reel, decided(reel.log, **LEFT)), plain)
    assert check.good and found == []


def test_the_prover_fails_what_was_done_and_not_said_and_what_took_words(reel, made):
    check, found = proved(reel, planned(reel), made, said=RepairSummary())  # hum went, and nobody decided it
    assert not check.good and {f.code for f in found} == {"sound not as captured"}
    quieter = made * 0.97
    assert not proved(reel, planned(reel), quieter)[0].good
    from scipy.signal import butter, sosfilt

    notched = sosfilt(
        butter(2, [80, 130], "bandstop", fs=OUT, output="sos"), made
    )  # a notch takes the voice too
    assert not proved(reel, planned(reel), notched)[0].good
    late = np.roll(made, 24)  # half a millisecond
    assert not proved(reel, planned(reel), late)[0].good


def test_sound_at_full_scale_is_not_compared(reel, made):
    check, (told,) = proved(reel, planned(reel), np.clip(40 * made, -1, 1))
    assert check is None and "full scale" in told.values["why"]


def test_where_the_whole_sound_is_altered_the_prover_says_that_it_did_not_check(reel, made):
    check, (told,) = proved(reel, planned(reel), made, said=RepairSummary(hiss_db=6.0))
    assert check is None and told.code == "check not made" and "hiss" in told.values["why"]


def test_hiss_and_replay_curve_only_where_they_are_decided(reel, made):
    hiss = rendered(reel, planned(reel, decided(reel.log, hiss={"reduce_db": 10.0})), "hiss")
    high = np.abs(np.fft.rfft(hiss[INNER]))[(7000 * 11) : (10000 * 11)]
    before = np.abs(np.fft.rfft(made[INNER]))[(7000 * 11) : (10000 * 11)]
    assert np.sum(high**2) < 0.5 * np.sum(before**2)
    curve = decided(reel.log, equalisation={"replayed": "3180/120", "recorded": "3180/120"})
    plan = planned(reel, curve)
    assert plan.repairs.curve.speed == pytest.approx(14 / 18, abs=0.02)
    assert off_db(rendered(reel, plan, "curve"), made) > -40


def test_flutter_that_nothing_tells_is_refused(reel):
    log = decided(reel.log, flutter={"act": "take out"})
    with pytest.raises(MaterialError, match="decide flutter leave"):
        planned(reel, log, moved=False)


def test_a_change_of_a_decision_changes_the_sound_s_key(reel):
    keys = {
        planned(reel, decided(reel.log, **change)).repairs.key
        for change in (
            {},
            {"hum": {"act": "leave"}},
            {"clicks": {"act": "leave"}},
            {"hiss": {"reduce_db": 3.0}},
        )
    }
    assert len(keys) == 4 and planned(reel, decided(reel.log, **LEFT)).repairs.key == ""


def test_the_map_of_film_that_ran_tail_first_takes_flutter_out_too(reel):
    """The same capture, played from its end: the flutter that was put in is taken out there as well."""
    film_time_knots = reel.knots
    last = float(film_time_knots.out_samples)
    turned = replace(
        film_time_knots,
        out_sample=last - film_time_knots.out_sample[::-1],
        in_sample=film_time_knots.in_sample[::-1],
        slope=-film_time_knots.slope[::-1],
        gain=film_time_knots.gain[::-1],
    )
    knots, _ = plan_repairs(
        turned, faults=read_faults(reel.folder), treatment=treatment_of(reel.log),
        sound=SimpleNamespace(rate=RATE, channels=1), camera_rate=Fraction(18), out_rate=OUT, moved=True,
    )  # fmt: skip
    tone = replace(
        TRUTH,
        content="tone",
        tone_hz=3150.0,
        film_hum_level=0.0,
        chain_hum_level=0.0,
        hiss_level=0.0,
        clicks=(),
    )
    samples = draw_track(tone, scan, start_s=0.0, samples=SECONDS * RATE)

    def wander(which):
        heard = apply_sound_map(read_array(samples), which, first=3 * OUT, stop=13 * OUT)[:, 0]
        turn = np.unwrap(np.angle(np.convolve(heard * np.exp(-2j * np.pi * 3150 / OUT * np.arange(len(heard))),
                                              np.hanning(257) / 128, mode="valid")))  # fmt: skip
        return np.std(
            turn - np.polynomial.Polynomial.fit(np.arange(len(turn)), turn, 3)(np.arange(len(turn)))
        )

    assert wander(knots) < 0.2 * wander(turned)
