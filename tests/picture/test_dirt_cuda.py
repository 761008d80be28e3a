"""Dirt and dense flow on a card beside the processor's: on a real one, and on a processor that stands in where there is g++."""

import sys

import numpy as np
import pytest
from card_stand_in import COMPILER, modules

from benchmarks.card_dirt import far_apart, moved_pair
from benchmarks.dirt import drawn, lightness
from smallgauge.picture.dirt import find_dirt, find_dirt_moves, make_dirt_sheet
from smallgauge.picture.dirt_cuda import DirtCard
from smallgauge.picture.flow import dense_flow
from smallgauge.picture.flow_cuda import area_table, open_flow
from smallgauge.picture.grain_reduction import apply_less_grain
from smallgauge.picture.kernels_cuda import find_cards

CARDS = [
    pytest.param(
        "card",
        marks=pytest.mark.skipif(
            not find_cards(), reason="left out: no NVIDIA card, or no CuPy to speak to it"
        ),
    ),
    pytest.param(
        "stand-in",
        marks=pytest.mark.skipif(COMPILER is None, reason="left out: no g++ to compile the kernels with"),
    ),
]
FLOW_PX = 1e-3  # nine of ten vectors are equal to the last bits; flat parts where a search may fall either way go farther


@pytest.fixture(scope="module", params=CARDS)
def card(request):
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "stand-in":
            for name, module in modules().items():
                patch.setitem(sys.modules, name, module)
        yield DirtCard()


def here(values):
    return values.get() if hasattr(values, "get") else values


def sheets_of(kind, size, seed, frames=3):
    """Sheets of frames with dirt, `size` (width, height)."""
    pictures = [lightness(light) for _, light, _ in drawn(kind, frames, size[1], seed)]
    return [make_dirt_sheet(np.ascontiguousarray(each[:, : size[0]])) for each in pictures]


@pytest.mark.parametrize(("height", "cut"), [(200, 0), (186, 5), (131, 3)])
def test_flow_is_that_of_the_processor(card, height, cut):
    first, second, truth = moved_pair("gravel", height, 7)
    if cut:  # sides that halve unevenly
        light = [np.ascontiguousarray(sheet.lightness[cut:, : -2 * cut]) for sheet in (first, second)]
        first, second = (make_dirt_sheet(each) for each in light)
    own, other = find_dirt_moves(first, second), card.find_dirt_moves(first, second)
    for one, two in ((own.there, other.there), (own.back, other.back)):
        off = np.hypot(*(here(two) - one).transpose(2, 0, 1))
        assert np.quantile(off, 0.99) < FLOW_PX and off.mean() < FLOW_PX
    if not cut:
        inner = (slice(16, -16), slice(16, -16))
        errors = [np.median(np.abs(here(each) - truth)[inner]) for each in (own.there, other.there)]
        assert errors[0] < 0.1 and abs(errors[1] - errors[0]) < FLOW_PX


def test_flow_of_other_patches_strides_scales_and_rounds_is_that_of_the_processor(card):
    first, second, _ = moved_pair("coffee", 150, 3)
    find = open_flow()
    for finest, side, stride, refined in (
        (1, 8, 4, 0),
        (1, 8, 3, 2),
        (0, 12, 4, 5),
        (2, 5, 4, 1),
        (0, 16, 7, 0),
        (3, 8, 4, 5),
    ):
        told = {"finest": finest, "patch_px": side, "stride_px": stride, "refined": refined}
        off = np.abs(find(first.small, second.small, **told) - dense_flow(first.small, second.small, **told))
        assert np.quantile(off, 0.99) < FLOW_PX


def test_less_grain_by_a_cards_flow_gives_the_codes_of_the_processor_or_the_next(card):
    frames = [
        np.rint(np.clip(light, 0, 1) * 4095).astype(np.uint16) for _, light, _ in drawn("pan", 3, 120, 35)
    ]
    table = np.linspace(0, 1, 4096, dtype=np.float32)
    told = {"table": table, "reduce": 0.4, "box": (0, 0, 160, 120)}
    own, other = (
        apply_less_grain(frames[1], (frames[0], frames[2]), flow=each, **told)
        for each in (dense_flow, open_flow())
    )
    assert own.taken > 0.05
    assert np.abs(own.samples.astype(int) - other.samples).max() <= 1


@pytest.mark.parametrize(("kind", "size"), [("pan", (256, 192)), ("fast", (249, 187)), ("still", (96, 72))])
def test_given_the_same_flow_the_same_pixels_stand_out(card, kind, size):
    sheets = sheets_of(kind, size, 31)
    moves = find_dirt_moves(*sheets[:2]), find_dirt_moves(*sheets[1:])
    own, other = find_dirt(*sheets, moves=moves), card.find_dirt(*sheets, moves=on_card(card, moves))
    assert own and [blob.runs for blob in own] == [blob.runs for blob in other]
    assert max(map(far_apart, own, other)) < 1e-3


def on_card(card, moves):
    """The same moves, where the card's kernels can read them."""
    with card._device:
        return tuple(
            type(each)(there=card._cupy.asarray(each.there), back=card._cupy.asarray(each.back))
            for each in moves
        )


def test_the_same_dirt_is_found_from_the_cards_own_flow(card):
    sheets = sheets_of("pan", (256, 192), 32)
    own, other = find_dirt(*sheets), card.find_dirt(*sheets)
    assert own and [blob.runs for blob in own] == [blob.runs for blob in other]
    again = card.find_dirt(*sheets)
    assert [far_apart(*pair) for pair in zip(other, again, strict=True)] == [0.0] * len(own)


def test_the_smallest_pictures_are_searched_too(card):
    sheets = sheets_of("still", (64, 64), 33)
    assert [blob.runs for blob in card.find_dirt(*sheets)] == [blob.runs for blob in find_dirt(*sheets)]


def test_nothing_is_told_beside_a_frame_of_another_level(card):
    sheets = sheets_of("pan", (128, 96), 34)
    brighter = make_dirt_sheet(np.minimum(sheets[2].lightness + np.float32(30), np.float32(255)))
    assert card.find_dirt(sheets[0], sheets[1], brighter) == find_dirt(sheets[0], sheets[1], brighter) == ()


@pytest.mark.parametrize(("count", "smaller"), [(9, 9), (64, 8), (135, 67), (101, 12)])
def test_a_smaller_picture_covers_every_pixel_once(count, smaller):
    first, share = area_table(count, smaller)
    assert np.allclose(share.sum(axis=1), 1, atol=2e-3)
    weight = np.zeros(count + share.shape[1])
    for begin, row in zip(first, share, strict=True):
        weight[begin : begin + len(row)] += row
    assert np.allclose(weight[:count], smaller / count, atol=2e-3) and not weight[count:].any()
