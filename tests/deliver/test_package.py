"""The package: all of it or none, ours only, and sums that an outside program agrees with."""

import csv
import hashlib
import io
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reel_papers import NUMBER, make_reel

from smallgauge.deliver import swap as subject
from smallgauge.deliver.contact import write_contact_sheet
from smallgauge.deliver.film_names import film_file_name
from smallgauge.deliver.package import build_package, plan_parts, reels_csv
from smallgauge.deliver.papers import read_papers
from smallgauge.deliver.report import build_report
from smallgauge.deliver.start_page import write_start_page
from smallgauge.errors import FixityError, MaterialError
from smallgauge.record.files import read_json
from smallgauge.record.finding import Finding
from smallgauge.record.package import PackageList


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = make_reel(tmp_path_factory.mktemp("made") / "reel")
    write_contact_sheet(folder)
    (folder / "report.html").write_text("a report", encoding="utf-8")
    write_start_page(folder)
    return folder


@pytest.fixture
def reel(made, tmp_path):
    return shutil.copytree(made, tmp_path / "reel")


def contents(folder):
    """Every file below a folder with its bytes."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_the_package_holds_what_its_list_says_and_the_reel_has(reel):
    listed = build_package(reel)
    assert read_json(reel / "package.json", PackageList) == listed and listed.reel == NUMBER
    packed = contents(reel / "package")
    assert set(packed) == {part.place for part in listed.parts} | {"SHA256SUMS"}
    for part in listed.parts:
        assert packed[part.place] == (reel / part.of).read_bytes()
    tops = {place.split("/")[0] for place in packed}
    assert tops == {
        "Start here.html",
        "Read me first.txt",
        "Watch these",
        "Pictures",
        "Report.html",
        "For later",
        "SHA256SUMS",
    }
    assert f"Watch these/{NUMBER} - Garden and sea, summer 1968.mp4" in packed
    assert [place for place in packed if place.endswith(".mp4") and place.startswith("Watch")] == [
        f"Watch these/{NUMBER} - Garden and sea, summer 1968.mp4"
    ]
    assert {"For later/archive.mkv", "For later/archive.wav", "For later/proof.json"} <= set(packed)
    assert not (reel / "package.part").exists() and not (reel / "package.old").exists()
    assert not (reel / "package.part.json").exists()


def test_sums_agree_with_coreutils(reel):
    build_package(reel)
    if shutil.which("sha256sum") is None:
        pytest.skip("left out: sha256sum of coreutils is not installed")
    run = subprocess.run(
        ["sha256sum", "-c", "--strict", "SHA256SUMS"],
        cwd=reel / "package",
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0 and run.stdout.count(": OK") == len(contents(reel / "package")) - 1
    copy = reel / "package" / "Report.html"
    copy.unlink()
    copy.write_text("b report", encoding="utf-8")
    run = subprocess.run(
        ["sha256sum", "-c", "SHA256SUMS"], cwd=reel / "package", capture_output=True, check=False
    )
    assert run.returncode != 0


def test_sums_are_sorted_and_right_by_hashlib(reel):
    build_package(reel)
    lines = (reel / "package" / "SHA256SUMS").read_bytes().decode().splitlines()
    places = [line[66:] for line in lines]
    assert places == sorted(places) and all("\\" not in place for place in places)
    for line in lines:
        assert re.fullmatch(r"[0-9a-f]{64}  \S.*", line)
        assert hashlib.sha256((reel / "package" / line[66:]).read_bytes()).hexdigest() == line[:64]


def test_building_again_gives_the_same_and_follows_what_changed(reel):
    build_package(reel)
    before = contents(reel / "package")
    build_package(reel)
    assert contents(reel / "package") == before
    (reel / "stills" / "scene-005-000342.jpg").unlink()
    build_package(reel)
    after = contents(reel / "package")
    assert set(before) - set(after) == {"Pictures/scene-005-000342.jpg"}


def test_files_are_linked_where_the_system_can(reel):
    build_package(reel)
    one, two = reel / "archive.mkv", reel / "package" / "For later" / "archive.mkv"
    probe = reel / "probe"
    try:
        os.link(one, probe)
    except OSError:
        pytest.skip("left out: this file system has no hard links")
    assert one.samefile(two)


def test_a_stranger_in_the_package_is_refused_by_name_and_left_alone(reel):
    build_package(reel)
    before = contents(reel / "package")
    (reel / "package" / "Pictures" / "grandmother.jpg").write_bytes(b"theirs")
    with pytest.raises(MaterialError, match=r"Pictures/grandmother\.jpg"):
        build_package(reel)
    assert contents(reel / "package") == {**before, "Pictures/grandmother.jpg": b"theirs"}


def test_a_package_folder_without_our_list_is_not_ours(reel):
    build_package(reel)
    (reel / "package.json").unlink()
    before = contents(reel / "package")
    with pytest.raises(MaterialError, match="must hold only what this program put there"):
        build_package(reel)
    assert contents(reel / "package") == before


def test_an_empty_folder_of_somebody_s_is_not_removed(reel):
    build_package(reel)
    (reel / "package" / "For later" / "mine").mkdir()
    with pytest.raises(MaterialError, match="For later/mine/"):
        build_package(reel)
    assert (reel / "package" / "For later" / "mine").is_dir()


@pytest.mark.parametrize(
    "name", ["television.mp4", "finished.mkv", "report.html", "proof.json", "archive.mkv"]
)
def test_a_missing_file_is_named_and_nothing_is_packed(reel, name):
    (reel / name).unlink()
    if name == "archive.mkv":
        (reel / "archive.wav").unlink()
    with pytest.raises(MaterialError, match=re.escape(name)):
        build_package(reel)
    assert not (reel / "package").exists() and not (reel / "package.json").exists()


def test_sound_alone_is_no_archive_of_the_scan(reel):
    (reel / "archive.mkv").unlink()
    with pytest.raises(MaterialError, match=r"archive\.mkv"):
        build_package(reel)


def test_a_file_that_is_not_the_proved_one_is_not_packed(reel):
    build_package(reel)
    before = contents(reel / "package")
    data = bytearray((reel / "television.mp4").read_bytes())
    data[100] ^= 1
    (reel / "television.mp4").unlink()
    (reel / "television.mp4").write_bytes(bytes(data))
    with pytest.raises(FixityError, match=r"television\.mp4"):
        build_package(reel)
    assert contents(reel / "package") == before


class PowerCut(Exception):
    """The machine stops here."""


def cut_at(stop, monkeypatch):
    """Lets `stop` changes of the file system happen, then stops; gives a count of those that happened."""
    done = []

    def cut(real):
        def instead(*args, **kwargs):
            if len(done) == stop:
                raise PowerCut
            done.append(real)
            return real(*args, **kwargs)

        return instead

    for name in ("rename", "replace", "mkdir", "rmdir", "unlink"):
        monkeypatch.setattr(Path, name, cut(getattr(Path, name)))
    monkeypatch.setattr(subject, "link_or_copy", cut(subject.link_or_copy))
    return done


def build_with_cut(folder, stop):
    """Whether the package was built before the cut came."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        cut_at(stop, monkeypatch)
        try:
            build_package(folder)
        except PowerCut:
            return False
    return True


