"""A package on exFAT, without a mount: written by the published layout, judged by `fsck.exfat`, read by other people's programs.

What this does not show: how an operating system's own driver writes. The files that go in are those that `copy_to_medium`
laid out and read back; the image proves that their names and sizes are such as exFAT takes.
"""

import hashlib
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from exfat_image import ExfatImage
from large_package import large_package

from smallgauge.deliver import medium
from smallgauge.deliver.medium import copy_to_medium
from smallgauge.line import Settings
from smallgauge.proving import prove_folder

MAKE, CHECK = shutil.which("mkfs.exfat") or "", shutil.which("fsck.exfat") or ""
for place in ("/usr/sbin", "/sbin"):
    MAKE = MAKE or shutil.which("mkfs.exfat", path=place) or ""
    CHECK = CHECK or shutil.which("fsck.exfat", path=place) or ""
needs_exfat = pytest.mark.skipif(not (MAKE and CHECK), reason="left out: exfatprogs is not there")
needs_reader = pytest.mark.skipif(
    not (shutil.which("fls") and shutil.which("icat")),
    reason="left out: The Sleuth Kit, which reads exFAT, is not there",
)


def image_of(folder: Path, path: Path, size: int) -> Path:
    """An image of so many bytes with the folder's contents, which `fsck.exfat` finds clean."""
    with path.open("wb") as file:
        file.truncate(size)
    subprocess.run([MAKE, path], check=True, capture_output=True)
    image = ExfatImage(path)
    image.add_tree(folder)
    image.close()
    judged = subprocess.run([CHECK, "-n", path], capture_output=True, text=True)
    assert judged.returncode == 0, judged.stdout + judged.stderr
    assert "clean" in judged.stdout
    return path


def places_in(image: Path) -> dict[str, str]:
    """Path -> number of every file, as The Sleuth Kit lists them."""
    said = subprocess.run(
        ["fls", "-f", "exfat", "-r", "-p", "-F", image], check=True, capture_output=True, text=True
    )
    lines = (re.fullmatch(r"r/r (\S+):\t(.*)", line) for line in said.stdout.splitlines())
    return {m[2]: m[1] for m in lines if m is not None and not m[2].startswith("$")}


def digest_in(image: Path, number: str) -> str:
    with subprocess.Popen(["icat", "-f", "exfat", image, number], stdout=subprocess.PIPE) as reader:
        digest = hashlib.sha256()
        while block := reader.stdout.read(1 << 20):
            digest.update(block)
    assert reader.returncode == 0
    return digest.hexdigest()


def listed(package: Path) -> dict[str, str]:
    lines = (package / "SHA256SUMS").read_text().splitlines()
    return {line.partition("  ")[2]: line.partition("  ")[0] for line in lines}


@needs_exfat
@needs_reader
def test_a_package_on_exfat_reads_back_and_is_proved(reel, tmp_path):
    """Every name and byte of a family's package; read back into a folder it is a package that proves."""
    copy_to_medium(reel / "package", tmp_path / "stick")
    image = image_of(tmp_path / "stick", tmp_path / "stick.img", 64 << 20)
    inside = places_in(image)
    wanted = listed(reel / "package")
    assert set(inside) == {*wanted, "SHA256SUMS"}
    assert {place: digest_in(image, inside[place]) for place in wanted} == wanted
    for place, number in inside.items():
        path = tmp_path / "back" / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("wb") as out:
            subprocess.run(["icat", "-f", "exfat", image, number], check=True, stdout=out)
    outcome = prove_folder(tmp_path / "back", Settings(at="2026-01-17T10:00:00Z", workers=1), source=None)
    assert outcome.exit_code == 0


@needs_exfat
@needs_reader
def test_a_family_s_names_are_taken_and_a_wrong_sum_is_not(tmp_path):
    """Names that the package makes of a box's words; and `fsck.exfat` is awake: one bit in an entry set is found."""
    from smallgauge.media.whole import safe_file_name

    folder = tmp_path / "tree" / "Watch these"
    folder.mkdir(parents=True)
    words = [
        'Omas Gärten: "Sommer" 1968?',
        "łąka / café <3>",
        "日本の庭 🌸",
        "con",
        "a" * 300,
        "ends with dots ...",
    ]
    names = {safe_file_name(f"Reel {n} - {each}.mp4") for n, each in enumerate(words)}
    for name in names:
        (folder / name).write_bytes(name.encode())
    (folder / "empty.txt").write_bytes(b"")
    image = image_of(tmp_path / "tree", tmp_path / "names.img", 32 << 20)
    inside = places_in(image)
    assert set(inside) == {f"Watch these/{name}" for name in (*names, "empty.txt")}
    for name in names:
        assert digest_in(image, inside[f"Watch these/{name}"]) == hashlib.sha256(name.encode()).hexdigest()
    data = bytearray(image.read_bytes())
    coded = "Watch".encode("utf-16-le")
    data[data.index(coded)] ^= 1
    image.write_bytes(data)
    judged = subprocess.run([CHECK, "-n", image], capture_output=True, text=True)
    assert judged.returncode != 0 or "clean" not in judged.stdout


@pytest.mark.campaign
@needs_exfat
@needs_reader
def test_a_file_above_four_gib_lies_whole_on_exfat(tmp_path, monkeypatch):
    """FAT32 would refuse it: 2^32 bytes and a little, with bytes that are told apart at its ends and on the limit."""
    digest = large_package(tmp_path / "package")
    monkeypatch.setattr(medium, "largest_file_bytes", lambda path: None)  # exFAT has no such limit
    made = copy_to_medium(tmp_path / "package", tmp_path / "stick")
    assert not made.pieces
    image = image_of(tmp_path / "stick", tmp_path / "large.img", 5 << 30)
    (tmp_path / "stick" / "For later" / "archive.mkv").unlink()
    inside = places_in(image)
    assert digest_in(image, inside["For later/archive.mkv"]) == digest
