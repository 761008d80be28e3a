"""What a client writes stays words in exports: no spreadsheet takes it for a formula; and no list unpacks without end.

Source of the danger: OWASP, "CSV Injection" (from memory, not checked).
"""

import csv
import json
import zipfile

import pytest
from shop import open_shop, parcel, reel

from smallgauge.errors import MaterialError
from smallgauge.office.lists import export_book, read_table

WORDS = ("=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "<script>alert(1)</script>", "garden")


def test_words_stay_words_in_the_open_files(tmp_path):
    with open_shop(tmp_path) as book:
        order = parcel(book, reels=len(WORDS))
        for words in WORDS:
            reel(book, order, box_words=words)
        export_book(book, tmp_path / "open")
    with (tmp_path / "open" / "reel.csv").open(newline="") as file:
        cells = [row["box_words"] for row in csv.DictReader(file)]
    assert len(cells) == len(WORDS)
    assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in cells)
    kept = json.loads((tmp_path / "open" / "office.json").read_text())["reel"]
    assert {row["box_words"].strip() for row in kept} == {words.strip() for words in WORDS}, (
        "the document keeps them as written"
    )


def test_a_list_that_unpacks_without_end_is_refused(tmp_path):
    path = tmp_path / "list.xlsx"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed,
        packed.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet,
    ):
        for _ in range(250):
            sheet.write(b" " * 1_000_000)
    assert path.stat().st_size < 2_000_000
    with pytest.raises(MaterialError, match="when unpacked"):
        read_table(path)
