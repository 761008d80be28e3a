"""Steadiness in the report: what a family reads, the technician's table and plots, and what is said without figures."""

from dataclasses import replace

import numpy as np
from reel_papers import DIGEST, FRAMES, make_reel

from smallgauge.deliver.content import report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.report import report_html, report_pdf
from smallgauge.picture.background import BackgroundRun
from smallgauge.picture.steadiness import BACKGROUND, GATE, Steadiness, untold
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import Proof
from smallgauge.record.rendertable import STEADINESS_COLUMNS, RenderSummary
from smallgauge.record.table import Table, write_table


def figure(evidence, axis, jump_um, left_um, **changes) -> Steadiness:
    return replace(
        Steadiness(
            evidence=evidence, axis=axis, frames=380, of=400, standing_out=2, before_um=1.4 * jump_um,
            after_um=1.2 * left_um, after_99_um=3 * left_um, before_jump_um=jump_um, after_jump_um=left_um,
            before_share=jump_um / 4010, after_share=left_um / 4010, sigma_um=0.4),
        **changes,
    )  # fmt: skip


def steady_reel(folder, *, table=True, of_papers=(), of_frames=(), runs=()):
    make_reel(folder)
    summary = read_json(folder / "render.json", RenderSummary)
    write_json(folder / "render.json", replace(summary, steadiness=of_papers))
    proof = read_json(folder / "proof.json", Proof)
    write_json(folder / "proof.json", replace(proof, steadiness=of_frames, background=runs))
    if table:
        chance = np.random.default_rng(4)
        values = {
            "capture": np.zeros(FRAMES, np.int32),
            "frame": np.arange(FRAMES, dtype=np.int32),
            **{
                f"{when}_{axis}_um": chance.normal(0, 20 if when == "before" else 2, FRAMES)
                for when in ("before", "after")
                for axis in ("across", "along")
            },
        }
        write_table(
            folder / "steadiness.parquet",
            Table(name="steadiness", columns=STEADINESS_COLUMNS, values=values, capture_digest=DIGEST),
        )
    return report_content(read_papers(folder))


BY_GATE = (figure(GATE, "across", 12.0, 3.0), figure(GATE, "along", 31.6, 1.2))
BY_BACKGROUND = tuple(
    figure(BACKGROUND, axis, before, after, before_um=np.nan, after_um=np.nan)
    for axis, before, after in (("across", 12.1, 3.1), ("along", 31.7, 1.9))
)
RUNS = tuple(
    BackgroundRun(
        first=first, stop=first + 100, before_across_um=12.0, after_across_um=3.0, before_along_um=30.0 + first / 50,
        after_along_um=2.0)
    for first in (0, 100, 200, 300)
)  # fmt: skip


def test_the_family_reads_how_far_it_moved(tmp_path):
    """Up and down, by the less favourable of both kinds of evidence, and per cent of the picture's height."""
    content = steady_reel(tmp_path / "reel", of_papers=BY_GATE, of_frames=BY_BACKGROUND, runs=RUNS)
    said = next(text for text in content.done if "thousandths" in text)
    assert "by 32 thousandths of a millimetre in the scan, and by 1.9 thousandths" in said
    assert "0.79 % of the picture's height, and now is 0.05 %" in said
    assert not any("could not be measured. Look" in text for text in content.unsure)
    assert b"%PDF" in report_pdf(content)[:8]


def test_the_technician_reads_the_evidence_and_sees_it(tmp_path):
    content = steady_reel(tmp_path / "reel", of_papers=BY_GATE, of_frames=BY_BACKGROUND, runs=RUNS)
    table = next(each for each in content.tables if each.title == "How still the picture stands")
    assert [row[1] for row in table.rows] == ["across", "along", "across", "along"]
    assert "gate's edges" in table.rows[0][0] and "still background" in table.rows[2][0]
    assert table.rows[1][2] == "31.6 → 1.2" and table.rows[1][4] == "44.2 → 1.4"
    assert table.rows[3][4] == "", "still background tells no movement"
    assert table.rows[0][7:] == ("380 of 400", "2")
    assert "scale as stated" in table.note
    titles = [plot.title for plot in content.plots]
    assert {"Steadiness across the film", "Steadiness along the film", "Jump along the film"} < set(titles)
    page = report_html(content)
    assert "How still the picture stands" in page and "31.6 → 1.2" in page


def test_what_was_not_told_is_said(tmp_path):
    nothing = (untold("across", 400), untold("along", 400))
    content = steady_reel(tmp_path / "reel", table=False, of_papers=nothing, of_frames=nothing)
    table = next(each for each in content.tables if each.title == "How still the picture stands")
    assert all(row[0].endswith("can't be told") and row[2:7] == ("",) * 5 for row in table.rows)
    assert not any("thousandth" in text for text in content.done)
    assert any("could not be measured" in text for text in content.unsure)
    assert not any(plot.title.startswith(("Steadiness", "Jump")) for plot in content.plots)


def test_papers_of_before_are_read_without(tmp_path):
    """A reel that was finished before steadiness was measured: nothing is said of it."""
    content = report_content(read_papers(make_reel(tmp_path / "reel")))
    assert content.tables == ()
    assert not any("could not be measured" in text for text in content.unsure)
