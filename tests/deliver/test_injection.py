"""Words that a client supplies stay words wherever they are shown, printed or exported: one table of texts, one of places.

Sources of the dangers, from memory, not checked: OWASP on cross-site scripting, XML external entities and CSV injection. What XML
may hold is section 2.2 of XML 1.0 (W3C). What a page holds is asked of Python's HTML parser, a record of its XML parser, a PDF of
poppler, a TOML of Python's reader.
"""

import csv
import html.parser
import io
import shutil
import subprocess
import tomllib
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from xml.etree import ElementTree

import numpy as np
import pytest
from reel_papers import AT, NUMBER, make_reel

from smallgauge.deliver.condition import condition_record
from smallgauge.deliver.content import report_content
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.pbcore import pbcore_record
from smallgauge.deliver.programme import programme_html
from smallgauge.deliver.report import report_html, report_pdf
from smallgauge.deliver.start_page import start_html
from smallgauge.errors import MaterialError
from smallgauge.media.photograph_out import PhotographWords, write_jpeg_photograph
from smallgauge.media.whole import safe_file_name
from smallgauge.office.invoice import Invoice, InvoiceLine, invoice_csv
from smallgauge.office.labels import Label, label_sheet
from smallgauge.office.quote import Quote, quote_pdf
from smallgauge.record.files import read_decisions, write_json, write_treatment
from smallgauge.record.finding import Finding, Proof
from smallgauge.record.machines import MachineScale, read_machines, with_scale
from smallgauge.record.programme import (
    Card,
    ProgrammePaper,
    ReelLeftOut,
    ReelWish,
    Wishes,
    read_wishes,
    write_wishes,
)
from smallgauge.record.remarks import REMARKS, Answer, Remark, Remarks
from smallgauge.record.treatment import decide, treatment_of

TEXTS = {
    "markup": """<script>alert(1)</script><img src=x onerror="alert(1)"><a href='javascript:alert(1)'>&amp;</textarea><!--""",
    "formula": "=cmd|' /C calc'!A0",
    "plus": "+1+cmd|' /C calc'!A0",
    "at": "\t@SUM(1)",
    "entities": """<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><x>&e;</x>]]><![CDATA[<script>alert(1)</script>""",
    "typesetter": """#read("labels.typ") #image("x.png") $x$ `y` *b* @l #sys.inputs \\u{41} //""",
    "template": "{{ 7*7 }}{% for a in b %}{# c #}${7*7}",
    "settings": "\"\n[shop]\nname = \"x\"\n'''\n\\\x7f",
    "controls": "a\x00b\x08c\x0bd\x1b[31me\x85f\u2028g\ufffeh\uffff",
    "turned": "\u202egnp.exe\u2066\u200f",
    "places": "../../../etc/x\\..\\CON:nul|?*",
}  # fmt: skip
ALL = " ".join([TEXTS["formula"], *TEXTS.values()])
PROOF = Proof(reel=NUMBER, capture_digest="", checks=(), findings=(), files=())
AWAY = {"script", "iframe", "object", "embed", "form", "link", "base"}


