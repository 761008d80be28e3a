"""The unexposed border: read off drawn frames, and what a length's readings say together."""

import numpy as np
import pytest

from smallgauge.errors import CallerError
from smallgauge.gauge.gauges import GAUGES
from smallgauge.picture.border import CHANNELS, find_border_boxes, measure_border
from smallgauge.picture.border_length import border_of_length, stray_share
from smallgauge.picture.gauge_reading import find_gauge
from smallgauge.picture.perforations import find_perforations, measure_reference
from smallgauge.picture.synthetic import draw_frame, specimen_truth


def read_drawn(gauge, picture_mm, **changes):
    """Readings of drawn frames, and the truth; `picture_mm` is how far the picture lies from the film reference."""
    truth = specimen_truth(
        gauge, width=512, height=384, frames=4, bits=16, open_gate_level=0.9, flicker=0.0, **changes
    )
    frames = [(draw_frame(truth, n).samples / 65535).astype(np.float32) for n in range(4)]
    survey = find_gauge(
        frames, gauges=GAUGES, stated=truth.gauge, micrometres_per_pixel=truth.micrometres_per_pixel
    ).survey
    k = survey.across_px_per_mm
    picture = tuple(value * k for value in picture_mm)
    boxes = find_border_boxes(survey, picture=picture)
    readings = []
    for light in frames:
        plane = np.ascontiguousarray(light[:, :, survey.channel])
        place = measure_reference(find_perforations(plane, survey=survey), survey=survey)
        box = (
            picture[0] + place.x_px,
            picture[1] + place.y_px,
            picture[2] + place.x_px,
            picture[3] + place.y_px,
        )
        readings.append(
            measure_border(
                light, boxes=boxes, reference=(place.x_px, place.y_px), picture=box, lamp=(0.9, 0.9, 0.9)
            )
        )
    return readings


SUPER_8 = (0.53, -2.03, 6.20, 2.03)
STANDARD_8 = (1.0, -1.70, 5.75, 1.70)


@pytest.mark.parametrize(
    ("gauge", "picture", "kept"),
    [
        ("super 8", SUPER_8, (1.0, 1.0, 1.0)),
        pytest.param("super 8", SUPER_8, (0.5, 0.9, 0.7), marks=pytest.mark.campaign),
        ("standard 8", STANDARD_8, (0.6, 1.0, 0.8)),
    ],
)
def test_border_of_drawn_film(gauge, picture, kept):
    # picture/synthetic.py: densities of unexposed reversal film are base + shares of the dyes times what is kept
    shares = np.array([[0.93, 0.06, 0.01], [0.08, 0.86, 0.06], [0.03, 0.12, 0.85]])
    true = np.array([0.16, 0.17, 0.19]) + 2.75 * shares @ np.array(kept)
    for reading in read_drawn(gauge, picture, dye_kept=kept, read_noise=0.0002):
        found = -np.log10(np.array(reading.border))
        assert np.abs(found - true).max() < 0.12, (found, true)
        assert reading.border_sigma[0] > 0.0
        assert max(reading.border_floor_share) < 0.5


def test_edge_print_and_dirt_make_no_difference():
    plain = read_drawn("super 8", SUPER_8, read_noise=0.0002)
    printed = read_drawn(
        "super 8", SUPER_8, read_noise=0.0002, edge_print="SAFETY FILM 7", dirt_per_frame=3.0
    )
    for one, other in zip(plain, printed):
        assert np.abs(np.log10(np.array(one.border) / np.array(other.border))).max() < 0.1


def test_a_frame_without_a_place_says_nothing_of_the_border():
    reading = measure_border(
        np.full((120, 160, 3), 0.3, np.float32),
        boxes=[(0, 0, 50, 50)],
        reference=(np.nan, 1.0),
        picture=(10, 10, 150, 110),
    )
    assert (
        np.isnan(reading.border).all()
        and np.isfinite(reading.view).all()
        and np.isfinite(reading.clear).all()
    )


def test_two_channels_are_refused():
    with pytest.raises(CallerError, match="height, width"):
        measure_border(np.zeros((9, 9, 2), np.float32), boxes=(), reference=(0, 0), picture=(0, 0, 9, 9))


def columns(density, *, frames=40, dense=2.4, clear=0.16, share=0.01, view=0.2, noise=0.01, seed=1):
    """Columns of a length whose border has these densities, one triple or one for each frame."""
    rng = np.random.default_rng(seed)
    light = 10.0 ** -(np.broadcast_to(density, (frames, 3)) + rng.normal(0.0, noise, (frames, 3)))
    values = {
        "border": light,
        "border_sigma": light * 0.01,
        "border_lowest": light * 0.8,
        "border_floor_share": np.full((frames, 3), share),
        "clear": np.full((frames, 3), 10.0**-clear),
        "picture_middle": np.full((frames, 3), 1.0),
        "picture_dense": np.full((frames, 3), dense),
        "view": np.broadcast_to(np.reshape(view, (-1, 1)), (frames, 3)),
    }
    return {f"{name}_{c}": each[:, n] for name, each in values.items() for n, c in enumerate(CHANNELS)}


def test_fogged_ends_are_left_out():
    density = np.tile([1.8, 2.9, 2.6], (40, 1))
    density[:6] -= np.linspace(2.0, 0.2, 6)[:, None]
    density[-5:] -= np.linspace(0.2, 2.0, 5)[:, None]
    read = border_of_length(columns(density))
    assert read.state == "measured" and read.fogged == 11
    assert np.abs(np.array(read.density) - [1.8, 2.9, 2.6]).max() < 0.01


def test_a_border_that_disagrees_is_no_evidence():
    density = np.tile([1.8, 2.9, 2.6], (40, 1))
    density[:, 0] += np.linspace(-0.4, 0.4, 40)
    density[:, 1] += np.linspace(0.4, -0.4, 40)
    assert border_of_length(columns(density)).state == "disagrees"


def test_a_border_lighter_than_the_picture_is_no_evidence():
    assert border_of_length(columns((1.2, 1.3, 1.2))).state == "not unexposed"
    assert border_of_length(columns((np.nan,) * 3)).state == "not seen"


def test_the_scanner_s_limit_makes_a_lower_limit():
    faded = (1.6, 2.6, 2.4)
    read = border_of_length(columns(faded, dense=2.0), density_limit=2.7)
    assert read.state == "measured" and read.limited == (False, True, False)
    open_scale = border_of_length(columns(faded, dense=2.0), density_limit=3.2)
    assert open_scale.state == "measured" and not any(open_scale.limited)
    piled = columns(faded, dense=2.0)
    piled["border_floor_share_green"] = np.full(40, 0.6)
    assert border_of_length(piled).limited == (False, True, False)


def test_flare_is_told_by_what_the_view_does_to_the_border():
    rng = np.random.default_rng(2)
    view = rng.uniform(0.1, 0.4, 60)
    both = columns((2.0, 2.9, 2.6), frames=60, view=view, noise=0.005)
    for channel in CHANNELS:
        both[f"border_{channel}"] = both[f"border_{channel}"] + 0.005 * view
    share, sigma = stray_share(both, lengths=[(0, 60)])
    assert np.abs(np.array(share) - 0.005).max() < 5 * max(sigma) < 0.002
    read = border_of_length(both, flare=share, flare_sigma=sigma)
    assert np.abs(np.array(read.density) - [2.0, 2.9, 2.6]).max() < 0.03
    still = columns((2.0, 2.9, 2.6), frames=60)
    assert max(stray_share(still, lengths=[(0, 60)])[0]) < 1e-3
