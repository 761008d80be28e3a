"""Lists, packages and notes that were made to do harm: nothing outside their folder is read or written, no memory is taken without
end, and the command says what is wrong in a sentence, with its exit code."""

import hashlib
import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from smallgauge import cli
from smallgauge.media.whole import digest_file
from smallgauge.record.files import write_json
from smallgauge.record.finding import FileDigest, Proof

SHEET = "xl/worksheets/sheet1.xml"
OPEN = '<?xml version="1.0"?>\n'
SPREADSHEET = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
LAUGHS = "".join(f'<!ENTITY l{n + 1} "{f"&l{n};" * 10}">' for n in range(12))
BOMB = f'{OPEN}<!DOCTYPE worksheet [<!ENTITY l0 "ha">{LAUGHS}]>\n'
OUTSIDE = f'{OPEN}<!DOCTYPE worksheet [<!ENTITY e SYSTEM "file:///etc/hostname">]>\n'
CELL = '<c r="{}" t="inlineStr"><is><t>{}</t></is></c>'
HEAD = "".join(
    CELL.format(f"{column}1", name)
    for column, name in zip("ABCDE", ("gauge", "box_words", "forbids", "decides", "feet"))
)


def sheet_of(rows, *, head=OPEN, size=""):
    return f"{head}<worksheet {SPREADSHEET}>{size}<sheetData>{rows}</sheetData></worksheet>"


def first_row(*more):
    return f'<row r="1">{HEAD}</row>' + "".join(more)


SHEETS = {
    "laughs": sheet_of(first_row(f'<row r="2">{CELL.format("A2", "&l12;")}</row>'), head=BOMB),
    "a file from outside": sheet_of(first_row(f'<row r="2">{CELL.format("A2", "&e;")}</row>'), head=OUTSIDE),
    "a cell a million rows down": sheet_of(
        first_row(f'<row r="1048576">{CELL.format("XFD1048576", "x")}</row>'),
        size='<dimension ref="A1:XFD1048576"/>',
    ),
    "a row that is no number": sheet_of(first_row(f'<row r="1e9">{CELL.format("A1e9", "x")}</row>')),
}


def write_sheet(path, sheet):
    """A spreadsheet by ECMA-376, as small as it may be; from memory of standard, not seen."""
    from openpyxl import Workbook

    Workbook().save(path)
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    parts[SHEET] = sheet.encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    shelf = tmp_path_factory.mktemp("shop") / "shelf"
    shelf.mkdir()
    words = ["order", "new", "--by", "mk", "--client", "Wim Oster", "--reach", "by post", "--delete-on", "2031-01-01",
             "--signed-by", "Wim Oster", "--count", "reels=1", "--count", "boxes=1", "--shelf", str(shelf)]  # fmt: skip
    assert cli.main(words) == 0
    return shelf


LIMITED = """
import contextlib, io, json, resource, sys
from smallgauge import cli
resource.setrlimit(resource.RLIMIT_DATA, (1 << 30, 1 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (40, 40))
for path in sys.argv[2:]:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = cli.main(["office", "import", path, "--order", "0000013", "--by", "mk", "--shelf", sys.argv[1]])
    print(json.dumps([code, said.getvalue()]), flush=True)
"""


@pytest.fixture(scope="module")
def answers(shelf, tmp_path_factory):
    """What the command says to each spreadsheet, in a process below one GiB and 40 s of processor."""
    folder = tmp_path_factory.mktemp("lists")
    paths = [folder / f"{name}.xlsx" for name in SHEETS]
    for path in paths:
        write_sheet(path, SHEETS[path.stem])
    words = [sys.executable, "-c", LIMITED, str(shelf), *map(str, paths)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    return dict(zip(SHEETS, map(json.loads, done.stdout.splitlines())))


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_hostile_spreadsheet_is_refused_in_a_sentence(answers, sheet):
    code, said = answers[sheet]
    assert code in (1, 2, 3) and said.strip(), (code, said)
    assert "Traceback" not in said and "hahaha" not in said and len(said) < 5000
    assert Path("/etc/hostname").read_text().strip() not in said


def listed(package, lines):
    """A small package whose list holds these lines too."""
    data = b"words"
    package.mkdir(parents=True)
    (package / "Read me first.txt").write_bytes(data)
    (package / "SHA256SUMS").write_text(
        f"{hashlib.sha256(data).hexdigest()}  Read me first.txt\n" + "".join(lines)
    )


LEADING_OUT = {
    "up": "../secret.txt",
    "up within": "For later/../../secret.txt",
    "from the root": "{secret}",
    "a drive": "C:secret.txt",
    "a share": r"\\host\secret.txt",
    "up by the other stroke": r"..\secret.txt",
    "a device": "NUL",
    "a device with an ending": "For later/con.txt",
    "twice a stroke": "For later//{secret}",
    "a link": "link.txt",
    "a link to a folder": "linked/secret.txt",
}


@pytest.mark.parametrize("place", LEADING_OUT)
@pytest.mark.parametrize("command", ["recheck", "prove"])
def test_a_list_names_nothing_outside_its_package(place, command, tmp_path, capsys):
    """Its digest would be right, so that reading it would go unseen."""
    secret, package = tmp_path / "secret.txt", tmp_path / "package"
    secret.write_bytes(b"another family's")
    name = LEADING_OUT[place].replace("{secret}", str(secret))
    listed(package, [f"{digest_file(secret)}  {name}\n"])
    (package / "link.txt").symlink_to(secret)
    (package / "linked").symlink_to(tmp_path)
    log = ["--log", str(tmp_path / "log.jsonl")] if command == "recheck" else []
    assert cli.main([command, str(package), *log]) == 4
    said = capsys.readouterr()
    assert "Traceback" not in said.err and ("SHA256SUMS" in said.out or name in said.out)
    assert secret.read_bytes() == b"another family's"


@pytest.mark.parametrize("name", ["../../out.json", "{base}/out.json", "For later/../../../out.json"])
def test_a_proof_lays_nothing_outside(name, tmp_path, monkeypatch, capsys):
    """`prove` lays a package's files out by the names that its proof gives them."""
    package, held = tmp_path / "package", tmp_path / "temporary"
    held.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(held))
    listed(package, [])
    digest = digest_file(package / "Read me first.txt")
    file = FileDigest(name=name.replace("{base}", str(tmp_path)), sha256=digest, bytes=5)
    write_json(
        package / "proof.json", Proof(reel="1", capture_digest="", checks=(), findings=(), files=(file,))
    )
    with (package / "SHA256SUMS").open("a") as sums:
        sums.write(f"{digest_file(package / 'proof.json')}  proof.json\n")
    before = sorted(tmp_path.rglob("*"))
    assert cli.main(["prove", str(package)]) in (0, 3, 4)
    assert sorted(tmp_path.rglob("*")) == before and "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("name", ["../secret.wav", "/dev/zero", "NUL", "..\\secret.wav"])
def test_notes_lead_nowhere(name, tmp_path, capsys):
    """A capture's notes name its reel, which becomes the name of a folder on the shelf."""
    film, shelf = tmp_path / "film", tmp_path / "shelf"
    film.mkdir()
    (film / "capture.toml").write_text(f"reel = {json.dumps(name)}\nbox_words = {json.dumps(name)}\n")
    before = sorted(tmp_path.rglob("*"))
    assert cli.main(["analyse", str(film), "--out", str(shelf), "--workers", "1", "--quiet"]) in (2, 3)
    assert "Traceback" not in capsys.readouterr().err
    made = [path for path in tmp_path.rglob("*") if path not in before]
    assert all(path.is_relative_to(shelf) for path in made)