class Page(html.parser.HTMLParser):
    """What a page would do: its elements, the words of what acts by itself, and where it leads."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.acts, self.leads = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.acts += [name for name, _ in attrs if name.startswith("on")]
        self.leads += [value or "" for name, value in attrs if name in ("href", "src", "action", "data")]


def is_page(text, plain):
    """No element, act or lead that the same page with plain words has not."""
    page, usual = Page(text), Page(plain)
    assert page.elements == usual.elements
    assert page.acts == [] and not AWAY & set(page.elements) - set(usual.elements)
    assert all(
        not lead.lower().startswith(("javascript:", "http:", "https:", "//", "file:")) for lead in page.leads
    )
    assert len(page.leads) == len(usual.leads)


def is_record(text, plain):
    """XML that a strict reader takes, with the same elements as with plain words, and without a document type."""
    told, usual = ElementTree.fromstring(text), ElementTree.fromstring(plain)
    assert [each.tag for each in told.iter()] == [each.tag for each in usual.iter()]
    assert "<!DOCTYPE" not in text.partition("\n")[2] and "<!ENTITY" not in text


def is_printed(pdf, plain):
    """A PDF that shows what was written, and nothing that a word asked for."""
    assert pdf.startswith(b"%PDF-")
    assert not any(word in pdf for word in (b"/JavaScript", b"/Launch", b"/EmbeddedFile", b"/OpenAction"))
    assert pdf.count(b"/Subtype/Image") == plain.count(b"/Subtype/Image")


def is_csv(text, plain):
    """As many cells, and none that a spreadsheet takes for a formula."""
    rows, usual = (list(csv.reader(io.StringIO(each, newline=""))) for each in (text, plain))
    assert [len(row) for row in rows] == [len(row) for row in usual]
    assert not [cell for row in rows for cell in row if cell.lstrip().startswith(("=", "+", "-", "@"))]


def is_settings(text, plain):
    """TOML with the same keys."""

    def keys(value):
        if isinstance(value, dict):
            return {key: keys(each) for key, each in value.items()}
        return [keys(each) for each in value] if isinstance(value, list) else None

    assert keys(tomllib.loads(text)) == keys(tomllib.loads(plain))


def papers_with(folder, words):
    """A made-up reel in which the client's words stand wherever a client's words may stand."""
    make_reel(folder, box_words=words, findings=(
        Finding(code="files passed over", where="capture", values={"names": words, "reasons": words}),
    ))  # fmt: skip
    log = decide(
        read_decisions(folder / "decisions.jsonl"),
        subject="camera_speed",
        value={"rate": "16"},
        by=words,
        at=AT,
        why=words,
    )
    write_treatment(folder / "treatment.toml", treatment_of(log))
    answer = Answer(done=True, why=words, by=words, at=AT)
    remark = Remark(number=1, who=words, on="2026-01-17", how=words, at=AT, copy="approval.mp4", said_place=words, first=3, last=4,
                    files=(words, words), words=words, answers=(answer,))  # fmt: skip
    write_json(folder / REMARKS, Remarks(remarks=(remark,)))
    papers = read_papers(folder)
    notes = replace(papers.capture.notes, box_words=words, film_base="acetate", deformation="none")
    return replace(
        papers, capture=replace(papers.capture, notes=notes, name=words), treatment=treatment_of(log)
    )


def programme(words):
    return ProgrammePaper(title=words, order_by=words, order_on="2026-01-17", rate=Fraction(18), frames=9, width=320, height=240,
                          packets=True, sound=False, target_lufs=-18.0, reels=(),
                          left_out=(ReelLeftOut(folder=words, number=words, by=words, on="2026-01-17", why=words),),
                          cards=(), chapters=((0, 9, words),), sha256="ab", table_sha256="cd")  # fmt: skip


def photograph(folder, words):
    path = folder / "one.jpg"
    said = PhotographWords(
        identifier=words,
        reel=words,
        title=words,
        headline=words,
        description=words,
        source=words,
        writer=words,
    )
    write_jpeg_photograph(path, np.zeros((16, 16, 3), np.uint8), said)
    data = path.read_bytes()
    first = data.index(b"<x:xmpmeta")
    return data[first : data.index(b"</x:xmpmeta>") + len(b"</x:xmpmeta>")].decode()


def scale(words):
    one = MachineScale(along_um=4.5, along_sigma_um=0.1, across_um=None, across_sigma_um=None, width_px=9, height_px=9,
                       told_by=words, by=words, at=AT, capture=words)  # fmt: skip
    text = with_scale("# ours\n", machine="one", gauge="super-8", scale=one, where="machines.toml")
    assert read_machines(text, where="machines.toml").scale("one", "super-8") == one
    return with_scale("# ours\n", machine=words, gauge="super-8", scale=one, where="machines.toml")


def treatment(papers):
    return (papers.folder / "treatment.toml").read_text()


def invoice(words):
    line = InvoiceLine(number=NUMBER, box_words=words, gauge="super-8", frames=9, feet=Fraction(1), price=Decimal(1), quoted=None,
                       remark=words)  # fmt: skip
    return invoice_csv(Invoice(lines=(line,), left_out=(), price=Decimal(1), currency=words), order="1")


def quoted(words):
    return quote_pdf(Quote(lines=(), left_out=((words, words),), currency=words, price=(Decimal(1), Decimal(2))),
                     order=words, client=words, day=words)  # fmt: skip


# What is shown, printed or exported, made from a client's words; and what it must be.
PLACES = {
    "report": (lambda papers, words, _: report_html(report_content(papers)), is_page),
    "start page": (lambda papers, words, _: start_html(papers), is_page),
    "programme's page": (lambda papers, words, _: programme_html(programme(words), PROOF, "a.mp4"), is_page),
    "record of the films": (lambda papers, words, _: pbcore_record(papers, [papers.folder / "archive.mkv"]), is_record),
    "record of the condition": (lambda papers, words, _: condition_record(papers), is_record),
    "words in a photograph": (lambda papers, words, folder: photograph(folder, words), is_record),
    "report to print": (lambda papers, words, _: report_pdf(report_content(papers)), is_printed),
    "label": (lambda papers, words, _: label_sheet([Label(number=NUMBER, gauge=words, box_words=words)]), is_printed),
    "quote": (lambda papers, words, _: quoted(words), is_printed),
    "invoice": (lambda papers, words, _: invoice(words), is_csv),
    "treatment": (lambda papers, words, _: treatment(papers), is_settings),
}  # fmt: skip


@pytest.fixture(scope="module")
def reels(tmp_path_factory):
    """The same reel with a client's plain words, and with all texts one behind the other."""
    base = tmp_path_factory.mktemp("reels")
    return base, {
        words: papers_with(base / name, words) for name, words in (("plain", "garden"), ("all", ALL))
    }


