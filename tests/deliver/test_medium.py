"""A package on a medium: read back from it, gone on with after a stop, cut where the medium asks, never over another file."""

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from reel_papers import AT, make_reel

from smallgauge.deliver import medium as subject
from smallgauge.deliver.bag import build_bag
from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.medium import copy_to_medium
from smallgauge.deliver.package import build_package
from smallgauge.deliver.start_page import write_start_page
from smallgauge.deliver.words import medium_words
from smallgauge.errors import FixityError, MaterialError


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    reel = make_reel(tmp_path_factory.mktemp("made") / "reel")
    write_contact_sheet(reel)
    (reel / "report.html").write_text("a report", encoding="utf-8")
    write_start_page(reel)
    build_package(reel)
    build_bag(reel, at=AT)
    return reel


@pytest.fixture
def package(shelf, tmp_path):
    return shutil.copytree(shelf / "package", tmp_path / "package")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("kind", ["package", "bag"])
def test_every_file_arrives_and_an_outside_program_agrees(shelf, tmp_path, kind):
    target = tmp_path / "stick" / "reel"
    made = copy_to_medium(shelf / kind, target)
    assert contents(target) == contents(shelf / kind) and made.kept == 0 and not made.pieces
    program, sums = ("sha256sum", "SHA256SUMS") if kind == "package" else ("sha512sum", "manifest-sha512.txt")
    subprocess.run([program, "-c", "--quiet", sums], cwd=target, check=True)
    assert "read back and right" in medium_words(made)


def test_it_goes_on_after_a_stop(package, tmp_path, monkeypatch):
    target, real, calls = tmp_path / "stick", subject._copy_one, []

    def stops(*args):
        calls.append(args)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return real(*args)

    monkeypatch.setattr(subject, "_copy_one", stops)
    with pytest.raises(KeyboardInterrupt):
        copy_to_medium(package, target)
    monkeypatch.undo()
    made = copy_to_medium(package, target)
    assert made.kept == 3 and contents(target) == contents(package)
    assert copy_to_medium(package, target).copied == 0


def test_a_medium_that_gives_other_bytes_back_is_not_trusted(package, tmp_path, monkeypatch):
    real = subject.digests_file

    def forgetful(path, kinds, *, from_medium=False):
        if path.name == "finished.mkv" and from_medium:
            path.write_bytes(b"\0" * path.stat().st_size)  # a stick that lies about its size gives zeros
        return real(path, kinds, from_medium=from_medium)

    monkeypatch.setattr(subject, "digests_file", forgetful)
    with pytest.raises(FixityError, match="not to be trusted"):
        copy_to_medium(package, tmp_path / "stick")


def test_a_package_that_changed_is_not_copied_as_right(package, tmp_path):
    film = package / "For later" / "finished.mkv"
    raw = bytearray(film.read_bytes())
    raw[7] ^= 4
    film.write_bytes(raw)
    with pytest.raises(FixityError, match="package's list"):
        copy_to_medium(package, tmp_path / "stick")
    assert not list((tmp_path / "stick").rglob("finished.mkv*"))


def test_another_file_in_the_way_is_left_alone(package, tmp_path):
    target = tmp_path / "stick"
    (target / "For later").mkdir(parents=True)
    other = target / "For later" / "finished.mkv"
    other.write_bytes(b"somebody's")
    with pytest.raises(MaterialError, match="another file"):
        copy_to_medium(package, target)
    assert other.read_bytes() == b"somebody's"


def test_no_list_no_room_no_legal_name(package, tmp_path, monkeypatch):
    with pytest.raises(MaterialError, match="SHA256SUMS"):
        copy_to_medium(tmp_path, tmp_path / "stick")
    monkeypatch.setattr(subject, "free_bytes", lambda path: 1000)
    with pytest.raises(MaterialError, match=r"1\.0 kB"):
        copy_to_medium(package, tmp_path / "stick")
    monkeypatch.undo()
    sums = package / "SHA256SUMS"
    sums.write_text(sums.read_text() + f"{'0' * 64}  what?.mkv\n")
    with pytest.raises(MaterialError, match="legal"):
        copy_to_medium(package, tmp_path / "stick")


def test_a_per_cent_sign_in_a_family_s_name_is_no_escape(tmp_path):
    package = tmp_path / "package"
    package.mkdir()
    (package / "50%25 off, 1968.mp4").write_bytes(b"a film")
    digest = hashlib.sha256(b"a film").hexdigest()
    (package / "SHA256SUMS").write_text(f"{digest}  50%25 off, 1968.mp4\n")
    subprocess.run(["sha256sum", "-c", "--quiet", "SHA256SUMS"], cwd=package, check=True)
    copy_to_medium(package, tmp_path / "stick")
    assert contents(tmp_path / "stick") == contents(package)


def test_a_file_is_no_folder(package, tmp_path):
    (tmp_path / "afile").write_text("mine")
    with pytest.raises(MaterialError, match="to a folder"):
        copy_to_medium(package, tmp_path / "afile")
    assert (tmp_path / "afile").read_text() == "mine"


def test_a_file_too_large_for_the_medium_is_cut_and_joins_again(package, tmp_path, monkeypatch):
    monkeypatch.setattr(subject, "largest_file_bytes", lambda path: 1500)
    target = tmp_path / "stick"
    made = copy_to_medium(package, target, piece_bytes=1000)
    assert "For later/finished.mkv" in made.pieces and not (target / "For later" / "finished.mkv").exists()
    pieces = sorted((target / "For later").glob("finished.mkv.*"))
    joined = b"".join(piece.read_bytes() for piece in pieces)
    assert (
        hashlib.sha256(joined).digest()
        == hashlib.sha256((package / "For later" / "finished.mkv").read_bytes()).digest()
    )
    note = (target / subject.PIECES_NOTE).read_text()
    line = next(each for each in note.splitlines() if "cat" in each and "finished.mkv" in each)
    subprocess.run(["sh", "-c", line.split(":", 1)[1]], cwd=target / "For later", check=True)
    assert (target / "For later" / "finished.mkv").read_bytes() == joined
    (target / "For later" / "finished.mkv").unlink()
    assert copy_to_medium(package, target, piece_bytes=1000).copied == 0
    pieces[1].write_bytes(b"\1" * pieces[1].stat().st_size)
    with pytest.raises(FixityError, match="pieces"):
        copy_to_medium(package, target, piece_bytes=1000)


@pytest.mark.skipif(
    not (shutil.which("mkfs.vfat") and shutil.which("mcopy")), reason="needs dosfstools and mtools"
)
def test_names_and_bytes_survive_a_fat32_image(package, tmp_path):
    image = tmp_path / "stick.img"
    with image.open("wb") as file:
        file.truncate(40 << 20)
    subprocess.run(["mkfs.vfat", "-F", "32", str(image)], check=True, capture_output=True)
    subprocess.run(["mcopy", "-s", "-i", str(image), *map(str, sorted(package.iterdir())), "::/"], check=True)
    back = tmp_path / "back"
    back.mkdir()
    subprocess.run(["mcopy", "-s", "-n", "-i", str(image), "::/*", str(back)], check=True)
    assert contents(back) == contents(package)
