"""A copy's sound as the proof hears it: length, loudness and silence, however its coder cut it into blocks."""

from types import SimpleNamespace

import numpy as np
import pytest

from smallgauge.prove.sound import hear_film

RATE = 8000


def film(x, *, block, codec="aac"):
    blocks = [x[first : first + block] for first in range(0, len(x), block)]
    return SimpleNamespace(
        sound_rate=RATE, sound_codec=codec, sound_channels=x.shape[1], sound_blocks=lambda: iter(blocks)
    )


def track():
    """A tone of 20 s on two channels, the second of which is silent all along; silent 3 to 6.5 s, 10 to 11 s, and at its end."""
    x = np.zeros((20 * RATE, 2))
    x[:, 0] = 0.2 * np.sin(2 * np.pi * 440 * (np.arange(len(x)) + 0.5) / RATE)
    for first, stop in ((3.0, 6.5), (10.0, 11.0), (17.5, 20.0)):
        x[round(first * RATE) : round(stop * RATE)] = 0.0
    return x


@pytest.mark.parametrize("block", [160, 1024, RATE, 5 * RATE, 40 * RATE])
def test_silence_and_loudness_do_not_depend_on_blocks(block):
    heard = hear_film(film(track(), block=block))
    assert heard.samples == 20 * RATE
    assert np.allclose(heard.silent, [(3.0, 6.5), (17.5, 20.0)], atol=1e-3)
    assert heard.integrated_lufs == hear_film(film(track(), block=97)).integrated_lufs
    assert heard.integrated_lufs == pytest.approx(-17.7, abs=0.3)


def test_uncoded_sound_has_a_digest_whatever_its_blocks():
    whole, cut = (hear_film(film(track(), block=block, codec="pcm_s24le")) for block in (40 * RATE, 777))
    assert whole.digest == cut.digest != ""


def test_a_film_without_sound_has_no_loudness():
    silent = hear_film(SimpleNamespace(sound_rate=0))
    assert silent.samples == 0 and silent.integrated_lufs is None
