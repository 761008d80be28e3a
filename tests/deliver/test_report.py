"""The report: whole, self-contained, the same bytes every time, and no word more than the papers say."""

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from reel_papers import FRAMES, NUMBER, make_reel

from smallgauge.deliver.content import UNSURE, report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.plots import Line, draw_along_reel
from smallgauge.deliver.report import build_pdf, build_report, report_html, report_pdf
from smallgauge.deliver.words import client_sentence
from smallgauge.errors import MaterialError
from smallgauge.record.files import read_json, write_json
from smallgauge.record.finding import FINDING_WEIGHTS, Finding, Proof, WitnessAnswer
from smallgauge.record.treatment import SUBJECTS

OF_THE_FILM = re.compile(r"repair|treat|clean(?!room)|restor", re.IGNORECASE)
VOID = {"meta", "img", "br", "link"}


class Page(HTMLParser):
    """What a test wants to know of a page: elements, open tags, text of the family's and technician's part."""

    def __init__(self, html):
        super().__init__()
        self.elements, self.open, self.headings, self.text = [], [], [], {"family": "", "technician": ""}
        self.part = "family"
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.elements.append((tag, attrs))
        if attrs.get("class") == "technician":
            self.part = "technician"
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-1:]}"
        self.open.pop()

    def handle_data(self, data):
        if "style" not in self.open:
            self.text[self.part] += data


@pytest.fixture(scope="module")
def reel(tmp_path_factory):
    return make_reel(tmp_path_factory.mktemp("report") / "reel")


@pytest.fixture(scope="module")
def page(reel):
    build_report(reel)
    return Page((reel / "report.html").read_text(encoding="utf-8"))


def test_the_page_is_whole_and_loads_nothing(reel, page):
    html = (reel / "report.html").read_text(encoding="utf-8")
    assert page.open == [] and html.startswith("<!DOCTYPE html>")
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)|@import|url\(|<script|<link", html)
    for tag, attrs in page.elements:
        assert attrs.get("src", "data:").startswith("data:image/jpeg;base64,") or "src" not in attrs, tag
        assert "href" not in attrs


def test_the_page_can_be_read_aloud(page):
    tags = [tag for tag, _ in page.elements]
    assert dict(page.elements)["html"] == {"lang": "en"}
    assert tags.count("h1") == 1 and page.headings[0] == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:]))
    assert all(attrs.get("alt") for tag, attrs in page.elements if tag == "img") and tags.count("img") == 5
    assert all(attrs.get("scope") in ("row", "col") for tag, attrs in page.elements if tag == "th")
    assert all(
        attrs.get("role") == "img" and attrs["aria-label"] for tag, attrs in page.elements if tag == "svg"
    )
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    named = [attrs["aria-labelledby"] for _, attrs in page.elements if "aria-labelledby" in attrs]
    assert len(ids) == len(set(ids)) and set(named) <= set(ids)


def test_greys_are_neutral(reel):
    html = (reel / "report.html").read_text(encoding="utf-8")
    colours = re.findall(r"#([0-9a-f]{6}|[0-9a-f]{3})\b", html.split("</style>")[0]) + re.findall(
        r'(?:fill|stroke)="#([0-9a-f]+)"', html
    )
    assert len(colours) > 20
    for colour in colours:
        step = len(colour) // 3
        assert len({colour[:step], colour[step : 2 * step], colour[2 * step :]}) == 1, colour


def test_family_reads_what_came_what_was_done_and_what_is_missing(page):
    family = page.text["family"]
    # 402 film frames at 72 to the foot are 5.58 feet (ENCFOOT), 1.70 m; at 50/3 a second 24.1 s.
    for words in (
        NUMBER,
        "Garden and sea, summer 1968",
        "Super 8 holds 402 pictures",
        "5.6 feet (1.7 metres)",
        "24 seconds, with sound",
        "Checked and found right: 1,823 comparisons",
        "2 pictures are missing",
        "Beside 2 pictures the perforations look torn",
        "chosen by our technician",
        "two copies of everything, better three",
        "Keep the film",
        "not corrected",
    ):
        assert words in " ".join(family.split()), words
    assert not OF_THE_FILM.search(family)
    assert "guess" not in family and "sha256" not in family.lower()


