"""The papers of copies to media: what was read back, and what a medium that changed since is told by."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import pytest
from reel_papers import AT, make_reel

from smallgauge import cli
from smallgauge.deliver import medium as subject
from smallgauge.deliver.bag import build_bag
from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.medium import NotReadBackError, Stated, check_copy, copy_and_note
from smallgauge.deliver.package import build_package
from smallgauge.deliver.start_page import write_start_page
from smallgauge.errors import CallerError, FixityError, MaterialError
from smallgauge.media.whole import digest_file
from smallgauge.record.numbered import add_numbered, read_numbered
from smallgauge.record.onmedia import MEDIA, OnMedium, read_media, standing_copies

DISK = Stated(medium="disk 12", kind="hard disk", by="mk", at=AT)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    reel = make_reel(tmp_path_factory.mktemp("made") / "reel")
    write_contact_sheet(reel)
    (reel / "report.html").write_text("a report", encoding="utf-8")
    write_start_page(reel)
    build_package(reel)
    build_bag(reel, at=AT)
    return reel


@pytest.fixture
def reel(made, tmp_path):
    return shutil.copytree(made, tmp_path / "reel")


@pytest.mark.parametrize(("of", "name"), [("package", "SHA256SUMS"), ("bag", "manifest-sha512.txt")])
def test_a_copy_is_written_down(reel, tmp_path, of, name, capsys):
    target = tmp_path / "disk" / "reel"
    words = ["copy", str(reel / of), str(target), "--medium", "disk 12", "--kind", "hard disk", "--by", "mk"]
    assert cli.main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (paper,) = read_media(reel)
    assert told["paper"].endswith("media/0001.json") and told["copied"] == paper.files
    assert (paper.medium, paper.kind, paper.by, paper.of, paper.equal) == ("disk 12", "hard disk", "mk", of, True)  # fmt: skip
    assert paper.list_name == name and paper.list_sha256 == digest_file(reel / of / name)
    files = [path for path in (reel / of).rglob("*") if path.is_file()]
    assert paper.bytes == sum(path.stat().st_size for path in files) and paper.files == len(files)
    digests = check_copy(target, paper)
    assert set(digests) == {line.split(maxsplit=1)[1] for line in (target / name).read_text().splitlines()}


def test_a_copy_without_a_medium_is_not_written_down(reel, tmp_path, capsys):
    assert cli.main(["copy", str(reel / "package"), str(tmp_path / "stick")]) == 0
    assert "not written down" in capsys.readouterr().out and read_media(reel) == ()
    assert cli.main(["copy", str(reel / "package"), str(tmp_path / "stick"), "--by", "mk"]) == 2


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"kind": "drawer"}, "kind of these"), ({"by": " "}, "--by"), ({"medium": "a\x07b"}, "--medium")],
)
def test_what_is_stated_is_checked_before_anything_is_copied(reel, tmp_path, changes, words):
    stated = Stated(**({"medium": "disk 12", "kind": "stick", "by": "mk", "at": AT} | changes))
    with pytest.raises(CallerError, match=words):
        copy_and_note(reel / "package", tmp_path / "stick", stated)
    assert not (tmp_path / "stick").exists()


def test_a_package_that_lies_elsewhere_has_no_papers(reel, tmp_path):
    shutil.copytree(reel / "package", tmp_path / "loose" / "package")
    with pytest.raises(CallerError, match="own folder"):
        copy_and_note(tmp_path / "loose" / "package", tmp_path / "stick", DISK)


def test_a_medium_that_gives_other_bytes_back_is_written_down_so(reel, tmp_path, monkeypatch):
    real = subject.digests_file

    def bad(path, kinds, **words):
        found = real(path, kinds, **words)
        return dict.fromkeys(found, "0" * 64) if "stick" in str(path) else found

    monkeypatch.setattr(subject, "digests_file", bad)
    with pytest.raises(NotReadBackError):
        copy_and_note(reel / "package", tmp_path / "stick", DISK)
    (paper,) = read_media(reel)
    assert not paper.equal and "must read back" in paper.why and standing_copies((paper,)) == ()


def damage(target, how):
    path = target / "data" / "archive.mkv"
    if how == "flipped":
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    elif how == "removed":
        path.unlink()
    elif how == "list":
        (target / "manifest-sha512.txt").write_text("")


@pytest.mark.parametrize("how", ["flipped", "removed", "list"])
def test_a_copy_altered_after_it_was_read_back_is_found(reel, tmp_path, how):
    target = tmp_path / "disk"
    copy_and_note(reel / "bag", target, DISK)
    (paper,) = read_media(reel)
    damage(target, how)
    with pytest.raises(NotReadBackError):
        check_copy(target, paper)


def test_pieces_are_read_back_as_one(reel, tmp_path, monkeypatch):
    monkeypatch.setattr(subject, "largest_file_bytes", lambda path: 30_000)
    monkeypatch.setattr(subject, "copy_to_medium", partial(subject.copy_to_medium, piece_bytes=20_000))
    target = tmp_path / "fat"
    copied, _ = copy_and_note(reel / "bag", target, DISK)
    (paper,) = read_media(reel)
    assert copied.pieces and check_copy(target, paper)
    piece = next(target.rglob("*.002"))
    piece.write_bytes(piece.read_bytes()[:-1] + b"\0")
    with pytest.raises(NotReadBackError):
        check_copy(target, paper)


def test_a_medium_that_is_not_at_hand_is_asked_for(reel, tmp_path):
    copy_and_note(reel / "bag", tmp_path / "disk", DISK)
    (paper,) = read_media(reel)
    with pytest.raises(MaterialError, match="plug the medium in"):
        check_copy(tmp_path / "elsewhere", paper)


def paper(number):
    return OnMedium(medium=f"disk {number}", kind="stick", by="mk", at=AT, folder="/x", of="bag", list_name="SHA256SUMS",
                    list_sha256="0" * 64, files=1, bytes=1, equal=True)  # fmt: skip


@pytest.mark.parametrize("how", ["altered", "removed", "put in", "no json"])
def test_a_paper_that_was_touched_is_found(tmp_path, how):
    folder = tmp_path / MEDIA
    for number in range(3):
        add_numbered(folder, paper(number))
    assert [each.medium for each in read_numbered(folder, OnMedium)] == ["disk 0", "disk 1", "disk 2"]
    second = folder / "0002.json"
    if how == "altered":
        second.write_text(second.read_text().replace("disk 1", "disk 9"))
    elif how == "removed":
        second.unlink()
    elif how == "no json":
        second.write_text("{")
    else:
        (folder / "0004.json").write_text(second.read_text())
    with pytest.raises(FixityError, match="must follow the one before"):
        read_numbered(folder, OnMedium)


def test_many_at_once_get_a_number_each(tmp_path):
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda number: add_numbered(tmp_path / MEDIA, paper(number)), range(24)))
    found = read_numbered(tmp_path / MEDIA, OnMedium)
    assert sorted(each.medium for each in found) == sorted(f"disk {n}" for n in range(24))
