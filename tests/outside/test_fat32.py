"""A package on FAT32, without a mount: laid out by `copy_to_medium`, carried in and out by mtools, proved where it comes out."""

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from large_package import LARGE, large_package

from smallgauge.deliver import medium
from smallgauge.deliver.medium import copy_to_medium
from smallgauge.line import Settings
from smallgauge.media.whole import FAT_LARGEST
from smallgauge.proving import prove_folder

MAKE = shutil.which("mkfs.vfat") or shutil.which("mkfs.vfat", path="/usr/sbin:/sbin") or ""
pytestmark = pytest.mark.skipif(
    not (MAKE and shutil.which("mcopy") and shutil.which("mtype")),
    reason="left out: dosfstools and mtools are not there",
)


def image_of(folder: Path, path: Path, size: int) -> Path:
    """A FAT32 image of so many bytes with the folder's contents."""
    with path.open("wb") as file:
        file.truncate(size)
    subprocess.run([MAKE, "-F", "32", path], check=True, capture_output=True)
    subprocess.run(["mcopy", "-s", "-i", path, *sorted(folder.iterdir()), "::/"], check=True)
    return path


def test_a_package_in_pieces_on_fat32_reads_back_and_is_proved(reel, tmp_path, monkeypatch):
    """A small medium stands for the limit: what it can't hold whole lies in pieces, and every digest comes out equal."""
    most = (reel / "archive.mkv").stat().st_size // 2
    monkeypatch.setattr(medium, "largest_file_bytes", lambda path: most)
    made = copy_to_medium(reel / "package", tmp_path / "stick", piece_bytes=most)
    assert LARGE in made.pieces
    image = image_of(tmp_path / "stick", tmp_path / "stick.img", 64 << 20)
    back = tmp_path / "back"
    back.mkdir()
    subprocess.run(["mcopy", "-s", "-n", "-i", image, "::/*", back], check=True)
    for line in (reel / "package" / "SHA256SUMS").read_text().splitlines():
        digest, _, place = line.partition("  ")
        path = back / place
        pieces = [path] if path.exists() else sorted(path.parent.glob(f"{path.name}.???"))
        assert hashlib.sha256(b"".join(each.read_bytes() for each in pieces)).hexdigest() == digest
    outcome = prove_folder(back, Settings(at="2026-01-17T10:00:00Z", workers=1), source=None)
    assert outcome.exit_code == 0


@pytest.mark.campaign
def test_a_file_above_four_gib_lies_in_pieces_on_fat32(tmp_path, monkeypatch):
    """At the real limit: two pieces, each of which the medium takes; joined they are the file."""
    digest = large_package(tmp_path / "package")
    monkeypatch.setattr(medium, "largest_file_bytes", lambda path: FAT_LARGEST)
    made = copy_to_medium(tmp_path / "package", tmp_path / "stick")
    assert made.pieces == (LARGE,)
    image = image_of(tmp_path / "stick", tmp_path / "stick.img", 6 << 30)
    joined = hashlib.sha256()
    for number in (1, 2):
        with subprocess.Popen(
            ["mtype", "-i", image, f"::/{LARGE}.{number:03d}"], stdout=subprocess.PIPE
        ) as reader:
            while block := reader.stdout.read(1 << 20):
                joined.update(block)
        assert reader.returncode == 0
    assert joined.hexdigest() == digest