def test_technician_reads_decisions_checks_findings_plots_and_digests(page):
    technician = " ".join(page.text["technician"].split())
    for words in (
        "Decided by m.k.",
        "all 400 frames of the archive copy equal",
        "2 frames of the film were not captured (2 before captured frame 120 (frame_000120.dpx))",
        "numbers skipped 2; confidence 0.98",
        "grade 3 of 0 to 5: torn or missing, up to two together",
        "100 to 101",
        "before captured frame 150 (frame_000150.dpx) (tape)",
        "damaged_perforation",
    ):
        assert words in technician, words
    for words in ("focus, right", "2.9 px", "Place along the film", "Sharpness", "µm", "scale as stated"):
        assert words in technician, words
    assert len(re.findall(r"[0-9a-f]{64}", technician)) >= 9
    assert [tag for tag, _ in page.elements].count("svg") == 4


def test_what_witnesses_said_stands_in_the_technician_s_part(tmp_path):
    """A program that was not installed was not asked: it never reads as passed."""
    folder = make_reel(tmp_path / "reel")
    path = folder / "proof.json"
    asked = WitnessAnswer(
        witness="MediaInfo",
        version="24.12",
        asked="count, size and rate",
        of="finished.mkv",
        answer="agrees",
        said="same",
    )
    absent = WitnessAnswer(witness="ExifTool", version="", asked="the file", of="", answer="not asked")
    write_json(path, replace(read_json(path, Proof), witnesses=(asked, absent)))
    text = Page(report_html(report_content(read_papers(folder)))).text["technician"]
    assert re.search(
        r"MediaInfo 24\.12\s*count, size and rate as we say\s*finished\.mkv\s*agrees\s*same", text
    )
    assert re.search(r"ExifTool\s*the file's own structure\s*none\s*not installed, not asked", text)
    assert "1 program was asked" in text


def test_same_papers_same_bytes(reel, tmp_path):
    first = (reel / "report.html").read_bytes()
    other = make_reel(tmp_path / "elsewhere")
    build_report(other)
    assert (other / "report.html").read_bytes() == first


def test_words_on_the_box_are_words_and_not_markup(tmp_path):
    folder = make_reel(tmp_path / "reel", box_words='Mum & Dad <script>alert(1)</script> "7"')
    build_report(folder)
    html = (folder / "report.html").read_text(encoding="utf-8")
    assert "<script" not in html and "Mum &amp; Dad &lt;script&gt;" in html
    build_pdf(folder)


def test_nothing_is_claimed_before_it_was_checked(tmp_path):
    folder = make_reel(tmp_path / "reel", proved=False)
    content = report_content(read_papers(folder))
    assert not content.good and content.checks == ()
    assert content.standing == "The files have not been checked yet."
    assert "equal to it" not in " ".join(content.summary)
    assert "No check has been made yet" in report_html(content)


def test_the_archive_is_called_equal_only_where_that_was_proved(tmp_path):
    failing = Finding(
        code="frame digest differs", where="archive.mkv", values={"file": "archive.mkv", "frame": 3}
    )
    folder = make_reel(tmp_path / "reel", failing=(failing,))
    content = report_content(read_papers(folder))
    assert not content.good and content.standing.startswith("Something is still open")
    assert content.open_points == (client_sentence(failing),)


def test_a_house_value_and_an_open_sync_are_said(tmp_path):
    folder = make_reel(
        tmp_path / "reel", operator=False, failing=(Finding(code="sync not set", where="sound"),)
    )
    content = report_content(read_papers(folder))
    family = " ".join((*content.done, *content.unsure, *content.open_points))
    assert (
        "our usual speed for its kind" in family
        and "Sound and picture have not been brought together" in family
    )
    assert not any("chosen by our technician" in text for text in content.unsure)


