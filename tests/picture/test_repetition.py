"""Repetition: grain of one pair of frames, against the definition of correlation."""

import math

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.picture.repetition import (
    COLUMNS,
    RepetitionReading,
    StepReading,
    find_grain_layout,
    make_grain,
    measure_repetition,
    measure_step,
)
from smallgauge.picture.scenes import make_proxy
from smallgauge.sources import SOURCES


def grain_pair(*, signal=0.004, noise=0.002, shift=(0, 0), gain=1.0, seed=3):
    """Two captures of one piece of blurred grain, and the layout."""
    import cv2

    random = np.random.default_rng(seed)
    film = cv2.GaussianBlur(random.standard_normal((340, 440)).astype(np.float32), (0, 0), 0.9)
    film *= signal / film.std()
    layout = find_grain_layout(
        frame_px=(400, 300),
        reference_px=(20.0, 150.0),
        area_px=(20, -100, 340, 100),
        pitch_px=math.nan,
        px_per_mm=100.0,
    )
    frames = [
        (g * (0.5 + film[y : y + 300, x : x + 400]) ** 2 + noise * random.standard_normal((300, 400))).astype(
            np.float32
        )
        for g, x, y in ((1.0, 20, 20), (gain, 20 - shift[0], 20 - shift[1]))
    ]
    return frames, layout


def test_correlation_is_signal_over_signal_and_noise():
    """S / (S + N) as the definition of correlation has it, both powers measured apart."""
    powers = []
    for signal, noise in ((0.004, 0.0), (0.0, 0.002)):
        frames, layout = grain_pair(signal=signal or 1e-9, noise=noise)
        powers.append(make_grain(frames[0], reference_px=(20.0, 150.0), layout=layout).tiles.var())
    frames, layout = grain_pair()
    one, two = (make_grain(frame, reference_px=(20.0, 150.0), layout=layout) for frame in frames)
    found = measure_repetition(two, one, None, layout=layout).grain_match
    assert found == pytest.approx(powers[0] / sum(powers), abs=0.02)
    assert np.corrcoef(one.tiles.ravel(), two.tiles.ravel())[0, 1] == pytest.approx(found, abs=0.01)


def test_same_film_though_it_moved_and_the_light_changed():
    plain, layout = grain_pair()
    usual = [make_grain(frame, reference_px=(20.0, 150.0), layout=layout) for frame in plain]
    moved, _ = grain_pair(shift=(3, -2), gain=0.8)
    sheets = [
        make_grain(moved[0], reference_px=(20.0, 150.0), layout=layout),
        make_grain(moved[1], reference_px=(23.3, 147.8), layout=layout),
    ]
    unknown = make_grain(moved[1], reference_px=(20.0, 150.0), layout=layout)  # no perforation: usual place
    expected = measure_repetition(usual[1], usual[0], None, layout=layout).grain_match
    for sheet in (sheets[1], unknown):
        assert measure_repetition(sheet, sheets[0], None, layout=layout).grain_match > 0.9 * expected


def test_another_piece_of_film_gives_nothing():
    one, layout = grain_pair(seed=1)
    two, _ = grain_pair(seed=2)
    sheets = [make_grain(frame, reference_px=(20.0, 150.0), layout=layout) for frame in (one[0], two[0])]
    assert abs(measure_repetition(sheets[1], sheets[0], None, layout=layout).grain_match) < 0.1


def test_no_measurement_is_not_a_number():
    frames, layout = grain_pair()
    sheet = make_grain(frames[0], reference_px=(20.0, 150.0), layout=layout)
    empty = make_grain(frames[0], reference_px=(math.nan, 150.0), layout=layout)
    flat = make_grain(np.full((300, 400), 0.3, np.float32), reference_px=(20.0, 150.0), layout=layout)
    away = make_grain(frames[0], reference_px=(200.0, 150.0), layout=layout)
    for other in (None, empty, flat, away):
        assert math.isnan(measure_repetition(sheet, other, None, layout=layout).grain_match)
    reading = measure_repetition(sheet, sheet, sheet, layout=layout)
    assert math.isnan(reading.grain_follows) and reading.grain_match_skip > 0.99
    assert layout.strip_px == (0, 0)
    proxy = make_proxy(frames[0], box=(40, 50, 360, 250))
    assert math.isnan(measure_step(proxy, np.full_like(proxy, np.nan), None).picture_step)


def test_input_is_not_altered_and_columns_are_the_readings():
    frames, layout = grain_pair()
    kept = frames[0].copy()
    sheet = make_grain(frames[0], reference_px=(20.0, 150.0), layout=layout)
    tiles = sheet.tiles.copy()
    measure_repetition(sheet, sheet, None, layout=layout)
    assert np.array_equal(frames[0], kept) and np.array_equal(sheet.tiles, tiles)
    assert {column.name for column in COLUMNS} == {*RepetitionReading.__slots__, *StepReading.__slots__}
    assert all(column.source in SOURCES for column in COLUMNS)
    assert max(column.halo for column in COLUMNS) == 2


def test_nonsense_is_refused():
    frames, layout = grain_pair()
    with pytest.raises(CallerError, match="one plane"):
        make_grain(np.stack([frames[0]] * 3, axis=2), reference_px=(20.0, 150.0), layout=layout)
    with pytest.raises(CallerError, match="64 px either way"):
        find_grain_layout(
            frame_px=(99, 99), reference_px=(0, 50), area_px=(0, -9, 50, 9), pitch_px=40.0, px_per_mm=10.0
        )
    with pytest.raises(CallerError):
        measure_step(np.zeros((20, 20), np.float32), np.zeros((20, 21), np.float32), None)
