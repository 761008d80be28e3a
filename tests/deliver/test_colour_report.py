"""Colour in the report: pairs of pictures, how each thing is known, tables and plots."""

import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from reel_papers import AT, make_reel, still

from smallgauge.deliver.colour import MOST_PAIRS, colour_facts, colour_pairs, left_as_it_was
from smallgauge.deliver.colour_plots import DyeShares, draw_scale, draw_shares
from smallgauge.deliver.colour_tables import colour_plots, length_table, scene_table
from smallgauge.deliver.content import report_content
from smallgauge.deliver.package import plan_parts
from smallgauge.deliver.papers import Papers, read_papers, still_places
from smallgauge.deliver.report import report_html, report_pdf
from smallgauge.record.files import read_decisions
from smallgauge.record.frametable import FRAME_COLUMNS
from smallgauge.record.table import table_of
from smallgauge.record.toldcolour import GREY_DENSITIES, GreyScale, SceneLight
from smallgauge.record.treatment import EVIDENCE, NOT_TOLD, WAITING, decide, propose, treatment_of

FADED: dict[str, object] = {
    "light": "narrow",
    "left": [0.5, 1.0, 1.0],
    "sigma": [0.06, 0.05, 0.05],
    "source": ["border", "border", "border"],
    "clear": [0.15, 0.15, 0.15],
    "base": [0.15, 0.15, 0.15],
    "border": [1.6, 2.9, 2.9],
}
WHOLE_FILM = {**FADED, "left": [0.99, 1.0, 1.0]}
ENDS: dict[str, object] = {"white": [0.15, 0.15, 0.15], "black": [1.6, 2.9, 2.9]}


def decided(folder: Path, *more: tuple[str, str, dict[str, object], str]) -> Papers:
    """The papers with more proposals of the program, or decisions of m.k. where that is named as what it rests on."""
    log = read_decisions(folder / "decisions.jsonl")
    for subject, anchor, value, basis in more:
        if basis == "m.k.":
            log = decide(log, subject=subject, anchor=anchor, value=value, by="m.k.", at=AT, why="by eye")
        else:
            log = propose(
                log, subject=subject, anchor=anchor, value=value, at=AT, why="measured", basis=basis
            )
    return replace(read_papers(folder), treatment=treatment_of(log))


def with_told(
    papers: Papers, steps: tuple[str, ...], scenes: int = 5, before: tuple[str, ...] = ()
) -> Papers:
    grey = tuple(round(10 ** (-d / 2.4), 4) for d in GREY_DENSITIES)
    scale = GreyScale(first=0, stop=scenes, steps=steps, red=grey, green=grey, blue=grey)
    light = tuple(
        SceneLight(scene=n, frames=80, before=(0.3, 0.2, 0.1), after=(0.25, 0.2, 0.15)) for n in range(scenes)
    )
    summary = replace(papers.summary, grey_scales=(scale,), light=light, before=before)
    return replace(papers, summary=summary)


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    """A reel whose stills all have a before picture; the third scene changed most, the first least."""
    folder = make_reel(tmp_path_factory.mktemp("colour") / "reel")
    for scene, change in enumerate((2, 20, 60, 40, 30)):
        place = still_places(folder)[scene]
        picture = (still(600, 460, scene).astype(int) - change).clip(0, 255).astype(np.uint8)
        _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
        place.path.with_name(f"now-{place.path.name}").write_bytes(data.tobytes())
    return folder


def befores(folder: Path) -> tuple[str, ...]:
    return tuple(f"stills/now-{place.path.name}" for place in still_places(folder))


def test_pairs_are_those_that_changed_most_and_only_those_that_the_rendering_names(reel):
    papers = with_told(read_papers(reel), ("fade", "output"), before=befores(reel))
    pairs, in_all = colour_pairs(papers)
    assert [pair.caption for pair in pairs] == ["Scene 3", "Scene 4", "Scene 5"][:MOST_PAIRS] and in_all == 5
    pairs, in_all = colour_pairs(with_told(papers, ("fade",), before=befores(reel)[:2]))
    assert [pair.caption for pair in pairs] == ["Scene 2", "Scene 1"] and in_all == 2
    assert colour_pairs(with_told(papers, ("output",))) == ((), 0)


def test_a_before_picture_is_no_still_and_lies_with_the_records(reel):
    assert len(still_places(reel)) == 5
    places = [part.place for part in plan_parts(read_papers(reel))]
    assert sum(place.startswith("Pictures/scene-") for place in places) == 5
    assert {place for place in places if "now-" in place} == {f"For later/{name}" for name in befores(reel)}


