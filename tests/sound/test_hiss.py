"""Hiss: less of it, the speech nearer to its truth, and no speech in what was taken."""

import numpy as np
import pytest
from hearing import si_sdr, spoken, stoi

from smallgauge.errors import CallerError
from smallgauge.sound.hiss import apply_hiss_reduction
from smallgauge.sound.speed import read_array

RATE = 48_000
SECONDS = 10


def hissing(db, seed=1):
    """Speech and hiss that rises 3 dB an octave, `db` below it."""
    speech = spoken(SECONDS, RATE, seed=seed)
    white = np.fft.rfft(np.random.Generator(np.random.SFC64(seed)).standard_normal(len(speech)))
    hiss = np.fft.irfft(white * np.sqrt(np.fft.rfftfreq(len(speech), 1 / RATE)), len(speech))
    return speech, speech + hiss / np.std(hiss) * 0.1 * 10 ** (-db / 20)


@pytest.mark.parametrize("db", [25, 15])
def test_less_hiss_and_no_less_speech(db):
    speech, samples = hissing(db)
    heard = apply_hiss_reduction(read_array(samples), samples=len(samples))(0, len(samples))[:, 0]
    assert si_sdr(heard, speech) > si_sdr(samples, speech) + 1.5
    assert stoi(heard, speech, RATE) > stoi(samples, speech, RATE) - 0.002
    hiss = samples - speech
    assert stoi(samples - heard, speech, RATE) < stoi(hiss, speech, RATE) + 0.1
    pause = np.abs(np.convolve(speech**2, np.ones(4800) / 4800, "same")) < 1e-9
    assert pause.sum() > RATE / 4
    assert 20 * np.log10(np.std(heard[pause]) / np.std(samples[pause])) < -7


def test_blocks_do_not_show_and_nonsense_is_refused():
    samples = hissing(20)[1][: 4 * RATE]
    read = apply_hiss_reduction(read_array(samples), samples=len(samples))
    parts = [read(a, b) for a, b in ((0, 5), (5, 50_000), (50_000, len(samples)))]
    again = apply_hiss_reduction(read_array(samples), samples=len(samples))
    assert np.array_equal(np.concatenate(parts), again(0, len(samples)))
    still = apply_hiss_reduction(read_array(samples), samples=len(samples), floor_db=0.0)(0, len(samples))
    assert np.allclose(still[:, 0], samples, atol=1e-12)  # nothing is lost on the way
    assert not apply_hiss_reduction(read_array(np.zeros(RATE)), samples=RATE)(0, RATE).any()
    with pytest.raises(CallerError, match="0 to 20 dB"):
        apply_hiss_reduction(read_array(samples), samples=1, floor_db=40.0)
