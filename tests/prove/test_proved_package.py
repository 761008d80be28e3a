"""Packages that are not whole: files in pieces, files that were not delivered, no papers at all, a bag."""

import hashlib
import shutil
from pathlib import Path

import pytest
from faults import LATER, files_of, seal
from proved_reel import settings, small_reel

from smallgauge.deliver.bag import build_bag
from smallgauge.errors import CallerError
from smallgauge.proving import prove_folder


@pytest.fixture(scope="module")
def reel(tmp_path_factory) -> Path:
    return small_reel(tmp_path_factory.mktemp("packages"), frames=8)


@pytest.fixture
def package(reel, tmp_path) -> Path:
    return Path(shutil.copytree(reel / "package", tmp_path / "package"))


def proved(folder: Path):
    outcome = prove_folder(folder, settings(), source=None)
    return outcome, {f.where: f.values for f in outcome.findings if f.code == "check not made"}


def in_pieces(path: Path, length: int) -> None:
    data = path.read_bytes()
    for number, first in enumerate(range(0, len(data), length), start=1):
        path.with_name(f"{path.name}.{number:03d}").write_bytes(data[first : first + length])
    path.unlink()


def test_a_file_in_pieces_is_proved_by_its_pieces(package):
    path = package / LATER / "archive.mkv"
    in_pieces(path, 100_000)
    (package / "Put the pieces together.txt").write_text("how")
    outcome, not_made = proved(package)
    assert outcome.exit_code == 0
    assert any("pieces" in str(values["why"]) for values in not_made.values())
    piece = path.with_name("archive.mkv.002")
    data = bytearray(piece.read_bytes())
    data[7] ^= 1
    piece.write_bytes(data)
    assert proved(package)[0].exit_code == 4
    piece.unlink()
    assert proved(package)[0].exit_code == 4


def test_what_was_not_delivered_is_said_to_be_elsewhere(package):
    """A family's package without archive copy and finished film."""
    for name in ("archive.mkv", "finished.mkv"):
        (package / LATER / name).unlink()
    lines = (package / "SHA256SUMS").read_text().splitlines(keepends=True)
    kept = [line for line in lines if "archive.mkv" not in line and "finished.mkv" not in line]
    (package / "SHA256SUMS").write_text("".join(kept))
    outcome, not_made = proved(package)
    assert outcome.exit_code == 0
    assert "archive.mkv" in str(not_made["package"]["why"]) and "finished.mkv" in str(
        not_made["package"]["why"]
    )
    assert "archive.mkv" in not_made and "viewing.mp4" in not_made


def test_films_without_papers_are_decoded_by_themselves(package):
    keep = {"finished.mkv", "viewing.mp4"}
    for place in files_of(package):
        path = package / place
        if place != "SHA256SUMS" and path.name not in keep and path.suffix != ".mp4":
            path.unlink()
    lines = [
        f"{hashlib.sha256((package / p).read_bytes()).hexdigest()}  {p}\n"
        for p in files_of(package)
        if p != "SHA256SUMS"
    ]
    (package / "SHA256SUMS").write_text("".join(lines))
    assert proved(package)[0].exit_code == 0
    path = package / LATER / "finished.mkv"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 4
    path.write_bytes(data)
    lines = [line if "finished.mkv" not in line else "" for line in lines]
    digest = hashlib.sha256(data).hexdigest()
    (package / "SHA256SUMS").write_text("".join([*lines, f"{digest}  {LATER}/finished.mkv\n"]))
    assert proved(package)[0].exit_code == 4


def test_a_list_that_names_files_outside_the_package_is_not_followed(package, tmp_path):
    (tmp_path / "secret.txt").write_text("x")
    digest = hashlib.sha256(b"x").hexdigest()
    with (package / "SHA256SUMS").open("a") as file:
        file.write(f"{digest}  ../secret.txt\n")
    assert proved(package)[0].exit_code == 4


def test_a_bag_is_proved(reel, tmp_path):
    build_bag(reel, at="2026-01-17T10:00:00Z")
    bag = Path(shutil.copytree(reel / "bag", tmp_path / "bag"))
    assert proved(bag)[0].exit_code == 0
    info = bag / "bag-info.txt"
    info.write_text(info.read_text().replace("Payload-Oxum: ", "Payload-Oxum: 1"))
    assert proved(bag)[0].exit_code == 4


def test_nothing_is_written_into_a_package(package):
    with pytest.raises(CallerError, match="outside"):
        prove_folder(package, settings(), source=None, out=package / "proof")
    assert not (package / "proof").exists()
    seal(package)
    assert proved(package)[0].exit_code == 0


@pytest.mark.campaign
def test_a_family_package_as_shipped_is_proved_and_says_what_is_elsewhere(tmp_path):
    """No archive copy and no finished film: what is there is proved, what is not is said, nothing fails."""
    package = small_reel(tmp_path, frames=6, masters=False) / "package"
    assert not list(package.rglob("archive.mkv")) and not list(package.rglob("finished.mkv"))
    outcome, not_made = proved(package)
    assert outcome.exit_code == 0
    why = str(not_made["package"]["why"])
    assert "archive.mkv" in why and "finished.mkv" in why
    assert "not among these files" in str(not_made["television.mp4"]["why"])
    film = next((package / "Watch these").glob("*.mp4"))
    data = bytearray(film.read_bytes())
    data[len(data) // 2] ^= 4
    film.write_bytes(data)
    assert proved(package)[0].exit_code == 4