@pytest.mark.parametrize("place", PLACES)
def test_words_stay_words(reels, place):
    base, papers = reels
    make, is_inert = PLACES[place]
    is_inert(make(papers[ALL], ALL, base), make(papers["garden"], "garden", base))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="left out: no poppler on this system")
@pytest.mark.parametrize(
    "make", [quoted, lambda words: label_sheet([Label(number=NUMBER, gauge="super-8", box_words=words)])]
)
def test_the_typesetter_prints_what_was_written(make, tmp_path):
    words = "#read(1) $x$ *b* @l #sys"
    (tmp_path / "one.pdf").write_bytes(make(words))
    told = subprocess.run(
        ["pdftotext", "-raw", tmp_path / "one.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    assert words.replace(" ", "") in "".join(told.split())


@pytest.mark.parametrize("text", TEXTS)
def test_each_text_in_tables_and_settings(text, tmp_path):
    """Cells, photographs and settings, where the text's first letters count."""
    words = TEXTS[text]
    is_csv(invoice(words), invoice("garden"))
    is_record(photograph(tmp_path, words), photograph(tmp_path, "garden"))
    assert tomllib.loads(scale(words)).keys() == {words}
    wishes = Wishes(title=words, order_by=words, order_on="2026-01-17", rate=Fraction(18), loudness_lufs=-18.0,
                    reels=(ReelWish(folder="one", title=words),),
                    cards=(Card(before="one", words=words, read_by=words, read_on="2026-01-17"),))  # fmt: skip
    write_wishes(tmp_path / "programme.toml", wishes)
    try:
        assert read_wishes(tmp_path / "programme.toml") == wishes
    except MaterialError as error:
        assert "programme.toml" in str(error)


@pytest.mark.parametrize("text", TEXTS)
def test_a_file_is_named_within_its_folder(text, tmp_path):
    """Names made from words hold no separator, no device and nothing unseen, and lie where they were put."""
    name = safe_file_name(TEXTS[text])
    assert (tmp_path / name).resolve().parent == tmp_path.resolve() and (
        tmp_path / name
    ).resolve() != tmp_path.resolve()
    assert (
        name.isprintable()
        and not set(name) & set('\\/:*?"<>|')
        and name.split(".")[0].casefold() not in ("con", "nul")
    )


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="left out: no poppler on this system")
def test_signs_without_letters_are_printed_as_squares(tmp_path):
    """Box words in any writing must not end a delivery: PDF/A takes no sign that its letters lack."""
    folder = make_reel(tmp_path / "reel", box_words="夏の庭 1968 \U0001f39e Ёлка\x01")
    (tmp_path / "one.pdf").write_bytes(report_pdf(report_content(read_papers(folder))))
    told = subprocess.run(
        ["pdftotext", tmp_path / "one.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    assert "□の□ 1968 □ Ёлка□" in told and "stand as □" in " ".join(told.split())