def check_cut(made, folder, stop, *, again):
    """Stops before change number `stop`, looks at what lies there, gives the same command again."""
    shutil.copytree(made, folder)
    if again:
        build_package(folder)
        (folder / "stills" / "scene-005-000342.jpg").unlink()
    old = contents(folder / "package") if again else None
    whole = build_with_cut(folder, stop)
    if (folder / "package").exists():
        found = contents(folder / "package")
        sums = [line.split("  ", 1) for line in found["SHA256SUMS"].decode().splitlines()]
        assert found == old or len(sums) == len(found) - 1
        assert all(hashlib.sha256(found[place]).hexdigest() == digest for digest, place in sums)
    listed = build_package(folder)
    assert set(contents(folder / "package")) == {part.place for part in listed.parts} | {"SHA256SUMS"}
    assert read_json(folder / "package.json", PackageList) == listed
    left = {path.name for path in folder.iterdir() if path.name.startswith("package")}
    assert left == {"package", "package.json"}
    shutil.rmtree(folder)
    return whole


def changes_of(made, folder, *, again):
    """The changes of the file system that a building makes, by name and in order."""
    shutil.copytree(made, folder)
    if again:
        build_package(folder)
        (folder / "stills" / "scene-005-000342.jpg").unlink()
    with pytest.MonkeyPatch.context() as monkeypatch:
        done = cut_at(-1, monkeypatch)
        build_package(folder)
    return [change.__name__ for change in done]