def test_page_and_pdf_show_the_pairs_and_say_how_each_thing_is_known(reel):
    papers = decided(reel, ("fading", "length@0", FADED, EVIDENCE), ("rendering", "length@0", ENDS, ""))
    content = report_content(with_told(papers, ("fade", "output"), before=befores(reel)))
    html = report_html(content)
    assert (
        html.count("as the film is today</figcaption>") == html.count("as it was corrected</figcaption>") == 3
    )
    assert "These are the 3 scenes of 5 that changed most." in html
    assert html.count('class="how"') == len(content.colours) == 2
    assert "not corrected" not in html and "a red room" in html
    assert "What is left of the dyes" in html and "Grey scale of scenes 1 to 5" in html
    assert report_pdf(content).startswith(b"%PDF")
    family = " ".join((content.pairs_words, *(fact.text for fact in content.colours), *content.not_done))
    assert not re.search(r"repair|treat|clean|restor|fixed|altered", family.replace("None of this work", ""))


def test_fading_by_the_border_is_measured_and_what_is_usual_is_said_to_be_estimated(reel):
    papers = decided(reel, ("fading", "length@0", FADED, EVIDENCE))
    (fact,) = colour_facts(papers)
    assert fact.how == "measured and estimated"
    assert "50 % (± 6) of cyan" in fact.text and "when new is what is usual" in fact.text
    stated = replace(papers.capture, notes=replace(papers.capture.notes, stock_density=3.1))
    (fact,) = colour_facts(replace(papers, capture=stated))
    assert fact.how == "measured" and "usual" not in fact.text


@pytest.mark.parametrize(
    ("value", "basis", "how", "words"),
    [
        (WHOLE_FILM, EVIDENCE, "measured and estimated", "have not faded"),
        ({**FADED, "source": ["m.k."] * 3}, "m.k.", "told to us", "The finished film shows the colours as they were"),
        ({**FADED, "source": ["border and picks"] * 3}, "m.k.", "measured, told to us and estimated", "have faded"),
        ({**FADED, "source": ["statistics"] * 3}, WAITING, "a proposal, not applied", "nothing was done"),
        ({**WHOLE_FILM, "source": ["lower limit"] * 3}, WAITING, "estimated", "seem not to have faded"),
        ({**WHOLE_FILM, "source": ["nothing"] * 3}, NOT_TOLD, "not known", "can't be told"),
    ],
)  # fmt: skip
def test_how_the_fading_is_known_follows_its_source(reel, value, basis, how, words):
    (fact,) = colour_facts(decided(reel, ("fading", "length@0", value, basis)))
    assert fact.how == how and words in fact.text


def test_lengths_of_stock_are_counted_by_what_was_done_about_them(reel):
    """Two of three lengths have faded: the family reads how many, and what the worse one has left."""
    worse = {**FADED, "left": [0.4, 1.0, 0.9]}
    papers = decided(
        reel,
        ("fading", "length@0", FADED, EVIDENCE),
        ("fading", "length@100", worse, EVIDENCE),
        ("fading", "length@200", WHOLE_FILM, EVIDENCE),
    )
    rows = [
        {"frame": n, "film_position": n, "splice": n in (100, 200), "duplicate_of": -1} for n in range(300)
    ]
    papers = replace(papers, frames=table_of("frames", FRAME_COLUMNS, rows))
    undone, whole = colour_facts(papers)
    assert undone.text.startswith("The dyes of 2 of the 3 lengths of film on this reel have faded: 40 %")
    assert "are, where it is worst, left" in undone.text
    assert whole.text.startswith("The dyes of 1 of the 3 lengths of film on this reel have not faded")
    assert [row[0] for row in length_table(papers).rows[::3]] == ["1", "2", "3"]
    assert colour_plots(papers)[0].svg.count("<rect") == 6  # the whole one has nothing to show


def test_white_and_black_are_measured_usual_told_or_not_known(reel):
    def how(white: list[float], basis: str = "") -> str:
        value = {**ENDS, "white": white}
        return colour_facts(decided(reel, ("rendering", "length@0", value, basis)))[-1].how

    assert how([0.12, 0.13, 0.15]) == "measured"
    assert how([0.17, 0.2, 0.22]) == "measured and estimated"  # a usual base
    assert how([0.0, 0.0, 0.0]) == "not known"
    assert how([0.12, 0.13, 0.15], "m.k.") == "told to us"


def test_dark_scenes_are_listed_with_the_lift_that_waits(reel):
    lift = {"points": [-8.0] * 3}
    papers = with_told(decided(reel, ("primary", "scene@152", lift, WAITING)), ("output",))
    fact = colour_facts(papers)[-1]
    assert (
        fact.how == "a proposal, not applied" and "1 scene is dark (scene 3). It was left dark" in fact.text
    )
    rows = {row[0]: row for row in scene_table(papers).rows}
    assert rows["3"][-1] == "-8 points, not applied" and rows["2"][-1] == ""
    assert left_as_it_was(papers)[0].startswith(
        "Apart from white and black, colour and brightness were not corrected"
    )
    taken = decided(reel, ("primary", "scene@152", lift, "m.k."))
    (fact,) = colour_facts(taken)
    assert fact.how == "told to us" and fact.text.startswith("Scene 3 was made lighter, darker")
    assert left_as_it_was(taken)[-1].startswith(
        "Apart from what our technician chose, colours that the light gave"
    )


