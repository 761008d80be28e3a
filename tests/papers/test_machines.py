"""`machines.toml`: head distances and scales, read by one reader, and written without losing a word of the rest."""

from dataclasses import replace

import pytest

from smallgauge.errors import MaterialError
from smallgauge.record.machines import EVERY_GAUGE, MachineScale, read_machines, with_scale

SCALE = MachineScale(
    along_um=4.503, along_sigma_um=0.0004, across_um=4.511, across_sigma_um=0.0005, width_px=1440, height_px=1080,
    told_by="graticule of 0.5 mm", by="m.k.", at="2026-01-17T10:00:00Z", capture="5a" * 32)  # fmt: skip
SHOP = """# our machines
["bench one"]   # upstairs
super-8 = 12.0
16mm = -3

["bench two"]
super-8 = 0
"""


def read(text):
    return read_machines(text, where="machines.toml")


def put(text, machine="bench two", gauge="super-8", scale=SCALE):
    return with_scale(text, machine=machine, gauge=gauge, scale=scale, where="machines.toml")


def test_head_distances_stand_beside_scales():
    machines = read(put(SHOP))
    assert machines.head_offset("bench one", "super-8") == 12.0
    assert machines.head_offset("bench one", "16mm") == -3.0
    assert machines.head_offset("bench two", "super-8") == 0.0
    assert machines.head_offset("bench three", "super-8") is None
    assert machines.head_offset(None, "super-8") is None
    assert machines.scale("bench two", "super-8") == SCALE
    assert machines.scale("bench two", "standard-8") is None
    assert machines.scale("bench one", "super-8") is None


def test_a_scale_of_a_gauge_beats_that_of_every_gauge():
    text = put(put("", gauge=EVERY_GAUGE), scale=replace(SCALE, along_um=5.0))
    machines = read(text)
    assert machines.scale("bench two", "super-8").along_um == 5.0
    assert machines.scale("bench two", "16mm").along_um == 4.503
    assert machines.scale("bench two", None).along_um == 4.503


def test_everything_else_stays_word_for_word():
    first = put(SHOP)
    assert first.startswith(SHOP.rstrip("\n"))
    second = put(first, scale=replace(SCALE, along_um=4.6))
    assert second.startswith(SHOP.rstrip("\n"))
    assert second.count("[") == first.count("[") and "4.503" not in second
    third = put(second, machine="bench one", gauge=EVERY_GAUGE)
    assert read(third).scale("bench two", "super-8").along_um == 4.6
    assert read(third).head_offset("bench one", "super-8") == 12.0


def test_a_scale_written_in_another_form_is_replaced_too():
    text = '["bench two"]\nsuper-8 = 3\nscale = { super-8 = { along_um = 9.0, width_px = 10, height_px = 10 } }\n'
    machines = read(put(text))
    assert machines.scale("bench two", "super-8") == SCALE
    assert machines.head_offset("bench two", "super-8") == 3.0


def test_what_was_not_told_stays_untold():
    only = replace(SCALE, across_um=None, across_sigma_um=None)
    assert read(put("", scale=only)).scale("bench two", "super-8") == only


@pytest.mark.parametrize("machine", ["bench two", 'the "old" one', "Bänk", "a.b", "x"])
def test_names_of_any_kind(machine):
    assert read(put(SHOP, machine=machine)).scale(machine, "super-8") == SCALE


def test_all_mistakes_come_at_once():
    text = """
x = 3
["a"]
super-8 = "twelve"
["a".scale.super-9]
along_um = 3
["b".scale.super-8]
along_um = -1
["c".scale.super-8]
along_um = 4
["d".scale.super-8]
width_px = 10
height_px = 10
["e".scale.super-8]
along = 4
"""
    with pytest.raises(MaterialError) as caught:
        read(text)
    said = str(caught.value)
    for part in (
        "'x'",
        "a: super-8",
        "super-9",
        "above 0",
        "width_px",
        "along_um or across_um",
        "'along' is not",
    ):
        assert part in said
    with pytest.raises(MaterialError, match="TOML"):
        read("[")


def test_nothing_is_written_into_a_document_that_is_not_understood():
    with pytest.raises(MaterialError, match="twelve"):
        put('["a"]\nsuper-8 = "twelve"\n')