@pytest.mark.parametrize("again", [False, True])
def test_a_power_cut_while_one_takes_the_other_s_place(made, tmp_path, again):
    """Before and after every rename of a folder, among the deletions of the old one, and at the very end."""
    changes = changes_of(made, tmp_path / "counted", again=again)
    renames = [n for n, name in enumerate(changes) if name == "rename"]
    assert len(renames) == (2 if again else 1)
    stops = {20, *renames, renames[-1] + 1, renames[-1] + 9, len(changes) - 1}
    for stop in sorted(stops & set(range(len(changes)))):
        assert not check_cut(made, tmp_path / f"cut-{stop}", stop, again=again)
    assert check_cut(made, tmp_path / "whole", len(changes), again=again)


@pytest.mark.campaign
@pytest.mark.parametrize("again", [False, True])
def test_a_power_cut_anywhere_leaves_a_whole_package_or_none(made, tmp_path, again):
    changes = changes_of(made, tmp_path / "counted", again=again)
    assert len(changes) > 60
    for stop in range(len(changes)):
        assert not check_cut(made, tmp_path / f"cut-{stop}", stop, again=again)


def test_kept_captured_files_get_legal_names_and_may_not_differ_in_capitals_only(reel):
    (reel / "archive.mkv").unlink()
    (reel / "archive").mkdir()
    (reel / "archive" / "frame:0001.jpg").write_bytes(b"1")
    (reel / "archive" / "b.jpg").write_bytes(b"2")
    places = {part.place for part in plan_parts(read_papers(reel))}
    assert {"For later/archive/frame-0001.jpg", "For later/archive/b.jpg"} <= places
    (reel / "archive" / "B.JPG").write_bytes(b"3")
    with pytest.raises(MaterialError, match="more than capitals"):
        build_package(reel)


@given(words=st.text(max_size=200))
def test_the_film_s_name_is_legal_on_every_common_system(words):
    name = film_file_name(NUMBER, words)
    assert name.startswith(NUMBER) and name.endswith(".mp4")
    assert not re.search(r'[\\/:*?"<>|\x00-\x1f]', name)
    assert len(name.encode()) <= 124 and not name[:-4].endswith((" ", "."))


def test_reels_csv_is_read_by_the_library_as_it_was_meant(tmp_path):
    folder = make_reel(tmp_path / "reel", box_words='Sea, "1968"')
    text = reels_csv([read_papers(folder)])
    rows = list(csv.reader(io.StringIO(text, newline="")))
    row = dict(zip(rows[0], rows[1]))
    assert row["words on the box"] == 'Sea, "1968"' and row["pictures a second"] == "50/3"
    assert float(row["feet"]) == pytest.approx(402 / 72, abs=0.05)  # 72 frames to a foot: ENCFOOT
    assert float(row["metres"]) == pytest.approx(402 / 72 * 0.3048, abs=0.005)


def test_the_page_on_top_says_what_is_still_open_and_fits_a_page(tmp_path):
    folder = make_reel(tmp_path / "reel", failing=(Finding(code="sync not set", where="sound"),))
    build_report(folder)
    write_start_page(folder)
    build_package(folder)
    raw = (folder / "package" / "Read me first.txt").read_bytes()
    assert raw.count(b"\n") == raw.count(b"\r\n")
    text = raw.decode()
    lines = text.splitlines()
    assert max(map(len, lines)) <= 72 and len(lines) <= 60
    assert "STILL OPEN" in text and "brought together" in " ".join(text.split())
    assert "Report.pdf" not in text  # there is none
    assert not re.search(r"repair|treat|clean|restor", text, re.IGNORECASE)
