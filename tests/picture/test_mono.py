"""Black-and-white film captured in colour: tint, tone and noise told apart, kept or taken away."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.mono import (
    COLUMNS,
    KEPT,
    NEUTRAL,
    NOT_TOLD,
    MonoDecision,
    Tone,
    apply_mono,
    measure_tone,
    propose_black_and_white,
    solve_mono,
    tone_of,
)

TINT, SLOPE = np.array([0.02, 0.03, 0.09]), np.array([0.96, 1.0, 1.08])
NOISE = np.array([0.010, 0.012, 0.025])  # sigma of density of each channel
BOX = (0.0, 0.0, 319.0, 239.0)


def film(number, *, grain=0.04, noise=NOISE, tint=TINT, slope=SLOPE):
    """Density of one picture of silver film, and what the scanner reads of it."""
    random = np.random.default_rng(number)
    y, x = np.mgrid[0:240, 0:320]
    silver = 0.9 + 0.6 * np.sin(x / (31 + number)) * np.cos(y / (23 + 2 * number)) + 0.1 * number
    silver = silver + grain * random.standard_normal(silver.shape)
    density = tint + slope * silver[..., None]
    return density, density + noise * random.standard_normal(density.shape)


def readings(frames=6, **changes):
    read = [measure_tone((10.0 ** -film(n, **changes)[1]).astype(np.float32), box=BOX) for n in range(frames)]
    return np.array([[getattr(one, column.name) for column in COLUMNS] for one in read])


def ciede2000(one, two):
    """Source: colour-science's CIEDE2000, held to the 34 pairs of Sharma, Wu and Dalal by its own tests."""
    colour = pytest.importorskip("colour")

    def lab(light):
        xyz = colour.RGB_to_XYZ(light, "ITU-R BT.709", apply_cctf_decoding=False)
        return colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])

    return colour.delta_E(lab(one), lab(two))


def test_tint_tone_and_noise_are_told_apart():
    tone = tone_of(readings())
    share = np.array([0.2126, 0.7152, 0.0722])
    slope = SLOPE / (share @ SLOPE)
    np.testing.assert_allclose(tone.slope, slope, atol=0.003)
    np.testing.assert_allclose(tone.tint, TINT - slope * (share @ TINT), atol=0.004)
    np.testing.assert_allclose(np.sqrt(tone.noise), NOISE, rtol=0.08)  # grain is four times it and no noise
    assert tone.off_line < 0.012
    assert not tone.coloured
    assert tone.frames == 6


def test_the_lamp_is_no_tint():
    light = (10.0 ** -film(3)[1]).astype(np.float32)
    plain = measure_tone(light, box=BOX)
    lit = measure_tone(light * np.array([0.9, 0.8, 0.7], np.float32), box=BOX, lamp=(0.9, 0.8, 0.7))
    assert lit.tone_blue - lit.tone_red == pytest.approx(plain.tone_blue - plain.tone_red, abs=1e-4)


def test_kept_is_the_film_with_less_noise():
    tone = tone_of(readings())
    true, scanned = film(9)
    kept = apply_mono(scanned, solve_mono(tone, MonoDecision(look=KEPT)))
    off = kept - true
    assert np.abs(off.mean(axis=(0, 1))).max() < 0.002
    assert off[..., 1].std() < 1.03 / np.sqrt((SLOPE**2 / NOISE**2).sum())  # the bound of the weighted mean


def test_a_neutral_copy_is_neutral_within_half_a_ciede2000():
    """The bar of black-and-white: 0.5. Against the same lightness without any colour."""
    tone = tone_of(readings())
    true, scanned = film(9, grain=0.0)
    neutral = apply_mono(scanned, solve_mono(tone, MonoDecision(look=NEUTRAL)))
    assert np.ptp(neutral, axis=-1).max() == 0.0
    kept = apply_mono(scanned, solve_mono(tone, MonoDecision()))
    steps = np.linspace(0.1, 2.0, 12)
    scale = TINT + SLOPE * steps[:, None]
    white = TINT + SLOPE * steps[0]
    light = 10.0 ** (
        apply_mono(white, solve_mono(tone, MonoDecision(look=NEUTRAL)))
        - apply_mono(scale, solve_mono(tone, MonoDecision(look=NEUTRAL)))
    )
    share = np.array([0.2126, 0.7152, 0.0722])
    wanted = 10.0 ** (share @ white - scale @ share)
    assert ciede2000(light, np.repeat(wanted[:, None], 3, axis=1)).max() < 0.5
    assert (
        ciede2000(10.0 ** (white - scale), light).max() > 2.0
    )  # the film itself is warm: the check can fail
    assert np.abs(kept.mean(axis=(0, 1)) - true.mean(axis=(0, 1))).max() < 0.002


def test_colour_that_is_neither_is_said():
    rows = []
    for n in range(4):
        density = film(n)[1]
        density[60:120, 40:200] += [0.0, 0.3, 0.5]  # somebody painted a dress
        read = measure_tone((10.0**-density).astype(np.float32), box=BOX)
        rows.append([getattr(read, column.name) for column in COLUMNS])
    tone = tone_of(np.array(rows))
    assert tone.coloured
    assert "colour that is neither" in propose_black_and_white(tone)[1]
    assert "colour" not in propose_black_and_white(tone_of(readings()))[1]


def test_what_tells_nothing_changes_nothing():
    flat = np.full((240, 320, 3), 0.1, np.float32)
    read = measure_tone(flat, box=BOX)
    row = np.array([[getattr(read, column.name) for column in COLUMNS]])
    assert tone_of(row) == NOT_TOLD
    assert tone_of(np.full((3, 12), np.nan)) == NOT_TOLD
    assert solve_mono(NOT_TOLD, MonoDecision()) is None
    density = film(2)[1]
    neutral = apply_mono(density, solve_mono(NOT_TOLD, MonoDecision(look=NEUTRAL)))
    np.testing.assert_allclose(
        neutral, np.repeat(density.mean(axis=-1, keepdims=True), 3, axis=-1), atol=1e-12
    )
    dark = measure_tone(np.full((240, 320, 3), 1e-4, np.float32), box=BOX)
    assert np.isnan(dark.tone_red)
    assert np.isnan(measure_tone(np.full((240, 320), 0.1, np.float32), box=BOX).tone_red)
    assert np.isnan(measure_tone(flat, box=(0.0, 0.0, 2.0, 2.0)).tone_red)


def test_nonsense_is_refused():
    with pytest.raises(CallerError, match="as on the film, neutral"):
        solve_mono(NOT_TOLD, MonoDecision(look="sepia"))
    with pytest.raises(CallerError, match="12 columns"):
        tone_of(np.zeros((3, 4)))
    bad = Tone(tint=(0.0,) * 3, slope=(1.0, 0.0, 1.0), noise=(1.0,) * 3, off_line=0.0, frames=1)
    with pytest.raises(CallerError, match="above 0"):
        solve_mono(bad, MonoDecision())
