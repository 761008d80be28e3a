"""Replay equalisation against published differences of curves and a table of the error at another speed."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.sound.equalisation import (
    ReplayCurve,
    apply_equalisation,
    equalising_level_db,
    replay_level_db,
)
from smallgauge.sound.speed import read_array

NONE = float("inf")


def curve(bass_us, treble_us):
    return ReplayCurve(bass_us=bass_us, treble_us=treble_us)


def at_1_khz(level):
    return level([1000.0])[0]


@pytest.mark.parametrize(
    ("hz", "db"),
    [
        (63, 0.45),
        (125, -0.55),
        (250, -0.84),
        (500, -0.71),
        (2000, 1.63),
        (4000, 3.48),
        (8000, 4.51),
        (10000, 4.67),
    ],
)
def test_a_tape_of_7_5_inches_at_15(hz, db):
    # A maker of reference tapes, table 5-7, as quoted in a forum post: NAB tape of 7 1/2 in/s replayed at 15 NAB,
    # to 1 kHz, f as recorded.
    nab = curve(3180, 50)

    def off(f):
        return replay_level_db(f, nab) - replay_level_db(2 * np.asarray(f), nab)

    assert off([hz])[0] - at_1_khz(off) == pytest.approx(db, abs=0.012)


@pytest.mark.parametrize(
    ("hz", "db"),
    [
        (63, 2.31),
        (125, 0.83),
        (250, 0.35),
        (500, 0.18),
        (2000, -0.48),
        (4000, -1.43),
        (8000, -2.33),
        (20000, -2.79),
    ],
)
def test_a_nab_tape_of_15_inches_through_iec(hz, db):
    # The same maker, table 5-4.
    def off(f):
        return replay_level_db(f, curve(3180, 50)) - replay_level_db(f, curve(NONE, 35))

    assert off([hz])[0] - at_1_khz(off) == pytest.approx(db, abs=0.012)


# Sound reference, section d: error to 1 kHz if nothing is done; derived there.
TABLE = {
    (0.5, 3180, 120): (-2.58, -0.65, 0.63, 0.93, -1.79, -3.48, -4.04, -4.28, -4.39),
    (0.75, 3180, 120): (-0.67, 0.12, 0.52, 0.55, -0.82, -1.42, -1.59, -1.65, -1.68),
    (0.75, 3180, 90): (-0.93, -0.14, 0.28, 0.35, -0.73, -1.48, -1.74, -1.85, -1.90),
    (4 / 3, 3180, 120): (-0.01, -0.67, -0.90, -0.78, 0.79, 1.22, 1.33, 1.36, 1.38),
    (2.0, 3180, 120): (-1.14, -2.42, -2.73, -2.18, 1.69, 2.48, 2.66, 2.73, 2.76),
}
HZ = (50.0, 100.0, 200.0, 400.0, 2000.0, 4000.0, 6000.0, 8000.0, 10000.0)


@pytest.mark.parametrize("case", TABLE)
def test_another_speed(case):
    speed, bass, treble = case
    done = equalising_level_db(HZ, replayed=curve(bass, treble), recorded=curve(bass, treble), speed=speed)
    assert done == pytest.approx(-np.array(TABLE[case]), abs=0.011)


@pytest.mark.parametrize(
    ("replayed", "recorded", "speed"),
    [((3180, 120), (3180, 120), 4 / 3), ((3180, 120), (3180, 90), 0.75), ((NONE, 70), (3180, 90), 1.0)],
)
def test_the_filter_is_the_curve_within_0_02_db(replayed, recorded, speed):
    pulse = np.zeros(2 * 48_000)
    pulse[1000] = 1.0
    read = apply_equalisation(
        read_array(pulse), rate=48_000, replayed=curve(*replayed), recorded=curve(*recorded), speed=speed
    )
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(read(0, len(pulse))[:, 0])))
    hz = np.fft.rfftfreq(len(pulse), 1 / 48_000)
    told = (hz >= 20) & (hz <= 16_000)
    wanted = equalising_level_db(hz[told], replayed=curve(*replayed), recorded=curve(*recorded), speed=speed)
    assert np.abs(spectrum[told] - wanted).max() < 0.02


def test_a_lift_without_end_is_held():
    pulse = np.zeros(2 * 48_000)
    pulse[0] = 1.0
    read = apply_equalisation(
        read_array(pulse), rate=48_000, replayed=curve(3180, 90), recorded=curve(NONE, 90), speed=1.0
    )
    spectrum = 20 * np.log10(np.abs(np.fft.rfft(read(0, len(pulse))[:, 0])) + 1e-9)
    assert spectrum.max() < 12.1 and spectrum[2] < -40  # 1 Hz


def test_nothing_to_do_is_nothing_done_and_blocks_do_not_show():
    noise = np.random.Generator(np.random.SFC64(1)).standard_normal(300_000)
    reader = read_array(noise)
    same = curve(3180, 120)
    assert apply_equalisation(reader, rate=48_000, replayed=same, recorded=same, speed=1.0) is reader
    read = apply_equalisation(reader, rate=48_000, replayed=same, recorded=same, speed=0.75)
    whole = read(0, 300_000)
    assert np.array_equal(np.concatenate([read(0, 77), read(77, 200_000), read(200_000, 300_000)]), whole)
    # As if filtered in one go.
    long = apply_equalisation(
        read_array(noise[:140_000]), rate=48_000, replayed=same, recorded=same, speed=0.75
    )
    assert np.allclose(long(131_000, 131_200), whole[131_000:131_200], atol=1e-12)


def test_nonsense_is_refused():
    with pytest.raises(CallerError, match="bass constant"):
        curve(50, 120)
    with pytest.raises(CallerError, match=r"0\.05 to 20"):
        apply_equalisation(
            read_array([0.0]), rate=48_000, replayed=curve(3180, 120), recorded=curve(3180, 120), speed=0.0
        )
