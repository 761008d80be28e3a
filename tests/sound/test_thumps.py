"""Dull thumps of splices: found where a splice passes the head, only the low part filled, and nowhere else anything."""

from itertools import pairwise

import numpy as np
import pytest
from hearing import decibels, si_sdr, spoken

from smallgauge.errors import CallerError
from smallgauge.sound.clicks import find_clicks
from smallgauge.sound.speed import read_array
from smallgauge.sound.thumps import apply_thump_repair, find_thumps

RATE = 32_000
SECONDS = 12
PLACES = np.array([0.9, 2.35, 3.9, 5.2, 6.75, 8.1, 9.6, 10.9])


def thumped(level=0.3, *, hz=95.0, seed=1):
    """Speech over hum and noise, and a thump without an edge at each place: rises in 4 ms, dies away in 9."""
    t = np.arange(SECONDS * RATE) / RATE
    random = np.random.Generator(np.random.SFC64(seed))
    clean = spoken(SECONDS, RATE, seed=seed) + 0.01 * np.sin(2 * np.pi * 50 * t)
    clean += 0.001 * random.standard_normal(len(t))
    samples = clean.copy()
    for place in PLACES:
        y = t - place
        rise = 0.5 - 0.5 * np.cos(np.pi * np.clip(y / 0.004, 0, 1))
        samples += level * rise * np.exp(-np.maximum(y, 0) / 0.009) * np.sin(2 * np.pi * hz * y) * (y > 0)
    return clean, samples


def found_in(samples, places=PLACES, **more):
    return find_thumps(
        read_array(samples),
        in_samples=len(samples),
        sound_rate=RATE,
        expected=(places * RATE).tolist(),
        **more,
    )


def mended(samples, thumps):
    return apply_thump_repair(read_array(samples), thumps, sound_rate=RATE)(0, len(samples))[:, 0]


@pytest.mark.parametrize("seed", [1, 4, 5])
def test_thumps_are_found_where_clicks_are_not_and_go_down(seed):
    clean, samples = thumped(seed=seed)
    as_clicks = find_clicks(
        read_array(samples), in_samples=len(samples), sound_rate=RATE, expected=(PLACES * RATE).tolist()
    )
    thumps = found_in(samples)
    assert len(as_clicks) < len(thumps)
    assert len(thumps) >= 5 and all(t.shape == "thump" and t.expected for t in thumps)
    heard = mended(samples, thumps)
    hit = [p for p in PLACES if any(t.first / RATE < p + 0.03 and t.stop / RATE > p for t in thumps)]
    down = []
    for place in hit:
        part = slice(round((place - 0.05) * RATE), round((place + 0.15) * RATE))
        down.append(decibels(np.sum((heard - clean)[part] ** 2) / np.sum((samples - clean)[part] ** 2)))
    assert np.median(down) < -12 and max(down) < -3
    assert si_sdr(heard, clean) > si_sdr(samples, clean) + 2


def test_what_lies_high_and_far_is_not_touched():
    _, samples = thumped()
    thumps = found_in(samples)
    off = mended(samples, thumps) - samples
    spectrum = np.abs(np.fft.rfft(off)) ** 2
    hz = np.fft.rfftfreq(len(off), 1 / RATE)
    assert spectrum[hz > 700].sum() < 1e-4 * spectrum.sum()
    away = np.ones(len(off), bool)
    for t in thumps:
        away[max(0, t.first - RATE // 50) : t.stop + RATE // 50] = False
    assert not off[away].any()


def test_speech_and_a_beat_that_goes_on_hold_no_thump():
    clean, _ = thumped()
    everywhere = np.arange(0.8, 11.2, 0.13)
    assert len(found_in(clean, everywhere)) <= 2  # of 80
    t = np.arange(SECONDS * RATE) / RATE
    drum = clean + 0.2 * np.sin(2 * np.pi * 95 * t) * np.exp(-np.mod(t, 0.31) / 0.03)
    assert len(found_in(drum)) <= 1
    assert found_in(np.zeros(len(t))) == ()


def test_the_bytes_do_not_depend_on_the_blocks_and_edges_are_survived():
    _, samples = thumped()
    thumps = found_in(samples)
    reader = apply_thump_repair(read_array(samples), thumps, sound_rate=RATE)
    edges = [0, thumps[0].first + 3, thumps[1].stop - 1, len(samples)]
    assert np.array_equal(
        np.concatenate([reader(a, b)[:, 0] for a, b in pairwise(edges)]), mended(samples, thumps)
    )
    plain = read_array(samples)
    assert apply_thump_repair(plain, (), sound_rate=RATE) is plain
    assert found_in(samples, np.array([0.001, SECONDS - 0.001, SECONDS + 1.0])) is not None
    with pytest.raises(CallerError, match="8000 samples"):
        find_thumps(plain, in_samples=1, sound_rate=4000, expected=[0.0])