def test_a_reel_that_was_only_analysed_has_a_report(tmp_path):
    folder = make_reel(tmp_path / "reel", proved=False)
    for name in (
        "render.parquet",
        "render.json",
        "decisions.jsonl",
        "finished.mkv",
        "viewing.mp4",
        "television.mp4",
    ):
        (folder / name).unlink()
    content = report_content(read_papers(folder))
    assert content.done == ("The film was scanned and measured; no finished film has been made yet.",)
    assert any("not been decided" in text for text in content.unsure)
    assert not any("retouched" in text for text in content.not_done)
    assert "Running time" not in dict(content.came_in)
    assert report_html(content) and report_pdf(content).startswith(b"%PDF")


def test_findings_met_twice_are_counted_not_repeated(tmp_path):
    passed = tuple(
        Finding(code="frame let pass", where="capture", values={"frame": n, "file": f"f_{n}.dpx"})
        for n in (7, 9)
    )
    content = report_content(read_papers(make_reel(tmp_path / "reel", findings=passed)))
    said = [text for text in content.lacking if "could not be read" in text]
    assert len(said) == 1 and "met 2 times" in said[0]
    assert not any("no picture is missing" in text for text in content.lacking)


def test_a_new_subject_makes_somebody_look_at_what_the_report_says_was_not_done():
    """The report says that colour and brightness were not corrected where no decision is on them."""
    assert set(SUBJECTS) == {
        "camera_speed",
        "scene_name",
        "registration",
        "framing",
        "sync",
        "doubles",
        "division",
        "loading",
        "loudness",
        "tracks",
        "hum",
        "flutter",
        "clicks",
        "equalisation",
        "hiss",
        "smooth_copy",
        "primary",
        "selective",
        "rendering",
        "flicker",
        "dirt",
        "grain",
        "inversion",
        "black_and_white",
        "sign_off",
        "fading",
    }
    assert set(FINDING_WEIGHTS) >= UNSURE


def test_a_folder_that_is_no_reel_is_refused(tmp_path):
    with pytest.raises(MaterialError, match=r"capture\.json"):
        build_report(tmp_path)


def test_a_still_that_is_no_picture_is_refused_and_leaves_no_report(tmp_path):
    folder = make_reel(tmp_path / "reel")
    (folder / "stills" / "scene-001-000012.jpg").write_bytes(b"no picture")
    with pytest.raises(MaterialError, match="whole picture"):
        build_report(folder)
    assert not (folder / "report.html").exists()


def test_pdf_is_the_same_every_time_and_holds_the_family_s_part(reel):
    build_pdf(reel)
    first = (reel / "report.pdf").read_bytes()
    build_pdf(reel)
    assert (reel / "report.pdf").read_bytes() == first
    assert first.startswith(b"%PDF-1.7") and b"pdfaid:part>2" in first and b"2026-01-17" in first
    if shutil.which("pdftotext") is None:
        pytest.skip("left out: the text of the PDF, because pdftotext is not installed")
    text = subprocess.run(
        ["pdftotext", "-layout", str(reel / "report.pdf"), "-"], capture_output=True, check=True
    ).stdout.decode()
    text = " ".join(text.split())
    for words in (
        "Garden and sea, summer 1968",
        "What was not done",
        "5.6 feet (1.7 metres)",
        "Decided by m.k.",
    ):
        assert words in text


def test_a_plot_loses_no_frame_that_stands_out():
    values = np.zeros(30_000)
    values[12_345] = 50.0
    svg = draw_along_reel([Line(name="across", values=values)], title="Across", unit="µm")
    assert len(svg) < 40_000
    strokes = [float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)V", svg)]
    heights = [float(y) for _, y in re.findall(r"([\d.]+),([\d.]+)", svg.split('points="')[1].split('"')[0])]
    assert min(strokes) < min(heights) - 100  # the spike reaches far above every median, pixels


def test_a_plot_leaves_gaps_where_nothing_was_measured():
    values = np.ones(FRAMES)
    values[40:60] = np.nan
    assert draw_along_reel([Line(name="a", values=values)], title="A", unit="").count("<polyline") == 2
    assert draw_along_reel([Line(name="a", values=np.full(9, np.nan))], title="A", unit="") == ""
    single = draw_along_reel([Line(name="a", values=np.array([2.0]))], title="A", unit="")
    assert "<circle" in single and "nan" not in single