def test_an_unfaded_film_is_not_called_corrected(reel):
    """The steps that were rendered count, not that a decision on fading stands in the log."""
    papers = decided(reel, ("fading", "length@0", WHOLE_FILM, EVIDENCE))
    assert "not corrected" in left_as_it_was(with_told(papers, ("output",)))[0]
    assert "not corrected" not in left_as_it_was(with_told(papers, ("fade", "output")))[0]


def test_the_table_of_lengths_holds_the_border_as_it_is_and_as_it_was(reel):
    table = length_table(decided(reel, ("fading", "length@0", FADED, EVIDENCE)))
    assert len(table.rows) == 3 and {len(row) for row in table.rows} == {len(table.head)}
    cyan = dict(zip(table.head, table.rows[0], strict=True))
    assert (cyan["Clear"], cyan["Border"], cyan["Left"]) == ("0.15", "1.60", "50 ± 6")
    # Twice the cyan: 2 x (1.6 - 0.15) less what magenta and yellow hold back of red, above a base of 0.15
    assert 2.5 < float(cyan["When new"]) < 3.05
    assert cyan["Fading"] == "undone" and cyan["Known"] == "measured"
    assert length_table(read_papers(reel)) is None


def test_a_negative_tells_of_its_base_and_what_of_its_print_is_usual(reel):
    printed = {"base": [0.21, 0.52, 0.8], "contrast": 2.9}
    papers = decided(reel, ("inversion", "length@0", printed, EVIDENCE))
    (fact,) = colour_facts(papers)
    assert fact.how == "measured and estimated" and "negative" in fact.text
    rows = length_table(papers).rows
    assert [row[3] for row in rows] == ["0.21", "0.52", "0.80"] and rows[0][-2:] == ("measured", "printed")
    timed = ("inversion", "length@0", {**printed, "card": [0.7, 1.1, 1.4]}, "m.k.")
    (fact,) = colour_facts(decided(reel, ("inversion", "length@0", printed, EVIDENCE), timed))
    assert fact.how == "measured, estimated and told to us" and "choices that were agreed" in fact.text
    by_hand = decided(reel, ("inversion", "length@0", {**printed, "base": [0.3, 0.6, 0.9]}, "m.k."))
    (fact,) = colour_facts(by_hand)
    assert fact.how == "estimated and told to us" and "stated by our technician" in fact.text
    assert length_table(by_hand).rows[0][-2] == "told to us"


def test_silver_film_tells_whether_its_own_tone_was_kept(reel):
    for look, words in (("as on the film", "was kept"), ("neutral", "was left out")):
        (fact,) = colour_facts(decided(reel, ("black_and_white", "reel", {"look": look}, "")))
        assert fact.how == "told to us" and words in fact.text


def test_scales_are_drawn_where_colour_was_corrected_and_only_there(reel):
    papers = read_papers(reel)
    assert colour_plots(with_told(papers, ("output",))) == ()
    (plot,) = colour_plots(with_told(papers, ("points", "output")))
    assert plot.title == "Grey scale of scenes 1 to 5" and "printer points" in plot.note


def test_bars_are_as_long_as_the_shares_and_a_proposal_is_an_outline():
    lengths = [
        DyeShares(name="Length 1", left=(0.25, 0.5, 1.0), sigma=(0.05,) * 3, words=("measured",) * 3, applied=True),
        DyeShares(name="Length <2>", left=(0.5,) * 3, sigma=None, words=("estimated",) * 3, applied=False),
    ]  # fmt: skip
    svg = draw_shares(lengths, title="Dyes")
    widths = [float(width) for width in re.findall(r'<rect [^>]*width="([\d.]+)"', svg)]
    assert widths[0] * 4 == pytest.approx(widths[2], abs=0.5) and widths[1] * 2 == pytest.approx(
        widths[2], abs=0.3
    )
    assert svg.count('fill="none" stroke="#777"') == 3 and "Length &lt;2&gt;" in svg
    assert svg.count("M") > 3 and draw_shares([], title="Dyes") == ""


def test_a_scale_without_any_step_lies_on_the_line_of_the_scanned_film():
    grey = [10 ** (-d / 2.4) for d in GREY_DENSITIES]
    svg = draw_scale(GREY_DENSITIES, [grey] * 3, title="Grey")
    assert len(set(re.findall(r'points="([^"]+)"', svg))) == 1 and svg.count("stroke-dasharray") == 4
